"""Wilcoxon's signed-rank test with its exact distribution, also under ties."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.exact import no_interval
from leafledger.effects.result import Result

EXACT_LIMIT = 200
"""Up to this many changes the distribution is exact; beyond it, normal with tie correction."""


def signed_rank(changes: NDArray[np.float64], level: float, resolution: float = 0.0) -> Result:
    """Test whether the changes are symmetric about zero (Wilcoxon signed-rank).

    Changes of zero are left out of the ranks (Wilcoxon's rule); tied sizes share their mean rank
    and the exact distribution is that of the ranks as they are. The estimate is the median of all
    pairwise means (Hodges-Lehmann), its interval the matching order statistics of those means,
    with the level attained by the untied distribution.

    Parameters
    ----------
    changes
        After minus before, one per unit, shape ``(n_units,)``.
    level
        Confidence asked for; the attained one is given back.
    resolution
        Changes closer than this are tied, and zero if closer than this to zero.

    Returns
    -------
    Result
        The statistic V is the sum of the ranks of the positive changes.

    References
    ----------
    Wilcoxon, F. (1945). Individual comparisons by ranking methods. Biometrics Bulletin 1, 80-83.
    Hollander, M. and Wolfe, D. A. (1973). Nonparametric Statistical Methods, pp. 27-38. Wiley.

    Examples
    --------
    >>> signed_rank(np.array([1.0, 2.0, 3.0, 4.0]), 0.95).p
    0.125
    """
    n = len(changes)
    low, high, attained = walsh_interval(changes, level)
    missing = math.isnan(low)
    remarks = [no_interval(f"{n} pairs", level, attained)] if missing else []
    moved = changes[np.abs(changes) > resolution]
    statistic = p = math.nan
    if len(moved) == 0:
        remarks.insert(0, f"all {n} changes are zero")
    else:
        doubled = doubled_ranks(np.abs(moved), resolution)
        statistic = int(doubled[moved > 0].sum()) / 2.0
        p = _two_sided(tuple(sorted(doubled.tolist())), round(2 * statistic))
    if 0 < len(moved) < n:
        remarks.append(f"{n - len(moved)} of {n} changes are zero and left out of the ranks")
    if len(moved) > EXACT_LIMIT:
        remarks.append("normal approximation, more than 200 changes")
    return Result(
        float(np.median(_walsh(changes))),
        low,
        high,
        level if missing else attained,
        statistic,
        "V",
        p=p,
        p_smallest=2.0 ** (1 - (len(moved) or n)),
        remark="; ".join(remarks),
    )


def doubled_ranks(sizes: NDArray[np.float64], resolution: float = 0.0) -> NDArray[np.int64]:
    """Return twice the mean rank of each size (whole numbers, also under ties).

    Examples
    --------
    >>> doubled_ranks(np.array([3.0, 1.0, 1.0])).tolist()
    [6, 3, 3]
    """
    order = np.argsort(sizes, kind="stable")
    group = np.concatenate([[0], np.cumsum(np.diff(sizes[order]) > resolution)])
    last = np.searchsorted(group, group, side="right")
    first = np.searchsorted(group, group, side="left") + 1
    out = np.empty(len(sizes), dtype=np.int64)
    out[order] = first + last
    return out


@lru_cache(maxsize=256)
def _distribution(doubled: tuple[int, ...]) -> NDArray[np.float64]:
    """Return P(2V = k) for k from 0 to the sum of the doubled ranks."""
    chance = np.zeros(sum(doubled) + 1)
    chance[0] = 1.0
    top = 0
    for rank in doubled:
        after = chance[: top + rank + 1] * 0.5
        after[rank:] += chance[: top + 1] * 0.5
        top += rank
        chance[: top + 1] = after
    return chance


def _two_sided(doubled: tuple[int, ...], observed: int) -> float:
    total = sum(doubled)
    tail = min(observed, total - observed)
    if len(doubled) > EXACT_LIMIT:
        spread = math.sqrt(math.fsum(r * r for r in doubled)) / 2.0
        return min(1.0, math.erfc((total / 2.0 - tail) / spread / math.sqrt(2.0)))
    return min(1.0, 2.0 * math.fsum(_distribution(doubled)[: tail + 1].tolist()))


def _walsh(changes: NDArray[np.float64]) -> NDArray[np.float64]:
    first, second = np.triu_indices(len(changes))
    return np.sort((changes[first] + changes[second]) / 2.0)


def walsh_interval(changes: NDArray[np.float64], level: float) -> tuple[float, float, float]:
    """Return the exact interval of the pseudo-median and the level that it attains.

    Returns
    -------
    tuple of float
        Lower and upper limit (NaN where no interval reaches ``level``) and the attained level; in
        that case the highest level attainable.
    """
    n = len(changes)
    means = _walsh(changes)
    spare = 1.0 - level + 1e-12
    if n > EXACT_LIMIT:
        from scipy.special import ndtri

        centre, spread = n * (n + 1) / 4.0, math.sqrt(n * (n + 1) * (2 * n + 1) / 24.0)
        k = max(1, math.floor(centre - float(ndtri(0.5 + level / 2.0)) * spread))
        return float(means[k - 1]), float(means[-k]), level
    below = 2.0 * np.cumsum(_distribution(tuple(range(1, n + 1))))
    k = int(np.count_nonzero(below <= spare))
    if k < 1:
        return math.nan, math.nan, 1.0 - float(below[0])
    return float(means[k - 1]), float(means[-k]), 1.0 - float(below[k - 1])
