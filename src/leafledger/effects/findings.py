"""The three results shown first, each with the rule that chose it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.effects.families import Judged, finite
from leafledger.effects.layout import CHANGE, DIFFERENCE, EQUIVALENCE, Layout
from leafledger.effects.plan import METHODS, Plan
from leafledger.effects.sentences import sentence


def main_rows(rows: Sequence[Judged], layout: Layout, plan: Plan) -> list[Judged]:
    """Return the primary contrasts or, where none is named, every index at the last session."""
    primary = [row for row in rows if row.effect.primary]
    if primary or plan.primary is not None:
        return primary
    question = DIFFERENCE if layout.treated else CHANGE
    method = next((m for m in METHODS[question] if m in plan.methods), "")
    last = layout.after[-1] if layout.after else ""
    return [row for row in rows if _asks(row, question, method, last)]


def _asks(row: Judged, question: str, method: str, after: str, level: str = "") -> bool:
    effect = row.effect
    return (
        effect.contrast.question == question
        and effect.method == method
        and effect.contrast.after == after
        and (not level or effect.contrast.level == level)
    )


def _least(rows: Sequence[Judged]) -> Judged | None:
    known = [row for row in rows if not math.isnan(row.effect.tested.p)]
    return min(known, key=lambda r: (r.p_holm, r.effect.tested.p, r.effect.index), default=None)


def _most(rows: Sequence[Judged]) -> Judged | None:
    known = [row for row in rows if not math.isnan(row.effect.tested.p)]
    return max(known, key=lambda r: (r.p_holm, r.effect.tested.p, r.effect.index), default=None)


def findings(
    rows: Sequence[Judged], layout: Layout, plan: Plan, units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the main finding, a second one, and one that bears on no effect.

    The main one is the primary contrast: one finding for each treatment that it compares with the
    control. None of them may be picked out, so none is left out.

    Parameters
    ----------
    rows
        All judged tests.
    layout, plan
        The design and the plan of the analysis.
    units
        Index -> its unit.
    """
    main = main_rows(rows, layout, plan)
    if plan.primary:
        chosen = [("primary", "Primary contrast", row) for row in main]
    else:
        rule = "Smallest adjusted p at the last after-session"
        least = _least(main)
        chosen = [("smallest_p", rule, least)] if least else []
    if not chosen:
        return []
    first = chosen[0][2]
    chosen += _second(rows, layout, first)
    chosen += _third(rows, first, [row for _, _, row in chosen])
    return [_finding(*each, layout, plan, units) for each in chosen]


Choice = tuple[str, str, Judged]


def _beside(rows: Sequence[Judged], first: Judged, after: str) -> list[Judged]:
    effect = first.effect
    contrast = effect.contrast
    return [
        row for row in rows if _asks(row, contrast.question, effect.method, after, contrast.level)
    ]


def _second(rows: Sequence[Judged], layout: Layout, first: Judged) -> list[Choice]:
    effect = first.effect
    if layout.after and layout.after[0] != effect.contrast.after:
        for row in _beside(rows, first, layout.after[0]):
            if row.effect.index == effect.index:
                return [("first_session", "The same index at the first after-session", row)]
    others = [
        r for r in _beside(rows, first, effect.contrast.after) if r.effect.index != effect.index
    ]
    least = _least(others)
    return (
        [("smallest_other_p", "Smallest adjusted p of the other indices", least)] if least else []
    )


def _third(rows: Sequence[Judged], first: Judged, taken: Sequence[Judged]) -> list[Choice]:
    contrast = first.effect.contrast
    stated = [
        row for row in rows if _asks(row, EQUIVALENCE, "tost", contrast.after, contrast.level)
    ]
    if stated:
        row = min(stated, key=lambda r: (r.effect.index == first.effect.index, r.effect.index))
        return [("equivalence", "Index with a stated margin", row)]
    seen = {row.effect.index for row in taken}
    others = [r for r in _beside(rows, first, contrast.after) if r.effect.index not in seen]
    last = _most(others)
    return [("largest_p", "Largest adjusted p of the other indices", last)] if last else []


def _finding(
    name: str, rule: str, row: Judged, layout: Layout, plan: Plan, units: Mapping[str, str]
) -> dict[str, Any]:
    effect, unit = row.effect, units.get(row.effect.index, "")
    words = sentence(row, layout, unit, plan.alpha, exploratory=plan.primary is None)
    values = {
        "id": name,
        "rule": rule,
        "sentence": f"{rule}. {words}",
        "question": effect.contrast.question,
        "index": effect.index,
        "contrast": effect.contrast.name,
        "method": effect.method,
        "estimate": effect.tested.estimate,
        "ci_low": effect.tested.ci_low,
        "ci_high": effect.tested.ci_high,
        "ci_level": effect.tested.ci_level,
        "unit": unit,
        "p": effect.tested.p,
        "p_holm": row.p_holm,
        "verdict": row.verdict,
    }
    return {key: finite(value) for key, value in values.items()}
