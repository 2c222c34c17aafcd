"""A text file of counts alone: one value a line, no wavelengths.

The rule. A line is a *row* if its value field is a number, *damaged* if it looks like one that was
spoilt, else *text*. The counts are the longest run of rows and damaged lines. Damaged lines in it
are errors; so are ten or more rows outside it, for nothing says which are meant, and any row below
it. What stands above is header.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from leafledger.errors import quoted
from leafledger.intake.bounds import MAX_LINE, MAX_LINES, MIN_WAVELENGTHS
from leafledger.intake.encoding import decode, split_lines
from leafledger.intake.faults import Faults
from leafledger.intake.numbers import mistyped, number
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.text_dialect import MARKS, Dialect

_MOST_OUTSIDE = 10

_Line = tuple[int, str, float | None]
"""Row from 1, text of the value field, number (``None`` if damaged)."""


def read_counts_alone(data: bytes, file: str, form: FileForm) -> RawScans:
    """Read a text file that holds the counts of one scan and nothing else in its rows.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        ``value_column`` is a number from 1.

    Returns
    -------
    RawScans
        One scan on pixel numbers from 0.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.
    """
    faults = Faults(file)
    name = form.value_column.strip()
    if not name.isdecimal() or not 1 <= int(name[:9]) <= 1000:
        faults.add(
            f"value_column {quoted(name)}",
            "a number from 1 (`wavelength_column: none`)",
            "State value_column: 1 for a file of one column.",
            column="value_column",
        )
        faults.stop()
    text, _ = decode(data, file, form.encoding)
    lines = split_lines(text.rstrip("\x1a"))
    if len(lines) > MAX_LINES or max(map(len, lines), default=0) > MAX_LINE:
        faults.add(
            f"{len(lines):,} lines, the longest of {max(map(len, lines)):,} characters",
            f"at most {MAX_LINES:,} lines of {MAX_LINE:,} characters",
            "Check that this is the file of one scan.",
        )
        faults.stop()
    at = int(name) - 1
    best = max(_dialects(form), key=lambda dialect: _n_rows(lines, dialect, at))
    runs = _runs(lines, best, at)
    counts = _main(runs, faults)
    faults.stop()
    values = np.array([value for _, _, value in counts], dtype=np.float64)
    note = f"counts from row {counts[0][0]} on, the first of {len(counts)} pixels"
    return RawScans(
        np.arange(len(values), dtype=np.float64), values[np.newaxis], ("",), notes=(note,)
    )


def _dialects(form: FileForm) -> list[Dialect]:
    """Return the dialects that the form allows; blanks first, which part a single column best."""
    delimiters = ["space", *(m for m in MARKS if m != "space")]
    if form.delimiter != "auto":
        delimiters = [form.delimiter]
    decimals = ["point", "comma"] if form.decimal == "auto" else [form.decimal]
    return [Dialect(delimiter, decimal) for delimiter in delimiters for decimal in decimals]


def _n_rows(lines: Sequence[str], dialect: Dialect, at: int) -> int:
    every = max(1, len(lines) // 600)
    return sum(_value(line, dialect, at)[1] is not None for line in lines[::every])


def _value(line: str, dialect: Dialect, at: int) -> tuple[str, float | None]:
    fields = dialect.split(line)
    word = fields[at] if at < len(fields) else ""
    return word, number(word, dialect.decimal)


def _runs(lines: Sequence[str], dialect: Dialect, at: int) -> list[list[_Line]]:
    """Return the runs of rows and damaged lines; blank lines do not count."""
    rows = [
        (row, *_value(line, dialect, at)) for row, line in enumerate(lines, start=1) if line.strip()
    ]
    parts = groupby(rows, key=lambda line: line[2] is not None or mistyped(line[1]))
    return [list(part) for is_row, part in parts if is_row]


def _main(runs: Sequence[list[_Line]], faults: Faults) -> list[_Line]:
    """Return the longest run; what stands against it goes to the faults."""
    main = max(runs, key=len, default=[])
    if len(main) < MIN_WAVELENGTHS:
        faults.add(
            f"{len(main)} rows of counts",
            f"at least {MIN_WAVELENGTHS}",
            "Check that the file holds a scan, and the delimiter, decimal and columns of its form.",
        )
        return main
    for run in runs:
        below = run[0][0] > main[-1][0]
        if run is not main and (below or len(run) >= _MOST_OUTSIDE):
            faults.add(
                f"{len(run)} rows of numbers apart from the counts",
                "the counts of one scan without a break",
                "Export the scan again, or put each scan into a file of its own.",
                row=run[0][0],
            )
    for row, word, value in main:
        if value is None:
            faults.add(
                quoted(word),
                "a number",
                "Mend this row from the instrument's own file, or export the scan again.",
                row=row,
            )
    return main
