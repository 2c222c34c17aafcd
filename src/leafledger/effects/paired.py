"""Change of the same units between two occasions: t test and exact sign-flip test."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.exact import rearranged
from leafledger.effects.result import Result, mean, t_result, variance
from leafledger.resampling.intervals import two_sided_t
from leafledger.resampling.permutation import equal_tailed, flip_sums, generator, two_sided_p


def paired_t(changes: NDArray[np.float64], level: float, resolution: float = 0.0) -> Result:
    """Test whether the mean change differs from zero (paired t test).

    Parameters
    ----------
    changes
        After minus before, one per unit, shape ``(n_units,)``, at least two.
    level
        Confidence of the interval, such as 0.95.
    resolution
        A standard deviation up to this size is rounding, not variation.

    Returns
    -------
    Result
        ``t = mean / (sd / sqrt(n))`` with ``n - 1`` degrees of freedom.

    References
    ----------
    Student (1908). The probable error of a mean. Biometrika 6, 1-25.

    Examples
    --------
    >>> round(paired_t(np.array([1.0, 2.0, 3.0]), 0.95).statistic, 4)
    3.4641
    """
    n = len(changes)
    estimate, spread = mean(changes), math.sqrt(variance(changes))
    if spread <= resolution:
        return Result(estimate, ci_level=level, statistic_name="t", df=n - 1, remark=_no_spread(n))
    error = spread / math.sqrt(n)
    statistic = estimate / error
    return t_result(estimate, error, n - 1, level, statistic, two_sided_t(statistic, n - 1))


def _no_spread(n: int) -> str:
    return f"all {n} changes are equal: without variation between units there is no t"


def sign_flip(
    changes: NDArray[np.float64], level: float, n_draws: int, seed: int, resolution: float = 0.0
) -> Result:
    """Test whether the mean change differs from zero by flipping the signs of the changes.

    All 2^n patterns up to 20 units, a seeded draw of ``n_draws`` beyond that. The interval turns
    the test round: its limits are order statistics of the means of subsets of the units.

    Parameters
    ----------
    changes
        After minus before, one per unit, shape ``(n_units,)``, at least two.
    level
        Confidence asked for; the attained one is given back.
    n_draws, seed
        Patterns drawn at random beyond 20 units, and their seed.
    resolution
        Changes up to this size are rounding; if all are, there is no test.

    References
    ----------
    Fisher, R. A. (1935). The Design of Experiments, section 21. Oliver and Boyd.
    Hartigan, J. A. (1969). Journal of the American Statistical Association 64, 1303-1317.
    """
    n = len(changes)
    estimate = mean(changes)
    moved = int(np.count_nonzero(np.abs(changes) > resolution))  # a zero has no sign to flip
    if moved == 0:
        return Result(
            estimate, ci_level=level, statistic_name="mean", remark=f"all {n} changes are zero"
        )
    flips = flip_sums(changes, n_draws, generator(seed, "sign_flip", n))
    p = two_sided_p(
        flips.sums, float(changes.sum()), float(np.abs(changes).sum()), enumerated=flips.enumerated
    )
    some = flips.kept > 0
    means = (changes.sum() + flips.sums[some]) / (2.0 * flips.kept[some])
    total = len(flips.sums) if flips.enumerated else len(means) + 1
    return rearranged(
        estimate,
        "mean",
        (p, 2.0 ** (1 - moved) if flips.enumerated else 1.0 / (n_draws + 1)),
        equal_tailed(means, total, level),
        level,
        None if flips.enumerated else (n_draws, seed),
        f"{n} pairs",
    )
