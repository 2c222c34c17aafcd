"""Many scans in a Parquet file: one list column, or one column per wavelength.

What the file says of its size is checked before any of its data are read: a megabyte of Parquet
can hold a gigabyte of values.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.intake.axis import check_axis
from leafledger.intake.bounds import MAX_COLUMNS, MAX_VALUES, MAX_WAVELENGTHS, count_problem
from leafledger.intake.faults import Faults
from leafledger.intake.parquet_footer import n_values
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.study.headings import impossible_wavelength, split_headings

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_LARGEST_FOOTER = 32_000_000
_MAX_ROWS = 200_000
_LONGEST_ITEM = 1_000
_MARK = b"PAR1"


def read_parquet(data: bytes, file: str, form: FileForm) -> RawScans:
    """Read a Parquet file of scans.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        ``scan_column`` names the text column with the item of each row; ``quantity`` says whether
        the list column is called ``counts`` or ``reflectance``. Without such a column, the
        columns whose headings are wavelengths are taken.

    Returns
    -------
    RawScans
        Rows in file order; a falling axis is reversed.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50. Rows are counted from 1.
    """
    import pyarrow as pa

    faults = Faults(file)
    _check_footer(data, faults)
    faults.stop()
    try:
        return _read(data, form, faults)
    except (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError) as error:
        words = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputFault(
            Problem(
                file,
                f"Parquet that cannot be read ({quoted(words, 120)})",
                "a whole Parquet file",
                "Copy or export the file again.",
            )
        ) from None


def _check_footer(data: bytes, faults: Faults) -> None:
    whole = len(data) > 12 and data.startswith(_MARK) and data.endswith(_MARK)
    size = int.from_bytes(data[-8:-4], "little") if whole else 0
    if not whole or not 0 < size <= len(data) - 12:
        faults.add(
            "no whole Parquet file",
            "a file that begins and ends with PAR1",
            "Copy the file again, or state the right `form:` for this session.",
        )
    elif size > _LARGEST_FOOTER:
        faults.add(
            f"a description of {size / 1e6:.0f} MB",
            f"at most {_LARGEST_FOOTER / 1e6:.0f} MB",
            "Write fewer columns or fewer row groups.",
        )


def _read(data: bytes, form: FileForm, faults: Faults) -> RawScans:
    import pyarrow as pa
    import pyarrow.parquet as pq

    source = pq.ParquetFile(
        pa.BufferReader(data),
        thrift_string_size_limit=_LARGEST_FOOTER,
        thrift_container_size_limit=1_000_000,
    )
    schema = source.schema_arrow
    if len(schema.names) > MAX_COLUMNS or source.metadata.num_rows > _MAX_ROWS:
        faults.add(
            f"{source.metadata.num_rows:,} rows and {len(schema.names):,} columns",
            f"at most {_MAX_ROWS:,} rows and {MAX_COLUMNS:,} columns",
            "Split the file.",
        )
        faults.stop()
    if source.metadata.num_rows == 0:
        faults.add("no rows", "a row for each scan", "Write the file again.")
        faults.stop()
    _check_scan_column(source, form, faults)
    columns, raw = _spectrum_columns(schema, form, faults)
    faults.stop()
    falls = check_axis(raw, faults, lambda i: (None, columns[i] if len(columns) > 1 else None))
    _check_counts(source, data, columns, len(raw), faults)
    faults.stop()
    # As a dictionary, a name repeated in every row is held once.
    keys = [form.scan_column] if form.scan_column else []
    source = pq.ParquetFile(pa.BufferReader(data), metadata=source.metadata, read_dictionary=keys)
    table = source.read(columns=[*keys, *columns], use_threads=False)
    items = _items(table, form.scan_column, faults)
    if len(columns) == 1:
        values = _list_values(table.column(columns[0]), len(raw), faults)
    else:
        values = _wide_values(table, columns, faults)
    faults.stop()
    if falls:
        raw, values = raw[::-1].copy(), np.ascontiguousarray(values[:, ::-1])
    return RawScans(raw, values, items)


def _check_scan_column(source: pq.ParquetFile, form: FileForm, faults: Faults) -> None:
    import pyarrow as pa

    schema = source.schema_arrow
    if form.scan_column is None:
        if source.metadata.num_rows > 1:
            faults.add(
                f"{source.metadata.num_rows:,} scans without names",
                "a column that names them",
                "State `scan_column:` in the form of this session.",
                column="scan_column",
            )
        return
    n_found = schema.names.count(form.scan_column)
    kind = schema.field(form.scan_column).type if n_found == 1 else None
    if kind is not None and pa.types.is_dictionary(kind):
        kind = kind.value_type
    if kind is None or not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        faults.add(
            f"{n_found} such columns" if kind is None else f"a column of type {kind}",
            f"one text column {quoted(form.scan_column)} that names the scan of each row",
            "Mend `scan_column:` of the form. "
            + nearest(form.scan_column, schema.names[:200] or ["(none)"]),
            column=form.scan_column,
        )


def _spectrum_columns(
    schema: pa.Schema, form: FileForm, faults: Faults
) -> tuple[list[str], NDArray[np.float64]]:
    """Return the column(s) of the spectra and their wavelengths in file order."""
    import pyarrow as pa

    wanted = "counts" if form.quantity == "counts" else "reflectance"
    if wanted in schema.names and _is_list(schema.field(wanted).type):
        return [wanted], _stated_axis(schema.metadata or {}, faults)
    _, positions, wavelengths = split_headings(schema.names)
    if not positions:
        faults.add(
            f"the columns {', '.join(quoted(n, 20) for n in schema.names[:8])}",
            f"a list column {quoted(wanted)}, or columns whose headings are wavelengths",
            f"Name the column {wanted}, or mend `quantity:` of the form.",
        )
    for name in schema.names:
        if impossible_wavelength(name) is not None:
            faults.add(
                "no wavelength", "150 to 30000 nm, or words", "Mend the heading.", column=name
            )
    columns = [schema.names[i] for i in positions]
    if len(set(columns)) < len(columns):
        faults.add("columns of the same name", "one of each", "Write the file again.")
    for i in positions:
        kind = schema.field(i).type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
            faults.add(
                f"values of type {kind}",
                "numbers",
                "Write the file again.",
                column=schema.names[i],
            )
    return columns, np.array(wavelengths, dtype=np.float64)


def _is_list(kind: pa.DataType) -> bool:
    import pyarrow as pa

    lists = (pa.types.is_fixed_size_list, pa.types.is_list, pa.types.is_large_list)
    if not any(is_kind(kind) for is_kind in lists):
        return False
    return bool(pa.types.is_floating(kind.value_type) or pa.types.is_integer(kind.value_type))


def _stated_axis(metadata: dict[bytes, bytes], faults: Faults) -> NDArray[np.float64]:
    told: Any = None
    try:
        told = json.loads(metadata.get(b"wavelength_nm", b"null"))
        sound = isinstance(told, list) and all(
            isinstance(w, int | float) and not isinstance(w, bool) for w in told
        )
        axis = np.array(told if sound else [], dtype=np.float64)
    except (ValueError, RecursionError, OverflowError):
        sound = False
    if sound and len(axis) <= MAX_WAVELENGTHS:
        return axis
    faults.add(
        "no wavelengths of the list column" if told is None else "wavelengths that are no numbers",
        f"at most {MAX_WAVELENGTHS:,} numbers (JSON) under the key wavelength_nm of the schema",
        "Write the file with its wavelengths.",
        column="wavelength_nm",
    )
    return np.empty(0)


def _check_counts(
    source: pq.ParquetFile, data: bytes, columns: list[str], n_wavelengths: int, faults: Faults
) -> None:
    """Check how many values the file says it holds, before any of them is read."""
    n_rows = source.metadata.num_rows
    faults.take(count_problem(faults.file, n_rows, n_wavelengths))
    if len(columns) > 1:
        return  # a column that is no list holds one value a row
    told = n_values(data, columns[0])
    if told > max(MAX_VALUES, n_rows * n_wavelengths):
        faults.add(
            f"{told:,} values in {n_rows:,} rows",
            f"{n_wavelengths:,} values a row, and at most {MAX_VALUES:,}",
            "Each scan needs one value at each wavelength.",
        )


def _items(table: pa.Table, name: str | None, faults: Faults) -> tuple[str, ...]:
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


def _list_values(
    column: pa.ChunkedArray, n_wavelengths: int, faults: Faults
) -> NDArray[np.float64]:
    import pyarrow as pa
    import pyarrow.compute as pc

    if column.null_count or any(
        n != n_wavelengths for n in pc.list_value_length(column).to_pylist()
    ):
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


def _wide_values(table: pa.Table, columns: list[str], faults: Faults) -> NDArray[np.float64]:
    import pyarrow as pa

    values = np.empty((table.num_rows, len(columns)), dtype=np.float64)
    for i, name in enumerate(columns):
        values[:, i] = table.column(name).cast(pa.float64()).to_numpy()
    _check_finite(values, columns, faults)
    return values


def _check_finite(values: NDArray[np.float64], columns: list[str] | None, faults: Faults) -> None:
    for row, i in np.argwhere(~np.isfinite(values))[:1000]:
        faults.add(
            "no value" if np.isnan(values[row, i]) else "an infinite value",
            "a number",
            "Mend the value, or take the scan out of the file.",
            row=int(row) + 1,
            column=columns[i] if columns else f"place {i + 1} of the list",
        )
