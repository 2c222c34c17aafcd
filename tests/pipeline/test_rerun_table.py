"""Rerun only what changed: the table of the contract, job by job and session by session."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from leafledger.records.digests import FileDigests
from leafledger.runner.outdated import would_run
from leafledger.runner.run import RunResult, run_study
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.study import Task, inputs

Edit = Callable[[Path, str, str], None]
DAY12 = {f"{rule}.day12" for rule in ("intake", "reflectance", "quality", "indices")}
CONCLUSIONS = {"unit_means", "effects", "classes", "rivals", "negative_controls", "report"}


def run(study: Path) -> tuple[set[str], RunResult]:
    """Run a study; return the names of the tasks that ran or were restored."""
    result = run_study(study, cores=2)
    assert result.exit_code == 0, (result.message, result.problems)
    return {event["task"] for event in result.tasks}, result


def foreseen(study: Path) -> dict[str, str]:
    opened = read_study(study)
    return {p.task.name: p.why for p in would_run(opened, FileDigests(opened.folder))}


def test_a_second_run_executes_nothing(ran_study: Path) -> None:
    assert foreseen(ran_study) == {}
    tasks, result = run(ran_study)
    assert tasks == set()
    assert result.outcome == "idle"


def test_order_and_comments_run_nothing(ran_study: Path) -> None:
    path = ran_study / "study.yaml"
    text = path.read_text(encoding="utf-8")
    head, _, tail = text.partition("\nindices:\n")
    body, _, rest = tail.partition("\neffects:\n")
    moved = f"# a comment\nindices:\n{body}\n{head}\neffects:\n{rest}"
    path.write_text(moved, encoding="utf-8")
    assert run(ran_study)[0] == set()


@pytest.mark.slow
def test_a_note_runs_the_report_alone(ran_study: Path) -> None:
    scans = ran_study / "scans.csv"
    lines = scans.read_text(encoding="utf-8").splitlines()
    scans.write_text("\n".join([lines[0], lines[1] + "new note", *lines[2:]]) + "\n", "utf-8")
    assert set(foreseen(ran_study)) == {"report"}
    assert run(ran_study)[0] == {"report"}
    assert "new note" in (ran_study / "results/report.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_title_runs_the_report_alone(ran_study: Path, edit: Edit) -> None:
    edit(ran_study / "study.yaml", 'title: "Iron', 'title: "Ferrous')
    assert foreseen(ran_study) == {"report": "settings changed: title"}
    assert run(ran_study)[0] == {"report"}


@pytest.mark.slow
def test_the_name_of_an_instrument_runs_the_effects_and_the_report(ran_study: Path) -> None:
    """Its name changes no spectrum, only what may be tested."""
    scans = ran_study / "scans.csv"
    head, *rows = scans.read_text(encoding="utf-8").splitlines()
    named = [f"{head},instrument", *(f"{row},S1" for row in rows)]
    scans.write_text("\n".join(named) + "\n", encoding="utf-8")
    assert foreseen(ran_study)["effects"].startswith("settings changed: scans")
    # The report tells the settings of every step, from its record.
    assert run(ran_study)[0] == {"effects", "report"}
    other = [row.removesuffix("S1") + "S2" if ",day12," in row else row for row in named]
    scans.write_text("\n".join(other) + "\n", encoding="utf-8")
    assert set(foreseen(ran_study)) == {"effects", "report"}


def swap_first_values(path: Path) -> None:
    """Change a raw text or Parquet file of a leaf a little."""
    table = pq.read_table(path)
    name = next(n for n in table.column_names if pa.types.is_fixed_size_list(table[n].type))
    column = table[name].combine_chunks()
    values = column.flatten().to_numpy().copy()
    width = column.type.list_size
    values[width * 6 + width // 3 :: width] += 40
    changed = pa.FixedSizeListArray.from_arrays(pa.array(values, column.type.value_type), width)
    index = table.column_names.index(name)
    field = table.schema.field(name)
    pq.write_table(
        table.set_column(
            index, pa.field(name, changed.type, field.nullable), changed
        ).replace_schema_metadata(table.schema.metadata),
        path,
    )


@pytest.mark.slow
def test_a_raw_file_with_an_older_date_runs_its_session(ran_study: Path) -> None:
    raw = next((ran_study / "raw" / "day12").iterdir())
    swap_first_values(raw)
    os.utime(raw, (1_000_000_000, 1_000_000_000))
    why = foreseen(ran_study)
    assert why["intake.day12"].startswith("input changed: raw/")
    tasks, _ = run(ran_study)
    assert tasks - CONCLUSIONS == DAY12 | {"acceptance", "validation"}
    assert tasks >= {"unit_means", "effects", "report"}


def decide(study: Path, action: str, reason: str) -> str:
    scan = read_study(study).samples("day12")[3].scan
    text = f"scan,action,reason,by,when\n{scan},{action},{reason},A. Grower,2026-05-16T18:00:00\n"
    (study / "decisions.csv").write_text(text, encoding="utf-8")
    return scan


@pytest.mark.slow
def test_a_decision_runs_from_acceptance_and_its_reason_does_not(ran_study: Path) -> None:
    decide(ran_study, "exclude", "leaf torn")
    assert run(ran_study)[0] == {"acceptance"} | CONCLUSIONS
    decide(ran_study, "exclude", "leaf was torn by the clip")
    assert run(ran_study)[0] == {"acceptance", "report"}


@pytest.mark.slow
def test_the_reason_of_a_scan_kept_runs_acceptance_and_the_report(ran_study: Path) -> None:
    decide(ran_study, "keep", "sound")
    assert run(ran_study)[0] == {"acceptance", "report"}
    decide(ran_study, "keep", "sound and looked at twice")
    assert run(ran_study)[0] == {"acceptance", "report"}


def sessions_in(study: Path, rule: str, kind: str) -> list[str]:
    read = inputs(read_study(study), Task(rule))
    return [role.removeprefix(f"{kind}/") for role in read if role.startswith(f"{kind}/")]


def test_the_classifier_reads_only_the_sessions_asked_for(small_study: Path, edit: Edit) -> None:
    definition = small_study / "study.yaml"
    text = definition.read_text(encoding="utf-8")
    assert "target: treatment" in text
    both, after, before = ["day0", "day12"], ["day12"], ["day0"]
    for asked, seen in {
        "after": after,
        "all": both,
        "before": before,
        "[day12]": after,
        "[day12, day0]": both,
    }.items():
        definition.write_text(with_sessions(text, asked), encoding="utf-8")
        assert sessions_in(small_study, "classes", "reflectance") == seen, asked
        assert sessions_in(small_study, "rivals", "indices") == seen, asked
        assert sessions_in(small_study, "rivals", "reflectance") == seen, asked
        # These ask for the treatment before it was given.
        asked_of = sessions_in(small_study, "negative_controls", "reflectance")
        assert asked_of == both[: 1 + (seen != before)]
        assert sessions_in(small_study, "negative_controls", "indices") == []
        assert sessions_in(small_study, "effects", "reflectance") == both
    edit(definition, "target: treatment", "target: cultivar")
    definition.write_text(with_sessions(definition.read_text("utf-8"), "after"), encoding="utf-8")
    assert sessions_in(small_study, "negative_controls", "reflectance") == after


def with_sessions(text: str, asked: str) -> str:
    changed = re.sub(r"(\n  target: \w+\n)(  sessions: .*\n)?", rf"\1  sessions: {asked}\n", text)
    assert changed.count(f"\n  sessions: {asked}\n") == 1
    return changed


@pytest.mark.slow
def test_a_raw_file_of_the_session_before_does_not_run_the_classifier(ran_study: Path) -> None:
    raw = ran_study / "raw" / "day0" / "p01_1.txt"
    lines = raw.read_text(encoding="utf-8").splitlines()
    middle = len(lines) // 2
    wavelength, counts = lines[middle].split()
    lines[middle] = f"{wavelength}\t{float(counts) + 1:.1f}"
    raw.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert foreseen(ran_study)["intake.day0"].startswith("input changed: raw/")
    tasks, _ = run(ran_study)
    assert tasks >= {"intake.day0", "reflectance.day0", "acceptance", "effects", "report"}
    assert not tasks & {"classes", "rivals"}
    assert "negative_controls" in tasks


@pytest.mark.slow
def test_the_date_of_a_session_runs_nothing_of_the_classifier(ran_study: Path, edit: Edit) -> None:
    edit(
        ran_study / "study.yaml",
        "{session: day0,  date: 2026-05-04",
        "{session: day0,  date: 2026-05-03",
    )
    assert not run(ran_study)[0] & {"classes", "rivals", "negative_controls"}


def test_the_classifier_sees_only_the_labels_that_it_uses(small_study: Path) -> None:
    study = read_study(small_study)
    for rule in ("classes", "rivals", "negative_controls"):
        seen = settings_of(study, rule, None)
        assert {name for row in seen["units"].values() for name in row} == {"treatment", "block"}
        assert {key for row in seen["design"]["sessions"] for key in row} == {"session", "phase"}
    sessions = {
        rule: [row["session"] for row in settings_of(study, rule, None)["design"]["sessions"]]
        for rule in ("classes", "rivals", "negative_controls")
    }
    assert sessions == {
        "classes": ["day12"], "rivals": ["day12"], "negative_controls": ["day0", "day12"],
    }  # fmt: skip
    assert "n_permutations" not in settings_of(study, "rivals", None)["classes"]


@pytest.mark.slow
def test_a_formula_runs_indices_and_what_reads_them(ran_study: Path, edit: Edit) -> None:
    edit(ran_study / "study.yaml", "(R(750) - R(705)) /", "(R(752) - R(705)) /")
    assert run(ran_study)[0] == {
        "catalogue",
        "indices.day0",
        "indices.day12",
        "validation",
        "unit_means",
        "effects",
        "rivals",
        "report",
    }


@pytest.mark.slow
def test_the_source_of_a_formula_runs_the_catalogue_and_what_shows_it(
    ran_study: Path, edit: Edit
) -> None:
    """No value is computed again."""
    edit(ran_study / "study.yaml", 'source: "ours"', 'source: "theirs"')
    assert run(ran_study)[0] == {"catalogue", "validation", "effects", "report"}


@pytest.mark.slow
def test_a_unit_mended_runs_quality_of_its_session(ran_study: Path) -> None:
    scans = ran_study / "scans.csv"
    lines = scans.read_text(encoding="utf-8").splitlines()
    at = next(i for i, line in enumerate(lines) if ",sample,day12,p01," in line)
    lines[at] = lines[at].replace(",day12,p01,", ",day12,p02,")
    scans.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert run(ran_study)[0] == {"quality.day12", "acceptance"} | CONCLUSIONS


def test_an_intermediate_edited_by_hand_is_made_again(ran_study: Path) -> None:
    accepted = ran_study / "results" / "accepted.csv"
    before = accepted.read_bytes()
    accepted.write_bytes(before.replace(b"true", b"false", 1))
    assert foreseen(ran_study)["acceptance"].startswith("output changed by hand")
    tasks, _ = run(ran_study)
    assert tasks == {"acceptance"}, "nothing after it may run: the result is as before"
    assert accepted.read_bytes() == before


def test_lost_workflow_metadata_run_nothing(ran_study: Path) -> None:
    shutil.rmtree(ran_study / ".snakemake")
    assert run(ran_study)[0] == set()


def test_two_numbers_swapped_are_noticed(ran_study: Path, edit: Edit) -> None:
    edit(
        ran_study / "study.yaml",
        "range: {signal_to_noise: 200, margin_nm: 5}",
        "range: {signal_to_noise: 5, margin_nm: 200}",
    )
    assert foreseen(ran_study)["acceptance"].startswith("settings changed: quality.range.margin_nm")


@pytest.mark.slow
def test_going_back_restores_byte_for_byte(ran_study: Path, edit: Edit) -> None:
    path = ran_study / "study.yaml"

    def digests() -> dict[str, bytes]:
        return {
            p.relative_to(ran_study).as_posix(): p.read_bytes()
            for place in ("results", "records")
            for p in sorted((ran_study / place).rglob("*"))
            if p.is_file()
        }

    before = digests()
    edit(path, "margin_nm: 5", "margin_nm: 15")
    changed, _ = run(ran_study)
    assert "acceptance" in changed
    edit(path, "margin_nm: 15", "margin_nm: 5")
    _, result = run(ran_study)
    assert {event["outcome"] for event in result.tasks} == {"restored"}
    assert digests() == before


@pytest.mark.slow
def test_a_damaged_kept_result_is_not_restored(ran_study: Path) -> None:
    record = json.loads((ran_study / "records" / "acceptance.json").read_text("utf-8"))
    digest = record["key"].removeprefix("sha256:")
    kept = ran_study / "ledger" / "store" / digest[:2] / digest
    for path in kept.iterdir():
        if path.name != "record.json":
            path.write_bytes(b"damaged")
    (ran_study / "results" / "accepted.csv").unlink()
    _, result = run(ran_study)
    assert [(e["task"], e["outcome"]) for e in result.tasks] == [("acceptance", "done")]


def flip(path: Path) -> None:
    """Change one byte in the middle of a file."""
    whole = path.read_bytes()
    middle = len(whole) // 2
    path.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])


@pytest.mark.slow
def test_what_was_put_back_runs_nothing_later_that_status_does_not_say(
    ran_study: Path, edit: Edit
) -> None:
    """A file put back is dated after what was made of it; then the store is lost."""
    flip(ran_study / "results/range.json")
    assert run(ran_study)[0] == {"acceptance"}
    flip(ran_study / "results/quality/day0.parquet")
    assert run(ran_study)[0] == {"quality.day0"}
    shutil.rmtree(ran_study / "ledger/store")
    edit(ran_study / "study.yaml", "alpha: 0.05", "alpha: 0.01")
    said = foreseen(ran_study)
    assert set(said) == {"effects", "plan_history", "report"}
    tasks, result = run(ran_study)
    assert tasks == set(said)
    assert {event["outcome"] for event in result.tasks} == {"done"}
    assert foreseen(ran_study) == {}


def test_changed_code_runs_its_stage(ran_study: Path) -> None:
    path = ran_study / "records" / "unit_means.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["code"]["sha256"] = "0" * 64
    path.write_text(json.dumps(record), encoding="utf-8")
    why = foreseen(ran_study)
    assert why["unit_means"] == "the code of this stage changed"
    assert set(why) == {"unit_means", "effects", "report"}


@pytest.mark.slow
def test_an_added_session_costs_only_its_own_work(ran_study: Path, edit: Edit) -> None:
    shutil.copytree(ran_study / "raw" / "day12", ran_study / "raw" / "day16")
    counts = ran_study / "raw" / "day16" / "counts.parquet"
    table = pq.read_table(counts)
    values = np.stack(table.column("counts").to_numpy())
    values[:, 0] += 1  # or every scan would be called a copy of one of day 12
    column = pa.FixedSizeListArray.from_arrays(pa.array(values.ravel()), values.shape[1])
    place, field = table.column_names.index("counts"), pa.field("counts", column.type, False)
    pq.write_table(table.set_column(place, field, column), counts)
    scans = ran_study / "scans.csv"
    text = scans.read_text(encoding="utf-8")
    added = [
        row.replace("d12-", "d16-", 1)
        .replace("raw/day12/", "raw/day16/")
        .replace(",day12,", ",day16,")
        .replace("2026-05-16", "2026-05-20")
        for row in text.splitlines()
        if row.startswith("d12-")
    ]
    scans.write_text(text + "\n".join(added) + "\n", encoding="utf-8")
    last = "    - {session: day12, date: 2026-05-16, phase: after}\n"
    new = last.replace("day12", "day16").replace("05-16", "05-20")
    edit(ran_study / "study.yaml", last, last + new)
    form = "    day12: {form: parquet"
    path = ran_study / "study.yaml"
    line = next(row for row in path.read_text("utf-8").splitlines() if row.startswith(form))
    edit(path, line, line + "\n" + line.replace("day12", "day16"))
    own = {f"{rule}.day16" for rule in ("intake", "reflectance", "quality", "indices")}
    said = set(foreseen(ran_study))
    expected = own | {"acceptance", "validation", "plan_history", *CONCLUSIONS}
    assert expected <= said, "the indices of other sessions may run, should the range change"
    assert run(ran_study)[0] == expected
