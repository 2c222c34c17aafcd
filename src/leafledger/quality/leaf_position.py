"""Do leaves at one position of the plant differ from those at the first?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.order_effects import (
    FEWEST_AT_POSITION,
    Leaves,
    OrderEffect,
    relative_row,
    with_holm,
)

Floats = NDArray[np.float64]

_MOST_POSITIONS = 12


def position_effects(
    sessions: Mapping[str, Leaves], wavelength_nm: Sequence[float]
) -> list[OrderEffect]:
    """Estimate how the leaf positions differ from the first, within units.

    Only where at least three units have both positions. Position and order cannot be told apart
    if the positions were always measured in the same order; the row says so.
    """
    rows: list[OrderEffect] = []
    for session, leaves in sessions.items():
        of_unit = _by_position(leaves)
        names = sorted({leaf for leaf in leaves.leaf if leaf}, key=lambda leaf: (len(leaf), leaf))
        if not 2 <= len(names) <= _MOST_POSITIONS:
            continue
        for name in names[1:]:
            pairs = [of[name] for of in of_unit.values() if name in of and names[0] in of]
            base = [of[names[0]] for of in of_unit.values() if name in of and names[0] in of]
            if len(pairs) >= FEWEST_AT_POSITION:
                rows += _position(session, name, names[0], pairs, base, wavelength_nm)
    return with_holm(rows)


def _by_position(leaves: Leaves) -> dict[str, dict[str, tuple[float, Floats]]]:
    found: dict[str, dict[str, list[int]]] = {}
    for k, (unit, leaf) in enumerate(zip(leaves.unit, leaves.leaf, strict=True)):
        found.setdefault(unit, {}).setdefault(leaf, []).append(k)
    return {
        unit: {
            leaf: (float(leaves.place[at].mean()), leaves.value[at].mean(axis=0))
            for leaf, at in by_leaf.items()
        }
        for unit, by_leaf in sorted(found.items())
    }


def _position(
    session: str,
    name: str,
    first: str,
    pairs: Sequence[tuple[float, Floats]],
    base: Sequence[tuple[float, Floats]],
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    change = np.array([a[1] - b[1] for a, b in zip(pairs, base, strict=True)])
    later = np.array([a[0] - b[0] for a, b in zip(pairs, base, strict=True)])
    n = len(change)
    told = f"against position {first}"
    if (later > 0).all() or (later < 0).all():
        when = "after" if later[0] > 0 else "before"
        told += f", always measured {when} it: order and position cannot be told apart"
    return [
        relative_row(
            session, "leaf_position", name, at, float(change[:, k].mean()),
            float(change[:, k].std(ddof=1) / np.sqrt(n)), n - 1, n, told,
        )
        for k, at in enumerate(wavelength_nm)
    ]  # fmt: skip
