"""The next study: which difference so many units, leaves and scans would find.

References
----------
Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
Johnson, N. L., Kotz, S. and Balakrishnan, N. (1995). Continuous Univariate Distributions, vol. 2,
chapter 31 (noncentral t).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from leafledger.chance.seeds import generator
from leafledger.effects.families import finite
from leafledger.effects.variance_components import LEAF, SCAN, UNIT_SESSION, Component

UNITS = (4, 6, 8, 10, 12, 16, 24, 32)
LEAVES = (1, 2, 3, 5)
SCANS = (1, 2)
POWER = 0.8
_SIMULATED = 4000


def two_sample_power(noncentrality: float, df: float, alpha: float) -> float:
    """Return the probability that a two-sided t test finds a difference.

    Parameters
    ----------
    noncentrality
        True difference over its standard error.
    df
        Degrees of freedom.
    alpha
        Level of the test.

    Examples
    --------
    >>> round(two_sample_power(0.5 * (64 / 2) ** 0.5, 126, 0.05), 6)
    0.80146
    """
    from scipy.special import stdtrit

    limit = float(stdtrit(df, 1.0 - alpha / 2.0))
    return _above(limit, noncentrality, df) + _above(limit, -noncentrality, df)


def _above(limit: float, noncentrality: float, df: float) -> float:
    from scipy.special import nctdtr

    below = float(nctdtr(df, noncentrality, limit))
    if math.isfinite(below):
        return 1.0 - below
    return 1.0 if noncentrality > limit else 0.0  # far in a tail the library gives no number


@lru_cache(maxsize=256)
def needed_noncentrality(df: float, alpha: float, power: float) -> float:
    """Return the noncentrality at which a two-sided t test has this power."""
    from scipy.optimize import brentq

    return float(brentq(lambda c: two_sample_power(c, df, alpha) - power, 0.0, 60.0, xtol=1e-10))


@lru_cache(maxsize=256)
def simulated_power(n: int, noncentrality: float, alpha: float, seed: int) -> float:
    """Return the share of simulated studies in which Welch's t test finds the difference.

    Parameters
    ----------
    n
        Units in each of two arms.
    noncentrality
        True difference over its standard error.
    alpha
        Level of the test.
    seed
        Seed of the draw of 4,000 studies.
    """
    from scipy.special import stdtr

    draw = generator(seed, "power", n).standard_normal((_SIMULATED, 2, n))
    draw[:, 0] += noncentrality * math.sqrt(2.0 / n)
    one, two = draw.var(axis=2, ddof=1).T / n
    t = (draw[:, 0].mean(axis=1) - draw[:, 1].mean(axis=1)) / np.sqrt(one + two)
    df = (one + two) ** 2 / ((one**2 + two**2) / (n - 1))
    return float(np.mean(2.0 * stdtr(df, -np.abs(t)) < alpha))


def sd_of_change(found: Sequence[Component], n_before: int, n_leaves: int, n_scans: int) -> float:
    """Return the standard deviation between units of a change from before to one after session.

    What stays with a unit cancels; what differs from session to session does not.

    Parameters
    ----------
    found
        Variance components of an index.
    n_before
        Before sessions that are averaged.
    n_leaves, n_scans
        Leaves per unit and session, scans per leaf.
    """
    of = {one.name: 0.0 if math.isnan(one.variance) else one.variance for one in found}
    once = of[UNIT_SESSION] + of[LEAF] / n_leaves + of[SCAN] / (n_leaves * n_scans)
    return math.sqrt(once * (1.0 + 1.0 / n_before))


def design_table(
    found: Mapping[str, Sequence[Component]],
    n_before: int,
    alpha: float,
    margin: Mapping[str, float],
    units: Mapping[str, str],
    seed: int,
) -> list[dict[str, Any]]:
    """Return the rows of ``power.csv``: the difference in change found with a power of 0.8.

    Only leaves and scans whose own variation is known are varied.

    Parameters
    ----------
    found
        Index -> variance components.
    n_before
        Before sessions that are averaged.
    alpha
        Level of the two-sided test.
    margin, units
        Index -> smallest difference that would matter; index -> unit.
    seed
        Seed of the simulation that checks the power.
    """
    out = []
    for index, parts in found.items():
        known = {one.name for one in parts if not math.isnan(one.variance)}
        if UNIT_SESSION not in known:
            continue
        for n_leaves in LEAVES if LEAF in known else (1,):
            for n_scans in SCANS if SCAN in known else (1,):
                sd = sd_of_change(parts, n_before, n_leaves, n_scans)
                for n in UNITS:
                    row = _design(n, sd, alpha, margin.get(index, math.nan), seed)
                    named = {"index": index, "n_leaves": n_leaves, "n_scans": n_scans}
                    out.append({**named, **row, "unit": units.get(index, "")})
    return sorted(out, key=lambda r: (r["index"], r["n_units"], r["n_leaves"], r["n_scans"]))


def _design(n: int, sd: float, alpha: float, margin: float, seed: int) -> dict[str, Any]:
    df, error = 2.0 * n - 2.0, sd * math.sqrt(2.0 / n)
    needed = needed_noncentrality(df, alpha, POWER)
    at_margin = math.nan
    if error > 0 and not math.isnan(margin):
        at_margin = two_sample_power(min(margin / error, 100.0), df, alpha)
    values = {
        "n_units": n,
        "sd_change": sd,
        "alpha": alpha,
        "power": POWER,
        "detectable": needed * error,
        "power_simulated": simulated_power(n, needed, alpha, seed),
        "margin": margin,
        "power_at_margin": at_margin,
    }
    return {name: finite(value) for name, value in values.items()}
