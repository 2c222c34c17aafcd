"""A wide table that is its own scan sheet: a row per leaf, labels and bands side by side."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from leafledger.errors import InputFault, Problem, quoted
from leafledger.study.headings import no_wavelengths, split_headings
from leafledger.study.measurement_sections import Form
from leafledger.study.names import as_id
from leafledger.study.row_ids import content_ids
from leafledger.study.sheets import MOST_ROWS, Row, read_text
from leafledger.study.workbook_sheet import LARGEST_BYTES as LARGEST_WORKBOOK
from leafledger.study.workbook_sheet import headings_of, is_workbook

MOST_BANDS = 40_000
_FEWEST_BANDS = 10
"""A sheet with fewer headings that are wavelengths is no table of spectra."""
_LINE_END = re.compile(r"\r\n|\r|\n")
_DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " "}


def is_spectra_table(path: Path, form: Form) -> bool:
    """Tell whether a sheet holds bands, by its heading row."""
    if form.form != "wide_table" or not path.is_file() or is_workbook(path):
        return False
    return len(split_headings(_first_row(path, form))[1]) >= _FEWEST_BANDS


def _first_row(path: Path, form: Form) -> list[str]:
    with path.open("rb") as file:
        head = file.readline(4_000_000).decode("utf-8-sig", errors="replace")
    head = _LINE_END.split(head, maxsplit=1)[0]
    return _cells(head, _delimiter(head, form))


def without_headings(path: Path, shown: str, form: Form) -> Problem | None:
    """Return the problem of a wide table whose first row holds values, or other units than nm."""
    if form.form != "wide_table" or not path.is_file() or is_workbook(path):
        return None
    if form.pixel_coefficients is not None:
        return None
    cells = _first_row(path, form)
    why = no_wavelengths(cells)
    if why is None and sum(map(_is_number, cells)) >= _FEWEST_BANDS:
        if is_spectra_table(path, form):
            return None
        why = (
            "a first row of numbers of which none can be a wavelength in nm",
            "Write a heading row above it: the wavelength of each column, a word for the others.",
        )
    if why is None:
        return None
    return Problem(
        file=shown,
        row=1,
        found=why[0],
        expected="wavelengths in nm as headings, rising or falling",
        mend=why[1],
    )


def _is_number(text: str) -> bool:
    try:
        float(text.strip().strip('"').replace(",", "."))
    except ValueError:
        return False
    return True


def spectra_in_workbook(path: Path, shown: str, form: Form) -> Problem | None:
    """Return the problem of labelled spectra in a workbook: they are read from CSV only.

    Raises
    ------
    InputFault
        If the workbook cannot be opened or does not say which sheet is meant.
    """
    in_rows = form.form in ("wide_table", "spreadsheet")
    if not in_rows or not is_workbook(path) or not path.is_file():
        return None
    if not 0 < path.stat().st_size <= LARGEST_WORKBOOK:
        return None  # the reader of scan sheets says so
    if len(split_headings(headings_of(path, shown, "scans"))[1]) < _FEWEST_BANDS:
        return None
    return Problem(
        file=shown,
        row=1,
        found="a table of labelled spectra in a workbook",
        expected="labelled spectra as CSV (UTF-8), or a scan sheet",
        mend="Save the sheet as CSV (UTF-8), name that file as `sheet:` under intake, and write "
        "`form: wide_table`.",
    )


def rows_of_table(path: Path, shown: str, form: Form) -> tuple[list[Row], list[str]]:
    """Return a row of cells per scan (labels only, bands left out) and the label columns.

    The scan's id is the cell of ``scan_column`` made into an id, or, where there is no such
    column, ``row`` and the number of its row in the file, the heading being row 1. The raw values
    are found by a digest of the row's text, and a decision keeps the digest of what it was about,
    so a table that is sorted anew is noticed.

    Raises
    ------
    InputFault
        If the sheet is no text or its rows do not fit the heading.
    """
    lines = _LINE_END.split(read_text(path, shown))
    delimiter = _delimiter(lines[0], form)
    headings = _cells(lines[0], delimiter)
    if len(headings) > MOST_BANDS or len(lines) > MOST_ROWS:
        raise InputFault(
            Problem(
                file=shown,
                row=1,
                found=f"{len(headings):,} columns and {len(lines):,} lines",
                expected=f"at most {MOST_BANDS:,} columns and {MOST_ROWS:,} lines",
                mend="Check that the file is the table you mean; split it if it is.",
            )
        )
    labels, _, _ = split_headings(headings)
    names = [headings[i].strip() for i in labels]
    if form.scan_column is not None and form.scan_column not in names:
        raise InputFault(
            Problem(
                file=shown,
                row=1,
                column=form.scan_column,
                found=f"no column {quoted(form.scan_column)}",
                expected="the scan_column that study.yaml names",
                mend="Correct intake.forms, or the heading of the table.",
            )
        )
    body = [(i, text) for i, text in enumerate(lines[1:], start=2) if text.strip()]
    ids = content_ids([text for _, text in body])
    digits = len(str(body[-1][0])) if body else 1
    rows: list[Row] = []
    for (line, text), content_id in zip(body, ids, strict=True):
        cells = _cells(text, delimiter)
        here = {headings[i].strip(): cells[i] for i in labels if i < len(cells)}
        item = here[form.scan_column].strip() if form.scan_column else content_id
        name = as_id(item) if form.scan_column else f"row{line:0{digits}d}"
        given = here.get("scan", "").strip()
        rows.append(Row(line, {**here, "scan": given or name, "item": item, "file": shown}))
    return rows, names


def _delimiter(heading: str, form: Form) -> str:
    if form.delimiter != "auto":
        return _DELIMITERS[form.delimiter]
    return max("\t;,", key=heading.count)


def _cells(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)
