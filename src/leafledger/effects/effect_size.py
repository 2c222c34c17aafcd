"""Standardised effect sizes: Hedges g with exact small-sample factor and noncentral-t interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.result import mean, variance

_LARGE = 500.0


@dataclass(frozen=True)
class EffectSize:
    """Hedges g and its interval; ``NaN`` where it does not exist."""

    name: str
    g: float = math.nan
    low: float = math.nan
    high: float = math.nan


def small_sample_factor(df: float) -> float:
    """Return J(df) = gamma(df/2) / (sqrt(df/2) gamma((df-1)/2)).

    References
    ----------
    Hedges, L. V. (1981). Distribution theory for Glass's estimator of effect size and related
    estimators. Journal of Educational Statistics 6, 107-128.
    """
    return math.exp(math.lgamma(df / 2.0) - math.lgamma((df - 1.0) / 2.0)) / math.sqrt(df / 2.0)


def noncentrality_interval(statistic: float, df: float, level: float) -> tuple[float, float]:
    """Return the noncentralities whose t distribution puts ``statistic`` at either tail.

    References
    ----------
    Cumming, G. and Finch, S. (2001). A primer on the understanding, use, and calculation of
    confidence intervals that are based on central and noncentral distributions. Educational and
    Psychological Measurement 61, 532-574.
    """
    if statistic < 0:
        low, high = noncentrality_interval(-statistic, df, level)
        return -high, -low
    tail = (1.0 - level) / 2.0
    return _noncentrality(statistic, df, 1.0 - tail), _noncentrality(statistic, df, tail)


def _noncentrality(statistic: float, df: float, share: float) -> float:
    from scipy.optimize import brentq
    from scipy.special import chdtri, nctdtr

    if statistic > _LARGE:  # t is then the noncentrality over the root of chi-squared / df
        return statistic * math.sqrt(float(chdtri(df, share)) / df)

    def beyond(centre: float) -> float:
        below = float(nctdtr(df, centre, statistic))
        if not math.isfinite(below):  # far in a tail the library gives no number
            below = 0.0 if centre > statistic else 1.0
        return below - share

    reach = 10.0 * math.sqrt(1.0 + statistic**2 / (2.0 * df))
    return float(brentq(beyond, statistic - reach, statistic + reach, xtol=1e-10, rtol=1e-12))


def hedges_g_paired(
    changes: NDArray[np.float64], level: float, resolution: float = 0.0
) -> EffectSize:
    """Return Hedges g of paired data; the denominator is the standard deviation of the change.

    Parameters
    ----------
    changes
        After minus before, one per unit, shape ``(n_units,)``.
    level
        Confidence of the interval.
    resolution
        A standard deviation up to this size is rounding.
    """
    name = "hedges_g_paired"
    n = len(changes)
    if n < 3:  # J needs more than one degree of freedom
        return EffectSize(name)
    spread = math.sqrt(variance(changes))
    if spread <= resolution:
        return EffectSize(name)
    root = math.sqrt(n)
    return _scaled(name, mean(changes) / spread, root, n - 1, level)


def hedges_g_independent(
    treated: NDArray[np.float64],
    reference: NDArray[np.float64],
    level: float,
    resolution: float = 0.0,
) -> EffectSize:
    """Return Hedges g of two groups; the denominator is the pooled standard deviation.

    Parameters
    ----------
    treated, reference
        One value per unit, shapes ``(n_treated,)`` and ``(n_reference,)``.
    level
        Confidence of the interval.
    resolution
        A standard deviation up to this size is rounding.
    """
    name = "hedges_g_independent"
    n, m = len(treated), len(reference)
    if n < 2 or m < 2:
        return EffectSize(name)
    squares = (n - 1) * variance(treated) + (m - 1) * variance(reference)
    spread = math.sqrt(squares / (n + m - 2))
    if spread <= resolution:
        return EffectSize(name)
    d = (mean(treated) - mean(reference)) / spread
    return _scaled(name, d, math.sqrt(n * m / (n + m)), n + m - 2, level)


def _scaled(name: str, d: float, root: float, df: int, level: float) -> EffectSize:
    factor = small_sample_factor(df)
    low, high = noncentrality_interval(d * root, df, level)
    return EffectSize(name, factor * d, factor * low / root, factor * high / root)
