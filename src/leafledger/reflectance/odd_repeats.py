"""Repeats that disagree with their fellows, and so say nothing of the detector's noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.centre import trimmed_mean

_TOO_FAR = 1.5
_SIGMAS = 6.0
_REACH = 5
"""Fellows on either side, in the order of the sheet, that a repeat is compared with."""


def agreeing(
    sets: Sequence[NDArray[np.float64]], averages: Sequence[NDArray[np.float64]]
) -> list[NDArray[np.intp]]:
    """Return, for each set of repeats, the positions of those that agree with another one.

    Each repeat is compared with the fellow nearest to it among the five before and the five after
    it: the variance of a single reading from the pixels' differences. A repeat is left out if that
    variance exceeds the median over all repeats by more than half (by more than 6 of its own
    standard errors on short axes), as a dark with light on it or a white with a shadow does. Sets
    left with one repeat are empty.

    Parameters
    ----------
    sets
        Repeats, each ``(n_repeats, n_pixels)``, scaled so that all pixels have like noise.
    averages
        Readings per repeat, each ``(n_repeats,)``.
    """
    nearest = [_nearest(s, a) for s, a in zip(sets, averages, strict=True)]
    if not nearest:
        return []
    pixels = sets[0].shape[1]
    limit = 1 + max(_TOO_FAR - 1, _SIGMAS * np.sqrt(2 / pixels))
    median = float(np.median(np.concatenate(nearest)))
    kept = [np.flatnonzero(variance <= limit * median) for variance in nearest]
    return [k if len(k) > 1 else k[:0] for k in kept]


def _nearest(repeats: NDArray[np.float64], averages: NDArray[np.float64]) -> NDArray[np.float64]:
    n = len(repeats)
    out = np.full(n, np.inf)
    for one in range(n):
        for other in range(one + 1, min(n, one + 1 + _REACH)):
            squares = (repeats[one] - repeats[other]) ** 2
            variance = trimmed_mean(squares, 1) / (1 / averages[one] + 1 / averages[other])
            out[one] = min(out[one], variance)
            out[other] = min(out[other], variance)
    return out
