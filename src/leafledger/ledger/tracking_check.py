"""Does the tracking store still say what was entered: tags, settings, numbers, status of runs?"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from leafledger.errors import quoted
from leafledger.ledger.run_told import (
    ACCURACY,
    PARENT_TAG,
    PATH,
    RUN_NAME,
    RUN_TAG,
    TASK_TAG,
    TELLER_TAG,
    Told,
    teller,
    told_of_run,
    told_of_task,
)
from leafledger.ledger.view import BookView
from leafledger.records.events import Run, event_digests

CUT_SHORT = "RUNNING"
"""Status of a run that is being entered, or whose entering was cut short by a kill."""


@dataclass
class _Stored:
    """One run as it stands in the store; ``latest`` is what MLflow's pages show of the numbers."""

    status: str = ""
    tags: dict[str, str] = field(default_factory=dict)
    settings: dict[str, str] = field(default_factory=dict)
    numbers: set[tuple[Any, ...]] = field(default_factory=set)
    latest: set[tuple[Any, ...]] = field(default_factory=set)


def tracking_faults(
    book: BookView, store: sqlite3.Connection, note: Callable[[str], None]
) -> Iterator[str]:
    """Yield in words what the store says otherwise than the book.

    Tags, numbers and settings that a person has added in MLflow are none of the book's, nor is the
    name under which a run is shown there.

    Parameters
    ----------
    book
        The book of runs.
    store
        The open database of the tracking store; only read.
    note
        Called with what is worth knowing and breaks nothing.
    """
    stored = _read(store)
    children: dict[str, dict[str, _Stored]] = defaultdict(dict)
    for one in stored.values():
        if PARENT_TAG in one.tags and TASK_TAG in one.tags:
            children[one.tags[PARENT_TAG]][one.tags[TASK_TAG]] = one
    runs = {run["run"]: run for run in book.runs if run["ended"]}
    entered = {one.tags.get(RUN_TAG): store_id for store_id, one in stored.items()}
    cut = {name for name in runs if name in entered and stored[entered[name]].status == CUT_SHORT}
    newest = max((place for place, run in enumerate(runs) if run in entered), default=-1)
    others = 0
    for place, (name, run) in enumerate(runs.items()):
        if name in cut:
            note(f"run {name} was not entered whole in the tracking store; the next run enters it")
        elif name not in entered:
            if place < newest:  # runs are entered in their order
                yield f"run {name} is not there"
        elif stored[entered[name]].tags.get(TELLER_TAG) != teller():
            others += 1
        else:
            store_id = entered[name]
            yield from _run_faults(book, run, stored[store_id], children[store_id])
    if others:
        what = "1 run was" if others == 1 else f"{others} runs were"
        note(
            f"{what} entered in the tracking store by another version of leafledger: numbers "
            "there were not compared with the book"
        )


def _run_faults(
    book: BookView, run: Run, one: _Stored, children: dict[str, _Stored]
) -> Iterator[str]:
    records, what = book.records_of(run), f"run {run['run']}"
    # The table may have been cleared away when the run was entered, and be there again.
    was_there = any(name.startswith(ACCURACY) for name, _, _ in one.numbers)
    path = book.content_at(records.get("classes"), PATH) if was_there else None
    yield from _differing(what, one, told_of_run(run, records, path))
    sealed, found = run.get("events", {}), event_digests(book.folder, run["run"])
    for event in book.events(run["run"]):
        file = f"{event['task']}.json"
        as_told = file in sealed and found.get(file) == sealed[file]
        if as_told and event["outcome"] != "restored":  # a damaged event is named for itself
            child = children.get(event["task"], _Stored())
            told = told_of_task(event, records.get(event["task"]))
            yield from _differing(f"{event['task']} of {what}", child, told)


def _differing(what: str, stored: _Stored, told: Told) -> Iterator[str]:
    if not stored.status:
        yield f"{what} is not there"
        return
    if stored.status != told.status:
        yield f"{what} is {stored.status}, not {told.status}"
    for names, found in ((told.tags, stored.tags), (told.settings, stored.settings)):
        for name, text in names.items():
            if found.get(name) != text and name != RUN_NAME:
                yield f"{name} of {what} is {_shown(found.get(name))}, not {_shown(text)}"
    numbers = {*told.numbers}
    names_told = {name for name, _, _ in numbers}
    shown = {number for number in stored.latest if number[0] in names_told}
    names_shown = {name for name, _, _ in shown}
    hidden = {number for number in numbers if number[0] not in names_shown}
    for name, _, step in sorted((numbers - stored.numbers) | (shown - numbers) | hidden, key=str):
        yield f"{name} of {what}" + (f" at step {step}" if step else "") + " is another number"


def _shown(text: str | None) -> str:
    return "not there" if text is None else quoted(text)


def _read(store: sqlite3.Connection) -> dict[str, _Stored]:
    """Return the runs that have not been taken out of the store, by its own ids."""
    there = store.execute("SELECT run_uuid, status FROM runs WHERE lifecycle_stage = 'active'")
    stored = {run: _Stored(str(status)) for run, status in there}
    nowhere = _Stored()
    for run, key, value in store.execute("SELECT run_uuid, key, value FROM tags"):
        stored.get(run, nowhere).tags[key] = value
    for run, key, value in store.execute("SELECT run_uuid, key, value FROM params"):
        stored.get(run, nowhere).settings[key] = value
    for run, *number in store.execute("SELECT run_uuid, key, value, step FROM metrics"):
        stored.get(run, nowhere).numbers.add(tuple(number))
    for run, *number in store.execute("SELECT run_uuid, key, value, step FROM latest_metrics"):
        stored.get(run, nowhere).latest.add(tuple(number))
    return stored
