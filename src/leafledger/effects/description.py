"""Means and spreads per treatment and session, without any claim."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.effects.families import finite
from leafledger.effects.layout import Layout
from leafledger.effects.result import mean, variance

if TYPE_CHECKING:
    import pandas as pd


def description(
    layout: Layout, rows: pd.DataFrame, units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Describe every index by treatment and session.

    Parameters
    ----------
    layout
        The design. Where units are not known every scan stands for itself and ``n_units`` is
        ``None``.
    rows
        ``unit_indices.csv``.
    units
        Index -> its unit.

    Returns
    -------
    list of dict
        index, treatment, session, n_units, n_scans, mean (of the unit means), sd (between units,
        or between scans where units are unknown; ``None`` for one), unit; sorted.
    """
    level_of = {unit: level for level, arm in layout.levels.items() for unit in arm}
    groups: dict[tuple[str, str, str], list[tuple[float, int]]] = defaultdict(list)
    ordered = rows.sort_values(["unit", "session", "index"])
    columns = ("unit", "session", "index", "mean", "n_scans")
    for unit, session, index, value, scans in zip(
        *(ordered[c].tolist() for c in columns), strict=True
    ):
        if unit in level_of:
            groups[index, level_of[unit], session].append((value, int(scans)))
    out = []
    for index, level, session in sorted(groups):
        found = groups[index, level, session]
        values = np.array([value for value, _ in found])
        out.append(
            {
                "index": index,
                "treatment": level,
                "session": session,
                "n_units": len(found) if layout.word else None,
                "n_scans": sum(scans for _, scans in found),
                "mean": finite(mean(values)),
                "sd": variance(values) ** 0.5 if len(values) > 1 else None,
                "unit": units.get(index, ""),
            }
        )
    return out
