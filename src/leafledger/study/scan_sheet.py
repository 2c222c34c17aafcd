"""The scan sheet: one row per raw scan, checked cell by cell."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import TypeVar

from leafledger.errors import MOST_PROBLEMS, Problem, first_words, nearest, quoted
from leafledger.study.names import ID_WORDS, PathCheck, is_id, is_label
from leafledger.study.sheets import Row, Sheet

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
)
HAVE_A_MEANING = frozenset({*REQUIRED, *OPTIONAL} - {"instrument"})
"""Columns that are no labels; the instrument may be a block or a factor of the design too."""


@dataclass(frozen=True)
class Scan:
    """One raw scan of the study.

    ``unit``, ``leaf`` and ``replicate`` are ``""`` where they do not apply; ``others`` holds the
    columns of the sheet that have no meaning of their own (a treatment column, say).
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
        scan = Scan(
            scan=self._id(row, "scan", needed=True),
            file=self._file(row),
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
        )
        self._unique(row, scan)
        self.scans.append(scan)

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

    def _file(self, row: Row) -> str:
        text = row.get("file")
        if not text:
            self._problem(row, "file", "an empty cell", "a path", "Name the raw file.")
            return ""
        if text not in self._refused:
            self._refused[text] = self.paths.why_refused(text)
        why = self._refused[text]
        if why:
            self._problem(
                row,
                "file",
                f"{why}: {quoted(text)}",
                "a file inside the study folder",
                "Correct the path (relative to the study folder, with /), or copy the file there.",
            )
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
            elif self.units_known is not None and text not in self.units_known:
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
                "Write the time in that form, or leave it empty.",
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
