"""Workbooks for the tests: whole ones by a library, hostile ones part by part."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from typing import Any

import xlsxwriter

TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/></Types>'
)
KIND = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
RELATION = "http://schemas.openxmlformats.org/package/2006/relationships"
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def workbook(sheets: Mapping[str, Sequence[Sequence[Any]]], **hidden: bool) -> bytes:
    """Return a workbook of these sheets; ``None`` is an empty cell."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_numbers": False})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for at, row in enumerate(rows):
            for column, value in enumerate(row):
                if value is not None:
                    sheet.write(at, column, value)
        if hidden.get(name):
            sheet.hide()
        else:
            sheet.activate()
            sheet.set_first_sheet()
    book.close()
    return out.getvalue()


def scan(n: int = 15, first: float = 0.25) -> list[list[Any]]:
    """Return the rows of one scan with a heading, 400 nm upwards."""
    return [["nm", "counts"], *([400 + i, first + i] for i in range(n))]


def wide(n: int = 3, p: int = 12) -> list[list[Any]]:
    """Return the rows of a wide table."""
    head = ["label", "note", *(500 + 10 * i for i in range(p))]
    return [head, *([f"leaf{r}", "ok", *(r + i / 100 for i in range(p))] for r in range(n))]


def relations(*items: tuple[str, str, str]) -> str:
    inner = "".join(
        f'<Relationship Id="{i}" Type="{KIND}/{kind}" Target="{target}"/>'
        for i, kind, target in items
    )
    return f'<Relationships xmlns="{RELATION}">{inner}</Relationships>'


def parts(rows: str = "", **other: str) -> dict[str, str]:
    """Return the parts of a workbook with one sheet ``Data`` whose rows are given as XML."""
    return {
        "[Content_Types].xml": TYPES,
        "_rels/.rels": relations(("r1", "officeDocument", "xl/workbook.xml")),
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{KIND}"><sheets>'
        '<sheet name="Data" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": relations(
            ("r1", "worksheet", "worksheets/sheet1.xml"),
            ("r2", "sharedStrings", "sharedStrings.xml"),
            ("r3", "styles", "styles.xml"),
        ),
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData>'
        "</worksheet>",
        "xl/sharedStrings.xml": f'<sst xmlns="{MAIN}"><si><t>label</t></si></sst>',
        "xl/styles.xml": f'<styleSheet xmlns="{MAIN}"><cellXfs count="2"><xf numFmtId="0"/>'
        '<xf numFmtId="14"/></cellXfs></styleSheet>',
        **other,
    }


def zipped(named: Mapping[str, str | bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Return an archive of these parts."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, text in named.items():
            archive.writestr(zipfile.ZipInfo(name), text, method)
    return out.getvalue()


def number_rows(n: int = 15, first: float = 0.25) -> str:
    """Return rows of wavelength and value as XML."""
    return "".join(
        f'<row r="{i + 1}"><c r="A{i + 1}"><v>{400 + i}</v></c>'
        f'<c r="B{i + 1}"><v>{first + i}</v></c></row>'
        for i in range(n)
    )


def lying(data: bytes, name: str, size: int) -> bytes:
    """Return the archive with another size promised for a part, in both places that say it."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entry = archive.getinfo(name)
    old, new = entry.file_size.to_bytes(4, "little"), size.to_bytes(4, "little")
    at = entry.header_offset + 22
    assert data[at : at + 4] == old
    data = data[:at] + new + data[at + 4 :]
    central = data.rindex(name.encode("ascii")) - 46 + 24
    assert data[central : central + 4] == old
    return data[:central] + new + data[central + 4 :]
