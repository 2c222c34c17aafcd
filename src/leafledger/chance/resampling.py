"""Intervals for a share of successes: Wilson's, and one that resamples whole units."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

_DRAWS_AT_ONCE = 500


def wilson_interval(successes: float, n: int, level: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score interval of a share.

    Parameters
    ----------
    successes
        Number of successes; may be a fraction when each unit counts by the share of its scans.
    n
        Number of independent trials (units), at least 1.
    level
        Confidence level, between 0 and 1.

    Returns
    -------
    tuple
        Lower and upper limit, both within 0 and 1.

    Raises
    ------
    ValueError
        If ``n`` is below 1 or ``successes`` lies outside 0 to ``n``.

    References
    ----------
    Wilson 1927, J. Am. Stat. Assoc. 22:209-212; Newcombe 1998, Stat. Med. 17:857-872, method 3.

    Examples
    --------
    >>> [round(limit, 4) for limit in wilson_interval(81, 263)]
    [0.2553, 0.3662]
    """
    if n < 1 or not 0 <= successes <= n:
        raise ValueError(f"{successes} successes of {n}: no share can be made of them")
    z = NormalDist().inv_cdf(0.5 + level / 2)
    share = successes / n
    middle = share + z**2 / (2 * n)
    half = z * float(np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)))
    scale = 1 + z**2 / n
    low = 0.0 if successes == 0 else max(0.0, (middle - half) / scale)
    high = 1.0 if successes == n else min(1.0, (middle + half) / scale)
    return low, high


def unit_bootstrap_interval(
    successes: NDArray[np.float64],
    totals: NDArray[np.float64],
    rng: np.random.Generator,
    level: float = 0.95,
    n_draws: int = 2000,
) -> tuple[float, float]:
    """Return the percentile interval of a share when whole units are resampled.

    Scans of one unit stay together, so the interval does not shrink when more leaves of the same
    plants are scanned.

    Parameters
    ----------
    successes, totals
        Successes and scans of every unit, shape ``(n_units,)``.
    rng
        Random stream.
    level
        Confidence level.
    n_draws
        Number of resamples.

    Returns
    -------
    tuple
        Lower and upper limit.

    Raises
    ------
    ValueError
        If a unit has no scan or there is no unit.

    References
    ----------
    Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 13 (percentile interval).
    """
    n = len(totals)
    if n == 0 or np.any(totals <= 0):
        raise ValueError("every unit needs at least one scan")
    shares: list[NDArray[np.float64]] = []
    for start in range(0, n_draws, _DRAWS_AT_ONCE):
        drawn = rng.integers(0, n, size=(min(_DRAWS_AT_ONCE, n_draws - start), n))
        shares.append(successes[drawn].sum(axis=1) / totals[drawn].sum(axis=1))
    tail = (1 - level) / 2
    low, high = np.quantile(np.concatenate(shares), [tail, 1 - tail])
    return float(low), float(high)
