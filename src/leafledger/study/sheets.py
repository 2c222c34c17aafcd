"""Sheets of a study (CSV or .xlsx) read as text, with the line of every row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from leafledger.errors import InputFault, Problem, bounded
from leafledger.study.sheet_headings import heading_problems
from leafledger.study.workbook_sheet import column_words, is_workbook, read_grid

LARGEST_BYTES = 256_000_000
"""A wide table that is its own scan sheet; a sheet without spectra is far smaller."""
LARGEST_SHEET = 64_000_000
MOST_ROWS = 200_000
EXAMPLE = "# "
"""With which an example row begins."""
_MARKS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}


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
    """A sheet as text.

    Attributes
    ----------
    problems
        Of cells of a workbook that hold nothing readable.
    """

    name: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    problems: tuple[Problem, ...] = ()

    def with_own(self, problems: Iterable[Problem]) -> list[Problem]:
        """Return these problems and the sheet's own; in a workbook with the letters of columns.

        A cell that is not readable and therefore counts as empty is told once.
        """
        if not is_workbook(self.name):
            return [*self.problems, *problems]
        words = {name: column_words(at, name) for at, name in enumerate(self.columns)}
        placed = [
            replace(p, column=words.get(p.column or "", p.column))
            if p.file == self.name and p.row is not None
            else p
            for p in problems
        ]
        own = {(p.row, p.column) for p in self.problems}
        found = [p for p in placed if p.file != self.name or (p.row, p.column) not in own]
        return [*self.problems, *found]


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
        raise _fault(
            shown,
            "a binary file",
            "a CSV sheet, or a workbook whose name ends in .xlsx",
            "Save the sheet as .xlsx or as CSV (UTF-8).",
        )
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
    comment: str = EXAMPLE,
    delimiter: str = ",",
    called: str = "scans",
) -> Sheet:
    """Read a sheet with a heading row, a CSV or the sheet of a workbook.

    Parameters
    ----------
    path, shown
        The file and its name in messages.
    required
        Columns that must be there.
    known
        Further columns with a meaning; a heading that looks like one of them misspelt is an error.
    comment
        Rows whose first cell begins so are passed over. By default a hash and a blank, as in the
        example rows of ``leafledger new``: ``#N/A`` is no comment but a fault.
    delimiter
        What stands between cells.
    called
        Name of the sheet that is meant, of a workbook with several.

    Raises
    ------
    InputFault
        With every problem of the headings and of the shape of the rows.
    """
    if is_workbook(path):
        return _of_workbook(path, shown, required, known, called, comment)
    lines = _lines(read_text(path, shown, LARGEST_SHEET), shown, delimiter, comment)
    first = next(lines, None)
    if first is None:
        raise _fault(shown, "an empty file", "a heading row", f"Begin with: {','.join(required)}")
    headings = [cell.strip() for cell in first[1]]
    width = len(headings)
    columns = tuple(_without_empty_end(headings))
    other = _other_delimiter(headings, delimiter, required)
    if other is not None:
        raise _parted_otherwise(shown, first[0], other, delimiter)
    problems = heading_problems(shown, first[0], columns, required, known)
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
        if len(columns) < len(cells) <= width and not any(c.strip() for c in cells[len(columns) :]):
            cells = cells[: len(columns)]
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


def _without_empty_end(headings: list[str]) -> list[str]:
    """Return the headings without empty ones at the end, which a spreadsheet's export may have.

    Examples
    --------
    >>> _without_empty_end(["unit", "", "block", "", ""])
    ['unit', '', 'block']
    """
    n = len(headings)
    while n > 1 and not headings[n - 1]:
        n -= 1
    return headings[:n]


def _other_delimiter(headings: list[str], delimiter: str, required: Sequence[str]) -> str | None:
    """Return the mark that parts the headings, if it is another than the one they are read with."""
    if any(name in headings for name in required):
        return None
    text = delimiter.join(headings)
    for mark in _MARKS:
        cells = [cell.strip().strip('"').strip() for cell in text.split(mark)]
        if mark != delimiter and len(cells) > 1 and any(name in cells for name in required):
            return mark
    return None


def _parted_otherwise(shown: str, line: int, mark: str, delimiter: str) -> InputFault:
    name, meant = _MARKS[mark], _MARKS.get(delimiter, "commas")
    return InputFault(
        Problem(
            file=shown,
            row=line,
            found=f"cells parted by {name}, read with {meant}",
            expected=f"cells parted by {meant}",
            mend="Save the sheet as CSV (UTF-8, comma), or as .xlsx. A comma in a number becomes a "
            "point; text that holds commas needs quotes.",
        )
    )


def _of_workbook(
    path: Path,
    shown: str,
    required: Sequence[str],
    known: Sequence[str],
    called: str,
    comment: str,
) -> Sheet:
    grid = read_grid(path, shown, called)
    if grid.headings is None:
        raise _fault(shown, "an empty sheet", "a heading row", f"Begin with: {','.join(required)}")
    line, columns = grid.headings
    named = [name for name in columns if name]
    problems = heading_problems(shown, line, named, required, known)
    if problems:
        raise InputFault(Sheet(shown, tuple(columns), ()).with_own(problems))
    rows = [
        Row(line, {name: cell for name, cell in zip(columns, cells, strict=True) if name})
        for line, cells in grid.rows
        if not cells[0].lstrip().startswith(comment)
    ]
    return Sheet(shown, tuple(columns), tuple(rows), tuple(grid.problems))


def _lines(text: str, shown: str, delimiter: str, comment: str) -> Iterator[tuple[int, list[str]]]:
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
        if cells[0].lstrip().startswith(comment):
            continue
        yield line, cells


def _fault(shown: str, found: str, expected: str, mend: str) -> InputFault:
    return InputFault(Problem(file=shown, found=found, expected=expected, mend=mend))
