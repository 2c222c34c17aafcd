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
from leafledger.effects.layout import (
    ALL,
    CHANGE,
    COURSE,
    DIFFERENCE,
    EQUIVALENCE,
    TREND,
    Contrast,
    Layout,
    contrasts,
)
from leafledger.effects.linear_model import ancova
from leafledger.effects.paired import paired_t, sign_flip
from leafledger.effects.result import Result, mean
from leafledger.effects.signed_rank import signed_rank
from leafledger.effects.words import counted

METHODS = {
    CHANGE: ("paired_t", "signed_rank", "sign_flip"),
    DIFFERENCE: ("welch_t", "label_permutation", "ancova"),
    EQUIVALENCE: ("tost",),
    COURSE: (
        "summary_mean",
        "summary_slope",
        "summary_area",
        "mixed_model",
        "mixed_model_slope",
        "mixed_model_unstructured",
    ),
    TREND: ("linear_trend",),
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
        Index -> smallest difference that would matter.
    primary
        ``None`` if the study names none.
    strata
        Column whose levels are looked at one by one; ``""`` for none.
    """

    methods: tuple[str, ...]
    level: float
    alpha: float
    margin: Mapping[str, float]
    n_draws: int
    seed: int
    primary: Primary | None
    strata: str = ""

    def methods_for(self, question: str, index: str) -> list[str]:
        """Return the methods that answer a question on an index."""
        if question == EQUIVALENCE:
            return ["tost"] if index in self.margin else []
        if question == TREND:  # needs no name in the settings: the doses ask for it
            return ["linear_trend"]
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
        settings.get("strata") or "",
    )


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


def _remarks(contrast: Contrast, tested: Result, found: Sample | None) -> tuple[str, ...]:
    """Return what must be known beside the numbers: what hinders a test, and who is left out."""
    missing = left_out(found) if found else ""
    if found is not None and found.bare and not contrast.obstacle:
        return (missing,)  # says already why the test has no units
    return tuple(text for text in (tested.remark, missing) if text)


def is_primary(layout: Layout, plan: Plan, contrast: Contrast, index: str, method: str) -> bool:
    """Return whether a test is the one the study named, in one of its treatments."""
    named = plan.primary
    if named is None or contrast.stratum != ALL:
        return False
    if contrast.question == CHANGE and contrast.level == layout.control:
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
        inside = layout.within(contrast.stratum).levels
        missing = sum(len(inside.get(level, ())) for level in levels)
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


def too_few(layout: Layout, contrast: Contrast, found: Sample) -> str:
    """Return why the units of a contrast are too few for a test; ``""`` if they are not."""
    treated, reference = found.arms
    if not contrast.reference:
        if len(treated) >= 2:
            return ""
        have = counted(len(treated), layout.word)
        return f"{have} with the pair in {contrast.level}; at least 2 are needed: description only"
    if text := _session_confounded(layout, contrast, found):
        return text
    short = [
        f"{level} has {counted(len(arm), layout.word)} with the pair"
        for level, arm in ((contrast.level, treated), (contrast.reference, reference))
        if len(arm) < 2
    ]
    return f"{', '.join(short)}; at least 2 are needed: description only" if short else ""


def _session_confounded(layout: Layout, contrast: Contrast, found: Sample) -> str:
    """Say where one arm was never measured in a session that the other one has."""
    arms = layout.within(contrast.stratum).levels
    level, reference = contrast.level, contrast.reference
    for session, gone in found.missing.items():
        without = [name for name in (level, reference) if set(arms.get(name, ())) <= set(gone)]
        if len(without) == 1 and arms.get(without[0]):
            other = reference if without[0] == level else level
            return (
                f"no {layout.word or 'unit'} of {without[0]} has a value in {session} and those of "
                f"{other} have: the treatment cannot be told from the session"
            )
    return ""


def described(contrast: Contrast, found: Sample) -> float:
    """Return the estimate alone, where the units allow no test."""
    treated, reference = found.arms
    if len(treated) == 0 or (contrast.reference and len(reference) == 0):
        return math.nan
    return mean(treated) - (mean(reference) if contrast.reference else 0.0)


def size_of(contrast: Contrast, found: Sample | None, level: float) -> EffectSize:
    """Return Hedges g of the change, paired or between arms."""
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
    if found is None or math.isnan(estimate) or len(found.u) == 0 or contrast.question == TREND:
        return math.nan
    arms = [found.u[found.treated]]
    if contrast.reference:
        arms.append(found.u[~found.treated])
    if any(len(arm) == 0 for arm in arms):
        return math.nan
    u = math.sqrt(math.fsum(mean(arm) ** 2 for arm in arms))
    return estimate / u if u > 0 else math.nan
