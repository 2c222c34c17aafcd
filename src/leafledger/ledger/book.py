"""The book of runs: a file for each run, chained to the one before, with its records kept.

Written without MLflow; the tracking store is a copy of this book.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread

from leafledger.ledger.plans import lodged_digests
from leafledger.ledger.variants_table import whole_output
from leafledger.records import events
from leafledger.records.code import commit, version
from leafledger.records.digests import sha256_of_bytes, sha256_of_file
from leafledger.records.record import read_record
from leafledger.study.links import refuse_links
from leafledger.study.plan import text_of
from leafledger.study.rules import RECORDS
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.settings import plan_of_study
from leafledger.study.sheets import units_file
from leafledger.study.study import Study
from leafledger.study.tables import write_bytes
from leafledger.study.tasks import FROM_THE_BOOK, Task, outputs, tasks


def open_run(study: Study, run: str) -> None:
    """Enter a run that begins, with digests of the study's own files."""
    entry = _entry(study, run, events.now())
    if study.variant is None:  # the settings of a variant are not the study's plan
        text = text_of(plan_of_study(study))
        entry["plan"] = kept_bytes(study.folder, text.encode("utf-8"))
    events.write_run(study.folder, entry)


def _entry(study: Study, run: str, started: str, taken_in: bool = False) -> events.Run:
    previous = _head([r for r in events.runs(study.folder) if r["run"] != run])
    return {
        "run": run,
        "started": started,
        "ended": None,
        "outcome": "running",
        "message": "",
        "package": version(),
        "commit": commit(),
        "python": platform.python_version(),
        "process": os.getpid(),
        "title": study.definition.title,
        "variant": study.variant,
        "study": {name: kept(study.folder, name) for name in _own_files(study)},
        "records": {},
        "logs": {},
        "plans": lodged_digests(study.folder, started if taken_in else None),
        "previous": None if previous is None else link_to(study.folder, previous["run"]),
    }


def head_run(folder: Path) -> events.Run | None:
    """Return the run at the end of the chain, ``None`` if there is no run."""
    return _head(list(events.runs(folder)))


def _head(before: list[events.Run]) -> events.Run | None:
    """Return the end of the chain, whatever the clock said: the run that no other follows."""
    followed = {r["previous"]["run"] for r in before if r["previous"]}
    return next((r for r in reversed(before) if r["run"] not in followed), None)


def link_to(folder: Path, run: str) -> dict[str, str]:
    """Return the link by which an entry of the book follows a run."""
    return {"run": run, "sha256": sha256_of_file(folder / events.RUNS / f"{run}.json")}


def _own_files(study: Study) -> list[str]:
    names = ["study.yaml", units_file(study.folder), DECISIONS]
    if not study.definition.intake.pattern:
        names.append(study.definition.intake.sheet)
    if study.panel_table is not None:
        names.append(study.panel_table)
    return [name for name in names if (study.folder / name).is_file()]


def kept(folder: Path, path: str) -> str:
    """Keep a copy of a small file under its digest for good, and return the digest."""
    return kept_bytes(folder, (folder / path).read_bytes())


def kept_bytes(folder: Path, data: bytes) -> str:
    """Keep some bytes under their digest for good, and return the digest."""
    digest = sha256_of_bytes(data)
    copy = folder / events.HISTORY / digest[:2] / digest
    if not copy.is_file():
        write_bytes(copy, data)
    return digest


def close_run(
    study: Study, run: str, outcome: str, message: str, stale: Collection[str] = ()
) -> None:
    """Enter how a run ended and which records stood then; keep every record for good.

    Parameters
    ----------
    study, run, outcome, message
        The run and how it ended.
    stale
        Names of the tasks whose records no longer hold: they belong to an earlier run, so this
        run may not show their numbers.
    """
    folder = study.folder
    entry = next(r for r in events.runs(folder) if r["run"] == run)
    entry |= {
        "ended": events.now(),
        "outcome": outcome,
        "message": message,
        "records": {
            task.name: kept(folder, task.record)
            for task in [*tasks(study), *_from_the_book(study)]
            if task.name not in stale and (folder / task.record).is_file()
        },
        "tables": {
            path: kept(folder, path)
            for task in _from_the_book(study)
            for path in outputs(task).values()
        },
        "logs": {
            event["task"]: kept(folder, event["log"])
            for event in events.events_of(folder, run)
            if event["outcome"] not in events.ENDED_WELL and (folder / event["log"]).is_file()
        },
        "events": events.event_digests(folder, run),
    }
    events.write_run(folder, entry)


def _from_the_book(study: Study) -> list[Task]:
    """Return the tasks made of the book whose results are there and whole.

    What they wrote is kept for good: it is made of other runs, so that no step of this one makes
    it.
    """
    if study.variant is not None:
        return []
    found = {task: read_record(study.folder / task.record) for task in FROM_THE_BOOK}
    return [
        task
        for task, record in found.items()
        if record and all(whole_output(study.folder, record, p) for p in outputs(task).values())
    ]


def close_interrupted(folder: Path) -> list[str]:
    """Close the runs that never came to an end and return their ids.

    Call it only while holding the study.
    """
    interrupted = []
    for entry in events.runs(folder):
        if entry["outcome"] == "running":
            entry |= {
                "ended": events.now(),
                "outcome": "killed",
                "message": "ended from outside before it was done",
                "records": _finished(folder, str(entry["run"])),
                "events": events.event_digests(folder, str(entry["run"])),
            }
            events.write_run(folder, entry)
            interrupted.append(str(entry["run"]))
    return interrupted


def _finished(folder: Path, run: str) -> dict[str, str]:
    """Keep the records that an interrupted run had written, as far as they are still in place."""
    finished = {}
    for event in events.events_of(folder, run):
        path = f"{RECORDS}/{event['task']}.json"
        told = event.get("record") if event["outcome"] in events.ENDED_WELL else None
        there = (folder / path).is_file()
        if there and told and sha256_of_file(folder / path) == told:
            finished[str(event["task"])] = kept(folder, path)
    return finished


@contextmanager
def tracking_prepared_meanwhile(study: Study) -> Iterator[None]:
    """Load MLflow, and make a tracking store that is not there, while the block mostly waits.

    MLflow takes seconds to begin and to make its tables: no run need wait for that at its end.
    """

    def make() -> None:
        from leafledger.ledger.tracking import prepare_store

        # Whatever goes wrong here is met again, and told, when the run is entered.
        with suppress(Exception):
            prepare_store(study.folder, study.definition.title)

    maker = Thread(target=make, daemon=True)
    maker.start()
    yield
    maker.join()


def enter(study: Study, run: str) -> list[str]:
    """Copy the book into the tracking store; what goes wrong there is a note, not a failure."""
    return _copied(study.folder, study.definition.title, f"run {run}")


def bring_up(folder: Path) -> list[str]:
    """Bring the tracking store up to the book, whatever state the study's own files are in.

    Call it only while holding the study.
    """
    known = list(events.runs(folder))
    return _copied(folder, known[-1]["title"], "the newest run") if known else []


def _copied(folder: Path, title: str, what: str) -> list[str]:
    from leafledger.ledger.tracking import copy_book

    refuse_links(folder)
    try:
        return copy_book(folder, title)
    except Exception as error:  # noqa: BLE001  the results stand whatever the store does
        first = (str(error) or type(error).__name__).splitlines()[0][:200]
        return [
            f"{what} is in ledger/runs but not yet in the tracking store ({first}); "
            "`leafledger ledger sync` takes it in"
        ]


def take_in(study: Study) -> list[str]:
    """Take in runs of plain Snakemake, which leave events but no run file, then copy the book."""
    from leafledger.ledger.tracking import copy_book

    known = {entry["run"] for entry in events.runs(study.folder)}
    notes = [f"closed run {run}, which was interrupted" for run in close_interrupted(study.folder)]
    for folder in sorted((study.folder / events.EVENTS).glob("*")):
        done = events.events_of(study.folder, folder.name)
        if folder.name in known or not done:
            continue
        failed = [e for e in done if e["outcome"] not in events.ENDED_WELL]
        events.write_run(study.folder, _entry(study, folder.name, done[0]["started"], True))
        message = failed[0]["message"] if failed else "taken in from plain Snakemake"
        close_run(study, folder.name, "failed" if failed else "done", message)
        notes.append(f"took in run {folder.name} of plain Snakemake")
    return notes + copy_book(study.folder, study.definition.title)
