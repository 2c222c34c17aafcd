"""Which scans does a workbook (.xlsx) hold: one in each sheet, or one in each row of a table?

The study says which (``scans_in: sheets | rows``); nothing is guessed. Formulas are not computed:
their results are read as the spreadsheet program has left them in the file.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, first_words, nearest, quoted
from leafledger.intake.raw_scan import (
    MAX_COLUMNS,
    MAX_VALUES,
    MIN_WAVELENGTHS,
    Faults,
    FileForm,
    RawScans,
    check_axis,
    check_one_axis,
    count_problem,
    mistyped,
    unit_note,
)
from leafledger.intake.text_block import Line, find_block
from leafledger.intake.wide_table import CellNumbers
from leafledger.study.table_sheet import (
    LONGEST_NM,
    SHORTEST_NM,
    impossible_wavelength,
    in_micrometres,
    split_headings,
)
from leafledger.study.workbook import Book, SheetPart, open_book
from leafledger.study.worksheet_cells import Cells, Odd, Seen, Value, letters, read_rows

# Merged cells and percent formats inside a table, and what else of a sheet must be told.
# ----------------------------------------------------------------------


def check_merges(
    seen: Seen, rows: tuple[int, int], columns: Iterable[int], numbers: CellNumbers
) -> None:
    """Add a problem for each merged area that takes in a cell of the scans.

    Only its first cell holds a value, and nothing says whether that stands for the others.

    Parameters
    ----------
    seen
        The sheet.
    rows
        First and last row of the scans.
    columns
        Columns that are read.
    numbers
        For the place in the message, and its faults.
    """
    scan_columns = sorted(columns)
    for top, left, bottom, right in seen.merges:
        if top > rows[1] or bottom < rows[0]:
            continue
        if any(left <= column <= right for column in scan_columns):
            numbers.faults.add(
                f"merged cells {letters(left)}{top}:{letters(right)}{bottom}",
                "a cell of its own for every value",
                "Unmerge them and fill in each cell.",
                row=max(top, rows[0]),
                column=numbers.where(left),
            )


def check_percents(
    seen: Seen, first_row: int, columns: Iterable[int], quantity: str, numbers: CellNumbers
) -> None:
    """Add a problem if the study says percent but the cells hold fractions shown as percent.

    A cell that shows 45 % holds 0.45; divided by 100 once more it would be wrong by a hundred.

    Parameters
    ----------
    seen
        The sheet.
    first_row
        Of the scans.
    columns
        Columns of values that are read.
    quantity
        What study.yaml says the values are.
    numbers
        For the place in the message, and its faults.
    """
    faulty = sorted(c for c in columns if seen.percents.get(c, 0) >= first_row)
    if quantity == "reflectance" or not faulty:
        return
    numbers.faults.add(
        f"numbers shown as percent in {len(faulty)} column{'s' * (len(faulty) > 1)}: the cells "
        "hold fractions",
        f"{quantity}, as study.yaml says",
        "State `quantity: reflectance` in the form of this session, or give the cells the format "
        "General.",
        row=seen.percents[faulty[0]],
        column=numbers.where(faulty[0]),
    )


def sheet_notes(sheet: SheetPart, seen: Seen) -> list[str]:
    """Return what is hidden in a sheet that was read."""
    name = f"sheet {quoted(sheet.name)}"
    notes = [] if sheet.shown else [f"{name} is hidden, and was read"]
    if seen.n_hidden_rows:
        notes.append(f"{name}: {seen.n_hidden_rows:,} hidden rows were read like the others")
    return notes


# Many scans in one worksheet: one row per scan, one column per wavelength.
# ----------------------------------------------------------------------
# The heading row is the first of the first 100 rows with at least ten wavelength headings
# (:func:`leafledger.study.table_sheet.wavelength_of`). Every row below it that is not empty is a
# scan.

_ROWS_TRIED = 100


def read_row_scans(book: Book, sheet: SheetPart, form: FileForm, faults: Faults) -> RawScans:
    """Read a wide table from a sheet.

    Parameters
    ----------
    book, sheet
        The workbook and its sheet.
    form
        ``scan_column`` names the column with the item of each row.
    faults
        Where the problems go.

    Raises
    ------
    InputFault
        With every problem of the sheet.
    """
    numbers = CellNumbers(sheet.name, form.decimal, faults)
    table = _Table(form, numbers)
    seen = read_rows(book, sheet, table.take)
    table.check_found()
    heading = table.heading
    if heading is None:
        raise InputFault(faults.all())
    columns = {heading.item_at, *heading.positions}
    check_merges(seen, (heading.row, table.last_row), columns, numbers)
    check_percents(seen, heading.row + 1, heading.positions, form.quantity, numbers)
    numbers.close()
    faults.stop()
    raw, values = heading.wavelength_nm, np.array(table.rows)
    if heading.falls:
        raw, values = raw[::-1].copy(), np.ascontiguousarray(values[:, ::-1])
    notes = (*numbers.notes(), *sheet_notes(sheet, seen))
    return RawScans(raw, values, tuple(table.items), notes=notes)


@dataclass(frozen=True)
class _Heading:
    row: int
    positions: list[int]
    wavelength_nm: NDArray[np.float64]
    item_at: int
    falls: bool


@dataclass
class _Table:
    """The rows of the table as they come in."""

    form: FileForm
    numbers: CellNumbers
    heading: _Heading | None = None
    items: list[str] = field(default_factory=list)
    rows: list[NDArray[np.float64]] = field(default_factory=list)
    n_tried: int = 0
    most: int = 0
    last_row: int = 0
    micrometres: tuple[int, str, str] | None = None
    """Row, finding and mend of headings in another unit than nm."""

    @property
    def faults(self) -> Faults:
        return self.numbers.faults

    def take(self, row: int, cells: Cells) -> None:
        """Take a row: a line above the headings, the headings, or a scan."""
        self.last_row = row
        if self.heading is None:
            self._try_heading(row, cells)
        elif not self.faults.full:
            self._scan(row, cells, self.heading)

    def _try_heading(self, row: int, cells: Cells) -> None:
        self.n_tried += 1
        if self.n_tried > _ROWS_TRIED or not cells:
            return
        texts = [_heading_text(cells.get(i)) for i in range(max(cells) + 1)]
        _, positions, wavelengths = split_headings(texts)
        self.most = max(self.most, len(positions))
        why = None if self.micrometres is not None else in_micrometres(texts)
        if why is not None:
            self.micrometres = (row, *why)
        if len(positions) < MIN_WAVELENGTHS:
            return
        self._check_headings(row, cells, texts, positions)
        raw = np.array(wavelengths, dtype=np.float64)
        falls = check_axis(raw, self.faults, lambda i: (row, self.numbers.where(positions[i])))
        item_at = self._item_position(row, texts, positions)
        self.faults.stop()
        self.heading = _Heading(row, positions, raw, item_at, falls)

    def _check_headings(
        self, row: int, cells: Cells, texts: list[str], positions: list[int]
    ) -> None:
        wavelength_columns = set(positions)
        for column, text in enumerate(texts):
            value = cells.get(column)
            lost = value is None and positions[0] < column < positions[-1]
            if column in wavelength_columns or not (
                lost or isinstance(value, Odd) or impossible_wavelength(text) is not None
            ):
                continue
            words = value.words if isinstance(value, Odd) else quoted(text)
            self.faults.add(
                "no heading" if lost else f"a heading {words}",
                f"a wavelength from {SHORTEST_NM:g} to {LONGEST_NM:g} nm, or a heading in words",
                value.mend if isinstance(value, Odd) else "Mend the heading.",
                row=row,
                column=self.numbers.where(column),
            )

    def _item_position(self, row: int, texts: list[str], positions: list[int]) -> int:
        name = self.form.scan_column
        wavelength_columns = set(positions)
        words = [
            text for column, text in enumerate(texts) if column not in wavelength_columns and text
        ]
        n_found = words.count(name) if name is not None else 0
        if n_found == 1 and name is not None:
            return texts.index(name)
        self.faults.add(
            f"{n_found or 'no'} columns {quoted(name)}" if name else "no `scan_column:`",
            "one column that names the scan of each row",
            "State `scan_column:` in the form of this session. " + nearest(name or "", words),
            row=row,
            column=f"sheet {quoted(self.numbers.sheet)}",
        )
        return -1

    def _scan(self, row: int, cells: Cells, heading: _Heading) -> None:
        values = [cells.get(column) for column in heading.positions]
        if all(type(value) is float for value in values):
            spectrum = np.array(values, dtype=np.float64)
        elif all(value is None for value in values):
            self.faults.add(
                "a row without any value",
                "a number at each wavelength",
                "Take the row out of the table, or put it on another sheet.",
                row=row,
                column=f"sheet {quoted(self.numbers.sheet)}",
            )
            return
        else:
            numbers = [
                self._number(value, row, column)
                for value, column in zip(values, heading.positions, strict=True)
            ]
            spectrum = np.array(numbers, dtype=np.float64)
        self.items.append(self._item(cells.get(heading.item_at), row, heading.item_at))
        self.rows.append(spectrum)
        if len(self.rows) * len(spectrum) > MAX_VALUES:
            self.faults.take(count_problem(self.faults.file, len(self.rows), len(spectrum)))
            self.faults.stop()

    def _number(self, value: Value | None, row: int, column: int) -> float | None:
        number = self.numbers.number(value, row, column)
        if number is None:
            self.numbers.report(value, row, column)
        return number

    def _item(self, value: Value | None, row: int, column: int) -> str:
        if isinstance(value, str):
            return value
        if isinstance(value, float):
            return _heading_text(value)
        self.faults.add(
            value.words if isinstance(value, Odd) else "an empty cell",
            "the name of the scan",
            value.mend if isinstance(value, Odd) else "Name the row.",
            row=row,
            column=self.numbers.where(column),
        )
        return ""

    def check_found(self) -> None:
        """Report a sheet without headings or without rows."""
        if self.heading is None and self.micrometres is not None:
            row, found, mend = self.micrometres
            self.faults.add(
                f"{found}, in the sheet {quoted(self.numbers.sheet)}",
                "wavelengths in nm as headings, rising or falling",
                mend,
                row=row,
            )
        elif self.heading is None:
            self.faults.add(
                f"at most {self.most} wavelength headings in a row of the sheet "
                f"{quoted(self.numbers.sheet)}",
                f"a heading row with at least {MIN_WAVELENGTHS}, such as 505 or 505.0 nm",
                "Check the sheet; for a scan in each sheet state `scans_in: sheets`.",
            )
        elif not self.rows and not self.faults.problems:
            self.faults.add(
                f"headings without rows in the sheet {quoted(self.numbers.sheet)}",
                "a row for each scan",
                "Export the table again.",
            )


def _heading_text(value: Value | None) -> str:
    """Return a heading or a name as text: 505, not 505.0, for a whole number."""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return value if isinstance(value, str) else ""


# One scan in a worksheet: a column of wavelengths, a column of values, anything above and below.
# ----------------------------------------------------------------------
# Where the scan stands is found by the rule of :mod:`leafledger.intake.text_block`, so that the
# same scan exported as text or as a workbook gives the same numbers, and the same rows are
# damaged.

_HEADING_ROWS = 200
_LONGEST_SHOWN = 100


@dataclass(frozen=True)
class SheetScan:
    """A scan: its sheet, wavelengths rising in nm ``(n_wavelengths,)``, values, notes."""

    sheet: str
    wavelength_nm: NDArray[np.float64]
    values: NDArray[np.float64]
    notes: list[str]


def read_sheet_scan(
    book: Book, sheet: SheetPart, form: FileForm, faults: Faults
) -> SheetScan | None:
    """Read the scan of one sheet; ``None`` and problems in ``faults`` if it has none.

    Parameters
    ----------
    book, sheet
        The workbook and its sheet.
    form
        ``wavelength_column`` and ``value_column`` are numbers from 1 or headings.
    faults
        Where the problems go.
    """
    before = len(faults.problems) + faults.beyond
    numbers = CellNumbers(sheet.name, form.decimal, faults)
    rows = _TwoColumns(form, numbers)
    seen = read_rows(book, sheet, rows.take)
    if not rows.placed(faults):
        return None
    lines = [rows.line(row, cells) for row, cells in rows.kept]
    aside = Faults(faults.file)
    block = find_block(lines, aside)
    if block is None:
        faults.add(
            f"no row of numbers in the sheet {quoted(sheet.name)}",
            f"a wavelength in column {letters(rows.w_at)} and a value in {letters(rows.v_at)}",
            "Check the sheet, `wavelength_column:` and `value_column:` of the form.",
        )
        return None
    held = dict(rows.kept)
    damaged = {line.row for line in block.lines if not line.good}
    for row in sorted(damaged):
        for column in (rows.w_at, rows.v_at):
            if numbers.number(held[row].get(column), row, column) is None:
                numbers.report(held[row].get(column), row, column)
    for problem in aside.problems:
        if problem.row not in damaged:
            faults.add(
                problem.found,
                problem.expected,
                problem.mend,
                row=problem.row,
                column=f"sheet {quoted(sheet.name)}",
            )
    good = [line for line in block.lines if line.good]
    check_merges(seen, (good[0].row, good[-1].row), {rows.w_at, rows.v_at}, numbers)
    check_percents(seen, good[0].row, {rows.v_at}, form.quantity, numbers)
    raw = np.array([line.wavelength for line in good], dtype=np.float64)
    values = np.array([line.value for line in good], dtype=np.float64)
    falls = check_axis(raw, faults, lambda i: (good[i].row, numbers.where(rows.w_at)))
    numbers.close()
    if len(faults.problems) + faults.beyond > before:
        return None
    order = slice(None, None, -1) if falls else slice(None)
    notes = [f"sheet {quoted(sheet.name)}: {note}" for note in block.notes]
    note = unit_note(rows.heading_above(good[0].row), raw)
    notes += [f"sheet {quoted(sheet.name)}: {note}"] if note else []
    notes += [*numbers.notes(), *sheet_notes(sheet, seen)]
    return SheetScan(sheet.name, raw[order].copy(), values[order].copy(), notes)


class _TwoColumns:
    """The two wanted columns of the rows, as they come in."""

    def __init__(self, form: FileForm, numbers: CellNumbers) -> None:
        self.names = (form.wavelength_column.strip(), form.value_column.strip())
        self.numbers = numbers
        self.headings: list[str] = []
        self.kept: list[tuple[int, Cells]] = []
        places = [_position(name) for name in self.names]
        self.w_at, self.v_at = places
        self.searching = None in {p if p >= 0 else None for p in places}
        self.n_rows = 0

    def take(self, row: int, cells: Cells) -> None:
        """Keep the wanted cells of a row; look for the heading line while it is not known."""
        self.n_rows += 1
        if self.searching:
            self._look(cells)
            return
        kept_cells = {column: cells[column] for column in (self.w_at, self.v_at) if column in cells}
        if kept_cells:
            self.kept.append((row, kept_cells))

    def _look(self, cells: Cells) -> None:
        if self.n_rows > _HEADING_ROWS:
            return
        words = {
            value: column for column, value in reversed(cells.items()) if isinstance(value, str)
        }
        self.headings += [word for word in words if len(self.headings) < MAX_COLUMNS]
        places = [
            column if (column := _position(name)) >= 0 else words.get(name, -1)
            for name in self.names
        ]
        if min(places) >= 0:
            self.w_at, self.v_at = places
            self.searching = False

    def placed(self, faults: Faults) -> bool:
        """Tell whether the wanted columns are known and two, and report it if not."""
        if self.searching:
            for key, name in zip(("wavelength_column", "value_column"), self.names, strict=True):
                if _position(name) < 0:
                    faults.add(
                        f"no heading {quoted(name)} in the sheet {quoted(self.numbers.sheet)}",
                        "a row with the headings that the form names",
                        f"Mend `{key}:` of the form, or give its number from 1. "
                        + nearest(name, sorted(set(self.headings))),
                        column=key,
                    )
            return False
        if self.w_at == self.v_at:
            faults.add(
                f"{quoted(self.names[0])} for both",
                "the wavelength and the value in columns of their own",
                "Mend `wavelength_column:` or `value_column:` of the form.",
                column="value_column",
            )
        return self.w_at != self.v_at

    def heading_above(self, first_row: int) -> str:
        """Return the heading of the wavelengths: as the form names it, or the text above them."""
        if _position(self.names[0]) < 0:
            return self.names[0]
        texts = [cells.get(self.w_at) for row, cells in self.kept if row < first_row]
        return next((text for text in reversed(texts) if isinstance(text, str)), "")

    def line(self, row: int, cells: Cells) -> Line:
        """Return a row as the rule of text files sees it."""
        w, v = cells.get(self.w_at), cells.get(self.v_at)
        wavelength = self.numbers.number(w, row, self.w_at)
        value = self.numbers.number(v, row, self.v_at)
        suspect = (value is None) != (wavelength is None) and (wavelength is not None or _spoilt(w))
        return Line(row, f"{_shown(w)} {_shown(v)}".strip(), 2, wavelength, value, suspect)


def _position(name: str) -> int:
    """Return the position from 0 of a column given by number, -1 for one given by name."""
    return int(name) - 1 if name.isdecimal() and len(name) < 6 and int(name) > 0 else -1


def _spoilt(value: Value | None) -> bool:
    """Return whether a cell beside a number stands where a wavelength was."""
    return value is None or isinstance(value, Odd) or (isinstance(value, str) and mistyped(value))


def _shown(value: Value | None) -> str:
    """Return the beginning of a cell: many cells may share one long text."""
    text = "" if value is None else value.words if isinstance(value, Odd) else str(value)
    return text[:_LONGEST_SHOWN]


# Scans in workbooks (.xlsx): a scan in each sheet, or in each row of a wide table.
# ----------------------------------------------------------------------

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
    sheets = _wanted_sheets(book, form, items, faults)
    faults.stop()
    scans = [read_sheet_scan(book, sheet, form, faults) for sheet in sheets]
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
    sheet_of = {sheet.name: sheet for sheet in book.sheets}
    for item in dict.fromkeys(items):
        if item not in sheet_of:
            faults.add(
                f"no sheet {quoted(item)}" if item else "a scan without item",
                f"an item that names one of the {len(sheet_of)} sheets",
                f"Mend the item of this scan in the scan sheet. {nearest(item, list(sheet_of))}",
                column="item",
            )
    return [sheet_of[item] for item in dict.fromkeys(items) if item in sheet_of]


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
    visible = [sheet for sheet in book.sheets if sheet.shown]
    if len(visible) == 1:
        return visible[0]
    mend = "State `sheet:` in the form of this session"
    if form.scans_in == "sheets":
        mend += ", or the sheet of each scan as its item in the scan sheet"
    names = [quoted(sheet.name) for sheet in visible]
    faults.add(
        f"{len(visible)} sheets that are shown ({first_words(names, 5)})",
        "one, or the name of the one that is meant",
        f"{mend}.",
    )
    return None
