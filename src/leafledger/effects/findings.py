"""What is said of the effects: sentences, the results shown first, group means."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.effects.design import CHANGE, EQUIVALENCE, METHODS, Contrast, Layout, Plan
from leafledger.effects.families import EQUIVALENT, PRIMARY, SIGNIFICANT, UNDEFINED, Judged, finite
from leafledger.effects.two_sample_tests import mean, variance
from leafledger.effects.unit_means import UnitTable
from leafledger.resampling.intervals import t_quantile
from leafledger.words import counted, decimals, listed, number, plural, quantity, shown_p

if TYPE_CHECKING:
    import pandas as pd


# Number, mean and spread of the units of each treatment in each session, without any claim.
# ----------------------------------------------------------------------


def group_means(
    layout: Layout, table: UnitTable, rows: pd.DataFrame, units: Mapping[str, str], level: float
) -> list[dict[str, Any]]:
    """Describe every index by treatment and session.

    Parameters
    ----------
    layout
        The design. Where units are not known every scan stands for itself.
    table
        Means of the experimental units: of whole plots, where these were treated.
    rows
        ``unit_indices.csv``, for the number of scans.
    units
        Index -> its unit.
    level
        Confidence of the interval of a mean.

    Returns
    -------
    list of dict
        Rows of ``group_means.csv``, sorted by index and treatment, sessions in study order.
        ``mean`` is that of the unit means; ``sd`` lies between units, or between scans where units
        are unknown; ``se`` is ``sd / sqrt(n)``; the interval is Student's with ``n - 1`` degrees of
        freedom. One unit has no spread. Where units are unknown ``n_units``, ``n_missing``, ``se``
        and the interval are ``None``: scans of one plant are not independent.
    """
    place = {unit: i for i, unit in enumerate(table.units)}
    scans = _scans(layout, rows)
    out = []
    for k, index in enumerate(table.indices):
        for treatment, arm in layout.levels.items():
            own = [place[unit] for unit in arm]
            for j, session in enumerate(table.sessions):
                here = table.mean[own, j, k]
                values = here[np.isfinite(here)]
                named = {"index": index, "treatment": treatment, "session": session}
                numbers = _group_numbers(values, len(arm), level, known=bool(layout.word))
                counted = {"n_scans": scans.get((index, treatment, session), 0)}
                out.append({**named, **numbers, **counted, "unit": units.get(index, "")})
    return out


def _group_numbers(
    values: np.ndarray[Any, np.dtype[np.float64]], n_arm: int, level: float, *, known: bool
) -> dict[str, Any]:
    n = len(values)
    centre = mean(values) if n else math.nan
    spread = math.sqrt(variance(values)) if n > 1 else math.nan
    error = spread / math.sqrt(n) if n > 1 and known else math.nan
    half = t_quantile(level, n - 1) * error if n > 1 else math.nan
    shown = {
        "mean": centre,
        "sd": spread,
        "se": error,
        "ci_low": centre - half,
        "ci_high": centre + half,
        "ci_level": math.nan if math.isnan(half) else level,
    }
    return {
        "n_units": n if known else None,
        "n_missing": n_arm - n if known else None,
        **{name: finite(value) for name, value in shown.items()},
    }


def _scans(layout: Layout, rows: pd.DataFrame) -> dict[tuple[str, str, str], int]:
    """Return index, treatment and session -> accepted scans behind the means."""
    level_of = {unit: level for level, arm in layout.levels.items() for unit in arm}
    owner = layout.owner
    out: dict[tuple[str, str, str], int] = {}
    columns = ("unit", "session", "index", "n_scans")
    for part, session, index, n in zip(*(rows[c].tolist() for c in columns), strict=True):
        unit = owner.get(part)
        if unit is not None and session in layout.sessions:
            key = index, level_of[unit], session
            out[key] = out.get(key, 0) + int(n)
    return out


# One sentence per result that a report can carry, correct whatever the result is.
# ----------------------------------------------------------------------

TEST_NAMES = {
    "linear_model": "linear model, robust errors with variances by treatment",
    "linear_model_equal": "linear model, HC2 errors with one working variance",
    "paired_t": "paired t test",
    "signed_rank": "Wilcoxon signed-rank test",
    "sign_flip": "sign-flip test",
    "welch_t": "Welch t test on the change of each unit",
    "label_permutation": "permutation of the treatment labels",
    "ancova": "analysis of covariance, equal variances",
    "summary_mean": "mean change over the after-sessions",
    "summary_slope": "slope of a straight line through the course",
    "summary_area": "area between the course and the value before",
    "mixed_model": "mixed model with a random intercept",
    "mixed_model_slope": "mixed model with a random intercept and slope",
    "mixed_model_unstructured": "mixed model with a free covariance between sessions",
    "linear_trend": "straight line over the dose",
    "tost": "two one-sided t tests in the linear model",
    "factorial_f": "F test of crossed factors",
    "factorial_robust_f": "F test of crossed factors, variances by treatment",
}


def sentence(row: Judged, layout: Layout, unit: str, alpha: float, *, exploratory: bool) -> str:
    """Return the result of one test in one sentence (and a second one for what is missing).

    Parameters
    ----------
    row
        The judged test.
    layout
        The design: word for the unit, names of the sessions.
    unit
        Unit of the index.
    alpha
        Level that the verdict was passed at.
    exploratory
        The study named no primary contrast.
    """
    if row.verdict == UNDEFINED:
        return _nothing(row.effect.contrast, [row.effect.index], row.reason, layout)
    parts = [_numbers(row, unit, alpha), _how(row, layout), _p(row, alpha, exploratory)]
    text = f"{_claim(row, layout, unit, alpha)}: {'; '.join(parts)}."
    return f"{text} Note: {row.note}." if row.note else text


def sentences(
    rows: Sequence[Judged],
    layout: Layout,
    units: Mapping[str, str],
    alpha: float,
    *,
    exploratory: bool,
) -> list[str]:
    """Return a sentence per result; indices that lack one for the same reason share a sentence.

    Parameters
    ----------
    rows
        The judged tests.
    layout, alpha, exploratory
        As in :func:`sentence`.
    units
        Index -> its unit.
    """
    told = []
    silent: dict[tuple[Contrast, str], list[str]] = {}
    for row in rows:
        index = row.effect.index
        if row.verdict == UNDEFINED:
            silent.setdefault((row.effect.contrast, row.reason), []).append(index)
        else:
            unit = units.get(index, "")
            told.append(sentence(row, layout, unit, alpha, exploratory=exploratory))
    return told + [
        _nothing(contrast, indices, reason, layout)
        for (contrast, reason), indices in silent.items()
    ]


def _nothing(contrast: Contrast, indices: Sequence[str], reason: str, layout: Layout) -> str:
    subject = _subject(contrast, listed(list(indices)), layout)
    return f"Nothing can be concluded about {subject}: {reason}."


def _span(contrast: Contrast, layout: Layout) -> str:
    """Return " from ... to ...", or " at ..." where the study has no session before."""
    if not layout.after:
        return ""
    if not layout.before:
        return f" at {contrast.after}"
    start = layout.before[0] if len(layout.before) == 1 else "the mean of the before sessions"
    return f" from {start} to {contrast.after}"


def _subject(contrast: Contrast, index: str, layout: Layout) -> str:
    thing = _thing(contrast, index, layout)
    if contrast.question == CHANGE:
        return f"{thing} under {contrast.level}"
    between = f"between {contrast.level} and {contrast.reference}"
    if contrast.question == EQUIVALENCE:
        return f"the equivalence {between} in {thing}"
    return f"the difference {between} in {thing}"


def _thing(contrast: Contrast, index: str, layout: Layout) -> str:
    """Return what is compared: the change of an index, or the index itself without a before."""
    span = _span(contrast, layout)
    return f"the change of {index}{span}" if layout.before else f"{index}{span}"


def _capital(text: str) -> str:
    return f"T{text[1:]}" if text.startswith("the ") else text


def _claim(row: Judged, layout: Layout, unit: str, alpha: float) -> str:
    contrast, index = row.effect.contrast, row.effect.index
    thing, estimate = _thing(contrast, index, layout), row.effect.tested.estimate
    if contrast.question == EQUIVALENCE:
        margin = f"a margin of {row.effect.margin:g}{'' if unit in {'', '1'} else f' {unit}'}"
        arms = f"under {contrast.level} and under {contrast.reference}"
        if row.verdict == EQUIVALENT:
            return f"{_capital(thing)} was equivalent {arms} within {margin}"
        return f"Equivalence of {thing} {arms} within {margin} was not shown"
    if row.verdict != SIGNIFICANT:
        shown = f"was shown{_once_counted(row, alpha)}"
        if contrast.question == CHANGE:
            return f"No change of {index}{_span(contrast, layout)} under {contrast.level} {shown}"
        arms = f"between {contrast.level} and {contrast.reference}"
        return f"No difference {arms} in {thing} {shown}"
    way = "higher" if estimate > 0 else "lower"
    if contrast.question == CHANGE:
        start = layout.before[0] if len(layout.before) == 1 else "the mean of the before sessions"
        return (
            f"{index} was {way} at {contrast.after} than at {start} under {contrast.level} (time, "
            "instrument and treatment together)"
        )
    return f"{_capital(thing)} was {way} under {contrast.level} than under {contrast.reference}"


def _once_counted(row: Judged, alpha: float) -> str:
    """Say where only the number of tests stands between a small p and a claim."""
    if row.effect.tested.p >= alpha:
        return ""
    return f" once the {row.n_family} tests of its family are counted"


def _numbers(row: Judged, unit: str, alpha: float) -> str:
    tested = row.effect.tested
    places = decimals(tested.ci_low, tested.ci_high, tested.estimate)
    if row.effect.covariates:
        noun = f"difference adjusted for {_covariates(row.effect.covariates)}"
    elif row.effect.contrast.question != CHANGE:
        noun = "difference"
    elif row.effect.method == "signed_rank":
        noun = "Hodges-Lehmann estimate of the change"
    else:
        noun = "mean change"
    text = f"{noun} {quantity(tested.estimate, places, unit)}"
    if math.isnan(tested.ci_low):
        return f"{text} (no {100 * tested.ci_level:g} % interval)"
    low, high = number(tested.ci_low, places), quantity(tested.ci_high, places, unit)
    level = f"{100 * tested.ci_level:.4g} % interval"
    if row.verdict in {SIGNIFICANT, EQUIVALENT}:
        return f"{text} ({level} {low} to {high})"
    if tested.p < alpha:
        return f"{text} ({level} for this test by itself {low} to {high})"
    return f"{text} ({level} {low} to {high}, all of which the data leave possible)"


def _covariates(names: Sequence[str]) -> str:
    """Return the covariates of a model in words.

    Examples
    --------
    >>> _covariates(("value before", "block", "cultivar"))
    'the value before, block and cultivar'
    """
    return listed([f"the {name}" if name == "value before" else name for name in names])


def _how(row: Judged, layout: Layout) -> str:
    effect, word = row.effect, layout.word or "unit"
    test = TEST_NAMES[effect.method].replace("each unit", f"each {word}")
    if effect.contrast.reference:
        n = (
            f"{counted(effect.n_units, word)} under {effect.contrast.level} and "
            f"{effect.n_reference} under {effect.contrast.reference}"
        )
    else:
        n = counted(effect.n_units, word)
    tested = effect.tested
    numbers = ""
    if tested.statistic_name in {"t", "V"}:
        numbers = f", {tested.statistic_name} = {tested.statistic:.4g}"
    if not math.isnan(tested.df):
        numbers += f", df = {tested.df:.4g}"
    return f"{test}, {n} (n counts {plural(word)}){numbers}"


def _p(row: Judged, alpha: float, exploratory: bool) -> str:
    raw = f"p {shown_p(row.effect.tested.p, alpha)}"
    strict = f"Holm-adjusted p {shown_p(row.p_holm, alpha)}"
    if row.family == PRIMARY:
        if row.n_family == 1:
            return f"{raw}, not adjusted: the primary contrast"
        return f"{raw}, {strict} over the {row.n_family} primary contrasts"
    start = "exploratory, no primary contrast was named: " if exploratory else ""
    if row.n_family == 1:
        return f"{start}{raw}, not adjusted: the only test of its family"
    tests = f"over the {row.n_family} tests of its family"
    if not exploratory:
        return f"{raw}, {strict} {tests}"
    loose = f"Benjamini-Hochberg-adjusted p {shown_p(row.p_bh, alpha)}"
    return f"{start}{raw}, {loose}, {strict} {tests}"


# The results shown first, each with the rule that chose it, and since when the primary is
# ----------------------------------------------------------------------
# shown.


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
