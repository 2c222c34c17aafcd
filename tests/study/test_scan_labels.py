"""A target in the scan sheet: its labels may change by session, and are checked row by row."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.errors import InputFault, Problem
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of

Edit = Callable[[Path, str, str], None]


def with_stage(study: Path, label: Callable[[dict[str, str]], str], target: str = "stage") -> None:
    """Add a column stage to scans.csv and make it the target, of both sessions."""
    path = study / "scans.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "stage"])
        writer.writeheader()
        writer.writerows({**row, "stage": label(row)} for row in rows)
    yaml = study / "study.yaml"
    text = yaml.read_text(encoding="utf-8")
    assert "  target: treatment\n" in text
    text = text.replace("  target: treatment\n", f"  target: {target}\n  sessions: all\n")
    lines, inside = [], False
    for line in text.splitlines():
        inside = line.startswith("classes:") or (inside and line.startswith((" ", "#")))
        if inside and line.startswith("  sessions:") and "all" not in line.split("#")[0]:
            continue
        lines.append(line)
    yaml.write_text("\n".join(lines) + "\n", encoding="utf-8")


def stage_of(row: dict[str, str]) -> str:
    """Return healthy at first; on day12 the first four plants are infected."""
    if row["role"] not in ("", "sample"):
        return ""
    return "infected" if row["session"] == "day12" and row["unit"] <= "p04" else "healthy"


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        read_study(study)
    return list(caught.value.problems)


def test_the_rule_sees_the_label_of_every_leaf_scan_that_takes_part(small_study: Path) -> None:
    with_stage(small_study, stage_of)
    study = read_study(small_study)
    labels = settings_of(study, "classes", None)["labels"]
    assert {*labels} == {scan.scan for scan in study.samples()}
    assert {*labels.values()} == {"healthy", "infected"}
    assert "labels" not in settings_of(study, "effects", None)


def test_labels_of_sessions_that_do_not_take_part_are_not_seen(
    small_study: Path, edit: Edit
) -> None:
    with_stage(small_study, stage_of)
    edit(small_study / "study.yaml", "  sessions: all\n", "  sessions: [day12]\n")
    study = read_study(small_study)
    labels = settings_of(study, "classes", None)["labels"]
    assert {*labels} == {scan.scan for scan in study.samples("day12")}


def test_a_target_of_the_design_needs_no_labels_of_scans(small_study: Path) -> None:
    assert "labels" not in settings_of(read_study(small_study), "classes", None)


def test_missing_labels_are_named_with_their_rows(small_study: Path) -> None:
    with_stage(small_study, lambda row: "" if row["unit"] == "p02" else stage_of(row))
    (problem, *rest) = problems_of(small_study)
    assert not rest and (problem.file, problem.column) == ("scans.csv", "stage")
    assert problem.row is not None and "an empty cell (4 rows: " in problem.found


def test_an_excluded_scan_needs_no_label(small_study: Path) -> None:
    missing: list[str] = []

    def label(row: dict[str, str]) -> str:
        if row["role"] == "sample" and not missing:
            missing.append(row["scan"])
            return ""
        return stage_of(row)

    with_stage(small_study, label)
    text = "scan,action,reason,by,when\n"
    row = f"{missing[0]},exclude,torn leaf,AB,2026-05-04\n"
    (small_study / "decisions.csv").write_text(text + row, encoding="utf-8")
    read_study(small_study)


def test_one_stage_only_is_refused(small_study: Path) -> None:
    with_stage(small_study, lambda row: stage_of(row) and "healthy")
    (problem,) = problems_of(small_study)
    assert problem.column == "classes.target" and "one class only" in problem.found


def test_a_target_that_is_nowhere_names_both_places(small_study: Path) -> None:
    with_stage(small_study, stage_of, target="stge")
    (problem,) = problems_of(small_study)
    assert problem.column == "classes.target"
    assert "scan sheet" in problem.expected and 'Did you mean "stage"?' in problem.mend


def test_a_factor_that_changes_by_session_says_where_it_may_stand(
    small_study: Path, edit: Edit
) -> None:
    """Without units.csv the factors stand in the scan sheet, one label for each unit."""
    units = list(csv.DictReader((small_study / "units.csv").open(encoding="utf-8")))
    own = {row["unit"]: row for row in units}
    with_stage(small_study, stage_of)
    path = small_study / "scans.csv"
    rows = list(csv.DictReader(path.open(encoding="utf-8")))
    more = [name for name in units[0] if name != "unit"]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], *more])
        writer.writeheader()
        for row in rows:
            told = own.get(row["unit"], {})
            writer.writerow({**row, **{name: told.get(name, "") for name in more}})
    (small_study / "units.csv").unlink()
    read_study(small_study)
    edit(small_study / "study.yaml", "factors: [cultivar]", "factors: [cultivar, stage]")
    problems = problems_of(small_study)
    assert any("take stage out of design.factors" in p.mend for p in problems)


@pytest.mark.slow
def test_a_whole_study_of_changing_labels(small_study: Path) -> None:
    from leafledger.runner.run import run_study
    from leafledger.study.table_files import read_json

    with_stage(small_study, stage_of)
    result = run_study(small_study, cores=2)
    assert result.outcome == "done", (result.message, result.problems)
    told = read_json(small_study / "results/classes/summary.json")
    assert told["labels_by"] == "session" and told["n_units"] == 8
    assert told["n_units_per_class"] == {"healthy": 8, "infected": 4}
    assert "infected (day12)" in told["held_out_sessions_reason"]
    page = (small_study / "results/report.html").read_text(encoding="utf-8")
    assert "No accuracy on sessions held out" in page
