"""The cells of a wide table: fast where all are clean, cell by cell where not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import quoted
from leafledger.intake.faults import Faults
from leafledger.intake.numbers import number
from leafledger.intake.text_dialect import MARKS, fields_of

_BLOCK = 16_000_000


@dataclass(frozen=True)
class Wide:
    """What the heading line says: all headings, where the wavelengths and the item are."""

    headings: Sequence[str]
    positions: Sequence[int]
    item_at: int | None
    delimiter: str
    decimal: str
    heading_row: int


Cells = tuple[list[str], NDArray[np.float64]]


def lines_of(body: bytes) -> Iterator[tuple[int, str]]:
    """Yield position from 0 and text of each line, without holding them all."""
    start = row = 0
    while start < len(body):
        end = body.find(b"\n", start)
        end = len(body) if end < 0 else end
        yield row, body[start:end].decode("utf-8")
        start, row = end + 1, row + 1


def read_clean(body: bytes, wide: Wide) -> Cells | None:
    """Read the rows in one vectorised pass; ``None`` if anything at all is unusual.

    Parameters
    ----------
    body
        The lines below the heading, UTF-8, ending in line feeds.
    wide
        The columns.

    Returns
    -------
    items, values
        Names (empty strings without an item column) and array ``(n_scans, n_wavelengths)``.
    """
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    if wide.delimiter == "space" or not body.strip():
        return None
    names = [f"c{i}" for i in range(len(wide.headings))]
    wanted = [names[i] for i in wide.positions]
    types = dict.fromkeys(wanted, pa.float64())
    keys = [] if wide.item_at is None else [names[wide.item_at]]
    types.update(dict.fromkeys(keys, pa.string()))
    try:
        table = pa_csv.read_csv(
            pa.BufferReader(body),
            read_options=pa_csv.ReadOptions(
                use_threads=False, block_size=_BLOCK, column_names=names
            ),
            parse_options=pa_csv.ParseOptions(delimiter=MARKS[wide.delimiter]),
            convert_options=pa_csv.ConvertOptions(
                column_types=types,
                include_columns=[*keys, *wanted],
                null_values=[],
                strings_can_be_null=False,
                decimal_point="," if wide.decimal == "comma" else ".",
            ),
        )
    except (pa.ArrowException, ValueError, OSError):
        return None
    values = np.empty((table.num_rows, len(wanted)), dtype=np.float64)
    start = 0
    for batch in table.to_batches():
        block = np.array([batch.column(name).to_numpy() for name in wanted])
        values[start : start + batch.num_rows] = block.T
        start += batch.num_rows
    items = [item.strip() for key in keys for item in table.column(key).to_pylist()]
    if not np.isfinite(values).all() or (keys and not all(items)):
        return None
    n_lines = sum(1 for _, line in lines_of(body) if line.strip())
    return (items, values) if n_lines == len(values) else None


def read_cells(body: bytes, wide: Wide, faults: Faults) -> Cells:
    """Read the rows cell by cell and report each that is no finite number.

    Returns
    -------
    items, values
        As :func:`read_clean`; of use only if ``faults`` stays empty.
    """
    items: list[str] = []
    rows: list[NDArray[np.float64]] = []
    for at, line in lines_of(body):
        if faults.full:
            break
        if not line.strip():
            continue
        row = wide.heading_row + 1 + at
        fields = fields_of(line, wide.delimiter)
        if len(fields) != len(wide.headings):
            faults.add(
                f"{len(fields)} fields",
                f"{len(wide.headings)}, as in the heading (row {wide.heading_row})",
                "Mend the row, or state `delimiter:` and `decimal:` of the form.",
                row=row,
            )
            continue
        values = _row(fields, row, wide, faults)
        if values is not None:
            rows.append(values)
        items.append(_item(fields, row, wide, faults))
    return items, np.array(rows, dtype=np.float64).reshape(len(rows), len(wide.positions))


def _row(fields: Sequence[str], row: int, wide: Wide, faults: Faults) -> NDArray[np.float64] | None:
    values = [number(fields[i], wide.decimal) for i in wide.positions]
    if None not in values:
        return np.array(values, dtype=np.float64)
    for i, value in zip(wide.positions, values, strict=True):
        if value is None:
            faults.add(
                quoted(fields[i]) if fields[i] else "an empty cell",
                "a number",
                "Mend the cell, or take the row out of the table.",
                row=row,
                column=wide.headings[i],
            )
    return None


def _item(fields: Sequence[str], row: int, wide: Wide, faults: Faults) -> str:
    if wide.item_at is None:
        return ""
    item = fields[wide.item_at]
    if not item:
        faults.add(
            "an empty cell",
            "the name of the scan",
            "Name the row.",
            row=row,
            column=wide.headings[wide.item_at],
        )
    return item
