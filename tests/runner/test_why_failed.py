"""Why a run ended as it did, where no stage could say so itself."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from leafledger.records import events
from leafledger.runner.run import why_failed
from leafledger.study.reading import read_study
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
