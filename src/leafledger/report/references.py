"""Darks and whites over time: how far each stands from the others of its session."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ReferenceCourse:
    """The references of one role in one session, in the order of measuring.

    Attributes
    ----------
    scans
        Ids.
    time
        Hours since the first scan of the session, or places in the order of measuring; shape
        ``(n_scans,)``.
    timed
        Whether ``time`` is in hours.
    series
        Integration time of each scan, ms; NaN if unknown.
    level
        Mean over the wavelengths of the deviation from the median of the sound references of the
        same series, shape ``(n_scans,)``: a share for whites, counts for darks.
    low, high
        Smallest and largest deviation over the wavelengths.
    bad
        Whether a check called the scan a fault.
    tolerance
        Half width of the tolerance band, in the unit of ``level``; ``None`` if not known.
    """

    scans: tuple[str, ...]
    time: Floats
    timed: bool
    series: Floats
    level: Floats
    low: Floats
    high: Floats
    bad: NDArray[np.bool_]
    tolerance: float | None


def reference_course(
    levels: pd.DataFrame, role: str, bad: Collection[str], tolerance: float | None
) -> ReferenceCourse | None:
    """Return the course of the whites or darks of one session; ``None`` if there are none.

    Parameters
    ----------
    levels
        Table ``quality/<session>.levels.parquet``.
    role
        ``white`` (relative deviation) or ``dark`` (deviation in counts).
    bad
        Scans at fault: marked, and left out of the median.
    tolerance
        Half width of the band.
    """
    part = levels[levels["role"] == role]
    if not len(part):
        return None
    # Two rows of one scan and wavelength cannot be: both are the key of the table.
    wide = part.pivot(index="scan", columns="wavelength_nm", values="value")
    facts = part.drop_duplicates("scan").set_index("scan").sort_values("place", kind="stable")
    values = wide.loc[facts.index].to_numpy(dtype=np.float64)
    faulty = facts.index.isin(list(bad))
    # The signal of a white is told per millisecond: one series whatever the integration time.
    ms = facts["integration_ms"].to_numpy(dtype=np.float64)
    series = np.full(len(ms), np.nan) if role == "white" else ms
    away = _deviation(values, series, faulty, relative=role == "white")
    hours = facts["hours"].to_numpy(dtype=np.float64)
    timed = bool(np.isfinite(hours).all())
    return ReferenceCourse(
        scans=tuple(str(scan) for scan in facts.index),
        time=hours if timed else facts["place"].to_numpy(dtype=np.float64) + 1,
        timed=timed,
        series=series,
        level=away.mean(axis=1),
        low=away.min(axis=1),
        high=away.max(axis=1),
        bad=np.asarray(faulty, dtype=np.bool_),
        tolerance=tolerance,
    )


def _deviation(
    values: Floats, series: Floats, faulty: NDArray[np.bool_], *, relative: bool
) -> Floats:
    keys = np.where(np.isfinite(series), series, -1.0)
    out = np.empty_like(values)
    for key in np.unique(keys):
        own = keys == key
        sound = own & ~faulty
        middle = np.median(values[sound if sound.any() else own], axis=0)
        out[own] = values[own] - middle
        if relative:
            out[own] /= np.where(middle == 0, np.nan, middle)
    return out


def white_counts(levels: pd.DataFrame, bad: Collection[str]) -> float | None:
    """Return the median white signal of a session in counts above dark; ``None`` without whites."""
    part = levels[(levels["role"] == "white") & ~levels["scan"].isin(list(bad))]
    if not len(part):
        return None
    per_ms = (part["unit"] == "count/ms").to_numpy()
    value = part["value"].to_numpy(dtype=np.float64)
    ms = part["integration_ms"].to_numpy(dtype=np.float64)
    return float(np.median(np.where(per_ms, value * ms, value)))
