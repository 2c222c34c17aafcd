"""A sheet of a study kept in a workbook (.xlsx): the same text that a person sees in its cells.

A date or time becomes ISO 8601, a whole number has no decimals, a formula is its stored result.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem, first_words, quoted
from leafledger.workbooks.book import Book, SheetPart, open_book
from leafledger.workbooks.cells import Cells, Seen, letters, read_rows
from leafledger.workbooks.values import Odd, Texts

ENDING = ".xlsx"
LARGEST_BYTES = 64_000_000
MOST_CELLS = 2_000_000
MOST_COLUMNS = 1_000
_OTHERWISE = "Save the sheet again as .xlsx in a spreadsheet program, or as CSV (UTF-8)."


@dataclass(frozen=True)
class Grid:
    """The rows of a sheet.

    Attributes
    ----------
    headings
        Row number and texts of the first row that is not empty; ``None`` in an empty sheet.
    rows
        Row number and one text for each heading.
    problems
        Cells that hold nothing readable (their text is empty), and columns without a heading.
    """

    headings: tuple[int, list[str]] | None
    rows: list[tuple[int, list[str]]]
    problems: list[Problem]


def is_workbook(name: str | Path) -> bool:
    """Tell whether a sheet is a workbook, by its name."""
    return Path(name).suffix.lower() == ENDING


def column_words(at: int, heading: str) -> str:
    """Return how to name a column in messages.

    Examples
    --------
    >>> column_words(2, "unit"), column_words(2, "")
    ('column C (unit)', 'column C')
    """
    return f"column {letters(at)}" + (f" ({heading})" if heading else "")


def read_grid(path: Path, shown: str, called: str) -> Grid:
    """Read the sheet of a workbook that is meant.

    Parameters
    ----------
    path, shown
        The file and its name in messages.
    called
        Name of the sheet, if the workbook shows several.

    Raises
    ------
    InputFault
        If the file is no workbook, or larger than any sheet of a study; if it does not say which
        sheet is meant, or has merged cells in it.
    """
    size = path.stat().st_size
    if not 0 < size <= LARGEST_BYTES:
        raise InputFault(
            Problem(
                file=shown,
                found=f"{size / 1e6:.0f} MB" if size else "an empty file",
                expected=f"a workbook of at most {LARGEST_BYTES / 1e6:.0f} MB",
                mend="Check that the file is the sheet you mean.",
            )
        )
    book = open_book(path.read_bytes(), shown, _OTHERWISE)
    rows = _Rows(shown)
    seen = read_rows(book, _meant(book, shown, called), rows.take, Texts)
    problems = _merged(shown, seen, rows)
    if problems:
        raise InputFault(problems)
    return Grid(rows.headings, rows.rows, rows.problems)


def headings_of(path: Path, shown: str, called: str) -> list[str]:
    """Return the texts of the first row that is not empty, however wide the sheet is.

    Raises
    ------
    InputFault
        As :func:`read_grid` for a file that is no workbook or does not say which sheet is meant.
    """
    book = open_book(path.read_bytes(), shown, _OTHERWISE)
    first: list[str] = []

    def take(_row: int, cells: Cells) -> None:
        if not first:
            texts = {
                at: "" if isinstance(value, Odd) else str(value) for at, value in cells.items()
            }
            first.extend(texts.get(at, "") for at in range(max(cells) + 1))

    read_rows(book, _meant(book, shown, called), take, Texts)
    return first


def _meant(book: Book, shown: str, called: str) -> SheetPart:
    """Return the only sheet that is shown, or the one that has the name."""
    sheets = [sheet for sheet in book.sheets if sheet.shown]
    named = [sheet for sheet in sheets if sheet.name.strip().casefold() == called]
    if len(sheets) == 1 or len(named) == 1:
        return (named or sheets)[0]
    names = first_words([quoted(sheet.name) for sheet in sheets], 5)
    raise InputFault(
        Problem(
            file=shown,
            found=f"{len(sheets)} sheets ({names})" if sheets else "no sheet that is shown",
            expected=f"one sheet, or one that is called {called}",
            mend=f"Call the sheet that is meant {called}, or take the others out of the workbook.",
        )
    )


def _merged(shown: str, seen: Seen, rows: _Rows) -> list[Problem]:
    """Return a problem for each merged area of the table: only its first cell holds the value."""
    if rows.headings is None:
        return []
    first, headings = rows.headings
    return [
        Problem(
            file=shown,
            row=max(top, first),
            column=column_words(left, headings[left]),
            found=f"merged cells {letters(left)}{top}:{letters(right)}{bottom}",
            expected="a cell of its own for every value",
            mend="Unmerge them and fill in each cell.",
        )
        for top, left, bottom, right in seen.merges
        if bottom >= first and top <= rows.last and left < len(headings)
    ]


class _Rows:
    """The rows as they come in."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.headings: tuple[int, list[str]] | None = None
        self.rows: list[tuple[int, list[str]]] = []
        self.problems: list[Problem] = []
        self.last = self.n_cells = 0
        self._bare: set[int] = set()

    def take(self, row: int, cells: Cells) -> None:
        """Take the headings, then the rows."""
        self.last = row
        self.n_cells += len(cells)
        if self.n_cells > MOST_CELLS or max(cells) >= MOST_COLUMNS:
            raise InputFault(
                self._problem(
                    row,
                    None,
                    f"more than {MOST_CELLS:,} cells"
                    if self.n_cells > MOST_CELLS
                    else f"a value in column {letters(max(cells))}",
                    f"at most {MOST_COLUMNS:,} columns and {MOST_CELLS:,} cells",
                    "Check that the file is the sheet you mean.",
                )
            )
        if self.headings is None:
            texts = [self._text(row, at, "", cells) for at in range(max(cells) + 1)]
            self.headings = row, texts
            return
        headings = self.headings[1]
        self.rows.append(
            (row, [self._text(row, at, name, cells) for at, name in enumerate(headings)])
        )
        self._without_heading(row, cells)

    def _text(self, row: int, at: int, heading: str, cells: Cells) -> str:
        value = cells.get(at, "")
        if isinstance(value, Odd):
            self.problems.append(
                self._problem(row, column_words(at, heading), value.words, "a value", value.mend)
            )
            return ""
        return str(value)

    def _without_heading(self, row: int, cells: Cells) -> None:
        assert self.headings is not None  # the headings came first
        headings = self.headings[1]
        for at, value in cells.items():
            if (at >= len(headings) or not headings[at]) and at not in self._bare:
                self._bare.add(at)
                self.problems.append(
                    self._problem(
                        row,
                        column_words(at, ""),
                        value.words if isinstance(value, Odd) else quoted(str(value)),
                        "a heading above every value",
                        f"Write a heading in row {self.headings[0]}, or empty the column.",
                    )
                )

    def _problem(
        self, row: int, column: str | None, found: str, expected: str, mend: str
    ) -> Problem:
        return Problem(
            file=self.shown, row=row, column=column, found=found, expected=expected, mend=mend
        )
