"""Which tests are made: one per question, index, contrast and method?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.design import (
    ALL,
    BETWEEN,
    COURSE,
    EQUIVALENCE,
    FACTORIAL,
    METHODS,
    TREND,
    Contrast,
    Layout,
    Plan,
    by_instrument,
    confounding,
    contrasts,
    is_primary,
    no_after,
    no_change,
)
from leafledger.effects.linear_model import (
    BY_ARM,
    EQUAL,
    LEAST_SQUARES,
    Array,
    Joint,
    Terms,
    effect_coded,
    factor_columns,
    independent_columns,
    joint_test,
    products,
    robust_joint_test,
    terms_of,
    treatment_test,
    trend_test,
)
from leafledger.effects.two_sample_tests import (
    EffectSize,
    Result,
    hedges_g_independent,
    hedges_g_paired,
    label_permutation,
    mean,
    paired_t,
    sign_flip,
    signed_rank,
    variance,
    welch_t,
    within_margin,
)
from leafledger.effects.unit_means import (
    Sample,
    StudyData,
    change_sample,
    described,
    left_out,
    untestable_reason,
)
from leafledger.words import listed

# A tested contrast with what stands beside its numbers: counts, percentage, size, remarks.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Percent:
    """An estimate as a percentage, with its interval; ``NaN`` where it does not exist."""

    value: float = math.nan
    low: float = math.nan
    high: float = math.nan


@dataclass(frozen=True)
class Effect:
    """One row of ``effects.csv`` before its p is adjusted within its family."""

    contrast: Contrast
    index: str
    method: str
    tested: Result
    size: EffectSize
    n_units: int
    n_reference: int | None
    n_missing: int
    percent: Percent
    in_u: float
    margin: float
    primary: bool
    remarks: tuple[str, ...]
    covariates: tuple[str, ...] = ()


NO_SIZE = EffectSize("")
"""Of a test that has no effect size."""


@dataclass(frozen=True)
class PlannedTest:
    """What one test is: a contrast of an index by a method."""

    contrast: Contrast
    index: str
    method: str


def effect_of(
    data: StudyData,
    planned: PlannedTest,
    sample: Sample | None,
    terms: Terms | None,
    tested: Result,
    size: EffectSize = NO_SIZE,
) -> Effect:
    """Put a tested contrast together with its counts, percentage and remarks."""
    layout, plan, contrast, index = data.layout, data.plan, planned.contrast, planned.index
    return Effect(
        contrast,
        index,
        planned.method,
        tested,
        size,
        *_counts(layout, contrast, sample),
        percent_of(tested, contrast, sample, terms) if not contrast.per else Percent(),
        _in_u(tested.estimate, contrast, sample),
        plan.margin.get(index, math.nan) if contrast.question == EQUIVALENCE else math.nan,
        is_primary(layout, plan, contrast, index, planned.method),
        _remarks(contrast, tested, sample, terms),
        terms.names if terms is not None and not contrast.untestable else (),
    )


def size_of(contrast: Contrast, sample: Sample | None, plan: Plan) -> EffectSize:
    """Return Hedges g of the change, paired or between arms."""
    between = bool(contrast.reference)
    if sample is None or contrast.untestable:
        return EffectSize("hedges_g_independent" if between else "hedges_g_paired")
    treated, reference = sample.arms
    if between:
        return hedges_g_independent(treated, reference, plan.level, sample.resolution)
    return hedges_g_paired(treated, plan.level, sample.resolution)


def _remarks(
    contrast: Contrast, tested: Result, sample: Sample | None, terms: Terms | None
) -> tuple[str, ...]:
    """Return what must be known beside the numbers: what hinders a test, and who is left out."""
    missing = left_out(sample) if sample else ""
    if sample is not None and sample.bare and not contrast.untestable:
        return (missing,)  # says already why the test has no units
    beside = []
    if terms is not None:
        for why in dict.fromkeys(terms.alone.values()):
            units = [unit for unit, reason in sorted(terms.alone.items()) if reason == why]
            beside.append(f"{', '.join(units)}: left out, {why}")
    if terms is not None and terms.held:
        held = listed(list(terms.held))
        beside.append(f"{held} is the same throughout each block: it adds nothing to the model")
    if terms is not None and terms.why and not math.isnan(tested.p):
        beside.append(f"the change itself is compared, without the value before: {terms.why}")
    return tuple(text for text in (tested.remark, missing, *beside) if text)


def _counts(
    layout: Layout, contrast: Contrast, sample: Sample | None
) -> tuple[int, int | None, int]:
    between = bool(contrast.reference)
    if sample is None:
        levels = [contrast.level, contrast.reference] if between else [contrast.level]
        inside = layout.within(contrast.stratum).levels
        missing = sum(len(inside.get(level, ())) for level in levels)
        return 0, 0 if between else None, missing
    n = int(sample.treated.sum())
    return n, len(sample.units) - n if between else None, sample.n_missing


def percent_of(
    tested: Result, contrast: Contrast, sample: Sample | None, terms: Terms | None = None
) -> Percent:
    """Return the estimate as a percentage of the mean before of all units tested.

    Without a session before it is a percentage of the mean of the reference. Empty where these
    values do not share one sign: a percentage of a quantity that runs through zero says nothing.
    The interval is Fieller's, at the level of the estimate's own.

    References
    ----------
    Fieller, E. C. (1954). Some problems in interval estimation. Journal of the Royal Statistical
    Society B 16, 175-185.
    """
    from scipy.special import stdtrit

    if sample is None or len(sample.units) == 0 or math.isnan(tested.estimate):
        return Percent()
    base = sample.before if sample.has_before else sample.change[~sample.treated]
    if len(base) == 0 or not (np.all(base > 0) or np.all(base < 0)):
        return Percent()
    size = abs(mean(base))
    value = 100.0 * tested.estimate / size
    if len(base) < 2 or math.isnan(tested.ci_low) or not tested.df > 0:
        return Percent(value)
    t = float(stdtrit(tested.df, 0.5 + tested.ci_level / 2.0))
    if not t > 0:
        return Percent(value)
    error = (tested.ci_high - tested.ci_low) / (2.0 * t)
    base_error2 = _within_factors(base, sample, terms) / len(base)
    # Treatments allotted at random leave a difference and the mean before uncorrelated. A change
    # contains the value before, and a difference after contains the mean of the reference.
    shared = 0.0
    if not contrast.reference:
        shared = float(np.cov(sample.change, sample.before)[0, 1]) / len(base)
    elif not sample.has_before:
        shared = -base_error2
    shared *= 1.0 if base[0] > 0 else -1.0
    low, high = fieller(tested.estimate, size, error**2, base_error2, shared, t)
    return Percent(value, 100.0 * low, 100.0 * high)


def _within_factors(base: NDArray[np.float64], sample: Sample, terms: Terms | None) -> float:
    """Return the variance of the values that a percentage is of, less that between blocks."""
    factors = list(terms.factors.values()) if terms is not None else []
    rows = np.ones(len(sample.units), dtype=bool) if sample.has_before else ~sample.treated
    columns = [np.ones(len(base))]
    for labels in factors:
        kept = [label for label, stays in zip(labels, rows.tolist(), strict=True) if stays]
        columns += independent_columns(columns, factor_columns(kept))
    if len(base) <= len(columns):
        return variance(base)
    x = np.column_stack(columns)
    residuals = base - x @ np.linalg.lstsq(x, base, rcond=None)[0]
    return float(residuals @ residuals) / (len(base) - len(columns))


def fieller(
    a: float, b: float, var_a: float, var_b: float, covariance: float, t: float
) -> tuple[float, float]:
    """Return Fieller's interval of a / b; ``NaN`` where b cannot be told from zero.

    It holds the ratios r for which ``(a - r b)^2 <= t^2 (var_a - 2 r covariance + r^2 var_b)``.

    Examples
    --------
    >>> [round(limit, 4) for limit in fieller(1.0, 10.0, 0.04, 0.0, 0.0, 2.0)]
    [0.06, 0.14]
    """
    # The limits are the roots of q2 r^2 - 2 q1 r + q0.
    q2 = b**2 - t**2 * var_b
    q1 = a * b - t**2 * covariance
    q0 = a**2 - t**2 * var_a
    inside = q1**2 - q2 * q0
    if q2 <= 0 or inside < 0:
        return math.nan, math.nan
    root = math.sqrt(inside)
    return (q1 - root) / q2, (q1 + root) / q2


def _in_u(estimate: float, contrast: Contrast, sample: Sample | None) -> float:
    """Return the estimate in units of its measurement uncertainty.

    The uncertainty is taken as shared by all units of an arm, so it does not shrink with their
    number: an upper bound, so that the ratio is a lower one.
    """
    if sample is None or math.isnan(estimate) or len(sample.u) == 0 or contrast.question == TREND:
        return math.nan
    arms = [sample.u[sample.treated]]
    if contrast.reference:
        arms.append(sample.u[~sample.treated])
    if any(len(arm) == 0 for arm in arms):
        return math.nan
    u = math.sqrt(math.fsum(mean(arm) ** 2 for arm in arms))
    return estimate / u if u > 0 else math.nan


# Every test between sessions: one effect per question, index, contrast and method.
# ----------------------------------------------------------------------

MODELS = {
    "linear_model": BY_ARM,
    "linear_model_equal": EQUAL,
    "ancova": LEAST_SQUARES,
    "tost": BY_ARM,
}
"""Methods that rest on the linear model, and the working variances of each."""


def session_tests(data: StudyData, stratum: str = ALL) -> list[Effect]:
    """Run every test between sessions on every index of the table, in one stratum."""
    out: list[Effect] = []
    for contrast in contrasts(data.layout, stratum):
        for index in data.table.indices:
            methods = data.plan.methods_for(contrast.question, index)
            if methods:
                out += effects_of(data, contrast, index, methods)
    return out


def effects_of(
    data: StudyData, contrast: Contrast, index: str, methods: Sequence[str]
) -> list[Effect]:
    """Run the given methods on one contrast and index."""
    layout, table, plan = data.layout, data.table, data.plan
    possible = bool(layout.after) and bool(layout.before or contrast.reference)
    sample = change_sample(layout, table, contrast, index) if possible else None
    size = size_of(contrast, sample, plan)
    model = None
    if sample is not None and contrast.reference and MODELS.keys() & {*methods}:
        model = terms_of(
            change_sample(layout, table, contrast, index, fill_before=True), layout.factors
        )
    out = []
    for method in methods:
        planned = PlannedTest(contrast, index, method)
        units_tested, terms = model if model is not None and method in MODELS else (sample, None)
        tested, model_size = _test(data, planned, units_tested, terms)
        out.append(effect_of(data, planned, units_tested, terms, tested, model_size or size))
    return out


def _test(
    data: StudyData, planned: PlannedTest, sample: Sample | None, terms: Terms | None
) -> tuple[Result, EffectSize | None]:
    """Return the result, and the effect size where the method has one of its own."""
    layout, plan, contrast, method = data.layout, data.plan, planned.contrast, planned.method
    level = 1.0 - 2.0 * plan.alpha if method == "tost" else plan.level
    if sample is None:
        return Result(math.nan, ci_level=level, remark=contrast.untestable), None
    if reason := contrast.untestable or untestable_reason(layout, contrast, sample):
        return Result(described(contrast, sample), ci_level=level, remark=reason), None
    if terms is not None:
        tested, size, error = treatment_test(sample, terms, level, MODELS[method])
        if method == "tost":
            return within_margin(tested, error, plan.margin[planned.index]), None
        return tested, size
    if method == "label_permutation":
        blocks = [layout.blocks.get(unit, "") for unit in sample.units]
        arms = sample.change, sample.treated
        return label_permutation(*arms, blocks, level, plan.n_draws, plan.seed), None
    if contrast.reference:
        return welch_t(*sample.arms, level, sample.resolution), None
    return _within_arm(data, method, sample), None


def _within_arm(data: StudyData, method: str, sample: Sample) -> Result:
    plan, level = data.plan, data.plan.level
    _, changes, remark = replicates_of_change(data.layout, sample)
    if len(changes) < 2:
        return Result(mean(sample.change), ci_level=level, remark=remark)
    if method == "paired_t":
        tested = paired_t(changes, level, sample.resolution)
    elif method == "signed_rank":
        tested = signed_rank(changes, level, sample.resolution)
    else:
        tested = sign_flip(changes, level, plan.n_draws, plan.seed, sample.resolution)
    return replace(tested, remark="; ".join(text for text in (tested.remark, remark) if text))


def replicates_of_change(
    layout: Layout, sample: Sample
) -> tuple[list[str], NDArray[np.float64], str]:
    """Return the independent changes of one arm, of what they are, and what must be known of them.

    All units of a block may shift together between two sessions (light, water, the hour at which
    the block was measured). Where blocks hold several units of the arm, the changes of a block are
    one replicate: their mean. With two blocks nothing can tell such a shift from a change; the
    units are taken as they are then, and the row says so.
    """
    blocks = [layout.blocks.get(unit, "") for unit in sample.units]
    names = sorted(set(blocks))
    if len(names) < 2 or len(names) == len(blocks):
        return list(sample.units), sample.change, ""
    if len(names) == 2:
        return (
            list(sample.units),
            sample.change,
            "the two blocks are too few to tell a shift of a whole block between the sessions "
            "from a change: p holds only if no block shifted",
        )
    held = np.asarray(blocks, dtype=str)
    means = np.array([mean(sample.change[held == name]) for name in names])
    return names, means, f"tested over the means of {len(names)} blocks, which may shift as a whole"


# The whole course in one number per unit: mean, slope and area, each tested by the linear model.
# ----------------------------------------------------------------------
# References
# ----------
# Matthews, J. N. S., Altman, D. G., Campbell, M. J. and Royston, P. (1990). Analysis of serial
# measurements in medical research. BMJ 300, 230-235.

SUMMARIES = ("summary_mean", "summary_slope", "summary_area")


def time_course_tests(data: StudyData) -> list[Effect]:
    """Return the tests of the summaries that the plan asks for.

    With one after session the only summary is the change itself, so there are none. As long as a
    session is to come the course is not whole, so there are none yet.
    """
    layout, table, plan = data.layout, data.table, data.plan
    methods = [m for m in METHODS[COURSE] if m in plan.methods and m in SUMMARIES]
    if len(layout.after) < 2 or not layout.before or layout.course_waits:
        return []
    out = []
    for level, reference in layout.pairs:
        for method in methods:
            contrast = _summary_contrast(layout, level, reference, method)
            for index in table.indices:
                out.append(_summary_test(data, PlannedTest(contrast, index, method)))
    return out


def _summary_contrast(layout: Layout, level: str, reference: str, method: str) -> Contrast:
    arms = f"@{level}-{reference}"
    start = layout.before_name
    name, per = {
        "summary_mean": (f"(mean-{start}){arms}", ""),
        "summary_slope": (f"(slope){arms}", f"/{layout.time_word}"),
        "summary_area": (f"(area-{start}){arms}", f"*{layout.time_word}"),
    }[method]
    reason = no_change(layout) or confounding(layout, level, reference, layout.after)
    return Contrast(COURSE, name, "", level, reference, reason, per=per)


def _summary_test(data: StudyData, planned: PlannedTest) -> Effect:
    layout, plan, contrast = data.layout, data.plan, planned.contrast
    weights = weights_of(layout, planned.method)
    whole = change_sample(
        layout, data.table, contrast, planned.index, weights=weights, fill_before=True
    )
    sample, terms = terms_of(whole, layout.factors)
    if reason := contrast.untestable or untestable_reason(layout, contrast, sample):
        tested = Result(described(contrast, sample), ci_level=plan.level, remark=reason)
        size = size_of(contrast, sample, plan)
    else:
        tested, size, _ = treatment_test(sample, terms, plan.level)
    return effect_of(data, planned, sample, terms, tested, size)


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


# Factors beside the treatment: strata, the trend over ordered treatments, two factors crossed.
# ----------------------------------------------------------------------

INTERACTIONS = {"interaction_f": False, "interaction_robust_f": True}
FACTORIALS = {"factorial_f": False, "factorial_robust_f": True}
"""Methods of the F tests -> whether they stand unequal variances."""
JOINT_TESTS = {False: joint_test, True: robust_joint_test}


def strata_tests(data: StudyData) -> list[Effect]:
    """Return every test between sessions within each stratum, and the tests of interaction."""
    if not data.layout.strata:
        return []
    out = []
    for stratum in data.layout.strata:
        out += [e for e in session_tests(data, stratum) if not e.primary]
    return out + _interactions(data)


def _interactions(data: StudyData) -> list[Effect]:
    layout, table = data.layout, data.table
    column = next(iter(layout.strata)).partition("=")[0]
    stratum_of = {unit: name for name, units in layout.strata.items() for unit in units}
    out = []
    for contrast in contrasts(layout):
        if contrast.question not in BETWEEN:
            continue
        labelled = replace(contrast, stratum=column)
        for index in table.indices:
            sample, terms = None, None
            if not contrast.untestable:
                sample = _units_with_group(
                    change_sample(layout, table, contrast, index), stratum_of
                )
                sample, terms = terms_of(sample, layout.factors)
            for method, robust in INTERACTIONS.items():
                tested = Result(math.nan, statistic_name="F", remark=contrast.untestable)
                if sample is not None and terms is not None:
                    tested = _interaction(sample, terms, stratum_of, robust=robust)
                planned = PlannedTest(labelled, index, method)
                out.append(effect_of(data, planned, sample, terms, tested))
    return out


def _units_with_group(sample: Sample, group_of: Mapping[str, str]) -> Sample:
    return sample.only(np.array([bool(group_of.get(unit)) for unit in sample.units], dtype=bool))


def _interaction(
    sample: Sample, terms: Terms, stratum_of: Mapping[str, str], *, robust: bool
) -> Result:
    """Test whether the effect of the treatment differs between strata."""
    groups = ["treated" if treated else "reference" for treated in sample.treated.tolist()]
    strata = [stratum_of[unit] for unit in sample.units]
    if len(set(groups)) < 2 or len(set(strata)) < 2:
        remark = "fewer than two treatments or strata have values: nothing can differ between them"
        return Result(math.nan, statistic_name="F", remark=remark)
    treatment, stratum = effect_coded(groups), effect_coded(strata)
    aliased = "not every stratum holds both treatments"
    joint = Joint(products(treatment, stratum), [*treatment, *stratum], groups, aliased)
    return JOINT_TESTS[robust](sample, joint, terms)


def trend_tests(data: StudyData) -> list[Effect]:
    """Return the trend over the dose, for ordered treatments of three or more."""
    layout, table, plan = data.layout, data.table, data.plan
    if not layout.doses or layout.start_waits or (layout.unmeasured and not layout.after):
        return []
    out = []
    everyone, merged = _one_arm(data)
    dose_of = {unit: layout.doses[level] for unit, level in layout.level_of.items()}
    for after in layout.after or ("",):
        name = f"({_session_change_name(layout, after)})/dose"
        reason = no_after(layout) or by_instrument(layout, [*layout.levels], [after])
        contrast = Contrast(TREND, name, after, everyone, "", reason, per="/dose")
        for index in table.indices:
            sample, terms = None, None
            tested = Result(math.nan, ci_level=plan.level, remark=reason)
            if not reason:
                whole = change_sample(merged.layout, table, contrast, index, fill_before=True)
                sample, terms = terms_of(whole, layout.factors)
                dose = np.array([dose_of[unit] for unit in sample.units])
                if len(set(dose.tolist())) < 3:
                    few = "fewer than three doses have values: a trend needs three"
                    tested = replace(tested, statistic_name="t", remark=few)
                else:
                    tested = trend_test(sample, dose, terms, plan.level)
            planned = PlannedTest(contrast, index, "linear_trend")
            out.append(effect_of(merged, planned, sample, terms, tested))
    return out


def _session_change_name(layout: Layout, after: str) -> str:
    return f"{after or 'after'}-{layout.before_name}" if layout.before else after


def _one_arm(data: StudyData) -> tuple[str, StudyData]:
    """Return the study with all units in one arm, and the name of that arm."""
    layout = data.layout
    everyone = "+".join(layout.levels)
    units = tuple(sorted(u for arm in layout.levels.values() for u in arm))
    whole = replace(layout, levels={everyone: units}, control="", compared=())
    return everyone, replace(data, layout=whole)


def factorial_tests(data: StudyData) -> list[Effect]:
    """Return the main effects of the treatment and of the factor crossed with it, and both
    together.

    The model of each index and after-session is ``y = treatment x factor + value before + block``
    with levels that sum to zero, so that a main effect is the mean over the levels of the other
    factor (Yates 1934), whatever the numbers of units. ``factorial_f`` is the F of least squares,
    ``factorial_robust_f`` stands unequal variances of the treatments.

    Where one of the two does not vary within blocks (split plot: it stands on whole plots, the
    other one within them), it is tested over the blocks, each with the mean of its units adjusted
    for the other factor. The other factor and the interaction are tested within blocks.

    Parameters
    ----------
    data
        Design, unit means and plan; where whole plots are the units, those of the units inside
        them.

    References
    ----------
    Yates, F. (1934). The analysis of multiple classifications with unequal numbers in the different
    classes. Journal of the American Statistical Association 29, 51-66.
    Yates, F. (1935). Complex experiments. Supplement to the Journal of the Royal Statistical
    Society 2, 181-247 (split plots).
    """
    layout, table = data.layout, data.table
    if not layout.crossed or len(layout.levels) < 2 or layout.start_waits:
        return []
    out = []
    everyone, merged = _one_arm(data)
    for after in layout.after:
        reason = by_instrument(layout, [*layout.levels], [after])
        for index in table.indices:
            for what in ("treatment", layout.crossed_name, f"treatment x {layout.crossed_name}"):
                name = f"({_session_change_name(layout, after)}) {what}"
                contrast = Contrast(FACTORIAL, name, after, everyone, "", reason)
                for method, robust in FACTORIALS.items():
                    sample, terms = None, None
                    tested = Result(math.nan, statistic_name="F", remark=reason)
                    if not reason:
                        whole = change_sample(merged.layout, table, contrast, index)
                        sample, terms, tested = _factorial(
                            layout, _units_with_group(whole, layout.crossed), what, robust=robust
                        )
                    planned = PlannedTest(contrast, index, method)
                    out.append(effect_of(merged, planned, sample, terms, tested))
    return out


def _factorial(
    layout: Layout, sample: Sample, what: str, *, robust: bool
) -> tuple[Sample, Terms, Result]:
    """Test one of the three questions of two crossed factors, at its own stratum."""
    level_of = layout.level_of
    sample, terms = terms_of(
        sample,
        {
            n: factor_levels
            for n, factor_levels in layout.factors.items()
            if n != layout.crossed_name
        },
    )
    groups = {
        "treatment": [level_of[unit] for unit in sample.units],
        layout.crossed_name: [layout.crossed[unit] for unit in sample.units],
    }
    if any(len(set(labels)) < 2 for labels in groups.values()):
        remark = f"fewer than two treatments or levels of {layout.crossed_name} have values"
        return sample, terms, Result(math.nan, statistic_name="F", remark=remark)
    coded = {name: effect_coded(labels) for name, labels in groups.items()}
    both = products(*coded.values())
    aliased = f"not every level of {layout.crossed_name} holds every treatment"
    blocks = terms.factors.get("block")
    if what in groups and blocks:
        labels = groups[what]
        if len(set(zip(blocks, labels, strict=True))) == len(set(blocks)):
            (other,) = (columns for name, columns in coded.items() if name != what)
            return _over_blocks(layout, sample, blocks, labels, [*other, *both], robust=robust)
    tested = coded.get(what, both)
    beside = [c for columns in (*coded.values(), both) if columns is not tested for c in columns]
    joint = Joint(tested, beside, groups["treatment"], aliased)
    return sample, terms, JOINT_TESTS[robust](sample, joint, terms)


def _over_blocks(
    layout: Layout,
    sample: Sample,
    block_of: Sequence[str],
    labels: Sequence[str],
    inside: Sequence[Array],
    *,
    robust: bool,
) -> tuple[Sample, Terms, Result]:
    """Test a factor that stands on whole blocks, over their means adjusted for the other."""
    level = dict(zip(block_of, labels, strict=True))
    names = list(level)
    # 1. y = block + (the other factor and the interaction, within blocks): the coefficient of a
    #    block is the mean of its units as if it held every level of the other factor alike.
    of_unit = np.asarray(block_of, dtype=str)
    blocks = [(of_unit == name).astype(float) for name in names]
    x = np.column_stack([*blocks, *independent_columns(blocks, inside)])
    means = np.linalg.lstsq(x, sample.change, rcond=None)[0][: len(names)]
    # 2. The factor over these means, within the blocks above them.
    nothing = np.full(len(names), math.nan)
    whole = replace(
        sample,
        units=tuple(names),
        change=means,
        before=nothing,
        treated=np.ones(len(names), dtype=bool),
        u=nothing,
        n_missing=0,
        n_before=0,
        partial={},
        filled=(),
        unused=(),
    )
    above_of = {layout.blocks[unit]: layout.above.get(unit, "") for unit in sample.units}
    above, groups = [above_of[name] for name in names], [level[name] for name in names]
    terms = Terms({"block": above} if len(set(above)) > 1 else {}, before=False)
    joint = Joint(effect_coded(groups), [], groups, "the factor cannot be told from the blocks")
    return whole, terms, JOINT_TESTS[robust](whole, joint, terms)
