"""The one writer and the one reader of every table a stage leaves behind.

Files are written whole: to a temporary name in the same folder, then renamed over the old one.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import StageFailure
from leafledger.study.links import not_through_a_link

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

SPECTRUM_COLUMNS = ("counts", "reflectance", "u_scan", "u_reference")
SHARED_SOURCES = "shared_sources"
"""Metadata of reflectance: names of the columns that hold a source shared by wavelengths."""
_ROWS_PER_GROUP = 500
_MANTISSA_BITS = 10
_SIGNED_BITS = 16
FORMULA_SIGNS = tuple("=+-@\uff1d\uff0b\uff0d\uff20")
"""With which a spreadsheet begins a formula; the last four are full-width."""
_FORMULA_STARTS = (*FORMULA_SIGNS, "\t", "\r")


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a temporary path that becomes ``path`` only if the block ends well.

    Raises
    ------
    InputFault
        If a folder above ``path`` is a link: the file would be written elsewhere.
    """
    not_through_a_link(path.parent).mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        yield temporary
        not_through_a_link(path.parent)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8, whole."""
    with whole_file(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> None:
    """Write ``data``, whole."""
    with whole_file(path) as temporary:
        temporary.write_bytes(data)


# --- JSON ------------------------------------------------------------------------------------


def canonical_json(value: Any) -> str:
    """Return the one JSON text of ``value``: sorted keys, no spaces, no NaN.

    Raises
    ------
    ValueError
        If ``value`` holds NaN or an infinity.

    Examples
    --------
    >>> canonical_json({"b": 1, "a": [0.1, None]})
    '{"a":[0.1,null],"b":1}'
    """
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=False
    )


def write_json(path: Path, value: Any) -> None:
    """Write ``value`` as canonical JSON with indent 1."""
    text = json.dumps(value, sort_keys=True, indent=1, allow_nan=False, ensure_ascii=False)
    write_text(path, text + "\n")


def read_json(path: Path) -> Any:
    """Read a JSON file."""
    return json.loads(path.read_text(encoding="utf-8"))


# --- CSV -------------------------------------------------------------------------------------


def neutral(text: str) -> str:
    """Return ``text`` so that a spreadsheet shows it instead of running it as a formula.

    Examples
    --------
    >>> neutral("=1+1"), neutral("\N{FULLWIDTH EQUALS SIGN}1+1"), neutral("clip slipped")
    ("'=1+1", "'＝1+1", 'clip slipped')
    """
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def typed(text: str) -> str:
    """Return the text that :func:`neutral` was given.

    Examples
    --------
    >>> typed("'=1+1"), typed("'quoted'"), typed("clip slipped")
    ('=1+1', "'quoted'", 'clip slipped')
    """
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA_STARTS) else text


def write_csv(path: Path, frame: pd.DataFrame, columns: Sequence[str]) -> None:
    """Write a table as CSV: UTF-8, ``\\n``, shortest round-trip floats, empty for missing.

    Parameters
    ----------
    path
        Where the table goes.
    frame
        The rows, already sorted by key.
    columns
        The columns in the order of the contract; all must be in ``frame``. Columns that are not
        named are an error too, so that no table grows unseen.
    """
    import pandas as pd

    if set(frame.columns) != set(columns):
        odd = sorted(set(frame.columns) ^ set(columns))
        raise StageFailure(f"{path.name}: columns do not fit the contract: {', '.join(odd)}")
    out = frame.loc[:, list(columns)].copy()
    for name in columns:
        column = out[name]
        if pd.api.types.is_bool_dtype(column.dtype):
            out[name] = column.map({True: "true", False: "false"}).astype(object)
        elif pd.api.types.is_string_dtype(column.dtype) or column.dtype == object:
            out[name] = column.map(_cell).astype(object)
    with whole_file(path) as temporary:
        out.to_csv(temporary, index=False, lineterminator="\n", encoding="utf-8")


def _cell(value: Any) -> Any:
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    return neutral(value) if isinstance(value, str) else value


def read_csv(path: Path, text: Sequence[str] = (), flags: Sequence[str] = ()) -> pd.DataFrame:
    """Read a CSV that :func:`write_csv` wrote.

    Parameters
    ----------
    path
        The file.
    text
        Columns kept as text as it was before :func:`neutral`, with ``""`` where empty; all others
        are parsed as numbers (``NaN`` where empty).
    flags
        Columns of ``true`` and ``false``, returned as booleans.
    """
    import pandas as pd

    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    for name in frame.columns:
        if name in flags:
            frame[name] = frame[name] == "true"
        elif name in text:
            frame[name] = frame[name].map(typed)
        else:
            frame[name] = pd.to_numeric(frame[name].replace("", None))
    return frame


# --- Parquet ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class SpectraTable:
    """A table of spectra as read from disk.

    Attributes
    ----------
    rows
        The columns that are not spectra, one row per scan.
    wavelength_nm
        Axis shared by all spectra, shape ``(n_wavelengths,)``, nm.
    spectra
        Arrays of shape ``(n_scans, n_wavelengths)``, float64, by column name.
    metadata
        Further schema metadata, JSON-decoded.
    """

    rows: pd.DataFrame
    wavelength_nm: NDArray[np.float64]
    spectra: Mapping[str, NDArray[np.float64]]
    metadata: Mapping[str, Any]


def rounded(values: NDArray[np.floating[Any]], bits: int = _MANTISSA_BITS) -> NDArray[np.float64]:
    """Round to 10 mantissa bits (5e-4 relative): enough for an uncertainty, far smaller on disk."""
    mantissa, exponent = np.frexp(values)
    whole = np.round(np.ldexp(mantissa, bits))
    return np.asarray(np.ldexp(whole, exponent - bits), dtype=np.float64)


def write_spectra(
    path: Path,
    rows: pa.Table,
    wavelength_nm: NDArray[np.float64],
    spectra: Mapping[str, NDArray[np.floating[Any]]],
    metadata: Mapping[str, Any],
    keys: Sequence[str] = ("scan",),
    in_full: Sequence[str] = (),
) -> None:
    """Write a table of spectra in the layout of the contract.

    Parameters
    ----------
    path
        Where the table goes.
    rows
        Columns that are not spectra, one row per scan.
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm, strictly rising.
    spectra
        Arrays of shape ``(n_scans, n_wavelengths)`` by column name, finite; names that begin with
        ``u_`` are rounded (:func:`rounded`). Stored as float32, far finer than any detector.
    metadata
        JSON-able schema metadata. Columns that it names as :data:`SHARED_SOURCES` keep 16 bits
        (8e-6 relative): what cancels in a ratio must cancel after rounding as well.
    keys
        Columns that get dictionary pages and statistics.
    in_full
        Spectra stored as float64: those that arrive as reflectance, whose digits are not ours to
        drop (values that were equal must differ by equal amounts afterwards).

    Raises
    ------
    StageFailure
        If a spectrum holds a value that is not finite or the axis does not rise.
    """
    import pyarrow as pa

    if np.any(np.diff(wavelength_nm) <= 0):
        raise StageFailure(f"{path.name}: wavelengths do not rise strictly")
    table = rows
    for name, values in spectra.items():
        if not np.isfinite(values).all():
            raise StageFailure(f"{path.name}: {name} holds a value that is not finite")
        bits = _SIGNED_BITS if name in metadata.get(SHARED_SOURCES, ()) else _MANTISSA_BITS
        stored = rounded(values, bits) if name.startswith("u_") else values
        width = np.float64 if name in in_full else np.float32
        flat = pa.array(np.ascontiguousarray(stored, dtype=width).ravel())
        field = pa.field("element", flat.type, nullable=False)
        kind = pa.list_(field, len(wavelength_nm))
        table = table.append_column(
            pa.field(name, kind, nullable=False),
            pa.FixedSizeListArray.from_arrays(flat, type=kind),
        )
    told = {"wavelength_nm": [float(w) for w in wavelength_nm], **metadata}
    write_parquet(path, table, told, keys, list(spectra))


def write_parquet(
    path: Path,
    table: pa.Table,
    metadata: Mapping[str, Any],
    keys: Sequence[str],
    spectrum_columns: Sequence[str] = (),
) -> None:
    """Write any Parquet table: zstd, byte-stream split for spectra, statistics for keys only."""
    import pyarrow.parquet as pq

    encoded = {name: canonical_json(value) for name, value in metadata.items()}
    with whole_file(path) as temporary:
        pq.write_table(
            table.replace_schema_metadata(encoded),
            temporary,
            compression="zstd",
            compression_level=3,
            row_group_size=_ROWS_PER_GROUP if spectrum_columns else 100_000,
            use_dictionary=list(keys),
            write_statistics=list(keys),
            use_byte_stream_split=[f"{name}.list.element" for name in spectrum_columns],
        )


def read_spectra(path: Path, spectra: Sequence[str] = SPECTRUM_COLUMNS) -> SpectraTable:
    """Read a table of spectra; only the named spectrum columns (those that exist) are loaded."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pq.read_schema(path)
    told = {k.decode(): json.loads(v) for k, v in (schema.metadata or {}).items() if k != b"pandas"}
    wavelength_nm = np.asarray(told.pop("wavelength_nm"), dtype=np.float64)
    wanted = [name for name in spectra if name in schema.names]
    others = [field.name for field in schema if not pa.types.is_fixed_size_list(field.type)]
    table = pq.read_table(path, columns=[*others, *wanted])
    arrays = {name: _matrix(table.column(name), len(wavelength_nm)) for name in wanted}
    rows = table.select(others).to_pandas(strings_to_categorical=False)
    return SpectraTable(rows, wavelength_nm, arrays, told)


def _matrix(column: pa.ChunkedArray, n_wavelengths: int) -> NDArray[np.float64]:
    out = np.empty((len(column), n_wavelengths), dtype=np.float64)
    start = 0
    for chunk in column.chunks:
        stop = start + len(chunk)
        out[start:stop] = chunk.flatten().to_numpy().reshape(len(chunk), n_wavelengths)
        start = stop
    return out


def read_parquet(
    path: Path, leave_out: Sequence[str] = (), with_spectra: bool = True
) -> pd.DataFrame:
    """Read a Parquet table, some columns or all spectra left out; text comes as plain strings."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields = pq.read_schema(path)
    # A name says too little: u_scan is a spectrum beside reflectance and a number beside an index.
    wanted = [f for f in fields if with_spectra or not pa.types.is_fixed_size_list(f.type)]
    names = [field.name for field in wanted if field.name not in leave_out]
    table = pq.read_table(path, columns=names)
    frame: pd.DataFrame = table.to_pandas(strings_to_categorical=False)
    return frame
