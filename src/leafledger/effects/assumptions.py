"""Assumptions looked at, not gated on: spread of the arms, residuals, single units that decide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from leafledger.effects.analysis import MODELS
from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.effect import Effect
from leafledger.effects.families import UNDEFINED, finite
from leafledger.effects.layout import Layout
from leafledger.effects.linear_model import Array, beyond, columns_of, terms_of
from leafledger.effects.result import mean
from leafledger.effects.robustness import WITHOUT_UNIT, Held

_RESIDUAL = 1e-9
"""A unit with a smaller share of its own residual is fitted exactly."""


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
        of the model that was tested (unit, treatment, fitted, residual, standardised: the residual
        over the standard deviation that it would have by chance, estimated without that unit),
        verdict (as planned),
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
        found, x = _model(layout, table, effect)
        own = [one for one in held if one.planned.effect.contrast == effect.contrast]
        single = [one for one in own if one.variant.kind == WITHOUT_UNIT and not one.same]
        out.append(
            {
                "index": effect.index,
                "contrast": effect.contrast.name,
                "variance_ratio": finite(variance_ratio(found, x)),
                "residuals": _residuals(found, x, effect.contrast.level, effect.contrast.reference),
                "verdict": own[0].planned.verdict if own else None,
                "influential": [o.variant.left_out for o in single if o.row.verdict != UNDEFINED],
                "needed": [o.variant.left_out for o in single if o.row.verdict == UNDEFINED],
            }
        )
    return out


def _model(layout: Layout, table: UnitTable, effect: Effect) -> tuple[Sample, Array]:
    """Return the units of a test and the columns of its model; arm means where it has no other."""
    if effect.method in MODELS:
        whole = sample(layout, table, effect.contrast, effect.index, fill_before=True)
        found, terms = terms_of(whole, layout.factors)
        columns = columns_of(found, terms)
    else:
        found = sample(layout, table, effect.contrast, effect.index)
        columns = [np.ones(len(found.units))]
    if effect.contrast.reference:
        columns = [*columns, *beyond(columns, [found.treated.astype(float)])]
    return found, np.column_stack(columns)


def _fitted(found: Sample, x: Array) -> tuple[Array, Array]:
    """Return what the model foresees of each unit, and the leverages."""
    q, _ = np.linalg.qr(x)
    return q @ (q.T @ found.change), np.einsum("ij,ij->i", q, q)


def variance_ratio(found: Sample, x: Array) -> float:
    """Return the larger residual variance of the two arms over the smaller; NaN if there is none.

    Parameters
    ----------
    found
        Values of the units, with their arm.
    x
        Columns of the model, shape ``(n_units, p)``.
    """
    if any(len(arm) < 2 for arm in found.arms):
        return math.nan
    fitted, h = _fitted(found, x)
    scaled = (found.change - fitted) ** 2 / np.maximum(1.0 - h, _RESIDUAL)
    small, large = sorted(mean(scaled[found.treated == arm]) for arm in (True, False))
    return large / small if small > found.resolution**2 else math.nan


def _residuals(found: Sample, x: Array, level: str, reference: str) -> list[dict[str, Any]]:
    fitted, h = _fitted(found, x)
    left = found.change - fitted
    n, p = x.shape
    total = math.fsum((left**2).tolist())
    out = []
    for i, unit in enumerate(found.units):
        values = {
            "unit": unit,
            "treatment": level if found.treated[i] else reference,
            "fitted": float(fitted[i]),
            "residual": float(left[i]),
            "standardised": _standardised(float(left[i]), float(h[i]), total, n - p, found),
        }
        out.append({name: finite(value) for name, value in values.items()})
    return out


def _standardised(left: float, h: float, total: float, df: int, found: Sample) -> float:
    """Return the externally studentised residual: over the scatter estimated without the unit."""
    share = 1.0 - h
    if df < 2 or share < _RESIDUAL:
        return math.nan
    spread = (total - left**2 / share) / (df - 1)
    return left / math.sqrt(spread * share) if spread > found.resolution**2 else math.nan
