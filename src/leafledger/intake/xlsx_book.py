"""What a workbook says of its sheets, its shared texts and its date formats.

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.2.19 sheet, 18.4.9 sst, 18.8.30 numFmt (built-in formats and
format codes), 18.8.10 cellXfs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from leafledger.intake.xlsx_package import Package, beside

MAX_STRINGS: Final = 500_000
MAX_CHARACTERS: Final = 32_000_000
MAX_STYLES: Final = 100_000
_BUILT_IN_DATES = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})
_BUILT_IN_PERCENTS = frozenset({9, 10})
_SILENT = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', re.IGNORECASE)
_DATE_LETTER = re.compile(r"[dmyhs]", re.IGNORECASE)
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
    date_styles
        Numbers of the cell formats that show a number as a date or a time.
    percent_styles
        Numbers of the cell formats that show a fraction as percent.
    """

    package: Package
    sheets: tuple[SheetPart, ...]
    strings: tuple[str, ...]
    date_styles: frozenset[int] = frozenset()
    percent_styles: frozenset[int] = frozenset()


def open_book(data: bytes, file: str) -> Book:
    """Read all of a workbook but its sheets.

    Raises
    ------
    InputFault
        If it is no workbook, draws on other workbooks, or holds more than any of scans does.
    """
    package = Package(data, file)
    main = next((t for k, t in _related(package, "").values() if k == "officeDocument"), None)
    if main is None or not main.endswith(".xml"):
        raise package.fault(
            "an archive without a workbook of XML",
            "an .xlsx workbook",
            "Save it as .xlsx, or state the right `form:` for this session.",
        )
    related = _related(package, main)
    kinds = dict(related.values())
    if "externalLink" in kinds or any("externalLinks/" in name for name in package.parts):
        raise package.fault(
            "a workbook that takes values from other workbooks",
            "values that stand in the workbook itself",
            "Break the links to other workbooks (keep the values) and save it again.",
        )
    sheets = _sheets(package, main, related)
    strings = _strings(package, kinds["sharedStrings"]) if "sharedStrings" in kinds else ()
    if "styles" not in kinds:
        return Book(package, sheets, strings)
    return Book(package, sheets, strings, *_styles(package, kinds["styles"]))


def _related(package: Package, part: str) -> dict[str, tuple[str, str]]:
    """Return id -> kind and target of the relationships of a part (``""``: of the package)."""
    folder, _, name = part.rpartition("/")
    path = _RELATIONS.format(folder=f"{folder}/" if folder else "", name=name)
    out: dict[str, tuple[str, str]] = {}

    def start(element: str, has: Mapping[str, str]) -> None:
        if element == "Relationship" and len(out) < MAX_STYLES:
            kind = has.get("Type", "").rpartition("/")[2]
            out[has.get("Id", "")] = (kind, beside(part, has.get("Target", "")))

    if part and path not in package.parts:
        return out
    package.read_xml(path, start, lambda *_: None)
    return out


def _sheets(
    package: Package, main: str, related: Mapping[str, tuple[str, str]]
) -> tuple[SheetPart, ...]:
    sheets: list[SheetPart] = []

    def start(element: str, has: Mapping[str, str]) -> None:
        if element != "sheet":
            return
        link = next((value for key, value in has.items() if key.rpartition(":")[2] == "id"), "")
        kind, target = related.get(link, ("", ""))
        if kind == "worksheet":
            shown = has.get("state", "visible") == "visible"
            sheets.append(SheetPart(has.get("name", ""), shown, target))

    package.read_xml(main, start, lambda *_: None)
    if not sheets:
        raise package.fault("a workbook without worksheets", "a sheet of scans")
    if len({sheet.name for sheet in sheets}) != len(sheets):
        raise package.fault("two sheets of one name", "sheets with names of their own")
    return tuple(sheets)


def _strings(package: Package, part: str) -> tuple[str, ...]:
    """Return the shared texts, each put together from its runs, without phonetic hints."""
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
            strings.append("".join(runs))
        if len(strings) > MAX_STRINGS or n_characters > MAX_CHARACTERS:
            raise package.fault(
                f"more than {MAX_STRINGS:,} texts or {MAX_CHARACTERS:,} characters of text",
                "a workbook of scans, which are numbers",
                "Take what is no scan out of the workbook.",
            )

    package.read_xml(part, start, end)
    return tuple(strings)


def _styles(package: Package, part: str) -> tuple[frozenset[int], frozenset[int]]:
    """Return the cell formats that show dates, and those that show percent."""
    dates = {str(i): True for i in _BUILT_IN_DATES}
    percents = {str(i): True for i in _BUILT_IN_PERCENTS}
    formats: list[str] = []
    inside = False

    def start(element: str, has: Mapping[str, str]) -> None:
        nonlocal inside
        if element == "cellXfs":
            inside = True
        elif element == "xf" and inside:
            formats.append(has.get("numFmtId", "0"))
        elif element == "numFmt":
            number, code = has.get("numFmtId", ""), has.get("formatCode", "")
            dates[number] = shows_date(code)
            percents[number] = shows_percent(code)
        if len(formats) + len(dates) > MAX_STYLES:
            raise package.fault(f"more than {MAX_STYLES:,} cell formats", "a workbook of scans")

    def end(element: str, _: str) -> None:
        nonlocal inside
        if element == "cellXfs":
            inside = False

    package.read_xml(part, start, end)
    return (
        frozenset(i for i, f in enumerate(formats) if dates.get(f)),
        frozenset(i for i, f in enumerate(formats) if percents.get(f)),
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


def shows_percent(code: str) -> bool:
    """Return whether a number format shows a fraction as percent.

    Examples
    --------
    >>> [shows_percent(c) for c in ("0%", "0.00 %", '0.0"%"', "0\\\\%", "General")]
    [True, True, False, False, False]
    """
    return "%" in _SILENT.sub("", code[:1_000])
