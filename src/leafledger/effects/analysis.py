"""Every test between sessions: one effect per question, index, contrast and method."""

from __future__ import annotations

import math
from collections.abc import Sequence

from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.contrasts import contrasts
from leafledger.effects.effect import Effect, effect_of, size_of
from leafledger.effects.effect_size import EffectSize
from leafledger.effects.independent import label_permutation, tost, welch_t
from leafledger.effects.layout import ALL, Contrast, Layout
from leafledger.effects.linear_model import ancova
from leafledger.effects.obstacles import described, too_few
from leafledger.effects.paired import paired_t, sign_flip
from leafledger.effects.plan import Plan, is_primary
from leafledger.effects.result import Result
from leafledger.effects.signed_rank import signed_rank


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
    possible = bool(layout.before and layout.after)
    found = sample(layout, table, contrast, index) if possible else None
    size = size_of(contrast, found, plan.level)
    out = []
    for method in methods:
        tested, own = _test(layout, plan, contrast, found, index, method)
        named = is_primary(layout, plan, contrast, index, method)
        out.append(
            effect_of(layout, plan, contrast, index, method, found, tested, own or size, named)
        )
    return out


def _test(
    layout: Layout,
    plan: Plan,
    contrast: Contrast,
    found: Sample | None,
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
    blocks = [layout.blocks.get(unit, "") for unit in found.units]
    if method == "ancova":
        return ancova(found, blocks, level)
    if method == "label_permutation":
        arms = found.change, found.treated
        return label_permutation(*arms, blocks, level, plan.n_draws, plan.seed), None
    if contrast.reference:
        return between_arms(method, found, level, plan, index), None
    return _within_arm(method, found, level, plan), None


def _within_arm(method: str, found: Sample, level: float, plan: Plan) -> Result:
    treated, tiny = found.arms[0], found.resolution
    if method == "paired_t":
        return paired_t(treated, level, tiny)
    if method == "signed_rank":
        return signed_rank(treated, level, tiny)
    return sign_flip(treated, level, plan.n_draws, plan.seed, tiny)


def between_arms(method: str, found: Sample, level: float, plan: Plan, index: str) -> Result:
    """Return the Welch test of two arms, or the two one-sided ones."""
    treated, reference = found.arms
    if method == "tost":
        return tost(treated, reference, plan.margin[index], plan.alpha, found.resolution)
    return welch_t(treated, reference, level, found.resolution)
