"""A study whose book is written without running any stage: the ledger does not look inside."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.ledger import book
from leafledger.records import events
from leafledger.records.digests import Code, sha256_of_bytes, sha256_of_file
from leafledger.records.record import Metric, Outcome, input_digests, make_record, write_record
from leafledger.records.store import ContentStore
from leafledger.runner.step import code_of_task, job_of
from leafledger.study.reading import read_study
from leafledger.study.study import Study, Task, tasks

PATH = "split,n_components,accuracy\nouter,1,0.5\nouter,2,0.75\nouter,2,0.25\ntraining,1,0.9\n"


def enact(study: Study, task: Task, run: str, said: str = "", content: str | None = None) -> None:
    """Do what a step does, with made-up results; other words are said by other code."""
    job = job_of(study, task)
    for role, path in job.outputs.items():
        file = path / "one.svg" if role == "figures" else path
        file.parent.mkdir(parents=True, exist_ok=True)
        made_up = PATH if role == "path" else f"{task.name} {role} {said}\n"
        file.write_text(made_up if content is None else content, "utf-8")
    outcome = Outcome([Metric("n_things", 3 + len(said)), Metric("share", 0.25)])
    code = code_of_task(task)
    if said:
        code = Code(sha256_of_bytes(f"{code.sha256}{said}".encode()), code.libraries)
    record = make_record(job, input_digests(job), code, "0.1.0", outcome)
    write_record(study.folder / task.record, record)
    ContentStore(study.folder).keep(record)
    write_event(study, task, run, "done", "", record["key"])


def write_event(
    study: Study, task: Task, run: str, outcome: str, message: str, key: str | None
) -> None:
    event = {
        "task": task.name,
        "rule": task.rule,
        "session": task.session,
        "run": run,
        "started": events.now(),
        "seconds": 1.5,
        "peak_bytes": 123_000_000,
        "outcome": outcome,
        "message": message,
        "key": key,
        "record": sha256_of_file(study.folder / task.record) if key else None,
        "log": f"logs/{task.name}.log",
        "threads": "1",
        "kernel": None,
    }
    log = study.folder / str(event["log"])
    log.parent.mkdir(exist_ok=True)
    log.write_text(f"log of {task.name} in {run}\n", encoding="utf-8")
    events.write_event(study.folder, run, task.name, event)


@pytest.fixture
def study(small_study_made: Path, tmp_path: Path) -> Study:
    """Return a small study that has never been run."""
    return read_study(Path(shutil.copytree(small_study_made, tmp_path / "study")))


@pytest.fixture
def whole_run(study: Study) -> Callable[..., str]:
    """Return a function that enters a run of all tasks, or of those named, in the book."""

    def whole(run: str, only: frozenset[str] | None = None, said: str = "") -> str:
        book.open_run(study, run)
        for task in tasks(study):
            if only is None or task.name in only:
                enact(study, task, run, said)
        book.close_run(study, run, "done", "")
        return run

    return whole


@pytest.fixture
def edit_title(study: Study) -> Callable[[str], Study]:
    """Return a function that gives the study another title and reads it again."""

    def edit(title: str) -> Study:
        path = study.folder / "study.yaml"
        old = next(x for x in path.read_text("utf-8").splitlines() if x.startswith("title:"))
        text = path.read_text("utf-8").replace(old, f"title: {json.dumps(title)}")
        path.write_text(text, encoding="utf-8")
        return read_study(study.folder)

    return edit
