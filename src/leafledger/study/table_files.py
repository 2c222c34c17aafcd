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
from collections.abc import Collection, Iterator, Mapping, Sequence
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
    import pyarrow as pa

    if np.any(np.diff(wavelength_nm) <= 0):
        raise StageFailure(f"{path.name}: wavelengths do not rise strictly")
    table = rows
    for name, values in spectra.items():
        if not np.isfinite(values).all():
            raise StageFailure(f"{path.name}: {name} holds a value that is not finite")
        bits = _SIGNED_BITS if name in metadata.get(SHARED_SOURCES, ()) else _MANTISSA_BITS
        stored = round_mantissa(values, bits) if name.startswith("u_") else values
        width = np.float64 if name in in_full else np.float32
        flat = pa.array(np.ascontiguousarray(stored, dtype=width).ravel())
        field = pa.field("element", flat.type, nullable=False)
        kind = pa.list_(field, len(wavelength_nm))
        table = table.append_column(
            pa.field(name, kind, nullable=False),
            pa.FixedSizeListArray.from_arrays(flat, type=kind),
        )
    in_file = {"wavelength_nm": [float(w) for w in wavelength_nm], **metadata}
    write_parquet(path, table, in_file, keys, list(spectra))


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
    in_file = {
        k.decode(): json.loads(v) for k, v in (schema.metadata or {}).items() if k != b"pandas"
    }
    wavelength_nm = np.asarray(in_file.pop("wavelength_nm"), dtype=np.float64)
    columns = [name for name in spectra if name in schema.names]
    others = [field.name for field in schema if not pa.types.is_fixed_size_list(field.type)]
    table = pq.read_table(path, columns=[*others, *columns])
    arrays = {name: _matrix(table.column(name), len(wavelength_nm)) for name in columns}
    rows = table.select(others).to_pandas(strings_to_categorical=False)
    return SpectraTable(rows, wavelength_nm, arrays, in_file)


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

    limits = read_json(trusted_range)
    keep = read_csv(accepted).set_index("scan")
    chosen_sessions = [s for s in reflectance if sessions is None or s in sessions]
    frames: list[pd.DataFrame] = []
    blocks: list[NDArray[np.float64]] = []
    axis: NDArray[np.float64] | None = None
    for session in chosen_sessions:
        table = read_spectra(reflectance[session], ("reflectance",))
        if axis is not None and not np.array_equal(axis, table.wavelength_nm):
            raise InputFault(_axes_problem(chosen_sessions[0], session))
        axis = table.wavelength_nm
        rows = keep.reindex(table.rows["scan"])
        chosen = np.asarray(rows["accepted"], dtype=bool)
        if not only_accepted:
            chosen = np.ones(len(rows), dtype=bool)
        order = np.flatnonzero(chosen)
        order = order[np.argsort(rows.index.to_numpy(dtype=str)[order], kind="stable")]
        frames.append(rows.iloc[order].reset_index())
        blocks.append(table.spectra["reflectance"][order])
    if axis is None:
        raise ValueError("no session asked for")
    inside = (axis >= limits["start_nm"]) & (axis <= limits["stop_nm"])
    rows = pd.concat(frames, ignore_index=True)
    columns = sorted({name for row in units.values() for name in row})
    for name in columns:
        rows[name] = [units.get(unit, {}).get(name, "") for unit in rows["unit"]]
    return Spectra(np.concatenate(blocks)[:, inside], axis[inside], rows)


def _axes_problem(first: str, other: str) -> Problem:
    return Problem(
        file="study.yaml",
        column="reflectance.grid",
        found=f"sessions {first} and {other} with different wavelengths",
        expected="one wavelength axis for all sessions",
        mend="State a grid, such as {start_nm: 400, stop_nm: 1000, step_nm: 1}.",
    )
