"""Why a run ended as it did, where no stage could say so itself."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from leafledger.records import events
from leafledger.records.record import Outcome, input_digests, make_record, write_record
from leafledger.runner.run import why_failed
from leafledger.runner.step import code_of_task, job_of
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
