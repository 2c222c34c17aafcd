"""Does everything still hold that the book of runs says?

Every file that the book names is hashed anew. The chain of runs comes first, for what a damaged
entry says is not to be believed; then events, records, results, raw files and sheets; then the
copies that the ledger keeps, in its history, its content store and the tracking store.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict
from functools import cached_property
from pathlib import Path
from typing import Any

from leafledger.errors import quoted
from leafledger.ledger.book import plan_faults, recorded_plans
from leafledger.ledger.mlflow_runs import (
    ACCURACY,
    CODE_TAG,
    CONTEXT_TAG,
    FILES_LIST,
    FILES_TAG,
    PARENT_TAG,
    RUN_TAG,
    TASK_TAG,
    Fact,
    LoggedRun,
    artifacts_of,
    logged_run,
    logged_task,
    logging_code_digest,
)
from leafledger.ledger.run_summary import INTERVAL
from leafledger.ledger.tracking import ARTIFACTS, DATABASE, EXPERIMENT
from leafledger.ledger.view import (
    BRANCHES,
    JOINED_FILE,
    BookView,
    Broken,
    Verdict,
    changed_settings,
    in_data_order,
    joined_branches,
)
from leafledger.records import events
from leafledger.records.digests import files_below, sha256_of_file
from leafledger.records.record import Record, key_in, read_record
from leafledger.records.store import FOLDER, stays_in_place
from leafledger.study.rules import RECORDS, RESULTS

Hash = Callable[[str], str | None]
"""Path in the study -> digest of the file as it is now, ``None`` if there is none."""
Note = Callable[[str], None]

_KEY = re.compile("[0-9a-f]{64}")
_MEND = (
    f"delete {DATABASE}, and `leafledger ledger sync` makes it again from the book (what was added "
    "by hand in MLflow is lost)"
)


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
    check = _Verification(folder)
    broken: dict[str, Broken] = {}
    for fault in check.all_faults(head):
        broken.setdefault(fault.file, fault)
    check.verdict.broken = sorted(broken.values())
    return check.verdict


def chain_faults(folder: Path, whole: bool = True) -> list[Broken]:
    """Return what does not hold of the runs of a book, looking at no result.

    Parameters
    ----------
    folder
        The study folder, or the place of a branch.
    whole
        Whether events and plans are looked at too, not the entries of the runs alone.
    """
    check = _Verification(folder)
    faults = list(check.chain(None))
    if whole:
        faults += [*plan_faults(check.book, check.sha256), *check.events()]
    return faults


def as_json(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as plain JSON values."""
    plain: dict[str, Any] = json.loads(json.dumps(asdict(verdict)))
    return plain | {"holds": verdict.holds}


class _Verification:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.book = BookView(folder)
        self.verdict = Verdict(n_runs=len(self.book.runs), n_plans=len(recorded_plans(folder)))
        self.note = self.verdict.note
        self.damaged: set[str] = set()
        """Runs whose entries cannot be believed."""

    def all_faults(self, head: str | None) -> Iterator[Broken]:
        yield from self.chain(head)
        yield from plan_faults(self.book, self.sha256)
        yield from self.branches()
        if self.damaged:
            self.book = BookView(self.folder, leave_out=self.damaged)
            self.note("what only a damaged run's entry tells of cannot be judged")
        yield from self.events()
        yield from self.records()
        yield from self.results()
        yield from self.raw_files()
        yield from self.sheets()
        yield from self.history()
        yield from self.content_store()
        yield from store_faults(self.book, self.sha256, self.note)

    @property
    def unsure(self) -> bool:
        """Whether a run not closed, or damaged, may have made what nobody vouches for."""
        return bool(self.damaged) or any(run["outcome"] == "running" for run in self.book.runs)

    def sha256(self, path: str) -> str | None:
        """Return the digest of a file of the study, ``None`` if there is none; count it."""
        file = self.folder / path
        if not file.is_file():
            return None
        self.verdict.n_files += 1
        self.verdict.n_bytes += file.stat().st_size
        return sha256_of_file(file)

    def _file_faults(self, file: str, expected: str, origin: str) -> Iterator[Broken]:
        digest_now = self.sha256(file)
        if digest_now is None:
            yield Broken(file, "missing", f"{origin}; it is no longer there")
        elif digest_now != expected:
            yield Broken(file, "changed", f"{origin}; it has been changed since")

    def _files_in(self, folder: str) -> list[str]:
        return [
            path.relative_to(self.folder).as_posix() for path in files_below(self.folder / folder)
        ]

    # The chain of runs: each entry as it was sealed, each following the one it names

    def chain(self, head: str | None) -> Iterator[Broken]:
        digests: dict[str, str] = {}
        chained_runs = {run["run"] for run in self.book.runs}
        for file in self._files_in(events.RUNS):
            path = self.folder / file
            digests[path.stem] = self.sha256(file) or ""
            run = events.readable(path)
            if path.stem not in chained_runs or run is None or run["run"] != path.stem:
                self.damaged.add(path.stem)
                yield Broken(file, "changed", "is not a run of the chain, or no longer readable")
            elif "seal" not in run and "events" not in run and "commit" not in run:
                self.note("runs recorded by an earlier version carry no seal of their own")
            elif not _is_sealed(path, run):
                self.damaged.add(path.stem)
                yield Broken(file, "changed", f"the entry of run {path.stem} was changed by hand")
        yield from self._links(digests)
        ids = [run["run"] for run in self.book.runs]
        if ids:
            self.verdict.head = digests[ids[-1]]
        if head is None:
            return
        since = next((len(ids) - 1 - n for n, run in enumerate(ids) if digests[run] == head), None)
        if since is None:
            what = "no run of the chain has the digest that was noted down: it was written anew"
            yield Broken(events.RUNS, "chain", what)
        else:
            runs = {0: "no run has", 1: "1 run has"}.get(since, f"{since} runs have")
            self.note(f"the digest noted down is that of run {ids[-1 - since]}; {runs} followed it")

    def _links(self, digests: Mapping[str, str]) -> Iterator[Broken]:
        followers: dict[str, str] = {}
        starts = [run["run"] for run in self.book.runs if run["previous"] is None]
        for again in starts[1:]:
            what = f"run {again} follows no other though it is not the first"
            yield Broken(_entry_file(again), "chain", what)
        for run in self.book.runs:
            if run["previous"] is None:
                continue
            name, before = run["run"], run["previous"]["run"]
            if before not in digests:
                what = f"run {name} follows a run that was removed"
                yield Broken(_entry_file(before), "missing", what)
            elif digests[before] != run["previous"]["sha256"]:
                self.damaged.add(before)
                what = f"the entry of run {before} was changed after run {name} had followed it"
                yield Broken(_entry_file(before), "changed", what)
            if before in followers:
                what = f"runs {followers[before]} and {name} both follow one run"
                yield Broken(_entry_file(name), "chain", what)
            followers[before] = name

    def branches(self) -> Iterator[Broken]:
        """Judge the books of other copies that were joined: each is a chain of its own."""
        present: dict[str, set[str]] = defaultdict(set)
        for branch in self.book.branches:
            branch_path = branch.place.relative_to(self.folder).as_posix()
            check = _Verification(branch.place)
            faults = [*check.chain(None), *plan_faults(check.book, check.sha256), *check.events()]
            yield from (Broken(f"{branch_path}/{f.file}", f.what, f.sentence) for f in faults)
            self.verdict.n_files += check.verdict.n_files
            self.verdict.n_bytes += check.verdict.n_bytes
            self.verdict.n_side_runs += len({r["run"] for r in check.book.runs} - self._own)
            statement = events.readable(branch.place / "branch.json") or {}
            if branch.place.name not in {run["run"] for run in branch.runs}:
                yield Broken(
                    f"{branch_path}", "changed", "the branch does not end with the run it names"
                )
            for run in branch.runs:
                file = f"{branch_path}/{_entry_file(run['run'])}"
                digest = sha256_of_file(self.folder / file)
                present[run["run"]].add(digest)
                own_entry = self.folder / _entry_file(run["run"])
                if run["run"] in self._own and sha256_of_file(own_entry) != digest:
                    yield Broken(file, "changed", "is not the run of this name in the study's book")
                if run["run"] == branch.place.name and statement.get("sha256") != digest:
                    yield Broken(file, "changed", "is not the end of the branch as it was joined")
        yield from self._missing_branches(present)

    def _missing_branches(self, present: Mapping[str, set[str]]) -> Iterator[Broken]:
        """Judge by the list of branches, and by the runs that began after the joining."""
        said: dict[str, str] = {}
        joined = joined_branches(self.folder)
        if joined is None:
            yield Broken(JOINED_FILE, "changed", "the list of branches is no longer readable")
        for name, digest in (joined or {}).items():
            if digest not in present.get(name, ()):
                said[name] = "was joined as a branch and is gone or changed; it can be joined again"
        for run in self.book.runs:
            for name, digest in run.get("branches", {}).items():
                if digest not in present.get(name, ()):
                    said[name] = (
                        f"stood as a branch when run {run['run']} began; it is gone or changed"
                    )
        for name, what in said.items():
            yield Broken(f"{BRANCHES}/{name}", "missing", what)

    @cached_property
    def _own(self) -> set[str]:
        return {run["run"] for run in self.book.runs}

    # Events, records and results

    def events(self) -> Iterator[Broken]:
        for run in self.book.runs:
            name, events_folder = run["run"], f"{events.EVENTS}/{run['run']}"
            present = {Path(file).name for file in self._files_in(events_folder)}
            if run["outcome"] == "running":
                self.note(
                    f"run {name} was cut short and is not closed yet: what it left is judged when "
                    "the next run has closed it"
                )
                continue
            if "events" not in run:
                self.note("events of runs recorded by an earlier version are not sealed")
                continue
            for file, digest in run["events"].items():
                yield from self._file_faults(
                    f"{events_folder}/{file}", digest, f"told of run {name}"
                )
            for file in sorted(present - set(run["events"])):
                what = f"is no event that run {name} knows of"
                yield Broken(f"{events_folder}/{file}", "orphan", what)
        runs = {run["run"] for run in self.book.runs}
        for path in sorted((self.folder / events.EVENTS).glob("*")):
            entry = _entry_file(path.name)
            if path.is_file():
                file = path.relative_to(self.folder).as_posix()
                yield Broken(file, "orphan", "belongs to no run")
            elif (self.folder / entry).is_file() or path.name in runs:
                continue
            elif any(path.glob("*.json")):
                yield Broken(
                    entry,
                    "missing",
                    "events tell of this run, but it is not in the book: it was removed, or plain "
                    "Snakemake ran it and `leafledger ledger sync` has not taken it in yet",
                )

    @cached_property
    def event_records(self) -> dict[str, str]:
        """Digest of every record that an event names -> the run, in the book or not."""
        return {
            str(event["record"]): run_folder.name
            for run_folder in sorted((self.folder / events.EVENTS).glob("*"))
            for event in events.events_of(self.folder, run_folder.name)
            if event.get("record")
        }

    @cached_property
    def wanted(self) -> set[str]:
        """Tasks of the newest run that ended well: others may have been taken out since."""
        done = [run for run in self.book.runs if run["outcome"] == "done"]
        return set(done[-1]["records"]) if done else set()

    def records(self) -> Iterator[Broken]:
        known_digests = {*self.book.versions, *self.event_records}
        for task, (run, _digest) in self.book.standing.items():
            file = f"{RECORDS}/{task}.json"
            digest_now = self.sha256(file)
            if digest_now is None and task in self.wanted:
                yield Broken(file, "missing", f"stood in run {run}; it is no longer there")
            elif digest_now is not None and digest_now not in known_digests:
                yield Broken(file, "changed", f"stood in run {run}; it has been changed by hand")
        for file in self._files_in(RECORDS):
            standing = Path(file).name.removesuffix(".json") in self.book.standing
            if not self.unsure and not standing and self.sha256(file) not in known_digests:
                yield Broken(file, "orphan", "no run of the book made this record")

    @property
    def current(self) -> Iterator[tuple[str, Record]]:
        """Run and record of every task in place; a damaged record is replaced by its copy."""
        present = {
            path.name.removesuffix(".json"): sha256_of_file(path)
            for path in files_below(self.folder / RECORDS)
        }
        for task in in_data_order([*{*self.book.standing, *present}]):
            run, stood = self.book.standing.get(task, ("", ""))
            now = present.get(task, stood if task in self.wanted else "")
            path = self.folder / RECORDS / f"{task}.json"
            if now in self.book.versions:
                # The text in place is as good as the kept copy: both are what was recorded.
                run = self.book.versions[now]
                record = read_record(path) or self.book.record(now)
            elif now in self.event_records:
                run, record = self.event_records[now], read_record(path)
            else:
                record = self.book.record(stood) if now and stood else None
            if record is not None:
                yield run, record

    def results(self) -> Iterator[Broken]:
        named: set[str] = set()
        for run, record in self.current:
            for output in record["outputs"]:
                named.add(output["path"])
                origin = f"result of run {run}"
                yield from self._file_faults(output["path"], output["sha256"], origin)
        for file in self._files_in(RESULTS):
            if file not in named and not Path(file).name.startswith(".") and not self.unsure:
                yield Broken(file, "orphan", "no record names this result")

    # Raw files and the study's own sheets

    def raw_files(self) -> Iterator[Broken]:
        result_folders = (f"{RESULTS}/", f"{RECORDS}/")
        for run, record in self.current:
            for given in record["inputs"]:
                if given["path"].startswith(result_folders):
                    continue
                digest_now = self.sha256(given["path"])
                if digest_now is None:
                    what = f"was read by {record['rule']} for run {run}; it is no longer there"
                    yield Broken(given["path"], "missing", what)
                elif digest_now != given["sha256"]:
                    yield Broken(given["path"], "changed", f"changed since run {run}")

    def sheets(self) -> Iterator[Broken]:
        if not self.book.runs:
            return
        run, changed = self.book.runs[-1], []
        for name, digest in run["study"].items():
            digest_now = self.sha256(name)
            if digest_now is None:
                yield Broken(name, "missing", f"was read for run {run['run']}")
            elif digest_now != digest:
                changed.append(name)
        reason = changed_settings(self.folder, (r for _, r in self.current)) if changed else None
        for name in changed:
            if reason is None:
                self.note(f"{name} changed since run {run['run']}, in nothing a result rests on")
            else:
                yield Broken(name, "changed", f"changed since run {run['run']}; {reason}")

    # The copies of records, sheets, logs and tables, and the results kept for going back

    def history(self) -> Iterator[Broken]:
        named: dict[str, str] = {}
        for run in [*self.book.side_runs, *self.book.runs]:
            for kind in ("records", "study", "logs", "tables"):
                kept = run.get(kind, {})
                named |= {digest: f"{name} of run {run['run']}" for name, digest in kept.items()}
            if run.get("plan"):
                named.setdefault(run["plan"], f"the plan of run {run['run']}")
        for digest, name in named.items():
            file = f"{events.HISTORY}/{digest[:2]}/{digest}"
            if not (self.folder / file).is_file():
                yield Broken(file, "missing", f"the kept copy of {name} is no longer there")
        n_spare = 0
        for file in self._files_in(events.HISTORY):
            digest = Path(file).name
            if digest.endswith(".tmp"):
                continue
            if self.sha256(file) != digest:
                name = named.get(digest, "a file")
                yield Broken(file, "changed", f"the kept copy of {name} was changed")
            n_spare += digest not in named
        if n_spare and not self.book.leave_out:
            copies = "1 kept copy belongs" if n_spare == 1 else f"{n_spare} kept copies belong"
            self.note(f"{copies} to no run, as after one that was interrupted")

    def content_store(self) -> Iterator[Broken]:
        entries = [path for path in sorted((self.folder / FOLDER).glob("??/*")) if _is_entry(path)]
        for file in self._files_in(FOLDER):
            parts = Path(file).relative_to(FOLDER).parts
            temporary = any(part.startswith(".") for part in parts)
            kept = len(parts) > 2 and self.folder / FOLDER / parts[0] / parts[1] in entries
            if not temporary and not kept:
                yield Broken(file, "orphan", "belongs to no kept result")
        of_events = {
            event.get("key"): event.get("record")
            for run in [*self.book.side_runs, *self.book.runs]
            for event in self.book.events(run["run"])
        }
        for entry in entries:
            yield from self._entry_faults(entry, of_events)

    def _entry_faults(
        self, entry: Path, of_events: Mapping[str | None, str | None]
    ) -> Iterator[Broken]:
        relative_path = entry.relative_to(self.folder).as_posix()
        file = f"{relative_path}/record.json"
        record, digest = read_record(self.folder / file), self.sha256(file)
        is_recorded = digest in self.book.versions or digest in of_events.values()
        key = record["key"] if record else None
        sound = record is not None and key == f"sha256:{entry.name}" and key_in(record) == key
        if not sound or (not is_recorded and key in of_events):
            yield Broken(file, "changed", "the record of a kept result was changed")
        names = {output["sha256"] for output in record["outputs"]} if record and sound else None
        for path in files_below(entry):
            file = path.relative_to(self.folder).as_posix()
            if path == entry / "record.json":
                continue
            if path.parent != entry or (names is not None and path.name not in names):
                yield Broken(file, "orphan", "a file in the store that its record does not name")
            elif self.sha256(file) != path.name:
                yield Broken(file, "changed", "a kept result was changed")
        here = {o["sha256"] for o in record["outputs"] if stays_in_place(o)} if record else set()
        for name in sorted((names or set()) - here - {path.name for path in entry.iterdir()}):
            yield Broken(f"{relative_path}/{name}", "missing", "a kept result is no longer there")


def _entry_file(run: str) -> str:
    return f"{events.RUNS}/{run}.json"


def _is_sealed(path: Path, run: events.Run) -> bool:
    """Tell whether a run's file is, to the byte, what was sealed."""
    as_written = events.text_of_run(run).encode("utf-8")
    return events.seal_of(run) == run.get("seal") and path.read_bytes() == as_written


def _is_entry(folder: Path) -> bool:
    """Tell whether a folder of the content store has the place and name of a kept result."""
    return (
        folder.is_dir()
        and folder.name[:2] == folder.parent.name
        and bool(_KEY.fullmatch(folder.name))
    )


# Does the tracking store still say what was logged of each run?
# ----------------------------------------------------------------------
# What a run logs is computed again, by the same function that logs it, and compared.

CUT_SHORT = "RUNNING"
"""Status of a run that is being logged, or whose logging was cut short by a kill."""

_FACTS = """
SELECT run_uuid, 'status', '', status FROM runs
UNION ALL SELECT run_uuid, 'address', '', artifact_uri FROM runs
UNION ALL SELECT run_uuid, 'stage', '', lifecycle_stage FROM runs
UNION ALL SELECT run_uuid, 'start', 'in ms', start_time FROM runs
UNION ALL SELECT run_uuid, 'end', 'in ms', end_time FROM runs
UNION ALL SELECT run_uuid, 'tag', key, value FROM tags
UNION ALL SELECT run_uuid, 'setting', key, value FROM params
UNION ALL SELECT run_uuid, 'number',
    key || CASE WHEN step THEN ' at step ' || step ELSE '' END, value FROM metrics
UNION ALL SELECT run_uuid, 'shown number', key, value FROM latest_metrics
UNION ALL SELECT run_uuid, 'shown step', key, step FROM latest_metrics
UNION ALL SELECT destination_id, 'dataset', datasets.name,
    input_tags.value || ' ' || digest || ' ' || dataset_profile
    FROM inputs JOIN datasets ON source_id = dataset_uuid
    LEFT JOIN input_tags ON input_tags.input_uuid = inputs.input_uuid
        AND input_tags.name = ?
    WHERE destination_type = 'RUN'
"""
"""Store's id of a run, kind, name, value: what `LoggedRun.facts` holds, as MLflow keeps it."""

Stored = dict[Fact, list[Any]]
"""What the store says of one run; a list, for what must stand there once."""


def stored_runs(store: sqlite3.Connection) -> dict[str, Stored]:
    """Return the store's id -> all that it says, of the runs that were logged by leafledger."""
    stored: dict[str, Stored] = defaultdict(dict)
    for store_id, kind, name, value in store.execute(_FACTS, [CONTEXT_TAG]):
        stored[store_id].setdefault((kind, name), []).append(value)
    return {
        store_id: facts
        for store_id, facts in stored.items()
        if ("tag", RUN_TAG) in facts or ("tag", TASK_TAG) in facts
    }


def _text(facts: Stored, kind: str, name: str = "") -> str:
    return str(facts.get((kind, name), [""])[0])


def store_faults(book: BookView, sha256: Hash, note: Note) -> Iterator[Broken]:
    """Yield what the tracking store says otherwise than the book, in its database and its files."""
    database = book.folder / DATABASE
    if not database.is_file():
        return
    try:
        with closing(sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)) as store:
            if store.execute("PRAGMA quick_check").fetchone() != ("ok",):
                raise sqlite3.DatabaseError("damaged")
            location = store.execute(
                "SELECT artifact_location, lifecycle_stage FROM experiments WHERE name = ?",
                [EXPERIMENT],
            ).fetchone()
            stored = stored_runs(store)
    except sqlite3.Error as error:
        why = f"cannot be read ({error}); the next run makes it again from the book"
        yield Broken(DATABASE, "changed", f"the tracking store {why}")
        return
    faults = list(tracking_faults(book, location, stored, note))
    if faults:
        more = f", and {len(faults) - 1} more" if len(faults) > 1 else ""
        sentence = f"the tracking store was changed: {faults[0]}{more}; {_MEND}"
        yield Broken(DATABASE, "changed", sentence)
    yield from copy_faults(book, sha256, stored)


def tracking_faults(
    book: BookView, location: tuple[str, str] | None, stored: Mapping[str, Stored], note: Note
) -> Iterator[str]:
    """Yield in words what the store's database says otherwise than the book.

    Tags, numbers and settings that a person has added in MLflow are none of the book's, nor is the
    name under which a run is shown there.

    Parameters
    ----------
    book
        The book of runs.
    location
        Address of the files of the study's experiment, and its stage of life; ``None`` if there is
        no such experiment.
    stored
        What the store says of each run.
    note
        Called with what is worth knowing and breaks nothing.
    """
    active = {i: facts for i, facts in stored.items() if _text(facts, "stage") == "active"}
    yield from _address_faults(book.folder, location, active, note)
    logged = {_text(facts, "tag", RUN_TAG): i for i, facts in active.items()}
    deleted = {
        _text(facts, "tag", RUN_TAG)
        for i, facts in stored.items()
        if i not in active and _text(facts, "status") != CUT_SHORT
    }
    runs = [run for run in book.runs if run["ended"]]
    newest = max((n for n, run in enumerate(runs) if run["run"] in logged), default=-1)
    n_others = 0
    for n, run in enumerate(runs):
        name = run["run"]
        facts = active.get(logged.get(name, ""), {})
        if _text(facts, "status") == CUT_SHORT:
            note(f"run {name} was not entered whole in the tracking store; the next run enters it")
        elif not facts and name in deleted:
            yield f"run {name} is marked as deleted"
        elif not facts and n < newest:  # runs are logged in their order
            yield f"run {name} is not there"
        elif not facts:
            note(
                f"run {name} is not in the tracking store yet; the next run, or `leafledger ledger "
                "sync`, enters it"
            )
        elif _text(facts, "tag", CODE_TAG) != logging_code_digest():
            n_others += 1
        else:
            tasks = {
                _text(task, "tag", TASK_TAG): task
                for task in active.values()
                if _text(task, "tag", PARENT_TAG) == logged[name]
            }
            yield from _run_faults(book, run, facts, tasks)
    if n_others:
        what = "1 run was" if n_others == 1 else f"{n_others} runs were"
        note(
            f"{what} entered in the tracking store by another version of leafledger: numbers "
            "there were not compared with the book"
        )


def _run_faults(
    book: BookView, run: events.Run, facts: Stored, tasks: Mapping[str, Stored]
) -> Iterator[str]:
    what = f"run {run['run']}"
    # The tables may have been cleared away when the run was logged, and be there again.
    with_accuracy = any(name.startswith(ACCURACY) for kind, name in facts if kind == "number")
    with_interval = any(name.startswith(INTERVAL) for kind, name in facts if kind == "number")
    yield from _differences(what, facts, logged_run(book, run, with_accuracy, with_interval))
    sealed, digests = run.get("events", {}), events.event_digests(book.folder, run["run"])
    records = book.records_of(run)
    for event in book.events(run["run"]):
        task, file = event["task"], f"{event['task']}.json"
        as_sealed = file in sealed and digests.get(file) == sealed[file]
        if as_sealed and event["outcome"] != "restored":  # a damaged event is named for itself
            logged = logged_task(event, records.get(task))
            yield from _differences(f"{task} of {what}", tasks.get(task, {}), logged)


def _differences(what: str, facts: Stored, logged: LoggedRun) -> Iterator[str]:
    if not facts:
        yield f"{what} is not there"
        return
    for (kind, name), value in logged.facts().items():
        values = facts.get((kind, name), [])
        if values != [value]:
            stored_words = (
                " and ".join(quoted(str(value_there)) for value_there in values) or "not there"
            )
            yield (
                f"{kind} {name}".strip() + f" of {what} is {stored_words}, not {quoted(str(value))}"
            )


def _address_faults(
    folder: Path, location: tuple[str, str] | None, active: Mapping[str, Stored], note: Note
) -> Iterator[str]:
    """Yield runs whose files are looked for elsewhere than where the study's store keeps them."""
    if location is None or location[1] != "active":
        yield "the experiment of the study is deleted or not there"
        return
    if location[0] != (folder / ARTIFACTS).resolve().as_uri():
        note("the tracking store was made in another place; the next run makes it again")
    for store_id, facts in active.items():
        address = _text(facts, "address")
        if address != f"{location[0]}/{store_id}/artifacts":
            name = _text(facts, "tag", RUN_TAG) or _text(facts, "tag", TASK_TAG)
            yield f"the address of the files of {name} is {quoted(address)}"


def copy_faults(book: BookView, sha256: Hash, stored: Mapping[str, Stored]) -> Iterator[Broken]:
    """Yield copies in the tracking store that are gone, or are not what the book says.

    Each is held against the book, and what MLflow itself wrote (the classifier's folder) against
    the list that was made when the run was logged. Runs that an earlier version logged have no
    list. Files that a person has added there are none of the book's.
    """
    runs = {run["run"]: run for run in book.runs}
    for store_id, facts in stored.items():
        name = _text(facts, "tag", RUN_TAG)
        whole = _text(facts, "stage") == "active" and _text(facts, "status") != CUT_SHORT
        if not (name and whole):
            continue
        artifacts_folder = f"{ARTIFACTS}/{store_id}/artifacts"
        listed: Mapping[str, str] = {}
        if digest := _text(facts, "tag", FILES_TAG):
            file = f"{artifacts_folder}/{FILES_LIST}"
            digest_now, copies = sha256(file), events.readable(book.folder / file)
            if digest_now != digest or copies is None:
                what = "missing" if digest_now is None else "changed"
                sentence = f"the list of the copies of run {name} is not as it was entered"
                yield Broken(file, what, f"{sentence}; {_MEND}")
            else:
                listed = copies
        artifacts = artifacts_of(book, runs[name]) if name in runs else {}
        expected = {copy: artifact.sha256 for copy, artifact in artifacts.items()}
        for copy, digest in {**listed, **expected}.items():
            file = f"{artifacts_folder}/{copy}"
            digest_now = sha256(file)
            if digest_now is None and copy in listed:
                sentence = f"the copy of {copy} of run {name} is no longer there"
                yield Broken(file, "missing", f"{sentence}; {_MEND}")
            elif digest_now not in {None, digest}:
                sentence = f"the copy of {copy} of run {name} was changed"
                yield Broken(file, "changed", f"{sentence}; {_MEND}")
