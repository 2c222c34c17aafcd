"""Sheets of a study (CSV) read as text, with the line of every row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from leafledger.errors import InputFault, Problem, bounded, nearest, quoted

LARGEST_BYTES = 256_000_000
"""A wide table that is its own scan sheet; a sheet without spectra is far smaller."""
LARGEST_SHEET = 64_000_000
MOST_ROWS = 200_000
MOST_COLUMNS = 20_000


@dataclass(frozen=True)
class Row:
    """One line of a sheet: its cells by column name, and where it stands.

    A row made from the name of a raw file stands in no sheet: its line is 0, its ``source`` the
    file.
    """

    line: int
    cells: dict[str, str]
    source: str = ""

    @property
    def place(self) -> str:
        """What to call the row in messages about another one."""
        return self.source or f"row {self.line}"

    def get(self, column: str) -> str:
        """Return the cell without surrounding blanks; ``""`` if empty or there is no column."""
        return self.cells.get(column, "").strip()


@dataclass(frozen=True)
class Sheet:
    """A sheet as text."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]


def read_text(path: Path, shown: str, largest: int = LARGEST_BYTES) -> str:
    """Read a sheet as text, with a message for what cannot be one.

    Raises
    ------
    InputFault
        If the file is too large, not UTF-8, or holds a zero byte.
    """
    size = path.stat().st_size
    if size > largest:
        raise _fault(
            shown,
            f"{size / 1e6:.0f} MB",
            f"at most {largest / 1e6:.0f} MB",
            "Check that the file is the sheet you mean.",
        )
    data = path.read_bytes()
    if b"\0" in data[:4096] or data.startswith((b"PK\x03\x04", b"PAR1")):
        raise _fault(shown, "a binary file", "a CSV sheet", "Save the sheet as CSV (UTF-8).")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise InputFault(
            Problem(
                file=shown,
                row=row,
                found="a character that is not UTF-8",
                expected="UTF-8 text",
                mend="Save the sheet as CSV (UTF-8).",
            )
        ) from error


def read_sheet(
    path: Path,
    shown: str,
    required: Sequence[str],
    known: Sequence[str] = (),
    comments: bool = False,
    delimiter: str = ",",
) -> Sheet:
    """Read a sheet with a heading row.

    Parameters
    ----------
    path, shown
        The file and its name in messages.
    required
        Columns that must be there.
    known
        Further columns with a meaning; a heading that looks like one of them misspelt is an error.
    comments
        Whether lines that begin with ``#`` are passed over.
    delimiter
        What stands between cells.

    Raises
    ------
    InputFault
        With every problem of the headings and of the shape of the rows.
    """
    lines = _lines(read_text(path, shown, LARGEST_SHEET), shown, delimiter, comments)
    first = next(lines, None)
    if first is None:
        raise _fault(shown, "an empty file", "a heading row", f"Begin with: {','.join(required)}")
    columns = tuple(cell.strip() for cell in first[1])
    problems = _heading_problems(shown, first[0], columns, required, known)
    if problems:
        raise InputFault(problems)
    rows: list[Row] = []
    for line, cells in lines:
        if len(rows) + len(problems) >= MOST_ROWS:
            raise _fault(
                shown,
                f"more than {MOST_ROWS:,} rows",
                f"at most {MOST_ROWS:,}",
                "Check that the file is the sheet you mean; split the study if it is.",
            )
        if len(cells) != len(columns):
            problems.append(
                Problem(
                    file=shown,
                    row=line,
                    found=f"{len(cells)} cells",
                    expected=f"{len(columns)} cells, as in the heading",
                    mend="Check for a missing or extra comma; text that holds commas needs quotes.",
                )
            )
        else:
            rows.append(Row(line, dict(zip(columns, cells, strict=True))))
    if problems:
        raise InputFault(bounded(problems))
    return Sheet(shown, columns, tuple(rows))


def _lines(
    text: str, shown: str, delimiter: str, comments: bool
) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputFault(
                Problem(
                    file=shown,
                    row=line,
                    found=f"broken CSV ({error})",
                    expected="cells divided by commas; quotes in pairs",
                    mend="Check the quotes on this line.",
                )
            ) from error
        if not any(cell.strip() for cell in cells):
            continue
        if comments and cells[0].lstrip().startswith("#"):
            continue
        yield line, cells


def _heading_problems(
    shown: str, line: int, columns: Sequence[str], required: Sequence[str], known: Sequence[str]
) -> list[Problem]:
    problems: list[Problem] = []
    valid = list(dict.fromkeys([*required, *known]))
    if len(columns) > MOST_COLUMNS:
        return [
            Problem(
                file=shown,
                row=line,
                found=f"{len(columns)} columns",
                expected=f"at most {MOST_COLUMNS}",
                mend="Check that the file is the sheet you mean.",
            )
        ]
    for name in sorted({c for c in columns if columns.count(c) > 1} if len(columns) < 500 else ()):
        problems.append(
            Problem(
                file=shown,
                row=line,
                column=name or "(no heading)",
                found="the heading more than once",
                expected="each heading once",
                mend="Rename or remove one of the columns.",
            )
        )
    for name in required:
        if name not in columns:
            problems.append(
                Problem(
                    file=shown,
                    row=line,
                    column=name,
                    found=f"no column {quoted(name)}",
                    expected="the columns " + ", ".join(required),
                    mend=_like(name, [c for c in columns if c not in valid]),
                )
            )
    missing = [name for name in known if name not in columns]
    for name in columns:
        close = get_close_matches(name, missing, n=1, cutoff=0.8)
        if name not in valid and close and not any(p.column == close[0] for p in problems):
            problems.append(
                Problem(
                    file=shown,
                    row=line,
                    column=name,
                    found=f"the heading {quoted(name)}",
                    expected=f"{close[0]}, or a name unlike it",
                    mend=nearest(name, missing),
                )
            )
    return problems


def _like(name: str, columns: Sequence[str]) -> str:
    close = get_close_matches(name, columns, n=1, cutoff=0.5)
    if close:
        return f"Rename the column {quoted(close[0])}?"
    return f"Add a column {name}."


def _fault(shown: str, found: str, expected: str, mend: str) -> InputFault:
    return InputFault(Problem(file=shown, found=found, expected=expected, mend=mend))
