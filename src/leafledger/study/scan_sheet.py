"""What do the sheets say of scans, units and decisions, cell by cell?"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import TypeVar

from leafledger.errors import (
    MOST_PROBLEMS,
    InputFault,
    Problem,
    bounded,
    first_words,
    nearest,
    quoted,
)
from leafledger.study.definition import ID_WORDS, NOTE_WORDS, Design, Session
from leafledger.study.sheets import (
    NO_SUCH_FILE,
    PICTURE_WORDS,
    PathCheck,
    Row,
    Sheet,
    is_id,
    is_label,
    is_note,
    read_sheet,
)

# Decisions that a person took about scans, with the reason and the name.
# ----------------------------------------------------------------------

DECISIONS_FILE = "decisions.csv"
COLUMNS = ("scan", "action", "reason", "by", "when")
ACTIONS = ("exclude", "keep")
SCAN_DIGEST = "scan_sha256"
"""Column that the review writes: the raw values that were judged. Rows by hand may leave it out."""
_DIGEST = re.compile(r"[0-9a-f]{64}")
_MOST_NAMED = 6
_FIRST_DAY, _LAST_DAY = 36_526.0, 73_050.0
"""Days from 1899-12-30 to 2000-01-01 and to 2099-12-31, as spreadsheets count them."""


def is_digest(text: str) -> bool:
    """Tell whether a text can be the digest of a scan."""
    return _DIGEST.fullmatch(text) is not None


@dataclass(frozen=True)
class Decision:
    """One row of ``decisions.csv``; where a scan has several, the last one holds.

    Attributes
    ----------
    scan, action, reason, by, when
        As in the file.
    scan_sha256
        Digest of the raw values that were judged; empty where it was not noted.
    """

    scan: str
    action: str
    reason: str
    by: str
    when: str
    scan_sha256: str = ""


def read_decisions(path: Path, shown: str, samples: Collection[str]) -> list[Decision]:
    """Read a decisions file; lines that begin with ``#`` and unknown columns are passed over.

    Parameters
    ----------
    path, shown
        The file and its path in messages.
    samples
        Ids of the leaf scans of the study.

    Returns
    -------
    list of Decision
        In file order.

    Raises
    ------
    InputFault
        With every row at fault: unknown scan, unknown action, no reason, no name.
    """
    decisions, problems = decisions_of(
        read_sheet(path, shown, required=COLUMNS, known=(SCAN_DIGEST,), comment="#"), samples
    )
    if problems:
        raise InputFault(bounded(problems))
    return decisions


def standing(decisions: Iterable[Decision]) -> dict[str, Decision]:
    """Return scan -> the decision that holds: of several for one scan, the last."""
    return {decision.scan: decision for decision in decisions}


def digest_changed(decisions: Iterable[Decision], digests: Mapping[str, str]) -> list[Decision]:
    """Return the decisions whose scan has changed since it was judged.

    Parameters
    ----------
    decisions
        Decisions that hold.
    digests
        Scan -> digest of its raw values now; about a scan that is not there nothing is told.
    """
    return [
        decision
        for decision in decisions
        if decision.scan_sha256
        and digests.get(decision.scan, decision.scan_sha256) != decision.scan_sha256
    ]


def change_warnings(changed: Sequence[Decision]) -> list[str]:
    """Return a warning about scans that changed after their decision; none if none did.

    Examples
    --------
    >>> change_warnings([Decision("p1-2", "exclude", "clip open", "A. Grower", "2026-05-08")])[0]
    'p1-2 has changed since A. Grower decided to exclude it (2026-05-08); the decision still \
holds, so look again: leafledger review'
    """
    if not changed:
        return []
    if len(changed) == 1:
        (one,) = changed
        when = f" ({one.when})" if one.when else ""
        return [
            f"{one.scan} has changed since {one.by} decided to {one.action} it{when}; the decision "
            "still holds, so look again: leafledger review"
        ]
    named = ", ".join(f"{d.scan} ({d.action}, {d.by})" for d in changed[:_MOST_NAMED])
    more = f" and {len(changed) - _MOST_NAMED} more" if len(changed) > _MOST_NAMED else ""
    return [
        f"{len(changed)} scans have changed since a person decided about them: {named}{more}; the "
        "decisions still hold, so look again: leafledger review"
    ]


def decisions_of(sheet: Sheet, scans: Collection[str]) -> tuple[list[Decision], list[Problem]]:
    """Return the decisions of a sheet in file order, and every problem of its rows."""
    problems: list[Problem] = []
    decisions: list[Decision] = []
    valid = sorted(scans)
    for row in sheet.rows:
        decision = Decision(*(row.get(name) for name in (*COLUMNS, SCAN_DIGEST)))
        decisions.append(decision)
        if decision.scan not in scans:
            problems.append(
                _problem(
                    row,
                    "scan",
                    quoted(decision.scan),
                    "a leaf scan of the scan sheet",
                    nearest(decision.scan, valid) if len(problems) < MOST_PROBLEMS else "",
                )
            )
        if decision.action not in ACTIONS:
            problems.append(
                _problem(
                    row,
                    "action",
                    quoted(decision.action),
                    "exclude or keep",
                    nearest(decision.action, ACTIONS),
                )
            )
        if decision.scan_sha256 and not is_digest(decision.scan_sha256):
            problems.append(
                _problem(
                    row,
                    SCAN_DIGEST,
                    quoted(decision.scan_sha256),
                    "64 hexadecimal digits, as the review writes them, or an empty cell",
                    "Leave the cell empty in a row made by hand.",
                )
            )
        for column in ("reason", "by"):
            if not row.get(column):
                problems.append(
                    _problem(
                        row,
                        column,
                        "an empty cell",
                        "a reason and a name for every decision",
                        "A decision without them cannot be defended later; fill it in.",
                    )
                )
    return decisions, problems


def _problem(row: Row, column: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(
        file=DECISIONS_FILE, row=row.line, column=column, found=found, expected=expected, mend=mend
    )


# The scan sheet: one row per raw scan, checked cell by cell.
# ----------------------------------------------------------------------

N = TypeVar("N", int, float)
_EMPTY = "an empty cell"

ROLES = ("sample", "white", "dark", "lamp", "ambient", "check")
REQUIRED = ("scan", "file")
OPTIONAL = (
    "item",
    "role",
    "session",
    "unit",
    "leaf",
    "replicate",
    "time",
    "integration_ms",
    "averages",
    "instrument",
    "note",
    "photo",
    "omitted",
)
HAVE_A_MEANING = frozenset({*REQUIRED, *OPTIONAL} - {"instrument"})
"""Columns that are no labels; the instrument may be a block or a factor of the design too."""


NO_REASON = frozenset({"yes", "no", "true", "false", "y", "n", "x", "0", "1"})
"""What is no reason for leaving out a scan or a session."""
_LONGEST_NOTE = 500


def note_text(text: str) -> str:
    """Return a note of the sheet on one line, without control characters and cut to 500.

    Examples
    --------
    >>> note_text("old leaf,\\n  yellow edge")
    'old leaf, yellow edge'
    """
    line = "".join(c for c in " ".join(text.split()) if c.isprintable())
    return line if len(line) <= _LONGEST_NOTE else f"{line[: _LONGEST_NOTE - 3]}..."


@dataclass(frozen=True)
class Scan:
    """One raw scan of the study.

    ``unit``, ``leaf`` and ``replicate`` are ``""`` where they do not apply; ``others`` holds the
    columns of the sheet that have no meaning of their own (a treatment column, say). ``note`` and
    ``photo`` (path of a picture) are for people; ``omitted`` is the reason why the scan takes no
    part in anything, empty if it takes part.
    """

    scan: str
    file: str
    item: str
    role: str
    session: str
    unit: str
    leaf: str
    replicate: str
    time: str | None
    integration_ms: float | None
    averages: int | None
    instrument: str
    row: int
    source: str
    others: Mapping[str, str] = field(default_factory=dict)
    note: str = ""
    photo: str = ""
    omitted: str = ""


class ScanReader:
    """Turns rows into scans and collects every problem on the way.

    Parameters
    ----------
    shown
        Name of the sheet in messages.
    sessions
        Ids of the sessions, in study order; a study of one session need not name it.
    units_known
        Ids of units.csv, or ``None`` if the study has no such file.
    unit_needed
        Whether every leaf scan must name its unit.
    paths
        Check of file paths.
    units_file
        Name of the sheet of units in messages.
    """

    def __init__(
        self,
        shown: str,
        sessions: Sequence[str],
        units_known: Sequence[str] | None,
        unit_needed: bool,
        paths: PathCheck,
        units_file: str = "units.csv",
    ) -> None:
        self.shown = shown
        self.sessions = list(sessions)
        self.units_known = None if units_known is None else dict.fromkeys(units_known)
        self._session_set = set(self.sessions)
        self.unit_needed = unit_needed
        self.paths = paths
        self.units_file = units_file
        self.problems: list[Problem] = []
        self.scans: list[Scan] = []
        self.missing: dict[str, Problem] = {}
        self._seen: dict[str, str] = {}
        self._sources: dict[tuple[str, str], str] = {}
        self._refused: dict[str, str | None] = {}

    def read(self, sheet: Sheet) -> list[Scan]:
        """Read all rows; problems are left in ``self.problems``."""
        others = [name for name in sheet.columns if name and name not in HAVE_A_MEANING]
        for row in sheet.rows:
            self.add(row, {name: row.get(name) for name in others})
        if "role" not in sheet.columns:
            self._without_roles(sheet)
        self.problems = sheet.with_own(self.problems)
        return self.scans

    def _without_roles(self, sheet: Sheet) -> None:
        """Say once that the roles are missing, not of each white and dark that it has no unit."""
        empty = [p for p in self.problems if p.column == "unit" and p.found == _EMPTY]
        if not empty or len(empty) == len(sheet.rows):
            return
        rows = first_words([str(p.row) for p in empty], 5)
        only = len(empty) == 1
        missing = Problem(
            file=self.shown,
            column="role",
            found=f'no column "role", and {"a row" if only else f"{len(empty)} rows"} without a '
            f"unit (row{'s' * (not only)} {rows})",
            expected="a column role that says what each scan is: " + ", ".join(ROLES),
            mend="Add the column: white, dark and the like for scans of no unit; empty or sample "
            "for leaves.",
        )
        self.problems = [missing, *(p for p in self.problems if p not in set(empty))]

    def add(self, row: Row, others: Mapping[str, str]) -> None:
        """Check one row and keep it as a scan."""
        role = row.get("role") or "sample"
        if role not in ROLES:
            self._problem(row, "role", quoted(role), " or ".join(ROLES), nearest(role, ROLES))
        is_sample = role == "sample"
        omitted = self._reason(row)
        name = self._id(row, "scan", needed=True)
        scan = Scan(
            scan=name,
            file=self._file(row, name, bool(omitted)),
            item=row.get("item"),
            role=role,
            session=self._session(row),
            unit=self._unit(row, is_sample),
            leaf=self._id(row, "leaf"),
            replicate=self._id(row, "replicate"),
            time=self._time(row),
            integration_ms=self._number(row, "integration_ms", float),
            averages=self._number(row, "averages", int),
            instrument=self._instrument(row),
            row=row.line,
            source=row.source or self.shown,
            others=others,
            note=note_text(row.get("note")),
            photo=self._photo(row),
            omitted=omitted,
        )
        self._unique(row, scan)
        self.scans.append(scan)

    def take_again(self, scans: Sequence[Scan]) -> bool:
        """Take rows that were read without a problem before, of the same sheet by the same rules.

        Only where their files lie is checked again.

        Returns
        -------
        bool
            Whether they were taken. Where a file is at fault they are not, and must be read.
        """
        for scan in scans:
            if scan.photo and self.paths.why_no_picture(scan.photo):
                return False
            if scan.file not in self._refused:
                self._refused[scan.file] = self.paths.why_refused(scan.file) if scan.file else None
            why = self._refused[scan.file]
            if why is None or (why == NO_SUCH_FILE and scan.omitted):
                continue
            if why != NO_SUCH_FILE:
                return False
            problem = _file_problem(scan.source, scan.row, why, scan.file)
            self.missing.setdefault(scan.scan, problem)
        self.scans = [*scans]
        return True

    def _problem(self, row: Row, column: str, found: str, expected: str, mend: str) -> None:
        self.problems.append(
            Problem(
                file=row.source or self.shown,
                row=row.line or None,
                column=column,
                found=found,
                expected=expected,
                mend=mend,
            )
        )

    def _hint(self, text: str, valid: Iterable[str]) -> str:
        """Return the nearest valid word; none for problems that are only counted."""
        return nearest(text, list(valid)) if len(self.problems) < MOST_PROBLEMS else ""

    def _unique(self, row: Row, scan: Scan) -> None:
        first = self._seen.setdefault(scan.scan, row.place)
        if scan.scan and first != row.place:
            self._problem(
                row,
                "scan",
                f"{quoted(scan.scan)}, already used in {first}",
                "each scan once",
                "Rename the file, or name the scan by a field {scan} of the pattern."
                if row.source
                else "Give the scan an id of its own, or remove the row.",
            )
        if scan.omitted:
            return  # its file is not read
        first = self._sources.setdefault((scan.file, scan.item), row.place)
        if scan.file and first != row.place:
            self._problem(
                row,
                "item" if scan.item else "file",
                f"the same raw scan as {first} ({quoted(scan.item or scan.file)})",
                "each raw scan in one row",
                "Correct the file or item, or remove the row.",
            )

    def _id(self, row: Row, column: str, needed: bool = False) -> str:
        text = row.get(column)
        if text and not is_id(text):
            self._problem(
                row,
                column,
                quoted(text),
                ID_WORDS,
                "Rename the file." if row.source else "Rename it.",
            )
        if needed and not text:
            self._problem(row, column, "an empty cell", "an id", f"Give the row a {column} id.")
        return text

    def _reason(self, row: Row) -> str:
        """Return why a scan takes no part, ``""`` if it does."""
        text = " ".join(row.get("omitted").split())
        if text and not is_note(text):
            self._problem(
                row, "omitted", quoted(text), NOTE_WORDS, "Shorten it, or take odd characters out."
            )
        elif text.casefold() in NO_REASON:
            self._problem(
                row,
                "omitted",
                quoted(text),
                "why the scan takes no part, or an empty cell if it does",
                "Write the reason in words: it stands in report and methods.",
            )
        return text

    def _photo(self, row: Row) -> str:
        text = row.get("photo")
        if not text:
            return ""
        why = self.paths.why_no_picture(text)
        if why:
            self._problem(
                row,
                "photo",
                f"{why}: {quoted(text)}",
                f"a picture ({PICTURE_WORDS}) inside the study folder",
                "Correct the path (relative to the study folder, with /), or copy the picture "
                "there.",
            )
        return PurePosixPath(text).as_posix()

    def _file(self, row: Row, scan: str, omitted: bool) -> str:
        """Return the path of a scan's raw file; one that is not there is kept in ``missing``."""
        text = row.get("file")
        if not text and omitted:
            return ""
        if not text:
            self._problem(row, "file", "an empty cell", "a path", "Name the raw file.")
            return ""
        if text not in self._refused:
            self._refused[text] = self.paths.why_refused(text)
        why = self._refused[text]
        if why == NO_SUCH_FILE and omitted:
            why = None
        if why:
            problem = _file_problem(row.source or self.shown, row.line, why, text)
            if why == NO_SUCH_FILE and scan:
                self.missing.setdefault(scan, problem)
            else:
                self.problems.append(problem)
        # One spelling of each path, or `raw/a.txt` and `raw//a.txt` would be two scans.
        return PurePosixPath(text).as_posix()

    def _session(self, row: Row) -> str:
        text = row.get("session")
        if not text and len(self.sessions) == 1:
            return self.sessions[0]
        if text not in self._session_set:
            self._problem(
                row,
                "session",
                quoted(text) if text else "an empty cell",
                "a session of study.yaml: " + first_words(self.sessions),
                self._hint(text, self.sessions) if text else "Name the session.",
            )
        return text

    def _unit(self, row: Row, is_sample: bool) -> str:
        text = self._id(row, "unit")
        if is_sample and self.unit_needed:
            if not text:
                self._problem(
                    row,
                    "unit",
                    _EMPTY,
                    "the experimental unit of the leaf",
                    "Name the unit; if units are not known, say `design: {unit: none}`.",
                )
            elif self.units_known is not None and is_id(text) and text not in self.units_known:
                self._problem(
                    row,
                    "unit",
                    quoted(text),
                    f"a unit of {self.units_file}",
                    self._hint(text, self.units_known),
                )
        return text

    def _instrument(self, row: Row) -> str:
        text = row.get("instrument")
        if text and not is_label(text):
            self._problem(
                row,
                "instrument",
                quoted(text),
                "printable text of at most 64 characters",
                "Write the instrument's short name or serial number.",
            )
        return text

    def _time(self, row: Row) -> str | None:
        text = row.get("time")
        if not text:
            return None
        try:
            moment = dt.datetime.fromisoformat(text)
            if moment.tzinfo is not None or len(text) < 16:
                raise ValueError
        except ValueError:
            self._problem(
                row,
                "time",
                quoted(text),
                "local wall clock, no zone, such as 2026-05-04T09:12:30",
                _counted_days(text) or "Write the time in that form, or leave it empty.",
            )
            return None
        return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")

    def _number(self, row: Row, column: str, kind: Callable[[str], N]) -> N | None:
        text = row.get(column)
        if not text:
            return None
        try:
            value = kind(text)
            if not (math.isfinite(value) and 0 < value < 1e9):
                raise ValueError
        except ValueError:
            whole = "a whole number" if kind is int else "a number"
            self._problem(
                row, column, quoted(text), f"{whole} above 0", "Correct it or leave it empty."
            )
            return None
        return value


def _file_problem(source: str, line: int, why: str, text: str) -> Problem:
    return Problem(
        file=source,
        row=line or None,
        column="file",
        found=f"{why}: {quoted(text)}",
        expected="a file inside the study folder",
        mend="Correct the path (relative to the study folder, with /), or copy the file there.",
    )


def _hidden(text: str) -> str | None:
    """Return the mend for a label with a character that cannot be seen, ``None`` for any other."""
    code = next((ord(c) for c in text if not c.isprintable()), None)
    return (
        None
        if code is None
        else f"It holds a character that is not seen (U+{code:04X}): type it again."
    )


def _counted_days(text: str) -> str | None:
    """Return the mend for a time that a spreadsheet left as days since 1899-12-30."""
    try:
        days = float(text.replace(",", "."))
    except ValueError:
        return None
    if not _FIRST_DAY <= days <= _LAST_DAY:
        return None
    moment = dt.datetime(1899, 12, 30) + dt.timedelta(seconds=round(days * 86_400))
    return (
        f"As a spreadsheet counts days this is {moment.isoformat()}: give the cells the format "
        "yyyy-mm-ddThh:mm:ss and save again."
    )


# Which sessions have been measured, which are to come, and which scans were left out.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class SortedScans:
    """The rows of the scan sheet, sorted by what has become of them.

    Attributes
    ----------
    taking_part
        Scans of measured sessions that are not left out.
    planned
        Scans of sessions to come, in the order in which they are to be measured.
    omitted
        Scans that a reason leaves out.
    to_come
        Sessions without any raw file, in study order.
    problems
        Of files that are missing in measured sessions, and of skipped sessions that have files.
    """

    taking_part: list[Scan]
    planned: list[Scan]
    omitted: list[Scan]
    to_come: tuple[str, ...]
    problems: list[Problem]


def sort_scans(
    scans: Sequence[Scan],
    missing: Mapping[str, Problem],
    sessions: Sequence[Session],
    taken_in: Collection[str],
) -> SortedScans:
    """Sort scans by session measured, to come or skipped, and by whether they are left out.

    A session is to come if it has no scan, or if no file of any of its scans exists and it was
    never taken in. Of a session that was begun or taken in, every missing file is a problem.

    Parameters
    ----------
    scans
        All rows of the sheet.
    missing
        Scan -> the problem that its file does not exist.
    sessions
        The stated sessions; none if the study states none, which then has no session to come.
    taken_in
        Sessions of which an earlier run has read the raw files.
    """
    skipped = {s.session: s.skipped for s in sessions if s.skipped}
    stated = {s.session for s in sessions}
    by_session: dict[str, list[Scan]] = {s.session: [] for s in sessions}
    for scan in scans:
        by_session.setdefault(scan.session, []).append(scan)
    to_come: list[str] = []
    problems: list[Problem] = []
    for session, rows in by_session.items():
        taking_part = [scan for scan in rows if not scan.omitted]
        lacking = [scan for scan in taking_part if scan.scan in missing]
        if session in skipped:
            problems += _skipped_but_there(session, skipped[session] or "", taking_part, missing)
        elif session in stated and rows and not taking_part:
            problems.append(_all_omitted(session, rows))
        elif session in stated and len(lacking) == len(taking_part) and session not in taken_in:
            to_come.append(session)
        else:
            is_taken_in = session in taken_in
            problems += [
                _not_measured(missing[scan.scan], session, is_taken_in) for scan in lacking
            ]
    without = {*to_come, *skipped}
    return SortedScans(
        [s for s in scans if not s.omitted and s.session not in without],
        [s for s in scans if not s.omitted and s.session in to_come],
        [s for s in scans if s.omitted and s.session not in skipped],
        tuple(to_come),
        problems,
    )


def _not_measured(problem: Problem, session: str, taken_in: bool) -> Problem:
    """Return the problem of a missing file with what can be done about it."""
    if taken_in:
        mend = "An earlier run has read it: put the file back, or correct the path."
    else:
        mend = (
            f"{problem.mend} If the scan is still to be taken, take it (`leafledger watch STUDY "
            f"{session}` goes on where it ended); if it never will be, state why in column omitted."
        )
    return replace(problem, mend=mend)


def _all_omitted(session: str, rows: Sequence[Scan]) -> Problem:
    return Problem(
        file=rows[0].source,
        column="omitted",
        found=f"every scan of session {quoted(session)} left out ({len(rows)} rows)",
        expected="a session with scans that take part",
        mend="If the session was never measured, state why in study.yaml (skipped: reason under "
        "the session); else empty the cells of the scans that take part.",
    )


def _skipped_but_there(
    session: str, reason: str, taking_part: Sequence[Scan], missing: Mapping[str, Problem]
) -> list[Problem]:
    present = [scan for scan in taking_part if scan.scan not in missing]
    if not present:
        return []
    files = first_words([scan.file for scan in present], 3)
    return [
        Problem(
            file="study.yaml",
            column="design.sessions",
            found=f"session {quoted(session)} skipped ({quoted(reason)}), and {len(present)} "
            f"scan{'s' * (len(present) > 1)} of it ({files})",
            expected="no raw file of a session that was never measured",
            mend="Take `skipped` out if the session was measured; else take its scans out of the "
            "sheet, or state in column omitted why they take no part.",
        )
    ]


# The experimental units and what was done to each.
# ----------------------------------------------------------------------

UNITS_FILE = "units.csv"


def columns_of(design: Design) -> list[str]:
    """Return the columns of the units that the design names: treatment, block, plot, factors."""
    layout = [name for name in (design.block, design.whole_plot) if name]
    return list(dict.fromkeys([design.treatment, *layout, *design.factors]))


def is_unallocated(units: Mapping[str, Mapping[str, str]], design: Design) -> bool:
    """Tell whether the treatments are stated and no unit has been given one yet.

    Examples
    --------
    >>> design = Design(levels=["water", "salt"])
    >>> is_unallocated({"p1": {"treatment": ""}}, design), is_unallocated({}, design)
    (True, False)
    """
    labels = [row.get(design.treatment, "") for row in units.values()]
    return bool(design.levels) and bool(labels) and not any(labels)


def units_of_sheet(
    sheet: Sheet, columns: Sequence[str], design: Design | None = None
) -> tuple[dict[str, dict[str, str]], list[Problem]]:
    """Return unit -> labels from the sheet of units, and every problem of its rows.

    Where ``design`` states the levels of the treatment and the column is blank for every unit, the
    treatments are not allocated yet, which is no problem.
    """
    units: dict[str, dict[str, str]] = {}
    first: dict[str, int] = {}
    problems: list[Problem] = []
    blank = design is not None and is_unallocated(
        {str(row.line): {name: row.get(name) for name in columns} for row in sheet.rows}, design
    )
    filled = [name for name in columns if not (blank and design and name == design.treatment)]
    for row in sheet.rows:
        unit = row.get("unit")
        labels = {name: row.get(name) for name in columns}
        if not is_id(unit):
            problems.append(
                Problem(
                    file=sheet.name,
                    row=row.line,
                    column="unit",
                    found=quoted(unit) if unit else "an empty cell",
                    expected=ID_WORDS,
                    mend="Give the unit an id.",
                )
            )
            continue
        if unit in units:
            differ = [n for n in columns if units[unit][n] != labels[n]]
            what = f"with another {differ[0]}" if differ else "again"
            problems.append(
                Problem(
                    file=sheet.name,
                    row=row.line,
                    column=differ[0] if differ else "unit",
                    found=f"unit {quoted(unit)} {what} (first in row {first[unit]})",
                    expected="one row for each unit, one treatment for each unit",
                    mend="Remove the row, or give the second unit its own id.",
                )
            )
            continue
        units[unit], first[unit] = labels, row.line
        problems += _label_problems(sheet.name, row.line, {n: labels[n] for n in filled})
    return units, problems


def units_of_scans(
    scans: Iterable[Scan], columns: Sequence[str], by_scan: bool
) -> tuple[dict[str, dict[str, str]], list[Problem]]:
    """Return unit -> labels from columns of the scans themselves.

    Parameters
    ----------
    scans
        The leaf scans.
    columns
        The columns that the design names.
    by_scan
        True for a bare table without known units: each scan then stands alone, under its own id.
    """
    units: dict[str, dict[str, str]] = {}
    first: dict[str, Scan] = {}
    problems: list[Problem] = []
    for scan in scans:
        unit = scan.scan if by_scan else scan.unit
        labels = {name: scan.others.get(name, "") for name in columns}
        if not unit:
            continue
        if unit not in units:
            units[unit], first[unit] = labels, scan
            problems += _label_problems(scan.source, scan.row or None, labels)
        elif units[unit] != labels:
            name = next(n for n in columns if units[unit][n] != labels[n])
            problems.append(
                Problem(
                    file=scan.source,
                    row=scan.row or None,
                    column=name,
                    found=f"unit {quoted(unit)} with {quoted(labels[name])}, and with "
                    f"{quoted(units[unit][name])} in scan {first[unit].scan}",
                    expected=f"one {name} for each unit",
                    mend="Correct the label, or give the second unit its own id.",
                )
            )
    return units, problems


def _label_problems(file: str, row: int | None, labels: dict[str, str]) -> list[Problem]:
    return [
        Problem(
            file=file,
            row=row,
            column=name,
            found=quoted(text) if text else "an empty cell",
            expected="a label of printable text, at most 64 characters",
            mend=_hidden(text) or f"Fill in the {name} of the unit.",
        )
        for name, text in labels.items()
        if not is_label(text)
    ]


def missing_column(name: str, key: str, available: Sequence[str], source: str) -> Problem:
    """Return the problem of a design that names a column which is not there."""
    return Problem(
        file="study.yaml",
        column=key,
        found=f"{quoted(name)}, but {source} has no such column",
        expected=f"a column of {source}",
        mend=nearest(name, [c for c in available if c != "unit"])
        if available
        else f"Write {UNITS_FILE} with the columns unit and {name}.",
    )
