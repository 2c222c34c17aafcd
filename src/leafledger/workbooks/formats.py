"""How the cells of a workbook show their numbers: as dates, times, percent, with zeros before.

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.8.30 numFmt (built-in formats and format codes), 18.8.10
cellXfs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from leafledger.workbooks.package import Package

MAX_STYLES: Final = 100_000
_BUILT_IN_DATES = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})
_BUILT_IN_TIMES = frozenset({*range(18, 23), *range(32, 34), *range(45, 48), 55, 56})
_BUILT_IN_PERCENTS = frozenset({9, 10})
_SILENT = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', re.IGNORECASE)
_DATE_LETTER = re.compile(r"[dmyhs]", re.IGNORECASE)
_TIME_LETTER = re.compile(r"[hs]", re.IGNORECASE)


@dataclass(frozen=True)
class Formats:
    """Numbers of the cell formats that matter.

    Attributes
    ----------
    dates
        Those that show a number as a date or a time.
    times
        Those of them that show hours or seconds.
    percents
        Those that show a fraction as percent.
    padded
        Format -> how many digits a whole number is filled up to with zeros.
    """

    dates: frozenset[int] = frozenset()
    times: frozenset[int] = frozenset()
    percents: frozenset[int] = frozenset()
    padded: Mapping[int, int] = field(default_factory=dict)


def read_formats(package: Package, part: str) -> Formats:
    """Read the part of a workbook that holds its styles.

    Raises
    ------
    InputFault
        If it is broken, or holds more formats than any workbook of a study.
    """
    codes: dict[str, str] = {}
    formats: list[str] = []
    inside = False

    def start(element: str, has: Mapping[str, str]) -> None:
        nonlocal inside
        if element == "cellXfs":
            inside = True
        elif element == "xf" and inside:
            formats.append(has.get("numFmtId", "0"))
        elif element == "numFmt":
            codes[has.get("numFmtId", "")] = has.get("formatCode", "")
        if len(formats) + len(codes) > MAX_STYLES:
            raise package.fault(f"more than {MAX_STYLES:,} cell formats", "a workbook of a study")

    def end(element: str, _: str) -> None:
        nonlocal inside
        if element == "cellXfs":
            inside = False

    package.read_xml(part, start, end)
    told = {number: _told(number, codes) for number in set(formats)}
    at = list(enumerate(formats))
    return Formats(
        frozenset(i for i, f in at if told[f][0]),
        frozenset(i for i, f in at if told[f][1]),
        frozenset(i for i, f in at if told[f][2]),
        {i: told[f][3] for i, f in at if told[f][3]},
    )


def _told(number: str, codes: Mapping[str, str]) -> tuple[bool, bool, bool, int]:
    """Return whether a format shows a date, a time, percent, and to how many digits it fills."""
    if number in codes:
        code = codes[number]
        date = shows_date(code)
        return date, date and shows_time(code), shows_percent(code), digits_filled(code)
    built_in = int(number) if number.isdecimal() and len(number) < 4 else 0
    return (
        built_in in _BUILT_IN_DATES,
        built_in in _BUILT_IN_TIMES,
        built_in in _BUILT_IN_PERCENTS,
        0,
    )


def shows_date(code: str) -> bool:
    """Return whether a number format shows its number as a date or a time.

    Examples
    --------
    >>> [shows_date(c) for c in ("yyyy-mm-dd", "[h]:mm", "d. mmm", "[$-409]h:mm AM/PM")]
    [True, True, True, True]
    >>> [shows_date(c) for c in ("General", "0.00E+00", "[Red]0.0", '0.0" days"', "0\\\\m")]
    [False, False, False, False, False]
    """
    return _DATE_LETTER.search(_SILENT.sub("", code[:1_000])) is not None and "General" not in code


def shows_time(code: str) -> bool:
    """Return whether a date format shows hours or seconds.

    Examples
    --------
    >>> [shows_time(c) for c in ("yyyy-mm-dd hh:mm", "[h]:mm", "mm:ss", "d. mmm yyyy")]
    [True, True, True, False]
    """
    return _TIME_LETTER.search(_SILENT.sub("", code[:1_000])) is not None


def shows_percent(code: str) -> bool:
    """Return whether a number format shows a fraction as percent.

    Examples
    --------
    >>> [shows_percent(c) for c in ("0%", "0.00 %", '0.0"%"', "0\\\\%", "General")]
    [True, True, False, False, False]
    """
    return "%" in _SILENT.sub("", code[:1_000])


def digits_filled(code: str) -> int:
    """Return to how many digits a format fills a whole number up with zeros; 0 for none.

    Examples
    --------
    >>> [digits_filled(c) for c in ("0000", "00", "0", "0.00", "General")]
    [4, 2, 0, 0, 0]
    """
    return len(code) if 1 < len(code) <= 15 and set(code) == {"0"} else 0
