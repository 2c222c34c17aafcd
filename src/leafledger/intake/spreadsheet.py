"""Scans in workbooks (.xlsx): a scan in each sheet, or in each row of a wide table.

The study says which (``scans_in: sheets | rows``); nothing is guessed. Formulas are not computed:
their results are read as the spreadsheet program has left them in the file.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from leafledger.errors import first_words, nearest, quoted
from leafledger.intake.axis import check_one_axis
from leafledger.intake.bounds import count_problem
from leafledger.intake.faults import Faults
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.sheet_of_rows import read_row_scans
from leafledger.intake.sheet_scan import SheetScan, read_sheet_scan
from leafledger.workbooks.book import Book, SheetPart, open_book

_OTHERWISE = "Save it as .xlsx again, or state the right `form:` for this session."


def read_spreadsheet(
    data: bytes,
    file: str,
    form: FileForm,
    items: Sequence[str] = ("",),
    elsewhere: Sequence[str] = (),
) -> RawScans:
    """Read a workbook.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        ``scans_in``, ``sheet``, ``decimal`` and, with ``scans_in: rows``, ``scan_column``; else
        ``wavelength_column`` and ``value_column``.
    items
        What the scan sheet wants of this file: with ``scans_in: sheets`` the names of the sheets
        to read; an empty one means the only sheet.
    elsewhere
        What other sessions want of it: no sheet of these is called one that nobody named.

    Returns
    -------
    RawScans
        Items are the names of the sheets or of the rows; a falling axis is reversed.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50, each with its sheet, row and column.
    """
    faults = Faults(file)
    book = open_book(data, file, _OTHERWISE)
    if form.scans_in == "rows":
        sheet = _one_sheet(book, form, faults)
        faults.stop()
        assert sheet is not None  # else faults says why
        return read_row_scans(book, sheet, form, faults)
    wanted = _wanted_sheets(book, form, items, faults)
    faults.stop()
    scans = [read_sheet_scan(book, sheet, form, faults) for sheet in wanted]
    faults.stop()
    return _together([scan for scan in scans if scan is not None], book, form, elsewhere, faults)


def _together(
    scans: list[SheetScan], book: Book, form: FileForm, elsewhere: Sequence[str], faults: Faults
) -> RawScans:
    named = [(f"sheet {quoted(scan.sheet)}", None, scan.wavelength_nm) for scan in scans]
    check_one_axis(named, faults)
    faults.take(count_problem(faults.file, len(scans), len(scans[0].wavelength_nm)))
    faults.stop()
    notes = [note for scan in scans for note in scan.notes]
    read = {*elsewhere, *(scan.sheet for scan in scans)}
    others = [s.name for s in book.sheets if s.shown and s.name not in read]
    if others and form.sheet is None:
        notes.append(f"sheets that the scan sheet does not name: {first_words(others, 5)}")
    return RawScans(
        scans[0].wavelength_nm,
        np.array([scan.values for scan in scans]),
        tuple(scan.sheet for scan in scans),
        notes=tuple(notes),
    )


def _wanted_sheets(
    book: Book, form: FileForm, items: Sequence[str], faults: Faults
) -> list[SheetPart]:
    if form.sheet is not None or not any(items):
        only = _one_sheet(book, form, faults)
        return [] if only is None else [only]
    known = {sheet.name: sheet for sheet in book.sheets}
    for item in dict.fromkeys(items):
        if item not in known:
            faults.add(
                f"no sheet {quoted(item)}" if item else "a scan without item",
                f"an item that names one of the {len(known)} sheets",
                f"Mend the item of this scan in the scan sheet. {nearest(item, list(known))}",
                column="item",
            )
    return [known[item] for item in dict.fromkeys(items) if item in known]


def _one_sheet(book: Book, form: FileForm, faults: Faults) -> SheetPart | None:
    """Return the sheet that the form names, or the only one that is shown."""
    names = [sheet.name for sheet in book.sheets]
    if form.sheet is not None:
        if form.sheet in names:
            return book.sheets[names.index(form.sheet)]
        faults.add(
            f"no sheet {quoted(form.sheet)}",
            "the sheet that `sheet:` of the form names",
            nearest(form.sheet, names),
        )
        return None
    shown = [sheet for sheet in book.sheets if sheet.shown]
    if len(shown) == 1:
        return shown[0]
    mend = "State `sheet:` in the form of this session"
    if form.scans_in == "sheets":
        mend += ", or the sheet of each scan as its item in the scan sheet"
    faults.add(
        f"{len(shown)} sheets that are shown ({first_words([quoted(s.name) for s in shown], 5)})",
        "one, or the name of the one that is meant",
        f"{mend}.",
    )
    return None
