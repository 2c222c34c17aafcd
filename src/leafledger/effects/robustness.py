"""Does the conclusion hold under other choices and settings, and do the assumptions behind it?"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.effects.analysis import MODELS, Effect, effects_of
from leafledger.effects.design import CHANGE, METHODS, Layout, Plan, Primary, contrasts, is_primary
from leafledger.effects.families import SIGNIFICANT, AdjustedTest, adjusted_tests
from leafledger.effects.linear_model import Array, columns_of, independent_columns, terms_of
from leafledger.effects.two_sample_tests import finite, mean
from leafledger.effects.unit_means import Sample, StudyData, UnitTable, change_sample
from leafledger.study.tables import EFFECTS, NOT_PART, PLANNED, UNDEFINED, VARIANTS
from leafledger.words import listed, plural, shown_p

if TYPE_CHECKING:
    import pandas as pd

# Does the primary result hold without the exclusions?
# ----------------------------------------------------------------------


def with_and_without(
    data: StudyData,
    all_scans: UnitTable,
    effects: Sequence[Effect],
    excluded: Mapping[str, tuple[str, str]],
) -> list[dict[str, Any]]:
    """Return each primary contrast as tested and as it would be with every scan.

    Parameters
    ----------
    data
        Design, unit means and plan.
    all_scans
        Unit means over all scans, excluded ones too.
    effects
        The tests on accepted scans.
    excluded
        Excluded scan -> its unit of the sheet and session; a scan of a plant counts for the whole
        plot that holds it, where plots are the experimental units.
    """
    layout, everything = data.layout, replace(data, table=all_scans)
    out, owner = [], layout.owner
    for effect in effects:
        if not effect.primary:
            continue
        contrast = effect.contrast
        levels = [contrast.level, contrast.reference] if contrast.reference else [contrast.level]
        units = {unit for level in levels for unit in layout.levels.get(level, ())}
        sessions = {*layout.before, contrast.after}
        (other,) = effects_of(everything, contrast, effect.index, [effect.method])
        concerned = [
            scan
            for scan, (unit, day) in excluded.items()
            if owner.get(unit) in units and day in sessions
        ]
        out.append(
            {
                "question": contrast.question,
                "index": effect.index,
                "contrast": contrast.name,
                "method": effect.method,
                "n_excluded": len(concerned),
                "excluded": sorted(concerned),
                "with_exclusions": _test_numbers(effect),
                "without_exclusions": _test_numbers(other),
            }
        )
    return out


def _test_numbers(effect: Effect) -> dict[str, Any]:
    tested = effect.tested
    values = {
        "estimate": tested.estimate,
        "ci_low": tested.ci_low,
        "ci_high": tested.ci_high,
        "ci_level": tested.ci_level,
        "p": tested.p,
        "n_units": effect.n_units,
        "n_units_reference": effect.n_reference,
        "n_missing": effect.n_missing,
    }
    return {name: finite(value) for name, value in values.items()}


# Does the conclusion hold? The primary contrasts under other choices than the planned ones.
# ----------------------------------------------------------------------

EVERY_SCAN = "every_scan"
WITHOUT_SESSION = "without_session"
WITHOUT_UNIT = "without_unit"
OTHER_METHOD = "other_method"


@dataclass(frozen=True)
class Variant:
    """One choice other than the planned one.

    Attributes
    ----------
    kind, left_out
        What was done, and with which session, unit or method.
    note
        What must be known of it, in words.
    """

    kind: str
    left_out: str
    data: StudyData
    note: str = ""


@dataclass(frozen=True)
class VariantTest:
    """A primary contrast under one variant, and whether its conclusion stays."""

    variant: Variant
    row: AdjustedTest
    planned: AdjustedTest
    same: bool


def robustness(data: StudyData, all_scans: UnitTable) -> list[VariantTest]:
    """Test every primary contrast again under each variant.

    Parameters
    ----------
    data
        Design, unit means of accepted scans, and plan with a primary contrast.
    all_scans
        Unit means over all scans, excluded ones too.

    Returns
    -------
    list of VariantTest
        In the order of the variants; the conclusion stays if the verdict is the same and, where
        something is significant, the sign too.
    """
    planned = _primary(Variant(PLANNED, "", data))
    out: list[VariantTest] = []
    for variant in _variants(data, all_scans):
        # A session left out may change the name of the contrast, never its treatments.
        rows = {_arms(row): row for row in _primary(variant)}
        for arms, before in {_arms(row): row for row in planned}.items():
            row = rows.get(arms)
            if row is not None:
                out.append(VariantTest(variant, row, before, _same_verdict(before, row)))
    return out


def _arms(row: AdjustedTest) -> tuple[str, str]:
    return row.effect.contrast.level, row.effect.contrast.reference


def _same_verdict(planned: AdjustedTest, row: AdjustedTest) -> bool:
    if planned.verdict != row.verdict:
        return False
    if planned.verdict != SIGNIFICANT:
        return True
    return (planned.effect.tested.estimate > 0) == (row.effect.tested.estimate > 0)


def _primary(variant: Variant) -> list[AdjustedTest]:
    layout, plan = variant.data.layout, variant.data.plan
    named = plan.primary
    if named is None or not named.method:
        return []
    effects: list[Effect] = []
    for contrast in contrasts(layout):
        if not is_primary(layout, plan, contrast, named.index, named.method):
            continue
        effects += effects_of(variant.data, contrast, named.index, [named.method])
    return adjusted_tests(effects, plan)


def _variants(data: StudyData, all_scans: UnitTable) -> Iterator[Variant]:
    layout, table, plan = data.layout, data.table, data.plan
    named = plan.primary
    if named is None:
        return
    yield Variant(PLANNED, "", data)
    yield Variant(EVERY_SCAN, "", replace(data, table=all_scans), "no scan is left out")
    yield from _sessions(data, named)
    for unit in table.units:
        # A change within a treatment does not rest on the control.
        if named.question != CHANGE or unit not in layout.levels.get(layout.control, ()):
            fewer = layout.only(u for u in table.units if u != unit)
            yield Variant(WITHOUT_UNIT, unit, replace(data, layout=fewer))
    for method in METHODS[named.question]:
        if method != named.method:
            other = replace(plan, primary=replace(named, method=method))
            yield Variant(OTHER_METHOD, method, replace(data, plan=other))


def _sessions(data: StudyData, named: Primary) -> Iterator[Variant]:
    layout, plan = data.layout, data.plan
    for session in layout.sessions:
        before = tuple(s for s in layout.before if s != session)
        after = tuple(s for s in layout.after if s != session)
        if not after or (layout.before and not before):
            continue  # nothing is left to compare with; the table says which sessions it could drop
        changed, note = plan, NOT_PART
        if session in layout.before:
            note = "one before session fewer"
        if session == named.session:
            changed = replace(plan, primary=replace(named, session=after[-1]))
            note = f"the contrast to {after[-1]} in its place"
        smaller = replace(layout, before=before, after=after)
        others = StudyData(smaller, _without(data.table, session), changed)
        yield Variant(WITHOUT_SESSION, session, others, note)


def _without(table: UnitTable, session: str) -> UnitTable:
    kept = [i for i, name in enumerate(table.sessions) if name != session]
    return replace(
        table,
        sessions=tuple(table.sessions[i] for i in kept),
        mean=table.mean[:, kept],
        u=table.u[:, kept],
    )


def sensitivity_rows(
    tests: Sequence[VariantTest], units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the rows of ``sensitivity.csv``.

    Parameters
    ----------
    tests
        The primary contrasts under every variant.
    units
        Index -> its unit.
    """
    return [_row(test, units) for test in tests]


def _row(test: VariantTest, units: Mapping[str, str]) -> dict[str, Any]:
    effect, variant = test.row.effect, test.variant
    tested = effect.tested
    values = {
        "question": effect.contrast.question,
        "index": effect.index,
        "contrast": effect.contrast.name,
        "method": effect.method,
        "variant": variant.kind,
        "left_out": variant.left_out,
        "estimate": tested.estimate,
        "ci_low": tested.ci_low,
        "ci_high": tested.ci_high,
        "ci_level": tested.ci_level,
        "unit": units.get(effect.index, ""),
        "n_units": effect.n_units,
        "n_units_reference": effect.n_reference,
        "p": tested.p,
        "p_holm": test.row.p_holm,
        "verdict": test.row.verdict,
        "same_conclusion": test.same,
        "reason": "; ".join(text for text in (variant.note, test.row.note) if text),
    }
    return {name: finite(value) for name, value in values.items()}


def robustness_sentences(tests: Sequence[VariantTest], layout: Layout, plan: Plan) -> list[str]:
    """Say for each primary contrast under which choices its conclusion changes.

    Parameters
    ----------
    tests
        The primary contrasts under every variant.
    layout, plan
        The design and the plan of the analysis. The p shown is the one that a verdict rests on.
    """
    by_contrast: dict[str, list[VariantTest]] = {}
    for test in tests:
        by_contrast.setdefault(test.planned.effect.contrast.name, []).append(test)
    return [_sentence(name, rows, layout, plan) for name, rows in by_contrast.items()]


def _sentence(name: str, tests: Sequence[VariantTest], layout: Layout, plan: Plan) -> str:
    index = tests[0].planned.effect.index
    subject = f"{index}, {name}"
    if tests[0].planned.verdict == UNDEFINED:
        return f"{subject}: undefined as planned, so there is no conclusion that could change."
    parts = _without_units(
        [test for test in tests if test.variant.kind == WITHOUT_UNIT], layout.word
    )
    others = [o for o in tests if o.variant.kind not in {PLANNED, WITHOUT_UNIT}]
    others = [o for o in others if o.variant.note != NOT_PART]
    parts += [f"{_outcome_words(o)} {_variant_words(o, plan)}" for o in others]
    verdict = tests[0].planned.verdict.replace("_", " ")
    return f"{subject}: the conclusion is {verdict}; {'; '.join(parts)}."


def _without_units(units: Sequence[VariantTest], word: str) -> list[str]:
    """Say without which units the conclusion is another one, and without which there is none."""
    none = [test.variant.left_out for test in units if test.row.verdict == UNDEFINED]
    lost = [
        test.variant.left_out for test in units if not (test.same or test.row.verdict == UNDEFINED)
    ]
    parts = []
    if lost:
        parts.append(f"it changes without {listed(lost)}, one at a time")
    if none:
        parts.append(f"without {listed(none)}, one at a time, nothing can be tested")
    if units and not parts:
        parts.append(f"leaving out any one of the {len(units)} {plural(word)} does not change it")
    return parts


def _outcome_words(test: VariantTest) -> str:
    if test.same:
        return "it stays"
    return "nothing can be tested" if test.row.verdict == UNDEFINED else "it changes"


def _variant_words(test: VariantTest, plan: Plan) -> str:
    variant, p = test.variant, test.row.p_holm
    name = "p" if test.row.n_family < 2 else "Holm-adjusted p"
    p_words = "no p" if math.isnan(p) else f"{name} {shown_p(p, plan.alpha)}"
    if variant.kind == EVERY_SCAN:
        return f"with every scan, excluded ones too ({p_words})"
    if variant.kind == WITHOUT_SESSION:
        return f"without {variant.left_out} ({variant.note}; {p_words})"
    return f"by the method {variant.left_out.replace('_', ' ')} ({p_words})"


# Assumptions: spread of the arms, residuals, single units that decide. No test depends on them.
# ----------------------------------------------------------------------

_RESIDUAL = 1e-9
"""A unit with a smaller share of its own residual is fitted exactly."""


def assumption_checks(
    data: StudyData, effects: Sequence[Effect], tests: Sequence[VariantTest]
) -> list[dict[str, Any]]:
    """Describe how well the assumptions of the primary tests hold.

    Parameters
    ----------
    data
        Design, unit means and plan.
    effects
        The primary tests.
    tests
        The same under other choices, see :func:`robustness`.

    Returns
    -------
    list of dict
        For each contrast: variance_ratio (larger arm over smaller; ``None`` for one arm), residuals
        of the model that was tested (unit, treatment, fitted, residual, standardised: the residual
        over the standard deviation that it would have by chance, estimated without that unit),
        verdict (as planned),
        influential (units whose absence changes the conclusion), needed (units without which
        nothing can be tested).

    References
    ----------
    Cook, R. D. and Weisberg, S. (1982). Residuals and Influence in Regression, section 2.2.1.
    Chapman and Hall (externally studentised residuals).
    """
    out = []
    for effect in effects:
        if not data.layout.after or not (data.layout.before or effect.contrast.reference):
            continue
        sample, x = _model(data, effect)
        of_contrast = [test for test in tests if test.planned.effect.contrast == effect.contrast]
        single = [
            test for test in of_contrast if test.variant.kind == WITHOUT_UNIT and not test.same
        ]
        out.append(
            {
                "index": effect.index,
                "contrast": effect.contrast.name,
                "variance_ratio": finite(variance_ratio(sample, x)),
                "residuals": _residuals(
                    sample, x, effect.contrast.level, effect.contrast.reference
                ),
                "verdict": of_contrast[0].planned.verdict if of_contrast else None,
                "influential": [o.variant.left_out for o in single if o.row.verdict != UNDEFINED],
                "needed": [o.variant.left_out for o in single if o.row.verdict == UNDEFINED],
            }
        )
    return out


def _model(data: StudyData, effect: Effect) -> tuple[Sample, Array]:
    """Return the units of a test and the columns of its model; arm means where it has no other."""
    layout, table = data.layout, data.table
    if effect.method in MODELS:
        whole = change_sample(layout, table, effect.contrast, effect.index, fill_before=True)
        sample, terms = terms_of(whole, layout.factors)
        columns = columns_of(sample, terms)
    else:
        sample = change_sample(layout, table, effect.contrast, effect.index)
        columns = [np.ones(len(sample.units))]
    if effect.contrast.reference:
        columns = [*columns, *independent_columns(columns, [sample.treated.astype(float)])]
    return sample, np.column_stack(columns)


def _fitted(sample: Sample, x: Array) -> tuple[Array, Array]:
    """Return what the model foresees of each unit, and the leverages."""
    q, _ = np.linalg.qr(x)
    return q @ (q.T @ sample.change), np.einsum("ij,ij->i", q, q)


def variance_ratio(sample: Sample, x: Array) -> float:
    """Return the larger residual variance of the two arms over the smaller; NaN if there is none.

    Parameters
    ----------
    sample
        Values of the units, with their arm.
    x
        Columns of the model, shape ``(n_units, p)``.
    """
    if any(len(arm) < 2 for arm in sample.arms):
        return math.nan
    fitted, h = _fitted(sample, x)
    scaled = (sample.change - fitted) ** 2 / np.maximum(1.0 - h, _RESIDUAL)
    small, large = sorted(mean(scaled[sample.treated == arm]) for arm in (True, False))
    return large / small if small > sample.resolution**2 else math.nan


def _residuals(sample: Sample, x: Array, level: str, reference: str) -> list[dict[str, Any]]:
    fitted, h = _fitted(sample, x)
    residuals = sample.change - fitted
    n, p = x.shape
    total = math.fsum((residuals**2).tolist())
    out = []
    for i, unit in enumerate(sample.units):
        values = {
            "unit": unit,
            "treatment": level if sample.treated[i] else reference,
            "fitted": float(fitted[i]),
            "residual": float(residuals[i]),
            "standardised": _standardised(float(residuals[i]), float(h[i]), total, n - p, sample),
        }
        out.append({name: finite(value) for name, value in values.items()})
    return out


def _standardised(residual: float, h: float, total: float, df: int, sample: Sample) -> float:
    """Return the externally studentised residual: over the scatter estimated without the unit."""
    share = 1.0 - h
    if df < 2 or share < _RESIDUAL:
        return math.nan
    spread = (total - residual**2 / share) / (df - 1)
    return residual / math.sqrt(spread * share) if spread > sample.resolution**2 else math.nan


# The primary effects and the accuracy under each variant of the settings.
# ----------------------------------------------------------------------

_OF_THE_EFFECT = tuple(name for name in VARIANTS if name in EFFECTS)


@dataclass(frozen=True)
class Origin:
    """What a set of settings is called, and the content that its rows come from.

    Attributes
    ----------
    variant
        Its name.
    settings
        What differs from the settings as stated, in words.
    effects, classes
        SHA-256 of ``effects.csv`` and ``classes/summary.json``; empty where there is none.
    inputs
        Digest of all that the effects and the classifier read: it differs when the data do, even
        where the results happen to be equal.
    """

    variant: str
    settings: str
    effects: str = ""
    classes: str = ""
    inputs: str = ""


def rows_of(
    origin: Origin, effects: pd.DataFrame, summary: Mapping[str, Any] | None
) -> list[dict[str, Any]]:
    """Return a row for each primary effect, or one without an effect if the study names none.

    Parameters
    ----------
    origin
        Where the rows come from.
    effects
        ``effects.csv``.
    summary
        ``classes/summary.json``; ``None`` without a classifier.

    Returns
    -------
    list of dict
        Rows with the columns of ``variants.csv``. The accuracy is that of scans left out of
        training, with the interval that counts units.
    """
    primary = effects.loc[effects["primary"].astype(bool)] if len(effects) else effects
    effects_of_primary = [
        {name: row[name] for name in _OF_THE_EFFECT} for row in primary.to_dict("records")
    ]
    accuracy = _accuracy(summary)
    return [_variant_row(origin, row | accuracy) for row in effects_of_primary or [{}]]


def row_without_result(origin: Origin, reason: str) -> dict[str, Any]:
    """Return the row of settings under which the study did not run to its end."""
    return _variant_row(origin, {"verdict": "undefined", "reason": reason})


def _variant_row(origin: Origin, values: Mapping[str, Any]) -> dict[str, Any]:
    named = {
        "variant": origin.variant,
        "settings": origin.settings,
        "effects_sha256": origin.effects,
        "classes_sha256": origin.classes,
        "inputs_sha256": origin.inputs,
    }
    return {name: named.get(name, values.get(name)) for name in VARIANTS}


def _accuracy(summary: Mapping[str, Any] | None) -> dict[str, Any]:
    if not summary or summary.get("accuracy") is None:
        return {}
    low, high = summary.get("wilson") or (None, None)
    return {"accuracy": summary["accuracy"], "accuracy_low": low, "accuracy_high": high}
