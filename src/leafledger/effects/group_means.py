"""Number, mean and spread of the units of each treatment in each session, without any claim."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.effects.changes import UnitTable
from leafledger.effects.families import finite
from leafledger.effects.layout import Layout
from leafledger.effects.result import mean, variance
from leafledger.resampling.intervals import t_quantile

if TYPE_CHECKING:
    import pandas as pd


def group_means(
    layout: Layout, table: UnitTable, rows: pd.DataFrame, units: Mapping[str, str], level: float
) -> list[dict[str, Any]]:
    """Describe every index by treatment and session.

    Parameters
    ----------
    layout
        The design. Where units are not known every scan stands for itself.
    table
        Means of the experimental units: of whole plots, where these were treated.
    rows
        ``unit_indices.csv``, for the number of scans.
    units
        Index -> its unit.
    level
        Confidence of the interval of a mean.

    Returns
    -------
    list of dict
        Rows of ``group_means.csv``, sorted by index and treatment, sessions in study order.
        ``mean`` is that of the unit means; ``sd`` lies between units, or between scans where units
        are unknown; ``se`` is ``sd / sqrt(n)``; the interval is Student's with ``n - 1`` degrees of
        freedom. One unit has no spread. Where units are unknown ``n_units``, ``n_missing``, ``se``
        and the interval are ``None``: scans of one plant are not independent.
    """
    place = {unit: i for i, unit in enumerate(table.units)}
    scans = _scans(layout, rows)
    out = []
    for k, index in enumerate(table.indices):
        for treatment, arm in layout.levels.items():
            own = [place[unit] for unit in arm]
            for j, session in enumerate(table.sessions):
                here = table.mean[own, j, k]
                values = here[np.isfinite(here)]
                named = {"index": index, "treatment": treatment, "session": session}
                numbers = _numbers(values, len(arm), level, known=bool(layout.word))
                counted = {"n_scans": scans.get((index, treatment, session), 0)}
                out.append({**named, **numbers, **counted, "unit": units.get(index, "")})
    return out


def _numbers(
    values: np.ndarray[Any, np.dtype[np.float64]], n_arm: int, level: float, *, known: bool
) -> dict[str, Any]:
    n = len(values)
    centre = mean(values) if n else math.nan
    spread = math.sqrt(variance(values)) if n > 1 else math.nan
    error = spread / math.sqrt(n) if n > 1 and known else math.nan
    half = t_quantile(level, n - 1) * error if n > 1 else math.nan
    shown = {
        "mean": centre,
        "sd": spread,
        "se": error,
        "ci_low": centre - half,
        "ci_high": centre + half,
        "ci_level": math.nan if math.isnan(half) else level,
    }
    return {
        "n_units": n if known else None,
        "n_missing": n_arm - n if known else None,
        **{name: finite(value) for name, value in shown.items()},
    }


def _scans(layout: Layout, rows: pd.DataFrame) -> dict[tuple[str, str, str], int]:
    """Return index, treatment and session -> accepted scans behind the means."""
    level_of = {unit: level for level, arm in layout.levels.items() for unit in arm}
    owner = layout.owner
    out: dict[tuple[str, str, str], int] = {}
    columns = ("unit", "session", "index", "n_scans")
    for part, session, index, n in zip(*(rows[c].tolist() for c in columns), strict=True):
        unit = owner.get(part)
        if unit is not None and session in layout.sessions:
            key = index, level_of[unit], session
            out[key] = out.get(key, 0) + int(n)
    return out
