"""Factors beside the treatment: its effect within each level, and whether it differs between them;
the trend over ordered treatments; and two factors crossed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from leafledger.effects.analysis import all_effects
from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.contrasts import by_instrument, contrasts, no_after
from leafledger.effects.effect import Effect, effect_of
from leafledger.effects.effect_size import EffectSize
from leafledger.effects.layout import BETWEEN, FACTORIAL, TREND, Contrast, Layout
from leafledger.effects.linear_model import (
    Terms,
    effect_coded,
    joint_test,
    products,
    terms_of,
    trend,
)
from leafledger.effects.plan import Plan
from leafledger.effects.result import Result, mean

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
        if contrast.question not in BETWEEN:
            continue
        labelled = replace(contrast, stratum=column)
        for index in table.indices:
            found, terms, tested = None, None, Result(math.nan, statistic_name="F")
            if contrast.obstacle:
                tested = replace(tested, remark=contrast.obstacle)
            else:
                found = _within(sample(layout, table, contrast, index), stratum_of)
                others = {name: of for name, of in layout.factors.items() if name != column}
                found, terms = terms_of(found, others)
                tested = _interaction(found, terms, stratum_of)
            out.append(
                effect_of(
                    *(layout, plan, labelled, index, INTERACTION, found, tested, EffectSize("")),
                    terms=terms,
                )
            )
    return out


def _within(found: Sample, group_of: Mapping[str, str]) -> Sample:
    return found.only(np.array([unit in group_of for unit in found.units], dtype=bool))


def _interaction(found: Sample, terms: Terms, stratum_of: Mapping[str, str]) -> Result:
    """Test whether the effect of the treatment differs between strata."""
    groups = ["treated" if treated else "reference" for treated in found.treated.tolist()]
    strata = [stratum_of[unit] for unit in found.units]
    if len(set(groups)) < 2 or len(set(strata)) < 2:
        remark = "fewer than two treatments or strata have values: nothing can differ between them"
        return Result(math.nan, statistic_name="F", remark=remark)
    one, two = effect_coded(groups), effect_coded(strata)
    aliased = "not every stratum holds both treatments"
    return joint_test(found, products(one, two), [*one, *two], terms, aliased)


def trend_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Return the trend over the dose, for ordered treatments of three or more."""
    if not layout.doses:
        return []
    out = []
    everyone, merged = _one_arm(layout)
    dose_of = {u: layout.doses[level] for level, arm in layout.levels.items() for u in arm}
    for after in layout.after or ("",):
        name = f"({_step(layout, after)})/dose"
        obstacle = no_after(layout) or by_instrument(layout, [*layout.levels], [after])
        contrast = Contrast(TREND, name, after, everyone, "", obstacle, per="/dose")
        for index in table.indices:
            found, terms = None, None
            tested = Result(math.nan, ci_level=plan.level, remark=obstacle)
            if not obstacle:
                whole = sample(merged, table, contrast, index, fill_before=True)
                found, terms = terms_of(whole, layout.factors)
                tested = _trend(found, terms, dose_of, plan.level)
            out.append(
                effect_of(
                    *(merged, plan, contrast, index, "linear_trend", found, tested),
                    EffectSize(""),
                    terms=terms,
                )
            )
    return out


def _step(layout: Layout, after: str) -> str:
    return f"{after or 'after'}-{layout.before_name}" if layout.before else after


def _one_arm(layout: Layout) -> tuple[str, Layout]:
    """Return the design with all units in one arm, and the name of that arm."""
    everyone = "+".join(layout.levels)
    units = tuple(sorted(u for arm in layout.levels.values() for u in arm))
    return everyone, replace(layout, levels={everyone: units}, control="", compared=())


def _trend(found: Sample, terms: Terms, dose_of: Mapping[str, float], level: float) -> Result:
    dose = np.array([dose_of[unit] for unit in found.units])
    if len(set(dose.tolist())) < 3:
        remark = "fewer than three doses have values: a trend needs three"
        return Result(math.nan, ci_level=level, statistic_name="t", remark=remark)
    return trend(found, dose, terms, level)


def factorial_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Return the main effects of the treatment and of the factor crossed with it, and both
    together.

    The model of each index and after-session is ``y = treatment x factor + value before + block``
    with levels that sum to zero, so that a main effect is the mean over the levels of the other
    factor (Yates 1934), whatever the numbers of units.

    A factor that does not vary within blocks (split plot: the factor on whole plots, the treatment
    within them) is tested over the means of the blocks; the treatment and the interaction are
    tested within them.

    References
    ----------
    Yates, F. (1934). The analysis of multiple classifications with unequal numbers in the different
    classes. Journal of the American Statistical Association 29, 51-66.
    Yates, F. (1935). Complex experiments. Supplement to the Journal of the Royal Statistical
    Society 2, 181-247 (split plots).
    """
    if not layout.crossed or len(layout.levels) < 2:
        return []
    out = []
    everyone, merged = _one_arm(layout)
    level_of = {unit: level for level, arm in layout.levels.items() for unit in arm}
    named = {
        "treatment": "treatment",
        layout.crossed_name: layout.crossed_name,
        "interaction": f"treatment x {layout.crossed_name}",
    }
    for after in layout.after:
        obstacle = by_instrument(layout, [*layout.levels], [after])
        for index in table.indices:
            found, terms = None, None
            for what, words in named.items():
                name = f"({_step(layout, after)}) {words}"
                contrast = Contrast(FACTORIAL, name, after, everyone, "", obstacle)
                tested = Result(math.nan, statistic_name="F", remark=obstacle)
                if not obstacle:
                    found = _within(sample(merged, table, contrast, index), layout.crossed)
                    found, terms, tested = _factorial(layout, found, level_of, what)
                out.append(
                    effect_of(
                        *(merged, plan, contrast, index, "factorial_f", found, tested),
                        EffectSize(""),
                        terms=terms,
                    )
                )
    return out


def _factorial(
    layout: Layout, found: Sample, level_of: Mapping[str, str], what: str
) -> tuple[Sample, Terms, Result]:
    """Test one of the three questions of two crossed factors, at its own stratum."""
    factors = {name: of for name, of in layout.factors.items() if of != layout.crossed}
    found, terms = terms_of(found, factors)
    groups = [level_of[unit] for unit in found.units]
    crossed = [layout.crossed[unit] for unit in found.units]
    if len(set(groups)) < 2 or len(set(crossed)) < 2:
        remark = f"fewer than two treatments or levels of {layout.crossed_name} have values"
        return found, terms, Result(math.nan, statistic_name="F", remark=remark)
    one, two = effect_coded(groups), effect_coded(crossed)
    both = products(one, two)
    aliased = f"not every level of {layout.crossed_name} holds every treatment"
    held = terms.factors.get("block")
    if held and len(set(zip(held, crossed, strict=True))) == len(set(held)):
        # The factor stands on whole blocks, whose columns hold it already.
        if what == "treatment":
            return found, terms, joint_test(found, one, both, terms, aliased)
        if what == "interaction":
            return found, terms, joint_test(found, both, one, terms, aliased)
        return found, terms, _over_blocks(layout, found, held, crossed)
    tested = {"treatment": one, layout.crossed_name: two, "interaction": both}[what]
    beside = [c for columns in (one, two, both) if columns is not tested for c in columns]
    return found, terms, joint_test(found, tested, beside, terms, aliased)


def _over_blocks(
    layout: Layout, found: Sample, held: Sequence[str], crossed: Sequence[str]
) -> Result:
    """Test a factor that stands on whole blocks, over the means of the blocks."""
    level = dict(zip(held, crossed, strict=True))
    names = list(dict.fromkeys(held))
    rows = [[i for i, block in enumerate(held) if block == name] for name in names]
    whole = replace(
        found,
        units=tuple(names),
        change=np.array([mean(found.change[some]) for some in rows]),
        before=np.full(len(names), math.nan),
        treated=np.ones(len(names), dtype=bool),
        u=np.full(len(names), math.nan),
        n_before=0,
        partial={},
    )
    columns = effect_coded([level[name] for name in names])
    above = _above(layout, found, names)
    terms = Terms({"block": above} if len(set(above)) > 1 else {}, before=False)
    aliased = f"{layout.crossed_name} cannot be told from the blocks"
    return joint_test(whole, columns, [], terms, aliased)


def _above(layout: Layout, found: Sample, names: Sequence[str]) -> list[str]:
    """Return the block in which each whole plot lies; the same word where there is none."""
    above = {layout.blocks[unit]: layout.above.get(unit, "") for unit in found.units}
    return [above[name] for name in names]
