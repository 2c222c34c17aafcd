"""One scan in a worksheet: a column of wavelengths, a column of values, anything above and below.

Where the scan stands is found by the rule of :mod:`leafledger.intake.text_block`, so that the same
scan exported as text or as a workbook gives the same numbers, and the same rows are damaged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import nearest, quoted
from leafledger.intake.axis import check_axis
from leafledger.intake.bounds import MAX_COLUMNS
from leafledger.intake.cell_numbers import CellNumbers
from leafledger.intake.faults import Faults
from leafledger.intake.numbers import mistyped
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.sheet_checks import check_merges, check_percents, sheet_notes
from leafledger.intake.text_block import Line, find_block
from leafledger.workbooks.book import Book, SheetPart
from leafledger.workbooks.cells import Cells, letters, read_rows
from leafledger.workbooks.values import Odd, Value

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
        for at in (rows.w_at, rows.v_at):
            if numbers.number(held[row].get(at), row, at) is None:
                numbers.report(held[row].get(at), row, at)
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
        wanted = {at: cells[at] for at in (self.w_at, self.v_at) if at in cells}
        if wanted:
            self.kept.append((row, wanted))

    def _look(self, cells: Cells) -> None:
        if self.n_rows > _HEADING_ROWS:
            return
        words = {value: at for at, value in reversed(cells.items()) if isinstance(value, str)}
        self.headings += [word for word in words if len(self.headings) < MAX_COLUMNS]
        places = [
            at if (at := _position(name)) >= 0 else words.get(name, -1) for name in self.names
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
