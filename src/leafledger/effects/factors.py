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
    Array,
    Terms,
    beyond,
    effect_coded,
    joint_test,
    products,
    robust_joint_test,
    terms_of,
    trend,
)
from leafledger.effects.plan import Plan
from leafledger.effects.result import Result

INTERACTIONS = {"interaction_f": False, "interaction_robust_f": True}
FACTORIALS = {"factorial_f": False, "factorial_robust_f": True}
"""Methods of the F tests -> whether they stand unequal variances."""


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
            found, terms = None, None
            if not contrast.obstacle:
                found = _within(sample(layout, table, contrast, index), stratum_of)
                found, terms = terms_of(found, layout.factors)
            for method, robust in INTERACTIONS.items():
                tested = Result(math.nan, statistic_name="F", remark=contrast.obstacle)
                if found is not None and terms is not None:
                    tested = _interaction(found, terms, stratum_of, robust=robust)
                out.append(
                    effect_of(
                        *(layout, plan, labelled, index, method, found, tested, EffectSize("")),
                        terms=terms,
                    )
                )
    return out


def _within(found: Sample, group_of: Mapping[str, str]) -> Sample:
    return found.only(np.array([bool(group_of.get(unit)) for unit in found.units], dtype=bool))


def _interaction(
    found: Sample, terms: Terms, stratum_of: Mapping[str, str], *, robust: bool
) -> Result:
    """Test whether the effect of the treatment differs between strata."""
    groups = ["treated" if treated else "reference" for treated in found.treated.tolist()]
    strata = [stratum_of[unit] for unit in found.units]
    if len(set(groups)) < 2 or len(set(strata)) < 2:
        remark = "fewer than two treatments or strata have values: nothing can differ between them"
        return Result(math.nan, statistic_name="F", remark=remark)
    one, two = effect_coded(groups), effect_coded(strata)
    aliased = "not every stratum holds both treatments"
    return _joint(found, products(one, two), [*one, *two], terms, groups, aliased, robust=robust)


def _joint(
    found: Sample,
    tested: Sequence[Array],
    beside: Sequence[Array],
    terms: Terms,
    groups: Sequence[str],
    aliased: str,
    *,
    robust: bool,
) -> Result:
    if not robust:
        return joint_test(found, tested, beside, terms, aliased)
    names = list(dict.fromkeys(groups))
    arms = np.array([names.index(name) for name in groups], dtype=np.intp)
    return robust_joint_test(found, tested, beside, terms, arms, aliased)


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
    factor (Yates 1934), whatever the numbers of units. ``factorial_f`` is the F of least squares,
    ``factorial_robust_f`` stands unequal variances of the treatments.

    Where one of the two does not vary within blocks (split plot: it stands on whole plots, the
    other one within them), it is tested over the blocks, each with the mean of its units adjusted
    for the other factor. The other factor and the interaction are tested within blocks.

    Parameters
    ----------
    layout, table
        Design and unit means; where whole plots are the units, those of the units inside them.
    plan
        The plan of the analysis.

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
    for after in layout.after:
        obstacle = by_instrument(layout, [*layout.levels], [after])
        for index in table.indices:
            for what in ("treatment", layout.crossed_name, f"treatment x {layout.crossed_name}"):
                name = f"({_step(layout, after)}) {what}"
                contrast = Contrast(FACTORIAL, name, after, everyone, "", obstacle)
                for method, robust in FACTORIALS.items():
                    found, terms = None, None
                    tested = Result(math.nan, statistic_name="F", remark=obstacle)
                    if not obstacle:
                        found = _within(sample(merged, table, contrast, index), layout.crossed)
                        found, terms, tested = _factorial(
                            layout, found, level_of, what, robust=robust
                        )
                    out.append(
                        effect_of(
                            *(merged, plan, contrast, index, method, found, tested),
                            EffectSize(""),
                            terms=terms,
                        )
                    )
    return out


def _factorial(
    layout: Layout, found: Sample, level_of: Mapping[str, str], what: str, *, robust: bool
) -> tuple[Sample, Terms, Result]:
    """Test one of the three questions of two crossed factors, at its own stratum."""
    found, terms = terms_of(
        found, {n: of for n, of in layout.factors.items() if n != layout.crossed_name}
    )
    groups = {
        "treatment": [level_of[unit] for unit in found.units],
        layout.crossed_name: [layout.crossed[unit] for unit in found.units],
    }
    if any(len(set(labels)) < 2 for labels in groups.values()):
        remark = f"fewer than two treatments or levels of {layout.crossed_name} have values"
        return found, terms, Result(math.nan, statistic_name="F", remark=remark)
    coded = {name: effect_coded(labels) for name, labels in groups.items()}
    both = products(*coded.values())
    aliased = f"not every level of {layout.crossed_name} holds every treatment"
    held = terms.factors.get("block")
    if what in groups and held and len(set(zip(held, groups[what], strict=True))) == len(set(held)):
        (other,) = (columns for name, columns in coded.items() if name != what)
        return _over_blocks(layout, found, held, groups[what], [*other, *both], robust=robust)
    tested = coded.get(what, both)
    beside = [c for columns in (*coded.values(), both) if columns is not tested for c in columns]
    arms = groups["treatment"]
    return found, terms, _joint(found, tested, beside, terms, arms, aliased, robust=robust)


def _over_blocks(
    layout: Layout,
    found: Sample,
    held: Sequence[str],
    labels: Sequence[str],
    inside: Sequence[Array],
    *,
    robust: bool,
) -> tuple[Sample, Terms, Result]:
    """Test a factor that stands on whole blocks, over means of the blocks adjusted for the "
    "other.
    """
    level = dict(zip(held, labels, strict=True))
    names = list(dict.fromkeys(held))
    # 1. y = block + (the other factor and the interaction, within blocks): the coefficient of a
    #    block is the mean of its units as if it held every level of the other factor alike.
    at = np.asarray(held, dtype=str)
    blocks = [(at == name).astype(float) for name in names]
    x = np.column_stack([*blocks, *beyond(blocks, inside)])
    means = np.linalg.lstsq(x, found.change, rcond=None)[0][: len(names)]
    # 2. The factor over these means, within the blocks above them.
    nothing = np.full(len(names), math.nan)
    whole = replace(
        found,
        units=tuple(names),
        change=means,
        before=nothing,
        treated=np.ones(len(names), dtype=bool),
        u=nothing,
        n_missing=0,
        n_before=0,
        partial={},
        filled=(),
        unused=(),
    )
    groups = [level[name] for name in names]
    above = _above(layout, found, names)
    terms = Terms({"block": above} if len(set(above)) > 1 else {}, before=False)
    aliased = "the factor cannot be told from the blocks"
    columns = effect_coded(groups)
    return whole, terms, _joint(whole, columns, [], terms, groups, aliased, robust=robust)


def _above(layout: Layout, found: Sample, names: Sequence[str]) -> list[str]:
    """Return the block in which each whole plot lies; the same word where there is none."""
    above = {layout.blocks[unit]: layout.above.get(unit, "") for unit in found.units}
    return [above[name] for name in names]
