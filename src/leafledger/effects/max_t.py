"""The largest |t| over a family: adjusted p that use the correlation between indices and days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.max_t import MaxT, max_t_flips, max_t_labels
from leafledger.chance.permutation import dealt_group
from leafledger.chance.seeds import generator
from leafledger.effects.changes import UnitTable, sample
from leafledger.effects.effect import Effect
from leafledger.effects.families import Key, families_of, key_of_effect
from leafledger.effects.layout import ALL, Layout
from leafledger.effects.plan import Plan

BY_FLIPS = frozenset({"paired_t", "sign_flip"})
BY_LABELS = frozenset({"welch_t", "label_permutation"})


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

    Changes within a treatment: the sign of each unit is flipped, the same for all its indices and
    sessions. Differences between treatments: labels are dealt out anew between one treatment and
    the control, within blocks (and strata); with several treatments each is a permutation of its
    own and p is multiplied by their number.

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
        groups = {"": defined} if method in BY_FLIPS else _by_level(defined)
        for some in groups.values():
            found = _one(layout, table, plan, some, by_flips=method in BY_FLIPS)
            adjusted = np.minimum(1.0, found.p * len(groups))
            p |= {key_of_effect(e): float(v) for e, v in zip(some, adjusted, strict=True)}
            smallest = min(1.0, found.p_smallest * len(groups))
            if family in reach:
                smallest = min(smallest, reach[family].p_smallest)
            reach[family] = FamilyMaxT(smallest, found.n_draws)
    return p, reach


def _by_level(effects: Sequence[Effect]) -> Mapping[str, list[Effect]]:
    out: dict[str, list[Effect]] = {}
    for effect in effects:
        out.setdefault(effect.contrast.level, []).append(effect)
    return out


def _one(
    layout: Layout,
    table: UnitTable,
    plan: Plan,
    effects: Sequence[Effect],
    *,
    by_flips: bool,
) -> MaxT:
    place = {unit: i for i, unit in enumerate(table.units)}
    changes = np.full((len(place), len(effects)), np.nan)
    stratum_of: dict[str, str] = {}
    for k, effect in enumerate(effects):
        found = sample(layout, table, effect.contrast, effect.index)
        changes[[place[unit] for unit in found.units], k] = found.change
        if effect.contrast.stratum != ALL:
            stratum_of |= dict.fromkeys(found.units, effect.contrast.stratum)
    rows = np.flatnonzero(np.isfinite(changes).any(axis=1))
    if by_flips:
        return max_t_flips(changes[rows], plan.n_draws, generator(plan.seed, "max_t", "flips"))
    units = [table.units[i] for i in rows]
    arm = set(layout.levels[effects[0].contrast.level])
    treated: NDArray[np.bool_] = np.array([unit in arm for unit in units], dtype=bool)
    first, _ = dealt_group(treated)
    blocks = [layout.block_of(unit, stratum_of.get(unit, "")) for unit in units]
    # The stream does not depend on the name of the treatment: swapping names changes no digit.
    stream = generator(plan.seed, "max_t", "labels", len(units))
    return max_t_labels(changes[rows], first, blocks, plan.n_draws, stream)
