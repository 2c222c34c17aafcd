"""Which run, record or file answers a question about the book of runs?

:class:`BookView` reads the book and never writes it: runs in the order of the chain, records by
digest, and a file with the content of any recorded result as long as one is kept.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, input_fault, nearest, quoted
from leafledger.records import events as run_events
from leafledger.records.digests import sha256_of_bytes, sha256_of_file
from leafledger.records.record import Record, is_record
from leafledger.records.store import ContentStore
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME, OF_CLASSES, OF_LEAF_MODEL, OF_PIGMENTS, OF_TRAITS
from leafledger.study.scan_sheet import COLUMNS, Decision, decisions_of
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.settings import settings_of
from leafledger.study.sheets import read_sheet
from leafledger.study.study import FROM_THE_BOOK
from leafledger.study.table_files import canonical_json

# What holds of the book
# ----------------------------------------------------------------------


@dataclass(frozen=True, order=True)
class Broken:
    """A file that is not what the book says it is.

    Attributes
    ----------
    file
        Path in the study folder.
    what
        ``changed``, ``missing``, ``orphan`` or ``chain``.
    sentence
        What is wrong, in words.
    """

    file: str
    what: str
    sentence: str

    def as_dict(self) -> dict[str, str]:
        """Return the fields."""
        return asdict(self)


@dataclass
class Verdict:
    """What holds and what does not.

    Attributes
    ----------
    head
        Digest of the newest run's file: it stands for the whole chain.
    broken
        What does not hold, each file once, in the order of the paths.
    notes
        What is worth knowing and breaks nothing.
    n_files, n_bytes
        How much was hashed.
    n_runs
        Runs in the chain.
    n_plans
        Plans that were recorded by themselves.
    n_side_runs
        Runs of branches that were joined.
    """

    head: str | None = None
    broken: list[Broken] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    n_files: int = 0
    n_bytes: int = 0
    n_runs: int = 0
    n_plans: int = 0
    n_side_runs: int = 0

    @property
    def holds(self) -> bool:
        """Whether nothing is broken."""
        return not self.broken

    def note(self, text: str) -> None:
        """Say something worth knowing, once."""
        if text not in self.notes:
            self.notes.append(text)


# The book of runs
# ----------------------------------------------------------------------

LATEST = "latest"


class BookView:
    """The book of one study, read and never written.

    Parameters
    ----------
    folder
        The study folder.
    leave_out
        Ids of runs whose entries are not to be believed.
    """

    def __init__(self, folder: Path, leave_out: Collection[str] = ()) -> None:
        self.folder = folder
        self.place = folder
        """Where runs and events lie: the study, or the place of a branch in it."""
        self.leave_out = frozenset(leave_out)
        self.kept = ContentStore(folder)
        self._records: dict[str, Record | None] = {}

    @cached_property
    def runs(self) -> list[run_events.Run]:
        """The runs in the order of the chain."""
        return [run for run in run_events.runs(self.place) if run["run"] not in self.leave_out]

    @cached_property
    def branches(self) -> list[BookView]:
        """Books of other copies of the study that were joined, each with its whole chain."""
        return [Branch(self.folder, branch) for branch in branch_places(self.folder)]

    @cached_property
    def side_runs(self) -> list[run_events.Run]:
        """The runs of branches that are not in this book's own chain, each once."""
        own_runs = {run["run"] for run in self.runs}
        side = {run["run"]: run for branch in self.branches for run in branch.runs}
        return [run for name, run in side.items() if name not in own_runs]

    @cached_property
    def _events(self) -> dict[str, list[run_events.Event]]:
        of_branches = {
            name: branch_events for b in self.branches for name, branch_events in b._events.items()
        }
        own_events = {run["run"]: run_events.events_of(self.place, run["run"]) for run in self.runs}
        return of_branches | own_events

    def events(self, run: str) -> list[run_events.Event]:
        """Return the events of a run's tasks."""
        return self._events[run]

    def run(self, name: str) -> run_events.Run:
        """Return the run of this id, of an id that begins so, or the ``latest``.

        Raises
        ------
        InputFault
            If there is none, or more than one.
        """
        if name == LATEST and self.runs:
            return self.runs[-1]
        runs = [*self.runs, *self.side_runs]
        matching = [run for run in runs if run["run"] == name]
        matching = matching or [run for run in runs if run["run"].startswith(name)]
        if len(matching) == 1:
            return matching[0]
        self._refuse_damaged(name)
        ids = [run["run"] for run in runs]
        raise input_fault(
            file=run_events.RUNS,
            found=f"{len(matching) or 'no'} runs that begin with {quoted(name)}",
            expected="the id of one run, or `latest`",
            mend=f"{nearest(name, ids)} `leafledger runs` lists them.".strip(),
        )

    def _refuse_damaged(self, name: str) -> None:
        """Refuse by name a run whose file is there and was passed over.

        Raises
        ------
        InputFault
            With what is wrong with the file.
        """
        readable_runs = {run["run"] for run in self.runs}
        for path in sorted((self.place / run_events.RUNS).glob("*.json")):
            if path.stem in readable_runs or not (name == LATEST or path.stem.startswith(name)):
                continue
            outside = run_events.names_outside(run_events.readable(path) or {})
            raise input_fault(
                file=f"{run_events.RUNS}/{path.name}",
                found=f"a name that leads out of the study: {quoted(outside[0])}"
                if outside
                else "a damaged entry of the book",
                expected="an entry as the run wrote it",
                mend="Choose another run: `leafledger runs` lists them. `leafledger verify` names "
                "what else was changed.",
            )

    def history(self, digest: str) -> bytes | None:
        """Return what was kept under a digest, ``None`` if it is missing or no longer that."""
        try:
            data = (self.folder / run_events.HISTORY / digest[:2] / digest).read_bytes()
        except OSError:
            return None
        return data if sha256_of_bytes(data) == digest else None

    def sha256_now(self, path: str) -> str | None:
        """Return the digest of a file of the study as it is now, ``None`` if there is none."""
        file = self.folder / path
        return sha256_of_file(file) if file.is_file() else None

    def record(self, digest: str) -> Record | None:
        """Return the record of this digest, ``None`` if it was not kept whole."""
        if digest not in self._records:
            data = self.history(digest)
            value = json.loads(data) if data is not None else None
            self._records[digest] = value if is_record(value) else None
        return self._records[digest]

    def records_of(self, run: Mapping[str, Any]) -> dict[str, Record]:
        """Return task -> record of all that stood when a run ended, as far as it was kept."""
        records = {task: self.record(digest) for task, digest in run["records"].items()}
        return {task: record for task, record in records.items() if record is not None}

    def decisions(self, digest: str) -> list[Decision] | None:
        """Return the decisions of a kept ``decisions.csv``, ``None`` if it was not kept whole."""
        if self.history(digest) is None:
            return None
        path = self.folder / run_events.HISTORY / digest[:2] / digest
        sheet = read_sheet(path, DECISIONS, required=COLUMNS, comment="#")
        return decisions_of(sheet, ())[0]

    @cached_property
    def standing(self) -> dict[str, tuple[str, str]]:
        """Task -> the newest run that vouches for its record, and the record's digest."""
        return {
            task: (run["run"], digest)
            for run in self.runs
            for task, digest in run["records"].items()
        }

    @cached_property
    def sheets(self) -> dict[str, tuple[str, str]]:
        """Sheet of the study -> the newest run that read it, and the digest of what it read."""
        return {
            name: (run["run"], digest) for run in self.runs for name, digest in run["study"].items()
        }

    @cached_property
    def versions(self) -> dict[str, str]:
        """Digest of every record that ever stood -> the last run in which it did."""
        runs = [*self.side_runs, *self.runs]
        return {digest: run["run"] for run in runs for digest in run["records"].values()}

    @cached_property
    def _first(self) -> dict[str, str]:
        first: dict[str, str] = {}
        for run in [*self.runs, *self.side_runs]:
            for digest in run["records"].values():
                first.setdefault(digest, run["run"])
        return first

    def first_run_of(self, digest: str) -> str | None:
        """Return the first run in which a record stood."""
        return self._first.get(digest)

    @cached_property
    def made(self) -> dict[str, run_events.Event]:
        """Key of a task -> the event of its computing, the first one."""
        events: dict[str, run_events.Event] = {}
        for run in [*self.runs, *self.side_runs]:
            for event in self.events(run["run"]):
                if event["outcome"] == "done" and event.get("key"):
                    events.setdefault(event["key"], event)
        return events

    @cached_property
    def makers(self) -> dict[tuple[str, str], list[str]]:
        """Path and digest of an output -> digests of the records that made it, oldest first."""
        records: dict[tuple[str, str], list[str]] = {}
        for digest in self._first:
            record = self.record(digest)
            for output in record["outputs"] if record else []:
                records.setdefault((output["path"], output["sha256"]), []).append(digest)
        return records

    def content(self, record: Record, output: Mapping[str, Any]) -> Path | None:
        """Return a file with an output's content: in place if it still stands, else kept."""
        digest = str(output["sha256"])
        path = self.folder / str(output["path"])
        if path.is_file() and sha256_of_file(path) == digest:
            return path
        return self.kept.content(str(record["key"]), digest) or self.kept_file(digest)

    def kept_file(self, digest: str) -> Path | None:
        """Return the copy that the history keeps under a digest, ``None`` if it is not whole.

        Records, logs, sheets as a run read them, and tables that no step makes are kept there.
        """
        file = self.folder / run_events.HISTORY / digest[:2] / digest
        return file if file.is_file() and sha256_of_file(file) == digest else None

    def content_at(self, record: Record | None, path: str) -> Path | None:
        """Return a file with the content of the output at ``path``, ``None`` if it is gone."""
        outputs = record["outputs"] if record else []
        output = next((o for o in outputs if o["path"] == path), None)
        return self.content(record, output) if record and output else None


BRANCHES = "ledger/branches"
"""A folder for each branch, named by the run at its end; in it lies a book, chained from the first
run of all. Contents by digest are kept in the study's own history and store."""


JOINED_FILE = "ledger/joined.json"
"""Names every branch that was joined, with the digest of its end: the next run covers it only when
it begins."""


def joined_branches(folder: Path) -> dict[str, str] | None:
    """Return the run at the end of every branch that was joined -> the digest of its file.

    ``None`` if the list was damaged; runs tell of branches too.
    """
    place = folder / JOINED_FILE
    if not place.exists():
        return {}
    listed = run_events.readable(place)
    fits = listed is not None and all(isinstance(digest, str) for digest in listed.values())
    return listed if fits else None


class Branch(BookView):
    """The book of another copy of a study that was joined.

    Parameters
    ----------
    folder
        The study folder, whose history and store keep what the branch names.
    place
        The folder of the branch.
    """

    def __init__(self, folder: Path, branch_folder: Path) -> None:
        super().__init__(folder)
        self.place = branch_folder

    @cached_property
    def branches(self) -> list[BookView]:
        """None: what the other copy had joined are branches of this study."""
        return []


def branch_places(folder: Path) -> list[Path]:
    """Return the folders of the branches of a study, the oldest first.

    One whose end lies within another is left out: the other copy went on and was joined again.
    """
    branches = [p for p in sorted((folder / BRANCHES).glob("*")) if (p / run_events.RUNS).is_dir()]
    branches = [branch for branch in branches if not branch.name.startswith(".")]
    return [
        branch
        for branch in branches
        if not any(
            (other / run_events.RUNS / f"{branch.name}.json").is_file()
            for other in branches
            if other != branch
        )
    ]


def changed_settings(
    folder: Path, records: Iterable[Record], variant: str | None = None
) -> str | None:
    """Return which of some records a task would be given other settings for now, in words.

    Parameters
    ----------
    folder, variant
        The study folder and the variant that the records are of.
    records
        The records; of those that the book itself makes nothing is said.

    Returns
    -------
    str or None
        The first such record, or why the study cannot be read; ``None`` if all settings are as
        they were.
    """
    try:
        study = read_study(folder, variant)
    except InputFault as fault:
        return f"the study can no longer be read: {fault.problems[0].sentence()}"
    for record in records:
        rule, session = record["rule"], record["session"]
        if rule in {task.name for task in FROM_THE_BOOK}:
            continue  # it says itself to which settings it belongs
        if session is not None and session not in study.session_ids:
            return f"session {session} is gone"
        if rule in OF_CLASSES and not study.has_classes:
            return "no classifier is asked for any more"
        if rule in OF_PIGMENTS and not study.has_assays:
            return "the sheets of assays and chromatograms are gone"
        if rule in OF_LEAF_MODEL and not study.has_leaf_model:
            return "the leaf model is not asked for any more"
        if rule in OF_TRAITS and not study.has_traits:
            return "no trait is asked for any more"
        now = settings_of(study, rule, session)
        if canonical_json(now) != canonical_json(record["settings"]):
            return f"{task_name(record)} was run with other settings"
    return None


def task_name(record: Mapping[str, Any]) -> str:
    """Return the name of a record's task: ``effects``, ``reflectance.day4``."""
    session = record["session"]
    return str(record["rule"]) if session is None else f"{record['rule']}.{session}"


def in_data_order(names: Iterator[str] | list[str]) -> list[str]:
    """Return names of tasks in the order of the data."""
    ranks = {rule: rank for rank, rule in enumerate(BY_NAME)}

    def key(name: str) -> tuple[int, str]:
        return ranks.get(name.split(" ")[0].split(".")[0], len(ranks)), name

    return sorted(names, key=key)
