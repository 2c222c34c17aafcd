"""What a cell holds: a number to reckon with, or the text that a person sees in it.

Raw scans are read as :class:`Numbers`, in which a date is a mishap; sheets of ids, labels and
times as :class:`Texts`, in which it is a value like any other.

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.17.4.1 (dates as numbers: the systems of 1900 and 1904, and the
day 60 that never was), 18.18.11 ST_CellType.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Protocol

from leafledger.errors import quoted
from leafledger.workbooks.book import Book

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
        return _shown(dt.datetime(2000, 1, 1), serial).partition("T")[2]
    first, last = (1, _LAST_DAY - 1462) if from_1904 else (_FIRST_SURE_DAY, _LAST_DAY)
    if not first <= serial < last + 1:
        return Odd(
            f"the number {serial:g} shown as a date or time",
            "Type the date again, or give the cell the format General if it is a number.",
        )
    text = _shown(_START_1904 if from_1904 else _START_1900, serial)
    return text if with_time or not text.endswith("T00:00:00") else text.partition("T")[0]


def _shown(start: dt.datetime, days: float) -> str:
    milliseconds = round(days * 86_400_000)
    found = start + dt.timedelta(milliseconds=milliseconds)
    return found.isoformat(timespec="milliseconds" if found.microsecond else "seconds")


def _broken(kind: str, text: str) -> Odd:
    if kind == "e":
        return Odd(f"the error {quoted(text, 20)}", "Mend the formula, or type the value.")
    return Odd(f"a cell of the unknown type {quoted(kind, 20)}", "Type the value again.")
