"""Factors beside the treatment: its effect within each level, and whether it differs between them;
and the trend over ordered treatments.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from leafledger.effects.analysis import all_effects
from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.contrasts import by_instrument, contrasts, no_sessions
from leafledger.effects.effect import Effect, effect_of
from leafledger.effects.effect_size import EffectSize
from leafledger.effects.layout import DIFFERENCE, TREND, Contrast, Layout
from leafledger.effects.linear_model import interaction, trend
from leafledger.effects.plan import Plan
from leafledger.effects.result import Result

INTERACTION = "interaction_f"


def strata_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Return every test between sessions within each stratum, and the tests of interaction."""
    if not layout.strata:
        return []
    out = []
    for stratum in layout.strata:
        out += [e for e in all_effects(layout, table, plan, stratum) if not e.primary]
    return out + _interactions(layout, table, plan)


def _interactions(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    column = next(iter(layout.strata)).partition("=")[0]
    stratum_of = {unit: name for name, units in layout.strata.items() for unit in units}
    out = []
    for contrast in contrasts(layout):
        if contrast.question != DIFFERENCE:
            continue
        labelled = replace(contrast, stratum=column)
        for index in table.indices:
            found = (
                sample(layout, table, contrast, index) if layout.before and layout.after else None
            )
            tested = _interaction(layout, labelled, found, stratum_of)
            out.append(
                effect_of(layout, plan, labelled, index, INTERACTION, found, tested, EffectSize(""))
            )
    return out


def _interaction(
    layout: Layout, contrast: Contrast, found: Sample | None, stratum_of: dict[str, str]
) -> Result:
    if contrast.obstacle or found is None:
        return Result(math.nan, statistic_name="F", remark=contrast.obstacle)
    rows = [i for i, unit in enumerate(found.units) if unit in stratum_of]
    names = [found.units[i] for i in rows]
    groups = ["treated" if found.treated[i] else "reference" for i in rows]
    strata = [stratum_of[unit] for unit in names]
    if len(set(groups)) < 2 or len(set(strata)) < 2:
        remark = "fewer than two treatments or strata have values: nothing can differ between them"
        return Result(math.nan, statistic_name="F", remark=remark)
    blocks = [layout.blocks.get(unit, "") for unit in names]
    return interaction(found.change[rows], groups, strata, blocks, found.resolution)


def trend_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Return the trend of the change over the dose, for ordered treatments of three or more."""
    if not layout.doses:
        return []
    out = []
    everyone = "+".join(layout.levels)
    merged = Layout(
        layout.word,
        {everyone: tuple(sorted(u for arm in layout.levels.values() for u in arm))},
        "",
        layout.blocks,
        layout.before,
        layout.after,
    )
    dose_of = {u: layout.doses[level] for level, arm in layout.levels.items() for u in arm}
    for after in layout.after or ("",):
        name = f"({after or 'after'}-{layout.before_name})/dose"
        obstacle = no_sessions(layout) or by_instrument(layout, [*layout.levels], [after])
        contrast = Contrast(TREND, name, after, everyone, "", obstacle, per="/dose")
        for index in table.indices:
            found = None if obstacle else sample(merged, table, contrast, index)
            tested = Result(math.nan, ci_level=plan.level, remark=obstacle)
            if found is not None:
                tested = _trend(layout, found, dose_of, plan.level)
            out.append(
                effect_of(
                    merged, plan, contrast, index, "linear_trend", found, tested, EffectSize("")
                )
            )
    return out


def _trend(layout: Layout, found: Sample, dose_of: dict[str, float], level: float) -> Result:
    dose = np.array([dose_of[unit] for unit in found.units])
    if len(set(dose.tolist())) < 3:
        remark = "fewer than three doses have values: a trend needs three"
        return Result(math.nan, ci_level=level, statistic_name="t", remark=remark)
    blocks = [layout.blocks.get(unit, "") for unit in found.units]
    return trend(found.change, dose, blocks, level, found.resolution)
