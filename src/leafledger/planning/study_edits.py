"""How do treatments, blocks and a new order get into a study's files, all else staying as it was?

Columns that a person added, comments, line ends and the order of rows are kept. Nothing is written
here: each function turns the bytes of a file into those of the new one.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Sequence
from typing import Any

import yaml

from leafledger.errors import input_fault, quoted
from leafledger.planning.planned_study import SCAN_COLUMNS
from leafledger.planning.randomisation import Allocation
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.sheets import EXAMPLE, UNITS

UNITS_FILE = UNITS[0]


def units_with(
    data: bytes, treatment: str, column: str, allocation: Allocation, ours: Collection[str] = ()
) -> bytes:
    """Return units.csv with treatments and blocks filled in, all else as it was.

    Parameters
    ----------
    data
        The sheet, UTF-8, commas.
    treatment, column
        Columns of the treatment and of the pair or block; the latter is added if it is not there.
    allocation
        Who gets what.
    ours
        Columns of earlier allocations: this one is written over, others are taken out.

    Raises
    ------
    InputFault
        If the column of the block holds something else already.
    """
    text = data.decode("utf-8-sig")
    mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
    end = "\r\n" if "\r\n" in text else "\n"
    out = io.StringIO()
    write = csv.writer(out, lineterminator=end)
    heading: list[str] | None = None
    dead: list[int] = []
    for row in csv.reader(io.StringIO(text, newline="")):
        passed_over = not any(cell.strip() for cell in row) or row[0].lstrip().startswith(EXAMPLE)
        if passed_over:
            write.writerow(row)
        elif heading is None:
            heading = [cell.strip() for cell in row]
            if column not in heading:
                row, heading = [*row, column], [*heading, column]
            dead = [k for k, name in enumerate(heading) if name in ours and name != column]
            write.writerow([cell for k, cell in enumerate(row) if k not in dead])
        else:
            cells = [*row, *[""] * (len(heading) - len(row))]
            unit = cells[heading.index("unit")].strip()
            column_index = heading.index(column)
            if cells[column_index].strip() and column not in ours:
                raise input_fault(
                    file=UNITS_FILE,
                    found=f"a column {quoted(column)} that is filled in ({unit}: "
                    f"{quoted(cells[column_index].strip())})",
                    expected=f"a free column for the {column}s that are formed now",
                    mend=f"Rename the column {column}.",
                    column=column,
                )
            cells[heading.index(treatment)] = allocation.treatment[unit]
            cells[column_index] = allocation.block[unit]
            write.writerow([cell for k, cell in enumerate(cells) if k not in dead])
    return mark + out.getvalue().encode("utf-8")


def with_block(data: bytes, column: str) -> bytes:
    """Return study.yaml with ``design.block``, its other lines and comments as they were.

    Raises
    ------
    InputFault
        If the section design is not written on lines of its own.
    """
    text = data.decode("utf-8-sig")
    stated: dict[str, Any] = yaml.safe_load(text)
    design = stated.get("design") or {}
    if design.get("block") == column:
        return data
    end = "\r\n" if "\r\n" in text else "\n"
    new = end.join(_lines_with_block(text.split(end), column))
    if yaml.safe_load(new) != {**stated, "design": {**design, "block": column}}:
        raise input_fault(
            file=STUDY_FILE,
            found="a section design that is not written on lines of its own",
            expected=f"`block: {column}` in the section design",
            mend=f"Write `block: {column}` there yourself, then allocate again.",
            column="design.block",
        )
    return new.encode("utf-8")


def _lines_with_block(lines: list[str], column: str) -> list[str]:
    """Return the lines of study.yaml with the key in place of an old one or of its comment."""
    heads = [i for i, line in enumerate(lines) if line.split("#")[0].rstrip() == "design:"]
    if not heads:
        return lines
    start = heads[0] + 1
    stop = start
    while stop < len(lines) and (not lines[stop].strip() or lines[stop].startswith(" ")):
        stop += 1
    depth = min(
        (len(line) - len(line.lstrip()) for line in lines[start:stop] if line.strip()), default=2
    )
    indent = " " * depth
    new = f"{indent}block: {column}"
    new = f"{new:<34} # written by `leafledger plan allocate`"
    for i in range(start, stop):
        if lines[i].startswith(f"{indent}block:"):
            return [*lines[:i], new, *lines[i + 1 :]]
    for i in range(start, stop):
        if lines[i].startswith(f"{indent}# block:"):
            after = i + 1
            while after < stop and lines[after].strip().startswith("#"):
                after += 1
            return [*lines[:i], new, *lines[after:]]
    return [*lines[:start], new, *lines[start:]]


def with_rows_of_session(data: bytes, session: str, rows: Sequence[Sequence[str]]) -> bytes | None:
    """Return a scan sheet whose rows of a session are in another order.

    Parameters
    ----------
    data
        The sheet.
    session
        A session of which no scan exists.
    rows
        Its rows in the new order, with the columns of ``SCAN_COLUMNS``.

    Returns
    -------
    bytes or None
        ``None`` if the leaf scans that stand there are not those of ``rows``, or a row holds a
        time, note or photo already.
    """
    read = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    heading = [cell.strip() for cell in read[0]]
    if not set(SCAN_COLUMNS) <= set(heading):
        return None
    column_of = {name: heading.index(name) for name in heading}
    session_rows = [
        i for i, row in enumerate(read) if i and row and row[column_of["session"]] == session
    ]
    row_of = {read[i][column_of["scan"]]: i for i in session_rows}
    planned = {row[0]: dict(zip(SCAN_COLUMNS, row, strict=True)) for row in rows}
    samples = {name for name, cells in planned.items() if cells["role"] == "sample"}
    standing = {name for name, i in row_of.items() if read[i][column_of["role"]] == "sample"}
    used = ("time", "note", "photo", "omitted")
    if samples != standing or any(read[i][column_of[name]] for i in session_rows for name in used):
        return None
    if {name for name in row_of if name not in standing} - set(planned):
        return None  # a reference or tile that was added by hand
    new = []
    for name, cells in planned.items():
        row = list(read[row_of[name]]) if name in row_of else [""] * len(heading)
        for column, value in cells.items():
            row[column_of[column]] = value
        new.append(row)
    first = session_rows[0] if session_rows else len(read)
    rows_before = read[:first]
    rest = [row for i, row in enumerate(read) if i >= first and i not in set(session_rows)]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([*rows_before, *new, *rest])
    return out.getvalue().encode("utf-8")
