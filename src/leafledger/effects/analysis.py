"""Every test the study asks for: one :class:`Effect` per question, index, contrast and method."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from leafledger.effects.changes import Sample, UnitTable, left_out, sample
from leafledger.effects.effect_size import (
    EffectSize,
    hedges_g_independent,
    hedges_g_paired,
)
from leafledger.effects.independent import label_permutation, tost, welch_t
from leafledger.effects.layout import CHANGE, DIFFERENCE, EQUIVALENCE, Contrast, Layout, contrasts
from leafledger.effects.paired import paired_t, sign_flip
from leafledger.effects.result import Result, mean
from leafledger.effects.signed_rank import signed_rank
from leafledger.effects.words import counted

METHODS = {
    CHANGE: ("paired_t", "signed_rank", "sign_flip"),
    DIFFERENCE: ("welch_t", "label_permutation"),
    EQUIVALENCE: ("tost",),
}
"""Methods that answer each question; the first one that is used is the primary test."""


@dataclass(frozen=True)
class Primary:
    """The contrast named before the data were seen."""

    index: str
    question: str
    session: str
    method: str


@dataclass(frozen=True)
class Plan:
    """What is tested, and how: the section ``effects`` of the settings, completed.

    Attributes
    ----------
    methods
        Method names.
    margin
        Index -> largest difference that does not matter.
    primary
        ``None`` if the study names none.
    """

    methods: tuple[str, ...]
    level: float
    alpha: float
    margin: Mapping[str, float]
    n_draws: int
    seed: int
    primary: Primary | None

    def methods_for(self, question: str, index: str) -> list[str]:
        """Return the methods that answer a question on an index."""
        if question == EQUIVALENCE:
            return ["tost"] if index in self.margin else []
        return [method for method in METHODS[question] if method in self.methods]


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


def plan_from(settings: Mapping[str, Any], layout: Layout) -> Plan:
    """Complete the settings: the primary session is the last one unless named.

    Parameters
    ----------
    settings
        Section ``effects`` of the study, as plain values.
    layout
        The design.
    """
    named = settings.get("primary")
    methods = tuple(settings["methods"])
    primary = None
    if named:
        last = layout.after[-1] if layout.after else ""
        usable = [m for m in METHODS[named["question"]] if m in methods]
        primary = Primary(
            named["index"],
            named["question"],
            named.get("session") or last,
            usable[0] if usable else "",
        )
    return Plan(
        methods,
        settings["interval"],
        settings["alpha"],
        dict(settings["margin"]),
        settings["n_draws"],
        settings["seed"],
        primary,
    )


def all_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Run every test of the plan on every index of the table."""
    out: list[Effect] = []
    for contrast in contrasts(layout):
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
    size = _size(contrast, found, plan.level)
    return [
        Effect(
            contrast,
            index,
            method,
            tested := _test(layout, plan, contrast, found, index, method),
            size,
            *_counts(layout, contrast, found),
            _percent(tested.estimate, found),
            _in_u(tested.estimate, contrast, found),
            plan.margin.get(index, math.nan) if contrast.question == EQUIVALENCE else math.nan,
            _is_primary(layout, plan, contrast, index, method),
            _remarks(contrast, tested, found),
        )
        for method in methods
    ]


def _remarks(contrast: Contrast, tested: Result, found: Sample | None) -> tuple[str, ...]:
    """Return what must be known beside the numbers: what hinders a test, and who is left out."""
    missing = left_out(found) if found else ""
    if found is not None and found.bare and not contrast.obstacle:
        return (missing,)  # says already why the test has no units
    return tuple(text for text in (tested.remark, missing) if text)


def _is_primary(layout: Layout, plan: Plan, contrast: Contrast, index: str, method: str) -> bool:
    named = plan.primary
    if named is None or (contrast.question == CHANGE and contrast.level == layout.control):
        return False
    return (named.index, named.question, named.session, named.method) == (
        index,
        contrast.question,
        contrast.after,
        method,
    )


def _counts(
    layout: Layout, contrast: Contrast, found: Sample | None
) -> tuple[int, int | None, int]:
    between = bool(contrast.reference)
    if found is None:
        levels = [contrast.level, contrast.reference] if between else [contrast.level]
        missing = sum(len(layout.levels.get(level, ())) for level in levels)
        return 0, 0 if between else None, missing
    n = int(found.treated.sum())
    return n, len(found.units) - n if between else None, found.n_missing


def _test(
    layout: Layout,
    plan: Plan,
    contrast: Contrast,
    found: Sample | None,
    index: str,
    method: str,
) -> Result:
    level = 1.0 - 2.0 * plan.alpha if method == "tost" else plan.level
    if found is None:
        return Result(math.nan, ci_level=level, remark=contrast.obstacle)
    obstacle = contrast.obstacle or _too_few(layout, contrast, found)
    treated, reference = found.arms
    if obstacle:
        return Result(_described(contrast, found), ci_level=level, remark=obstacle)
    tiny = found.resolution
    if method == "paired_t":
        return paired_t(treated, level, tiny)
    if method == "signed_rank":
        return signed_rank(treated, level, tiny)
    if method == "sign_flip":
        return sign_flip(treated, level, plan.n_draws, plan.seed, tiny)
    if method == "welch_t":
        return welch_t(treated, reference, level, tiny)
    if method == "tost":
        return tost(treated, reference, plan.margin[index], plan.alpha, tiny)
    blocks = [layout.blocks.get(unit, "") for unit in found.units]
    return label_permutation(found.change, found.treated, blocks, level, plan.n_draws, plan.seed)


def _too_few(layout: Layout, contrast: Contrast, found: Sample) -> str:
    treated, reference = found.arms
    if not contrast.reference:
        if len(treated) >= 2:
            return ""
        have = counted(len(treated), layout.word)
        return f"{have} with the pair in {contrast.level}; at least 2 are needed: description only"
    short = [
        f"{level} has {counted(len(arm), layout.word)} with the pair"
        for level, arm in ((contrast.level, treated), (contrast.reference, reference))
        if len(arm) < 2
    ]
    return f"{', '.join(short)}; at least 2 are needed: description only" if short else ""


def _described(contrast: Contrast, found: Sample) -> float:
    """Return the estimate alone, where the units allow no test."""
    treated, reference = found.arms
    if len(treated) == 0 or (contrast.reference and len(reference) == 0):
        return math.nan
    return mean(treated) - (mean(reference) if contrast.reference else 0.0)


def _size(contrast: Contrast, found: Sample | None, level: float) -> EffectSize:
    between = bool(contrast.reference)
    if found is None or contrast.obstacle:
        return EffectSize("hedges_g_independent" if between else "hedges_g_paired")
    treated, reference = found.arms
    if between:
        return hedges_g_independent(treated, reference, level, found.resolution)
    return hedges_g_paired(treated, level, found.resolution)


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
    if found is None or math.isnan(estimate) or len(found.u) == 0:
        return math.nan
    arms = [found.u[found.treated]]
    if contrast.reference:
        arms.append(found.u[~found.treated])
    if any(len(arm) == 0 for arm in arms):
        return math.nan
    u = math.sqrt(math.fsum(mean(arm) ** 2 for arm in arms))
    return estimate / u if u > 0 else math.nan
