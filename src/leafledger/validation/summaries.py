"""Small tables of a study, one row per scan or session, that expectations are held against."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.study.table_files import SpectraTable, read_parquet, read_spectra

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


def _of_spectra(values: Floats) -> dict[str, Any]:
    """Return per-scan summaries; minimum, maximum and mean are over the finite values."""
    finite = np.isfinite(values)
    some = finite.any(axis=1) if values.shape[1] else np.zeros(len(values), dtype=bool)
    n = np.maximum(finite.sum(axis=1), 1)
    return {
        "n_not_finite": (~finite).sum(axis=1),
        "minimum": np.where(some, np.where(finite, values, np.inf).min(axis=1, initial=np.inf), 0),
        "maximum": np.where(
            some, np.where(finite, values, -np.inf).max(axis=1, initial=-np.inf), 0
        ),
        "mean": np.where(some, np.where(finite, values, 0.0).sum(axis=1) / n, 0),
    }


def scan_summary(paths: Mapping[str, Path]) -> pd.DataFrame:
    """Return one row per raw scan of all sessions: scan, session, role, times and summaries.

    ``lowest_allowed`` is 0 for counts and -1 for data that arrived as reflectance.
    """
    import pandas as pd

    frames = []
    for session, path in paths.items():
        table = read_spectra(path, ("counts", "reflectance"))
        counts = "counts" in table.spectra
        values = table.spectra["counts" if counts else "reflectance"]
        summary = _of_spectra(values)
        frame = table.rows[["scan", "role", "integration_ms"]].copy()
        frame["role"] = frame["role"].astype(str)
        frame.insert(1, "session", session)
        for name, column in summary.items():
            frame[name] = column
        frame["above_lowest"] = frame["minimum"] - (0.0 if counts else -1.0)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def reflectance_summary(
    paths: Mapping[str, Path], limits: Mapping[str, Any]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return summaries of reflectance inside the trusted range, by scan, and axes, by session."""
    import pandas as pd

    frames, axes = [], []
    for session, path in paths.items():
        table = read_spectra(path, ("reflectance",))
        axis = table.wavelength_nm
        inside = (axis >= limits["start_nm"]) & (axis <= limits["stop_nm"])
        values = table.spectra["reflectance"]
        frame = pd.DataFrame({"scan": table.rows["scan"].astype(str), "session": session})
        for name, column in _of_spectra(values[:, inside]).items():
            frame[name] = column
        frame["n_not_finite"] = (~np.isfinite(values)).sum(axis=1)
        frames.append(frame)
        axes.append(_axis_row(session, table, limits))
    return pd.concat(frames, ignore_index=True), pd.DataFrame(axes)


def _axis_row(session: str, table: SpectraTable, limits: Mapping[str, Any]) -> dict[str, Any]:
    axis = table.wavelength_nm
    return {
        "session": session,
        "axis": hashlib.sha256(axis.tobytes()).hexdigest()[:16],
        "range_above_first_nm": float(limits["start_nm"]) - float(axis[0]),
        "range_below_last_nm": float(axis[-1]) - float(limits["stop_nm"]),
    }


def index_tables(
    paths: Mapping[str, Path], names: Sequence[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all index values of all sessions, and per scan how many of ``names`` it has."""
    import pandas as pd

    long = pd.concat(
        [read_parquet(path).assign(session=session) for session, path in paths.items()],
        ignore_index=True,
    )
    return long, per_scan(long, names)


def per_scan(long: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return per scan the number of rows and of different indices out of ``names``."""
    known = long[long["index"].isin(list(names))]
    table = long.groupby("scan", sort=True).size().rename("n_rows").to_frame()
    table["n_indices"] = known.groupby("scan")["index"].nunique()
    table["n_indices"] = table["n_indices"].fillna(0).astype(int)
    return table.reset_index()
