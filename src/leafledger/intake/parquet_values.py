"""The names and values in the columns of a Parquet file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.intake.faults import Faults

if TYPE_CHECKING:
    import pyarrow as pa

_LONGEST_ITEM = 1_000
_MOST_LISTED = 1000
"""Values that are no numbers are looked for up to so many; the report is bounded anyway."""


def item_names(table: pa.Table, name: str | None, faults: Faults) -> tuple[str, ...]:
    """Return the name of the scan in each row; empty names without a column of them."""
    if name is None:
        return ("",) * int(table.num_rows)
    items: list[str] = []
    for chunk in table.column(name).chunks:
        words = chunk.dictionary.to_pylist()
        if any(word is not None and len(word) > _LONGEST_ITEM for word in words):
            faults.add(
                "a very long name",
                f"at most {_LONGEST_ITEM} characters",
                "Shorten it.",
                column=name,
            )
            return ()
        items.extend("" if i is None else (words[i] or "") for i in chunk.indices.to_pylist())
    for row, item in enumerate(items, start=1):
        if not item.strip():
            faults.add("no name", "the name of the scan", "Name the row.", row=row, column=name)
    return tuple(item.strip() for item in items)


def list_values(column: pa.ChunkedArray, n_wavelengths: int, faults: Faults) -> NDArray[np.float64]:
    """Return the spectra of a list column, shape ``(n_scans, n_wavelengths)``.

    Raises
    ------
    InputFault
        If a list has another length than the axis.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    for row, length in enumerate(pc.list_value_length(column).to_pylist(), start=1):
        if length != n_wavelengths:
            faults.add(
                f"{length or 0} values",
                f"{n_wavelengths}, one for each wavelength",
                "Write the file again.",
                row=row,
            )
    faults.stop()
    parts = [chunk.flatten().cast(pa.float64()) for chunk in column.chunks]
    flat = [part.to_numpy(zero_copy_only=False) for part in parts]
    values = np.concatenate(flat).reshape(len(column), n_wavelengths)
    _check_finite(values, None, faults)
    return values


def wide_values(table: pa.Table, columns: list[str], faults: Faults) -> NDArray[np.float64]:
    """Return the spectra of a column per wavelength, shape ``(n_scans, n_wavelengths)``."""
    import pyarrow as pa

    values = np.empty((table.num_rows, len(columns)), dtype=np.float64)
    for i, name in enumerate(columns):
        values[:, i] = table.column(name).cast(pa.float64()).to_numpy()
    _check_finite(values, columns, faults)
    return values


def _check_finite(values: NDArray[np.float64], columns: list[str] | None, faults: Faults) -> None:
    for row, i in np.argwhere(~np.isfinite(values))[:_MOST_LISTED]:
        faults.add(
            "no value" if np.isnan(values[row, i]) else "an infinite value",
            "a number",
            "Mend the value, or take the scan out of the file.",
            row=int(row) + 1,
            column=columns[i] if columns else f"place {i + 1} of the list",
        )
