"""Sessions to come, skipped sessions, omitted scans and units without a treatment, as read."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from leafledger.errors import InputFault, Problem
from leafledger.runner.outdated import _settings_changed
from leafledger.runner.reproduce import _stand_in_for_pictures
from leafledger.runner.study_check import checked_study, session_notes
from leafledger.study.reading import read_design, read_study
from leafledger.study.settings import plan_of_study, settings_of
from leafledger.study.study import Task, tasks

Edit = Callable[[Path, str, str], None]
Change = Callable[[list[dict[str, str]]], None]


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        checked_study(study)
    return list(caught.value.problems)


def rewrite(study: Path, change: Change, *added: str) -> None:
    """Change the rows of the scan sheet, which gets further columns."""
    path = study / "scans.csv"
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        rows, columns = list(reader), list(reader.fieldnames or [])
    columns += [name for name in added if name not in columns]
    rows = [{**dict.fromkeys(columns, ""), **row} for row in rows]
    change(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture
def first_evening(small_study: Path) -> Path:
    """Return the small study after its first day: the files of day12 do not exist yet."""
    shutil.rmtree(small_study / "raw/day12")
    return small_study


def names(study: Path) -> set[str]:
    return {task.name for task in tasks(read_study(study))}


# --- to come --------------------------------------------------------------------------------------


def test_a_session_measured_since_a_record_is_the_reason_that_is_given(
    small_study: Path, edit: Edit, tmp_path: Path
) -> None:
    """And what else differs stands beside it."""
    early = Path(shutil.copytree(small_study, tmp_path / "early"))
    shutil.rmtree(early / "raw/day12")
    before = checked_study(early)

    def why(rule: str) -> str | None:
        record: Any = {
            "rule": rule, "session": None, "settings": settings_of(before, rule, None)
        }  # fmt: skip
        return _settings_changed(checked_study(small_study), Task(rule), record)

    for rule in ("acceptance", "validation", "unit_means", "effects", "report"):
        assert why(rule) == "session day12 was measured", rule
    assert why("catalogue") is None
    edit(small_study / "study.yaml", "title:", "title: Another, once")
    assert why("report") == "session day12 was measured; settings changed: title"
    # Scans of a session that was measured before are no session.
    before = checked_study(small_study)
    rewrite(small_study, lambda rows: rows[-1].update(omitted="broken leaf"), "omitted")
    assert str(why("validation")).startswith("settings changed: scans.csv ")


def test_a_session_without_a_file_is_to_come_and_has_no_task(first_evening: Path) -> None:
    study = checked_study(first_evening)
    assert study.to_come == ("day12",)
    assert study.session_ids == ("day0",)
    assert {scan.session for scan in study.scans} == {"day0"}
    assert {scan.session for scan in study.planned} == {"day12"}
    tasks_now = names(first_evening)
    assert not any("day12" in name for name in tasks_now)
    assert {"intake.day0", "quality.day0", "effects", "report"} <= tasks_now
    assert not tasks_now & {"classes", "rivals", "negative_controls"}
    assert session_notes(study)[0].startswith("day12 (2026-05-16): to come, no scans yet; ")
    assert any(note.endswith("(waits: day12 has no scans yet)") for note in session_notes(study))


def test_a_session_without_a_row_is_to_come_as_well(first_evening: Path) -> None:
    rewrite(first_evening, lambda rows: rows.__setitem__(slice(None), [
        row for row in rows if row["session"] != "day12"
    ]))  # fmt: skip
    study = checked_study(first_evening)
    assert (study.to_come, study.planned) == (("day12",), ())


def test_nothing_measured_at_all_is_no_fault(first_evening: Path) -> None:
    shutil.rmtree(first_evening / "raw")
    study = checked_study(first_evening)
    assert study.to_come == ("day0", "day12")
    assert tasks(study) == []


def test_a_study_of_sessions_and_units_alone_is_one_to_come(
    first_evening: Path, edit: Edit
) -> None:
    """A scan sheet that study.yaml names must be there, and so must one beside raw files."""
    (first_evening / "scans.csv").unlink()
    edit(first_evening / "study.yaml", "  sheet: scans.csv\n", "")
    assert any("no such file: scans.csv" in p.found for p in problems_of(first_evening))
    shutil.rmtree(first_evening / "raw")
    assert checked_study(first_evening).to_come == ("day0", "day12")
    edit(first_evening / "study.yaml", "intake:\n", "intake:\n  sheet: scans.csv\n")
    assert any("no such file: scans.csv" in p.found for p in problems_of(first_evening))


def test_of_a_session_that_was_begun_every_missing_file_is_named(small_study: Path) -> None:
    """The first five, and how many more; and that a scan may be omitted for a reason."""
    gone = sorted((small_study / "raw/day0").iterdir())[:7]
    for path in gone:
        path.unlink()
    found = problems_of(small_study)
    assert [p.column for p in found] == ["file"] * 6
    assert all("no such file" in p.found for p in found[:5])
    assert found[5].found.startswith("2 more like the 5 above")
    assert "state why in column omitted" in found[0].mend
    assert "leafledger watch STUDY day0" in found[0].mend


def test_a_session_with_references_alone_lacks_its_leaves(small_study: Path) -> None:
    for path in (small_study / "raw/day0").glob("p*"):
        path.unlink()
    assert {p.column for p in problems_of(small_study)} == {"file"}
    leaves = {"", "sample"}
    rewrite(small_study, lambda rows: rows.__setitem__(slice(None), [
        row for row in rows if row["session"] != "day0" or row["role"] not in leaves
    ]))  # fmt: skip
    (problem,) = problems_of(small_study)
    assert problem.found == 'no leaf scan of session "day0"'


def test_files_that_were_read_once_and_are_gone_are_no_session_to_come(ran_study: Path) -> None:
    shutil.rmtree(ran_study / "raw/day12")
    found = problems_of(ran_study)
    assert found[0].column == "file"
    assert found[0].mend.startswith("An earlier run has read it")


def test_files_that_no_row_names_are_pointed_at(first_evening: Path) -> None:
    place = read_study(first_evening).planned[0].file
    (first_evening / place).parent.mkdir(parents=True)
    (first_evening / place).with_name("scan0001.txt").write_text("1\n", "utf-8")
    (note, *_) = session_notes(read_study(first_evening))
    assert '/scan0001.txt" lies there and no row names it' in note


def test_a_study_that_states_no_sessions_has_none_to_come(small_study: Path, edit: Edit) -> None:
    text = (small_study / "study.yaml").read_text(encoding="utf-8")
    head, _, tail = text.partition("  sessions:")
    rest = tail[tail.index("\nintake:") :]
    (small_study / "study.yaml").write_text(head.rstrip() + rest, encoding="utf-8")
    shutil.rmtree(small_study / "raw")
    assert any("no such file" in p.found for p in problems_of(small_study))


def test_a_pattern_that_fits_no_file_waits_only_while_there_is_none(
    small_study: Path, edit: Edit
) -> None:
    path = small_study / "study.yaml"
    edit(path, "  sheet: scans.csv", '  pattern: "raw/{session}/{unit}_{leaf}.txt"')
    text = path.read_text(encoding="utf-8")
    head, _, tail = text.partition("  forms:")
    rest = tail[tail.index("\ninstrument:") :]
    forms = "  forms: {default: {quantity: reflectance}}"
    path.write_text(head + forms + rest, encoding="utf-8")
    shutil.rmtree(small_study / "raw")
    assert read_study(small_study).to_come == ("day0", "day12")
    (small_study / "raw").mkdir()
    (small_study / "raw/other.txt").write_text("x\n", "utf-8")
    assert any("which no file fits" in p.found for p in problems_of(small_study))


# --- settings: what may run again -----------------------------------------------------------------


def test_measuring_tasks_see_nothing_of_sessions_to_come_or_notes(
    small_study_made: Path, first_evening: Path, edit: Edit
) -> None:
    whole, part = read_study(small_study_made), read_study(first_evening)
    for rule in ("intake", "reflectance", "quality", "indices"):
        assert settings_of(whole, rule, "day0") == settings_of(part, rule, "day0")
    edit(first_evening / "study.yaml", "phase: before}", "phase: before, weather: rain}")
    rewrite(first_evening, lambda rows: rows[0].update(note="bent leaf"))
    noted = read_study(first_evening)
    for task in tasks(noted):
        same = settings_of(noted, task.rule, task.session) == settings_of(
            part, task.rule, task.session
        )
        assert same == (task.rule != "report"), task


def test_once_all_is_measured_no_setting_tells_that_it_was_to_come(
    small_study_made: Path, first_evening: Path
) -> None:
    whole = read_study(small_study_made)
    during = settings_of(read_study(first_evening), "effects", None)["design"]["sessions"]
    assert [s.get("to_come") for s in during] == [None, True]
    after = settings_of(whole, "effects", None)["design"]["sessions"]
    assert [sorted(s) for s in after] == [["date", "phase", "session"]] * 2


def test_the_plan_is_the_same_before_any_scan_and_after_the_last(
    small_study_made: Path, first_evening: Path
) -> None:
    plans = [plan_of_study(read_study(small_study_made)), plan_of_study(read_study(first_evening))]
    shutil.rmtree(first_evening / "raw")
    plans += [plan_of_study(read_study(first_evening)), plan_of_study(read_design(first_evening))]
    assert all(plan == plans[0] for plan in plans)
    assert plans[0]["design.sessions.after"] == ["day12"]


# --- skipped --------------------------------------------------------------------------------------


def skip(study: Path, edit: Edit, reason: str = '"greenhouse closed"') -> None:
    edit(study / "study.yaml", "phase: after}", f"phase: after, skipped: {reason}}}")


def test_a_skipped_session_has_no_task_and_says_why(first_evening: Path, edit: Edit) -> None:
    skip(first_evening, edit)
    study = checked_study(first_evening)
    assert (study.to_come, study.skipped) == ((), {"day12": "greenhouse closed"})
    assert study.session_ids == ("day0",)
    assert study.why_no_classes == "day12 was not measured: greenhouse closed"
    assert "day12 (2026-05-16): skipped, never measured (greenhouse closed)" in session_notes(study)


def test_a_skipped_session_with_scans_is_refused(small_study: Path, edit: Edit) -> None:
    skip(small_study, edit)
    (problem,) = problems_of(small_study)
    assert (problem.file, problem.column) == ("study.yaml", "design.sessions")
    assert problem.found.startswith('session "day12" skipped ("greenhouse closed"), and ')
    assert "Take `skipped` out" in problem.mend


@pytest.mark.parametrize("word", ["true", "yes", "x"])
def test_skipped_without_a_reason_is_refused(first_evening: Path, edit: Edit, word: str) -> None:
    skip(first_evening, edit, word)
    (problem,) = problems_of(first_evening)
    assert problem.column == "design.sessions.1.skipped"


# --- omitted scans --------------------------------------------------------------------------------


def omit(file: str, reason: str) -> Change:
    def change(rows: list[dict[str, str]]) -> None:
        (row,) = [row for row in rows if row["file"] == file]
        row["omitted"] = reason

    return change


def test_an_omitted_scan_takes_no_part_and_needs_no_file(small_study: Path) -> None:
    file = "raw/day0/p01_1.txt"
    (small_study / file).unlink()
    rewrite(small_study, omit(file, "not measured: leaf had fallen"), "omitted")
    study = checked_study(small_study)
    (scan,) = study.omitted
    assert scan.omitted == "not measured: leaf had fallen"
    assert scan.scan not in {s.scan for s in study.scans}
    told = settings_of(study, "intake", "day0")["scans"]
    assert scan.scan not in {row["scan"] for row in told}
    assert settings_of(study, "report", None)["omitted"] == [
        {"scan": scan.scan, "session": "day0", "role": "sample", "reason": scan.omitted}
    ]
    assert "1 scan left out: not measured: leaf had fallen" in session_notes(study)


def test_a_session_of_omitted_scans_alone_is_to_be_skipped(small_study: Path) -> None:
    def change(rows: list[dict[str, str]]) -> None:
        for row in rows:
            row["omitted"] = "storm" if row["session"] == "day12" else ""

    rewrite(small_study, change, "omitted")
    (problem,) = problems_of(small_study)
    assert problem.column == "omitted"
    assert "skipped: reason" in problem.mend


def test_a_decision_about_an_omitted_scan_is_set_aside(small_study: Path) -> None:
    study = read_study(small_study)
    scan = next(s for s in study.samples("day0") if s.file == "raw/day0/p01_1.txt")
    rewrite(small_study, omit(scan.file, "superseded by d0-x: clip moved"), "omitted")
    line = f"{scan.scan},exclude,clip open,A. Grower,2026-05-04T18:00:00"
    text = f"scan,action,reason,by,when\n{line}\n"
    (small_study / "decisions.csv").write_text(text, encoding="utf-8")
    settings = settings_of(checked_study(small_study), "acceptance", None)
    assert settings["set_aside"] == [scan.scan]


# --- not allocated --------------------------------------------------------------------------------


def unallocate(study: Path, edit: Edit, levels: str = "levels: [water, chelate]") -> None:
    path = study / "units.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({**row, "treatment": ""} for row in rows)
    if levels:
        edit(study / "study.yaml", "  control: water", f"  {levels}\n  control: water")


def test_units_without_a_treatment_wait_where_the_levels_are_stated(
    first_evening: Path, edit: Edit
) -> None:
    unallocate(first_evening, edit)
    study = checked_study(first_evening)
    assert not study.is_allocated
    assert study.why_no_classes == "waits: treatments are not allocated yet"
    design = settings_of(study, "effects", None)["design"]
    assert design["unallocated"] == ["water", "chelate"]
    assert any(note.startswith("treatments are not allocated yet") for note in session_notes(study))


def test_units_without_a_treatment_are_refused_where_no_level_is_stated(
    first_evening: Path, edit: Edit
) -> None:
    unallocate(first_evening, edit, "")
    found = problems_of(first_evening)
    assert any(p.file == "units.csv" and p.column == "treatment" for p in found)


def test_one_unit_without_a_treatment_is_refused(first_evening: Path, edit: Edit) -> None:
    edit(
        first_evening / "study.yaml",
        "  control: water",
        "  levels: [water, chelate]\n  control: water",
    )
    path = first_evening / "units.csv"
    head, first, *rest = path.read_text(encoding="utf-8").splitlines()
    cells = first.split(",")
    cells[head.split(",").index("treatment")] = ""
    path.write_text("\n".join([head, ",".join(cells), *rest]) + "\n", encoding="utf-8")
    found = problems_of(first_evening)
    assert [(p.file, p.row, p.column) for p in found] == [("units.csv", 2, "treatment")]


# --- photographs ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("photo", "words"),
    [
        ("photos/none.jpg", "no such file"),
        ("../away.jpg", "absolute, has .."),
        ("units.csv", "another ending"),
        ("photos/false.png", "does not begin as a picture"),
    ],
)
def test_a_photo_is_a_picture_inside_the_study(small_study: Path, photo: str, words: str) -> None:
    (small_study / "photos").mkdir()
    (small_study / "photos/false.png").write_bytes(b"GIF89a")
    (small_study.parent / "away.jpg").write_bytes(b"\xff\xd8\xff")
    rewrite(small_study, lambda rows: rows[5].update(photo=photo), "photo")
    (problem,) = problems_of(small_study)
    assert (problem.column, problem.row) == ("photo", 7)
    assert words in problem.found


def test_a_run_is_rebuilt_without_the_pictures_that_its_sheet_names(small_study: Path) -> None:
    """No task reads them: an empty one stands in, and one that leads outside is still refused."""
    names = ("photos/leaf.jpg", "photos/p.png", "photos/q.webp", "../away.jpg")
    for place, name in enumerate(names):
        rewrite(small_study, lambda rows, i=place, n=name: rows[i].update(photo=n), "photo")  # type: ignore[misc]
    _stand_in_for_pictures(small_study, None)
    (problem,) = problems_of(small_study)
    assert "../away.jpg" in problem.found
    assert not (small_study.parent / "away.jpg").exists()
