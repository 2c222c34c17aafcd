"""Accepted spectra of a whole study, cut to the trusted range: the one way to get them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.tables import read_csv, read_json, read_spectra

if TYPE_CHECKING:
    import pandas as pd


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
    keep = read_csv(accepted, text=tuple(TEXT), flags=tuple(FLAGS)).set_index("scan")
    wanted = [s for s in reflectance if sessions is None or s in sessions]
    frames: list[pd.DataFrame] = []
    blocks: list[NDArray[np.float64]] = []
    axis: NDArray[np.float64] | None = None
    for session in wanted:
        table = read_spectra(reflectance[session], ("reflectance",))
        if axis is not None and not np.array_equal(axis, table.wavelength_nm):
            raise InputFault(_two_axes(wanted[0], session))
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


def _two_axes(first: str, other: str) -> Problem:
    return Problem(
        file="study.yaml",
        column="reflectance.grid",
        found=f"sessions {first} and {other} with different wavelengths",
        expected="one wavelength axis for all sessions",
        mend="State a grid, such as {start_nm: 400, stop_nm: 1000, step_nm: 1}.",
    )
