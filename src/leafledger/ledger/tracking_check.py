"""Does the tracking store still say what was entered of each run?

Tags, settings, numbers, status, times, datasets, and where its files are looked for.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from leafledger.errors import quoted
from leafledger.ledger.run_told import (
    ACCURACY,
    CONTEXT_TAG,
    PARENT_TAG,
    PATH,
    RUN_NAME,
    RUN_TAG,
    TASK_TAG,
    TELLER_TAG,
    DatasetTold,
    Told,
    datasets_of,
    has_offset,
    teller,
    told_of_run,
    told_of_task,
)
from leafledger.ledger.tracking import ARTIFACTS, EXPERIMENT
from leafledger.ledger.view import BookView
from leafledger.records.events import Run, event_digests

CUT_SHORT = "RUNNING"
"""Status of a run that is being entered, or whose entering was cut short by a kill."""


@dataclass
class _Stored:
    """One run as it stands in the store.

    ``latest`` is what MLflow's pages show of the numbers, ``times`` are start and end in
    milliseconds since 1970, ``address`` is where its files are looked for.
    """

    status: str = ""
    times: tuple[int | None, int | None] = (None, None)
    address: str = ""
    datasets: set[DatasetTold] = field(default_factory=set)
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
    deleted = _deleted(store)
    yield from _address_faults(store, stored, note, (book.folder / ARTIFACTS).resolve().as_uri())
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
            if name in deleted:
                yield f"run {name} is marked as deleted"
            elif place < newest:  # runs are entered in their order
                yield f"run {name} is not there"
            else:
                note(
                    f"run {name} is not in the tracking store yet; the next run, or `leafledger "
                    "ledger sync`, enters it"
                )
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
    yield from _differing(what, one, told_of_run(run, records, path), has_offset(run["started"]))
    read = {*datasets_of(run, records)}
    names = {dataset.name for dataset in read}
    if odd := sorted(read ^ {dataset for dataset in one.datasets if dataset.name in names}):
        yield f"the dataset {quoted(odd[0].name)} of {what} is not as it was read"
    sealed, found = run.get("events", {}), event_digests(book.folder, run["run"])
    for event in book.events(run["run"]):
        file = f"{event['task']}.json"
        as_told = file in sealed and found.get(file) == sealed[file]
        if as_told and event["outcome"] != "restored":  # a damaged event is named for itself
            child = children.get(event["task"], _Stored())
            told = told_of_task(event, records.get(event["task"]))
            timed = has_offset(event["started"])
            yield from _differing(f"{event['task']} of {what}", child, told, timed)


def _address_faults(
    store: sqlite3.Connection,
    stored: dict[str, _Stored],
    note: Callable[[str], None],
    here: str,
) -> Iterator[str]:
    """Yield runs whose files are looked for elsewhere than where the study's store keeps them."""
    row = store.execute(
        "SELECT artifact_location, lifecycle_stage FROM experiments WHERE name = ?", [EXPERIMENT]
    ).fetchone()
    if row is None or row[1] != "active":
        yield "the experiment of the study is deleted or not there"
        return
    if row[0] != here:
        note("the tracking store was made in another place; the next run makes it again")
    for store_id, one in stored.items():
        name = one.tags.get(RUN_TAG) or one.tags.get(TASK_TAG)
        if name and one.address != f"{row[0]}/{store_id}/artifacts":
            yield f"the address of the files of {name} is {quoted(one.address)}"


def _differing(what: str, stored: _Stored, told: Told, timed: bool) -> Iterator[str]:
    if not stored.status:
        yield f"{what} is not there"
        return
    if stored.status != told.status:
        yield f"{what} is {stored.status}, not {told.status}"
    if timed and stored.times != (told.started, told.ended):
        yield f"{what} has other times"
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
    there = store.execute(
        "SELECT run_uuid, status, start_time, end_time, artifact_uri FROM runs "
        "WHERE lifecycle_stage = 'active'"
    )
    stored = {run: _Stored(str(s), (begun, end), str(at)) for run, s, begun, end, at in there}
    nowhere = _Stored()
    for run, key, value in store.execute("SELECT run_uuid, key, value FROM tags"):
        stored.get(run, nowhere).tags[key] = value
    for run, key, value in store.execute("SELECT run_uuid, key, value FROM params"):
        stored.get(run, nowhere).settings[key] = value
    for run, *number in store.execute("SELECT run_uuid, key, value, step FROM metrics"):
        stored.get(run, nowhere).numbers.add(tuple(number))
    for run, *number in store.execute("SELECT run_uuid, key, value, step FROM latest_metrics"):
        stored.get(run, nowhere).latest.add(tuple(number))
    datasets = store.execute(
        "SELECT destination_id, datasets.name, input_tags.value, digest, dataset_profile "
        "FROM inputs JOIN datasets ON source_id = dataset_uuid "
        "LEFT JOIN input_tags ON input_tags.input_uuid = inputs.input_uuid "
        "AND input_tags.name = ? WHERE destination_type = 'RUN'",
        [CONTEXT_TAG],
    )
    for run, *told in datasets:
        stored.get(run, nowhere).datasets.add(DatasetTold(*(str(value) for value in told)))
    return stored


def _deleted(store: sqlite3.Connection) -> set[str]:
    """Return our ids of the runs that were taken out of the store after they were entered whole."""
    gone = store.execute(
        "SELECT value FROM tags JOIN runs USING (run_uuid) "
        "WHERE key = ? AND lifecycle_stage <> 'active' AND status <> ?",
        [RUN_TAG, CUT_SHORT],
    )
    return {str(run) for (run,) in gone}
