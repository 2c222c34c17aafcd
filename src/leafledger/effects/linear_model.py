"""Least squares on one change per unit: covariance analysis, interaction with a factor, dose trend.

The change, not the value after, stands on the left. With the value before on the right the
coefficient of the treatment is the same, digit for digit, whichever of the two is used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.permutation import dealt_group
from leafledger.chance.student import two_sided_t
from leafledger.effects.effect_size import EffectSize, noncentrality_interval, small_sample_factor
from leafledger.effects.result import Result, mean, t_result

if TYPE_CHECKING:
    from leafledger.effects.changes import Sample

Array = NDArray[np.float64]

NO_COVARIATE = "all values before are equal: there is nothing to adjust the change for"
_NO_SIZE = EffectSize("hedges_g_adjusted")


def ancova(found: Sample, blocks: Sequence[str], level: float) -> tuple[Result, EffectSize]:
    """Test the treatment with the value before (and the block) as covariates.

    Parameters
    ----------
    found
        Changes and values before, units in the order of their id.
    blocks
        Block of each unit; the same word throughout if there are none.
    level
        Confidence of the intervals.

    Returns
    -------
    tuple
        The t test of the treatment coefficient with the residual degrees of freedom, and Hedges g
        whose denominator is the residual standard deviation.

    References
    ----------
    Fisher, R. A. (1932). Statistical Methods for Research Workers, 4th ed., section 49.1.
    Senn, S. (2006). Change from baseline and analysis of covariance revisited. Statistics in
    Medicine 25, 4334-4344.
    """
    if np.ptp(found.before) <= found.resolution:
        return Result(math.nan, ci_level=level, statistic_name="t", remark=NO_COVARIATE), _NO_SIZE
    group, sign = dealt_group(found.treated)
    columns = [group.astype(float), found.before - mean(found.before)]
    tested, size = coefficient(found.change, columns, blocks, level, found.resolution)
    return _signed(tested, sign), _signed_size(size, sign)


def trend(
    change: Array, dose: Array, blocks: Sequence[str], level: float, resolution: float
) -> Result:
    """Test whether the change of a unit rises or falls with the dose, along a straight line.

    Parameters
    ----------
    change, dose
        One each per unit, shape ``(n_units,)``.
    blocks
        Block of each unit; the same word throughout if there are none.
    level
        Confidence of the interval.
    resolution
        A residual standard deviation up to this size is rounding.

    References
    ----------
    Draper, N. R. and Smith, H. (1998). Applied Regression Analysis, 3rd ed., chapter 1. Wiley.
    """
    return coefficient(change, [dose - mean(dose)], blocks, level, resolution)[0]


def coefficient(
    y: Array, columns: Sequence[Array], blocks: Sequence[str], level: float, resolution: float
) -> tuple[Result, EffectSize]:
    """Return the t test of the first column in a linear model with intercept and blocks.

    Parameters
    ----------
    y
        Shape ``(n_units,)``.
    columns
        Columns of the model, shape ``(n_units,)`` each; the first one is tested.
    blocks
        Block of each unit, fixed.
    level
        Confidence of the interval.
    resolution
        A residual standard deviation up to this size is rounding.
    """
    design = np.column_stack([*columns, np.ones(len(y)), *block_columns(blocks)])
    if obstacle := _unfit(design, "the treatment cannot be told from the other columns"):
        return Result(math.nan, ci_level=level, statistic_name="t", remark=obstacle), _NO_SIZE
    fit = _least_squares(y, design)
    estimate, spread = float(fit.params[0]), math.sqrt(float(fit.scale))
    if spread <= resolution:
        remark = "the model leaves no variation between units: there is no t"
        return Result(estimate, ci_level=level, statistic_name="t", remark=remark), _NO_SIZE
    error, df = float(fit.bse[0]), float(fit.df_resid)
    statistic = estimate / error
    tested = t_result(estimate, error, df, level, statistic, two_sided_t(statistic, df))
    if df < 2:
        return tested, _NO_SIZE
    factor, root = small_sample_factor(df), error / spread
    low, high = noncentrality_interval(statistic, df, level)
    size = EffectSize(
        _NO_SIZE.name, factor * estimate / spread, factor * root * low, factor * root * high
    )
    return tested, size


def interaction(
    change: Array,
    groups: Sequence[str],
    strata: Sequence[str],
    blocks: Sequence[str],
    resolution: float,
) -> Result:
    """Test whether the effect of the treatment on the change differs between strata.

    Parameters
    ----------
    change
        Shape ``(n_units,)``.
    groups, strata, blocks
        Treatment, stratum and block of each unit.
    resolution
        A residual standard deviation up to this size is rounding.

    Returns
    -------
    Result
        The F that compares the model with and without the products of treatment and stratum; no
        estimate, since with more than two strata there is more than one.

    References
    ----------
    Scheffe, H. (1959). The Analysis of Variance, section 4.2. Wiley.
    """
    one, two = _dummies(groups), _dummies(strata)
    parts = [np.ones(len(change)), *one, *two, *block_columns(blocks)]
    plain = np.column_stack(parts)
    full = np.column_stack([*parts, *(a * b for a in one for b in two)])
    name = "F"
    if obstacle := _unfit(full, "not every stratum holds both treatments"):
        return Result(math.nan, statistic_name=name, remark=obstacle)
    fit = _least_squares(change, full)
    if math.sqrt(float(fit.scale)) <= resolution:
        remark = "the model leaves no variation between units: there is no F"
        return Result(math.nan, statistic_name=name, remark=remark)
    statistic, p, df = fit.compare_f_test(_least_squares(change, plain))
    return Result(
        math.nan,
        statistic=float(statistic),
        statistic_name=name,
        df=float(df),
        p=float(p),
        df2=float(fit.df_resid),
    )


def block_columns(blocks: Sequence[str]) -> list[Array]:
    """Return a column of 0 and 1 for every block but the first.

    Examples
    --------
    >>> [c.tolist() for c in block_columns(["A", "B", "A"])]
    [[0.0, 1.0, 0.0]]
    """
    return _dummies(blocks, ordered=True)


def _dummies(labels: Sequence[str], *, ordered: bool = False) -> list[Array]:
    # In the order of the first unit that bears it: exchanging two names changes no digit.
    names = sorted(set(labels)) if ordered else list(dict.fromkeys(labels))
    held = np.asarray(labels, dtype=str)
    return [(held == name).astype(float) for name in names[1:]]


def _unfit(design: Array, aliased: str) -> str:
    n, p = design.shape
    if n <= p:
        return f"{n} units are too few for the {p} coefficients of the model"
    scaled = design / np.maximum(np.abs(design).max(axis=0), 1e-300)
    return aliased if int(np.linalg.matrix_rank(scaled, tol=1e-9)) < p else ""


def _least_squares(y: Array, design: Array) -> Any:
    from statsmodels.regression.linear_model import OLS

    return OLS(y, design).fit(method="qr")


def _signed(tested: Result, sign: float) -> Result:
    if sign > 0:
        return tested
    return replace(
        tested,
        estimate=-tested.estimate,
        ci_low=-tested.ci_high,
        ci_high=-tested.ci_low,
        statistic=-tested.statistic,
    )


def _signed_size(size: EffectSize, sign: float) -> EffectSize:
    return size if sign > 0 else EffectSize(size.name, -size.g, -size.high, -size.low)
