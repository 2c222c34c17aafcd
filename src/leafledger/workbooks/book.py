"""What a workbook says of its sheets, its shared texts and where its dates begin.

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.2.19 sheet, 18.2.28 workbookPr, 18.4.9 sst.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from leafledger.workbooks.formats import Formats, read_formats
from leafledger.workbooks.package import Package, beside

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
