"""Do two tables hold the same, to the byte or within what another processor may do?

Sums of floating point numbers come out in other last digits under another kernel of linear
algebra. Tables may then differ by 1e-9 of a value (weights of latent variables by 1e-6), spectra by
one step of the 32-bit numbers they are stored as. Own code: what NumPy and pandas offer for testing
says that two tables differ, and not in which row and column they differ most.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

RELATIVE = 1e-9
_OF_TERMS = 1e-6
_TERMS = "spectra_terms.parquet"
_SINGLE = 2.0**-22
_ROUNDED = 2.0**-9
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class TableMatch:
    """How two versions of a file compare.

    Attributes
    ----------
    same
        ``bytes``, ``within_tolerance``, ``differs``, or ``not_compared`` for files that are no
        tables.
    column
        The first column (or place in a JSON value) that is not the same to the last digit.
    row
        Row of that column's largest difference, counted from 0.
    before, after
        The two values there.
    largest
        Largest relative difference of the file.
    """

    same: str
    column: str | None = None
    row: int | None = None
    before: str | None = None
    after: str | None = None
    largest: float | None = None


def compare_files(first: Path, second: Path, path: str) -> TableMatch:
    """Compare two versions of the file at ``path`` of a study.

    Parameters
    ----------
    one, other
        Where the two versions lie.
    path
        The file's path in the study, which tells what it is.
    """
    if first.read_bytes() == second.read_bytes():
        return TableMatch("bytes")
    suffix = Path(path).suffix
    if suffix == ".json":
        return _summed(_json_differences(_json(first), _json(second), ""), RELATIVE)
    if suffix not in {".csv", ".parquet"}:
        return TableMatch("not_compared")
    before, after = _columns(first, suffix), _columns(second, suffix)
    if list(before) != list(after):
        odd = next(iter(set(before) ^ set(after)), "the order of the columns")
        return TableMatch("differs", column=odd)
    tolerance = _OF_TERMS if path.endswith(_TERMS) else RELATIVE
    matches = [_column(name, before[name], after[name], tolerance) for name in before]
    return _worst([m for m in matches if m is not None])


def _worst(matches: list[TableMatch]) -> TableMatch:
    """Return the first column that differs, with the judgement of the worst one."""
    if not matches:
        return TableMatch("within_tolerance")
    first = next((m for m in matches if m.same == "differs"), matches[0])
    largest = max((m.largest for m in matches if m.largest is not None), default=None)
    return TableMatch(first.same, first.column, first.row, first.before, first.after, largest)


# Tables
# ----------------------------------------------------------------------


def _columns(path: Path, suffix: str) -> dict[str, Any]:
    if suffix == ".csv":
        import pandas as pd

        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
        return {str(name): _numbers_or_text(frame[name]) for name in frame.columns}
    return _parquet_columns(path)


def _numbers_or_text(column: pd.Series[Any]) -> NDArray[Any]:
    import pandas as pd

    numbers = pd.to_numeric(column.replace("", None), errors="coerce")
    if (numbers.isna() == (column == "")).all():
        return np.asarray(numbers, dtype=np.float64)
    return np.asarray(column, dtype=object)


def _parquet_columns(path: Path) -> dict[str, Any]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pq.read_table(path)
    columns: dict[str, Any] = {}
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_fixed_size_list(column.type):
            flat = column.combine_chunks().flatten()
            columns[name] = flat.to_numpy(zero_copy_only=False).reshape(len(column), -1)
        elif pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
            columns[name] = np.asarray(column.to_pandas(), dtype=np.float64)
        else:
            columns[name] = np.asarray([str(v) for v in column.to_pylist()], dtype=object)
    for name, value in (table.schema.metadata or {}).items():
        columns[f"metadata {name.decode()}"] = np.asarray([value.decode()], dtype=object)
    return columns


def _column(
    name: str, before: NDArray[Any], after: NDArray[Any], relative: float
) -> TableMatch | None:
    if before.shape != after.shape:
        words = f"{len(before)} rows", f"{len(after)} rows"
        return TableMatch("differs", name, None, *words)
    if before.dtype == object or after.dtype == object:
        odd = np.flatnonzero(before.astype(object) != after.astype(object))
        return _at(name, before, after, int(odd[0]), None, False) if odd.size else None
    if np.array_equal(before, after, equal_nan=True):
        return None
    if before.dtype == np.float32:
        relative = _ROUNDED if name.startswith("u_") else _SINGLE
    first, second = np.asarray(before, np.float64), np.asarray(after, np.float64)
    if (np.isnan(first) != np.isnan(second)).any():
        row = int(np.argwhere(np.isnan(first) != np.isnan(second))[0][0])
        return _at(name, first, second, row, None, False)
    difference = np.nan_to_num(np.abs(first - second))
    scale = np.fmax(np.abs(first), np.abs(second))
    # A value near nothing is judged by the size of its column.
    allowed = relative * np.nan_to_num(np.fmax(scale, 1e-3 * np.nanmax(scale, initial=0.0)))
    share = difference / np.where(allowed > 0, allowed / relative, 1.0)
    row = int(np.argmax(share.reshape(len(share), -1).max(axis=1)))
    within = bool((difference <= allowed).all())
    return _at(name, first, second, row, float(share.max()), within)


def _at(
    name: str,
    before: NDArray[Any],
    after: NDArray[Any],
    row: int,
    largest: float | None,
    within: bool,
) -> TableMatch:
    first, second = before[row], after[row]
    if isinstance(first, np.ndarray):
        pixel = int(np.argmax(np.abs(first - second)))
        first, second = first[pixel], second[pixel]
    same = "within_tolerance" if within else "differs"
    return TableMatch(same, name, row, str(first), str(second), largest)


# JSON
# ----------------------------------------------------------------------


def _json(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def _json_differences(
    before: Any, after: Any, place: str
) -> Iterator[tuple[str, str, str, float | None]]:
    """Yield place, both values and, of numbers, the relative difference."""
    if isinstance(before, dict) and isinstance(after, dict) and set(before) == set(after):
        for key in before:
            inner = f"{place}.{key}" if place else str(key)
            yield from _json_differences(before[key], after[key], inner)
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for i, (first, second) in enumerate(zip(before, after, strict=True)):
            yield from _json_differences(first, second, f"{place}.{i}")
    elif isinstance(before, float) and isinstance(after, float):
        if before != after:
            relative = abs(before - after) / max(abs(before), abs(after))
            yield place, str(before), str(after), relative
    elif before != after and not _both_digests(before, after):
        yield place, str(before), str(after), None


def _both_digests(before: Any, after: Any) -> bool:
    """A digest of something that differs differs too and tells nothing more."""
    return all(isinstance(v, str) and _DIGEST.fullmatch(v) for v in (before, after))


def _summed(found: Iterator[tuple[str, str, str, float | None]], relative: float) -> TableMatch:
    return _worst(
        [
            TableMatch(
                "within_tolerance" if share is not None and share <= relative else "differs",
                *(place, None, before, after, share),
            )
            for place, before, after, share in found
        ]
    )
