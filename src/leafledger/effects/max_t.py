"""The largest |t| over a family: adjusted p that use the correlation between indices and days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import MODELS, replicates_of_change
from leafledger.effects.changes import UnitTable, sample
from leafledger.effects.effect import Effect
from leafledger.effects.families import Key, families_of, key_of_effect
from leafledger.effects.layout import ALL, Layout
from leafledger.effects.linear_model import beyond_covariates, terms_of
from leafledger.effects.plan import Plan
from leafledger.resampling.multiplicity import MaxT, max_t_flips, max_t_labels
from leafledger.resampling.permutation import dealt_group, generator

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
    layout: Layout, table: UnitTable, plan: Plan, effects: Sequence[Effect]
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
    layout, table, plan
        Design, unit means and settings.
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
        for some in groups.values():
            adjust = _by_flips if method in BY_FLIPS else _by_labels
            found = adjust(layout, table, plan, some)
            adjusted = np.minimum(1.0, found.p * len(groups))
            p |= {key_of_effect(e): float(v) for e, v in zip(some, adjusted, strict=True)}
            smallest = min(1.0, found.p_smallest * len(groups))
            if family in reach:
                smallest = min(smallest, reach[family].p_smallest)
            reach[family] = FamilyMaxT(smallest, found.n_draws)
    return p, reach


def _by_pair(effects: Sequence[Effect]) -> Mapping[str, list[Effect]]:
    out: dict[str, list[Effect]] = {}
    for effect in effects:
        pair = f"{effect.contrast.level}\n{effect.contrast.reference}"
        out.setdefault(pair, []).append(effect)
    return out


def _by_flips(layout: Layout, table: UnitTable, plan: Plan, effects: Sequence[Effect]) -> MaxT:
    columns = []
    for effect in effects:
        found = sample(layout, table, effect.contrast, effect.index)
        names, changes, _ = replicates_of_change(layout.within(effect.contrast.stratum), found)
        arm = f"{effect.contrast.level}\n"
        columns.append({arm + name: float(v) for name, v in zip(names, changes, strict=True)})
    place = {name: i for i, name in enumerate(sorted({name for one in columns for name in one}))}
    changes = np.full((len(place), len(columns)), np.nan)
    for k, column in enumerate(columns):
        changes[[place[name] for name in column], k] = list(column.values())
    return max_t_flips(changes, plan.n_draws, generator(plan.seed, "max_t", "flips"))


def _by_labels(layout: Layout, table: UnitTable, plan: Plan, effects: Sequence[Effect]) -> MaxT:
    place = {unit: i for i, unit in enumerate(table.units)}
    changes = np.full((len(place), len(effects)), np.nan)
    stratum_of: dict[str, str] = {}
    for k, effect in enumerate(effects):
        found = sample(layout, table, effect.contrast, effect.index)
        values = found.change
        if effect.method in MODELS:
            found, terms = terms_of(found, layout.factors)
            values = beyond_covariates(found, terms)
        changes[[place[unit] for unit in found.units], k] = values
        if effect.contrast.stratum != ALL:
            stratum_of |= dict.fromkeys(found.units, effect.contrast.stratum)
    rows = np.flatnonzero(np.isfinite(changes).any(axis=1))
    units = [table.units[i] for i in rows]
    arm = set(layout.levels[effects[0].contrast.level])
    treated: NDArray[np.bool_] = np.array([unit in arm for unit in units], dtype=bool)
    first, _ = dealt_group(treated)
    blocks = [layout.block_of(unit, stratum_of.get(unit, "")) for unit in units]
    # The stream does not depend on the name of the treatment: swapping names changes no digit.
    stream = generator(plan.seed, "max_t", "labels", len(units))
    return max_t_labels(changes[rows], first, blocks, plan.n_draws, stream)
