"""A tested contrast with what stands beside its numbers: counts, percentage, size, remarks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.changes import Sample, left_out
from leafledger.effects.effect_size import (
    EffectSize,
    hedges_g_independent,
    hedges_g_paired,
)
from leafledger.effects.layout import EQUIVALENCE, TREND, Contrast, Layout
from leafledger.effects.linear_model import Terms, beyond, factor_columns
from leafledger.effects.plan import Plan
from leafledger.effects.result import Result, mean, variance
from leafledger.effects.words import listed
from leafledger.resampling.intervals import t_quantile


@dataclass(frozen=True)
class Percent:
    """An estimate as a percentage, with its interval; ``NaN`` where it does not exist."""

    value: float = math.nan
    low: float = math.nan
    high: float = math.nan


@dataclass(frozen=True)
class Effect:
    """One row of ``effects.csv`` before it is judged within its family."""

    contrast: Contrast
    index: str
    method: str
    tested: Result
    size: EffectSize
    n_units: int
    n_reference: int | None
    n_missing: int
    percent: Percent
    in_u: float
    margin: float
    primary: bool
    remarks: tuple[str, ...]
    covariates: tuple[str, ...] = ()


def effect_of(
    layout: Layout,
    plan: Plan,
    contrast: Contrast,
    index: str,
    method: str,
    found: Sample | None,
    tested: Result,
    size: EffectSize,
    primary: bool = False,
    terms: Terms | None = None,
) -> Effect:
    """Put a tested contrast together with its counts, percentage and remarks."""
    return Effect(
        contrast,
        index,
        method,
        tested,
        size,
        *_counts(layout, contrast, found),
        percent_of(tested, contrast, found, terms) if not contrast.per else Percent(),
        _in_u(tested.estimate, contrast, found),
        plan.margin.get(index, math.nan) if contrast.question == EQUIVALENCE else math.nan,
        primary,
        _remarks(contrast, tested, found, terms),
        terms.names if terms is not None and not contrast.obstacle else (),
    )


def size_of(contrast: Contrast, found: Sample | None, level: float) -> EffectSize:
    """Return Hedges g of the change, paired or between arms."""
    between = bool(contrast.reference)
    if found is None or contrast.obstacle:
        return EffectSize("hedges_g_independent" if between else "hedges_g_paired")
    treated, reference = found.arms
    if between:
        return hedges_g_independent(treated, reference, level, found.resolution)
    return hedges_g_paired(treated, level, found.resolution)


def _remarks(
    contrast: Contrast, tested: Result, found: Sample | None, terms: Terms | None
) -> tuple[str, ...]:
    """Return what must be known beside the numbers: what hinders a test, and who is left out."""
    missing = left_out(found) if found else ""
    if found is not None and found.bare and not contrast.obstacle:
        return (missing,)  # says already why the test has no units
    beside = []
    if terms is not None:
        for why in dict.fromkeys(terms.alone.values()):
            units = [unit for unit, own in sorted(terms.alone.items()) if own == why]
            beside.append(f"{', '.join(units)}: left out, {why}")
    if terms is not None and terms.held:
        held = listed(list(terms.held))
        beside.append(f"{held} is the same throughout each block: it adds nothing to the model")
    if terms is not None and terms.why and not math.isnan(tested.p):
        beside.append(f"the change itself is compared, without the value before: {terms.why}")
    return tuple(text for text in (tested.remark, missing, *beside) if text)


def _counts(
    layout: Layout, contrast: Contrast, found: Sample | None
) -> tuple[int, int | None, int]:
    between = bool(contrast.reference)
    if found is None:
        levels = [contrast.level, contrast.reference] if between else [contrast.level]
        inside = layout.within(contrast.stratum).levels
        missing = sum(len(inside.get(level, ())) for level in levels)
        return 0, 0 if between else None, missing
    n = int(found.treated.sum())
    return n, len(found.units) - n if between else None, found.n_missing


def percent_of(
    tested: Result, contrast: Contrast, found: Sample | None, terms: Terms | None = None
) -> Percent:
    """Return the estimate as a percentage of the mean before of all units tested.

    Without a session before it is a percentage of the mean of the reference. Empty where these
    values do not share one sign: a percentage of a quantity that runs through zero says nothing.
    The interval is Fieller's, at the level of the estimate's own.

    References
    ----------
    Fieller, E. C. (1954). Some problems in interval estimation. Journal of the Royal Statistical
    Society B 16, 175-185.
    """
    if found is None or len(found.units) == 0 or math.isnan(tested.estimate):
        return Percent()
    base = found.before if found.has_before else found.change[~found.treated]
    if len(base) == 0 or not (np.all(base > 0) or np.all(base < 0)):
        return Percent()
    size = abs(mean(base))
    value = 100.0 * tested.estimate / size
    if len(base) < 2 or math.isnan(tested.ci_low) or not tested.df > 0:
        return Percent(value)
    t = t_quantile(tested.ci_level, tested.df)
    if not t > 0:
        return Percent(value)
    error = (tested.ci_high - tested.ci_low) / (2.0 * t)
    base_error2 = _within_factors(base, found, terms) / len(base)
    # Treatments allotted at random leave a difference and the mean before uncorrelated. A change
    # contains the value before, and a difference after contains the mean of the reference.
    shared = 0.0
    if not contrast.reference:
        shared = float(np.cov(found.change, found.before)[0, 1]) / len(base)
    elif not found.has_before:
        shared = -base_error2
    shared *= 1.0 if base[0] > 0 else -1.0
    low, high = fieller(tested.estimate, size, error**2, base_error2, shared, t)
    return Percent(value, 100.0 * low, 100.0 * high)


def _within_factors(base: NDArray[np.float64], found: Sample, terms: Terms | None) -> float:
    """Return the variance of the values that a percentage is of, less that between blocks."""
    factors = list(terms.factors.values()) if terms is not None else []
    rows = np.ones(len(found.units), dtype=bool) if found.has_before else ~found.treated
    columns = [np.ones(len(base))]
    for labels in factors:
        own = [label for label, stays in zip(labels, rows.tolist(), strict=True) if stays]
        columns += beyond(columns, factor_columns(own))
    if len(base) <= len(columns):
        return variance(base)
    x = np.column_stack(columns)
    left = base - x @ np.linalg.lstsq(x, base, rcond=None)[0]
    return float(left @ left) / (len(base) - len(columns))


def fieller(
    a: float, b: float, var_a: float, var_b: float, covariance: float, t: float
) -> tuple[float, float]:
    """Return Fieller's interval of a / b; ``NaN`` where b cannot be told from zero.

    It holds the ratios r for which ``(a - r b)^2 <= t^2 (var_a - 2 r covariance + r^2 var_b)``.

    Examples
    --------
    >>> [round(limit, 4) for limit in fieller(1.0, 10.0, 0.04, 0.0, 0.0, 2.0)]
    [0.06, 0.14]
    """
    # The limits are the roots of q2 r^2 - 2 q1 r + q0.
    q2 = b**2 - t**2 * var_b
    q1 = a * b - t**2 * covariance
    q0 = a**2 - t**2 * var_a
    inside = q1**2 - q2 * q0
    if q2 <= 0 or inside < 0:
        return math.nan, math.nan
    root = math.sqrt(inside)
    return (q1 - root) / q2, (q1 + root) / q2


def _in_u(estimate: float, contrast: Contrast, found: Sample | None) -> float:
    """Return the estimate in units of its measurement uncertainty.

    The uncertainty is taken as shared by all units of an arm, so it does not shrink with their
    number: an upper bound, so that the ratio is a lower one.
    """
    if found is None or math.isnan(estimate) or len(found.u) == 0 or contrast.question == TREND:
        return math.nan
    arms = [found.u[found.treated]]
    if contrast.reference:
        arms.append(found.u[~found.treated])
    if any(len(arm) == 0 for arm in arms):
        return math.nan
    u = math.sqrt(math.fsum(mean(arm) ** 2 for arm in arms))
    return estimate / u if u > 0 else math.nan
