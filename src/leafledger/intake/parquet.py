"""Which scans does a Parquet file hold: in one list column, or in one column per wavelength?

What the file says of its size is checked before any of its data are read: a megabyte of Parquet
can hold a gigabyte of values. The footer is read by our own code, because pyarrow's way to the
counts ends the process on some damaged files; the values are read by pyarrow.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.intake.raw_scan import (
    MAX_COLUMNS,
    MAX_VALUES,
    MAX_WAVELENGTHS,
    Faults,
    FileForm,
    RawScans,
    check_axis,
    count_problem,
)
from leafledger.study.table_sheet import (
    LONGEST_NM,
    SHORTEST_NM,
    impossible_wavelength,
    no_wavelengths,
    split_headings,
)

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq


# How many values a Parquet file says a column holds, read from its footer alone.
# ----------------------------------------------------------------------
# The library's own way to these numbers ends the whole process on some damaged files, and reading
# the column would spend the memory that the question is to save.
#
# References
# ----------
# Apache Parquet format, parquet.thrift (FileMetaData, RowGroup, ColumnChunk, ColumnMetaData);
# Apache Thrift, compact protocol specification. Field numbers from memory, checked by the tests
# against files of the reference library.

_DEEPEST = 20
_ROW_GROUPS = 4
_COLUMNS = 1
_META_DATA = 3
_PATH = 3
_NUM_VALUES = 5


class FooterError(ValueError):
    """A footer that is not written in the compact protocol."""


def n_values(data: bytes, column: str) -> int:
    """Return the number of values of a column (of a list column: of its elements).

    Parameters
    ----------
    data
        A whole file with a footer length that fits it.
    column
        Name of a column at the top of the schema.

    Raises
    ------
    FooterError
        If the footer cannot be read.

    Examples
    --------
    >>> n_values(b"PAR1\\x00\\x01\\x00\\x00\\x00PAR1", "counts")
    0
    """
    size = int.from_bytes(data[-8:-4], "little")
    footer = _Compact(data[-8 - size : -8]).struct()
    total = 0
    try:
        for group in footer.get(_ROW_GROUPS, []):
            for chunk in group.get(_COLUMNS, []):
                about = chunk.get(_META_DATA, {})
                if about.get(_PATH, [b""])[0] == column.encode("utf-8"):
                    total += about[_NUM_VALUES]
        return int(total)
    except (AttributeError, KeyError, IndexError, TypeError):
        raise FooterError("no row groups of columns") from None


class _Compact:
    """A reader of the compact protocol: structs become dictionaries by field number."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def byte(self) -> int:
        if self.at >= len(self.data):
            raise FooterError("ends too early")
        self.at += 1
        return self.data[self.at - 1]

    def unsigned(self) -> int:
        value = shift = 0
        while shift < 70:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7
        raise FooterError("a number too long")

    def signed(self) -> int:
        value = self.unsigned()
        return (value >> 1) ^ -(value & 1)

    def text(self, size: int) -> bytes:
        if size > len(self.data) - self.at:
            raise FooterError("ends too early")
        self.at += size
        return self.data[self.at - size : self.at]

    def struct(self, depth: int = 0) -> dict[int, Any]:
        if depth > _DEEPEST:
            raise FooterError("nested too deep")
        fields: dict[int, Any] = {}
        number = 0
        while head := self.byte():
            step, kind = head >> 4, head & 0x0F
            number = number + step if step else self.signed()
            fields[number] = kind == 1 if kind in {1, 2} else self.value(kind, depth)
        return fields

    def value(self, kind: int, depth: int) -> Any:
        if kind in {4, 5, 6}:
            return self.signed()
        if kind in {1, 2, 3}:
            return self.byte()
        if kind == 7:
            return struct.unpack("<d", self.text(8))[0]
        if kind == 8:
            return self.text(self.unsigned())
        if kind in {9, 10}:
            return self.items(depth + 1)
        if kind == 12:
            return self.struct(depth + 1)
        raise FooterError(f"a field of kind {kind}")

    def items(self, depth: int) -> list[Any]:
        head = self.byte()
        size = head >> 4 if head >> 4 < 15 else self.unsigned()
        # Every element takes a byte at least, so a size beyond the rest is a lie.
        if size > len(self.data) - self.at or depth > _DEEPEST:
            raise FooterError("a list too long or too deep")
        return [self.value(head & 0x0F, depth) for _ in range(size)]


# Which columns of a Parquet file hold the names and the spectra of its scans.
# ----------------------------------------------------------------------


def check_scan_column(schema: pa.Schema, n_rows: int, form: FileForm, faults: Faults) -> None:
    """Add a problem if the column that names the scans is missing, double or not of text."""
    import pyarrow as pa

    if form.scan_column is None:
        if n_rows > 1:
            faults.add(
                f"{n_rows:,} scans without names",
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


def spectrum_columns(
    schema: pa.Schema, form: FileForm, faults: Faults
) -> tuple[list[str], NDArray[np.float64]]:
    """Return the column(s) of the spectra and their wavelengths in file order."""
    import pyarrow as pa

    column = "counts" if form.quantity == "counts" else "reflectance"
    if column in schema.names and _is_list(schema.field(column).type):
        return [column], _stated_axis(schema.metadata or {}, faults)
    why = no_wavelengths(schema.names)
    if why is not None and why[0].startswith("headings"):
        faults.add(
            f"columns with {why[0]}",
            "wavelengths in nm as names of the columns, rising or falling",
            why[1],
        )
        return [], np.empty(0)
    _, positions, wavelengths = split_headings(schema.names)
    if not positions:
        faults.add(
            f"the columns {', '.join(quoted(n, 20) for n in schema.names[:8])}",
            f"a list column {quoted(column)}, or columns whose headings are wavelengths",
            f"Name the column {column}, or mend `quantity:` of the form.",
        )
    for name in schema.names:
        if impossible_wavelength(name) is not None:
            faults.add(
                "no wavelength",
                f"{SHORTEST_NM:g} to {LONGEST_NM:g} nm, or words",
                "Mend the heading.",
                column=name,
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
    stated: Any = None
    try:
        stated = json.loads(metadata.get(b"wavelength_nm", b"null"))
        sound = isinstance(stated, list) and all(
            isinstance(w, int | float) and not isinstance(w, bool) for w in stated
        )
        axis = np.array(stated if sound else [], dtype=np.float64)
    except (ValueError, RecursionError, OverflowError):
        sound = False
    if sound and len(axis) <= MAX_WAVELENGTHS:
        return axis
    faults.add(
        "no wavelengths of the list column"
        if stated is None
        else "wavelengths that are no numbers",
        f"at most {MAX_WAVELENGTHS:,} numbers (JSON) under the key wavelength_nm of the schema",
        "Write the file with its wavelengths.",
        column="wavelength_nm",
    )
    return np.empty(0)


# The names and values in the columns of a Parquet file.
# ----------------------------------------------------------------------

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


def list_values(
    chunks: Iterable[pa.Array], n_scans: int, n_wavelengths: int, faults: Faults
) -> NDArray[np.float64]:
    """Return the spectra of a list column, shape ``(n_scans, n_wavelengths)``.

    Parameters
    ----------
    chunks
        The column, some rows at a time, so that it is never held beside the result.
    n_scans, n_wavelengths
        Rows of the file, and length of its axis.
    faults
        Gets every value that is no number.

    Raises
    ------
    InputFault
        If a list has another length than the axis.
    ValueError
        If there are fewer rows than the file says.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    values = np.empty((n_scans, n_wavelengths), dtype=np.float64)
    start = 0
    for chunk in chunks:
        lengths = pc.list_value_length(chunk).to_pylist()
        for row, length in enumerate(lengths, start=start + 1):
            if length != n_wavelengths:
                faults.add(
                    f"{length or 0} values",
                    f"{n_wavelengths}, one for each wavelength",
                    "Write the file again.",
                    row=row,
                )
        if all(length == n_wavelengths for length in lengths):
            flat = chunk.flatten().cast(pa.float64()).to_numpy(zero_copy_only=False)
            values[start : start + len(chunk)] = flat.reshape(len(chunk), n_wavelengths)
        start += len(chunk)
    faults.stop()
    if start != n_scans:
        raise ValueError(f"{start} rows of spectra instead of {n_scans}")
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
    if np.isfinite(np.sum(values)):  # else one value, or the sum of finite ones
        return
    for row, i in np.argwhere(~np.isfinite(values))[:_MOST_LISTED]:
        faults.add(
            "no value" if np.isnan(values[row, i]) else "an infinite value",
            "a number",
            "Mend the value, or take the scan out of the file.",
            row=int(row) + 1,
            column=columns[i] if columns else f"place {i + 1} of the list",
        )


# Many scans in a Parquet file: one list column, or one column per wavelength.
# ----------------------------------------------------------------------

_LARGEST_FOOTER = 32_000_000
_MOST_IN_FOOTER = 1_000_000
_MAX_ROWS = 200_000
_ROWS_AT_ONCE = 1_000
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
        thrift_container_size_limit=_MOST_IN_FOOTER,
    )
    _check_size(source, faults)
    schema, n_rows = source.schema_arrow, source.metadata.num_rows
    check_scan_column(schema, n_rows, form, faults)
    columns, raw = spectrum_columns(schema, form, faults)
    faults.stop()
    falls = check_axis(raw, faults, lambda i: (None, columns[i] if len(columns) > 1 else None))
    _check_counts(n_rows, data, columns, len(raw), faults)
    faults.stop()
    # As a dictionary, a name repeated in every row is held once.
    keys = [form.scan_column] if form.scan_column else []
    source = pq.ParquetFile(pa.BufferReader(data), metadata=source.metadata, read_dictionary=keys)
    is_list = len(columns) == 1
    table = source.read(columns=keys if is_list else [*keys, *columns], use_threads=False)
    table.validate(full=True)  # damaged files can hold offsets and indices beyond their values
    if keys and table.num_rows != n_rows:
        raise ValueError(f"{table.num_rows} names for {n_rows} rows")
    items = item_names(table, form.scan_column, faults) if keys else ("",) * n_rows
    if is_list:
        values = list_values(_chunks(source, columns[0]), n_rows, len(raw), faults)
    else:
        values = wide_values(table, columns, faults)
    faults.stop()
    if falls:
        raw, values = raw[::-1].copy(), np.ascontiguousarray(values[:, ::-1])
    return RawScans(raw, values, items)


def _chunks(source: pq.ParquetFile, name: str) -> Iterator[pa.Array]:
    """Yield a column of a file, some rows at a time."""
    for batch in source.iter_batches(_ROWS_AT_ONCE, columns=[name], use_threads=False):
        batch.validate(full=True)
        yield batch.column(0)


def _check_size(source: pq.ParquetFile, faults: Faults) -> None:
    """Refuse a file without rows, or with more rows or columns than any session has."""
    n_rows, n_columns = source.metadata.num_rows, len(source.schema_arrow.names)
    if n_columns > MAX_COLUMNS or n_rows > _MAX_ROWS:
        faults.add(
            f"{n_rows:,} rows and {n_columns:,} columns",
            f"at most {_MAX_ROWS:,} rows and {MAX_COLUMNS:,} columns",
            "Split the file.",
        )
    elif n_rows == 0:
        faults.add("no rows", "a row for each scan", "Write the file again.")
    faults.stop()


def _check_counts(
    n_rows: int, data: bytes, columns: list[str], n_wavelengths: int, faults: Faults
) -> None:
    """Check how many values the file says it holds, before any of them is read."""
    faults.take(count_problem(faults.file, n_rows, n_wavelengths))
    if len(columns) > 1:
        return  # a column that is no list holds one value a row
    n_stated = n_values(data, columns[0])
    if n_stated > max(MAX_VALUES, n_rows * n_wavelengths):
        faults.add(
            f"{n_stated:,} values in {n_rows:,} rows",
            f"{n_wavelengths:,} values a row, and at most {MAX_VALUES:,}",
            "Each scan needs one value at each wavelength.",
        )
