"""Which studies does a lab have, and how are two copies of one study brought together?

A study that was copied and continued by two people has two books with a common beginning. Where
they part, and what each did after, is read from the chains of digests. The runs of the other copy
can be joined as a branch: its book, whole and unchanged, lies beside the own one, which goes on as
it was. Nothing is rewritten, so each chain still verifies by itself.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, input_fault, quoted
from leafledger.ledger.book import entry_file, recorded_plans, text_file
from leafledger.ledger.compare import history_lines, run_history
from leafledger.ledger.run_summary import PRIMARY_TAG, VERDICT_TAG, answer_of
from leafledger.ledger.verify import chain_faults
from leafledger.ledger.view import (
    BRANCHES,
    JOINED_FILE,
    BookView,
    branch_places,
    joined_branches,
)
from leafledger.records import events
from leafledger.records.digests import sha256_of_file
from leafledger.records.store import ContentStore
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import read_definition
from leafledger.study.table_files import (
    not_through_a_link,
    remove_folder,
    write_bytes,
    write_json,
)
from leafledger.words import counted

# Where two books part
# ----------------------------------------------------------------------

BRANCH_FILE = "branch.json"
_DIGEST = re.compile("[0-9a-f]{64}")


@dataclass(frozen=True)
class Line:
    """One chain of runs.

    Attributes
    ----------
    book
        The book that holds it.
    digests
        Run -> digest of its file, in the order of the chain.
    """

    book: BookView
    digests: dict[str, str]

    @property
    def end(self) -> str:
        """The newest run."""
        return next(reversed(self.digests))

    def holds(self, other: Line) -> bool:
        """Tell whether every run of another chain is in this one, to the byte."""
        return other.digests.items() <= self.digests.items()


def line_of(book: BookView) -> Line:
    """Return the chain of runs of a book."""
    names = [run["run"] for run in book.runs]
    runs_folder = book.place / events.RUNS
    return Line(book, {name: sha256_of_file(runs_folder / f"{name}.json") for name in names})


@dataclass
class BooksCompared:
    """Two books of runs side by side.

    Attributes
    ----------
    n_common
        Runs that both hold, to the byte, from the first one on.
    after
        The last of these.
    here, there
        What each book did after: runs as `runs` lists them.
    joined
        Whether the runs of the other book were joined to the first.
    """

    n_common: int
    after: str
    here: list[dict[str, Any]]
    there: list[dict[str, Any]]
    joined: bool

    def as_dict(self) -> dict[str, Any]:
        """Return the fields as plain JSON values."""
        return asdict(self) | {"part": bool(self.here and self.there)}


def compare_books(folder: Path, other: Path) -> BooksCompared:
    """Say where the books of two copies of a study part, and what each did after.

    Parameters
    ----------
    folder, other
        The two study folders.

    Raises
    ------
    InputFault
        If one of them has no book or a damaged one, or they have no common beginning.
    """
    own_book, theirs = BookView(folder), BookView(other)
    _refuse_unfit(folder, ".")
    _refuse_unfit(other, str(other))
    lines = line_of(own_book), line_of(theirs)
    n_common = _n_common(*lines, str(other))
    return BooksCompared(
        n_common=n_common,
        after=list(lines[0].digests)[n_common - 1],
        here=run_history(folder)[n_common:],
        there=run_history(other)[n_common:],
        joined=any(line_of(branch).holds(lines[1]) for branch in own_book.branches),
    )


def _n_common(own_line: Line, other_line: Line, where: str) -> int:
    """Return how many runs two chains have in common, from the first one on.

    Raises
    ------
    InputFault
        If there is none, or a run that both name is not the same in both.
    """
    pairs = zip(own_line.digests.items(), other_line.digests.items(), strict=False)
    n_common = next((n for n, (run, other_run) in enumerate(pairs) if run != other_run), None)
    n_common = min(len(own_line.digests), len(other_line.digests)) if n_common is None else n_common
    changed = [
        name
        for name, digest in other_line.digests.items()
        if own_line.digests.get(name, digest) != digest
    ]
    if changed:
        raise input_fault(
            file=f"{where}/{events.RUNS}/{changed[0]}.json",
            found=f"another text of run {changed[0]} than in this study",
            expected="two copies of one book, in which a run that both hold is the same",
            mend="One of them was changed after the copy: `leafledger verify` says which, with "
            "`--head` and a digest that was noted down.",
        )
    if not n_common:
        raise input_fault(
            file=where,
            found="a book that has no run in common with this study",
            expected="a copy of this study, made after its first run",
            mend="Two studies are compared with `leafledger report STUDY STUDY`.",
        )
    return n_common


def _refuse_unfit(folder: Path, where: str) -> None:
    """Refuse a book that is not there, is damaged, or holds a run that is not closed.

    Raises
    ------
    InputFault
        With every damaged file.
    """
    if not any((folder / events.RUNS).glob("*.json")):
        raise input_fault(
            file=where,
            found="no book of runs",
            expected="a study that has been run",
            mend="Name the folder of a study, the one that holds study.yaml and ledger/.",
        )
    if broken := chain_faults(folder):
        raise InputFault(
            Problem(
                file=fault.file if where == "." else f"{where}/{fault.file}",
                found=fault.sentence,
                expected="a book of runs as it was written",
                mend="Take a copy that is whole; `leafledger verify` says what holds.",
            )
            for fault in broken
        )
    opened = [run["run"] for run in BookView(folder).runs if run["outcome"] == "running"]
    if opened:
        raise input_fault(
            file=f"{where}/{events.RUNS}/{opened[0]}.json",
            found="a run that is at work, or was cut short and is not closed",
            expected="a book whose runs have ended",
            mend="Wait until it has ended; `leafledger ledger sync` closes one that was cut short.",
        )


def compared_lines(compared: BooksCompared, other: str) -> Iterator[str]:
    """Yield the comparison of two books line by line."""
    common = counted(compared.n_common, "run")
    yield f"{common} in common; the last is {compared.after}."
    if not compared.here and not compared.there:
        yield "Both books are the same."
        return
    for title, runs in (("This study", compared.here), (other, compared.there)):
        yield f"{title}: {counted(len(runs), 'run')} after that{':' if runs else '.'}"
        yield from (f"  {line}" for entry in runs for line in history_lines(entry))
    if compared.there and compared.joined:
        yield "The runs of the other book were joined to this study."
    elif compared.there:
        yield "`leafledger ledger join` takes the runs of the other book in, as a branch."


# Joining the runs of another copy
# ----------------------------------------------------------------------


@dataclass
class Joined:
    """What was joined.

    Attributes
    ----------
    runs
        The runs that are new in this study.
    after
        The last run before the books part, for each branch that is new.
    lost
        Contents that the other book names and no longer keeps whole.
    """

    runs: list[str] = field(default_factory=list)
    after: list[str] = field(default_factory=list)
    lost: int = 0


def join(folder: Path, other: Path) -> Joined:
    """Take the later runs of another copy into the book of a study, as a branch.

    Call it only while holding the study; the other copy is only read. What is copied by digest
    comes first and the branch last, whole by one renaming: cut short at any moment, the book is as
    before and the same call goes on.

    Parameters
    ----------
    folder
        The study folder.
    other
        Folder of the other copy. What it had joined itself is taken as well.

    Raises
    ------
    InputFault
        If the books have no common beginning, or one of them is damaged or not closed.
    """
    if folder == other:
        raise input_fault(
            file=str(other),
            found="the folder of this study itself",
            expected="the folder of another copy",
            mend="Name the folder of the copy that was continued elsewhere.",
        )
    _refuse_unfit(folder, ".")
    _refuse_unfit(other, str(other))
    own_book = BookView(folder)
    mine = line_of(own_book)
    theirs = [line_of(book) for book in (BookView(other), *BookView(other).branches)]
    # Every chain is looked at before anything is copied.
    parts = [_n_common(mine, line, str(other)) for line in theirs]
    lines_held = [mine, *(line_of(branch) for branch in own_book.branches)]
    joined = Joined()
    names = {name for line in lines_held for name in line.digests}
    for line, n_common in zip(theirs, parts, strict=True):
        if any(held.holds(line) for held in lines_held):
            continue
        _take_contents(folder, other, line, joined)
        _put_branch(folder, line, list(mine.digests)[n_common - 1])
        lines_held.append(line)
        joined.runs += [name for name in line.digests if name not in names]
        joined.after.append(list(mine.digests)[n_common - 1])
        names |= set(line.digests)
    standing = branch_places(folder)
    for branch_folder in sorted((folder / BRANCHES).glob("*")):
        if branch_folder not in standing:  # the other copy went on: a longer branch holds all of it
            remove_folder(branch_folder)
    _list_branches(folder)
    return joined


def _list_branches(folder: Path) -> None:
    """List every branch, so that one taken out before the next run is missed."""
    listed = joined_branches(folder) or {}
    standing = {
        place.name: sha256_of_file(place / events.RUNS / f"{place.name}.json")
        for place in branch_places(folder)
    }
    if listed | standing != joined_branches(folder):
        write_json(folder / JOINED_FILE, listed | standing)


def _take_contents(folder: Path, other: Path, line: Line, joined: Joined) -> None:
    """Copy the records, sheets, logs, tables and results that the runs of a chain name."""
    store, kept = ContentStore(folder), ContentStore(other)
    for run in line.book.runs:
        named = [digest for kind in ("records", "study", "logs", "tables")
                 for digest in run.get(kind, {}).values()]  # fmt: skip
        named += [run["plan"]] if run.get("plan") else []
        for digest in named:
            path = folder / events.HISTORY / digest[:2] / digest
            if not _DIGEST.fullmatch(digest) or path.is_file():
                continue
            data = line.book.history(digest)
            if data is None:
                joined.lost += 1
            else:
                write_bytes(path, data)
        for record in line.book.records_of(run).values():
            store.copy_from(kept, record)


def _put_branch(folder: Path, line: Line, after: str) -> None:
    """Put the whole book of a chain into the study, under the name of its newest run."""
    branch_folder = folder / BRANCHES / line.end
    building = not_through_a_link(branch_folder.with_name(f".{line.end}.{os.getpid()}.tmp"))
    source = line.book.place
    files = [f"{events.RUNS}/{name}.json" for name in line.digests]
    for name in line.digests:
        files += [f"{events.EVENTS}/{name}/{file}" for file in events.event_digests(source, name)]
    for entry in recorded_plans(source):
        files += [entry_file(entry["plan"]), text_file(entry["plan"])]
    building.mkdir(parents=True)
    try:
        for file in files:
            write_bytes(building / file, (source / file).read_bytes())
        for name, digest in line.digests.items():
            if sha256_of_file(building / events.RUNS / f"{name}.json") != digest:
                raise input_fault(
                    file=f"{source}/{events.RUNS}/{name}.json",
                    found="a run that changed while it was copied",
                    expected="a copy at which nothing is at work",
                    mend="Wait until nothing writes to it, then join again.",
                )
        branch_entry = {"end": line.end, "sha256": line.digests[line.end], "after": after}
        write_json(building / BRANCH_FILE, branch_entry)
        building.rename(branch_folder)
    finally:
        remove_folder(building)


def branch_lines(folder: Path) -> Iterator[str]:
    """Yield the branches of a study line by line, as `runs` lists them after its own runs."""
    for title, entries in branch_histories(folder):
        yield title
        yield from (f"  {line}" for entry in entries for line in history_lines(entry))


def branch_histories(folder: Path) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Yield of each branch in what words it parts, and its later runs."""
    own_runs = {run["run"] for run in BookView(folder).runs}
    for branch in BookView(folder).branches:
        entries = run_history(folder, branch)
        side = [
            entry | {"branch": branch.place.name}
            for entry in entries
            if entry["run"] not in own_runs
        ]
        common = [entry["run"] for entry in entries if entry["run"] in own_runs]
        if side:
            where = f"after {common[-1]}" if common else "before the first run"
            yield f"Another copy went on {where} (a branch that was joined):", side


# The studies below a folder
# ----------------------------------------------------------------------

UP_TO_DATE, UNFINISHED, NOT_RUN = "up to date", "unfinished", "not run"
AT_WORK, AT_FAULT, DAMAGED = "at work", "at fault", "damaged"
_NOT_ENTERED = frozenset(
    {"raw", "results", "records", "ledger", "logs", "node_modules", "__pycache__"}
)


@dataclass
class StudyEntry:
    """One study of a lab, with its last findings.

    Attributes
    ----------
    folder
        Where it lies, below the folder that was asked for.
    title
        Its title; empty if it cannot be read.
    state
        ``up to date``, ``unfinished``, ``not run``, ``at work`` or ``damaged``.
    reason
        Why it is unfinished or damaged.
    n_runs, n_branches
        Runs of its book, and branches that were joined.
    run, ended, person
        The newest run, when it ended (or began) and who ran it, if that was said.
    found, verdict
        The primary contrast and its verdict, by the newest whole run of the study as stated.
    """

    folder: str
    title: str = ""
    state: str = NOT_RUN
    reason: str = ""
    n_runs: int = 0
    n_branches: int = 0
    run: str | None = None
    ended: str | None = None
    person: str | None = None
    found: str = ""
    verdict: str = ""


@dataclass
class LabList:
    """All studies below a folder.

    Attributes
    ----------
    studies
        In the order of their paths.
    unreadable
        Folders that could not be looked into.
    """

    studies: list[StudyEntry]
    unreadable: list[str]

    def as_dict(self) -> dict[str, Any]:
        """Return the fields as plain JSON values."""
        return asdict(self)


def study_folders(folder: Path) -> tuple[list[Path], list[Path]]:
    """Return the studies below a folder, and the folders that cannot be looked into.

    Links are not followed. Hidden folders, and those of raw files, results and books, are passed
    over: they can hold very many files and no study.
    """
    studies: list[Path] = []
    closed: list[Path] = []
    waiting = [folder]
    while waiting:
        current = waiting.pop()
        try:
            with os.scandir(current) as entries:
                inside = list(entries)
            folders = [e.name for e in inside if e.is_dir(follow_symlinks=False)]
            names = {e.name for e in inside}
        except OSError:
            closed.append(current)
            continue
        if STUDY_FILE in names or ("ledger" in folders and (current / events.RUNS).is_dir()):
            studies.append(current)
        waiting += [
            current / name
            for name in folders
            if name not in _NOT_ENTERED | {STUDY_FILE} and not name.startswith(".")
        ]
    return sorted(studies), sorted(closed)


def list_studies(folder: Path, state_of: Callable[[Path], tuple[str, str]]) -> LabList:
    """List the studies below a folder with their last findings; nothing is written.

    Parameters
    ----------
    folder
        The folder.
    state_of
        Returns the state of a study whose book is whole, and the reason.
    """
    studies, closed = study_folders(folder)
    entries = [_entry_of(path, folder, state_of) for path in studies]
    return LabList(entries, [_shown(path, folder) for path in closed])


def _shown(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()


def _entry_of(
    study_folder: Path, folder: Path, state_of: Callable[[Path], tuple[str, str]]
) -> StudyEntry:
    entry = StudyEntry(_shown(study_folder, folder))
    if os.path.lexists(study_folder / STUDY_FILE) and not (study_folder / STUDY_FILE).is_file():
        entry.state, entry.reason = DAMAGED, f"{STUDY_FILE} is no file that can be read"
        return entry
    try:
        entry.title = read_definition(study_folder)[0].title
    except InputFault as fault:
        entry.state, entry.reason = AT_FAULT, fault.problems[0].sentence()
    except OSError as error:
        entry.state, entry.reason = DAMAGED, f"cannot be read: {error.strerror}"
    try:
        _fill_from_book(entry, study_folder)
        if entry.state == NOT_RUN:
            entry.state, entry.reason = state_of(study_folder)
    except InputFault as fault:
        entry.state, entry.reason = AT_FAULT, fault.problems[0].sentence()
    except OSError as error:
        entry.state, entry.reason = DAMAGED, f"cannot be read: {error.strerror}"
    return entry


def _fill_from_book(entry: StudyEntry, study_folder: Path) -> None:
    book = BookView(study_folder)
    if broken := chain_faults(study_folder, whole=False):
        entry.state, entry.reason = DAMAGED, f"{broken[0].file} {broken[0].sentence}"
    entry.n_runs, entry.n_branches = len(book.runs), len(book.branches)
    if not book.runs:
        return
    newest = book.runs[-1]
    entry.title = entry.title or newest["title"]
    entry.run, entry.ended = newest["run"], newest["ended"] or newest["started"]
    entry.person = newest.get("about", {}).get("person")
    whole = [r for r in book.runs if r["outcome"] == "done" and not r.get("variant")]
    for run in whole[-1:]:
        tags = answer_of(book, book.records_of(run)).tags
        entry.found, entry.verdict = tags.get(PRIMARY_TAG, ""), tags.get(VERDICT_TAG, "")


def lab_lines(listed: LabList) -> Iterator[str]:
    """Yield the studies of a lab line by line."""
    for entry in listed.studies:
        reason = f": {entry.reason}" if entry.reason else ""
        name = entry.folder if entry.folder.isprintable() else quoted(entry.folder)
        yield f"{name}  {quoted(entry.title) if entry.title else '(no title)'}"
        yield f"    {entry.state}{reason}"
        if entry.run:
            person = f" by {entry.person}" if entry.person else ""
            side = f", {counted(entry.n_branches, 'branch')}" if entry.n_branches else ""
            day = (entry.ended or "")[:16].replace("T", " ")
            yield f"    last run {day}{person} ({counted(entry.n_runs, 'run')}{side})"
        if entry.found:
            yield f"    {entry.found}: {entry.verdict}"
    if not listed.studies:
        yield "No study below this folder."
    for subfolder in listed.unreadable:
        yield f"not looked into: {subfolder}"
