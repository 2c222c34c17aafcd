"""The results shown first, each with the rule that chose it, and since when the primary is
shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.effects.families import SIGNIFICANT, UNDEFINED, Judged, finite
from leafledger.effects.layout import CHANGE, EQUIVALENCE, Layout
from leafledger.effects.plan import METHODS, Plan
from leafledger.effects.sentences import sentence
from leafledger.effects.words import shown_p


def main_rows(rows: Sequence[Judged], layout: Layout, plan: Plan) -> list[Judged]:
    """Return the primary contrasts or, where none is named, every index at the last session."""
    primary = [row for row in rows if row.effect.primary]
    if primary or plan.primary is not None:
        return primary
    question = layout.difference if layout.pairs else CHANGE
    method = next((m for m in METHODS[question] if m in plan.methods), "")
    last = layout.after[-1] if layout.after else ""
    return [row for row in rows if _asks(row, question, method, last)]


def _asks(
    row: Judged,
    question: str,
    method: str,
    after: str,
    arms: tuple[str, str] | None = None,
) -> bool:
    effect = row.effect
    return (
        effect.contrast.question == question
        and effect.method == method
        and effect.contrast.after == after
        and (arms is None or (effect.contrast.level, effect.contrast.reference) == arms)
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
        row
        for row in rows
        if _asks(
            *(row, contrast.question, effect.method, after), (contrast.level, contrast.reference)
        )
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
        row
        for row in rows
        if _asks(*(row, EQUIVALENCE, "tost", contrast.after), (contrast.level, contrast.reference))
    ]
    if stated:
        row = min(stated, key=lambda r: (r.effect.index == first.effect.index, r.effect.index))
        return [("equivalence", "Index with a stated margin", row)]
    seen = {row.effect.index for row in taken}
    others = [r for r in _beside(rows, first, contrast.after) if r.effect.index not in seen]
    last = _most(others)
    return [("largest_p", "Largest adjusted p of the other indices", last)] if last else []


def onsets(rows: Sequence[Judged], layout: Layout, plan: Plan) -> list[dict[str, Any]]:
    """Return since when the primary difference is shown, by a fixed sequence of tests.

    The sessions are tested backwards from that of the primary contrast, each at alpha, up to the
    first that is not shown. The order is fixed by the calendar, so the family-wise level stays
    alpha without an adjustment. With several primary contrasts an earlier session is asked only
    where all of them are significant, each at alpha over their number.

    Parameters
    ----------
    rows
        All tests with their verdicts.
    layout, plan
        The design and the plan of the analysis.

    Returns
    -------
    list of dict
        index, level, reference, alpha, shown_from (``None`` if not even the primary is shown),
        steps (session, p, estimate, shown) and a sentence, one for each primary contrast between
        treatments; empty where there is one session after, or no primary contrast.

    References
    ----------
    Maurer, W., Hothorn, L. A. and Lehmacher, W. (1995). Multiple comparisons in drug clinical
    trials and preclinical assays: a-priori ordered hypotheses. In: Biometrie in der
    chemisch-pharmazeutischen Industrie 6, 3-18. Fischer. Wiens, B. L. (2003). A fixed sequence
    Bonferroni procedure for testing multiple endpoints. Pharmaceutical Statistics 2, 211-215.
    """
    primary = [row for row in rows if row.effect.primary and row.effect.contrast.reference]
    primary = [r for r in primary if r.effect.contrast.question != EQUIVALENCE]
    alpha = plan.alpha / max(1, len(primary))
    all_shown = all(row.verdict == SIGNIFICANT for row in primary)
    out = []
    for row in primary:
        contrast = row.effect.contrast
        if row.verdict == UNDEFINED or contrast.after not in layout.after:
            continue
        earlier = layout.after[: layout.after.index(contrast.after)]
        if not earlier:
            continue
        steps = [_step(row, row.verdict == SIGNIFICANT)]
        for session in reversed(earlier):
            found = [r for r in _beside(rows, row, session) if r.effect.index == row.effect.index]
            if not (steps[-1]["shown"] and all_shown) or not found:
                break
            tested = found[0].effect.tested
            same_way = tested.estimate * row.effect.tested.estimate > 0
            steps.append(_step(found[0], bool(tested.p < alpha) and same_way))
        shown = [step["session"] for step in steps if step["shown"]]
        values = {
            "index": row.effect.index,
            "level": contrast.level,
            "reference": contrast.reference,
            "alpha": alpha,
            "shown_from": shown[-1] if shown else None,
            "last": contrast.after == layout.after[-1],
            "steps": steps,
        }
        out.append(values | {"sentence": _onset_sentence(values, plan.alpha, all_shown)})
    return out


def _step(row: Judged, shown: bool) -> dict[str, Any]:
    tested = row.effect.tested
    return {
        "session": row.effect.contrast.after,
        "p": finite(tested.p),
        "estimate": finite(tested.estimate),
        "shown": shown,
    }


def _onset_sentence(found: Mapping[str, Any], alpha: float, all_shown: bool) -> str:
    steps = found["steps"]
    subject = f"{found['index']}, {found['level']} against {found['reference']}"
    tested = ", ".join(
        f"{step['session']} p {shown_p(step['p'], alpha)}"
        for step in steps
        if step["p"] is not None
    )
    if found["shown_from"] is None:
        return f"{subject}: not shown at {steps[0]['session']}, so no earlier session is asked."
    if not all_shown:
        return (
            f"{subject}: shown at {steps[0]['session']}; earlier sessions are asked only where "
            "every primary contrast is significant."
        )
    since = f"shown from {found['shown_from']} to {steps[0]['session']}"
    if found["last"]:
        since = f"shown from {found['shown_from']} on"
    if len([step for step in steps if step["shown"]]) == 1:
        since = f"shown at {found['shown_from']}"
    stop = ""
    if not steps[-1]["shown"]:
        last = steps[-1]
        why = ""
        if last["p"] is None:
            why = " (not testable)"
        elif last["p"] < found["alpha"]:
            why = " (the difference there has the other sign)"
        stop = f", not at {last['session']}{why}; earlier sessions are not asked"
    return (
        f"{subject}: {since}{stop} (tested backwards from {steps[0]['session']}, each at "
        f"{found['alpha']:.3g}, up to the first that is not shown: {tested})."
    )


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
