"""One sentence per result that a report can carry, correct whatever the result is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from leafledger.effects.families import EQUIVALENT, PRIMARY, SIGNIFICANT, UNDEFINED, Judged
from leafledger.effects.layout import CHANGE, EQUIVALENCE, Contrast, Layout
from leafledger.effects.words import (
    counted,
    decimals,
    listed,
    number,
    plural,
    quantity,
    shown_p,
)

TEST_NAMES = {
    "linear_model": "linear model with HC2 errors, variances by treatment",
    "linear_model_equal": "linear model with HC2 errors, Bell and McCaffrey's degrees of freedom",
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
