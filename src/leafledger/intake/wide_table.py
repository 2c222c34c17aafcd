"""Which scans does a wide text table hold: one row per scan, one column per wavelength?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import nearest, quoted
from leafledger.intake.raw_scan import (
    MAX_COLUMNS,
    MIN_WAVELENGTHS,
    Faults,
    FileForm,
    RawScans,
    check_axis,
    count_problem,
    number,
    split_pixel_headings,
)
from leafledger.intake.text_block import MARKS, decode, fields_of
from leafledger.study.table_sheet import (
    LONGEST_NM,
    SHORTEST_NM,
    content_ids,
    impossible_wavelength,
    no_wavelengths,
    split_headings,
)
from leafledger.study.worksheet_cells import Odd, Value, letters

# Which cells of a sheet are numbers, and what is said of those that are not.
# ----------------------------------------------------------------------


@dataclass
class CellNumbers:
    """Reads cells as numbers; a number typed as text counts if its decimal mark is clear.

    Parameters
    ----------
    sheet
        Name of the sheet, for messages.
    decimal
        ``auto``, ``point`` or ``comma``: the decimal mark of numbers typed as text.
    faults
        Where the problems go.
    """

    sheet: str
    decimal: str
    faults: Faults
    n_texts: int = 0
    marks: dict[str, tuple[int, int]] = field(default_factory=dict)

    def where(self, column: int) -> str:
        """Return sheet and column of a cell, for messages."""
        return f"sheet {quoted(self.sheet)}, column {letters(column)}"

    def number(self, value: Value | None, row: int, column: int) -> float | None:
        """Return the number in a cell, ``None`` if it holds none; nothing is reported."""
        if isinstance(value, float):
            return value
        if not isinstance(value, str):
            return None
        decimals = ("point", "comma") if self.decimal == "auto" else (self.decimal,)
        for decimal in decimals:
            parsed = number(value, decimal)
            if parsed is not None:
                self.n_texts += 1
                if "," in value or "." in value:
                    self.marks.setdefault(decimal, (row, column))
                return parsed
        return None

    def report(self, value: Value | None, row: int, column: int) -> None:
        """Add the problem of a cell that should be a number and is none."""
        found, mend = "an empty cell", "Fill the cell in, or take the scan out."
        if isinstance(value, Odd):
            found, mend = value.words, value.mend
        elif isinstance(value, str):
            found, mend = quoted(value), "Type the number; state `decimal:` if it has a comma."
        self.faults.add(found, "a number", mend, row=row, column=self.where(column))

    def close(self) -> None:
        """Report a sheet that has points in some numbers typed as text and commas in others."""
        if len(self.marks) > 1:
            row, column = self.marks["comma"]
            other_row, other_column = self.marks["point"]
            self.faults.add(
                f"a decimal comma here, a decimal point in {letters(other_column)}{other_row}",
                "numbers typed as text with one decimal mark",
                "State `decimal: point` or `decimal: comma` in the form of this session, or type "
                "the numbers again.",
                row=row,
                column=self.where(column),
            )

    def notes(self) -> list[str]:
        """Return what the user should know."""
        if not self.n_texts:
            return []
        return [f"sheet {quoted(self.sheet)}: {self.n_texts:,} numbers are typed as text"]


# The cells of a wide table: fast where all are clean, cell by cell where not.
# ----------------------------------------------------------------------

_BLOCK = 16_000_000


@dataclass(frozen=True)
class Wide:
    """What the heading line says: all headings, where the wavelengths and the item are."""

    headings: Sequence[str]
    positions: Sequence[int]
    item_at: int | None
    delimiter: str
    decimal: str
    heading_row: int


Cells = tuple[list[str], NDArray[np.float64]]


def lines_of(body: bytes) -> Iterator[tuple[int, str]]:
    """Yield position from 0 and text of each line, without holding them all."""
    start = row = 0
    while start < len(body):
        end = body.find(b"\n", start)
        end = len(body) if end < 0 else end
        yield row, body[start:end].decode("utf-8")
        start, row = end + 1, row + 1


def read_clean(body: bytes, wide: Wide) -> Cells | None:
    """Read the rows in one vectorised pass; ``None`` if anything at all is unusual.

    Parameters
    ----------
    body
        The lines below the heading, UTF-8, ending in line feeds.
    wide
        The columns.

    Returns
    -------
    items, values
        Names (empty strings without an item column) and array ``(n_scans, n_wavelengths)``.
    """
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    if wide.delimiter == "space" or not body.strip():
        return None
    names = [f"c{i}" for i in range(len(wide.headings))]
    value_columns = [names[i] for i in wide.positions]
    types = dict.fromkeys(value_columns, pa.float64())
    keys = [] if wide.item_at is None else [names[wide.item_at]]
    types.update(dict.fromkeys(keys, pa.string()))
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(body),
            read_options=pa_csv.ReadOptions(
                use_threads=False, block_size=_BLOCK, column_names=names
            ),
            parse_options=pa_csv.ParseOptions(delimiter=MARKS[wide.delimiter]),
            convert_options=pa_csv.ConvertOptions(
                column_types=types,
                include_columns=[*keys, *value_columns],
                null_values=[],
                strings_can_be_null=False,
                decimal_point="," if wide.decimal == "comma" else ".",
            ),
        )
    except (pa.ArrowException, ValueError, OSError):
        return None
    values = np.empty((table.num_rows, len(value_columns)), dtype=np.float64)
    start = 0
    for batch in table.to_batches():
        block = np.array([batch.column(name).to_numpy() for name in value_columns])
        values[start : start + batch.num_rows] = block.T
        start += batch.num_rows
    items = [item.strip() for key in keys for item in table.column(key).to_pylist()]
    if not np.isfinite(values).all() or (keys and not all(items)):
        return None
    n_lines = sum(1 for _, line in lines_of(body) if line.strip())
    return (items, values) if n_lines == len(values) else None


def read_cells(body: bytes, wide: Wide, faults: Faults) -> Cells:
    """Read the rows cell by cell and report each that is no finite number.

    Returns
    -------
    items, values
        As :func:`read_clean`; of use only if ``faults`` stays empty.
    """
    items: list[str] = []
    rows: list[NDArray[np.float64]] = []
    for line_number, line in lines_of(body):
        if faults.full:
            break
        if not line.strip():
            continue
        row = wide.heading_row + 1 + line_number
        fields = fields_of(line, wide.delimiter)
        if len(fields) != len(wide.headings):
            faults.add(
                f"{len(fields)} fields",
                f"{len(wide.headings)}, as in the heading (row {wide.heading_row})",
                "Mend the row, or state `delimiter:` and `decimal:` of the form.",
                row=row,
            )
            continue
        values = _row(fields, row, wide, faults)
        if values is not None:
            rows.append(values)
        items.append(_item(fields, row, wide, faults))
    return items, np.array(rows, dtype=np.float64).reshape(len(rows), len(wide.positions))


def _row(fields: Sequence[str], row: int, wide: Wide, faults: Faults) -> NDArray[np.float64] | None:
    values = [number(fields[i], wide.decimal) for i in wide.positions]
    if None not in values:
        return np.array(values, dtype=np.float64)
    for i, value in zip(wide.positions, values, strict=True):
        if value is None:
            faults.add(
                quoted(fields[i]) if fields[i] else "an empty cell",
                "a number",
                "Mend the cell, or take the row out of the table.",
                row=row,
                column=wide.headings[i],
            )
    return None


def _item(fields: Sequence[str], row: int, wide: Wide, faults: Faults) -> str:
    if wide.item_at is None:
        return ""
    item = fields[wide.item_at]
    if not item:
        faults.add(
            "an empty cell",
            "the name of the scan",
            "Name the row.",
            row=row,
            column=wide.headings[wide.item_at],
        )
    return item


# Many scans in a text table: one row per scan, one column per wavelength.
# ----------------------------------------------------------------------
# The heading line is the first of the first 100 lines with at least ten wavelength headings
# (:func:`leafledger.study.table_sheet.wavelength_of`); the delimiter is the one that gives it most
# of them. Every line below it that is not blank is a scan. The decimal mark is a comma if a
# wavelength cell of the first 50 rows holds one, unless stated.

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
        are :func:`leafledger.study.table_sheet.content_ids` of the rows.

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
    start, most, best_row = 0, 0, 1
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
        heading = _heading_of(line.decode("utf-8"), row, end + 1, form)
        if heading is not None:
            n_wavelengths = len(_split(heading.headings, form)[1])
            if n_wavelengths >= MIN_WAVELENGTHS:
                return heading
            if n_wavelengths > most:
                most, best_row = n_wavelengths, row
            first = first or heading.headings
        start = end + 1
        if start >= len(data):
            break
    if form.pixel_coefficients is None and _no_wavelengths(first, 1, faults):
        return None
    faults.add(
        f"at most {most} wavelength headings in a line",
        f"a heading line with at least {MIN_WAVELENGTHS}, such as 505, 505.0 nm, X505 or wl_505.5",
        "Check the delimiter of the form, and that the wavelengths are column headings.",
        row=best_row,
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
    wavelength_columns = set(positions)
    words = [h for i, h in enumerate(heading.headings) if i not in wavelength_columns]
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
