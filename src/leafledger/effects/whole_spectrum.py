"""Where the spectrum moved: the difference in change at every wavelength, with one band for all.

References
----------
Westfall, P. H. and Young, S. S. (1993). Resampling-Based Multiple Testing, chapter 2. Wiley
(distribution of the largest |t| under permutation of the labels).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.permutation import dealt_group, label_arrangements
from leafledger.chance.seeds import generator

if TYPE_CHECKING:
    import pandas as pd

MOST_DRAWS = 999
"""Arrangements drawn for the band at most: it is a quantile of the bulk, not a small p."""
_CHUNK = 250
"""Arrangements at once, so that memory stays small whatever the number of wavelengths."""
_RESOLUTION = 1e-9
"""Standard errors up to this share of the largest change are rounding."""


@dataclass(frozen=True)
class Band:
    """Difference between two groups at every wavelength; ``NaN`` where it does not exist.

    Attributes
    ----------
    estimate, low, high
        Shape ``(n_wavelengths,)``, in the unit of the values.
    """

    estimate: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def unit_spectra(
    reflectance: NDArray[np.float64],
    rows: pd.DataFrame,
    units: Sequence[str],
    sessions: Sequence[str],
) -> NDArray[np.float64]:
    """Average scans within leaf and leaves within unit.

    Parameters
    ----------
    reflectance
        Shape ``(n_scans, n_wavelengths)``.
    rows
        Columns scan, unit, session, leaf of the same scans; an empty leaf is one of its own.
    units, sessions
        Names along the first two axes of the result.

    Returns
    -------
    ndarray
        Shape ``(n_units, n_sessions, n_wavelengths)``, ``NaN`` where a unit was not measured.
    """
    columns = (rows[c].tolist() for c in ("unit", "session", "leaf", "scan"))
    leaves: dict[tuple[str, str], dict[tuple[str, str], list[int]]] = {}
    for i, (unit, session, leaf, scan) in enumerate(zip(*columns, strict=True)):
        own = (leaf, "") if leaf else ("", scan)
        leaves.setdefault((unit, session), {}).setdefault(own, []).append(i)
    out = np.full((len(units), len(sessions), reflectance.shape[1]), np.nan)
    for i, unit in enumerate(units):
        for j, session in enumerate(sessions):
            found = leaves.get((unit, session))
            if found:
                means = [reflectance[found[leaf]].mean(axis=0) for leaf in sorted(found)]
                out[i, j] = np.mean(means, axis=0)
    return out


def simultaneous_band(
    changes: NDArray[np.float64],
    treated: NDArray[np.bool_],
    blocks: Sequence[str],
    level: float,
    n_draws: int,
    seed: int,
) -> Band:
    """Return treated minus reference at every wavelength with a simultaneous band.

    The band is ``estimate +- q * standard error`` (Welch), q the quantile of the largest |t| over
    all wavelengths when the labels are dealt out anew within blocks. If the treatment does nothing,
    the band leaves zero anywhere at all with probability at most ``1 - level``.

    Parameters
    ----------
    changes
        One change per unit and wavelength, shape ``(n_units, n_wavelengths)``, at least two units
        a group, units in the order of their id.
    treated
        Shape ``(n_units,)``.
    blocks
        Block of each unit; the same word throughout if there are none.
    level
        Probability for the whole band.
    n_draws, seed
        Arrangements drawn where there are more than 100,000; at most 999 are used.
    """
    first, sign = dealt_group(treated)
    stream = generator(seed, "whole_spectrum")
    dealt = label_arrangements(first, blocks, min(n_draws, MOST_DRAWS), stream)
    centred = changes - changes.mean(axis=0)
    floor = _RESOLUTION * max(float(np.abs(changes).max(initial=0.0)), 1e-300)
    estimate, error = _difference(first[None, :], centred)
    largest = np.concatenate(
        [
            _largest_t(dealt.member[i : i + _CHUNK], centred, floor)
            for i in range(0, len(dealt.member), _CHUNK)
        ]
    )
    q = _critical(largest, level, enumerated=dealt.enumerated)
    half = np.where(error[0] > floor, q * error[0], np.nan)
    return Band(sign * estimate[0], sign * estimate[0] - half, sign * estimate[0] + half)


def _difference(
    member: NDArray[np.bool_], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return difference and Welch standard error, shape ``(n_arrangements, n_wavelengths)``."""
    inside = member.astype(np.float64)
    n = inside.sum(axis=1, keepdims=True)
    m = member.shape[1] - n
    sums, squares = inside @ values, inside @ values**2
    others, other_squares = values.sum(axis=0) - sums, (values**2).sum(axis=0) - squares
    one = np.maximum(squares - sums**2 / n, 0.0) / (n - 1) / n
    two = np.maximum(other_squares - others**2 / m, 0.0) / (m - 1) / m
    return sums / n - others / m, np.sqrt(one + two)


def _largest_t(
    member: NDArray[np.bool_], values: NDArray[np.float64], floor: float
) -> NDArray[np.float64]:
    estimate, error = _difference(member, values)
    t = np.divide(np.abs(estimate), error, out=np.zeros_like(error), where=error > floor)
    return np.asarray(t.max(axis=1, initial=0.0), dtype=np.float64)


def _critical(largest: NDArray[np.float64], level: float, *, enumerated: bool) -> float:
    """Return the largest |t| that a test at ``1 - level`` still accepts; NaN if it accepts all."""
    total = len(largest) if enumerated else len(largest) + 1
    k = math.floor((1.0 - level) * total + 1e-9)
    if k < 1:
        return math.nan
    falling = np.sort(largest)[::-1]
    return float(falling[k] if enumerated else falling[k - 1])
