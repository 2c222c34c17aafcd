"""Many scans in a Parquet file: one list column, or one column per wavelength.

What the file says of its size is checked before any of its data are read: a megabyte of Parquet
can hold a gigabyte of values.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from leafledger.errors import InputFault, Problem, quoted
from leafledger.intake.axis import check_axis
from leafledger.intake.bounds import MAX_COLUMNS, MAX_VALUES, count_problem
from leafledger.intake.faults import Faults
from leafledger.intake.parquet_columns import check_scan_column, spectrum_columns
from leafledger.intake.parquet_footer import n_values
from leafledger.intake.parquet_values import item_names, list_values, wide_values
from leafledger.intake.raw_scan import FileForm, RawScans

if TYPE_CHECKING:
    import pyarrow.parquet as pq

_LARGEST_FOOTER = 32_000_000
_MOST_IN_FOOTER = 1_000_000
_MAX_ROWS = 200_000
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
    table = source.read(columns=[*keys, *columns], use_threads=False)
    table.validate(full=True)  # damaged files can hold offsets and indices beyond their values
    items = item_names(table, form.scan_column, faults)
    if len(columns) == 1:
        values = list_values(table.column(columns[0]), len(raw), faults)
    else:
        values = wide_values(table, columns, faults)
    faults.stop()
    if falls:
        raw, values = raw[::-1].copy(), np.ascontiguousarray(values[:, ::-1])
    return RawScans(raw, values, items)


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
    told = n_values(data, columns[0])
    if told > max(MAX_VALUES, n_rows * n_wavelengths):
        faults.add(
            f"{told:,} values in {n_rows:,} rows",
            f"{n_wavelengths:,} values a row, and at most {MAX_VALUES:,}",
            "Each scan needs one value at each wavelength.",
        )
