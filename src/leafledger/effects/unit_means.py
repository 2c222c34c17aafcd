"""Means of units: scans are averaged within leaf, leaves within unit.

Means are taken exactly and rounded once. So neither the order of the rows nor copies of the same
scans can change a digit.
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Reading:
    """One index of one accepted scan, with its three parts of measurement uncertainty (k = 1).

    A part that is not known is ``NaN``.
    """

    scan: str
    value: float
    u_scan: float = math.nan
    u_reference: float = math.nan
    u_panel: float = math.nan


@dataclass(frozen=True)
class UnitMean:
    """Mean of one index on one unit in one session.

    Attributes
    ----------
    mean
        Mean of the leaf means, in the unit of the index.
    sd_leaves
        Standard deviation of the leaf means, ``NaN`` with one leaf.
    u
        Standard measurement uncertainty (k = 1) of ``mean``, ``NaN`` if a part is unknown.
    n_leaves, n_scans
        What was averaged.
    """

    mean: float
    sd_leaves: float
    u: float
    n_leaves: int
    n_scans: int


def unit_mean(leaves: Mapping[str, Iterable[Reading]]) -> UnitMean:
    """Average scans within leaf and leaves within unit.

    Parameters
    ----------
    leaves
        Leaf -> its readings, at least one each.

    Notes
    -----
    The uncertainty of a scan by itself (shot, read) is independent between scans and shrinks with
    averaging. The white and dark references and the panel are shared within a session: their parts
    are averaged as fully correlated and do not shrink.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.2 and 5.2.2.

    Examples
    --------
    >>> unit_mean({"1": [Reading("a", 1.0), Reading("b", 2.0)], "2": [Reading("c", 3.5)]}).mean
    2.5
    """
    groups = [sorted(leaves[leaf], key=lambda r: (r.value, r.scan)) for leaf in sorted(leaves)]
    means = sorted(statistics.mean(r.value for r in group) for group in groups)
    return UnitMean(
        statistics.mean(means),
        statistics.stdev(means) if len(means) > 1 else math.nan,
        _uncertainty(groups),
        len(groups),
        sum(len(group) for group in groups),
    )


def _uncertainty(groups: list[list[Reading]]) -> float:
    n = len(groups)
    weighted = [(1.0 / (n * len(group)), reading) for group in groups for reading in group]
    alone = math.sqrt(math.fsum((w * r.u_scan) ** 2 for w, r in weighted))
    references = math.fsum(w * abs(r.u_reference) for w, r in weighted)
    panel = math.fsum(w * abs(r.u_panel) for w, r in weighted)
    return math.sqrt(alone**2 + references**2 + panel**2)


Key = tuple[str, str, str]
"""Unit, session, index."""


def unit_means(readings: Iterable[tuple[Key, str, Reading]]) -> dict[Key, UnitMean]:
    """Return the means of all units.

    Parameters
    ----------
    readings
        (unit, session, index), leaf and reading of every accepted scan; a scan without a leaf id
        (``""``) is a leaf of its own.

    Returns
    -------
    dict
        Sorted by key. A unit without an accepted scan in a session does not occur.
    """
    grouped: dict[Key, dict[tuple[str, str], list[Reading]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for key, leaf, reading in readings:
        own = (leaf, "") if leaf else ("", reading.scan)
        grouped[key][own].append(reading)
    return {
        key: unit_mean({f"{a}\n{b}": found for (a, b), found in grouped[key].items()})
        for key in sorted(grouped)
    }
