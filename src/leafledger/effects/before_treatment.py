"""What can be said of a study while sessions are to come: balance, what it can detect, what waits?

Before the first session after the treatment the values of the arms are described, not tested: units
were allotted at random, so that any difference is chance, and a test of it would ask whether chance
was at work (Altman 1985). The standardised difference says how large it is.

References
----------
Altman, D. G. (1985). Comparability of randomised groups. The Statistician 34, 125-136.
Austin, P. C. (2009). Balance diagnostics for comparing the distribution of baseline covariates
between treatment groups in propensity-score matched samples. Statistics in Medicine 28, 3083-3107
(standardised difference).
Borm, G. F., Fransen, J. and Lemmens, W. A. J. G. (2007). A simple sample size formula for analysis
of covariance in randomized clinical trials. Journal of Clinical Epidemiology 60, 1234-1238
(residual variance 1 - r^2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import NO_SIZE, Effect, Percent
from leafledger.effects.design import (
    CHANGE,
    COURSE,
    EQUIVALENCE,
    METHODS,
    WAITS,
    Contrast,
    Layout,
    Plan,
)
from leafledger.effects.linear_model import factor_columns
from leafledger.effects.sample_size import POWER, needed_noncentrality
from leafledger.effects.two_sample_tests import Result, finite, mean, variance
from leafledger.effects.unit_means import UnitTable
from leafledger.words import listed, plural

Array = NDArray[np.float64]

# What waits, and what can never be answered.
# ----------------------------------------------------------------------


def unmeasured_effects(layout: Layout, plan: Plan, indices: Sequence[str]) -> list[Effect]:
    """Return a row without a result for each contrast that a missing session leaves unanswered.

    The primary contrast has a row whatever it lacks, so that it stands in every table from the
    first run on. Other contrasts have one if their session was skipped for good; those that wait
    for a session to come are named by :func:`waiting_sentences` alone.

    Parameters
    ----------
    layout, plan
        The design and the plan of the analysis.
    indices
        Indices of the study.
    """
    if not layout.word or not (layout.unmeasured or layout.unallocated):
        return []
    out: list[Effect] = []
    for after in layout.stated_after:
        why = layout.why_not(after)
        if not why:
            continue
        waits = why.startswith(WAITS)
        for contrast in _contrasts(layout, after, why):
            for index in indices:
                for method in plan.methods_for(contrast.question, index):
                    primary = _is_primary(layout, plan, contrast, index, method)
                    if primary or not (waits or after in layout.after):
                        out.append(_row(layout, plan, contrast, index, method, primary))
    return out


def _pairs(layout: Layout) -> tuple[tuple[str, str], ...]:
    """Return the pairs that are compared; of treatments not allocated yet, with the control."""
    if not layout.unallocated:
        return layout.pairs
    treated = [level for level in layout.unallocated if level != layout.control]
    return layout.compared or tuple((level, layout.control) for level in treated if layout.control)


def _contrasts(layout: Layout, after: str, why: str) -> list[Contrast]:
    """Return the contrasts to one session, as they will be named once it is measured."""
    before = layout.stated_before
    start = before[0] if len(before) == 1 else "before"
    pairs = _pairs(layout)
    levels = layout.unallocated or tuple(layout.levels)
    out = [
        Contrast(CHANGE, f"{after}-{start}@{level}", after, level, "", why)
        for level in (levels if before or not pairs else ())
    ]
    for level, reference in pairs:
        name = f"({after}-{start})" if before else after
        question = "difference_in_change" if before else "difference"
        for named_question in (question, EQUIVALENCE):
            out.append(
                Contrast(
                    named_question, f"{name}@{level}-{reference}", after, level, reference, why
                )
            )
    return out


def _is_primary(layout: Layout, plan: Plan, contrast: Contrast, index: str, method: str) -> bool:
    """Return whether a contrast that waits is the one the study named, in one of its treatments."""
    named = plan.primary
    if named is None or (contrast.question == CHANGE and contrast.level == layout.control):
        return False
    with_control = any(reference == layout.control for _, reference in _pairs(layout))
    if contrast.reference and with_control and contrast.reference != layout.control:
        return False
    primary_test = (named.index, named.question, named.session, named.method)
    return primary_test == (index, contrast.question, contrast.after, method)


def _row(
    layout: Layout, plan: Plan, contrast: Contrast, index: str, method: str, primary: bool
) -> Effect:
    level = 1.0 - 2.0 * plan.alpha if method == "tost" else plan.level
    arms = [contrast.level, *([contrast.reference] if contrast.reference else [])]
    return Effect(
        contrast,
        index,
        method,
        Result(math.nan, ci_level=level, remark=contrast.untestable),
        NO_SIZE,
        0,
        0 if contrast.reference else None,
        sum(len(layout.levels.get(arm, ())) for arm in arms),
        Percent(),
        math.nan,
        plan.margin.get(index, math.nan) if contrast.question == EQUIVALENCE else math.nan,
        primary,
        (contrast.untestable,),
    )


def waiting_sentences(layout: Layout, plan: Plan) -> list[str]:
    """Return in one line each what waits, and what a skipped session leaves without an answer.

    Examples
    --------
    >>> levels = {"salt": ("p1",), "water": ("p2",)}
    >>> layout = Layout("plant", levels, "water", {}, ("d0",), (),
    ...     stated=(("d0", "before"), ("d4", "after")),
    ...     unmeasured={"d4": "waits: d4 has no scans yet"})
    >>> waiting_sentences(layout, Plan((), 0.95, 0.05, {}, 99, 1, None))
    ['Every contrast with d4 waits: d4 has no scans yet.']
    """
    if not layout.word:
        return []
    out: list[str] = []
    named = plan.primary
    if named is not None and (why := layout.why_not(named.session)):
        out.append(f"{_primary_waits(named.index, named.session, why)} (the primary contrast).")
    waiting = [s for s in layout.stated_after if layout.why_not(s) == layout.start_waits]
    waiting = [s for s in waiting if named is None or s != named.session]
    if layout.start_waits and waiting:
        out.append(f"Every contrast with {listed(waiting)} {layout.start_waits}.")
    for session in layout.stated_after:
        why = layout.why_not(session)
        if not why or why == layout.start_waits:
            continue
        what = "Every other contrast" if named and named.session == session else "Every contrast"
        if why.startswith(WAITS):
            out.append(f"{what} with {session} {why}.")
        else:
            out.append(f"{what} with {session} cannot be answered: {why}.")
    course = [m for m in METHODS[COURSE] if m in plan.methods]
    if (
        layout.course_waits
        and not layout.start_waits
        and course
        and len(layout.stated_after) > 1
        and layout.stated_before
    ):
        out.append(f"The whole course {layout.course_waits}.")
    unmeasured = [s for s in layout.stated_before if s in layout.unmeasured]
    for session in unmeasured if layout.before else ():
        out.append(
            f"The value before is the mean of {listed(list(layout.before))}: "
            f"{layout.unmeasured[session]}."
        )
    return out


def _primary_waits(index: str, session: str, why: str) -> str:
    if why.startswith(WAITS):
        return f"{index} at {session} {why}"
    return f"{index} at {session} cannot be answered: {why}"


# Are the arms alike before the treatment?
# ----------------------------------------------------------------------


def values_before(layout: Layout, table: UnitTable, index: str) -> dict[str, float]:
    """Return unit -> its value before the treatment, the mean of the measured before sessions.

    A unit without a value in one of these sessions is left out.
    """
    column_of = {session: j for j, session in enumerate(table.sessions)}
    days = [column_of[s] for s in layout.before]
    values = table.mean[:, days, table.indices.index(index)]
    return {
        unit: mean(values[i])
        for i, unit in enumerate(table.units)
        if days and np.isfinite(values[i]).all()
    }


def balance(layout: Layout, table: UnitTable, units: Mapping[str, str]) -> list[dict[str, Any]]:
    """Describe every index by treatment before any treatment was given.

    Parameters
    ----------
    layout, table
        Design and unit means.
    units
        Index -> its unit.

    Returns
    -------
    list of dict
        index, treatment, n_units, mean, sd (between units), reference, difference (of the means),
        standardised_difference and unit; sorted by index, the reference of the comparisons first.
        The standardised difference is the difference over ``sqrt((s1^2 + s2^2) / 2)``, with the
        variances of the two arms; it has no value where an arm has fewer than two units, and no
        test. Treatments that are compared with several have a row for each.
    """
    if not layout.word or not layout.before or not layout.levels:
        return []
    references = dict.fromkeys(reference for _, reference in layout.pairs)
    out = []
    for index in table.indices:
        before = values_before(layout, table, index)
        arms = {
            level: np.array([before[unit] for unit in arm if unit in before])
            for level, arm in layout.levels.items()
        }
        common = {"index": index, "unit": units.get(index, "")}
        for level in [*references, *(name for name in arms if name not in references)]:
            compared = [r for compared_level, r in layout.pairs if compared_level == level] or [""]
            for reference in compared:
                between = _difference(arms.get(level, _NONE), arms.get(reference, _NONE))
                row = {"treatment": level, "reference": reference, **_group_summary(arms[level])}
                out.append({**common, **row, **(between if reference else _NOTHING)})
    return out


_NONE = np.array([])
_NOTHING: dict[str, float | None] = {"difference": None, "standardised_difference": None}


def _group_summary(values: Array) -> dict[str, Any]:
    n = len(values)
    return {
        "n_units": n,
        "mean": finite(mean(values)) if n else None,
        "sd": finite(math.sqrt(variance(values))) if n > 1 else None,
    }


def _difference(values: Array, reference_values: Array) -> dict[str, float | None]:
    """Return the difference of two arms, and the same over their pooled standard deviation."""
    if not len(values) or not len(reference_values):
        return dict(_NOTHING)
    difference = mean(values) - mean(reference_values)
    # d = (m1 - m2) / sqrt((s1^2 + s2^2) / 2)
    spread = math.nan
    if len(values) > 1 and len(reference_values) > 1:
        spread = math.sqrt((variance(values) + variance(reference_values)) / 2.0)
    return {
        "difference": finite(difference),
        "standardised_difference": finite(difference / spread if spread > 0 else math.nan),
    }


# Which difference the plan can detect, given the variation seen before the treatment.
# ----------------------------------------------------------------------

CORRELATIONS = (0.0, 0.5, 0.8)
"""Assumed correlations of a unit's value after with its value before, within treatments."""
_EVERY = "all units"


def one_arm(layout: Layout, units: Sequence[str]) -> Layout:
    """Return the design of units without a treatment: all of them in one arm."""
    return replace(layout, levels={_EVERY: tuple(sorted(units))})


def detectable(
    layout: Layout, table: UnitTable, plan: Plan, units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return which true difference each planned comparison finds with a power of 0.8.

    Nothing is known yet of the values after: they are taken to vary between units as those before
    do, and to follow them with each of the correlations 0, 0.5 and 0.8.

    Parameters
    ----------
    layout, table
        Design and unit means. Of treatments that are not allocated yet, the layout of
        :func:`one_arm`; the units are then taken as divided evenly among the stated treatments.
    plan
        The plan of the analysis; with several primary contrasts each is tested at alpha over their
        number.
    units
        Index -> its unit.

    Returns
    -------
    list of dict
        index, level, reference, n_units, n_units_reference, mean, sd, df_sd, alpha, power,
        ``detectable`` (one value for each correlation) and unit; the primary index first, and only
        that one if the study names it. Empty without a session before, or where nothing varies.
    """
    named = plan.primary
    if not layout.word or not layout.before:
        return []
    pairs = _pairs(layout)
    within = named is not None and named.question == CHANGE
    all_levels = layout.unallocated or tuple(layout.levels)
    comparisons: list[tuple[str, str]] = [
        (level, "") for level in all_levels if level != layout.control
    ]
    if not within:
        with_control = [pair for pair in pairs if pair[1] == layout.control and layout.control]
        comparisons = with_control or list(pairs)
    alpha = plan.alpha / max(1, len(comparisons)) if named is not None else plan.alpha
    out = []
    for index in table.indices if named is None else (named.index,):
        if index not in table.indices:
            continue
        before = values_before(layout, table, index)
        spread = _within_treatments(layout, before)
        if spread is None:
            continue
        sd, df_sd, n_blocks = spread
        for level, reference in comparisons:
            n, n_reference = (_n_units(layout, before, arm) for arm in (level, reference))
            differences = [
                _detectable_difference(sd, r, n, n_reference if reference else 0, n_blocks, alpha)
                for r in CORRELATIONS
            ]
            out.append(
                {
                    "index": index,
                    "level": level,
                    "reference": reference,
                    "n_units": n,
                    "n_units_reference": n_reference if reference else None,
                    "mean": finite(mean(np.array(list(before.values())))),
                    "sd": finite(sd),
                    "df_sd": df_sd,
                    "alpha": alpha,
                    "power": POWER,
                    "detectable": [finite(value) for value in differences],
                    "unit": units.get(index, ""),
                }
            )
    return out


def _n_units(layout: Layout, before: Mapping[str, float], level: str) -> int:
    """Return the units of a treatment with a value before; an even share of units without one."""
    if layout.unallocated:
        return len(before) // len(layout.unallocated)
    return sum(unit in before for unit in layout.levels.get(level, ()))


def _within_treatments(
    layout: Layout, before: Mapping[str, float]
) -> tuple[float, int, int] | None:
    """Return the standard deviation between units within treatments and blocks, its degrees of
    freedom, and the number of blocks; ``None`` where nothing is left to vary.
    """
    names = sorted(before)
    level_of = layout.level_of
    blocks = [layout.blocks.get(unit, "") for unit in names]
    columns = [
        np.ones(len(names)),
        *factor_columns([level_of.get(unit, "") for unit in names]),
        *factor_columns(blocks),
    ]
    x = np.column_stack(columns)
    rank = int(np.linalg.matrix_rank(x)) if names else 0
    if len(names) <= rank:
        return None
    y = np.array([before[unit] for unit in names])
    residuals = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    sd = math.sqrt(float(residuals @ residuals) / (len(names) - rank))
    return (sd, len(names) - rank, max(1, len(set(blocks)))) if sd > 0 else None


def _detectable_difference(
    sd: float, r: float, n: int, n_reference: int, n_blocks: int, alpha: float
) -> float:
    """Return the true difference that the planned test finds with a power of 0.8.

    Parameters
    ----------
    sd, r
        Standard deviation between units, and correlation of the values after and before.
    n, n_reference
        Units of the two arms; no reference for a change within one treatment.
    n_blocks, alpha
        Blocks in the model, and level of the two-sided test.
    """
    if not n_reference:
        # The change of each unit varies by s_d = s sqrt(2 (1 - r)); paired t, n - 1 df.
        if n < 2:
            return math.nan
        error = sd * math.sqrt(2.0 * (1.0 - r) / n)
        return needed_noncentrality(float(n - 1), alpha, POWER) * error
    # The model adjusts for the value before: s sqrt(1 - r^2) is left, and the chance difference of
    # the arms before costs a factor 1 + 1 / (df - 1) on average.
    df = n + n_reference - 3 - (n_blocks - 1)
    if df < 2 or n < 2 or n_reference < 2:
        return math.nan
    chance = 1.0 + 1.0 / (df - 1.0)
    error = sd * math.sqrt((1.0 - r**2) * (1.0 / n + 1.0 / n_reference) * chance)
    return needed_noncentrality(float(df), alpha, POWER) * error


def detectable_sentences(rows: Sequence[Mapping[str, Any]], layout: Layout) -> list[str]:
    """Return in words what the plan can detect, with what is assumed of the values after."""
    if not rows:
        return []
    word = plural(layout.word)
    out = []
    for row in rows:
        low, middle, high = ("-" if v is None else f"{v:.3g}" for v in row["detectable"])
        unit = "" if row["unit"] in {"", "1"} else f" {row['unit']}"
        what = f"a difference between {row['level']} and {row['reference']}"
        n = f"{row['n_units']} and {row['n_units_reference']} {word}"
        if not row["reference"]:
            what, n = f"a change under {row['level']}", f"{row['n_units']} {word}"
        out.append(
            f"With {n}, {what} of {middle}{unit} in {row['index']} is found with a power of "
            f"{row['power']:g} (two-sided test at {row['alpha']:.3g}), if values after vary "
            f"between {word} as those before do (standard deviation {row['sd']:.3g}) and follow "
            f"them with a correlation of {CORRELATIONS[1]:g}, which is an assumption; {low} with a "
            f"correlation of {CORRELATIONS[0]:g}, {high} with {CORRELATIONS[2]:g}."
        )
    if layout.unallocated:
        out.append(
            f"The {word} are taken as divided evenly among {listed(list(layout.unallocated))}."
        )
    return out


def is_waiting(layout: Layout, plan: Plan) -> bool:
    """Return whether a session to come is to answer the main question of the study."""
    if layout.unallocated:
        return True
    if plan.primary is not None:
        return layout.why_not(plan.primary.session).startswith(WAITS)
    return bool(layout.to_come) and not layout.after
