"""The experimental units and what was done to each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from leafledger.errors import Problem, nearest, quoted
from leafledger.study.definition import Design
from leafledger.study.names import ID_WORDS, is_id, is_label
from leafledger.study.scan_sheet import Scan
from leafledger.study.sheets import Sheet

FILE = "units.csv"


def columns_of(design: Design) -> list[str]:
    """Return the columns of the units that the design names: treatment, block, plot, factors."""
    layout = [name for name in (design.block, design.whole_plot) if name]
    return list(dict.fromkeys([design.treatment, *layout, *design.factors]))


def units_of_sheet(
    sheet: Sheet, columns: Sequence[str]
) -> tuple[dict[str, dict[str, str]], list[Problem]]:
    """Return unit -> labels from the sheet of units, and every problem of its rows."""
    units: dict[str, dict[str, str]] = {}
    first: dict[str, int] = {}
    problems: list[Problem] = []
    for row in sheet.rows:
        unit = row.get("unit")
        labels = {name: row.get(name) for name in columns}
        if not is_id(unit):
            problems.append(
                Problem(
                    file=sheet.name,
                    row=row.line,
                    column="unit",
                    found=quoted(unit) if unit else "an empty cell",
                    expected=ID_WORDS,
                    mend="Give the unit an id.",
                )
            )
            continue
        if unit in units:
            differ = [n for n in columns if units[unit][n] != labels[n]]
            what = f"with another {differ[0]}" if differ else "again"
            problems.append(
                Problem(
                    file=sheet.name,
                    row=row.line,
                    column=differ[0] if differ else "unit",
                    found=f"unit {quoted(unit)} {what} (first in row {first[unit]})",
                    expected="one row for each unit, one treatment for each unit",
                    mend="Remove the row, or give the second unit its own id.",
                )
            )
            continue
        units[unit], first[unit] = labels, row.line
        problems += _label_problems(sheet.name, row.line, labels)
    return units, problems


def units_of_scans(
    scans: Iterable[Scan], columns: Sequence[str], by_scan: bool
) -> tuple[dict[str, dict[str, str]], list[Problem]]:
    """Return unit -> labels from columns of the scans themselves.

    Parameters
    ----------
    scans
        The leaf scans.
    columns
        The columns that the design names.
    by_scan
        True for a bare table without known units: each scan then stands alone, under its own id.
    """
    units: dict[str, dict[str, str]] = {}
    first: dict[str, Scan] = {}
    problems: list[Problem] = []
    for scan in scans:
        unit = scan.scan if by_scan else scan.unit
        labels = {name: scan.others.get(name, "") for name in columns}
        if not unit:
            continue
        if unit not in units:
            units[unit], first[unit] = labels, scan
            problems += _label_problems(scan.source, scan.row or None, labels)
        elif units[unit] != labels:
            name = next(n for n in columns if units[unit][n] != labels[n])
            problems.append(
                Problem(
                    file=scan.source,
                    row=scan.row or None,
                    column=name,
                    found=f"unit {quoted(unit)} with {quoted(labels[name])}, and with "
                    f"{quoted(units[unit][name])} in scan {first[unit].scan}",
                    expected=f"one {name} for each unit",
                    mend="Correct the label, or give the second unit its own id.",
                )
            )
    return units, problems


def _label_problems(file: str, row: int | None, labels: dict[str, str]) -> list[Problem]:
    return [
        Problem(
            file=file,
            row=row,
            column=name,
            found=quoted(text) if text else "an empty cell",
            expected="a label of printable text, at most 64 characters",
            mend=f"Fill in the {name} of the unit.",
        )
        for name, text in labels.items()
        if not is_label(text)
    ]


def missing_column(name: str, key: str, available: Sequence[str], source: str) -> Problem:
    """Return the problem of a design that names a column which is not there."""
    return Problem(
        file="study.yaml",
        column=key,
        found=f"{quoted(name)}, but {source} has no such column",
        expected=f"a column of {source}",
        mend=nearest(name, [c for c in available if c != "unit"])
        if available
        else f"Write {FILE} with the columns unit and {name}.",
    )
