"""Many scans in one worksheet: one row per scan, one column per wavelength.

The heading row is the first of the first 100 rows with at least ten wavelength headings
(:func:`leafledger.study.headings.wavelength_of`). Every row below it that is not empty is a scan.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, nearest, quoted
from leafledger.intake.axis import check_axis
from leafledger.intake.bounds import MAX_VALUES, MIN_WAVELENGTHS, count_problem
from leafledger.intake.cell_numbers import CellNumbers
from leafledger.intake.faults import Faults
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.sheet_checks import check_merges, check_percents, sheet_notes
from leafledger.study.headings import LONGEST_NM, SHORTEST_NM, impossible_wavelength, split_headings
from leafledger.workbooks.book import Book, SheetPart
from leafledger.workbooks.cells import Cells, read_rows
from leafledger.workbooks.values import Odd, Value

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
        taken = set(positions)
        for at, text in enumerate(texts):
            value = cells.get(at)
            lost = value is None and positions[0] < at < positions[-1]
            if at in taken or not (
                lost or isinstance(value, Odd) or impossible_wavelength(text) is not None
            ):
                continue
            words = value.words if isinstance(value, Odd) else quoted(text)
            self.faults.add(
                "no heading" if lost else f"a heading {words}",
                f"a wavelength from {SHORTEST_NM:g} to {LONGEST_NM:g} nm, or a heading in words",
                value.mend if isinstance(value, Odd) else "Mend the heading.",
                row=row,
                column=self.numbers.where(at),
            )

    def _item_position(self, row: int, texts: list[str], positions: list[int]) -> int:
        name = self.form.scan_column
        taken = set(positions)
        words = [text for at, text in enumerate(texts) if at not in taken and text]
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
        values = [cells.get(at) for at in heading.positions]
        if all(type(value) is float for value in values):
            found = np.array(values, dtype=np.float64)
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
                self._number(value, row, at)
                for value, at in zip(values, heading.positions, strict=True)
            ]
            found = np.array(numbers, dtype=np.float64)
        self.items.append(self._item(cells.get(heading.item_at), row, heading.item_at))
        self.rows.append(found)
        if len(self.rows) * len(found) > MAX_VALUES:
            self.faults.take(count_problem(self.faults.file, len(self.rows), len(found)))
            self.faults.stop()

    def _number(self, value: Value | None, row: int, at: int) -> float | None:
        found = self.numbers.number(value, row, at)
        if found is None:
            self.numbers.report(value, row, at)
        return found

    def _item(self, value: Value | None, row: int, at: int) -> str:
        if isinstance(value, str):
            return value
        if isinstance(value, float):
            return _heading_text(value)
        self.faults.add(
            value.words if isinstance(value, Odd) else "an empty cell",
            "the name of the scan",
            value.mend if isinstance(value, Odd) else "Name the row.",
            row=row,
            column=self.numbers.where(at),
        )
        return ""

    def check_found(self) -> None:
        """Report a sheet without headings or without rows."""
        if self.heading is None:
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
