"""The whole course in one number per unit: mean, slope and area, each tested by the linear model.

References
----------
Matthews, J. N. S., Altman, D. G., Campbell, M. J. and Royston, P. (1990). Analysis of serial
measurements in medical research. BMJ 300, 230-235.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from leafledger.effects.changes import Sample, UnitTable, sample
from leafledger.effects.contrasts import confounding, no_change
from leafledger.effects.effect import Effect, effect_of, size_of
from leafledger.effects.effect_size import EffectSize
from leafledger.effects.layout import COURSE, Contrast, Layout
from leafledger.effects.linear_model import Terms, terms_of, treatment
from leafledger.effects.obstacles import described, too_few
from leafledger.effects.plan import METHODS, Plan
from leafledger.effects.result import Result

SUMMARIES = ("summary_mean", "summary_slope", "summary_area")


def course_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Return the tests of the summaries that the plan asks for.

    With one after session the only summary is the change itself, so there are none.
    """
    methods = [m for m in METHODS[COURSE] if m in plan.methods and m in SUMMARIES]
    if len(layout.after) < 2 or not layout.before:
        return []
    out = []
    for level, reference in layout.pairs:
        for method in methods:
            contrast = _contrast(layout, level, reference, method)
            for index in table.indices:
                out.append(_effect(layout, table, plan, contrast, index, method))
    return out


def _contrast(layout: Layout, level: str, reference: str, method: str) -> Contrast:
    arms = f"@{level}-{reference}"
    start = layout.before_name
    name, per = {
        "summary_mean": (f"(mean-{start}){arms}", ""),
        "summary_slope": (f"(slope){arms}", f"/{layout.time_word}"),
        "summary_area": (f"(area-{start}){arms}", f"*{layout.time_word}"),
    }[method]
    obstacle = no_change(layout) or confounding(layout, level, reference, layout.after)
    return Contrast(COURSE, name, "", level, reference, obstacle, per=per)


def _effect(
    layout: Layout, table: UnitTable, plan: Plan, contrast: Contrast, index: str, method: str
) -> Effect:
    weights = weights_of(layout, method)
    whole = sample(layout, table, contrast, index, weights=weights, fill_before=True)
    found, terms = terms_of(whole, layout.factors)
    tested, size = _tested(layout, plan, contrast, found, terms)
    return effect_of(layout, plan, contrast, index, method, found, tested, size, terms=terms)


def _tested(
    layout: Layout, plan: Plan, contrast: Contrast, found: Sample, terms: Terms
) -> tuple[Result, EffectSize]:
    if obstacle := contrast.obstacle or too_few(layout, contrast, found):
        tested = Result(described(contrast, found), ci_level=plan.level, remark=obstacle)
        return tested, size_of(contrast, found, plan.level)
    return treatment(found, terms, plan.level)[:2]


def weights_of(layout: Layout, method: str) -> Mapping[str, float]:
    """Return what each after session's change from before counts in a summary.

    Parameters
    ----------
    layout
        Sessions and their times. Several before sessions are one point, at their mean time.
    method
        ``summary_mean`` (mean change of the after sessions), ``summary_slope`` (least-squares line
        through before and all after sessions, per day) or ``summary_area`` (area between the course
        and the before value by trapezoids, from before to the last session).

    Examples
    --------
    >>> levels = {"a": ("p1",), "b": ("p2",)}
    >>> days = {"d0": 0.0, "d4": 4.0, "d8": 8.0}
    >>> layout = Layout("plant", levels, "a", {}, ("d0",), ("d4", "d8"), days, "day")
    >>> dict(weights_of(layout, "summary_area")), dict(weights_of(layout, "summary_slope"))
    ({'d4': 4.0, 'd8': 2.0}, {'d4': 0.0, 'd8': 0.125})
    """
    start = float(np.mean([layout.times[s] for s in layout.before]))
    times = np.array([start, *(layout.times[s] for s in layout.after)])
    if method == "summary_mean":
        weights = np.full(len(layout.after), 1.0 / len(layout.after))
    elif method == "summary_slope":
        centred = times - times.mean()
        weights = (centred / np.sum(centred**2))[1:]
    else:
        gaps = np.diff(times)
        weights = (gaps + np.append(gaps[1:], 0.0)) / 2.0
    return {s: float(w) for s, w in zip(layout.after, weights, strict=True)}
