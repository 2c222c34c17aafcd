"""Which effects are significant once all tests of a family are counted?

A family is one question answered by one method over all indices, contrasts and after-sessions,
without the primary contrast, which stands alone.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import MODELS, Effect, replicates_of_change
from leafledger.effects.design import ALL, EQUIVALENCE, Plan
from leafledger.effects.linear_model import covariate_residuals, terms_of
from leafledger.effects.two_sample_tests import finite
from leafledger.effects.unit_means import StudyData, change_sample
from leafledger.resampling.multiplicity import (
    MaxT,
    benjamini_hochberg,
    holm,
    max_t_flips,
    max_t_labels,
)
from leafledger.resampling.permutation import generator, permuted_group
from leafledger.study.tables import UNDEFINED

SIGNIFICANT, NOT_SIGNIFICANT = "significant", "not_significant"
EQUIVALENT = "equivalent"
PRIMARY = "primary"


@dataclass(frozen=True)
class AdjustedTest:
    """A test with its adjusted p and its verdict.

    Attributes
    ----------
    n_family
        Tests of the family that have a p.
    note
        What must be known beside the numbers: who is left out, why there is no interval.
    """

    effect: Effect
    family: str
    n_family: int
    p_holm: float
    p_bh: float
    verdict: str
    note: str
    p_max_t: float = math.nan

    @property
    def reason(self) -> str:
        """The column ``reason``: what was not shown, then the note."""
        effect = self.effect
        if effect.contrast.question != EQUIVALENCE or self.verdict != NOT_SIGNIFICANT:
            return self.note
        text = f"equivalence within {effect.margin:g} is not shown"
        return f"{text}; {self.note}" if self.note else text


Key = tuple[str, ...]


def adjusted_tests(
    effects: Sequence[Effect],
    plan: Plan,
    max_t: Mapping[Key, float] | None = None,
    twins: Mapping[str, str] | None = None,
) -> list[AdjustedTest]:
    """Adjust p within families and pass the verdicts.

    A test is significant, or shows equivalence, if its Holm-adjusted p is below alpha; for the
    primary contrast, alone in its family, that is its own p. Two formulas that give the same
    number in every unit are one test and count once.

    Parameters
    ----------
    effects
        All tests.
    plan
        The plan of the analysis, with the level of the verdicts.
    max_t
        Key of a test -> its p adjusted by the largest |t|, see :func:`max_t_of`.
    twins
        Index -> the index of which it is the same number, see
        :func:`leafledger.effects.unit_means.same_numbers`.
    """
    out = []
    beside, twins = max_t or {}, twins or {}
    for family, members in families_of(effects).items():
        once = [member for member in members if not _same_number_counted(member, members, twins)]
        rank_of = {id(member): i for i, member in enumerate(once)}
        raw = [member.tested.p for member in once]
        n = sum(not math.isnan(p) for p in raw)
        strict, loose = holm(raw), benjamini_hochberg(raw)
        for member in members:
            first = _same_number_counted(member, members, twins)
            i = rank_of[id(first or member)]
            verdict = _verdict(member, float(strict[i]), plan)
            note = _note(member, n, plan, verdict)
            if first is not None:
                same = f"the same number as {first.index} in every unit: counted once"
                note = f"{note}; {same}" if note else same
            largest = beside.get(key_of_effect(member), math.nan)
            out.append(
                AdjustedTest(
                    member, family, n, float(strict[i]), float(loose[i]), verdict, note, largest
                )
            )
    return sorted(out, key=key_of)


def _same_number_counted(
    effect: Effect, members: Sequence[Effect], twins: Mapping[str, str]
) -> Effect | None:
    """Return the test of the same family that is the same number; ``None`` if it has none."""
    first = twins.get(effect.index)
    if first is None:
        return None
    key = (effect.contrast, first, effect.method)
    return next((m for m in members if (m.contrast, m.index, m.method) == key), None)


def families_of(effects: Sequence[Effect]) -> dict[str, list[Effect]]:
    """Return family -> its tests, by name of the family."""
    families: dict[str, list[Effect]] = defaultdict(list)
    for effect in effects:
        families[family_of(effect)].append(effect)
    return {name: families[name] for name in sorted(families)}


def family_of(effect: Effect) -> str:
    """Return the name of the family of a test."""
    if effect.primary:
        return PRIMARY
    contrast = effect.contrast
    stratum_words = f", by {contrast.stratum.partition('=')[0]}" if "=" in contrast.stratum else ""
    return f"{contrast.question}, {effect.method}{stratum_words}"


def key_of_effect(effect: Effect) -> Key:
    """Return the key of the row of ``effects.csv`` that a test becomes."""
    contrast = effect.contrast
    return contrast.question, effect.index, contrast.name, contrast.stratum, effect.method


def key_of(row: AdjustedTest) -> Key:
    """Return the key of a row of ``effects.csv``."""
    return key_of_effect(row.effect)


def unit_of(effect: Effect, unit: str) -> str:
    """Return the unit of an estimate: that of the index, by or times what the contrast says.

    Examples
    --------
    >>> from types import SimpleNamespace as Some
    >>> unit_of(Some(contrast=Some(per="/day")), "nm"), unit_of(Some(contrast=Some(per="")), "1")
    ('nm/day', '1')
    """
    per = effect.contrast.per
    if not per or not per.startswith("*"):
        return unit + per
    return per[1:] if unit in {"", "1"} else f"{unit} {per[1:]}"


def _verdict(effect: Effect, p_holm: float, plan: Plan) -> str:
    if math.isnan(effect.tested.p):
        return UNDEFINED
    if effect.contrast.question == EQUIVALENCE:
        return EQUIVALENT if p_holm < plan.alpha else NOT_SIGNIFICANT
    return SIGNIFICANT if p_holm < plan.alpha else NOT_SIGNIFICANT


def _note(effect: Effect, n: int, plan: Plan, verdict: str) -> str:
    parts = list(effect.remarks)
    smallest = effect.tested.p_smallest
    if verdict != UNDEFINED and smallest * n >= plan.alpha:
        reach = f"so few units reach p = {smallest:.3g} at best"
        if smallest >= plan.alpha:
            parts.append(f"{reach}: significance at {plan.alpha:g} is out of reach")
        else:
            # Not out of reach for good: others of the family may come before it.
            parts.append(
                f"{reach}; as the smallest of the {n} tests of its family that is "
                f"{min(1.0, smallest * n):.3g} after adjustment"
            )
    return "; ".join(parts)


def effects_row(row: AdjustedTest, unit: str) -> dict[str, Any]:
    """Return a row of ``effects.csv``, missing numbers as ``None``.

    Parameters
    ----------
    row
        The test with its adjusted p.
    unit
        Unit of the index.
    """
    effect, tested, size = row.effect, row.effect.tested, row.effect.size
    question, index, contrast, stratum, method = key_of(row)
    values: dict[str, Any] = {
        "question": question,
        "index": index,
        "contrast": contrast,
        "stratum": stratum,
        "method": method,
        "primary": effect.primary,
        "estimate": tested.estimate,
        "ci_low": tested.ci_low,
        "ci_high": tested.ci_high,
        "ci_level": tested.ci_level,
        "unit": unit_of(effect, unit),
        "n_units": effect.n_units,
        "n_units_reference": effect.n_reference,
        "n_missing": effect.n_missing,
        "covariates": ", ".join(effect.covariates),
        "statistic": tested.statistic,
        "statistic_name": tested.statistic_name,
        "df": _shown_df(tested.df),
        "df2": _shown_df(tested.df2),
        "p": tested.p,
        "p_smallest": tested.p_smallest,
        "family": row.family,
        "n_family": row.n_family,
        "p_holm": row.p_holm,
        "p_bh": row.p_bh,
        "p_max_t": row.p_max_t,
        "effect_size": size.g,
        "effect_size_name": size.name,
        "effect_low": size.low,
        "effect_high": size.high,
        "percent_change": effect.percent.value,
        "percent_low": effect.percent.low,
        "percent_high": effect.percent.high,
        "in_u": effect.in_u,
        "n_draws": tested.n_draws,
        "seed": tested.seed,
        "verdict": row.verdict,
        "reason": row.reason,
    }
    return {name: finite(value) for name, value in values.items()}


def _shown_df(df: float) -> float:
    """Return degrees of freedom with six decimals: those of models are found numerically.

    Examples
    --------
    >>> _shown_df(21.999999999999286), _shown_df(17.60310894945387)
    (22.0, 17.603109)
    """
    return round(df, 6)


def family_rows(
    rows: Sequence[AdjustedTest], reach: Mapping[str, tuple[float, int]]
) -> list[dict[str, Any]]:
    """Return every family with its size and the smallest adjusted p that its units can reach.

    Parameters
    ----------
    rows
        All tests with their adjusted p.
    reach
        Family -> smallest p by the largest |t|, and random arrangements (0: all enumerated).

    Returns
    -------
    list of dict
        family, n_tests, n_defined, p_holm_smallest (``None`` for tests without a bound),
        p_max_t_smallest, max_t_draws (``None`` where no permutation was made).
    """
    out = []
    for family in sorted({row.family for row in rows}):
        members = [row for row in rows if row.family == family]
        n = members[0].n_family
        bounds = [r.effect.tested.p_smallest for r in members if not math.isnan(r.effect.tested.p)]
        smallest = min((b for b in bounds if not math.isnan(b)), default=math.nan)
        by_max_t, draws = reach.get(family, (math.nan, None))
        values = {
            "family": family,
            "n_tests": len(members),
            "n_defined": n,
            "p_holm_smallest": math.nan if math.isnan(smallest) else min(1.0, smallest * n),
            "p_max_t_smallest": by_max_t,
            "max_t_draws": draws,
        }
        out.append({name: finite(value) for name, value in values.items()})
    return out


# The largest |t| over a family: adjusted p that use the correlation between indices and days.
# ----------------------------------------------------------------------

BY_FLIPS = frozenset({"paired_t", "sign_flip"})
BY_LABELS = frozenset({"linear_model", "linear_model_equal", "welch_t", "label_permutation"})


@dataclass(frozen=True)
class FamilyMaxT:
    """What the permutation of one family can reach.

    Attributes
    ----------
    p_smallest
        The smallest adjusted p that the units allow.
    n_draws
        Random arrangements; 0 if all were enumerated.
    """

    p_smallest: float
    n_draws: int


def max_t_of(
    data: StudyData, effects: Sequence[Effect]
) -> tuple[dict[Key, float], dict[str, FamilyMaxT]]:
    """Adjust the t tests of every family by the permutation of whole units.

    Changes within a treatment: the sign of each unit (or of each block, where blocks are the
    replicates) is flipped, the same for all its indices and sessions. Differences between
    treatments: labels are dealt out anew between one treatment and its reference, within blocks
    (and strata), and the values of the linear model are those that the value before does not
    foresee; with several treatments each is a permutation of its own and p is multiplied by their
    number.

    Parameters
    ----------
    data
        Design, unit means and plan.
    effects
        All tests.

    Returns
    -------
    tuple of dict
        Key of a test -> adjusted p; family -> what it can reach.
    """
    p: dict[Key, float] = {}
    reach: dict[str, FamilyMaxT] = {}
    for family, members in families_of(effects).items():
        defined = [e for e in members if np.isfinite(e.tested.p)]
        method = members[0].method
        if not defined or method not in BY_FLIPS | BY_LABELS:
            continue
        groups = {"": defined} if method in BY_FLIPS else _by_pair(defined)
        for group in groups.values():
            adjust = _by_flips if method in BY_FLIPS else _by_labels
            result = adjust(data, group)
            adjusted = np.minimum(1.0, result.p * len(groups))
            p |= {key_of_effect(e): float(v) for e, v in zip(group, adjusted, strict=True)}
            smallest = min(1.0, result.p_smallest * len(groups))
            if family in reach:
                smallest = min(smallest, reach[family].p_smallest)
            reach[family] = FamilyMaxT(smallest, result.n_draws)
    return p, reach


def _by_pair(effects: Sequence[Effect]) -> Mapping[str, list[Effect]]:
    out: dict[str, list[Effect]] = {}
    for effect in effects:
        pair = f"{effect.contrast.level}\n{effect.contrast.reference}"
        out.setdefault(pair, []).append(effect)
    return out


def _by_flips(data: StudyData, effects: Sequence[Effect]) -> MaxT:
    layout, table, plan = data.layout, data.table, data.plan
    columns = []
    for effect in effects:
        sample = change_sample(layout, table, effect.contrast, effect.index)
        within = layout.within(effect.contrast.stratum)
        replicates, changes, _ = replicates_of_change(within, sample)
        arm = f"{effect.contrast.level}\n"
        columns.append({arm + name: float(v) for name, v in zip(replicates, changes, strict=True)})
    names = sorted({name for column in columns for name in column})
    row_of = {name: i for i, name in enumerate(names)}
    changes = np.full((len(row_of), len(columns)), np.nan)
    for k, column in enumerate(columns):
        changes[[row_of[name] for name in column], k] = list(column.values())
    return max_t_flips(changes, plan.n_draws, generator(plan.seed, "max_t", "flips"))


def _by_labels(data: StudyData, effects: Sequence[Effect]) -> MaxT:
    layout, table, plan = data.layout, data.table, data.plan
    row_of = {unit: i for i, unit in enumerate(table.units)}
    changes = np.full((len(row_of), len(effects)), np.nan)
    stratum_of: dict[str, str] = {}
    for k, effect in enumerate(effects):
        sample = change_sample(layout, table, effect.contrast, effect.index)
        values = sample.change
        if effect.method in MODELS:
            sample, terms = terms_of(sample, layout.factors)
            values = covariate_residuals(sample, terms)
        changes[[row_of[unit] for unit in sample.units], k] = values
        if effect.contrast.stratum != ALL:
            stratum_of |= dict.fromkeys(sample.units, effect.contrast.stratum)
    rows = np.flatnonzero(np.isfinite(changes).any(axis=1))
    units = [table.units[i] for i in rows]
    arm = set(layout.levels[effects[0].contrast.level])
    treated: NDArray[np.bool_] = np.array([unit in arm for unit in units], dtype=bool)
    first, _ = permuted_group(treated)
    # A label may be exchanged within the block and stratum of its unit.
    blocks = [f"{stratum_of.get(unit, '')}\n{layout.blocks.get(unit, '')}" for unit in units]
    # The stream does not depend on the name of the treatment: swapping names changes no digit.
    stream = generator(plan.seed, "max_t", "labels", len(units))
    return max_t_labels(changes[rows], first, blocks, plan.n_draws, stream)
