"""The stable tile (role ``check``): its reflectance, and the limits of its control chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.blocks import measuring_order, reference_blocks
from leafledger.quality.darks import dark_for
from leafledger.quality.session import Session
from leafledger.resampling.intervals import t_quantile

Floats = NDArray[np.float64]

COVERAGE = 0.9973
"""Share of a normal distribution within three standard deviations (Shewhart's limits)."""
_MEAN_RANGE_OF_TWO = 1.128
"""Mean range of two normal values in standard deviations (d2 for n = 2)."""


def tile_reflectance(session: Session) -> Floats:
    """Return the tile's reflectance relative to the white panel.

    Returns
    -------
    ndarray
        Shape ``(n_checks, n_pixels)``, in sheet order; 0 where the white has no signal.

    Notes
    -----
    Linear counts above the dark of the same (else the nearest) integration time, per millisecond,
    over the same of the white; the white is the median of its block, interpolated between blocks in
    the order of measuring. Data that arrived as reflectance are returned as they came.
    """
    checks = np.flatnonzero(np.array(session.roles) == "check")
    if not session.in_counts or not len(checks):
        return np.asarray(session.raw[checks], dtype=np.float64)
    whites, darks = session.of_role("white"), session.of_role("dark")
    if not len(whites):
        return np.zeros((len(checks), session.raw.shape[1]))
    place = measuring_order(session).astype(np.float64)
    at, white = _white_by_block(session, whites, place)
    out = np.zeros((len(checks), session.raw.shape[1]))
    dark_counts, tiles = session.sound(darks), session.sound(checks)
    for k, i in enumerate(checks):
        ms = float(session.integration_ms[i])
        dark = dark_for(ms, dark_counts, session.integration_ms[darks], out.shape[1])
        signal = session.linear(tiles[k] - dark) / (ms if np.isfinite(ms) else 1.0)
        reference = _between(place[i], at, white)
        lit = reference > 0
        out[k, lit] = signal[lit] / reference[lit]
    return out


def _white_by_block(
    session: Session, whites: NDArray[np.intp], place: Floats
) -> tuple[Floats, Floats]:
    """Return the place of each white block and its median signal per ms."""
    per_ms = session.white_per_ms
    block = reference_blocks(session)[whites]
    numbers = np.unique(block)
    at = np.array([place[whites[block == n]].mean() for n in numbers])
    return at, np.array([np.median(per_ms[block == n], axis=0) for n in numbers])


def _between(place: float, at: Floats, values: Floats) -> Floats:
    after = int(np.searchsorted(at, place))
    if after == 0:
        return np.asarray(values[0], dtype=np.float64)
    if after == len(at):
        return np.asarray(values[-1], dtype=np.float64)
    share = (place - at[after - 1]) / (at[after] - at[after - 1])
    return np.asarray((1 - share) * values[after - 1] + share * values[after], dtype=np.float64)


@dataclass(frozen=True)
class Limits:
    """Half width of the control limits of a difference of two sessions, or why there is none."""

    half: float | None
    reason: str


def control_limits(sessions: Sequence[Floats], n_here: int, n_first: int) -> Limits:
    """Return the control limits of the difference of a session from the first.

    Parameters
    ----------
    sessions
        Values of the tile in each session, in order; repeats within a session.
    n_here, n_first
        Repeats in the session that is judged and in the first.

    Notes
    -----
    The standard deviation is pooled from repeats within sessions; its Student quantile at
    99.73 % stands for three standard deviations, so that few repeats give wider limits. Without
    repeats it is the mean moving range over 1.128, from at least three sessions.

    References
    ----------
    Shewhart 1931, Economic Control of Quality of Manufactured Product; individuals chart by the
    moving range: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.
    """
    df = sum(len(v) - 1 for v in sessions)
    spread = 1 / n_here + 1 / n_first
    if df >= 2:
        within = sum(float(((v - v.mean()) ** 2).sum()) for v in sessions)
        half = t_quantile(COVERAGE, df) * float(np.sqrt(within / df * spread))
        return Limits(half, f"limits from {df} degrees of freedom within sessions")
    means = np.array([v.mean() for v in sessions])
    if len(means) < 3:
        return Limits(None, "no control limits: no repeats of the tile and fewer than 3 sessions")
    moving = float(np.abs(np.diff(means)).mean()) / _MEAN_RANGE_OF_TWO
    return Limits(3 * moving * float(np.sqrt(2)), "limits from the moving range between sessions")
