"""What is said of the plan and the effects, and which effects are shown first?

Every sentence is correct whatever the result is: it claims no more than the verdict, and a test
without a p says why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.effects.design import (
    AFTER_ONLY,
    CHANGE,
    COURSE,
    DIFFERENCE,
    EQUIVALENCE,
    METHODS,
    WAITS,
    Contrast,
    Layout,
    Plan,
    confounding,
    instrument_warnings,
)
from leafledger.effects.families import (
    BY_FLIPS,
    BY_LABELS,
    EQUIVALENT,
    PRIMARY,
    SIGNIFICANT,
    AdjustedTest,
)
from leafledger.effects.linear_model import FEWEST_DF
from leafledger.effects.two_sample_tests import finite
from leafledger.study.tables import UNDEFINED
from leafledger.words import counted, decimals, listed, number, plural, quantity, shown_p

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


# The plan, from the design and the settings alone.
# ----------------------------------------------------------------------


def plan_sentences(layout: Layout, plan: Plan, n_indices: int) -> list[str]:
    """Return what will be tested, how, and what the design does not allow.

    Parameters
    ----------
    layout, plan
        The design and the settings of the analysis.
    n_indices
        Indices in the catalogue of the study.
    """
    if not layout.word:
        return [
            "The experimental units are not known: scans are described, nothing is tested, because "
            "it is unknown which scans are independent."
        ]
    return [
        *_units(layout),
        *_within(layout, plan),
        *_between(layout, plan),
        *_strata_course_dose(layout, plan),
        *(f"{text}." for text in instrument_warnings(layout)),
        *_verdicts(layout, plan, n_indices),
    ]


def _units(layout: Layout) -> list[str]:
    total = sum(len(arm) for arm in layout.levels.values())
    arms = [
        # "5 under 0", not "5 0"
        f"{len(arm)} {'under ' if level[:1].isdigit() else ''}{level}"
        f"{' (control)' if level == layout.control else ''}"
        for level, arm in layout.levels.items()
    ]
    text = f"{counted(total, layout.word)}: {listed(arms)}" if arms else "No unit has a treatment"
    if layout.unallocated:
        text = f"The treatments {listed(list(layout.unallocated))} are not allocated yet"
    names = sorted({block for block in layout.blocks.values() if block})
    if names:
        text += f", in {len(names)} block{'s' if len(names) > 1 else ''} ({', '.join(names)})"
    word = plural(layout.word)
    return [
        f"{text}.",
        f"n counts {word}: in every session scans are averaged within leaf and leaves within "
        f"{layout.word}.",
    ]


def _tests(plan: Plan, question: str, word: str) -> str:
    names = [TEST_NAMES[m].replace("unit", word) for m in METHODS[question] if m in plan.methods]
    return listed(names) if names else ""


def _within(layout: Layout, plan: Plan) -> list[str]:
    if not layout.before:
        return [
            "No session is marked as before: treatments are compared by their values at each "
            "session. That they were alike before rests on the allotment at random alone."
        ]
    if not layout.after:
        return ["No session is marked as after: changes are undefined."]
    start = layout.before[0]
    if len(layout.before) > 1:
        start = f"the mean of {listed(list(layout.before))}"
    tests = _tests(plan, CHANGE, layout.word)
    out = []
    if tests:
        out.append(
            f"Within each treatment: the change of each {layout.word} from {start} to "
            f"{listed(list(layout.after))} ({tests})."
        )
    out.append(
        f"A {layout.word} without an accepted value after, or without any before, is left out of "
        "that contrast and named; the test stays the same. Of several before sessions it needs "
        "one. As covariate of the linear model the mean of the others stands in for a missing "
        "value before."
    )
    return out


def _between(layout: Layout, plan: Plan) -> list[str]:
    if layout.unallocated:
        return ["Which treatments are compared in which units is known once they are allocated."]
    if not layout.pairs:
        if len(layout.levels) > 1:
            return ["No control is named: treatments are not compared with each other."]
        return ["There is one treatment only: nothing tells its change from that of time."]
    out = []
    tests = _tests(plan, layout.difference, layout.word)
    if tests and layout.after:
        within = ", labels exchanged within blocks" if layout.blocks else ""
        if "label_permutation" not in plan.methods:
            within = ""
        what = "the difference in change" if layout.before else "the difference"
        pairs = [f"{level} against {reference}" for level, reference in layout.pairs]
        out.append(f"Between treatments: {what} of {listed(pairs)} ({tests}{within}).")
        out.append(_model(layout))
    if plan.margin and layout.after:
        margins = listed([f"{index} ({plan.margin[index]:g})" for index in sorted(plan.margin)])
        out.append(
            f"Equivalence against the margin stated for {margins}: two one-sided t tests in the "
            f"linear model at {plan.alpha:g}."
        )
    out += [f"{text[0].upper()}{text[1:]}." for text in _untestable(layout)]
    return out


def _model(layout: Layout) -> str:
    """Return which covariates the linear model has, and why."""
    held = []
    if layout.before:
        held.append("the value before (it tells which units were high to begin with)")
    if layout.blocks and "block" in layout.factors:
        held.append("the block (treatments were allotted within blocks)")
    held += [f"{name} (stated in effects.covariates)" for name in layout.covariates]
    beside = f"Beside the treatment it holds {listed(held)}." if held else "It has no covariate."
    few = (
        f" Where fewer than {FEWEST_DF} residual degrees of freedom would be left, the change "
        "itself is compared, without the value before."
    )
    return (
        f"The linear model lets each treatment have its own variance. {beside}"
        f"{few if layout.before else ''}"
    )


def _strata_course_dose(layout: Layout, plan: Plan) -> list[str]:
    """Return what is asked beside the changes: strata, the whole course, the dose."""
    if not layout.after:
        return []
    out = []
    if layout.strata and layout.pairs:
        names = listed([name.partition("=")[2] for name in layout.strata])
        out.append(
            f"The same within each {plan.strata} ({names}), and whether the difference differs "
            f"between them (F test of treatment x {plan.strata}); each is a family of its own."
        )
    course = [m for m in METHODS[COURSE] if m in plan.methods]
    if course and layout.pairs and layout.before and len(layout.after) > 1:
        tests = listed([TEST_NAMES[m] for m in course])
        out.append(
            f"The whole course of each {layout.word}, secondary: {tests}; summaries are tested in "
            "the linear model, mixed models by Kenward and Roger's t."
        )
    if layout.doses:
        by_dose = sorted(layout.doses.items(), key=lambda item: item[1])
        amounts = [lv if lv == f"{dose:g}" else f"{lv} = {dose:g}" for lv, dose in by_dose]
        out.append(
            f"Trend over the dose ({listed(amounts)}): a straight line in the linear model"
            f"{', blocks fixed' if layout.blocks else ''}."
        )
    if layout.crossed:
        out.append(
            f"Treatment and {layout.crossed_name} crossed: main effects and interaction by F "
            "tests of least squares, each against the variation at its own level (whole blocks, "
            "or units within them)."
        )
    return out


def _untestable(layout: Layout) -> list[str]:
    reasons = [confounding(layout, *pair, [s]) for s in layout.after for pair in layout.pairs]
    out = [text for text in dict.fromkeys(reasons) if text]
    compared = dict.fromkeys(level for pair in layout.pairs for level in pair)
    small = [level for level in compared if len(layout.levels.get(level, ())) < 2]
    if small:
        out.append(
            f"with fewer than 2 {plural(layout.word)} in {listed(small)} there is description "
            "only and no test there"
        )
    return out


def _verdicts(layout: Layout, plan: Plan, n_indices: int) -> list[str]:
    family = (
        f"a family is one question answered by one test over {n_indices} "
        f"{'indices' if n_indices != 1 else 'index'}, all treatments and all after-sessions"
    )
    verdict_sentence = (
        f"{family[0].upper()}{family[1:]}; verdicts are passed at {plan.alpha:g} on p adjusted by "
        "Holm, with Benjamini and Hochberg's beside it, those of equivalence too. Two formulas "
        "that are the same number count once."
    )
    if {*plan.methods} & (BY_FLIPS | BY_LABELS):
        verdict_sentence += (
            " Beside them stands p adjusted by the largest |t|: whole units are permuted (signs "
            "within a treatment, labels between treatments"
            f"{' within blocks' if layout.blocks else ''}), all indices and sessions together, so "
            f"that correlated indices are not counted twice (all arrangements, or {plan.n_draws} "
            "drawn)."
        )
    if plan.primary is None:
        return ["No primary contrast is named: every result is exploratory.", verdict_sentence]
    named = plan.primary
    what = {CHANGE: "change", DIFFERENCE: "difference in change", AFTER_ONLY: "difference"}
    test = TEST_NAMES[named.method].replace("unit", layout.word) if named.method else "no test"
    n = sum(level != layout.control for level in layout.levels)  # one for each treated level
    if named.question != CHANGE:
        n = sum(r == layout.control for _, r in layout.pairs) or len(layout.pairs)
    alone = "it stands alone and its p is not adjusted for the other indices"
    if n > 1:
        alone = (
            f"its {n} contrasts, one for each treatment, are adjusted by Holm among themselves "
            "and not for the other indices"
        )
    return [
        f"Primary: the {what.get(named.question, named.question)} of {named.index} to "
        f"{named.session or 'after'} ({test}); {alone}.",
        verdict_sentence,
    ]


# One sentence per result.
# ----------------------------------------------------------------------


def sentence(row: AdjustedTest, layout: Layout, plan: Plan, unit: str) -> str:
    """Return the result of one test in one sentence (and a second one for what is missing).

    Parameters
    ----------
    row
        The test.
    layout, plan
        The design and the plan of the analysis. Without a primary contrast results are exploratory.
    unit
        Unit of the index.
    """
    if row.verdict == UNDEFINED:
        return _untested_sentence(row.effect.contrast, [row.effect.index], row.reason, layout)
    parts = [_numbers(row, unit, plan), _test_words(row, layout), _p(row, plan)]
    text = f"{_claim(row, layout, unit, plan)}: {'; '.join(parts)}."
    return f"{text} Note: {row.note}." if row.note else text


def sentences(
    rows: Sequence[AdjustedTest], layout: Layout, plan: Plan, units: Mapping[str, str]
) -> list[str]:
    """Return a sentence per result; indices that lack one for the same reason share a sentence.

    Parameters
    ----------
    rows
        The tests.
    layout, plan
        As in :func:`sentence`.
    units
        Index -> its unit.
    """
    results = []
    undefined: dict[tuple[Contrast, str], list[str]] = {}
    for row in rows:
        index = row.effect.index
        if row.verdict == UNDEFINED:
            undefined.setdefault((row.effect.contrast, row.reason), []).append(index)
        else:
            results.append(sentence(row, layout, plan, units.get(index, "")))
    return results + [
        _untested_sentence(contrast, indices, reason, layout)
        for (contrast, reason), indices in undefined.items()
    ]


def _untested_sentence(
    contrast: Contrast, indices: Sequence[str], reason: str, layout: Layout
) -> str:
    names = listed(list(indices))
    if reason.startswith(WAITS):
        return f"{names} at {contrast.after} {reason}."
    subject = _subject(contrast, names, layout.as_stated)
    return f"Nothing can be concluded about {subject}: {reason}."


def _subject(contrast: Contrast, index: str, layout: Layout) -> str:
    subject = _compared_quantity(contrast, index, layout)
    if contrast.question == CHANGE:
        return f"{subject} under {contrast.level}"
    between = f"between {contrast.level} and {contrast.reference}"
    if contrast.question == EQUIVALENCE:
        return f"the equivalence {between} in {subject}"
    return f"the difference {between} in {subject}"


def _start(layout: Layout) -> str:
    """Return the session before, as the claims name it."""
    return layout.before[0] if len(layout.before) == 1 else "the mean of the before sessions"


def _compared_quantity(contrast: Contrast, index: str, layout: Layout) -> str:
    """Return what is compared: the change of an index, or the index itself without a before."""
    if not layout.after:
        return f"the change of {index}" if layout.before else index
    if not layout.before:
        return f"{index} at {contrast.after}"
    return f"the change of {index} from {_start(layout)} to {contrast.after}"


def _capital(text: str) -> str:
    return f"T{text[1:]}" if text.startswith("the ") else text


def _claim(row: AdjustedTest, layout: Layout, unit: str, plan: Plan) -> str:
    contrast, index = row.effect.contrast, row.effect.index
    subject, estimate = _compared_quantity(contrast, index, layout), row.effect.tested.estimate
    if contrast.question == EQUIVALENCE:
        margin = f"a margin of {row.effect.margin:g}{'' if unit in {'', '1'} else f' {unit}'}"
        arms = f"under {contrast.level} and under {contrast.reference}"
        if row.verdict == EQUIVALENT:
            return f"{_capital(subject)} was equivalent {arms} within {margin}"
        return f"Equivalence of {subject} {arms} within {margin} was not shown"
    if row.verdict != SIGNIFICANT:
        # Only the number of tests stands between a small p and a claim.
        once = f" once the {row.n_family} tests of its family are counted"
        not_shown = f"was shown{once if row.effect.tested.p < plan.alpha else ''}"
        if contrast.question == CHANGE:
            return f"No {subject.removeprefix('the ')} under {contrast.level} {not_shown}"
        arms = f"between {contrast.level} and {contrast.reference}"
        return f"No difference {arms} in {subject} {not_shown}"
    sign = "higher" if estimate > 0 else "lower"
    if contrast.question == CHANGE:
        return (
            f"{index} was {sign} at {contrast.after} than at {_start(layout)} under "
            f"{contrast.level} (time, instrument and treatment together)"
        )
    return f"{_capital(subject)} was {sign} under {contrast.level} than under {contrast.reference}"


def _numbers(row: AdjustedTest, unit: str, plan: Plan) -> str:
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
    if tested.p < plan.alpha:
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


def _test_words(row: AdjustedTest, layout: Layout) -> str:
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


def _p(row: AdjustedTest, plan: Plan) -> str:
    alpha, exploratory = plan.alpha, plan.primary is None
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


# The results shown first, each with the rule that chose it; since when the primary is shown.
# ----------------------------------------------------------------------


def main_rows(rows: Sequence[AdjustedTest], layout: Layout, plan: Plan) -> list[AdjustedTest]:
    """Return the primary contrasts or, where none is named, every index at the last session."""
    primary = [row for row in rows if row.effect.primary]
    if primary or plan.primary is not None:
        return primary
    question = layout.difference if layout.pairs else CHANGE
    method = next((m for m in METHODS[question] if m in plan.methods), "")
    last = layout.after[-1] if layout.after else ""
    return [row for row in rows if _matches(row, question, method, last)]


def _matches(
    row: AdjustedTest,
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


def _by_p(rows: Sequence[AdjustedTest]) -> list[AdjustedTest]:
    """Return the tests that have a p, the smallest adjusted p first."""
    tested = [row for row in rows if not math.isnan(row.effect.tested.p)]
    return sorted(tested, key=lambda r: (r.p_holm, r.effect.tested.p, r.effect.index))


def findings(
    rows: Sequence[AdjustedTest], layout: Layout, plan: Plan, units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the main finding, a second one, and one that bears on no effect.

    The main one is the primary contrast: one finding for each treatment that it compares with the
    control. None of them may be picked out, so none is left out.

    Parameters
    ----------
    rows
        All tests.
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
        chosen = [("smallest_p", rule, row) for row in _by_p(main)[:1]]
    if not chosen:
        return []
    first = chosen[0][2]
    chosen += _runner_up_choice(rows, layout, first)
    chosen += _third_choice(rows, first, [row for _, _, row in chosen])
    return [_finding(*each, layout, plan, units) for each in chosen]


Choice = tuple[str, str, AdjustedTest]


def _same_test_in_session(
    rows: Sequence[AdjustedTest], first: AdjustedTest, after: str
) -> list[AdjustedTest]:
    effect = first.effect
    contrast = effect.contrast
    return [
        row
        for row in rows
        if _matches(
            *(row, contrast.question, effect.method, after), (contrast.level, contrast.reference)
        )
    ]


def _runner_up_choice(
    rows: Sequence[AdjustedTest], layout: Layout, first: AdjustedTest
) -> list[Choice]:
    effect = first.effect
    if layout.after and layout.after[0] != effect.contrast.after:
        for row in _same_test_in_session(rows, first, layout.after[0]):
            if row.effect.index == effect.index:
                return [("first_session", "The same index at the first after-session", row)]
    others = [
        r
        for r in _same_test_in_session(rows, first, effect.contrast.after)
        if r.effect.index != effect.index
    ]
    rule = "Smallest adjusted p of the other indices"
    return [("smallest_other_p", rule, row) for row in _by_p(others)[:1]]


def _third_choice(
    rows: Sequence[AdjustedTest], first: AdjustedTest, taken: Sequence[AdjustedTest]
) -> list[Choice]:
    contrast = first.effect.contrast
    stated = [
        row
        for row in rows
        if _matches(
            *(row, EQUIVALENCE, "tost", contrast.after), (contrast.level, contrast.reference)
        )
    ]
    if stated:
        row = min(stated, key=lambda r: (r.effect.index == first.effect.index, r.effect.index))
        return [("equivalence", "Index with a stated margin", row)]
    seen = {row.effect.index for row in taken}
    others = [
        r for r in _same_test_in_session(rows, first, contrast.after) if r.effect.index not in seen
    ]
    rule = "Largest adjusted p of the other indices"
    return [("largest_p", rule, row) for row in _by_p(others)[-1:]]


def _finding(
    name: str, rule: str, row: AdjustedTest, layout: Layout, plan: Plan, units: Mapping[str, str]
) -> dict[str, Any]:
    effect, unit = row.effect, units.get(row.effect.index, "")
    words = sentence(row, layout, plan, unit)
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


def onsets(rows: Sequence[AdjustedTest], layout: Layout, plan: Plan) -> list[dict[str, Any]]:
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
            same_index = [
                r
                for r in _same_test_in_session(rows, row, session)
                if r.effect.index == row.effect.index
            ]
            if not (steps[-1]["shown"] and all_shown) or not same_index:
                break
            tested = same_index[0].effect.tested
            same_way = tested.estimate * row.effect.tested.estimate > 0
            steps.append(_step(same_index[0], bool(tested.p < alpha) and same_way))
        sessions_shown = [step["session"] for step in steps if step["shown"]]
        values = {
            "index": row.effect.index,
            "level": contrast.level,
            "reference": contrast.reference,
            "alpha": alpha,
            "shown_from": sessions_shown[-1] if sessions_shown else None,
            "last": contrast.after == layout.after[-1],
            "steps": steps,
        }
        out.append(values | {"sentence": _onset_sentence(values, plan.alpha, all_shown)})
    return out


def _step(row: AdjustedTest, significant: bool) -> dict[str, Any]:
    tested = row.effect.tested
    return {
        "session": row.effect.contrast.after,
        "p": finite(tested.p),
        "estimate": finite(tested.estimate),
        "shown": significant,
    }


def _onset_sentence(onset: Mapping[str, Any], alpha: float, all_shown: bool) -> str:
    steps = onset["steps"]
    subject = f"{onset['index']}, {onset['level']} against {onset['reference']}"
    tested = ", ".join(
        f"{step['session']} p {shown_p(step['p'], alpha)}"
        for step in steps
        if step["p"] is not None
    )
    if onset["shown_from"] is None:
        return f"{subject}: not shown at {steps[0]['session']}, so no earlier session is asked."
    if not all_shown:
        return (
            f"{subject}: shown at {steps[0]['session']}; earlier sessions are asked only where "
            "every primary contrast is significant."
        )
    since = f"shown from {onset['shown_from']} to {steps[0]['session']}"
    if onset["last"]:
        since = f"shown from {onset['shown_from']} on"
    if len([step for step in steps if step["shown"]]) == 1:
        since = f"shown at {onset['shown_from']}"
    stop = ""
    if not steps[-1]["shown"]:
        last = steps[-1]
        why = ""
        if last["p"] is None:
            why = " (not testable)"
        elif last["p"] < onset["alpha"]:
            why = " (the difference there has the other sign)"
        stop = f", not at {last['session']}{why}; earlier sessions are not asked"
    return (
        f"{subject}: {since}{stop} (tested backwards from {steps[0]['session']}, each at "
        f"{onset['alpha']:.3g}, up to the first that is not shown: {tested})."
    )
