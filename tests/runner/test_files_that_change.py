"""A raw file that changes during a run: what is parsed is what the result is keyed by."""

from __future__ import annotations

import hashlib
import importlib
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.records.record import input_digests
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
