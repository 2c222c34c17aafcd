"""Which scans does a JCAMP-DX file hold: 4.24 or 5.x, XYDATA or XYPOINTS, single or compound?

All forms of ordinates are decoded by our own code. The package jcamp (1.3.2) was tried: it decodes
all published strings, but it stops at a comment inside the data, returns numbers where a check
ordinate or the number of points is wrong, and looks at no abscissa. Here each check of the standard
names the row at fault, and no repeat count is carried out before it is bounded.

References
----------
McDonald and Wilks (1988) Appl. Spectrosc. 42, 151-162 (4.24). Lampen, Lambert, Lancashire,
McDonald, McIntyre, Rutledge, Froehlich and Davies (1999) Pure Appl. Chem. 71, 1549-1556 (5.01).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import quoted
from leafledger.intake.raw_scan import (
    MAX_LINE,
    MAX_LINES,
    MAX_VALUES,
    MAX_WAVELENGTHS,
    Faults,
    FileForm,
    Place,
    RawScans,
    check_axis,
    check_one_axis,
    number,
)
from leafledger.intake.text_block import decode, split_lines

# The labelled records of a JCAMP-DX file and the blocks they form.
# ----------------------------------------------------------------------

_LABEL = re.compile(r"\s*##([^=]{0,200})=(.*)", re.DOTALL)
_IGNORED = str.maketrans("", "", " -/_\t")
DATA_LABELS = ("XYDATA", "XYPOINTS")
_REFUSED = {
    "NTUPLES": "data of several variables (NTUPLES)",
    "PEAKTABLE": "a table of peaks",
    "PEAKASSIGNMENTS": "a table of peak assignments",
    "RADATA": "an interferogram (RADATA)",
}


@dataclass
class Record:
    """One labelled record: the text after ``=`` and the lines below, with their row numbers."""

    row: int
    value: str
    lines: list[tuple[int, str]] = field(default_factory=list)


@dataclass
class Block:
    """One block that holds data."""

    row: int
    records: dict[str, Record] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def title(self) -> str:
        """Text of ``##TITLE=``."""
        return self.text("TITLE")

    def text(self, label: str) -> str:
        """Return the text of a record, empty if it is not there."""
        record = self.records.get(label)
        return record.value if record else ""


def label_of(text: str) -> str:
    """Return a label as the standard compares it: no case, blanks, dashes, slashes, underscores.

    Examples
    --------
    >>> label_of("Data-Type"), label_of("x_units"), label_of("$My Label")
    ('DATATYPE', 'XUNITS', '$MYLABEL')
    """
    return text.translate(_IGNORED).upper()


def split_blocks(lines: Sequence[str], faults: Faults) -> list[Block]:
    """Return the blocks with data, in file order; problems of the structure go to ``faults``."""
    stack: list[Block] = []
    done: list[Block] = []
    record: Record | None = None
    for row, line in enumerate(lines, start=1):
        text = line.split("$$", 1)[0].rstrip()
        match = _LABEL.match(text)
        if match is None:
            if record is not None and text.strip():
                record.lines.append((row, text))
            continue
        label, record = label_of(match.group(1)), Record(row, match.group(2).strip())
        if label == "TITLE":
            stack.append(Block(row))
        if not stack:
            faults.add(
                quoted(text), "##TITLE= as the first label", "Export the file again.", row=row
            )
            return done
        if label == "END":
            _close(stack.pop(), done, faults)
            record = None
        elif label:
            _keep(stack[-1], label, record, faults)
    last = max((i for i, line in enumerate(lines, start=1) if line.strip()), default=1)
    _check_whole(stack, done, faults, last)
    return done


def _keep(block: Block, label: str, record: Record, faults: Faults) -> None:
    if label in block.records and not label.startswith("$"):
        if label in DATA_LABELS:
            faults.add(
                f"##{label}= twice in a block",
                "one table of data in a block",
                "Export each scan as a block of its own.",
                row=record.row,
            )
        return
    block.records[label] = record


def _close(block: Block, done: list[Block], faults: Faults) -> None:
    for label, words in _REFUSED.items():
        if label in block.records:
            faults.add(
                words,
                "one spectrum: ##XYDATA= or ##XYPOINTS=",
                "Export the scan as a plain spectrum.",
                row=block.records[label].row,
            )
            return
    if any(label in block.records for label in DATA_LABELS):
        done.append(block)
    elif label_of(block.text("DATATYPE")) != "LINK":
        faults.add(
            f"a block {quoted(block.title)} without data",
            "##XYDATA= or ##XYPOINTS=",
            "Export the scan again.",
            row=block.row,
        )


def _check_whole(stack: list[Block], done: list[Block], faults: Faults, last: int) -> None:
    for block in stack:
        faults.add(
            f"the end of the file inside the block that begins in row {block.row}",
            "##END=",
            "The file seems to be cut off: copy it again.",
            row=last,
        )
    if not done and not stack and not faults.problems:
        faults.add(
            "no ##TITLE= and no ##XYDATA=",
            "a JCAMP-DX file",
            "State the right `form:` for this session.",
        )


# Ordinates of JCAMP-DX: AFFN, PAC, SQZ, DIF and DIFDUP.
# ----------------------------------------------------------------------
# References
# ----------
# McDonald R. S., Wilks P. A. (1988) JCAMP-DX: a standard form for exchange of infrared spectra in
# computer readable form. Appl. Spectrosc. 42, 151-162 (JCAMP-DX 4.24), Tables VI and VII.

_NUMBER = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-][0-9]+)?"
_ABSCISSA = re.compile(rf"\s*([+-]?{_NUMBER})")
_TOKEN = re.compile(
    rf"(?P<affn>[+-]?{_NUMBER})"
    r"|(?P<sqz>[@A-Ia-i][0-9]*(?:\.[0-9]*)?)"
    r"|(?P<dif>[%J-Rj-r][0-9]*(?:\.[0-9]*)?)"
    r"|(?P<dup>[S-Zs][0-9]*)"
    r"|(?P<missing>\?)"
    r"|(?P<separator>[\s,;]+)"
)
_DIGITS = {
    **{c: str(i) for i, c in enumerate("@ABCDEFGHI")},
    **{c: f"-{i}" for i, c in enumerate("abcdefghi", start=1)},
    **{c: str(i) for i, c in enumerate("%JKLMNOPQR")},
    **{c: f"-{i}" for i, c in enumerate("jklmnopqr", start=1)},
    **{c: str(i) for i, c in enumerate("STUVWXYZs", start=1)},
}
_LONGEST = 40


class OrdinatesError(ValueError):
    """A line that breaks the rules of the standard; the text says how."""


@dataclass(frozen=True)
class Row:
    """Ordinates of one line, and whether it ends in difference form."""

    values: list[float]
    differences: bool


def split_abscissa(line: str) -> tuple[str, str]:
    """Return the abscissa at the start of a line and the ordinates after it.

    Examples
    --------
    >>> split_abscissa("400A000J2"), split_abscissa("4.0E+02 1 2")
    (('400', 'A000J2'), ('4.0E+02', ' 1 2'))
    """
    match = _ABSCISSA.match(line)
    if match is None or len(match.group(1)) > _LONGEST:
        raise OrdinatesError("no abscissa at its start")
    return match.group(1), line[match.end() :]


def ordinates(text: str, limit: int) -> Row:
    """Decode the ordinates of one line (without its abscissa).

    Parameters
    ----------
    text
        Ordinates in any of the forms, also mixed.
    limit
        Ordinates that there may still be; a repeat count beyond it is refused before anything
        is repeated.

    Raises
    ------
    OrdinatesError
        If a character belongs to no form, a value is missing (``?``), or there are too many.

    Examples
    --------
    >>> ordinates("1JT%jX", 99).values
    [1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 0.0, -1.0, -2.0, -3.0]
    """
    values: list[float] = []
    step: float | None = None
    position, repeated = 0, False
    while position < len(text):
        match = _TOKEN.match(text, position)
        if match is None or (match.end() - position > _LONGEST and match.lastgroup != "separator"):
            raise OrdinatesError(
                f'"{text[position : position + 12]}", which belongs to no form of ordinates'
            )
        kind, token = match.lastgroup, match.group()
        position = match.end()
        if kind == "missing":
            raise OrdinatesError("a missing ordinate (?)")
        if kind == "dup":
            if not values or repeated:
                raise OrdinatesError(f'a repeat count "{token}" with nothing to repeat')
            _repeat(values, step, int(_DIGITS[token[0]] + token[1:]), limit)
            repeated = True
        elif kind != "separator":
            step = _append(values, kind, token)
            repeated = False
        if len(values) > limit:
            raise OrdinatesError("more ordinates than NPOINTS says")
    return Row(values, step is not None)


def _append(values: list[float], kind: str | None, token: str) -> float | None:
    """Append one ordinate; return the difference if it was given as one."""
    if kind == "affn":
        values.append(float(token))
        if not math.isfinite(values[-1]):
            raise OrdinatesError(f'a number too large, "{token}"')
        return None
    value = float(_DIGITS[token[0]] + token[1:])
    if kind == "sqz":
        values.append(value)
        return None
    if not values:
        raise OrdinatesError(f'a difference "{token}" with no ordinate before it')
    values.append(values[-1] + value)
    return value


def _repeat(values: list[float], step: float | None, count: int, limit: int) -> None:
    if count < 1 or len(values) + count - 1 > limit:
        raise OrdinatesError(f"a repeat count of {count}, beyond what NPOINTS says")
    for _ in range(count - 1):
        values.append(values[-1] + (step or 0.0))


# Wavelengths and values of one JCAMP-DX block, checked against what its labels say.
# ----------------------------------------------------------------------

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

    def _check_abscissa(self, text: str, point: int, row: int, repeats: bool) -> None:
        stated = float(text) * self.x_factor
        if self.damaged:
            return  # the place in the spectrum is not known any more
        if point >= len(self.x):
            self._fault(f"abscissa {text}", "no more lines than ##NPOINTS= says", row)
            return
        if not abs(stated - self.x[point]) <= self._x_tolerance(text, repeats):
            self._fault(
                f"abscissa {text}", f"{self.x[point]:g}, from FIRSTX, LASTX and NPOINTS", row
            )

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


# JCAMP-DX 4.24 and 5.x: XYDATA and XYPOINTS, single and compound files.
# ----------------------------------------------------------------------


def read_jcamp(data: bytes, file: str, form: FileForm) -> RawScans:
    """Read a JCAMP-DX file.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        Only ``quantity`` and ``encoding`` are used; the file says the rest itself.

    Returns
    -------
    RawScans
        One scan per data block; items are the titles, aliases the numbers of the blocks from 1.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.
    """
    text, _ = decode(data, file, form.encoding)
    lines = split_lines(text)
    faults = Faults(file)
    if len(lines) > MAX_LINES or max(map(len, lines)) > MAX_LINE:
        faults.add(
            f"{len(lines):,} lines, the longest of {max(map(len, lines)):,} characters",
            f"at most {MAX_LINES:,} lines of {MAX_LINE:,} characters",
            "Split the file, or export the scan again.",
        )
        faults.stop()
    blocks = split_blocks(lines, faults)
    faults.stop()
    spectra: list[tuple[Block, NDArray[np.float64], NDArray[np.float64]]] = []
    n_values = 0
    for block in blocks:
        points = read_points(block, form.quantity, MAX_VALUES - n_values, faults)
        if points is None:
            continue
        n_values += len(points.x)
        falls = check_axis(points.x, faults, _rows_of(points))
        order = slice(None, None, -1) if falls else slice(None)
        spectra.append((block, points.x[order], points.y[order]))
    faults.stop()
    named = [(f"block {quoted(block.title)}", block.row, x) for block, x, _ in spectra]
    check_one_axis(named, faults)
    faults.stop()
    notes = tuple(note for block in blocks for note in block.notes)
    return RawScans(
        spectra[0][1].copy(),
        np.array([y for _, _, y in spectra]),
        tuple(block.title for block, _, _ in spectra),
        tuple(str(i) for i in range(1, len(spectra) + 1)),
        notes,
    )


def _rows_of(points: Points) -> Place:
    return lambda i: (points.rows[i], None)
