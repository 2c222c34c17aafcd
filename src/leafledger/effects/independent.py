"""Difference between two groups of units: Welch t, permuted labels, two one-sided tests."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.exact import rearranged
from leafledger.effects.result import Result, mean, t_result, variance
from leafledger.resampling.intervals import two_sided_t
from leafledger.resampling.permutation import (
    Arrangements,
    ShiftTest,
    Weights,
    dealt_group,
    generator,
    label_arrangements,
    n_arrangements,
    smallest_label_p,
    weights_of,
    within_blocks,
)

NO_SPREAD = "no variation between units in either treatment: there is no t"
NO_EXCHANGE = "no block holds both treatments: labels cannot be exchanged within blocks"
NO_ERROR = (
    "the only block that holds both treatments has a single unit of one of them: "
    "there is no standard error"
)
_ROUNDING = 1e-12
"""Differences up to this share of the largest value are rounding."""


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
    """Test whether two groups differ by dealing out the labels anew, as the design dealt them.

    The statistic is t = estimate / standard error of the model value ~ treatment + block, standard
    error HC2: Welch's t without blocks, the paired t in blocks of two. Labels are exchanged within
    blocks only. Up to 100,000 arrangements all are enumerated, beyond that ``n_draws`` are drawn
    and p = (b + 1) / (B + 1). The interval holds the shifts of the treated group that the same
    two-sided test does not refuse: it leaves out zero where p is at most 1 - level.

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
    Janssen, A. (1997). Statistics & Probability Letters 36, 9-21.
    Chung, E. and Romano, J. P. (2013). Annals of Statistics 41, 484-507.
    Wu, J. and Ding, P. (2021). Journal of the American Statistical Association 116, 1898-1913.
    Garthwaite, P. H. (1996). Confidence intervals from randomization tests. Biometrics 52,
    1387-1393.
    """
    first, sign = dealt_group(treated)
    if n_arrangements(first, blocks) == 1:
        # No block holds both: there is no estimate within blocks, only the plain difference.
        return _untested(sign * (mean(values[first]) - mean(values[~first])), level, NO_EXCHANGE)
    observed = weights_of(first[None, :], blocks)
    d, y = observed.d[0], within_blocks(values[:, None], blocks)[:, 0]
    beta = math.fsum((d * y).tolist()) / float(observed.size[0, 0])
    if not observed.defined[0]:
        return _untested(sign * beta, level, NO_ERROR)
    rounding = _ROUNDING * float(np.abs(values).max())
    residuals = np.where(d == 0, 0.0, y - d * beta)
    if np.abs(residuals).max() <= rounding:
        residuals = np.zeros_like(residuals)
        if abs(beta) <= rounding:
            return _untested(sign * beta, level, NO_SPREAD)
    dealt, weights = _dealt(first.tobytes(), tuple(blocks), n_draws, seed)
    test = ShiftTest(weights, residuals, observed)
    # The observed arrangement is among the enumerated ones; among drawn ones it is counted in.
    itself = 0 if dealt.enumerated else 1
    total = len(dealt.member) + itself
    smallest = smallest_label_p(first, blocks, total) if dealt.enumerated else 1.0 / total
    p = (test.reached(-beta) + itself) / total
    fewest = max(1, round(smallest * total))
    most = math.floor((1.0 - level) * total + 1e-9) // fewest * fewest
    if test.variance == 0.0:
        return Result(
            sign * beta,
            ci_level=level,
            p=p,
            p_smallest=smallest,
            n_draws=itself * n_draws,
            seed=seed if itself else None,
            remark=NO_SPREAD,
        )
    low = high = math.nan
    if most > 0:
        shifts = test.limits(most - itself)
        low, high = sorted(sign * (beta + shift) for shift in shifts)
    return rearranged(
        sign * beta,
        "t",
        (p, smallest),
        (low, high, 1.0 - max(most, fewest) / total),
        level,
        None if dealt.enumerated else (n_draws, seed),
        f"{dealt.n_possible} arrangements",
        sign * beta / math.sqrt(test.variance),
    )


@functools.lru_cache(maxsize=2)
def _dealt(
    first: bytes, blocks: tuple[str, ...], n_draws: int, seed: int
) -> tuple[Arrangements, Weights]:
    """Return the arrangements of a label and their weights: alike for all indices of a contrast."""
    stream = generator(seed, "label_permutation")
    dealt = label_arrangements(np.frombuffer(first, dtype=bool), blocks, n_draws, stream)
    return dealt, weights_of(dealt.member, blocks)


def _untested(estimate: float, level: float, remark: str) -> Result:
    return Result(estimate, ci_level=level, statistic_name="t", remark=remark)
