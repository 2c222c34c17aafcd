"""How are the files of a study written, read and removed?

One writer and one reader for every table a stage leaves behind. Files are written whole: to a
temporary name in the same folder, then renamed over the old one. A study may come from a stranger:
through a link in its results or books files of another folder would be overwritten or deleted, so
that such links are refused.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, StageFailure, bounded, quoted
from leafledger.study.tables import FLAGS, TEXT

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


# Links are refused where a study is written to, so that no other folder is touched.
# ----------------------------------------------------------------------

WRITTEN = ("results", "records", "logs", "ledger", ".snakemake")
"""Folders of a study that the program writes to and deletes from."""
_REPLACED = ("results", "records")
"""Of these, where every file is written anew under its name, never into what a link leads to."""
_DECISIONS = "decisions.csv"
_LONGEST_PATH = 200


def link_problems(folder: Path) -> list[Problem]:
    """Return a problem for each link through which a command would write or delete elsewhere.

    Two kinds of links to a file of the study itself are none: ``decisions.csv``, and those below
    ``results`` and ``records``, which are replaced.
    """
    root = Path(os.path.realpath(folder))
    links = sorted(link for name in (*WRITTEN, _DECISIONS) for link in _links(root / name))
    reasons = [(link.relative_to(root), _why_refused(root, link)) for link in links]
    return bounded([_link_problem(name.as_posix(), why) for name, why in reasons if why])


def refuse_links(folder: Path) -> None:
    """Refuse a study in which a command would write or delete through a link.

    Raises
    ------
    InputFault
        With a problem for each such link.
    """
    if problems := link_problems(folder):
        raise InputFault(problems)


def leaves_the_study(path: str) -> bool:
    r"""Tell whether a path that was read from a file is none below the study folder.

    Paths of records and runs are written relative to it, without ``..``. A study from a stranger
    may hold others, by which files of another folder would be read or written over.

    Examples
    --------
    >>> leaves_the_study("results/effects.csv"), leaves_the_study("raw/day 0/p01..txt")
    (False, False)
    >>> [leaves_the_study(p) for p in ("../victim", "raw/../../victim", "/victim", "", ".", "a\\b")]
    [True, True, True, True, True, True]
    """
    pure = PurePath(path)
    odd = pure.is_absolute() or pure.drive or ".." in pure.parts or "\\" in path or "\0" in path
    return bool(odd) or not pure.parts


def is_plain_name(text: str) -> bool:
    """Tell whether ``text`` can be the name of one file, in no other folder than asked for.

    Examples
    --------
    >>> is_plain_name("reflectance.day4"), is_plain_name("a/b"), is_plain_name("..")
    (True, False, False)
    """
    return not leaves_the_study(text) and "/" not in text


def not_through_a_link(path: Path) -> Path:
    """Return ``path`` if neither it nor any folder above it is a link, judged at this moment.

    Links above the study are no matter: the study folder is resolved when it is read.

    Raises
    ------
    InputFault
        If one of them is a link.
    """
    normal_path = Path(os.path.normpath(path.absolute()))
    if os.path.realpath(normal_path) == str(normal_path):
        return path
    link = next(
        (folder for folder in reversed(normal_path.parents) if folder.is_symlink()), normal_path
    )
    raise InputFault(
        _link_problem(link.as_posix(), f"a link to {_quoted_path(os.path.realpath(link))}")
    )


def remove_file(path: Path) -> None:
    """Remove a file if it is there; never one of another folder, through a link above it."""
    not_through_a_link(path.parent)
    path.unlink(missing_ok=True)


def remove_folder(path: Path) -> None:
    """Remove a folder, as far as it can be removed; never through a link."""
    shutil.rmtree(not_through_a_link(path), ignore_errors=True)


def _links(path: Path) -> Iterator[Path]:
    """Yield every link at or below a place; none is followed."""
    if path.is_symlink():
        yield path
        return
    waiting = [str(path)]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as entries:
                for entry in entries:
                    if entry.is_symlink():
                        yield Path(entry.path)
                    elif entry.is_dir():
                        waiting.append(entry.path)
        except (FileNotFoundError, NotADirectoryError, PermissionError):
            continue  # no folder, or a closed one: judged again at the moment of writing


def _why_refused(root: Path, link: Path) -> str | None:
    """Return what is wrong with a link, ``None`` if nothing comes of it."""
    leads_to = Path(os.path.realpath(link))
    if leads_to.is_symlink():
        return "a link that leads back to itself"
    if not leads_to.is_relative_to(root):
        return f"a path that leaves the study folder: a link to {_quoted_path(leads_to)}"
    top, *below = link.relative_to(root).parts
    if top == _DECISIONS or (top in _REPLACED and below and leads_to.is_file()):
        return None
    inside = _quoted_path(leads_to.relative_to(root))
    return f"a link to {inside}, where other files would be written over or deleted"


def _quoted_path(path: str | Path) -> str:
    return quoted(str(path), _LONGEST_PATH)


def _link_problem(file: str, found: str) -> Problem:
    return Problem(
        file=file.encode("utf-8", "replace").decode("utf-8"),
        found=found,
        expected="a file or folder of the study's own: leafledger writes and deletes there",
        mend="Remove the link itself (what it leads to stays as it is), or put a copy of what it "
        "leads to in its place. Then try again.",
    )


# Whole files.
# ----------------------------------------------------------------------

SPECTRUM_COLUMNS = ("counts", "reflectance", "u_scan", "u_reference")
SHARED_SOURCES = "shared_sources"
"""Metadata of reflectance: names of the columns that hold a source shared by wavelengths."""
ROWS_PER_GROUP = 500
"""Rows of a row group of a table of spectra."""
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


# JSON.
# ----------------------------------------------------------------------


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


# CSV.
# ----------------------------------------------------------------------


def escape_formula_cell(text: str) -> str:
    """Return ``text`` so that a spreadsheet shows it instead of running it as a formula.

    Examples
    --------
    >>> texts = ("=1+1", "\N{FULLWIDTH EQUALS SIGN}1+1", "clip slipped")
    >>> tuple(escape_formula_cell(text) for text in texts)
    ("'=1+1", "'＝1+1", 'clip slipped')
    """
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def unescape_formula_cell(text: str) -> str:
    """Return the text that :func:`escape_formula_cell` was given.

    Examples
    --------
    >>> tuple(unescape_formula_cell(text) for text in ("'=1+1", "'quoted'", "clip slipped"))
    ('=1+1', "'quoted'", 'clip slipped')
    """
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA_STARTS) else text


def write_csv(
    path: Path, frame: pd.DataFrame | Iterable[pd.DataFrame], columns: Sequence[str]
) -> None:
    """Write a table as CSV: UTF-8, ``\\n``, shortest round-trip floats, empty for missing.

    Parameters
    ----------
    path
        Where the table goes.
    frame
        The rows, already sorted by key; or pieces of them in turn, at least one, so that a long
        table need not be in memory. The bytes are the same.
    columns
        The columns in the order of the contract; all must be in ``frame``. Columns that are not
        named are an error too, so that no table grows unseen.
    """
    import pandas as pd

    pieces = [frame] if isinstance(frame, pd.DataFrame) else frame
    with whole_file(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as out:
        for i, piece in enumerate(pieces):
            cells = _cells(path, piece, columns)
            cells.to_csv(out, index=False, header=i == 0, lineterminator="\n")


def _cells(path: Path, frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Return a table as it is written; refuse columns that the contract does not name."""
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
    return out


def _cell(value: Any) -> Any:
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    return escape_formula_cell(value) if isinstance(value, str) else value


def read_csv(
    path: Path, text: Collection[str] = TEXT, flags: Collection[str] = FLAGS
) -> pd.DataFrame:
    """Read a CSV that :func:`write_csv` wrote.

    Parameters
    ----------
    path
        The file.
    text
        Columns kept as text, as it was before :func:`escape_formula_cell`, with ``""`` where
        empty; all others are parsed as numbers (``NaN`` where empty). By default those of the
        registry.
    flags
        Columns of ``true`` and ``false``, returned as booleans. By default those of the registry.
    """
    import pandas as pd

    frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    for name in frame.columns:
        if name in flags:
            frame[name] = frame[name] == "true"
        elif name in text:
            frame[name] = frame[name].map(unescape_formula_cell)
        else:
            frame[name] = pd.to_numeric(frame[name].replace("", None))
    return frame


# Parquet.
# ----------------------------------------------------------------------


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


def round_mantissa(
    values: NDArray[np.floating[Any]], bits: int = _MANTISSA_BITS
) -> NDArray[np.float64]:
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
        ``u_`` are rounded (:func:`round_mantissa`). Stored as float32, far finer than any detector.
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
    n_rows = rows.num_rows
    starts = range(0, n_rows, ROWS_PER_GROUP) if n_rows else range(1)
    parts = (
        {name: values[start : start + ROWS_PER_GROUP] for name, values in spectra.items()}
        for start in starts
    )
    write_spectra_in_parts(path, rows, wavelength_nm, parts, metadata, keys, in_full)


def write_spectra_in_parts(
    path: Path,
    rows: pa.Table,
    wavelength_nm: NDArray[np.float64],
    parts: Iterable[Mapping[str, NDArray[np.floating[Any]]]],
    metadata: Mapping[str, Any],
    keys: Sequence[str] = ("scan",),
    in_full: Sequence[str] = (),
) -> None:
    """Write a table of spectra a row group at a time, so that memory does not grow with its rows.

    Parameters
    ----------
    path, rows, wavelength_nm, metadata, keys, in_full
        As of :func:`write_spectra`, which writes the same bytes.
    parts
        For each successive :data:`ROWS_PER_GROUP` rows (the last may be fewer; one without rows
        where there are none) the spectra by column name. Every part has the same names.

    Raises
    ------
    StageFailure
        If a spectrum holds a value that is not finite or the axis does not rise.
    """
    import pyarrow.parquet as pq

    if np.any(np.diff(wavelength_nm) <= 0):
        raise StageFailure(f"{path.name}: wavelengths do not rise strictly")
    in_file = {"wavelength_nm": [float(w) for w in wavelength_nm], **metadata}
    encoded = {name: canonical_json(value) for name, value in in_file.items()}
    shared = metadata.get(SHARED_SOURCES, ())
    with whole_file(path) as temporary:
        writer: pq.ParquetWriter | None = None
        start = 0
        try:
            for spectra in parts:
                table = rows.slice(start, ROWS_PER_GROUP)
                start += table.num_rows
                for name, values in spectra.items():
                    if len(values) != table.num_rows:
                        raise StageFailure(f"{path.name}: {name} has {len(values)} rows in a group")
                    if not np.isfinite(values).all():
                        raise StageFailure(f"{path.name}: {name} holds a value that is not finite")
                    table = _with_spectra(table, name, values, name in shared, name in in_full)
                table = table.replace_schema_metadata(encoded)
                if writer is None:
                    how = _how_written(keys, list(spectra))
                    writer = pq.ParquetWriter(temporary, table.schema, **how)
                if table.num_rows or not rows.num_rows:
                    writer.write_table(table, row_group_size=ROWS_PER_GROUP)
        finally:
            if writer is not None:
                writer.close()
        if start != rows.num_rows:
            raise StageFailure(f"{path.name}: spectra of {start} of {rows.num_rows} rows")


def _with_spectra(
    table: pa.Table, name: str, values: NDArray[np.floating[Any]], is_shared: bool, in_full: bool
) -> pa.Table:
    import pyarrow as pa

    bits = _SIGNED_BITS if is_shared else _MANTISSA_BITS
    stored = round_mantissa(values, bits) if name.startswith("u_") else values
    flat = pa.array(
        np.ascontiguousarray(stored, dtype=np.float64 if in_full else np.float32).ravel()
    )
    kind = pa.list_(pa.field("element", flat.type, nullable=False), values.shape[1])
    return table.append_column(
        pa.field(name, kind, nullable=False), pa.FixedSizeListArray.from_arrays(flat, type=kind)
    )


def write_parquet(
    path: Path,
    table: pa.Table,
    metadata: Mapping[str, Any],
    keys: Sequence[str],
) -> None:
    """Write any Parquet table without spectra: zstd, statistics for keys only."""
    import pyarrow.parquet as pq

    encoded = {name: canonical_json(value) for name, value in metadata.items()}
    with whole_file(path) as temporary:
        pq.write_table(
            table.replace_schema_metadata(encoded),
            temporary,
            row_group_size=100_000,
            **_how_written(keys),
        )


def _how_written(keys: Sequence[str], spectrum_columns: Sequence[str] = ()) -> dict[str, Any]:
    """Return how a Parquet file is compressed; spectra by byte-stream split."""
    return {
        "compression": "zstd",
        "compression_level": 3,
        "use_dictionary": list(keys),
        "write_statistics": list(keys),
        "use_byte_stream_split": [f"{name}.list.element" for name in spectrum_columns],
    }


def read_spectra(path: Path, spectra: Sequence[str] = SPECTRUM_COLUMNS) -> SpectraTable:
    """Read a table of spectra; only the named spectrum columns (those that exist) are loaded."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    wavelength_nm, in_file = spectra_metadata(path)
    with pq.ParquetFile(path) as source:
        schema = source.schema_arrow
        columns = [name for name in spectra if name in schema.names]
        others = [field.name for field in schema if not pa.types.is_fixed_size_list(field.type)]
        rows = source.read(columns=others).to_pandas(strings_to_categorical=False)
        shape = (source.metadata.num_rows, len(wavelength_nm))
        arrays = {name: np.empty(shape, dtype=np.float64) for name in columns}
        start = 0
        # A row group at a time: never a column twice, as stored and as an array.
        for group in range(source.num_row_groups if columns else 0):
            table = source.read_row_group(group, columns=columns, use_threads=False)
            for name, values in arrays.items():
                values[start : start + len(table)] = spectrum_matrix(table.column(name), shape[1])
            start += len(table)
    return SpectraTable(rows, wavelength_nm, arrays, in_file)


def spectra_by_group(
    path: Path, spectra: Sequence[str], others: Sequence[str] = ("scan",)
) -> Iterator[SpectraTable]:
    """Yield a table of spectra a row group at a time; only the named columns are loaded.

    Parameters
    ----------
    path
        The table.
    spectra, others
        Names of spectrum columns (those that exist are read) and of further columns.
    """
    import pyarrow.parquet as pq

    wavelength_nm, in_file = spectra_metadata(path)
    with pq.ParquetFile(path) as source:
        present = [name for name in spectra if name in source.schema_arrow.names]
        for group in range(source.num_row_groups):
            table = source.read_row_group(group, columns=[*others, *present], use_threads=False)
            arrays = {
                name: spectrum_matrix(table.column(name), len(wavelength_nm)) for name in present
            }
            rows = table.select(list(others)).to_pandas(strings_to_categorical=False)
            yield SpectraTable(rows, wavelength_nm, arrays, in_file)


def spectra_of_rows(path: Path, name: str, rows: NDArray[np.intp]) -> NDArray[np.float64] | None:
    """Return a spectrum column of some rows; ``None`` if the table has no such column.

    Only row groups that hold one of them are read, and one is held at a time.

    Parameters
    ----------
    path
        The table.
    name
        The spectrum column.
    rows
        Numbers of rows, in any order; shape ``(n,)``.

    Returns
    -------
    NDArray[np.float64] or None
        Shape ``(n, n_wavelengths)``.
    """
    import pyarrow.parquet as pq

    n_wavelengths = len(spectra_metadata(path)[0])
    with pq.ParquetFile(path) as source:
        if name not in source.schema_arrow.names:
            return None
        out = np.empty((len(rows), n_wavelengths))
        start = 0
        for group in range(source.num_row_groups):
            stop = start + source.metadata.row_group(group).num_rows
            asked = np.flatnonzero((rows >= start) & (rows < stop))
            if asked.size:
                table = source.read_row_group(group, columns=[name], use_threads=False)
                values = spectrum_matrix(table.column(name), n_wavelengths)
                out[asked] = values[rows[asked] - start]
            start = stop
    return out


def spectra_metadata(path: Path) -> tuple[NDArray[np.float64], dict[str, Any]]:
    """Return the wavelengths and the further metadata of a table of spectra; no row is read."""
    import pyarrow.parquet as pq

    metadata = pq.read_schema(path).metadata or {}
    in_file = {k.decode(): json.loads(v) for k, v in metadata.items() if k != b"pandas"}
    return np.asarray(in_file.pop("wavelength_nm"), dtype=np.float64), in_file


def spectrum_matrix(column: pa.ChunkedArray, n_wavelengths: int) -> NDArray[np.float64]:
    """Return a column of spectra, shape ``(n_rows, n_wavelengths)``."""
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

    schema = pq.read_schema(path)
    # A name says too little: u_scan is a spectrum beside reflectance and a number beside an index.
    fields_to_read = [f for f in schema if with_spectra or not pa.types.is_fixed_size_list(f.type)]
    names = [field.name for field in fields_to_read if field.name not in leave_out]
    table = pq.read_table(path, columns=names)
    frame: pd.DataFrame = table.to_pandas(strings_to_categorical=False)
    return frame


# Spectra of a whole study, cut to the trusted range.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Spectra:
    """Reflectance of many scans on one axis.

    Attributes
    ----------
    reflectance
        Shape ``(n_scans, n_wavelengths)``, a fraction.
    wavelength_nm
        Shape ``(n_wavelengths,)``, nm in air.
    rows
        One row per scan: scan, session, unit, leaf, replicate, accepted, then the unit's
        columns (treatment, block, factors).
    """

    reflectance: NDArray[np.float64]
    wavelength_nm: NDArray[np.float64]
    rows: pd.DataFrame

    def frame(self) -> pd.DataFrame:
        """Return the reflectance with labelled axes.

        Returns
        -------
        DataFrame
            Shape ``(n_scans, n_wavelengths)``. Rows are labelled by all columns of ``rows``, so
            that ``groupby("treatment")`` works; columns are named ``wavelength_nm`` and hold the
            wavelengths in nm, so that ``.loc[:, 540:560]`` cuts a band.
        """
        import pandas as pd

        labels = pd.MultiIndex.from_frame(self.rows)
        axis = pd.Index(self.wavelength_nm, name="wavelength_nm")
        return pd.DataFrame(self.reflectance, index=labels, columns=axis)


def load_spectra(
    reflectance: Mapping[str, Path],
    accepted: Path,
    trusted_range: Path,
    units: Mapping[str, Mapping[str, str]],
    *,
    only_accepted: bool = True,
    sessions: Sequence[str] | None = None,
) -> Spectra:
    """Load spectra of several sessions, cut to the trusted range.

    Parameters
    ----------
    reflectance
        Session -> path of ``reflectance/<session>.parquet``, in study order.
    accepted
        Path of ``accepted.csv``.
    trusted_range
        Path of ``range.json``.
    units
        Unit -> its columns (treatment, block, factors).
    only_accepted
        Leave out excluded scans.
    sessions
        Only these sessions; all if left out.

    Returns
    -------
    Spectra
        Rows sorted by session order, then scan.

    Raises
    ------
    InputFault
        If the sessions do not share one wavelength axis.
    """
    import pandas as pd

    parts = _session_parts(reflectance, accepted, trusted_range, only_accepted, sessions)
    if not parts:
        raise ValueError("no session asked for")
    rows = pd.concat([part.rows for part in parts], ignore_index=True)
    for name in sorted({name for row in units.values() for name in row}):
        rows[name] = [units.get(unit, {}).get(name, "") for unit in rows["unit"]]
    # Wavelength after wavelength in memory: what follows reads columns.
    out = np.empty((len(rows), len(parts[0].wavelength_nm)), order="F")
    start = 0
    for part in parts:
        stop = start + len(part.rows)
        part.read_into(out[start:stop])
        start = stop
    return Spectra(out, parts[0].wavelength_nm, rows)


def spectra_of_sessions(
    reflectance: Mapping[str, Path],
    accepted: Path,
    trusted_range: Path,
    *,
    sessions: Sequence[str] | None = None,
) -> Iterator[tuple[str, Spectra]]:
    """Yield each session with its accepted spectra, as :func:`load_spectra` has them together.

    One session is held at a time; the rows have no columns of units.

    Parameters
    ----------
    reflectance, accepted, trusted_range, sessions
        As of :func:`load_spectra`.

    Raises
    ------
    InputFault
        If the sessions do not share one wavelength axis.
    """
    for part in _session_parts(reflectance, accepted, trusted_range, True, sessions):
        out = np.empty((len(part.rows), len(part.wavelength_nm)))
        part.read_into(out)
        yield part.session, Spectra(out, part.wavelength_nm, part.rows)


@dataclass(frozen=True)
class _SessionPart:
    """The rows of one session that are wanted, and where their spectra lie.

    Attributes
    ----------
    session, path
        The session and its table of reflectance.
    rows
        One for each wanted scan, sorted by scan.
    places
        Row of each scan of the table, -1 for one that is not wanted; shape ``(n_in_table,)``.
    inside
        Which wavelengths of the table are trusted.
    wavelength_nm
        These.
    """

    session: str
    path: Path
    rows: pd.DataFrame
    places: NDArray[np.intp]
    inside: NDArray[np.bool_]
    wavelength_nm: NDArray[np.float64]

    def read_into(self, out: NDArray[np.float64]) -> None:
        """Read the spectra a row group at a time; shape ``(n_rows, n_wavelengths)``."""
        start = 0
        for table in spectra_by_group(self.path, ("reflectance",)):
            values = table.spectra["reflectance"]
            places = self.places[start : start + len(values)]
            start += len(values)
            wanted = places >= 0
            out[places[wanted]] = values[wanted][:, self.inside]


def _session_parts(
    reflectance: Mapping[str, Path],
    accepted: Path,
    trusted_range: Path,
    only_accepted: bool,
    sessions: Sequence[str] | None,
) -> list[_SessionPart]:
    """Return what is wanted of each session; no spectrum is read."""
    import pyarrow.parquet as pq

    limits = read_json(trusted_range)
    keep = read_csv(accepted).set_index("scan")
    chosen_sessions = [s for s in reflectance if sessions is None or s in sessions]
    axis: NDArray[np.float64] | None = None
    parts = []
    for session in chosen_sessions:
        path = reflectance[session]
        wavelength_nm, _ = spectra_metadata(path)
        if axis is not None and not np.array_equal(axis, wavelength_nm):
            raise InputFault(two_axes_problem(chosen_sessions[0], session))
        axis = wavelength_nm
        scans = pq.read_table(path, columns=["scan"]).to_pandas(strings_to_categorical=False)
        rows = keep.reindex(scans["scan"])
        chosen = np.asarray(rows["accepted"], dtype=bool)
        if not only_accepted:
            chosen = np.ones(len(rows), dtype=bool)
        order = np.flatnonzero(chosen)
        order = order[np.argsort(rows.index.to_numpy(dtype=str)[order], kind="stable")]
        places = np.full(len(rows), -1, dtype=np.intp)
        places[order] = np.arange(len(order))
        inside = np.asarray((axis >= limits["start_nm"]) & (axis <= limits["stop_nm"]))
        wanted = rows.iloc[order].reset_index()
        parts.append(_SessionPart(session, path, wanted, places, inside, axis[inside]))
    return parts


def two_axes_problem(first: str, other: str) -> Problem:
    """Return the problem of two sessions that do not share one wavelength axis."""
    return Problem(
        file="study.yaml",
        column="reflectance.grid",
        found=f"sessions {first} and {other} with different wavelengths",
        expected="one wavelength axis for all sessions",
        mend="State a grid, such as {start_nm: 400, stop_nm: 1000, step_nm: 1}.",
    )
