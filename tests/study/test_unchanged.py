"""What is kept of a study is used only while every file that it rests on is the same."""

from __future__ import annotations

import json
import os
import zlib
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.records import events
from leafledger.runner import step
from leafledger.runner.run import run_study
from leafledger.runner.step import _own_job, hand_jobs, job_of
from leafledger.study import reading
from leafledger.study.reading import (
    JOBS,
    handed_job,
    keep_rows,
    read_study,
    read_study_at_rest,
    remove_jobs,
)
from leafledger.study.scan_sheet import ScanReader
from leafledger.study.study import Task, tasks

RUN = "20260504T080000-abcdef"
ROWS = "ledger/cache/scan_rows.json.z"


@pytest.fixture
def kept(small_study: Path) -> Path:
    """Return a study whose rows have been kept."""
    keep_rows(read_study(small_study))
    assert (small_study / ROWS).is_file()
    return small_study


@pytest.fixture
def rows_read(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return the lines of the scan sheet that are read from now on."""
    lines: list[int] = []
    as_it_is = ScanReader.add

    def add(self: ScanReader, row, others) -> None:
        lines.append(row.line)
        as_it_is(self, row, others)

    monkeypatch.setattr(ScanReader, "add", add)
    return lines


def edit_with_its_old_dates(path: Path, old: str, new: str) -> None:
    """Change as many bytes as there were and set back the date, as a careful copy does."""
    before, text = path.stat(), path.read_text(encoding="utf-8")
    assert len(old) == len(new)
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


# --- rows of the scan sheet -----------------------------------------------------------------------


def test_a_sheet_that_did_not_change_is_not_read_again(kept: Path, rows_read: list[int]) -> None:
    once = read_study(kept)
    assert rows_read == []
    (kept / ROWS).unlink()
    assert once == read_study(kept)
    assert [vars(s) for s in once.scans] == [vars(s) for s in read_study(kept).scans]
    assert len(rows_read) > len(once.scans)


def test_an_edited_sheet_is_read_though_size_and_date_are_as_before(kept: Path) -> None:
    first = next(s for s in read_study(kept).scans if s.role == "sample")
    other = next(u for u in read_study(kept).units if u != first.unit)
    edit_with_its_old_dates(kept / "scans.csv", f",{first.unit},", f",{other},")
    changed = {s.scan: s.unit for s in read_study(kept).scans}
    assert changed[first.scan] == other


@pytest.mark.parametrize("change", ["units", "sessions"])
def test_what_else_decides_of_rows_is_part_of_the_key(kept: Path, change: str) -> None:
    if change == "units":
        text = (kept / "units.csv").read_text(encoding="utf-8").splitlines()
        (kept / "units.csv").write_text("\n".join(text[:-1]) + "\n", encoding="utf-8")
    else:
        edit_with_its_old_dates(kept / "study.yaml", "session: day12", "session: day13")
    with pytest.raises(InputFault) as fault:
        read_study(kept)
    assert any(problem.file == "scans.csv" for problem in fault.value.problems)


def test_files_are_looked_for_each_time(kept: Path, small_study_made: Path) -> None:
    gone = read_study(kept).scans[0].file
    (kept / gone).unlink()
    with pytest.raises(InputFault) as fault:
        read_study(kept)
    (kept / ROWS).unlink()
    with pytest.raises(InputFault) as without:
        read_study(kept)
    assert fault.value.problems == without.value.problems
    (kept / gone).symlink_to(small_study_made / gone)
    with pytest.raises(InputFault, match="leaves the study folder"):
        read_study(kept)


def test_a_session_without_files_is_to_come_by_kept_rows_too(kept: Path) -> None:
    for file in {scan.file for scan in read_study(kept).scans_of("day12")}:
        (kept / file).unlink()
    with_rows = read_study(kept)
    assert with_rows.to_come == ("day12",)
    (kept / ROWS).unlink()
    assert read_study(kept) == with_rows


@pytest.mark.parametrize("share", [0.0, 0.5, 0.999])
def test_rows_that_are_not_whole_are_read_anew(
    kept: Path, rows_read: list[int], share: float
) -> None:
    data = (kept / ROWS).read_bytes()
    (kept / ROWS).write_bytes(data[: int(len(data) * share)])
    assert read_study(kept).scans
    assert rows_read


def test_rows_kept_by_another_version_are_not_used(
    kept: Path, rows_read: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "_reader", lambda: "another")
    read_study(kept)
    assert rows_read


def test_a_sheet_with_a_problem_is_not_kept(small_study: Path) -> None:
    edit_with_its_old_dates(small_study / "scans.csv", ",sample,", ",simple,")
    with pytest.raises(InputFault):
        run_study(small_study, cores=1)
    assert not (small_study / "ledger").exists()


def test_a_kill_while_rows_are_written_leaves_none(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    study = read_study(small_study)
    monkeypatch.setattr(Path, "replace", killed)
    with pytest.raises(KeyboardInterrupt):
        keep_rows(study)
    monkeypatch.undo()
    assert not (small_study / ROWS).exists()
    assert read_study(small_study) == study


# --- jobs of a run --------------------------------------------------------------------------------


@pytest.fixture
def handed(small_study: Path) -> Path:
    """Return a study of which a run has handed out every job."""
    study, rests = read_study_at_rest(small_study)
    hand_jobs(study, RUN, tasks(study), rests)
    return small_study


def no_study(*_: object) -> None:
    raise AssertionError("the sheets are read")


def test_a_step_takes_its_job_from_the_run_and_reads_no_sheet(
    handed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = read_study(handed)
    own = job_of(study, Task("intake", "day0"))
    monkeypatch.setattr(step, "read_study", no_study)
    job = _own_job(handed, RUN, Task("intake", "day0"), None)
    assert job == own
    # The order of rows and of inputs is that of the study, not that of the alphabet.
    assert json.dumps(dict(job.settings)) == json.dumps(dict(own.settings))
    assert [*job.inputs] == [*own.inputs]
    monkeypatch.chdir(handed)
    monkeypatch.setenv(events.RUN_VARIABLE, RUN)
    monkeypatch.setattr(step, "die_with_parent", lambda: None)
    assert step.main(["intake", "day0"]) == 0


@pytest.mark.parametrize("what", ["study.yaml", "scans.csv", "units.csv", "decisions.csv"])
def test_a_job_is_not_used_after_a_file_changed(handed: Path, what: str) -> None:
    task = Task("intake", "day0")
    assert handed_job(handed, RUN, task.name, None) is not None
    if (handed / what).exists():
        with (handed / what).open("a", encoding="utf-8") as file:
            file.write("\n")
    else:
        head = "scan,action,reason,by,when\n"
        (handed / what).write_text(head, encoding="utf-8")
    assert handed_job(handed, RUN, task.name, None) is None
    assert _own_job(handed, RUN, task, None) == job_of(read_study(handed), task)


def test_a_job_is_for_one_run_one_task_and_one_variant(handed: Path) -> None:
    name = "intake.day0"
    assert handed_job(handed, RUN, name, None) is not None
    assert handed_job(handed, "20260504T080000-abcdee", name, None) is None
    assert handed_job(handed, None, name, None) is None
    assert handed_job(handed, RUN, name, "strict") is None
    there = handed / JOBS
    (there / "intake.day12.json.z").replace(there / f"{name}.json.z")
    assert handed_job(handed, RUN, name, None) is None
    remove_jobs(handed)
    assert not there.exists()


def test_a_job_without_its_raw_file_or_with_a_path_that_leads_out_is_not_used(
    handed: Path, small_study_made: Path
) -> None:
    name = "intake.day0"
    place = handed / JOBS / f"{name}.json.z"
    told = json.loads(zlib.decompress(place.read_bytes()))
    role, path = next(iter(told["inputs"].items()))
    told["inputs"][role] = os.path.relpath(small_study_made / path, handed)
    place.write_bytes(zlib.compress(json.dumps(told).encode()))
    assert handed_job(handed, RUN, name, None) is None
    told["inputs"][role] = path
    place.write_bytes(zlib.compress(json.dumps(told).encode()))
    assert handed_job(handed, RUN, name, None) is not None
    (handed / path).unlink()
    assert handed_job(handed, RUN, name, None) is None


def test_a_study_that_changes_while_it_is_read_is_handed_to_nobody(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from leafledger.study import reading

    as_it_is = reading.read_study

    def edited_meanwhile(folder: Path, variant: str | None = None):
        study = as_it_is(folder, variant)
        with (folder / "units.csv").open("a", encoding="utf-8") as file:
            file.write("\n")
        return study

    monkeypatch.setattr(reading, "read_study", edited_meanwhile)
    study, rests = read_study_at_rest(small_study)
    assert rests is None
    hand_jobs(study, RUN, tasks(study), rests)
    assert not (small_study / JOBS).exists()


def test_a_new_file_counts_where_names_of_files_stand_in_for_rows(tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    (tmp_path / "study.yaml").write_text(
        "title: by name\ndesign: {unit: plant, treatment: treatment, control: a}\n"
        "intake: {pattern: [{pattern: 'raw/{unit}_{treatment}.txt'}],\n"
        "  forms: {default: {quantity: percent}}}\n",
        encoding="utf-8",
    )
    rows = "".join(f"{nm} {10 + nm / 100}\n" for nm in range(400, 500))
    for name in ("p1_a", "p2_b"):
        (tmp_path / "raw" / f"{name}.txt").write_text(rows, encoding="utf-8")
    study, rests = read_study_at_rest(tmp_path)
    assert rests is not None
    hand_jobs(study, RUN, tasks(study), rests)
    assert handed_job(tmp_path, RUN, "intake.all", None) is not None
    (tmp_path / "logs").mkdir()
    assert handed_job(tmp_path, RUN, "intake.all", None) is not None, "what we write is no scan"
    (tmp_path / "raw" / "p3_a.txt").write_text(rows, encoding="utf-8")
    assert handed_job(tmp_path, RUN, "intake.all", None) is None
