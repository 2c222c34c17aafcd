"""Wavelengths and values of one JCAMP-DX block, checked against what its labels say."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import quoted
from leafledger.intake.bounds import MAX_WAVELENGTHS
from leafledger.intake.faults import Faults
from leafledger.intake.jcamp_blocks import Block, Record
from leafledger.intake.jcamp_ordinates import OrdinatesError, ordinates, split_abscissa
from leafledger.intake.numbers import number

_NM_PER = {
    "NANOMETERS": 1.0,
    "NANOMETER": 1.0,
    "NANOMETRES": 1.0,
    "NANOMETRE": 1.0,
    "NM": 1.0,
    "MICROMETERS": 1000.0,
    "MICROMETER": 1000.0,
    "MICROMETRES": 1000.0,
    "MICROMETRE": 1000.0,
    "UM": 1000.0,
}
_OTHER_ORDINATES = ("ABSORBANCE", "KUBELKA", "TRANSMI", "LOG(1/R)", "EMISSION")
_DELTA_SHARE = 0.01
_SAME_DIGIT = 1e-3
_SAME_ORDINATE = 1e-9
"""Ordinates with decimals, added up from differences, are equal only so far."""


@dataclass(frozen=True)
class Points:
    """One spectrum in file order; ``rows`` are the lines that the points stand in."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    rows: list[int]


def read_points(block: Block, quantity: str, limit: int, faults: Faults) -> Points | None:
    """Return the spectrum of a block, in nm and in the unit of its ordinates.

    Parameters
    ----------
    block
        The records.
    quantity
        What study.yaml says the values are: ``counts``, ``reflectance`` or ``percent``.
    limit
        Points that the file may still hold.
    faults
        Gets every problem of the block; the result is ``None`` then.
    """
    before = len(faults.problems) + faults.beyond
    nm_per_unit = _abscissa_unit(block, faults)
    _check_ordinate_unit(block, quantity, faults)
    label = "XYDATA" if "XYDATA" in block.records else "XYPOINTS"
    record = block.records[label]
    form = record.value.replace(" ", "").upper()
    limit = min(limit, MAX_WAVELENGTHS)
    points: Points | None = None
    if form == "(X++(Y..Y))" and label == "XYDATA":
        points = _even_points(block, record, limit, faults)
    elif form == "(XY..XY)":
        points = _pairs(block, record, limit, faults)
    else:
        faults.add(
            f"##{label}= {quoted(record.value)}",
            "(X++(Y..Y)) or (XY..XY)",
            "Export the scan as a plain spectrum.",
            row=record.row,
        )
    if points is None or len(faults.problems) + faults.beyond > before:
        return None
    return Points(points.x * nm_per_unit, points.y, points.rows)


def _abscissa_unit(block: Block, faults: Faults) -> float:
    text = block.text("XUNITS")
    unit = text.upper().strip()
    if unit in _NM_PER:
        return _NM_PER[unit]
    faults.add(
        f"##XUNITS= {quoted(text)}" if text else "no ##XUNITS=",
        "NANOMETERS or MICROMETERS",
        "Export the scan against wavelength in nm (in air); wavenumbers are not converted, "
        "because that needs to know whether they are of vacuum or air.",
        row=block.records["XUNITS"].row if text else block.row,
    )
    return 1.0


def _check_ordinate_unit(block: Block, quantity: str, faults: Faults) -> None:
    text = block.text("YUNITS")
    unit = text.upper()
    percent = "%" in unit or "PERCENT" in unit
    mend = ""
    if any(word in unit for word in _OTHER_ORDINATES):
        mend = "Export counts or reflectance."
    elif "REFLECTANCE" in unit and quantity == "counts":
        mend = "State `quantity: reflectance` or `quantity: percent` in the form of this session."
    elif "COUNT" in unit and quantity != "counts":
        mend = "State `quantity: counts` in the form of this session."
    elif percent and quantity == "reflectance":
        mend = "State `quantity: percent` in the form of this session."
    if mend:
        faults.add(
            f"##YUNITS= {quoted(text)}",
            f"{quantity}, as study.yaml says",
            mend,
            row=block.records["YUNITS"].row,
        )


def _label_number(block: Block, label: str, faults: Faults, default: float | None = None) -> float:
    record = block.records.get(label)
    if record is None and default is not None:
        return default
    value = number(record.value, "point") if record else None
    if value is None:
        faults.add(
            f"##{label}= {quoted(record.value)}" if record else f"no ##{label}=",
            "a number",
            "Export the scan again.",
            row=record.row if record else block.row,
        )
        return math.nan
    return value


def _n_points(block: Block, limit: int, faults: Faults) -> int:
    value = _label_number(block, "NPOINTS", faults)
    if math.isnan(value):
        return 0
    if not (value.is_integer() and 2 <= value <= limit):
        faults.add(
            f"##NPOINTS= {value:g}",
            f"a whole number from 2 to {limit}",
            "Export the scan again.",
            row=block.records["NPOINTS"].row,
        )
        return 0
    return int(value)


def _even_points(block: Block, record: Record, limit: int, faults: Faults) -> Points | None:
    n_points = _n_points(block, limit, faults)
    first = _label_number(block, "FIRSTX", faults)
    last = _label_number(block, "LASTX", faults)
    x_factor = _label_number(block, "XFACTOR", faults, 1.0)
    y_factor = _label_number(block, "YFACTOR", faults, 1.0)
    if not n_points or any(map(math.isnan, (first, last, x_factor, y_factor))):
        return None
    x = np.float64(first) + np.arange(n_points, dtype=np.float64) * (
        (last - first) / (n_points - 1)
    )
    _check_delta(block, float(x[1] - x[0]), faults)
    table = _Table(x, x_factor, faults)
    for row, text in record.lines:
        if faults.full:
            return None
        table.add(row, text)
    if table.damaged:
        return None
    if len(table.y) != n_points:
        faults.add(
            f"{len(table.y)} ordinates",
            f"{n_points}, as ##NPOINTS= says",
            "The file seems to be cut off or damaged: copy it again.",
            row=record.row,
        )
        return None
    y = np.array(table.y) * y_factor
    _check_first(block, float(y[0]), abs(y_factor), faults)
    return Points(x, y, table.rows)


class _Table:
    """The lines of ``(X++(Y..Y))`` put together, with the checks of abscissa and ordinate."""

    def __init__(self, x: NDArray[np.float64], x_factor: float, faults: Faults) -> None:
        self.x, self.x_factor, self.faults = x, x_factor, faults
        self.y: list[float] = []
        self.rows: list[int] = []
        self.differences = False
        self.damaged = False

    def add(self, row: int, text: str) -> None:
        """Take one line."""
        try:
            abscissa, rest = split_abscissa(text)
            repeats = bool(self.differences and self.y)
            line = ordinates(rest, len(self.x) - len(self.y) + repeats)
        except OrdinatesError as error:
            self._fault(f"{error} in {quoted(text.strip())}", "ordinates of JCAMP-DX", row)
            self.differences = False
            return
        self._check_abscissa(abscissa, len(self.y) - repeats, row, repeats)
        values = line.values
        if repeats and values:
            if abs(values[0] - self.y[-1]) > _SAME_ORDINATE * max(1.0, abs(self.y[-1])):
                self._fault(
                    f"the first ordinate {values[0]:g}",
                    f"{self.y[-1]:g}, the last of the line before (check ordinate)",
                    row,
                )
            values = values[1:]
        self.y.extend(values)
        self.rows.extend([row] * len(values))
        self.differences = line.differences

    def _check_abscissa(self, text: str, at: int, row: int, repeats: bool) -> None:
        stated = float(text) * self.x_factor
        if self.damaged:
            return  # the place in the spectrum is not known any more
        if at >= len(self.x):
            self._fault(f"abscissa {text}", "no more lines than ##NPOINTS= says", row)
            return
        if not abs(stated - self.x[at]) <= self._x_tolerance(text, repeats):
            self._fault(f"abscissa {text}", f"{self.x[at]:g}, from FIRSTX, LASTX and NPOINTS", row)

    def _x_tolerance(self, text: str, repeats: bool) -> float:
        """Return how far a printed abscissa may be off.

        Half a step, so that one ordinate lost or doubled is seen; a whole unit of the last digit
        where the abscissas have fewer digits than they need; a step in a line that repeats an
        ordinate, which has its own check and of which some writers give the abscissa after it.
        """
        decimals = len(text.partition(".")[2]) if "e" not in text.lower() else 0
        digit = 10.0**-decimals * abs(self.x_factor)
        step = abs(float(self.x[1] - self.x[0]))
        exact = all(abs(v / digit - round(v / digit)) < _SAME_DIGIT for v in map(float, self.x[:2]))
        tolerance = max(step if repeats else 0.5 * step, 0.0 if exact else digit)
        return tolerance * 1.001

    def _fault(self, found: str, expected: str, row: int) -> None:
        self.damaged = True
        self.faults.add(found, expected, "Export the scan again.", row=row)


def _check_delta(block: Block, step: float, faults: Faults) -> None:
    if "DELTAX" not in block.records:
        return
    delta = _label_number(block, "DELTAX", faults)
    if not math.isnan(delta) and abs(abs(delta) - abs(step)) > _DELTA_SHARE * abs(step):
        faults.add(
            f"##DELTAX= {delta:g}",
            f"{step:.6g}, from FIRSTX, LASTX and NPOINTS",
            "The labels contradict each other: export the scan again.",
            row=block.records["DELTAX"].row,
        )


def _check_first(block: Block, y: float, unit: float, faults: Faults) -> None:
    if "FIRSTY" not in block.records:
        return
    first = _label_number(block, "FIRSTY", faults)
    if abs(first - y) > unit + 1e-3 * abs(y):
        block.notes.append(f"FIRSTY says {first:g}, the first ordinate is {y:g}")


def _pairs(block: Block, record: Record, limit: int, faults: Faults) -> Points | None:
    x_factor = _label_number(block, "XFACTOR", faults, 1.0)
    y_factor = _label_number(block, "YFACTOR", faults, 1.0)
    x: list[float] = []
    y: list[float] = []
    rows: list[int] = []
    for row, text in record.lines:
        values = [number(word, "point") for word in re.split(r"[\s,;]+", text.strip(" \t,;"))]
        if len(values) % 2 or None in values:
            faults.add(quoted(text.strip()), "pairs of numbers", "Export the scan again.", row=row)
            continue
        numbers = [value for value in values if value is not None]
        x.extend(numbers[0::2])
        y.extend(numbers[1::2])
        rows.extend([row] * (len(numbers) // 2))
    if len(x) > limit or len(x) < 2:
        faults.add(f"{len(x)} points", f"from 2 to {limit}", "Export the scan again.")
        return None
    if "NPOINTS" in block.records and _n_points(block, limit, faults) not in {0, len(x)}:
        faults.add(
            f"{len(x)} points",
            f"{block.text('NPOINTS')}, as ##NPOINTS= says",
            "The file seems to be cut off or damaged: copy it again.",
            row=record.row,
        )
    return Points(np.array(x) * x_factor, np.array(y) * y_factor, rows)
