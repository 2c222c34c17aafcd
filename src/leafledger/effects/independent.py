"""Difference between two groups of units: Welch t, permuted labels, two one-sided tests."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.permutation import (
    dealt_group,
    equal_tailed,
    label_arrangements,
    smallest_label_p,
    two_sided_p,
)
from leafledger.chance.seeds import generator
from leafledger.chance.student import two_sided_t
from leafledger.effects.exact import rearranged
from leafledger.effects.result import Result, mean, t_result, variance

NO_SPREAD = "no variation between units in either treatment: there is no t"


@dataclass(frozen=True)
class Difference:
    """Difference of two means with its standard error and Welch's degrees of freedom."""

    estimate: float
    error: float
    df: float

    def has_no_t(self, resolution: float) -> bool:
        """Return whether the units of both groups are alike up to rounding."""
        return not self.error > resolution or math.isnan(self.df)

    def result(self, level: float, statistic: float, p: float) -> Result:
        """Return the result of a t test, with the central interval of this level."""
        return t_result(self.estimate, self.error, self.df, level, statistic, p)


def difference(treated: NDArray[np.float64], reference: NDArray[np.float64]) -> Difference:
    """Return mean(treated) - mean(reference), its standard error and Welch's degrees of freedom.

    Parameters
    ----------
    treated, reference
        One value per unit, shapes ``(n_treated,)`` and ``(n_reference,)``, at least two each.
    """
    one = variance(treated) / len(treated)
    two = variance(reference) / len(reference)
    below = one**2 / (len(treated) - 1) + two**2 / (len(reference) - 1)
    df = (one + two) ** 2 / below if below > 0 else math.nan
    return Difference(mean(treated) - mean(reference), math.sqrt(one + two), df)


def welch_t(
    treated: NDArray[np.float64],
    reference: NDArray[np.float64],
    level: float,
    resolution: float = 0.0,
) -> Result:
    """Test whether two groups of units differ in their mean, without assuming equal variances.

    Parameters
    ----------
    treated, reference
        One value per unit (here: its change), at least two each.
    level
        Confidence of the interval.
    resolution
        A standard error up to this size is rounding, not variation.

    References
    ----------
    Welch, B. L. (1947). The generalization of 'Student's' problem when several different
    population variances are involved. Biometrika 34, 28-35.
    Satterthwaite, F. E. (1946). Biometrics Bulletin 2, 110-114 (degrees of freedom).
    """
    found = difference(treated, reference)
    if found.has_no_t(resolution):
        return Result(found.estimate, ci_level=level, statistic_name="t", remark=NO_SPREAD)
    statistic = found.estimate / found.error
    return found.result(level, statistic, two_sided_t(statistic, found.df))


def within_margin(tested: Result, error: float, margin: float) -> Result:
    """Test whether two arms differ by less than a margin: two one-sided t tests.

    Parameters
    ----------
    tested
        Estimate, degrees of freedom and the interval of level ``1 - 2 alpha`` of the difference;
        the interval lies inside the margin exactly where p < alpha.
    error
        Standard error of the difference; ``NaN`` where there is no t.
    margin
        Smallest difference that would matter, in the unit of the values.

    Returns
    -------
    Result
        ``p`` is the larger of the two one-sided p, ``statistic`` belongs to it.

    References
    ----------
    Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power
    approach. Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680.
    """
    from scipy.special import stdtr

    if math.isnan(error):
        return tested
    away = (margin - abs(tested.estimate)) / error
    statistic = away if tested.estimate <= 0 else -away
    return replace(tested, statistic=statistic, p=float(stdtr(tested.df, -away)))


def label_permutation(
    values: NDArray[np.float64],
    treated: NDArray[np.bool_],
    blocks: Sequence[str],
    level: float,
    n_draws: int,
    seed: int,
) -> Result:
    """Test whether two groups differ in their mean by dealing out the labels anew.

    Labels are exchanged within blocks only. Up to 100,000 arrangements all are enumerated, beyond
    that ``n_draws`` are drawn and p = (b + 1) / (B + 1). The interval holds the shifts of the
    treated group that the test, each tail at half the error, would not refuse.

    Parameters
    ----------
    values
        One value per unit (here: its change), shape ``(n_units,)``, units in the order of their id.
    treated
        Which units are treated, shape ``(n_units,)``.
    blocks
        Block of each unit; the same word throughout if there are none.
    level
        Confidence asked for; the attained one is given back.
    n_draws, seed
        For the draw.

    References
    ----------
    Edgington, E. S. and Onghena, P. (2007). Randomization Tests, 4th ed., chapters 4 and 6.
    Garthwaite, P. H. (1996). Confidence intervals from randomization tests. Biometrics 52,
    1387-1393.
    """
    first, sign = dealt_group(treated)
    dealt = label_arrangements(first, blocks, n_draws, generator(seed, "label_permutation"))
    estimate = sign * (mean(values[first]) - mean(values[~first]))
    if dealt.n_possible == 1:
        return Result(
            estimate,
            ci_level=level,
            statistic_name="difference",
            remark="no block holds both treatments: labels cannot be exchanged within blocks",
        )
    weights = np.where(dealt.member, 1.0 / first.sum(), -1.0 / (~first).sum())
    statistics = weights @ values
    p = two_sided_p(statistics, estimate, float(np.abs(values).mean()), enumerated=dealt.enumerated)
    other = ~(dealt.member == first).all(axis=1)
    limits = sign * _shifts(weights[other], statistics[other], first, sign * estimate)
    total = dealt.n_possible if dealt.enumerated else n_draws + 1
    return rearranged(
        estimate,
        "difference",
        (p, smallest_label_p(first, blocks, dealt.n_possible) if dealt.enumerated else 1.0 / total),
        equal_tailed(limits, total, level),
        level,
        None if dealt.enumerated else (n_draws, seed),
        f"{dealt.n_possible} arrangements",
    )


def _shifts(
    weights: NDArray[np.float64],
    statistics: NDArray[np.float64],
    first: NDArray[np.bool_],
    observed: float,
) -> NDArray[np.float64]:
    """Return for each arrangement the shift of the first group at which it ties with observed."""
    carried = weights[:, first].sum(axis=1)
    return np.asarray((observed - statistics) / (1.0 - carried), dtype=np.float64)
