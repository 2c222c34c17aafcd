"""Where in a text file the scan stands: header, rows, footer, and rows that are damaged.

The rule. A line is *good* if both wanted fields are numbers; *suspect* if the wavelength is a
number but the value is not, or the value is a number and the wavelength looks like a damaged one
(:func:`leafledger.intake.numbers.mistyped`); anything else is *text*. Blank lines do not count.
The scan is the longest run of good and suspect lines, and:

* a suspect line inside the run is a damaged row: an error;
* at the ends of the run a suspect line belongs to it (and is damaged) only if its wavelength goes
  on where the run ends, that is in its direction and within three usual steps for each line, or
  if its wavelength is damaged and it has as many fields as the rows; else it is header or footer;
* text between two runs is a damaged row if the later run goes on where the earlier ends (same
  measure); else it is a heading or a footer, and the shorter run belongs to that;
* good lines at the start of the run that are more than 20 usual steps away from the rest (a
  header line of two numbers) are header, and a note says so;
* another run at least a quarter as long is a second table, an error: nothing says which is meant;
* a last line of number characters without a line ending that is no good row is a cut-off file.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from leafledger.errors import quoted
from leafledger.intake.faults import Faults
from leafledger.intake.numbers import mistyped, number
from leafledger.intake.text_dialect import Dialect

_REACH = 3.0
_HEADER_JUMP = 20.0
_HEADER_SHARE = 0.1
_LINES_BETWEEN = 20
_SECOND_TABLE = 0.25
_CUT_OFF = re.compile(r"[0-9+-][0-9eE+\-.,;\s]*")


@dataclass(frozen=True)
class Line:
    """One line that is not blank."""

    row: int
    text: str
    n_fields: int
    wavelength: float | None
    value: float | None
    suspect: bool

    @property
    def good(self) -> bool:
        """Whether both wanted fields are numbers."""
        return self.wavelength is not None and self.value is not None


@dataclass
class Block:
    """The lines of the scan, in order, and what was decided about the lines around it."""

    lines: list[Line]
    notes: list[str] = field(default_factory=list)


def classify(lines: Sequence[str], dialect: Dialect) -> list[Line]:
    """Return the lines that are not blank with what they hold."""
    out: list[Line] = []
    w_at, v_at, decimal = dialect.wavelength, dialect.value, dialect.decimal
    for row, text in enumerate(lines, start=1):
        fields = dialect.split(text)
        if not fields:
            continue
        word = fields[w_at] if w_at < len(fields) else ""
        wavelength = number(word, decimal)
        value = number(fields[v_at], decimal) if v_at < len(fields) else None
        suspect = (value is None) != (wavelength is None) and (
            wavelength is not None or mistyped(word)
        )
        out.append(Line(row, text, len(fields), wavelength, value, suspect))
    return out


def find_block(lines: list[Line], faults: Faults) -> Block | None:
    """Find the scan among the lines; problems of its rows go to ``faults``.

    Returns
    -------
    Block or None
        ``None`` if no line holds the wanted numbers.
    """
    runs = _runs(lines)
    main = max(runs, key=lambda run: _n_good(lines, run), default=None)
    if main is None or not _n_good(lines, main):
        return None
    pace = Pace.of([line for line in lines[slice(*main)] if line.good])
    start, stop = _joined(lines, runs, main, pace)
    _second_table(lines, runs, (start, stop), faults)
    block = Block(lines[start:stop])
    _trim_start(block, pace)
    _trim_end(block, pace)
    _damaged_rows(block.lines, faults)
    _cut_off(lines, block.lines[-1], faults)
    return block


@dataclass(frozen=True)
class Pace:
    """Direction (1 or -1, 0 if unknown) and usual step of the wavelengths of a run."""

    direction: float
    step: float

    @classmethod
    def of(cls, good: Sequence[Line]) -> Pace:
        """Measure the pace of good lines."""
        if len(good) < 3:
            return cls(0.0, 0.0)
        steps = np.diff([line.wavelength for line in good if line.wavelength is not None])
        return cls(float(np.sign(np.median(steps))), float(np.median(np.abs(steps))))

    def goes_on(self, before: float | None, after: float | None, between: int) -> bool:
        """Return whether ``after`` follows ``before`` with ``between`` lines between them."""
        if before is None or after is None:
            return False
        gap = (after - before) * self.direction
        return 0 < gap <= _REACH * (between + 1) * self.step


def _runs(lines: Sequence[Line]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    start: int | None = None
    for i, line in enumerate(lines):
        rowlike = line.good or line.suspect
        if rowlike and start is None:
            start = i
        elif not rowlike and start is not None:
            runs.append((start, i))
            start = None
    if start is not None:
        runs.append((start, len(lines)))
    return runs


def _n_good(lines: Sequence[Line], run: tuple[int, int]) -> int:
    return sum(line.good for line in lines[slice(*run)])


def _joined(
    lines: Sequence[Line], runs: list[tuple[int, int]], main: tuple[int, int], pace: Pace
) -> tuple[int, int]:
    """Return the run together with its neighbours that it goes on in."""
    start, stop = main
    at = runs.index(main)
    for left, right in runs[at + 1 :]:
        edges = _last_good(lines, start, stop), _first_good(lines, left, right)
        if not _bridged(lines, edges, pace):
            break
        stop = right
    for left, right in reversed(runs[:at]):
        edges = _last_good(lines, left, right), _first_good(lines, start, stop)
        if not _bridged(lines, edges, pace):
            break
        start = left
    return start, stop


def _bridged(lines: Sequence[Line], edges: tuple[int | None, int | None], pace: Pace) -> bool:
    before, after = edges
    if before is None or after is None or after - before - 1 > _LINES_BETWEEN:
        return False
    return pace.goes_on(lines[before].wavelength, lines[after].wavelength, after - before - 1)


def _first_good(lines: Sequence[Line], start: int, stop: int) -> int | None:
    return next((i for i in range(start, stop) if lines[i].good), None)


def _last_good(lines: Sequence[Line], start: int, stop: int) -> int | None:
    return next((i for i in range(stop - 1, start - 1, -1) if lines[i].good), None)


def _second_table(
    lines: Sequence[Line], runs: list[tuple[int, int]], block: tuple[int, int], faults: Faults
) -> None:
    size = _n_good(lines, block)
    for run in runs:
        n_good = _n_good(lines, run)
        outside = run[1] <= block[0] or run[0] >= block[1]
        if outside and n_good >= 10 and n_good >= _SECOND_TABLE * size:
            faults.add(
                f"a second table of {n_good} rows of numbers",
                "one scan in a file",
                "Put each scan into a file of its own.",
                row=lines[run[0]].row,
            )


def _trim_start(block: Block, pace: Pace) -> None:
    """Take header lines off the start: numbers far away, then suspects that do not go on."""
    lines = block.lines
    reach = max(1, int(_HEADER_SHARE * len(lines)))
    cut = 0
    for i in range(min(reach, len(lines) - 1)):
        here, there = lines[i].wavelength, lines[i + 1].wavelength
        if here is None or there is None or not lines[i].good:
            continue
        if pace.step and abs(there - here) > _HEADER_JUMP * pace.step:
            cut = i + 1
    numbers = [line.row for line in lines[:cut] if line.good]
    if numbers:
        block.notes.append(
            f"row {numbers[0]} holds numbers that do not go on in the wavelengths below it; "
            "taken as header"
        )
    lines = lines[cut:]
    first = next((i for i, line in enumerate(lines) if line.good), 0)
    kept = first
    while kept > 0 and _belongs(lines, kept - 1, first, pace):
        kept -= 1
    block.lines = lines[kept:]


def _trim_end(block: Block, pace: Pace) -> None:
    """Take footer lines off the end: suspects that do not go on."""
    lines = block.lines
    last = next((i for i in range(len(lines) - 1, -1, -1) if lines[i].good), 0)
    kept = last
    while kept + 1 < len(lines) and _belongs(lines, kept + 1, last, pace):
        kept += 1
    block.lines = lines[: kept + 1]


def _belongs(lines: Sequence[Line], i: int, edge: int, pace: Pace) -> bool:
    """Return whether the suspect line ``i`` outside the good line ``edge`` is a damaged row."""
    suspect, good = lines[i], lines[edge]
    if suspect.wavelength is None:
        return suspect.n_fields == good.n_fields
    between = abs(i - edge) - 1
    if i < edge:
        return pace.goes_on(suspect.wavelength, good.wavelength, between)
    return pace.goes_on(good.wavelength, suspect.wavelength, between)


def _damaged_rows(lines: Sequence[Line], faults: Faults) -> None:
    usual = Counter(line.n_fields for line in lines if line.good).most_common(1)[0][0]
    for line in lines:
        if not line.good:
            faults.add(
                quoted(line.text.strip()),
                "numbers in the wavelength and value columns",
                "Mend this row from the instrument's own file, or export the scan again.",
                row=line.row,
            )
        elif line.n_fields != usual:
            faults.add(
                f"{line.n_fields} fields in {quoted(line.text.strip())}",
                f"{usual} fields, as in the other rows",
                "Mend this row, or state `delimiter:` and `decimal:` of the form.",
                row=line.row,
            )


def _cut_off(lines: Sequence[Line], last: Line, faults: Faults) -> None:
    """Report a number-like last line that is neither row nor footer."""
    end = lines[-1]
    after = [line for line in lines[-2:] if line.row > last.row]
    if len(after) == 1 and _CUT_OFF.fullmatch(end.text.strip()):
        faults.add(
            quoted(end.text.strip()),
            "a whole row, or a footer in words",
            "The file seems to be cut off: copy it again.",
            row=end.row,
        )
