"""What does a workbook say of its sheets, shared texts, formats and the start of its dates?

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.2.19 sheet, 18.2.28 workbookPr, 18.4.9 sst.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from leafledger.workbooks.workbook_package import Package, beside

# How the cells of a workbook show their numbers: as dates, times, percent, with zeros before.
# ----------------------------------------------------------------------
# References
# ----------
# ECMA-376 part 1 (SpreadsheetML): 18.8.30 numFmt (built-in formats and format codes), 18.8.10
# cellXfs.

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
    kinds = {number: _kind_of_format(number, codes) for number in set(formats)}
    at = list(enumerate(formats))
    return Formats(
        frozenset(i for i, f in at if kinds[f][0]),
        frozenset(i for i, f in at if kinds[f][1]),
        frozenset(i for i, f in at if kinds[f][2]),
        {i: kinds[f][3] for i, f in at if kinds[f][3]},
    )


def _kind_of_format(number: str, codes: Mapping[str, str]) -> tuple[bool, bool, bool, int]:
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


# What a workbook says of its sheets, its shared texts and where its dates begin.
# ----------------------------------------------------------------------

MAX_STRINGS: Final = 500_000
MAX_CHARACTERS: Final = 32_000_000
MAX_RELATIONS: Final = 100_000
_RELATIONS = "{folder}_rels/{name}.rels"


@dataclass(frozen=True)
class SheetPart:
    """One worksheet: its name, whether it is shown, and the part that holds it."""

    name: str
    shown: bool
    part: str


@dataclass(frozen=True)
class Book:
    """A workbook, its sheets not read yet.

    Attributes
    ----------
    sheets
        Worksheets in their order; chart sheets are left out.
    strings
        The shared texts.
    formats
        How the cells show their numbers.
    from_1904
        Whether dates count from 1904, not from 1900.
    """

    package: Package
    sheets: tuple[SheetPart, ...]
    strings: tuple[str, ...]
    formats: Formats = field(default_factory=Formats)
    from_1904: bool = False


def open_book(data: bytes, file: str, otherwise: str = "") -> Book:
    """Read all of a workbook but its sheets.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    otherwise
        What to do about a file that is no workbook.

    Raises
    ------
    InputFault
        If it is no workbook, draws on other workbooks, or holds more than any of a study does.
    """
    package = Package(data, file, otherwise)
    main = next((t for k, t in _related(package, "").values() if k == "officeDocument"), None)
    if main is None or not main.endswith(".xml"):
        raise package.fault(
            "an archive without a workbook of XML", "an .xlsx workbook", package.otherwise
        )
    related = _related(package, main)
    kinds = dict(related.values())
    if "externalLink" in kinds or any("externalLinks/" in name for name in package.parts):
        raise package.fault(
            "a workbook that takes values from other workbooks",
            "values that stand in the workbook itself",
            "Break the links to other workbooks (keep the values) and save it again.",
        )
    sheets, from_1904 = _sheets(package, main, related)
    strings = _strings(package, kinds["sharedStrings"]) if "sharedStrings" in kinds else ()
    formats = read_formats(package, kinds["styles"]) if "styles" in kinds else Formats()
    return Book(package, sheets, strings, formats, from_1904)


def _related(package: Package, part: str) -> dict[str, tuple[str, str]]:
    """Return id -> kind and target of the relationships of a part (``""``: of the package)."""
    folder, _, name = part.rpartition("/")
    path = _RELATIONS.format(folder=f"{folder}/" if folder else "", name=name)
    out: dict[str, tuple[str, str]] = {}

    def start(element: str, has: Mapping[str, str]) -> None:
        if element == "Relationship" and len(out) < MAX_RELATIONS:
            kind = has.get("Type", "").rpartition("/")[2]
            out[has.get("Id", "")] = (kind, beside(part, has.get("Target", "")))

    if part and path not in package.parts:
        return out
    package.read_xml(path, start, lambda *_: None)
    return out


def _sheets(
    package: Package, main: str, related: Mapping[str, tuple[str, str]]
) -> tuple[tuple[SheetPart, ...], bool]:
    """Return the worksheets, and whether dates count from 1904."""
    sheets: list[SheetPart] = []
    from_1904 = False

    def start(element: str, has: Mapping[str, str]) -> None:
        nonlocal from_1904
        if element == "workbookPr":
            from_1904 = has.get("date1904") in {"1", "true"}
        if element != "sheet":
            return
        link = next((value for key, value in has.items() if key.rpartition(":")[2] == "id"), "")
        kind, target = related.get(link, ("", ""))
        if kind == "worksheet":
            shown = has.get("state", "visible") == "visible"
            sheets.append(SheetPart(has.get("name", ""), shown, target))

    package.read_xml(main, start, lambda *_: None)
    if not sheets:
        raise package.fault("a workbook without worksheets", "a sheet")
    if len({sheet.name for sheet in sheets}) != len(sheets):
        raise package.fault("two sheets of one name", "sheets with names of their own")
    return tuple(sheets), from_1904


def _strings(package: Package, part: str) -> tuple[str, ...]:
    """Return the shared texts, each put together from its runs, without phonetic hints.

    Blanks around a text go here, once: cut off cell by cell, each cell would hold a copy.
    """
    strings: list[str] = []
    runs: list[str] = []
    n_characters = 0
    phonetic = False

    def start(element: str, _: Mapping[str, str]) -> None:
        nonlocal phonetic
        if element == "si":
            runs.clear()
        elif element == "rPh":
            phonetic = True

    def end(element: str, text: str) -> None:
        nonlocal phonetic, n_characters
        if element == "t" and not phonetic:
            n_characters += len(text)
            runs.append(text)
        elif element == "rPh":
            phonetic = False
        elif element == "si":
            strings.append("".join(runs).strip())
        if len(strings) > MAX_STRINGS or n_characters > MAX_CHARACTERS:
            raise package.fault(
                f"more than {MAX_STRINGS:,} texts or {MAX_CHARACTERS:,} characters of text",
                "a workbook of scans, or of a sheet of the study",
                "Take what is neither out of the workbook.",
            )

    package.read_xml(part, start, end)
    return tuple(strings)
