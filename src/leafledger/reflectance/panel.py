"""What does the white panel reflect: a stated number, or a table over wavelength?"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, bounded, quoted

WAVELENGTH, REFLECTANCE, U_RELATIVE = "wavelength_nm", "reflectance", "u_relative"
_LARGEST_BYTES = 4_000_000
_LARGEST = {WAVELENGTH: 30_000.0, REFLECTANCE: 1.2, U_RELATIVE: 1.0}

_LONGEST_UM = 30.0

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Panel:
    """What the panel reflects.

    Attributes
    ----------
    reflectance
        A fraction: one number, or one for each native pixel.
    u_relative
        Relative standard uncertainty, the same for all scans: one number, or one for each
        wavelength of the grid.
    """

    reflectance: float | Floats
    u_relative: float | Floats

    @property
    def u_for_file(self) -> float | list[float]:
        """The uncertainty as metadata of the reflectance table."""
        if isinstance(self.u_relative, float):
            return self.u_relative
        return [float(u) for u in self.u_relative]


def panel_of(
    settings: Mapping[str, Any],
    table: Path | None,
    file: str,
    wavelength_nm: Floats,
    grid_nm: Floats,
) -> Panel:
    """Return the panel of a session.

    Parameters
    ----------
    settings
        Section ``instrument.panel``.
    table, file
        The table and its name in messages, if ``reflectance`` names one.
    wavelength_nm, grid_nm
        Native axis and grid of the reflectance, nm.

    Raises
    ------
    InputFault
        If the table is missing, at fault, or does not cover the grid.
    """
    if table is None:
        return Panel(float(settings["reflectance"]), float(settings["u_relative"]))
    table_nm, factor, u = read_panel(table, file)
    if table_nm[0] > grid_nm[0] or table_nm[-1] < grid_nm[-1]:
        raise InputFault(too_short(file, table_nm, grid_nm))
    # Only pixels less than a grid step outside the table, if any, get its end value.
    on_pixels = np.interp(wavelength_nm, table_nm, factor)
    if u is None:
        return Panel(on_pixels, float(settings["u_relative"]))
    return Panel(on_pixels, np.interp(grid_nm, table_nm, u))


def too_short(file: str, table_nm: Floats, grid_nm: Floats) -> Problem:
    """Return the problem of a table that ends inside the range of the reflectance.

    Parameters
    ----------
    file
        Name of the table.
    table_nm, grid_nm
        Wavelengths of the table and of the reflectance, rising, nm.
    """
    return Problem(
        file=file,
        column=WAVELENGTH,
        found=f"{table_nm[0]:g} to {table_nm[-1]:g} nm",
        expected=f"the whole range of the reflectance, {grid_nm[0]:g} to {grid_nm[-1]:g} nm",
        mend="Complete the table, or state a reflectance.grid inside it.",
    )


def read_panel(path: Path, file: str) -> tuple[Floats, Floats, Floats | None]:
    """Read a table of wavelength, reflectance factor and, if it has it, relative uncertainty.

    Returns
    -------
    tuple
        Wavelengths (rising, nm), reflectance factors, relative standard uncertainties or None.

    Raises
    ------
    InputFault
        With every problem of the table, each with its row and column.
    """
    if not path.is_file():
        raise InputFault(Problem(file, "no such file", "the table of the panel", "Put it there."))
    if path.stat().st_size > _LARGEST_BYTES:
        raise InputFault(
            Problem(
                file=file,
                found=f"{path.stat().st_size / 1e6:.0f} MB",
                expected=f"at most {_LARGEST_BYTES / 1e6:.0f} MB",
                mend="Check that the file is the table of the panel.",
            )
        )
    rows = _rows(path, file)
    columns = _columns(file, [cell.strip() for cell in rows[0][1]] if rows else [])
    other_unit = _other_unit(file, rows[1:], columns)
    if other_unit:
        raise InputFault(other_unit)
    values: list[list[float]] = []
    problems: list[Problem] = []
    for line, cells in rows[1:]:
        numbers, wrong = _numbers(file, line, cells, columns)
        previous = values[-1][0] if values else -math.inf
        if not wrong and numbers[0] <= previous:
            wrong = [_falls(file, line, numbers[0], previous)]
        problems += wrong
        if not wrong:
            values.append(numbers)
    if len(values) < 2 and not problems:
        problems = [_empty(file, len(values))]
    if problems:
        raise InputFault(bounded(problems))
    table = np.array(values)
    return table[:, 0], table[:, 1], table[:, 2] if len(columns) == 3 else None


def stated_wavelengths(path: Path, file: str) -> Floats | None:
    """Return the wavelengths of a table whose reflectance may be at fault; ``None`` if they are.

    So that a table which is in percent and too short is refused for both.
    """
    if path.stat().st_size > _LARGEST_BYTES:
        return None
    try:
        rows = _rows(path, file)
        columns = _columns(file, [cell.strip() for cell in rows[0][1]] if rows else [])
    except InputFault:
        return None
    at = columns[WAVELENGTH]
    numbers = [_number(cells[at].strip()) if at < len(cells) else None for _, cells in rows[1:]]
    nm = np.array([math.nan if number is None else number for number in numbers])
    return nm if len(nm) > 1 and bool(np.all(np.diff(nm) > 0)) and nm[-1] > _LONGEST_UM else None


def _rows(path: Path, file: str) -> list[tuple[int, list[str]]]:
    """Return line and cells of every row that holds something."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        return [(reader.line_num, cells) for cells in reader if any(c.strip() for c in cells)]
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputFault(
            Problem(
                file=file,
                found="text that is no CSV in UTF-8",
                expected=f"a sheet that begins with {WAVELENGTH},{REFLECTANCE}",
                mend="Save the table as CSV (UTF-8).",
            )
        ) from error


def _columns(file: str, heading: list[str]) -> dict[str, int]:
    """Return the position of each column that is used."""
    missing = [name for name in (WAVELENGTH, REFLECTANCE) if heading.count(name) != 1]
    if missing or heading.count(U_RELATIVE) > 1:
        raise InputFault(
            Problem(
                file=file,
                row=1,
                column=missing[0] if missing else U_RELATIVE,
                found=f"the headings {quoted(','.join(heading))}",
                expected=f"{WAVELENGTH}, {REFLECTANCE} and, if known, {U_RELATIVE}, each once",
                mend="Save the table as CSV with commas, not semicolons."
                if len(heading) == 1 and ";" in heading[0]
                else "Correct the heading row; wavelengths are in nm, not micrometres."
                if any(text in ",".join(heading).lower() for text in ("_um", "\N{MICRO SIGN}m"))
                else "Correct the heading row.",
            )
        )
    used = (WAVELENGTH, REFLECTANCE, U_RELATIVE)
    return {name: heading.index(name) for name in used if name in heading}


def _numbers(
    file: str, line: int, cells: list[str], columns: Mapping[str, int]
) -> tuple[list[float], list[Problem]]:
    numbers, problems = [], []
    for name, place in columns.items():
        text = cells[place].strip() if place < len(cells) else ""
        number = _number(text)
        lowest = 0.0 if name == U_RELATIVE else math.ulp(0.0)
        if number is None or not lowest <= number <= _LARGEST[name]:
            above = "from 0" if name == U_RELATIVE else "above 0"
            problems.append(
                Problem(
                    file=file,
                    row=line,
                    column=name,
                    found=quoted(text),
                    expected=f"a number {above} up to {_LARGEST[name]:g}",
                    mend="Correct the cell (reflectance is a fraction, not percent).",
                )
            )
        else:
            numbers.append(number)
    return numbers, problems


def _other_unit(
    file: str, rows: list[tuple[int, list[str]]], columns: Mapping[str, int]
) -> list[Problem]:
    """Return one problem for a column that is in percent or micrometres from top to bottom."""
    problems = []
    for name, unit, least, most, times in (
        (REFLECTANCE, "percent", _LARGEST[REFLECTANCE], 100 * _LARGEST[REFLECTANCE], "0.01"),
        (WAVELENGTH, "micrometres", 0.1, _LONGEST_UM, "1000"),
    ):
        texts = [cells[columns[name]].strip() for _, cells in rows if columns[name] < len(cells)]
        numbers = [number for number in map(_number, texts) if number is not None]
        if len(numbers) == len(rows) > 1 and all(least < number <= most for number in numbers):
            problems.append(
                Problem(
                    file=file,
                    column=name,
                    found=f"values from {min(numbers):g} to {max(numbers):g}, which look like "
                    f"{unit}",
                    expected="nm" if name == WAVELENGTH else "a fraction, at most about 1",
                    mend=f"Multiply the column by {times}.",
                )
            )
    return problems


def _number(text: str) -> float | None:
    try:
        return float(text) if text.isascii() and "_" not in text else None
    except ValueError:
        return None


def _falls(file: str, line: int, here: float, before: float) -> Problem:
    return Problem(
        file=file,
        row=line,
        column=WAVELENGTH,
        found=f"{here:g} after {before:g}",
        expected="rising wavelengths, each once",
        mend="Sort the rows by wavelength and take out doubles.",
    )


def _empty(file: str, n_rows: int) -> Problem:
    return Problem(
        file=file,
        found=f"{n_rows} rows of numbers",
        expected="two or more",
        mend="Fill in the panel's certificate, or state one number in instrument.panel.",
    )
