"""What a test says: one small record that every method fills in the same way."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import t_quantile


@dataclass(frozen=True)
class Result:
    """Result of one test on one set of changes; ``NaN`` where a number does not exist.

    Attributes
    ----------
    estimate, ci_low, ci_high
        In the unit of the index.
    ci_level
        Confidence of the interval; the attained one for exact intervals.
    statistic, statistic_name, df, p
        As the method defines them; ``p`` is two-sided unless the method says otherwise.
    p_smallest
        The smallest p that so many units can reach at all; ``NaN`` where there is no bound.
    n_draws, seed
        Random arrangements (0: all were enumerated) and their seed; ``None`` for other methods.
    df2
        Second degrees of freedom, of an F.
    remark
        Why there is no p or no interval, in words; empty if there is nothing to say.
    """

    estimate: float
    ci_low: float = math.nan
    ci_high: float = math.nan
    ci_level: float = math.nan
    statistic: float = math.nan
    statistic_name: str = ""
    df: float = math.nan
    p: float = math.nan
    p_smallest: float = math.nan
    n_draws: int | None = None
    seed: int | None = None
    remark: str = ""
    df2: float = math.nan


def mean(values: NDArray[np.float64]) -> float:
    """Return the mean; the sum is rounded once, so the order of the values does not matter."""
    return math.fsum(values.tolist()) / len(values)


def variance(values: NDArray[np.float64]) -> float:
    """Return the variance with divisor n - 1."""
    centre = mean(values)
    return math.fsum((v - centre) ** 2 for v in values.tolist()) / (len(values) - 1)


def t_result(
    estimate: float, error: float, df: float, level: float, statistic: float, p: float
) -> Result:
    """Return the result of a t test with the central interval of a level.

    Parameters
    ----------
    estimate, error
        Mean (or difference of means) and its standard error, in the unit of the values.
    df
        Degrees of freedom.
    level
        Confidence of the interval.
    statistic, p
        Of the hypothesis tested.
    """
    half = t_quantile(level, df) * error
    return Result(estimate, estimate - half, estimate + half, level, statistic, "t", float(df), p)
