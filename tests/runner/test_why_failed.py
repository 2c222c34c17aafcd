"""Why a run ended as it did, where no stage could say so itself."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.cli.terminal_text import to_run_words
from leafledger.ledger import book
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.record import Outcome, input_digests, make_record, write_record
from leafledger.runner.outdated import would_run
from leafledger.runner.run import why_failed
from leafledger.runner.step import code_of_task, job_of
from leafledger.runner.study_folder import study_lock
from leafledger.study.reading import read_study
from leafledger.study.study import Task
from leafledger.study.table_files import write_text


def test_a_task_that_could_not_write_its_event_on_a_full_disk(small_study: Path) -> None:
    study = read_study(small_study)
    events.append_progress(small_study, "r1", task="indices.day0", state="started")
    assert "indices.day0 was ended from outside" in why_failed(study, "r1", [])
    told = f"the event could not be written: [Errno 28] {os.strerror(errno.ENOSPC)}\n"
    write_text(small_study / "logs/indices.day0.log", told)
    assert why_failed(study, "r1", []) == (
        "No space left on the disk that holds the study: indices.day0 could not be finished"
    )


def test_a_study_changed_while_it_was_run(small_study: Path) -> None:
    study = read_study(small_study)
    task = Task("intake", "day0")
    job = job_of(study, task)
    for path in job.outputs.values():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("made up", encoding="utf-8")
    record = make_record(job, input_digests(job), code_of_task(task), "0.1.0", Outcome())
    write_record(study.folder / task.record, record)
    events.append_progress(small_study, "r1", level=[task.name])
    for state in ("started", "done"):
        events.append_progress(small_study, "r1", task=task.name, state=state)
    # Another program leaves a scan out meanwhile, as the watch does.
    sheet = small_study / "scans.csv"
    head, first, *rest = sheet.read_text(encoding="utf-8").splitlines()
    if "omitted" not in head.split(","):
        head, first = f"{head},omitted", f"{first},not measured: later"
        rest = [f"{line}," for line in rest]
    sheet.write_text("\n".join([head, first, *rest]) + "\n", encoding="utf-8")
    scan = first.split(",")[head.split(",").index("scan")]
    told = why_failed(read_study(small_study), "r1", [])
    assert told.startswith("the study was changed while the run was at work (scans.csv")
    assert scan in told
    assert ", after intake.day0 had read it. Run again once nothing writes to it" in told
    assert "Snakemake" not in told and "snakemake.log" not in told


def test_what_was_begun_and_has_no_record_is_told_as_what_became_of_it(small_study: Path) -> None:
    study = read_study(small_study)
    told = {"rule": "intake", "started": events.now(), "message": "", "log": "logs/a.log"}
    numbers = {"seconds": 1.0, "peak_bytes": 1}
    for run, task, outcome in (
        ("r1", "intake.day0", "failed"),
        ("r1", "intake.day12", "done"),
        ("r2", "reflectance.day0", "input_fault"),
    ):
        event = {**told, **numbers, "task": task, "outcome": outcome, "run": run}
        events.write_event(small_study, run, task, event)
    for run in ("r1", "r2", "r3"):
        book.open_run(study, run)
    events.append_progress(small_study, "r2", task="quality.day0", state="started")
    book.close_run(study, "r2", "killed", "")
    events.append_progress(
        small_study, "r3", "quality.day12", task="quality.day12", state="started"
    )
    book.open_run(replace(study, variant="other"), "r4")
    events.append_progress(small_study, "r4", task="effects", state="started")
    planned = would_run(study, FileDigests(small_study))
    why = {one.task.name: one.why for one in planned}
    assert why["intake.day0"] == "failed in run r1"
    assert why["intake.day12"] == "its record is no longer there; made in run r1"
    assert why["reflectance.day0"] == "found its input at fault in run r2"
    assert why["quality.day0"] == "cut short in run r2"
    assert why["quality.day12"] == "cut short in run r3", "nothing is at work"
    assert why["effects"] == "not run yet", "a variant's run says nothing of the study as stated"
    with study_lock(small_study):
        at_work = {one.task.name: one.why for one in would_run(study, FileDigests(small_study))}
    assert at_work["quality.day12"] == "at work in run r3"
    status = CliRunner().invoke(cli, ["status", str(small_study)]).stdout
    assert status.splitlines()[0] == f"{to_run_words(len(planned))}:"
