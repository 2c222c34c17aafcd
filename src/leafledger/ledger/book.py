"""What is on record of every run: a file for each run, chained to the one before.

The book is written without MLflow, and the tracking store is a copy of it. A run's file names its
records, sheets, logs and events by digest; small files are kept under their digests for good.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread

from leafledger.ledger.plans import entry_digests
from leafledger.ledger.variants_table import intact_output
from leafledger.ledger.view import branch_places
from leafledger.records import events
from leafledger.records.digests import commit, sha256_of_bytes, sha256_of_file, version
from leafledger.records.record import read_record
from leafledger.study.rules import RECORDS
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.settings import plan_of_study
from leafledger.study.sheets import units_file
from leafledger.study.study import Study
from leafledger.study.table_files import refuse_links, write_bytes
from leafledger.study.tasks import FROM_THE_BOOK, Task, outputs, tasks
from leafledger.study.written_plan import text_of

# A run begins
# ----------------------------------------------------------------------


def open_run(study: Study, run: str) -> None:
    """Enter a run that begins, with digests of the study's own files."""
    entry = _new_entry(study, run, events.now(), entry_digests(study.folder))
    if study.variant is None:  # the settings of a variant are not the study's plan
        text = text_of(plan_of_study(study))
        entry["plan"] = keep_bytes(study.folder, text.encode("utf-8"))
    if about := _about(study):
        entry["about"] = about
    without = [s.session for s in study.sessions if s.session not in study.session_ids]
    if without:
        entry["not_measured"] = without
    events.write_run(study.folder, entry)


def _new_entry(study: Study, run: str, started: str, plans: dict[str, str]) -> events.Run:
    previous = _chain_end([r for r in events.runs(study.folder) if r["run"] != run])
    branches = {
        place.name: sha256_of_file(place / events.RUNS / f"{place.name}.json")
        for place in branch_places(study.folder)
    }
    return ({"branches": branches} if branches else {}) | {
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
        "study": {name: keep_file(study.folder, name) for name in own_files(study)},
        "records": {},
        "logs": {},
        "plans": plans,
        "previous": None if previous is None else link_to(study.folder, previous["run"]),
    }


PERSON = "LEAFLEDGER_PERSON"
"""Says who runs a study. A person sets it; nobody is named by the name of an account."""
_LONGEST_NAME = 200


def _about(study: Study) -> dict[str, str]:
    """Return by whom, with which instruments and on which treatments a run is, as far as stated.

    It stands in the book and in the tags of MLflow, never in a result or record.
    """
    treatment = study.definition.design.treatment
    levels = {str(row.get(treatment) or "") for row in study.units.values()} if treatment else set()
    named = {
        "person": {" ".join(os.environ.get(PERSON, "").split())},
        "instrument": {scan.instrument or "" for scan in study.samples()},
        "treatment": levels,
    }
    joined = {kind: ", ".join(sorted(names - {""})) for kind, names in named.items()}
    return {kind: names[:_LONGEST_NAME] for kind, names in joined.items() if names}


def head_run(folder: Path) -> events.Run | None:
    """Return the run at the end of the chain, ``None`` if there is no run."""
    return _chain_end(list(events.runs(folder)))


def _chain_end(runs: list[events.Run]) -> events.Run | None:
    """Return the run that no other follows, whatever the clock said."""
    followed = {run["previous"]["run"] for run in runs if run["previous"]}
    return next((run for run in reversed(runs) if run["run"] not in followed), None)


def link_to(folder: Path, run: str) -> dict[str, str]:
    """Return the link by which an entry of the book follows a run."""
    return {"run": run, "sha256": sha256_of_file(folder / events.RUNS / f"{run}.json")}


def own_files(study: Study) -> list[str]:
    """Return the sheets and settings of a study that are there, as a run enters them."""
    names = ["study.yaml", units_file(study.folder), DECISIONS]
    if not study.definition.intake.pattern:
        names.append(study.definition.intake.sheet)
    if study.panel_table is not None:
        names.append(study.panel_table)
    if study.coefficient_table is not None:
        names.append(study.coefficient_table)
    names += [name for name in (study.assay_sheet, study.chromatogram_sheet) if name is not None]
    names += study.strip_profiles
    return [name for name in names if (study.folder / name).is_file()]


def keep_file(folder: Path, path: str) -> str:
    """Keep a copy of a small file under its digest for good, and return the digest."""
    return keep_bytes(folder, (folder / path).read_bytes())


def keep_bytes(folder: Path, data: bytes) -> str:
    """Keep some bytes under their digest for good, and return the digest."""
    digest = sha256_of_bytes(data)
    copy = folder / events.HISTORY / digest[:2] / digest
    if not copy.is_file():
        write_bytes(copy, data)
    return digest


# A run ends
# ----------------------------------------------------------------------


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
    of_book = _tasks_from_the_book(study)
    entry |= {
        "ended": events.now(),
        "outcome": outcome,
        "message": message,
        "records": {
            task.name: keep_file(folder, task.record)
            for task in [*tasks(study), *of_book]
            if task.name not in stale and (folder / task.record).is_file()
        },
        "tables": {
            path: keep_file(folder, path) for task in of_book for path in outputs(task).values()
        },
        "logs": {
            event["task"]: keep_file(folder, event["log"])
            for event in events.events_of(folder, run)
            if event["outcome"] not in events.ENDED_WELL and (folder / event["log"]).is_file()
        },
        "events": events.event_digests(folder, run),
    }
    events.write_run(folder, entry)


def _tasks_from_the_book(study: Study) -> list[Task]:
    """Return the tasks made of the book whose results are there and whole.

    What they wrote is kept for good: it is made of other runs, so that no step of this one makes
    it.
    """
    whole = []
    for task in FROM_THE_BOOK if study.variant is None else ():
        record = read_record(study.folder / task.record)
        if record and all(intact_output(study.folder, record, p) for p in outputs(task).values()):
            whole.append(task)
    return whole


def close_interrupted(folder: Path) -> list[str]:
    """Close the runs that never came to an end and return their ids.

    Call it only while holding the study.
    """
    interrupted = [run for run in events.runs(folder) if run["outcome"] == "running"]
    for run in interrupted:
        run |= {
            "ended": events.now(),
            "outcome": "killed",
            "message": "ended from outside before it was done",
            "records": _finished(folder, run["run"]),
            "events": events.event_digests(folder, run["run"]),
        }
        events.write_run(folder, run)
    return [run["run"] for run in interrupted]


def _finished(folder: Path, run: str) -> dict[str, str]:
    """Keep the records that an interrupted run had written, as far as they are still in place."""
    finished = {}
    for event in events.events_of(folder, run):
        path, written = f"{RECORDS}/{event['task']}.json", event.get("record")
        ended_well = event["outcome"] in events.ENDED_WELL and (folder / path).is_file()
        if ended_well and sha256_of_file(folder / path) == written:
            finished[event["task"]] = keep_file(folder, path)
    return finished


# The copy in the tracking store
# ----------------------------------------------------------------------


@contextmanager
def store_prepared_meanwhile(study: Study) -> Iterator[None]:
    """Load MLflow, and make a tracking store that is not there, while the block mostly waits.

    MLflow takes seconds to begin and to make its tables: no run need wait for that at its end.
    """

    def prepare() -> None:
        from leafledger.ledger.tracking import prepare_store

        # Whatever goes wrong here is met again, and reported, when the run is logged.
        with suppress(Exception):
            prepare_store(study.folder, study.definition.title)

    thread = Thread(target=prepare, daemon=True)
    thread.start()
    yield
    thread.join()


def log_run(study: Study, run: str) -> list[str]:
    """Copy the book into the tracking store; what goes wrong there is a note, not a failure."""
    return _synced(study.folder, study.definition.title, f"run {run}")


def sync_runs(folder: Path) -> list[str]:
    """Bring the tracking store up to the book, whatever state the study's own files are in.

    Call it only while holding the study.
    """
    runs = list(events.runs(folder))
    return _synced(folder, runs[-1]["title"], "the newest run") if runs else []


def _synced(folder: Path, title: str, what: str) -> list[str]:
    from leafledger.ledger.tracking import sync_store

    refuse_links(folder)
    try:
        return sync_store(folder, title)
    except Exception as error:  # noqa: BLE001  the results stand whatever the store does
        reason = (str(error) or type(error).__name__).splitlines()[0][:200]
        return [
            f"{what} is in ledger/runs but not yet in the tracking store ({reason}); "
            "`leafledger ledger sync` takes it in"
        ]


def import_snakemake_runs(study: Study) -> list[str]:
    """Take in runs of plain Snakemake, which leave events but no run file, then copy the book."""
    from leafledger.ledger.tracking import sync_store

    folder = study.folder
    known = {run["run"] for run in events.runs(folder)}
    notes = [f"closed run {run}, which was interrupted" for run in close_interrupted(folder)]
    for run in sorted(path.name for path in (folder / events.EVENTS).glob("*")):
        done = events.events_of(folder, run)
        if run in known or not done:
            continue
        failed = [event for event in done if event["outcome"] not in events.ENDED_WELL]
        started = done[0]["started"]
        events.write_run(
            folder, _new_entry(study, run, started, entry_digests(folder, until=started))
        )
        message = failed[0]["message"] if failed else "taken in from plain Snakemake"
        close_run(study, run, "failed" if failed else "done", message)
        notes.append(f"took in run {run} of plain Snakemake")
    return notes + sync_store(folder, study.definition.title)
