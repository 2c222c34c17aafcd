"""What the tests by rearrangement have in common: attained levels, and draws or enumeration."""

from __future__ import annotations

import math

from leafledger.effects.result import Result


def rearranged(
    estimate: float,
    statistic_name: str,
    p: tuple[float, float],
    interval: tuple[float, float, float],
    level: float,
    drawn: tuple[int, int] | None,
    material: str,
    statistic: float | None = None,
) -> Result:
    """Return the result of a test by rearrangement.

    Parameters
    ----------
    estimate
        Of the change or difference, in the unit of the values.
    statistic_name
        Name of the statistic, in a word.
    p
        Two-sided p and the smallest one that the design can reach.
    interval
        Lower and upper limit, and the level attained; limits are NaN where ``level`` is out of
        reach, and the level is then the highest attainable one.
    level
        Level asked for.
    drawn
        Number of draws and their seed; ``None`` if all arrangements were enumerated.
    material
        What was rearranged and how many, such as ``4 pairs``.
    statistic
        ``None`` if it is the estimate itself.
    """
    low, high, attained = interval
    missing = math.isnan(low)
    n_draws, seed = drawn or (0, None)
    return Result(
        estimate,
        low,
        high,
        level if missing else attained,
        estimate if statistic is None else statistic,
        statistic_name,
        p=p[0],
        p_smallest=p[1],
        n_draws=n_draws,
        seed=seed,
        remark=no_interval(material, level, attained) if missing else "",
    )


def no_interval(material: str, level: float, attained: float) -> str:
    """Say that an exact interval of the level asked for does not exist."""
    return (
        f"no exact {100 * level:g} % interval exists with {material}: "
        f"the highest level they can attain is {100 * attained:.4g} %"
    )
