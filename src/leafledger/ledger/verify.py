"""Does everything still hold that the book of runs says?"""

from __future__ import annotations

import json
import re
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, quoted
from leafledger.ledger.mlflow_runs import (
    ACCURACY,
    CONTEXT_TAG,
    FILES_LIST,
    FILES_TAG,
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
from leafledger.ledger.plans import lodged, plan_faults
from leafledger.ledger.tracking import ARTIFACTS, DATABASE, EXPERIMENT
from leafledger.ledger.view import BookView, Broken, Verdict, in_data_order
from leafledger.records import events
from leafledger.records.digests import files_below, sha256_of_file
from leafledger.records.events import Run, event_digests
from leafledger.records.record import key_in, read_record
from leafledger.records.store import FOLDER
from leafledger.study.reading import read_study
from leafledger.study.rules import OF_CLASSES, RECORDS, RESULTS
from leafledger.study.settings import settings_of
from leafledger.study.tables import canonical_json
from leafledger.study.tasks import FROM_THE_BOOK

# Does the tracking store still say what was entered of each run?
# ----------------------------------------------------------------------
# Tags, settings, numbers, status, times, datasets, and where its files are looked for.

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


# Does the chain of runs hold: each entry as it was sealed, each following the one it names?
# ----------------------------------------------------------------------


def chain_faults(
    book: BookView,
    head: str | None,
    sha256: Callable[[str], str | None],
    damaged: set[str],
    verdict: Verdict,
) -> Iterator[Broken]:
    """Yield what is wrong with the entries of the runs.

    Parameters
    ----------
    book
        The book of runs.
    head
        Digest of the chain's end that was noted down earlier, if any.
    sha256
        Returns the digest of a file of the study.
    damaged
        Gets the ids of the runs whose entries cannot be believed.
    verdict
        Gets the head of the chain and the notes.
    """
    digests: dict[str, str] = {}
    known = {run["run"] for run in book.runs}
    for path in files_below(book.folder / events.RUNS):
        file = path.relative_to(book.folder).as_posix()
        digests[path.stem] = sha256(file) or ""
        run = events.readable(path)
        if path.stem not in known or run is None or run["run"] != path.stem:
            damaged.add(path.stem)
            yield Broken(file, "changed", "is not a run of the chain, or no longer readable")
        elif "seal" not in run and "events" not in run and "commit" not in run:
            verdict.note("runs recorded by an earlier version carry no seal of their own")
        elif not _sealed(path, run):
            damaged.add(path.stem)
            yield Broken(file, "changed", f"the entry of run {path.stem} was changed by hand")
    yield from _links(book, digests, damaged)
    if book.runs:
        verdict.head = digests[book.runs[-1]["run"]]
    if head is not None:
        yield from _against(book, head, digests, verdict)


def _sealed(path: Path, run: events.Run) -> bool:
    """Tell whether a run's file is, to the byte, what was sealed."""
    as_written = events.text_of_run(run).encode("utf-8")
    return events.seal_of(run) == run.get("seal") and path.read_bytes() == as_written


def _links(book: BookView, digests: Mapping[str, str], damaged: set[str]) -> Iterator[Broken]:
    followers: dict[str, str] = {}
    starts = [run["run"] for run in book.runs if run["previous"] is None]
    for again in starts[1:]:
        file = f"{events.RUNS}/{again}.json"
        yield Broken(file, "chain", f"run {again} follows no other though it is not the first")
    for run in book.runs:
        before = run["previous"]
        if before is None:
            continue
        file = f"{events.RUNS}/{before['run']}.json"
        if before["run"] not in digests:
            yield Broken(file, "missing", f"run {run['run']} follows a run that was removed")
        elif digests[before["run"]] != before["sha256"]:
            damaged.add(before["run"])
            what = f"was changed after run {run['run']} had followed it"
            yield Broken(file, "changed", f"the entry of run {before['run']} {what}")
        if before["run"] in followers:
            other = followers[before["run"]]
            file = f"{events.RUNS}/{run['run']}.json"
            yield Broken(file, "chain", f"runs {other} and {run['run']} both follow one run")
        followers[before["run"]] = run["run"]


def _against(
    book: BookView, head: str, digests: Mapping[str, str], verdict: Verdict
) -> Iterator[Broken]:
    at = [run["run"] for run in book.runs if digests[run["run"]] == head]
    if not at:
        what = "no run of the chain has the digest that was noted down: it was written anew"
        yield Broken(events.RUNS, "chain", what)
        return
    ids = [run["run"] for run in book.runs]
    since = len(ids) - 1 - ids.index(at[0])
    runs = {0: "no run has", 1: "1 run has"}.get(since, f"{since} runs have")
    verdict.note(f"the digest noted down is that of run {at[0]}; {runs} followed it")


# Do the copies still hold that the ledger keeps: history, content store, tracking store?
# ----------------------------------------------------------------------

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


# Does everything still hold that the book of runs says? Every file is hashed anew.
# ----------------------------------------------------------------------


def verify(folder: Path, head: str | None = None) -> Verdict:
    """Hash every file that the book names and compare; call it while no run is at work.

    Parameters
    ----------
    folder
        The study folder.
    head
        Digest of the chain's end that was noted down earlier, if any: a chain that was rewritten
        as a whole is seen by it alone.
    """
    check = _Check(BookView(folder))
    found: dict[str, Broken] = {}
    for broken in check.all_faults(head):
        found.setdefault(broken.file, broken)
    check.verdict.broken = sorted(found.values())
    return check.verdict


class _Check:
    def __init__(self, book: BookView) -> None:
        self.book = book
        self.folder = book.folder
        self.verdict = Verdict(n_runs=len(book.runs), n_plans=len(lodged(book.folder)))
        self.damaged: set[str] = set()

    def all_faults(self, head: str | None) -> Iterator[Broken]:
        yield from chain_faults(self.book, head, self.sha256, self.damaged, self.verdict)
        yield from plan_faults(self.book, self.sha256)
        if self.damaged:
            self.book = BookView(self.folder, leave_out=self.damaged)
            self.note("what only a damaged run's entry tells of cannot be judged")
        yield from self.told()
        yield from self.records()
        yield from self.results()
        yield from self.raw()
        yield from self.study()
        for file, what, sentence in history_faults(self.book, self.sha256, self.note):
            yield Broken(file, what, sentence)
        for file, what, sentence in store_faults(self.book, self.sha256, self.note):
            yield Broken(file, what, sentence)

    @property
    def unsure(self) -> bool:
        """Whether a run not closed, or damaged, may have made what nobody vouches for."""
        return bool(self.damaged) or any(run["outcome"] == "running" for run in self.book.runs)

    def sha256(self, path: str) -> str | None:
        place = self.folder / path
        if not place.is_file():
            return None
        self.verdict.n_files += 1
        self.verdict.n_bytes += place.stat().st_size
        return sha256_of_file(place)

    # --- what was told of the runs ------------------------------------------------------------

    def told(self) -> Iterator[Broken]:
        runs = {run["run"]: run for run in self.book.runs}
        present = {run: set(events_in(self.folder, run)) for run in runs}
        for run, entry in runs.items():
            if entry["outcome"] == "running":
                self.note(
                    f"run {run} was cut short and is not closed yet: what it left is judged when "
                    "the next run has closed it"
                )
                continue
            if "events" not in entry:
                self.note("events of runs recorded by an earlier version are not sealed")
                continue
            for name, digest in entry["events"].items():
                file = f"{events.EVENTS}/{run}/{name}"
                yield from self._one(file, digest, f"told of run {run}")
            for name in sorted(present[run] - set(entry["events"])):
                file = f"{events.EVENTS}/{run}/{name}"
                yield Broken(file, "orphan", f"is no event that run {run} knows of")
        for place in sorted((self.folder / events.EVENTS).glob("*")):
            named = (self.folder / events.RUNS / f"{place.name}.json").is_file()
            if place.is_file():
                file = place.relative_to(self.folder).as_posix()
                yield Broken(file, "orphan", "belongs to no run")
            elif place.name not in runs and not named and any(place.glob("*.json")):
                file = f"{events.RUNS}/{place.name}.json"
                yield Broken(
                    file,
                    "missing",
                    "events tell of this run, but it is not in the book: it was removed, or plain "
                    "Snakemake ran it and `leafledger ledger sync` has not taken it in yet",
                )

    def _one(self, file: str, expected: str, was: str) -> Iterator[Broken]:
        found = self.sha256(file)
        if found is None:
            yield Broken(file, "missing", f"{was}; it is no longer there")
        elif found != expected:
            yield Broken(file, "changed", f"{was}; it has been changed since")

    # --- records and results ------------------------------------------------------------------

    @cached_property
    def told_by(self) -> dict[str, str]:
        """Digest of every record that an event tells of -> the run, in the book or not."""
        return {
            str(event["record"]): place.name
            for place in sorted((self.folder / events.EVENTS).glob("*"))
            for event in events.events_of(self.folder, place.name)
            if event.get("record")
        }

    def records(self) -> Iterator[Broken]:
        known = {*self.book.versions, *self.told_by}
        for task, (run, _digest) in self.book.standing.items():
            file = f"{RECORDS}/{task}.json"
            found = self.sha256(file)
            if found is None and task in self._wanted():
                yield Broken(file, "missing", f"stood in run {run}; it is no longer there")
            elif found is not None and found not in known:
                yield Broken(file, "changed", f"stood in run {run}; it has been changed by hand")
        for path in files_below(self.folder / RECORDS):
            file = path.relative_to(self.folder).as_posix()
            task = path.name.removesuffix(".json")
            if self.unsure or task in self.book.standing:
                continue
            if self.sha256(file) not in known:
                yield Broken(file, "orphan", "no run of the book made this record")

    def _wanted(self) -> set[str]:
        """Tasks of the newest run that ended well: others may have been taken out since."""
        done = [run for run in self.book.runs if run["outcome"] == "done"]
        return set(done[-1]["records"]) if done else set()

    def current(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield run and record of every task in place; a damaged record is replaced by its copy."""
        there = {
            path.name.removesuffix(".json"): sha256_of_file(path)
            for path in files_below(self.folder / RECORDS)
        }
        for task in in_data_order([*{*self.book.standing, *there}]):
            run, stood = self.book.standing.get(task, ("", ""))
            now = there.get(task, stood if task in self._wanted() else "")
            place = self.folder / RECORDS / f"{task}.json"
            if now in self.book.versions:
                # The text in place is as good as the kept copy: both are what was recorded.
                run = self.book.versions[now]
                record = read_record(place) or self.book.record(now)
            elif now in self.told_by:
                run, record = self.told_by[now], read_record(place)
            else:
                record = self.book.record(stood) if now and stood else None
            if record is not None:
                yield run, record

    def results(self) -> Iterator[Broken]:
        named: set[str] = set()
        for run, record in self.current():
            for output in record["outputs"]:
                named.add(output["path"])
                yield from self._one(output["path"], output["sha256"], f"result of run {run}")
        for path in files_below(self.folder / RESULTS):
            file = path.relative_to(self.folder).as_posix()
            if file not in named and not path.name.startswith(".") and not self.unsure:
                yield Broken(file, "orphan", "no record names this result")

    def raw(self) -> Iterator[Broken]:
        made = (f"{RESULTS}/", f"{RECORDS}/")
        for run, record in self.current():
            for given in record["inputs"]:
                if given["path"].startswith(made):
                    continue
                found = self.sha256(given["path"])
                if found is None:
                    sentence = f"was read by {record['rule']} for run {run}; it is no longer there"
                    yield Broken(given["path"], "missing", sentence)
                elif found != given["sha256"]:
                    yield Broken(given["path"], "changed", f"changed since run {run}")

    # --- the study's own sheets ---------------------------------------------------------------

    def study(self) -> Iterator[Broken]:
        if not self.book.runs:
            return
        run = self.book.runs[-1]
        changed = []
        for name, digest in run["study"].items():
            found = self.sha256(name)
            if found is None:
                yield Broken(name, "missing", f"was read for run {run['run']}")
            elif found != digest:
                changed.append(name)
        if not changed:
            return
        why = self._settings_differ()
        for name in changed:
            if why is None:
                self.note(f"{name} changed since run {run['run']}, in nothing a result rests on")
            else:
                yield Broken(name, "changed", f"changed since run {run['run']}{why}")

    def _settings_differ(self) -> str | None:
        """Return what a changed sheet does, ``None`` if every record still has its settings."""
        try:
            study = read_study(self.folder)
        except InputFault as fault:
            return f"; it can no longer be read: {fault.problems[0].sentence()}"
        for _run, record in self.current():
            if record["rule"] in {task.name for task in FROM_THE_BOOK}:
                continue  # it says itself to which settings it belongs
            if record["session"] is not None and record["session"] not in study.session_ids:
                return f"; session {record['session']} is gone"
            if record["rule"] in OF_CLASSES and study.definition.classes is None:
                return "; no classifier is asked for any more"
            now = settings_of(study, record["rule"], record["session"])
            if canonical_json(now) != canonical_json(record["settings"]):
                return f"; {record['rule']} was run with other settings"
        return None

    def note(self, text: str) -> None:
        self.verdict.note(text)


def events_in(folder: Path, run: str) -> list[str]:
    """Return the names of the files that tell of a run."""
    place = folder / events.EVENTS / run
    return [path.name for path in files_below(place)] if place.is_dir() else []


def as_json(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as plain JSON values."""
    plain: dict[str, Any] = json.loads(json.dumps(asdict(verdict)))
    return plain | {"holds": verdict.holds}
