"""What does each cell of a worksheet hold, row by row?

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.3.1.4 c, 18.3.1.73 row, 18.3.1.55 mergeCell, 18.18.11
ST_CellType. A sheet has at most 1,048,576 rows and 16,384 columns.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Protocol

from leafledger.errors import quoted
from leafledger.study.workbook import MAX_TEXT, Book, Package, SheetPart

# What a cell holds: a number to reckon with, or the text that a person sees in it.
# ----------------------------------------------------------------------
# Raw scans are read as :class:`Numbers`, in which a date is a mishap; sheets of ids, labels and
# times as :class:`Texts`, in which it is a value like any other.
#
# References
# ----------
# ECMA-376 part 1 (SpreadsheetML): 18.17.4.1 (dates as numbers: the systems of 1900 and 1904, and
# the
# day 60 that never was), 18.18.11 ST_CellType.

_DIGITS: Final = 15
"""Significant digits that spreadsheet programs keep and show."""
_START_1900: Final = dt.datetime(1899, 12, 30)
_START_1904: Final = dt.datetime(1904, 1, 1)
_FIRST_SURE_DAY: Final = 61
"""1 March 1900: before it the system of 1900 counts a day that never was."""
_LAST_DAY: Final = 2_958_465
"""31 December 9999 in the system of 1900."""


@dataclass(frozen=True)
class Odd:
    """A cell that is neither a number nor a text: in words, and how to mend it."""

    words: str
    mend: str


Value = float | str | Odd


class Reading(Protocol):
    """A way of reading cells that are not plain text."""

    def number(self, value: float, style: int) -> Value:
        """Return what a cell with a number holds, given the number of its format."""

    def other(self, kind: str, text: str) -> Value:
        """Return what a cell of another type holds, such as an error, a truth value or a date."""


class Numbers:
    """Cells of scans: numbers stay numbers, dates and truth values are odd."""

    def __init__(self, book: Book) -> None:
        self.dates = book.formats.dates

    def number(self, value: float, style: int) -> Value:
        """Return the number, unless its cell shows it as a date."""
        if style in self.dates:
            return Odd(
                f"the number {value:g} shown as a date or time",
                "Type the number again in a cell of the format General: the spreadsheet program "
                "has taken it for a date.",
            )
        return value

    def other(self, kind: str, text: str) -> Value:
        """Return what is odd about a cell that holds neither number nor text."""
        if kind == "b":
            return Odd("TRUE or FALSE", "Type the number.")
        if kind == "d":
            return Odd(
                f"the date {quoted(text, 30)}", "Type the number in a cell of format General."
            )
        return _broken(kind, text)


class Texts:
    """Cells of ids, labels and times: all as text, dates and times in the form of ISO 8601."""

    def __init__(self, book: Book) -> None:
        self.formats = book.formats
        self.from_1904 = book.from_1904

    def number(self, value: float, style: int) -> Value:
        """Return a number as text: 12, not 12.0; 0012 and 5% where the cell shows that."""
        if style in self.formats.dates:
            return moment(value, self.from_1904, style in self.formats.times)
        if style in self.formats.percents:
            return f"{_plain(Decimal(repr(value)) * 100)}%"
        text = _plain(Decimal(repr(value)))
        digits = self.formats.padded.get(style, 0)
        return text.zfill(digits) if digits and text.isdecimal() else text

    def other(self, kind: str, text: str) -> Value:
        """Return a truth value or a date as text; an error is odd."""
        if kind == "b":
            return "TRUE" if text.strip() == "1" else "FALSE"
        if kind == "d":
            return text.strip()
        return _broken(kind, text)


Read = Callable[[Book], Reading]


def _plain(value: Decimal) -> str:
    """Return a number with at most 15 significant digits, without an exponent where it fits.

    Examples
    --------
    >>> [_plain(Decimal(t)) for t in ("12.0", "0.30000000000000004", "7.000000000000001", "1E+20")]
    ['12', '0.3', '7', '1e+20']
    """
    return f"{float(value):.{_DIGITS}g}"


def moment(serial: float, from_1904: bool, with_time: bool) -> Value:
    """Return the date or time that a number stands for, as ISO 8601 without a zone.

    Parameters
    ----------
    serial
        Days since the start of the system, the time of day as a fraction.
    from_1904
        Which system the workbook uses.
    with_time
        Whether the cell shows a time: midnight is then told, otherwise only the date.

    Examples
    --------
    >>> moment(46146.38368055556, False, True), moment(46146.0, False, False)
    ('2026-05-04T09:12:30', '2026-05-04')
    >>> moment(0.5, False, True), moment(44684.0, True, True)
    ('12:00:00', '2026-05-04T00:00:00')
    """
    if 0 <= serial < 1:
        return _date_time_words(dt.datetime(2000, 1, 1), serial).partition("T")[2]
    first, last = (1, _LAST_DAY - 1462) if from_1904 else (_FIRST_SURE_DAY, _LAST_DAY)
    if not first <= serial < last + 1:
        return Odd(
            f"the number {serial:g} shown as a date or time",
            "Type the date again, or give the cell the format General if it is a number.",
        )
    text = _date_time_words(_START_1904 if from_1904 else _START_1900, serial)
    return text if with_time or not text.endswith("T00:00:00") else text.partition("T")[0]


def _date_time_words(start: dt.datetime, days: float) -> str:
    milliseconds = round(days * 86_400_000)
    date_time = start + dt.timedelta(milliseconds=milliseconds)
    return date_time.isoformat(timespec="milliseconds" if date_time.microsecond else "seconds")


def _broken(kind: str, text: str) -> Odd:
    if kind == "e":
        return Odd(f"the error {quoted(text, 20)}", "Mend the formula, or type the value.")
    return Odd(f"a cell of the unknown type {quoted(kind, 20)}", "Type the value again.")


# The cells of one worksheet, row by row.
# ----------------------------------------------------------------------

MAX_ROW: Final = 1_048_576
MAX_COLUMN: Final = 16_384
MAX_FILLED_ROWS: Final = 200_000
MAX_CELLS: Final = 10_000_000
MAX_OTHERS: Final = 500_000
"""Elements of a sheet that are no cells and no rows."""
MAX_MERGES: Final = 10_000
_REFERENCE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")


Cells = dict[int, Value]
"""Column (from 0) -> value of each cell of a row that is not empty."""
Take = Callable[[int, Cells], None]
"""Takes the number of a row (from 1) and its cells."""


@dataclass
class Seen:
    """What else stands in a sheet: merged areas, and rows that are not shown.

    Attributes
    ----------
    merges
        First row, first column, last row, last column of each (rows from 1, columns from 0).
    percents
        Column -> last row with a number that is shown as percent.
    """

    merges: list[tuple[int, int, int, int]] = field(default_factory=list)
    n_hidden_rows: int = 0
    percents: dict[int, int] = field(default_factory=dict)


def read_rows(book: Book, sheet: SheetPart, take: Take, read: Read = Numbers) -> Seen:
    """Give every row of a sheet that is not empty to ``take``.

    What the sheet says of its own size is not believed, and no empty cell is made up.

    Parameters
    ----------
    book, sheet
        The workbook and its sheet.
    take
        Is given the rows.
    read
        How cells are read that are not plain text: as numbers, or as a person sees them.

    Raises
    ------
    InputFault
        If the sheet is broken or larger than any of a study.
    """
    reader = _Rows(book, take, read)
    book.package.read_xml(sheet.part, reader.start, reader.end, most=4 * MAX_CELLS)
    return reader.seen


def letters(column: int) -> str:
    """Return the letters of a column counted from 0.

    Examples
    --------
    >>> [letters(i) for i in (0, 25, 26, 16383)]
    ['A', 'Z', 'AA', 'XFD']
    """
    out = ""
    column += 1
    while column:
        column, digit = divmod(column - 1, 26)
        out = chr(ord("A") + digit) + out
    return out


def place_of(reference: str) -> tuple[int, int] | None:
    """Return row (from 1) and column (from 0) of a reference such as ``B7``.

    Examples
    --------
    >>> place_of("B7"), place_of("XFD1048576"), place_of("XFE1"), place_of("7B")
    ((7, 1), (1048576, 16383), None, None)
    """
    match = _REFERENCE.fullmatch(reference)
    if match is None:
        return None
    column = 0
    for letter in match.group(1):
        column = 26 * column + ord(letter) - ord("A") + 1
    row = int(match.group(2))
    return (row, column - 1) if row <= MAX_ROW and column <= MAX_COLUMN else None


def whole(text: str) -> int:
    """Return a whole number of at most nine digits, -1 for any other text."""
    return int(text) if text.isdecimal() and len(text) < 10 else -1


class _Rows:
    """The state of a sheet being read."""

    def __init__(self, book: Book, take: Take, read: Read) -> None:
        self.book, self.take = book, take
        self.reading = read(book)
        self.seen = Seen()
        self.row = 0
        self.column = -1
        self.cells: Cells = {}
        self.inside = False
        self.n_cells = self.n_rows = self.n_others = 0
        self.columns: dict[str, int] = {}
        self._clear("n", -1)

    @property
    def package(self) -> Package:
        return self.book.package

    def _clear(self, kind: str, style: int) -> None:
        self.kind, self.style = kind, style
        self.formula = False
        self.value: str | None = None

    def start(self, element: str, has: Mapping[str, str]) -> None:
        """Begin an element."""
        if element == "c" and self.inside:
            self._start_cell(has)
        elif element == "row" and self.inside:
            self._start_row(has)
        elif element == "f":
            self.formula = True
        elif element in {"is", "t", "r"}:
            return  # of a text that stands in the cell itself; its cell has been counted
        elif element == "sheetData":
            self.inside = True
        elif element == "mergeCell":
            self._merge(has.get("ref", ""))
        elif element != "v":
            self._count_other()

    def _count_other(self) -> None:
        self.n_others += 1
        if self.n_others > MAX_OTHERS:
            raise self.package.fault(
                f"a sheet of more than {MAX_OTHERS:,} elements that are no cells",
                "a sheet of a study",
                "Copy the values into a new workbook.",
            )

    def end(self, element: str, text: str) -> None:
        """End an element."""
        if element == "v":
            self.value = text
        elif element == "c" and self.inside:
            self._end_cell()
        elif element == "t" and self.kind == "inlineStr":
            self.value = (self.value or "") + text
            if len(self.value) > MAX_TEXT:
                raise self.package.fault(
                    f"a cell of more than {MAX_TEXT:,} characters", "a few words"
                )
        elif element == "row" and self.inside:
            self._end_row()
        elif element == "sheetData":
            self.inside = False

    def _end_row(self) -> None:
        if not self.cells:
            return
        self.n_rows += 1
        if self.n_rows > MAX_FILLED_ROWS:
            raise self.package.fault(
                f"a sheet of more than {MAX_FILLED_ROWS:,} rows", f"at most {MAX_FILLED_ROWS:,}"
            )
        self.take(self.row, self.cells)
        self.cells = {}

    def _start_row(self, has: Mapping[str, str]) -> None:
        text = has.get("r")
        row = self.row + 1 if text is None else whole(text)
        if not self.row < row <= MAX_ROW:
            raise self.package.fault(
                f"row {quoted(text or str(row), 20)} after row {self.row}",
                f"rows that rise, to {MAX_ROW:,}",
            )
        self.row, self.column = row, -1
        if has.get("hidden") in {"1", "true"}:
            self.seen.n_hidden_rows += 1

    def _start_cell(self, has: Mapping[str, str]) -> None:
        self.n_cells += 1
        if self.n_cells > MAX_CELLS:
            raise self.package.fault(
                f"a sheet of more than {MAX_CELLS:,} cells", f"at most {MAX_CELLS:,}"
            )
        reference = has.get("r")
        before = self.column
        self.column = before + 1 if reference is None else self._column(reference)
        if not before < self.column < MAX_COLUMN:
            raise self.package.fault(
                f"a cell {quoted(reference or '', 20)} in row {self.row}, out of its place",
                f"cells in order, in at most {MAX_COLUMN:,} columns",
            )
        self._clear(has.get("t", "n"), whole(has.get("s", "0")))

    def _column(self, reference: str) -> int:
        word = reference.rstrip("0123456789")
        column = self.columns.get(word)
        if column is None:
            position = place_of(f"{word}1")
            column = self.columns[word] = -1 if position is None else position[1]
        return column if reference[len(word) :] == str(self.row) else -1

    def _end_cell(self) -> None:
        value = self._read(self.value)
        if value != "":
            self.cells[self.column] = value

    def _read(self, text: str | None) -> Value:
        """Return what a cell holds; an empty text for an empty cell."""
        if text is None or (text == "" and self.kind != "str"):
            if self.formula:
                return Odd(
                    "a formula whose result is not in the file",
                    "Open the workbook in a spreadsheet program and save it, or keep the values "
                    "only.",
                )
            return ""
        if self.kind == "n":
            return self._number(text)
        if self.kind == "s":
            string_index = whole(text)
            strings = self.book.strings
            if not 0 <= string_index < len(strings):
                raise self.package.fault(
                    f"a cell that holds shared text {quoted(text, 20)} of {len(strings):,}",
                    "a whole workbook",
                )
            return strings[string_index]
        if self.kind in {"str", "inlineStr"}:
            return text.strip()
        return self.reading.other(self.kind, text)

    def _number(self, text: str) -> Value:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in text:
            return Odd(f"{quoted(text)}, which is no finite number", "Mend the cell.")
        if self.style in self.book.formats.percents:
            self.seen.percents[self.column] = self.row
        return self.reading.number(value, self.style)

    def _merge(self, text: str) -> None:
        first, _, last = text.partition(":")
        start, stop = place_of(first), place_of(last or first)
        if start is None or stop is None or len(self.seen.merges) >= MAX_MERGES:
            raise self.package.fault(
                f"merged cells {quoted(text, 40)}, or more than {MAX_MERGES:,} such areas",
                "areas such as B2:C3",
            )
        self.seen.merges.append((*start, *stop))
