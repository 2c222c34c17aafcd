"""A raw file that changes during a run: what is parsed is what the result is keyed by."""

from __future__ import annotations

import hashlib
import importlib
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.ledger import book
from leafledger.records.digests import FileDigests
from leafledger.records.record import input_digests
from leafledger.runner.execute import changed_meanwhile
from leafledger.runner.outdated import would_run
from leafledger.runner.run import run_study
from leafledger.runner.step import _compute, _done, job_of
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME
from leafledger.study.study import Task
from leafledger.study.table_files import read_parquet

TASK = Task("intake", "day0")


@pytest.fixture
def job(small_study, monkeypatch):
    monkeypatch.chdir(small_study)
    return job_of(read_study(small_study), TASK)


def other(data: bytes) -> bytes:
    """Return the same file with the last digit of its last value changed."""
    at = max(i for i, byte in enumerate(data) if chr(byte).isdigit())
    return data[:at] + (b"1" if data[at : at + 1] != b"1" else b"2") + data[at + 1 :]


def refusal_of(job, digests):
    with pytest.raises(InputFault) as fault:
        _compute(job, TASK, digests)
    (problem,) = fault.value.problems
    assert problem.found == "a file that changed while it was read"
    assert "run again" in problem.mend
    return problem


def test_bytes_that_are_not_those_of_the_key_are_refused_though_the_file_is_back(job, monkeypatch):
    """Changed after it was hashed, changed back before it is hashed again."""
    role, path = next(iter(job.inputs.items()))
    digests = input_digests(job)
    as_they_are = Path.read_bytes
    monkeypatch.setattr(
        Path, "read_bytes", lambda p: other(as_they_are(p)) if p == path else as_they_are(p)
    )
    problem = refusal_of(job, digests)
    assert problem.file == role.removeprefix("raw/")
    assert input_digests(job) == digests
    assert not job.outputs["scans"].exists(), "nothing is written of it"


def test_a_file_that_changes_after_it_was_read_is_refused(job, monkeypatch):
    path = next(iter(job.inputs.values()))
    digests = input_digests(job)
    stage = importlib.import_module(BY_NAME["intake"].module)
    run = stage.run

    def run_and_change(given):
        outcome = run(given)
        path.write_bytes(other(path.read_bytes()))
        return outcome

    monkeypatch.setattr(stage, "run", run_and_change)
    assert refusal_of(job, digests).file == job.shown(path)
    assert not (job.folder / TASK.record).exists(), "no record says that the result holds"


def test_a_file_that_changes_between_the_check_and_the_run_is_taken_as_it_is_then(job):
    path = next(iter(job.inputs.values()))
    path.write_bytes(other(path.read_bytes()))
    assert _done(TASK, job).outcome == "done"
    rows = read_parquet(job.outputs["scans"], leave_out=("counts",)).set_index("file")
    own = hashlib.sha256(path.read_bytes()).hexdigest()
    assert (
        rows.loc[job.shown(path), "file_sha256"]
        == own
        == input_digests(job)[f"raw/{job.shown(path)}"]
    )


def test_each_file_is_opened_once(job, monkeypatch):
    opened = []
    as_they_are = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda p: (opened.append(p), as_they_are(p))[1])
    stage = importlib.import_module(BY_NAME["intake"].module)
    stage.run(job)
    assert sorted(opened) == sorted(job.inputs.values())


@pytest.mark.slow
def test_a_sheet_edited_while_later_stages_run_is_told_at_the_end(ran_study: Path, edit) -> None:
    """The run ends well with what it had read; its end says what the next one takes up."""
    edit(ran_study / "study.yaml", "title: ", "title: Another ")
    row = "d12-p01-1,exclude,torn,B. Grower,2026-05-17T09:00:00\n"

    def change(line) -> None:
        if line.get("task") == "report" and line.get("state") == "started":
            place = ran_study / "decisions.csv"
            head = place.read_text("utf-8") if place.exists() else "scan,action,reason,by,when\n"
            place.write_text(f"{head}{row}", "utf-8")

    result = run_study(ran_study, 1, change)
    assert result.outcome == "done", result.message
    assert [event["task"] for event in result.tasks] == ["report"]
    (note,) = [note for note in result.notes if "while the run was at work" in note]
    assert note == (
        "decisions.csv was changed while the run was at work, after it had been read: these "
        "results are of what was there before. The next run takes it up, from acceptance on"
    )
    assert would_run(read_study(ran_study), FileDigests(ran_study))[0].task.name == "acceptance"


def test_what_was_changed_during_a_run_is_named(small_study: Path, edit) -> None:
    study, digests = read_study(small_study), FileDigests(small_study)
    book.open_run(study, "r1")
    assert changed_meanwhile(study, "r1", digests) == "the study was changed (not run yet) while " \
        "the run was at work, after it had been read: these results are of what was there " \
        "before. The next run takes it up, from intake.day0 on"  # fmt: skip
    edit(small_study / "study.yaml", "alpha: 0.05", "alpha: 5")
    told = changed_meanwhile(study, "r1", digests)
    assert told.startswith("study.yaml was changed while the run was at work, and cannot be run")
    assert "alpha" in told
