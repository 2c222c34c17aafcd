"""Every test between sessions: one effect per question, index, contrast and method."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.contrasts import contrasts
from leafledger.effects.effect import Effect, effect_of, size_of
from leafledger.effects.effect_size import EffectSize
from leafledger.effects.independent import label_permutation, welch_t, within_margin
from leafledger.effects.layout import ALL, Contrast, Layout
from leafledger.effects.linear_model import (
    BY_ARM,
    EQUAL,
    LEAST_SQUARES,
    Terms,
    terms_of,
    treatment,
)
from leafledger.effects.obstacles import described, too_few
from leafledger.effects.paired import paired_t, sign_flip
from leafledger.effects.plan import Plan, is_primary
from leafledger.effects.result import Result, mean
from leafledger.effects.signed_rank import signed_rank

MODELS = {
    "linear_model": BY_ARM,
    "linear_model_equal": EQUAL,
    "ancova": LEAST_SQUARES,
    "tost": BY_ARM,
}
"""Methods that rest on the linear model, and the working variances of each."""


def all_effects(layout: Layout, table: UnitTable, plan: Plan, stratum: str = ALL) -> list[Effect]:
    """Run every test between sessions on every index of the table, in one stratum."""
    out: list[Effect] = []
    for contrast in contrasts(layout, stratum):
        for index in table.indices:
            methods = plan.methods_for(contrast.question, index)
            if methods:
                out += effects_of(layout, table, plan, contrast, index, methods)
    return out


def effects_of(
    layout: Layout,
    table: UnitTable,
    plan: Plan,
    contrast: Contrast,
    index: str,
    methods: Sequence[str],
) -> list[Effect]:
    """Run the given methods on one contrast and index."""
    possible = bool(layout.after) and bool(layout.before or contrast.reference)
    found = sample(layout, table, contrast, index) if possible else None
    size = size_of(contrast, found, plan.level)
    model = None
    if found is not None and contrast.reference and MODELS.keys() & {*methods}:
        model = terms_of(sample(layout, table, contrast, index, fill_before=True), layout.factors)
    out = []
    for method in methods:
        seen, terms = model if model is not None and method in MODELS else (found, None)
        tested, own = _test(layout, plan, contrast, seen, terms, index, method)
        named = is_primary(layout, plan, contrast, index, method)
        out.append(
            effect_of(
                layout, plan, contrast, index, method, seen, tested, own or size, named, terms
            )
        )
    return out


def _test(
    layout: Layout,
    plan: Plan,
    contrast: Contrast,
    found: Sample | None,
    terms: Terms | None,
    index: str,
    method: str,
) -> tuple[Result, EffectSize | None]:
    """Return the result, and the effect size where the method has one of its own."""
    level = 1.0 - 2.0 * plan.alpha if method == "tost" else plan.level
    if found is None:
        return Result(math.nan, ci_level=level, remark=contrast.obstacle), None
    obstacle = contrast.obstacle or too_few(layout, contrast, found)
    if obstacle:
        return Result(described(contrast, found), ci_level=level, remark=obstacle), None
    if terms is not None:
        tested, size, error = treatment(found, terms, level, MODELS[method])
        if method == "tost":
            return within_margin(tested, error, plan.margin[index]), None
        return tested, size
    if method == "label_permutation":
        blocks = [layout.blocks.get(unit, "") for unit in found.units]
        arms = found.change, found.treated
        return label_permutation(*arms, blocks, level, plan.n_draws, plan.seed), None
    if contrast.reference:
        return welch_t(*found.arms, level, found.resolution), None
    return _within_arm(layout, method, found, level, plan), None


def _within_arm(layout: Layout, method: str, found: Sample, level: float, plan: Plan) -> Result:
    _, changes, remark = replicates_of_change(layout, found)
    if len(changes) < 2:
        return Result(mean(found.change), ci_level=level, remark=remark)
    if method == "paired_t":
        tested = paired_t(changes, level, found.resolution)
    elif method == "signed_rank":
        tested = signed_rank(changes, level, found.resolution)
    else:
        tested = sign_flip(changes, level, plan.n_draws, plan.seed, found.resolution)
    return replace(tested, remark="; ".join(text for text in (tested.remark, remark) if text))


def replicates_of_change(
    layout: Layout, found: Sample
) -> tuple[list[str], NDArray[np.float64], str]:
    """Return the independent changes of one arm, of what they are, and what must be known of them.

    All units of a block may shift together between two sessions (light, water, the hour at which
    the block was measured). Where blocks hold several units of the arm, the changes of a block are
    one replicate: their mean. With two blocks nothing can tell such a shift from a change; the
    units are taken as they are then, and the row says so.
    """
    blocks = [layout.blocks.get(unit, "") for unit in found.units]
    names = sorted(set(blocks))
    if len(names) < 2 or len(names) == len(blocks):
        return list(found.units), found.change, ""
    if len(names) == 2:
        return (
            list(found.units),
            found.change,
            (
                "the two blocks are too few to tell a shift of a whole block between the "
                "sessions from "
                "a change: p holds only if no block shifted"
            ),
        )
    held = np.asarray(blocks, dtype=str)
    means = np.array([mean(found.change[held == name]) for name in names])
    return names, means, f"tested over the means of {len(names)} blocks, which may shift as a whole"
