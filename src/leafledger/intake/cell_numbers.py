"""Which cells of a sheet are numbers, and what is said of those that are not."""

from __future__ import annotations

from dataclasses import dataclass, field

from leafledger.errors import quoted
from leafledger.intake.faults import Faults
from leafledger.intake.numbers import number
from leafledger.workbooks.cells import letters
from leafledger.workbooks.values import Odd, Value


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
            found = number(value, decimal)
            if found is not None:
                self.n_texts += 1
                if "," in value or "." in value:
                    self.marks.setdefault(decimal, (row, column))
                return found
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
