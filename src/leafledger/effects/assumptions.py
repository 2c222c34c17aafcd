"""Assumptions looked at, not gated on: spread of the arms, residuals, single units that decide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.effect import Effect
from leafledger.effects.families import UNDEFINED, finite
from leafledger.effects.layout import Layout
from leafledger.effects.result import mean, variance
from leafledger.effects.robustness import WITHOUT_UNIT, Held


def looked_at(
    layout: Layout, table: UnitTable, effects: Sequence[Effect], held: Sequence[Held]
) -> list[dict[str, Any]]:
    """Describe what the tests of the primary contrasts lean on.

    Parameters
    ----------
    layout, table
        Design and unit means.
    effects
        The primary tests.
    held
        The same under other choices, see :mod:`leafledger.effects.robustness`.

    Returns
    -------
    list of dict
        For each contrast: variance_ratio (larger arm over smaller; ``None`` for one arm), residuals
        (unit, treatment, fitted, residual, standardised: the residual over the standard deviation
        that it would have by chance, estimated without that unit), verdict (as planned),
        influential (units whose absence changes the conclusion), needed (units without which
        nothing can be tested).

    References
    ----------
    Cook, R. D. and Weisberg, S. (1982). Residuals and Influence in Regression, section 2.2.1.
    Chapman and Hall (externally studentised residuals).
    """
    out = []
    for effect in effects:
        if not layout.after or not (layout.before or effect.contrast.reference):
            continue
        found = sample(layout, table, effect.contrast, effect.index)
        own = [one for one in held if one.planned.effect.contrast == effect.contrast]
        single = [one for one in own if one.variant.kind == WITHOUT_UNIT and not one.same]
        out.append(
            {
                "index": effect.index,
                "contrast": effect.contrast.name,
                "variance_ratio": finite(variance_ratio(found)),
                "residuals": _residuals(found, effect.contrast.level, effect.contrast.reference),
                "verdict": own[0].planned.verdict if own else None,
                "influential": [o.variant.left_out for o in single if o.row.verdict != UNDEFINED],
                "needed": [o.variant.left_out for o in single if o.row.verdict == UNDEFINED],
            }
        )
    return out


def variance_ratio(found: Sample) -> float:
    """Return the larger variance of the two arms over the smaller; NaN where there is none."""
    if any(len(arm) < 2 for arm in found.arms):
        return math.nan
    small, large = sorted(variance(arm) for arm in found.arms)
    return large / small if small > found.resolution**2 else math.nan


def _residuals(found: Sample, level: str, reference: str) -> list[dict[str, Any]]:
    out = []
    for i, unit in enumerate(found.units):
        arm = found.change[found.treated == found.treated[i]]
        fitted = mean(arm)
        values = {
            "unit": unit,
            "treatment": level if found.treated[i] else reference,
            "fitted": fitted,
            "residual": float(found.change[i]) - fitted,
            "standardised": _standardised(arm, float(found.change[i]), found.resolution),
        }
        out.append({name: finite(value) for name, value in values.items()})
    return out


def _standardised(arm: np.typing.NDArray[np.float64], value: float, resolution: float) -> float:
    """Return the externally studentised residual of one unit among its arm."""
    n = len(arm)
    if n < 3:
        return math.nan
    left = value - mean(arm)
    share = 1.0 - 1.0 / n
    spread = (variance(arm) * (n - 1) - left**2 / share) / (n - 2)
    return left / math.sqrt(spread * share) if spread > resolution**2 else math.nan
