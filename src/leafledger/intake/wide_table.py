"""Many scans in a text table: one row per scan, one column per wavelength.

The heading line is the first of the first 100 lines with at least ten wavelength headings
(:func:`leafledger.study.headings.wavelength_of`); the delimiter is the one that gives it most of
them. Every line below it that is not blank is a scan. The decimal mark is a comma if a wavelength
cell of the first 50 rows holds one, unless stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import nearest, quoted
from leafledger.intake.axis import check_axis
from leafledger.intake.bounds import MAX_COLUMNS, MIN_WAVELENGTHS, count_problem
from leafledger.intake.encoding import decode
from leafledger.intake.faults import Faults
from leafledger.intake.pixels import split_pixel_headings
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.text_dialect import MARKS, fields_of
from leafledger.intake.wide_cells import Wide, lines_of, read_cells, read_clean
from leafledger.study.headings import (
    LONGEST_NM,
    SHORTEST_NM,
    impossible_wavelength,
    no_wavelengths,
    split_headings,
)
from leafledger.study.row_ids import content_ids

_LINES_TRIED = 100
_ROWS_TRIED = 50
_LONGEST_HEADING = 4_000_000


@dataclass(frozen=True)
class _Heading:
    row: int
    end: int
    delimiter: str
    headings: list[str]


def read_wide_table(data: bytes, file: str, form: FileForm) -> RawScans:
    """Read a wide table.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        ``scan_column`` names the column that holds the item of each row; without it the items
        are :func:`leafledger.study.row_ids.content_ids` of the rows.

    Returns
    -------
    RawScans
        Rows in file order; a falling axis is reversed.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.
    """
    text, codec = decode(data, file, form.encoding)
    if codec != "utf-8":
        data = text.encode("utf-8")
    del text
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    data = data.rstrip(b"\x1a")
    faults = Faults(file)
    heading = _find_heading(data, form, faults)
    faults.stop()
    assert heading is not None  # else faults says why
    _, positions, wavelengths = _split(heading.headings, form)
    raw = np.array(wavelengths, dtype=np.float64)
    falls = _check_headings(heading, positions, raw, form, faults)
    item_at = _item_position(heading, positions, form, faults)
    n_rows = data.count(b"\n", heading.end) + 1
    faults.take(count_problem(file, n_rows, len(positions)))
    faults.stop()
    body = data[heading.end :]
    decimal = form.decimal
    if decimal == "auto":
        decimal = _decimal(body, heading, positions)
    wide = Wide(heading.headings, positions, item_at, heading.delimiter, decimal, heading.row)
    items, values = _rows(body, wide, faults)
    if falls:
        raw, values = raw[::-1].copy(), np.ascontiguousarray(values[:, ::-1])
    return RawScans(raw, values, tuple(items))


def _rows(body: bytes, wide: Wide, faults: Faults) -> tuple[list[str], NDArray[np.float64]]:
    clean = read_clean(body, wide)
    items, values = clean if clean is not None else read_cells(body, wide, faults)
    faults.stop()
    if not len(values):
        faults.add("a heading without rows", "a row for each scan", "Export the table again.")
        faults.stop()
    if wide.item_at is None:
        items = content_ids([text for _, text in lines_of(body) if text.strip()])
    return items, values


def _find_heading(data: bytes, form: FileForm, faults: Faults) -> _Heading | None:
    start, most, at = 0, 0, 1
    first: list[str] = []
    for row in range(1, _LINES_TRIED + 1):
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        line = data[start:end]
        widest = max(line.count(mark.encode()) for mark in MARKS.values()) + 1
        if len(line) > _LONGEST_HEADING or widest > MAX_COLUMNS:
            faults.add(
                f"a line of {len(line):,} characters and up to {widest:,} columns",
                f"at most {MAX_COLUMNS:,} columns",
                "Check that this is a table of one row per scan.",
                row=row,
            )
            return None
        found = _heading_of(line.decode("utf-8"), row, end + 1, form)
        if found is not None:
            n_wavelengths = len(_split(found.headings, form)[1])
            if n_wavelengths >= MIN_WAVELENGTHS:
                return found
            if n_wavelengths > most:
                most, at = n_wavelengths, row
            first = first or found.headings
        start = end + 1
        if start >= len(data):
            break
    if form.pixel_coefficients is None and _no_wavelengths(first, 1, faults):
        return None
    faults.add(
        f"at most {most} wavelength headings in a line",
        f"a heading line with at least {MIN_WAVELENGTHS}, such as 505, 505.0 nm, X505 or wl_505.5",
        "Check the delimiter of the form, and that the wavelengths are column headings.",
        row=at,
    )
    return None


def _heading_of(line: str, row: int, end: int, form: FileForm) -> _Heading | None:
    best, most = None, -1
    for delimiter in MARKS if form.delimiter == "auto" else [form.delimiter]:
        headings = fields_of(line, delimiter)
        n_wavelengths = len(_split(headings, form)[1])
        if n_wavelengths > most:
            best, most = _Heading(row, end, delimiter, headings), n_wavelengths
    return best


def _split(headings: Sequence[str], form: FileForm) -> tuple[list[int], list[int], list[float]]:
    """Split headings into metadata and wavelengths, or pixels where the form says so."""
    return (split_headings if form.pixel_coefficients is None else split_pixel_headings)(headings)


def _check_headings(
    heading: _Heading,
    positions: Sequence[int],
    raw: NDArray[np.float64],
    form: FileForm,
    faults: Faults,
) -> bool:
    def place(i: int) -> tuple[int | None, str | None]:
        return heading.row, heading.headings[positions[i]]

    if form.pixel_coefficients is not None:
        return check_axis(raw, faults, place, pixels=True)
    if _no_wavelengths(heading.headings, heading.row, faults):
        return False
    for text in heading.headings:
        if impossible_wavelength(text) is not None:
            faults.add(
                f"a heading {quoted(text)}",
                f"a wavelength from {SHORTEST_NM:g} to {LONGEST_NM:g} nm, or a heading in words",
                "Mend the heading.",
                row=heading.row,
                column=text,
            )
    return check_axis(raw, faults, place)


def _no_wavelengths(headings: Sequence[str], row: int, faults: Faults) -> bool:
    """Add one problem if the numbers of a row are no wavelengths in nm, not one for each."""
    why = no_wavelengths(headings)
    if why is not None:
        faults.add(why[0], "wavelengths in nm as headings, rising or falling", why[1], row=row)
    return why is not None


def _item_position(
    heading: _Heading, positions: Sequence[int], form: FileForm, faults: Faults
) -> int | None:
    if form.scan_column is None:
        return None
    taken = set(positions)
    words = [h for i, h in enumerate(heading.headings) if i not in taken]
    n_found = words.count(form.scan_column)
    if n_found != 1:
        faults.add(
            "no such column" if not n_found else f"{n_found} such columns",
            f"one column {quoted(form.scan_column)} that names the scan of each row",
            "Mend `scan_column:` of the form. " + nearest(form.scan_column, words or ["(none)"]),
            row=heading.row,
            column=form.scan_column,
        )
        return None
    return heading.headings.index(form.scan_column)


def _decimal(body: bytes, heading: _Heading, positions: Sequence[int]) -> str:
    for _, line in islice(lines_of(body), _ROWS_TRIED):
        fields = fields_of(line, heading.delimiter)
        if any("," in fields[i] for i in positions if i < len(fields)):
            return "comma"
    return "point"
