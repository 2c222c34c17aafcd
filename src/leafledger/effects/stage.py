"""Rules ``effects`` and ``trait_effects``: from unit means to tested effects, sentences and tables.

``effects`` tests the indices, ``trait_effects`` the traits that were estimated from spectra. Both
test by the same plan and the same functions; the second adds what the calibration does not know.

References
----------
Efron & Stein 1981, Ann. Stat. 9:586-596 (jackknife); Chernozhukov et al. 2018, Econom. J. 21:C1-C68
(cross-fitting).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import (
    Effect,
    factorial_tests,
    session_tests,
    strata_tests,
    time_course_tests,
    trend_tests,
)
from leafledger.effects.before_treatment import (
    balance,
    detectable,
    detectable_sentences,
    is_waiting,
    one_arm,
    unmeasured_effects,
    waiting_sentences,
)
from leafledger.effects.design import (
    BETWEEN,
    CHANGE,
    EQUIVALENCE,
    METHODS,
    UNALLOCATED,
    WAITS,
    Layout,
    Plan,
    instrument_warnings,
    instruments_of,
    layout_from,
    plan_from,
)
from leafledger.effects.families import (
    AdjustedTest,
    FamilyMaxT,
    adjusted_tests,
    effects_row,
    family_rows,
    max_t_of,
)
from leafledger.effects.mixed_model import mixed_model_tests
from leafledger.effects.robustness import (
    assumption_checks,
    robustness,
    robustness_sentences,
    sensitivity_rows,
    with_and_without,
)
from leafledger.effects.sample_size import (
    Variation,
    design_table,
    variation,
)
from leafledger.effects.sentences import (
    findings,
    main_rows,
    onsets,
    plan_sentences,
    sentence,
    sentences,
)
from leafledger.effects.unit_means import (
    StudyData,
    group_means,
    same_numbers,
    unit_changes,
    unit_table,
)
from leafledger.effects.variance_components import (
    Component,
    accepted_cells,
    all_scans_table,
    cells_of_units,
    component_rows,
    components,
    scans_of,
)
from leafledger.effects.whole_spectrum import spectrum_table
from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.records.record import Job, Metric, Outcome
from leafledger.resampling.intervals import t_quantile, two_sided_t
from leafledger.study.table_files import read_csv, read_json, write_csv, write_json
from leafledger.study.tables import (
    EFFECTS,
    FLAGS,
    GROUP_MEANS,
    POWER,
    SENSITIVITY,
    SPECTRUM_EFFECTS,
    TEXT,
    UNDEFINED,
    UNIT_CHANGES,
    VARIANCE_COMPONENTS,
    names_of,
)
from leafledger.words import counted, plural

if TYPE_CHECKING:
    import pandas as pd


# Rule ``effects``
# ----------------------------------------------------------------------

_WHOLE = frozenset(
    {
        *("n_units", "n_units_reference", "n_missing", "n_family", "n_draws", "seed"),
        *("n_leaves", "n_scans", "n_groups", "residual_df"),
    }
)


def run(job: Job) -> Outcome:
    """Do the rule that the job names."""
    return run_trait_effects(job) if job.rule == "trait_effects" else run_effects(job)


def run_effects(job: Job) -> Outcome:
    """Write the tables of effects, of what they lean on, and of the next study.

    Raises
    ------
    InputFault
        If the settings name an index, session, factor or method that the study does not have.
    """
    layout = _layout(job)
    plan = plan_from(job.settings["effects"], layout)
    units = {e["index"]: e["unit"] for e in read_json(job.inputs["catalogue"])["indices"]}
    if problems := settings_problems(plan, layout, list(units), job.settings["design"]):
        raise InputFault(problems)
    means = read_csv(job.inputs["unit_indices"])
    table = unit_table(layout, means, units)
    data = StudyData(layout, table, plan)
    inside = None
    if layout.parts and layout.crossed_name:  # the crossed factor may vary inside treated plots
        plants = _layout(job, inside_plots=True)
        inside = StudyData(plants, unit_table(plants, means, units), plan)
    effects = every_effect(data, inside) if layout.word else []
    effects += unmeasured_effects(layout, plan, table.indices)
    largest, reach = max_t_of(data, effects)
    rows = adjusted_tests(effects, plan, largest, same_numbers(table))
    records = [effects_row(row, units.get(row.effect.index, "")) for row in rows]
    write_csv(job.outputs["effects"], _frame(records, EFFECTS), EFFECTS)
    summary = _summary(rows, layout, plan, units, reach)
    described = group_means(data, means, units)
    write_csv(job.outputs["group_means"], _frame(described, GROUP_MEANS), GROUP_MEANS)
    changes = _frame(unit_changes(data), UNIT_CHANGES)
    write_csv(job.outputs["unit_changes"], changes, UNIT_CHANGES)
    summary["description"] = described
    summary["onset"] = onsets(rows, layout, plan)
    summary |= _conclusion_checks(job, data, rows, units)
    summary |= _while_waiting(data, means, job.settings["units"], units)
    write_json(job.outputs["effects_summary"], summary)
    write_csv(job.outputs["spectrum_effects"], spectrum_table(job, layout, plan), SPECTRUM_EFFECTS)
    _write_next_study(job, data, units)
    return Outcome(_metrics(rows, layout, units), _warnings(rows, layout), {"effects": plan.seed})


def _layout(job: Job, *, inside_plots: bool = False) -> Layout:
    settings = job.settings
    instruments = instruments_of(settings.get("scans") or {})
    return layout_from(
        settings["design"],
        settings["units"],
        settings["effects"],
        instruments,
        inside_plots=inside_plots,
    )


def settings_problems(
    plan: Plan, layout: Layout, indices: Sequence[str], design: Mapping[str, Any]
) -> list[Problem]:
    """Return every setting that names something the study does not have.

    Parameters
    ----------
    plan, layout
        Settings and design.
    indices
        Indices of the study's catalogue.
    design
        Section ``design`` of the settings: treatment, doses.
    """
    levels = layout.unallocated or tuple(layout.levels)
    out = [
        _problem(
            f"design.doses.{level}",
            quoted(level),
            "a treatment that a unit of this study has",
            nearest(level, list(levels)),
        )
        for level in sorted(design.get("doses") or {})
        if level not in levels
    ]
    lacking = [level for level in levels if level not in (design.get("doses") or {})]
    if design.get("doses") and lacking:
        out.append(
            _problem(
                "design.doses",
                f"no amount for {', '.join(lacking)}",
                "an amount for every treatment",
                "Add the amount; the control has 0.",
            )
        )
    if not layout.word:
        return out
    named: Mapping[str, str] = {f"effects.margin.{name}": name for name in sorted(plan.margin)}
    if plan.primary is not None:
        named = {"effects.primary.index": plan.primary.index, **named}
    problems = [
        _problem(column, quoted(name), "an index of this study", nearest(name, list(indices)))
        for column, name in named.items()
        if name not in indices
    ]
    if plan.strata and (not layout.strata or plan.strata == design["treatment"]):
        problems.append(
            _problem(
                "effects.strata",
                quoted(plan.strata),
                "a column beside the treatment that design.factors or design.block names",
                "Add the column to design.factors, or take effects.strata out.",
            )
        )
    return [*problems, *_primary_problems(plan, layout), *out]


def _problem(column: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(file="study.yaml", column=column, found=found, expected=expected, mend=mend)


def _primary_problems(plan: Plan, layout: Layout) -> list[Problem]:
    named = plan.primary
    if named is None:
        return []
    out = []
    methods = ", ".join(METHODS[named.question])
    after = layout.stated_after
    if named.session not in after and after:
        out.append(
            _problem(
                "effects.primary.session",
                quoted(named.session),
                "a session of phase after",
                nearest(named.session, list(after)),
            )
        )
    if named.question == EQUIVALENCE and named.index not in plan.margin:
        out.append(
            _problem(
                "effects.margin",
                f"no margin for {quoted(named.index)}",
                "the smallest difference that would matter, for a primary equivalence",
                f"Add {named.index} and its margin to effects.margin.",
            )
        )
    if named.method and named.method not in METHODS[named.question]:
        out.append(
            _problem(
                "effects.primary.method",
                quoted(named.method),
                f"a method for the primary question {named.question}",
                f"Name one of: {methods}; or leave it out.",
            )
        )
    if not named.method:
        out.append(
            _problem(
                "effects.methods",
                ", ".join(plan.methods) or "no method",
                f"a method for the primary question {named.question}",
                f"Add one of: {methods}.",
            )
        )
    unknown = not layout.pairs and not layout.unallocated
    if named.question in BETWEEN | {EQUIVALENCE} and unknown:
        out.append(
            _problem(
                "effects.primary.question",
                quoted(named.question),
                "a control and at least one other treatment to compare with it",
                "Name the control in design.control, or ask for the question change.",
            )
        )
    return out


def _while_waiting(
    data: StudyData,
    means: pd.DataFrame,
    sheet: Mapping[str, Mapping[str, str]],
    units: Mapping[str, str],
) -> dict[str, Any]:
    """Return what the summary says of a study that is not complete; nothing of a complete one.

    Parameters
    ----------
    data, means
        Design, unit means and plan; ``unit_indices.csv``.
    sheet
        Unit -> its labels.
    units
        Index -> its unit.
    """
    layout, table, plan = data.layout, data.table, data.plan
    if not (layout.unmeasured or layout.unallocated):
        return {}
    unfinished: dict[str, Any] = {
        "sessions": [
            {"session": session, "phase": phase, "why": layout.unmeasured.get(session, "")}
            for session, phase in layout.stated
        ],
        "said": waiting_sentences(layout, plan),
    }
    if layout.unallocated:
        layout = one_arm(layout, [*sheet])
        table = unit_table(layout, means, units)
        unfinished["said"].append(f"The balance of the arms {UNALLOCATED}.")
    else:
        unfinished["balance"] = balance(layout, table, units)
    if is_waiting(layout, plan):
        unfinished["detectable"] = detectable(layout, table, plan, units)
        unfinished["detectable_said"] = detectable_sentences(unfinished["detectable"], layout)
    return {"unfinished": unfinished}


def every_effect(data: StudyData, inside: StudyData | None = None) -> list[Effect]:
    """Return every test: between sessions, within strata, over the course and over the dose.

    Parameters
    ----------
    data
        Design, unit means and plan.
    inside
        The same of the units inside treated whole plots, where a second factor is crossed with the
        treatment; ``None`` if the units are what was treated.
    """
    return [
        *session_tests(data),
        *strata_tests(data),
        *time_course_tests(data),
        *mixed_model_tests(data),
        *trend_tests(data),
        *factorial_tests(inside or data),
    ]


def _frame(records: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    frame = pd.DataFrame(records, columns=list(columns))
    for name in columns:
        if name in _WHOLE:
            frame[name] = frame[name].astype("Int64")
        elif name not in TEXT | FLAGS:
            frame[name] = frame[name].astype("float64")
    return frame


def _summary(
    rows: Sequence[AdjustedTest],
    layout: Layout,
    plan: Plan,
    units: Mapping[str, str],
    reach: Mapping[str, FamilyMaxT],
) -> dict[str, Any]:
    main = main_rows(rows, layout, plan)
    primary = [row for row in main if row.effect.primary]
    return {
        "plan": plan_sentences(layout.as_stated, plan, len(units)),
        "primary": [effects_row(row, units.get(row.effect.index, "")) for row in primary],
        "families": family_rows(
            rows, {name: (family.p_smallest, family.n_draws) for name, family in reach.items()}
        ),
        "sentences": sentences(main, layout, plan, units),
        "findings": findings(rows, layout, plan, units),
        "alpha": plan.alpha,
        "interval": plan.level,
    }


def _conclusion_checks(
    job: Job,
    data: StudyData,
    rows: Sequence[AdjustedTest],
    units: Mapping[str, str],
) -> dict[str, Any]:
    """Write ``sensitivity.csv``; return what the summary says of the primary contrasts."""
    layout, plan = data.layout, data.plan
    primary = [row.effect for row in rows if row.effect.primary]
    waits = plan.primary is not None and layout.why_not(plan.primary.session)
    if not primary or not layout.after or waits:
        write_csv(job.outputs["sensitivity"], _frame([], SENSITIVITY), SENSITIVITY)
        return {"with_and_without": None, "robustness": [], "assumptions": []}
    scans = scans_of(job)
    everything = all_scans_table(job, scans, layout, data.table.indices)
    variants = robustness(data, everything)
    table = _frame(sensitivity_rows(variants, units), SENSITIVITY)
    write_csv(job.outputs["sensitivity"], table, SENSITIVITY)
    return {
        # ``exclusions.csv`` says why each scan is left out: other words for it change nothing here.
        "with_and_without": {"rows": with_and_without(data, everything, primary, scans.excluded)},
        "robustness": robustness_sentences(variants, layout, plan),
        "assumptions": assumption_checks(data, primary, variants),
    }


def _write_next_study(job: Job, data: StudyData, units: Mapping[str, str]) -> None:
    """Write ``variance_components.csv`` and ``power.csv``; empty where units are not known."""
    layout, table, plan = data.layout, data.table, data.plan
    parts: dict[str, list[Component]] = {}
    scatter: dict[str, Variation] = {}
    if layout.word and layout.levels:
        session = _session_of(layout, plan)
        for index, cells in accepted_cells(job, scans_of(job), table.indices):
            scans = cells_of_units(layout, cells)
            if scans:
                parts[index] = components(layout, scans)
            scatter[index] = variation(layout, table, index, session, scans, parts.get(index, []))
            if not session and layout.course_waits:
                scatter[index] = Variation("", reason=layout.course_waits)
    rows = component_rows(parts, units)
    write_csv(
        job.outputs["variance_components"],
        _frame(rows, VARIANCE_COMPONENTS),
        VARIANCE_COMPONENTS,
    )
    designs = design_table(scatter, plan, units)
    write_csv(job.outputs["power"], _frame(designs, POWER), POWER)


def _session_of(layout: Layout, plan: Plan) -> str:
    """Return the session that a next study aims at: that of the primary contrast, else the last."""
    if layout.start_waits:
        return ""
    if plan.primary is not None and plan.primary.session in layout.after:
        return plan.primary.session
    return layout.after[-1] if layout.after else ""


def _metrics(
    rows: Sequence[AdjustedTest], layout: Layout, units: Mapping[str, str]
) -> list[Metric]:
    out = [
        Metric("n_units", sum(len(arm) for arm in layout.levels.values()) if layout.word else 0),
        Metric("n_tests", len(rows)),
        Metric("n_undefined", sum(row.verdict == UNDEFINED for row in rows)),
    ]
    main = [row for row in rows if row.effect.primary and row.verdict != UNDEFINED]
    for i, row in enumerate(main, start=1):
        unit = units.get(row.effect.index, "1")
        level = re.sub(r"[^A-Za-z0-9]+", "_", row.effect.contrast.level)
        which = "" if len(main) == 1 else f".{i}_{level}"
        out.append(Metric(f"primary_estimate{which}", row.effect.tested.estimate, unit))
        out.append(Metric(f"primary_p{which}", row.effect.tested.p))
    return out


def _warnings(rows: Sequence[AdjustedTest], layout: Layout) -> list[str]:
    if not layout.word:
        return ["units are not known: effects are described, not tested"]
    out = instrument_warnings(layout)
    if layout.unallocated and layout.after:
        out.append(
            f"treatments are not allocated yet, and {', '.join(layout.after)} (after the "
            "treatment) has scans: fill in the treatments of the units"
        )
    if len(layout.levels) > 1 and not layout.pairs:
        out.append("no control is named: treatments are not compared with each other")
    undefined = {row.reason for row in rows if row.verdict == UNDEFINED}
    undefined = {reason for reason in undefined if not reason.startswith(WAITS)}
    for reason in sorted(undefined):
        n = sum(row.verdict == UNDEFINED and row.reason == reason for row in rows)
        out.append(f"{n} {'tests are' if n > 1 else 'test is'} undefined: {reason}")
    return out


# Rule ``trait_effects``
# ----------------------------------------------------------------------
# The unit means of the estimates are tested as those of an index are, by the tests between
# sessions. Every estimate is made by a model that did not see its unit, so that a value that was
# assayed cannot speak for itself. The estimates share the error of their calibration: the contrast
# is computed again with the models that leave out each group of assayed units, and the jackknife
# over these gives its standard uncertainty u_cal. The half width of an interval becomes t
# sqrt(se^2 + u_cal^2), and p is that of the estimate over the same standard error: the verdict
# never contradicts the interval. A trait whose model is not clearly better than the mean of the
# other units is not tested: its estimates need not follow the trait.

Array = NDArray[np.float64]
WITHIN_TESTS, BETWEEN_TESTS = ("paired_t",), ("linear_model", "welch_t")
"""Tests of a change, and of a difference, that give an interval; the first that is asked for."""
_MANY = 1e6
"""Degrees of freedom of a normal distribution."""
Key = tuple[Any, ...]


@dataclass(frozen=True)
class TraitEffect:
    """One contrast of an estimated trait.

    Attributes
    ----------
    effect
        The test, with the wider interval and the p that belongs to it.
    trait
        What ``traits/traits.json`` holds of the trait.
    test_interval
        The interval of the test by itself.
    u_calibration
        Standard uncertainty of the estimate that comes from the trait model.
    """

    effect: Effect
    trait: Mapping[str, Any]
    test_interval: tuple[float, float]
    u_calibration: float


def run_trait_effects(job: Job) -> Outcome:
    """Test every response of ``effects.responses``; write ``traits/effects.csv``."""
    layout = layout_from(
        job.settings["design"],
        job.settings["units"],
        job.settings["effects"],
        instruments_of(job.settings.get("scans") or {}),
    )
    stated = plan_from(job.settings["effects"], layout)
    plan = _plan_for_traits(stated)
    means = read_csv(job.inputs["trait_unit_means"])
    facts = {trait["target"]: trait for trait in read_json(job.inputs["traits_summary"])["targets"]}
    effects: list[TraitEffect] = []
    warnings: list[str] = []
    for target in job.settings["responses"]:
        trait = facts.get(target)
        if trait is None or not trait["trained"]:
            reason = trait["reason"] if trait else "it is no target of traits"
            warnings.append(f"no effect on estimated {target}: {reason}")
            continue
        if trait["unclear"]:
            warnings.append(f"no effect on estimated {target}: {trait['unclear']}")
            continue
        trait_means = means[means["target"] == target]
        effects += trait_effects(trait, trait_means, layout, plan) if layout.word else []
    # Holm once over the tests of all responses: the name of a family is the same for each.
    effect_of = {id(member.effect): member for member in effects}
    adjusted = adjusted_tests([effect.effect for effect in effects], plan)
    both = [(effect_of[id(row.effect)], row) for row in adjusted]
    order = {name: i for i, name in enumerate(job.settings["responses"])}
    both.sort(key=lambda pair: order[pair[0].trait["target"]])
    rows = [trait_effects_row(effect, row, layout, stated) for effect, row in both]
    write_csv(job.outputs["trait_effects"], _trait_frame(rows), names_of("trait_effects"))
    return Outcome(metrics=_trait_metrics(rows), warnings=warnings)


def _plan_for_traits(plan: Plan) -> Plan:
    """Return the plan for estimated traits: no primary effect, no margin, tests with intervals."""
    methods = tuple(
        next((name for name in names if name in plan.methods), names[0])
        for names in (WITHIN_TESTS, BETWEEN_TESTS)
    )
    return replace(plan, methods=methods, margin={}, primary=None)


def trait_effects(
    trait: Mapping[str, Any], means: pd.DataFrame, layout: Layout, plan: Plan
) -> list[TraitEffect]:
    """Return the tests of one estimated trait, the calibration's uncertainty in interval and p.

    A trait that is one number per unit has no change between sessions, so none is tested.

    Parameters
    ----------
    trait
        What ``traits/traits.json`` holds of the trait.
    means
        Rows of ``traits/unit_means.csv`` of this target.
    layout, plan
        Design and plan.
    """
    name = f"estimated {str(trait['target']).replace('_', ' ')}"

    def tested(refit: int) -> list[Effect]:
        part = means.loc[means["refit"] == refit, ["unit", "session", "mean"]]
        part = part.assign(index=name, u=math.nan)
        every = session_tests(StudyData(layout, unit_table(layout, part, [name]), plan))
        return [e for e in every if trait["source"] != "units" or e.contrast.question != CHANGE]

    # 1. The tests on estimates by models that did not see the unit.
    effects = tested(0)
    # 2. The same contrasts with every refit.
    refits = sorted({int(n) for n in means["refit"]} - {0})
    again = [{_trait_key(e): e.tested.estimate for e in tested(refit)} for refit in refits]
    # 3. Their jackknifed standard deviation joins the standard error.
    out: list[TraitEffect] = []
    for effect in effects:
        values = np.array([estimates.get(_trait_key(effect), math.nan) for estimates in again])
        u = jackknifed_sd(values)
        test_interval = (effect.tested.ci_low, effect.tested.ci_high)
        out.append(TraitEffect(widened(effect, u, plan.level), trait, test_interval, u))
    return out


def _trait_key(effect: Effect) -> Key:
    return (effect.contrast, effect.index, effect.method)


def jackknifed_sd(values: Array) -> float:
    """Return the jackknife's standard deviation of a figure; ``NaN`` if it is not known of each.

    Examples
    --------
    >>> round(jackknifed_sd(np.array([1.0, 2.0, 3.0])), 6)
    1.154701
    """
    g = len(values)
    if g < 2 or not np.isfinite(values).all():
        return math.nan
    return float(np.sqrt((g - 1) / g * ((values - values.mean()) ** 2).sum()))


def widened(effect: Effect, u: float, level: float) -> Effect:
    """Return an effect whose interval and p hold the calibration's uncertainty too.

    Parameters
    ----------
    effect
        With the interval of its test.
    u
        Standard uncertainty from the calibration.
    level
        Level of the interval.
    """
    tested = effect.tested
    if not (math.isfinite(u) and math.isfinite(tested.ci_low) and math.isfinite(tested.ci_high)):
        return effect
    df = tested.df if math.isfinite(tested.df) and tested.df > 0 else _MANY
    t = t_quantile(level, df)
    # The intervals of these tests are symmetric: estimate -+ t se.
    half = (tested.ci_high - tested.ci_low) / 2
    wide = math.hypot(half, t * u)
    p = tested.p if wide == 0 else two_sided_t(tested.estimate * t / wide, df)
    low, high = tested.estimate - wide, tested.estimate + wide
    return replace(effect, tested=replace(tested, ci_low=low, ci_high=high, p=p))


def trait_effects_row(
    trait_effect: TraitEffect, row: AdjustedTest, layout: Layout, plan: Plan
) -> dict[str, Any]:
    """Return a row of ``traits/effects.csv``."""
    effect, trait = trait_effect.effect, trait_effect.trait
    tested, unit = effect.tested, str(trait["unit_of_value"])
    rmsep = float(trait["measures"]["rmsep"][0])
    suffix = "" if unit == "1" else f" {unit}"
    claim = sentence(row, layout, plan, "" if unit == "1" else unit)
    known_leaves = (
        f"{counted(int(trait['n_leaves']), 'leaf')} of "
        f"{counted(int(trait['n_units']), layout.word)}"
    )
    assayed = f"It is estimated from spectra with an error of {rmsep:.3g}{suffix} on "
    assayed += f"{plural(layout.word)} left out; "
    assayed += (
        f"{known_leaves} were assayed"
        if trait["source"] == "assays"
        else f"it is known of {known_leaves}"
    )
    if math.isfinite(trait_effect.u_calibration):
        assayed += (
            f". Interval and p hold the calibration's own standard uncertainty, "
            f"{trait_effect.u_calibration:.2g}{suffix}"
        )
    return {
        "target": trait["target"],
        "question": effect.contrast.question,
        "contrast": effect.contrast.name,
        "stratum": effect.contrast.stratum,
        "method": effect.method,
        "estimate": tested.estimate,
        "ci_low": tested.ci_low,
        "ci_high": tested.ci_high,
        "ci_low_test": trait_effect.test_interval[0],
        "ci_high_test": trait_effect.test_interval[1],
        "u_calibration": trait_effect.u_calibration,
        "ci_level": tested.ci_level,
        "unit_of_value": unit,
        "n_units": effect.n_units,
        "n_units_reference": effect.n_reference,
        "df": tested.df,
        "p": tested.p,
        "family": row.family,
        "p_holm": row.p_holm,
        "verdict": row.verdict,
        "rmsep": rmsep,
        "n_leaves_assayed": int(trait["n_leaves"]),
        "n_units_assayed": int(trait["n_units"]),
        "sentence": f"{claim[0].upper()}{claim[1:]} {assayed}.",
    }


def _trait_frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    frame = pd.DataFrame(list(rows), columns=list(names_of("trait_effects")))
    for name in ("n_units", "n_units_reference"):
        frame[name] = frame[name].astype("Int64")
    return frame


def _trait_metrics(rows: Sequence[Mapping[str, Any]]) -> list[Metric]:
    significant = [row for row in rows if row["verdict"] == "significant"]
    return [Metric("n_trait_tests", len(rows)), Metric("n_trait_tests_shown", len(significant))]
