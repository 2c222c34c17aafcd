"""Merged cells and percent formats inside a table, and what else of a sheet must be told."""

from __future__ import annotations

from collections.abc import Iterable

from leafledger.errors import quoted
from leafledger.intake.cell_numbers import CellNumbers
from leafledger.workbooks.book import SheetPart
from leafledger.workbooks.cells import Seen, letters


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
    wanted = sorted(columns)
    for top, left, bottom, right in seen.merges:
        if top > rows[1] or bottom < rows[0]:
            continue
        if any(left <= column <= right for column in wanted):
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
    wanted = sorted(c for c in columns if seen.percents.get(c, 0) >= first_row)
    if quantity == "reflectance" or not wanted:
        return
    numbers.faults.add(
        f"numbers shown as percent in {len(wanted)} column{'s' * (len(wanted) > 1)}: the cells "
        "hold fractions",
        f"{quantity}, as study.yaml says",
        "State `quantity: reflectance` in the form of this session, or give the cells the format "
        "General.",
        row=seen.percents[wanted[0]],
        column=numbers.where(wanted[0]),
    )


def sheet_notes(sheet: SheetPart, seen: Seen) -> list[str]:
    """Return what is hidden in a sheet that was read."""
    name = f"sheet {quoted(sheet.name)}"
    notes = [] if sheet.shown else [f"{name} is hidden, and was read"]
    if seen.n_hidden_rows:
        notes.append(f"{name}: {seen.n_hidden_rows:,} hidden rows were read like the others")
    return notes
