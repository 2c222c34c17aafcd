"""What does a workbook hold: its parts, sheets, shared texts, formats and the start of its dates?

A workbook is a zip archive of XML parts (Office Open XML). Some kilobytes of it can hold gigabytes,
so that what the archive promises is checked before anything is inflated, and inflating stops where
a part turns out to be larger than promised. Document types and entities have no place in such
parts and are refused.

The parts are read with zipfile, zlib and expat. openpyxl was tried: it keeps everything outside the
rows in memory (17 MB of senseless elements did not end in 45 s), believes the size that a sheet
states, and cannot tell a formula without result from an empty cell in one pass. It is the outside
value of the tests.

References
----------
ECMA-376 part 1 (SpreadsheetML): 18.2.19 sheet, 18.2.28 workbookPr, 18.4.9 sst. ECMA-376 part 2,
Open Packaging Conventions. PKWARE, APPNOTE.TXT (zip file format), sections 4.3.7 and 4.3.12.
Deflate (RFC 1951) shrinks by 1,032 to 1 at most, sheets of numbers by 5 to 20 to 1 (measured here).
"""

from __future__ import annotations

import io
import posixpath
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final
from xml.parsers import expat

from leafledger.errors import InputFault, Problem, quoted

# The package
# ----------------------------------------------------------------------

MEGABYTE: Final = 1_000_000
MAX_PARTS: Final = 10_000
MAX_INFLATED: Final = 256 * MEGABYTE
MAX_RATIO: Final = 100
MAX_DEPTH: Final = 64
MAX_ELEMENTS: Final = 2_000_000
MAX_TEXT: Final = 40_000
"""Characters in one text of XML; a cell of a workbook holds at most 32,767 (ECMA-376)."""
_SMALL: Final = MEGABYTE
_PIECE: Final = 1 << 18
_LOCAL_HEADER: Final = struct.Struct("<4s22xHH")
_ENCRYPTED = 0x1
_SEND = "Save the workbook again as .xlsx in a spreadsheet program, or copy the file again."

Start = Callable[[str, Mapping[str, str]], None]
End = Callable[[str, str], None]


class Package:
    """The archive of a workbook, checked against its own directory.

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
        If it is no such archive, or promises more than any workbook of a study holds.
    """

    def __init__(self, data: bytes, file: str, otherwise: str = "") -> None:
        self.data, self.file = data, file
        self.otherwise = otherwise or _SEND
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                entries = archive.infolist()
        except (zipfile.BadZipFile, ValueError, OverflowError, NotImplementedError, OSError):
            raise self.fault(*_no_archive(data), self.otherwise) from None
        self.parts = {entry.filename.lstrip("/"): entry for entry in entries}
        self._check_promises(entries)

    def fault(self, found: str, expected: str, mend: str = _SEND) -> InputFault:
        """Return the error that says what is wrong with the whole file."""
        return InputFault(Problem(self.file, found, expected, mend))

    def _check_promises(self, entries: list[zipfile.ZipInfo]) -> None:
        if len(entries) > MAX_PARTS or len(self.parts) != len(entries):
            n_doubled = len(entries) - len(self.parts)
            doubled = f", {n_doubled:,} of them doubled" if n_doubled else ""
            raise self.fault(
                f"an archive of {len(entries):,} parts{doubled}",
                f"a workbook of at most {MAX_PARTS:,} parts, each there once",
            )
        for entry in entries:
            if entry.file_size > max(_SMALL, MAX_RATIO * entry.compress_size):
                raise self.fault(
                    f"a part {quoted(entry.filename)} of {entry.compress_size:,} bytes that "
                    f"inflates to {entry.file_size / MEGABYTE:,.0f} MB",
                    f"at most {MAX_RATIO} to 1",
                    "Check where this file comes from: it is made to fill the memory.",
                )
        total = sum(entry.file_size for entry in entries)
        if total > MAX_INFLATED:
            raise self.fault(
                f"a workbook of {total / MEGABYTE:,.0f} MB when inflated",
                f"at most {MAX_INFLATED // MEGABYTE} MB",
                "Split it into several workbooks, or export the sheets as text.",
            )

    def pieces(self, name: str) -> Iterator[bytes]:
        """Inflate a part piece by piece.

        Raises
        ------
        InputFault
            If there is no such part, or it is not as the archive promises.
        """
        entry = self.parts.get(name)
        if entry is None:
            raise self.fault(f"no part {quoted(name)} in the archive", "a whole workbook")
        if entry.flag_bits & _ENCRYPTED:
            raise self.fault(
                "an encrypted archive", "a workbook without password", "Take the password off."
            )
        if entry.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
            raise self.fault(f"a part {quoted(name)} compressed in another way", "deflate")
        raw = self._raw(entry)
        if entry.compress_type == zipfile.ZIP_STORED:
            pieces: Iterator[bytes] = iter([bytes(raw)])
        else:
            pieces = self._inflated(raw, entry)
        size = check = 0
        for piece in pieces:
            size += len(piece)
            if size > entry.file_size:
                raise self._broken(name, f"more than the {entry.file_size:,} bytes it promises")
            check = zlib.crc32(piece, check)
            yield piece
        if size != entry.file_size or check != entry.CRC:
            raise self._broken(name, f"other bytes than promised ({size:,} of them)")

    def _raw(self, entry: zipfile.ZipInfo) -> memoryview:
        view = memoryview(self.data)
        offset = entry.header_offset
        head = view[offset : offset + _LOCAL_HEADER.size]
        if offset < 0 or len(head) < _LOCAL_HEADER.size:
            raise self._broken(entry.filename, "nothing, for it lies outside of the file")
        mark, n_name, n_extra = _LOCAL_HEADER.unpack(head)
        start = offset + _LOCAL_HEADER.size + n_name + n_extra
        raw = view[start : start + entry.compress_size]
        if mark != b"PK\x03\x04" or len(raw) != entry.compress_size:
            raise self._broken(entry.filename, "no part where the directory says")
        return raw

    def _inflated(self, raw: memoryview, entry: zipfile.ZipInfo) -> Iterator[bytes]:
        machine = zlib.decompressobj(-zlib.MAX_WBITS)
        rest: bytes | memoryview = raw
        while not machine.eof:
            try:
                piece = machine.decompress(rest, _PIECE)
            except zlib.error:
                raise self._broken(entry.filename, "no deflated data") from None
            rest = machine.unconsumed_tail
            if not piece and not rest:
                return
            yield piece

    def _broken(self, name: str, words: str) -> InputFault:
        return self.fault(f"a part {quoted(name)} that holds {words}", "a whole workbook")

    def read_xml(self, name: str, start: Start, end: End, most: int = MAX_ELEMENTS) -> None:
        """Read an XML part, calling ``start`` and ``end`` for each element.

        Parameters
        ----------
        name
            Of the part.
        start
            Is given the name of the element, without its prefix, and its attributes.
        end
            Is given the name, without its prefix, and the text since the last start or end.
        most
            Elements that the part may hold.

        Raises
        ------
        InputFault
            If the part is no plain XML in UTF-8: document types and entities are refused.
        """
        reader = _Xml(self, name, start, end, most)
        for piece in self.pieces(name):
            reader.feed(piece)
        reader.feed(b"", last=True)


class _Xml:
    """One part going through the XML parser of the standard library."""

    def __init__(self, package: Package, name: str, start: Start, end: End, most: int) -> None:
        self.package, self.name = package, name
        self.start, self.end = start, end
        self.depth = self.n_elements = 0
        self.most = most
        self.prefix = ""
        self.text: list[str] = []
        self.n_text = 0
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.XmlDeclHandler = self._declared
        parser.StartDoctypeDeclHandler = self._refused
        parser.EntityDeclHandler = self._refused
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        self.parser = parser

    def feed(self, piece: bytes, last: bool = False) -> None:
        try:
            self.parser.Parse(piece, last)
        except expat.ExpatError as error:
            words = expat.ErrorString(error.code)
            raise self._fault(f"broken XML ({words}, line {error.lineno})", "XML") from None
        except ValueError:
            raise self._fault("an encoding that is not known", "UTF-8") from None

    def _fault(self, found: str, expected: str) -> InputFault:
        return self.package.fault(f"{found} in the part {quoted(self.name)}", expected)

    def _declared(self, _: str, encoding: str | None, __: int) -> None:
        if encoding is not None and encoding.upper() not in {"UTF-8", "UTF8", "US-ASCII", "ASCII"}:
            raise self._fault(f"the encoding {quoted(encoding, 20)}", "UTF-8")

    def _refused(self, *_: object) -> None:
        raise self._fault("a document type or entity", "plain XML without DOCTYPE and ENTITY")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if self.depth == 0 and ":" in name:
            self.prefix = name.partition(":")[0] + ":"
        self.depth += 1
        self.n_elements += 1
        if self.depth > MAX_DEPTH or self.n_elements > self.most:
            raise self._fault(
                f"elements nested deeper than {MAX_DEPTH}, or more than {self.most:,} of them",
                "a workbook of a study",
            )
        if self.text:
            self.text, self.n_text = [], 0
        self.start(name.removeprefix(self.prefix) if self.prefix else name, attributes)

    def _end(self, name: str) -> None:
        self.depth -= 1
        text = self.text[0] if len(self.text) == 1 else "".join(self.text)
        if self.text:
            self.text, self.n_text = [], 0
        self.end(name.removeprefix(self.prefix) if self.prefix else name, text)

    def _characters(self, text: str) -> None:
        self.n_text += len(text)
        if self.n_text > MAX_TEXT:
            raise self._fault(f"a text of more than {MAX_TEXT:,} characters", "a few words")
        self.text.append(text)


def beside(part: str, target: str) -> str:
    """Return the name of the part that a relationship of ``part`` points to.

    Examples
    --------
    >>> beside("xl/workbook.xml", "worksheets/sheet1.xml")
    'xl/worksheets/sheet1.xml'
    >>> beside("xl/workbook.xml", "/xl/styles.xml")
    'xl/styles.xml'
    """
    if target.startswith("/"):
        return posixpath.normpath(target).lstrip("/")
    return posixpath.normpath(posixpath.join(posixpath.dirname(part), target))


def _no_archive(data: bytes) -> tuple[str, str]:
    if data.startswith(b"\xd0\xcf\x11\xe0"):  # the older container, also around encrypted ones
        return (
            "a workbook with a password, or one of the older form .xls",
            "an .xlsx workbook, saved without a password",
        )
    return "no whole .xlsx workbook", "an .xlsx workbook"


# Formats of numbers (18.8.30 numFmt, 18.8.10 cellXfs)
# ----------------------------------------------------------------------

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
    numbered = list(enumerate(formats))
    return Formats(
        frozenset(i for i, f in numbered if kinds[f][0]),
        frozenset(i for i, f in numbered if kinds[f][1]),
        frozenset(i for i, f in numbered if kinds[f][2]),
        {i: kinds[f][3] for i, f in numbered if kinds[f][3]},
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


# Sheets, shared texts, start of the dates
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
            is_visible = has.get("state", "visible") == "visible"
            sheets.append(SheetPart(has.get("name", ""), is_visible, target))

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
