"""What did the treatment change of traits that were estimated from spectra? Rule ``trait_effects``.

The unit means of the estimates are tested as those of an index are, by the tests between sessions.
Every estimate is made by a model that did not see its unit, so that a value that was assayed cannot
speak for itself. The estimates share the error of their calibration: the contrast is computed again
with the models that leave out each group of assayed units, and the jackknife over these gives its
standard uncertainty u_cal. The half width of an interval becomes t sqrt(se^2 + u_cal^2), and p is
that of the estimate over the same standard error: the verdict never contradicts the interval. A
trait whose model is not clearly better than the mean of the other units is not tested: its
estimates need not follow the trait.

References
----------
Efron & Stein 1981, Ann. Stat. 9:586-596 (jackknife); Chernozhukov et al. 2018, Econom. J. 21:C1-C68
(cross-fitting).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import Effect, session_tests
from leafledger.effects.design import CHANGE, Layout, Plan, instruments_of, layout_from, plan_from
from leafledger.effects.families import AdjustedTest, adjusted_tests
from leafledger.effects.sentences import sentence
from leafledger.effects.unit_means import StudyData, unit_table
from leafledger.records.record import Job, Metric, Outcome
from leafledger.resampling.intervals import t_quantile, two_sided_t
from leafledger.study.table_files import read_csv, read_json, write_csv
from leafledger.study.tables import names_of
from leafledger.words import counted, plural

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
WITHIN, BETWEEN = ("paired_t",), ("linear_model", "welch_t")
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


def run(job: Job) -> Outcome:
    """Test every response of ``effects.responses``; write ``traits/effects.csv``."""
    layout = layout_from(
        job.settings["design"],
        job.settings["units"],
        job.settings["effects"],
        instruments_of(job.settings.get("scans") or {}),
    )
    stated = plan_from(job.settings["effects"], layout)
    plan = _plan(stated)
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
    rows = [table_row(effect, row, layout, stated) for effect, row in both]
    write_csv(job.outputs["trait_effects"], _frame(rows), names_of("trait_effects"))
    return Outcome(metrics=_metrics(rows), warnings=warnings)


def _plan(plan: Plan) -> Plan:
    """Return the plan for estimated traits: no primary effect, no margin, tests with intervals."""
    methods = tuple(
        next((name for name in names if name in plan.methods), names[0])
        for names in (WITHIN, BETWEEN)
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
    again = [{_key(e): e.tested.estimate for e in tested(refit)} for refit in refits]
    # 3. Their jackknifed standard deviation joins the standard error.
    out: list[TraitEffect] = []
    for effect in effects:
        values = np.array([estimates.get(_key(effect), math.nan) for estimates in again])
        u = jackknifed_sd(values)
        test_interval = (effect.tested.ci_low, effect.tested.ci_high)
        out.append(TraitEffect(widened(effect, u, plan.level), trait, test_interval, u))
    return out


def _key(effect: Effect) -> Key:
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


def table_row(
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


def _frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    frame = pd.DataFrame(list(rows), columns=list(names_of("trait_effects")))
    for name in ("n_units", "n_units_reference"):
        frame[name] = frame[name].astype("Int64")
    return frame


def _metrics(rows: Sequence[Mapping[str, Any]]) -> list[Metric]:
    significant = [row for row in rows if row["verdict"] == "significant"]
    return [Metric("n_trait_tests", len(rows)), Metric("n_trait_tests_shown", len(significant))]
