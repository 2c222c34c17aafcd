"""Do the copies still hold that the ledger keeps: history, content store, tracking store?"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from leafledger.ledger.run_told import FILES_LIST, FILES_TAG, RUN_TAG
from leafledger.ledger.tracking import ARTIFACTS, DATABASE
from leafledger.ledger.tracking_check import CUT_SHORT, tracking_faults
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import files_below
from leafledger.records.record import key_in, read_record
from leafledger.records.store import FOLDER

Fault = tuple[str, str, str]
Hash = Callable[[str], str | None]
_KEY = re.compile("[0-9a-f]{64}")
_MEND = (
    f"delete {DATABASE}, and `leafledger ledger sync` makes it again from the book (what was added "
    "by hand in MLflow is lost)"
)


def history_faults(book: BookView, sha256: Hash, note: Callable[[str], None]) -> Iterator[Fault]:
    """Yield what is missing from, or changed in, the copies of records, sheets, logs, tables."""
    owed: dict[str, str] = {}
    for run in book.runs:
        for kind in ("records", "study", "logs", "tables"):
            kept = run.get(kind, {})
            owed |= {digest: f"{name} of run {run['run']}" for name, digest in kept.items()}
        if run.get("plan"):
            owed.setdefault(run["plan"], f"the plan of run {run['run']}")
    for digest, what in owed.items():
        file = f"{events.HISTORY}/{digest[:2]}/{digest}"
        if not (book.folder / file).is_file():
            yield file, "missing", f"the kept copy of {what} is no longer there"
    spare = 0
    for path in files_below(book.folder / events.HISTORY):
        file = path.relative_to(book.folder).as_posix()
        if path.name.endswith(".tmp"):
            continue
        if sha256(file) != path.name:
            yield file, "changed", f"the kept copy of {owed.get(path.name, 'a file')} was changed"
        spare += path.name not in owed
    if spare and not book.leave_out:
        copies = "1 kept copy belongs" if spare == 1 else f"{spare} kept copies belong"
        note(f"{copies} to no run, as after one that was interrupted")


def store_faults(book: BookView, sha256: Hash, note: Callable[[str], None]) -> Iterator[Fault]:
    """Yield what is wrong in the content store and in the tracking store."""
    told = {e.get("key"): e.get("record") for run in book.runs for e in book.events(run["run"])}
    yield from _strangers(book.folder)
    for entry in sorted((book.folder / FOLDER).glob("??/*")):
        if _is_entry(entry):
            yield from _entry_faults(book, entry, sha256, told)
    yield from _tracking_faults(book, sha256, note)


def _is_entry(place: Path) -> bool:
    """Tell whether a folder of the content store has the place and name of an entry."""
    return (
        place.is_dir() and place.name[:2] == place.parent.name and bool(_KEY.fullmatch(place.name))
    )


def _strangers(folder: Path) -> Iterator[Fault]:
    """Yield files in the content store that belong to no kept result."""
    root = folder / FOLDER
    for path in files_below(root):
        below = path.relative_to(root).parts
        temporary = any(part.startswith(".") for part in below)
        if not temporary and not (len(below) > 2 and _is_entry(root / below[0] / below[1])):
            yield path.relative_to(folder).as_posix(), "orphan", "belongs to no kept result"


def _entry_faults(
    book: BookView, entry: Path, sha256: Hash, told: dict[str | None, str | None]
) -> Iterator[Fault]:
    place = entry.relative_to(book.folder).as_posix()
    record = read_record(entry / "record.json")
    digest = sha256(f"{place}/record.json")
    known = digest in book.versions or digest in told.values()
    if record is None or record["key"] != f"sha256:{entry.name}" or key_in(record) != record["key"]:
        yield f"{place}/record.json", "changed", "the record of a kept result was changed"
        record = None
    elif not known and record["key"] in told:
        yield f"{place}/record.json", "changed", "the record of a kept result was changed"
    names = {output["sha256"] for output in record["outputs"]} if record else None
    for path in files_below(entry):
        file = path.relative_to(book.folder).as_posix()
        if path == entry / "record.json":
            continue
        if path.parent != entry or (names is not None and path.name not in names):
            yield file, "orphan", "a file in the store that its record does not name"
        elif sha256(file) != path.name:
            yield file, "changed", "a kept result was changed"
    for name in sorted((names or set()) - {path.name for path in entry.iterdir()}):
        yield f"{place}/{name}", "missing", "a kept result is no longer there"


def _tracking_faults(book: BookView, sha256: Hash, note: Callable[[str], None]) -> Iterator[Fault]:
    """Yield what the tracking store says otherwise than the book, in its database and its files."""
    database = book.folder / DATABASE
    if not database.is_file():
        return
    try:
        with closing(sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)) as store:
            if store.execute("PRAGMA quick_check").fetchone() != ("ok",):
                raise sqlite3.DatabaseError("damaged")
            entered, lists = (
                dict(
                    store.execute(
                        "SELECT run_uuid, value FROM tags JOIN runs USING (run_uuid) "
                        "WHERE key = ? AND status <> ? AND lifecycle_stage = 'active'",
                        [tag, CUT_SHORT],
                    )
                )
                for tag in (RUN_TAG, FILES_TAG)
            )
            odd = list(tracking_faults(book, store, note))
    except sqlite3.Error as error:
        why = f"cannot be read ({error}); the next run makes it again from the book"
        yield DATABASE, "changed", f"the tracking store {why}"
        return
    if odd:
        more = f", and {len(odd) - 1} more" if len(odd) > 1 else ""
        yield DATABASE, "changed", f"the tracking store was changed: {odd[0]}{more}; {_MEND}"
    yield from _copies_faults(book, sha256, entered, lists)
    yield from _artifact_faults(book, sha256, entered)


def _copies_faults(
    book: BookView, sha256: Hash, entered: dict[str, str], lists: dict[str, str]
) -> Iterator[Fault]:
    """Yield copies in the tracking store that are gone or are not what was entered.

    Files that a person has added there are none of the book's.

    Parameters
    ----------
    book, sha256
        The book, and what gives the digest of a file of the study.
    entered, lists
        The store's id of a run -> our id, and -> the digest of the list of its copies. Runs that
        an earlier version entered have no list.
    """
    for store_id, digest in lists.items():
        run = entered.get(store_id, "")
        place = f"{ARTIFACTS}/{store_id}/artifacts"
        file = f"{place}/{FILES_LIST}"
        found, copies = sha256(file), events.readable(book.folder / file)
        if found != digest or copies is None:
            what = "missing" if found is None else "changed"
            said = f"the list of the copies of run {run} is not as it was entered"
            yield file, what, f"{said}; {_MEND}"
            continue
        for name, expected in copies.items():
            found = sha256(f"{place}/{name}")
            if found is None:
                said = f"the copy of {name} of run {run} is no longer there; {_MEND}"
                yield f"{place}/{name}", "missing", said
            elif found != expected:
                said = f"the copy of {name} of run {run} was changed; {_MEND}"
                yield f"{place}/{name}", "changed", said


def _artifact_faults(book: BookView, sha256: Hash, entered: dict[str, str]) -> Iterator[Fault]:
    """Yield copies in the tracking store that are not what the records say."""
    runs = {run["run"]: run for run in book.runs}
    for store_id, run in entered.items():
        place = f"{ARTIFACTS}/{store_id}/artifacts"
        if run not in runs or not (book.folder / place).is_dir():
            continue
        for task, record in book.records_of(runs[run]).items():
            file = f"{place}/records/{task}.json"
            if (book.folder / file).is_file() and events.readable(book.folder / file) != record:
                yield file, "changed", f"the copy of the record of {task} of run {run} was changed"
            for output in record["outputs"]:
                file = f"{place}/{output['path'].removeprefix('results/')}"
                found = sha256(file)
                if found not in {None, output["sha256"]}:
                    yield file, "changed", f"the copy of {output['path']} of run {run} was changed"
