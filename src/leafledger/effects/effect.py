"""A tested contrast with what stands beside its numbers: counts, percentage, size, remarks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from leafledger.effects.changes import Sample, left_out
from leafledger.effects.effect_size import (
    EffectSize,
    hedges_g_independent,
    hedges_g_paired,
)
from leafledger.effects.layout import EQUIVALENCE, TREND, Contrast, Layout
from leafledger.effects.plan import Plan
from leafledger.effects.result import Result, mean


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
    percent_change: float
    in_u: float
    margin: float
    primary: bool
    remarks: tuple[str, ...]


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
) -> Effect:
    """Put a tested contrast together with its counts, percentage and remarks."""
    return Effect(
        contrast,
        index,
        method,
        tested,
        size,
        *_counts(layout, contrast, found),
        _percent(tested.estimate, found) if not contrast.per else math.nan,
        _in_u(tested.estimate, contrast, found),
        plan.margin.get(index, math.nan) if contrast.question == EQUIVALENCE else math.nan,
        primary,
        _remarks(contrast, tested, found),
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


def _remarks(contrast: Contrast, tested: Result, found: Sample | None) -> tuple[str, ...]:
    """Return what must be known beside the numbers: what hinders a test, and who is left out."""
    missing = left_out(found) if found else ""
    if found is not None and found.bare and not contrast.obstacle:
        return (missing,)  # says already why the test has no units
    return tuple(text for text in (tested.remark, missing) if text)


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


def _percent(estimate: float, found: Sample | None) -> float:
    """Return the estimate as a percentage of the size of the before mean of all units tested.

    Empty where before values do not share one sign: a percentage of a quantity that runs through
    zero says nothing.
    """
    if found is None or len(found.before) == 0 or math.isnan(estimate):
        return math.nan
    if not (np.all(found.before > 0) or np.all(found.before < 0)):
        return math.nan
    return 100.0 * estimate / abs(mean(found.before))


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
