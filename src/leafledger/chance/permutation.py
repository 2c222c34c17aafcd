"""Rearrangements under which nothing should change if the treatment does nothing.

Two kinds: the sign of each unit's change is flipped (paired data), or the treatment labels are
dealt out anew, within blocks where the layout was in blocks. Few arrangements are enumerated, many
are drawn at random from a seeded stream.

References
----------
Fisher, R. A. (1935). The Design of Experiments, sections 20-21. Oliver and Boyd.
Phipson, B. and Smyth, G. K. (2010). Permutation p-values should never be zero. Statistical
Applications in Genetics and Molecular Biology 9, article 39: p = (b + 1) / (B + 1) when drawn.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FLIP_LIMIT = 20
"""Up to this many units all 2^n sign patterns are enumerated."""
ARRANGEMENT_LIMIT = 100_000
"""Up to this many arrangements of the labels all of them are enumerated."""
_TIE = 1e-10


@dataclass(frozen=True)
class Flips:
    """Sums over the units after flipping signs.

    Attributes
    ----------
    sums
        Sum of the changes with flipped signs, shape ``(n_patterns,)``.
    kept
        How many units kept their sign, shape ``(n_patterns,)``.
    enumerated
        All patterns (the observed one among them), or a random draw without it.
    """

    sums: NDArray[np.float64]
    kept: NDArray[np.int64]
    enumerated: bool


def flip_sums(changes: NDArray[np.float64], n_draws: int, stream: np.random.Generator) -> Flips:
    """Return the sum of the changes under sign flips.

    Parameters
    ----------
    changes
        One change per unit, shape ``(n_units,)``.
    n_draws
        Patterns drawn when there are more than 2^20.
    stream
        Random stream for the draw.

    Examples
    --------
    >>> from leafledger.chance.seeds import generator
    >>> flip_sums(np.array([1.0, 2.0]), 99, generator(1, "flips")).sums.tolist()
    [-3.0, 1.0, -1.0, 3.0]
    """
    n = len(changes)
    if n > FLIP_LIMIT:
        keep = stream.integers(0, 2, size=(n_draws, n))
        return Flips((2.0 * keep - 1.0) @ changes, keep.sum(axis=1), enumerated=False)
    sums = np.zeros(1)
    kept = np.zeros(1, dtype=np.int64)
    for change in changes[::-1]:
        sums = np.concatenate([sums - change, sums + change])
        kept = np.concatenate([kept, kept + 1])
    return Flips(sums, kept, enumerated=True)


@dataclass(frozen=True)
class Arrangements:
    """Ways to deal out one label among the units.

    Attributes
    ----------
    member
        Whether a unit carries the label, shape ``(n_arrangements, n_units)``.
    enumerated
        All arrangements (the observed one among them), or a random draw.
    n_possible
        How many arrangements there are in all.
    """

    member: NDArray[np.bool_]
    enumerated: bool
    n_possible: int


def dealt_group(treated: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], float]:
    """Return the group whose label is dealt out, and the sign that makes it treated - reference.

    It is the group of the first unit, whatever its name, so that calling the other one the
    control leaves every draw, and with it every digit of p, as it was.

    Parameters
    ----------
    treated
        Shape ``(n_units,)``, units in the order of their id.

    Examples
    --------
    >>> group, sign = dealt_group(np.array([False, True]))
    >>> group.tolist(), sign
    ([True, False], -1.0)
    """
    return treated == treated[0], 1.0 if treated[0] else -1.0


def label_arrangements(
    member: NDArray[np.bool_],
    blocks: Sequence[str],
    n_draws: int,
    stream: np.random.Generator,
) -> Arrangements:
    """Return arrangements of a label that keep its count within every block.

    Parameters
    ----------
    member
        Whether a unit carries the label as observed, shape ``(n_units,)``.
    blocks
        Block of each unit; the same word throughout if there are none.
    n_draws
        Arrangements drawn when there are more than 100,000.
    stream
        Random stream for the draw.

    Examples
    --------
    >>> from leafledger.chance.seeds import generator
    >>> held = np.array([True, True, False, False])
    >>> label_arrangements(held, ["A", "A", "A", "A"], 99, generator(1)).n_possible
    6
    >>> label_arrangements(held, ["A", "B", "A", "B"], 99, generator(1)).n_possible
    4
    """
    places = _places(blocks)
    counts = [int(member[where].sum()) for where in places]
    possible = n_arrangements(member, blocks)
    if possible <= ARRANGEMENT_LIMIT:
        return Arrangements(_all(places, counts, len(member)), True, possible)
    drawn = np.zeros((n_draws, len(member)), dtype=bool)
    for where, k in zip(places, counts, strict=True):
        order = stream.random((n_draws, len(where))).argsort(axis=1)
        drawn[:, where] = order < k
    return Arrangements(drawn, False, possible)


@dataclass(frozen=True)
class Deals:
    """Ways to deal out the labels of all treatments together.

    Attributes
    ----------
    labels
        Label of each unit, shape ``(n_deals, n_units)``.
    enumerated
        All ways (the observed one among them), or a random draw.
    n_possible
        How many ways there are in all.
    """

    labels: NDArray[np.int64]
    enumerated: bool
    n_possible: int


def label_deals(
    labels: NDArray[np.int64],
    blocks: Sequence[str],
    n_draws: int,
    stream: np.random.Generator,
    limit: int,
) -> Deals:
    """Return ways to deal out several labels that keep the count of each within every block.

    A draw rearranges units, whatever their labels are called.

    Parameters
    ----------
    labels
        Label of each unit as observed, shape ``(n_units,)``.
    blocks
        Block of each unit; the same word throughout if there are none.
    n_draws
        Ways drawn when there are more than ``limit``.
    stream
        Random stream for the draw.
    limit
        Up to so many ways all of them are enumerated.

    Examples
    --------
    >>> from leafledger.chance.seeds import generator
    >>> held = np.array([0, 1, 2, 0])
    >>> label_deals(held, ["A"] * 4, 99, generator(1), 100).n_possible
    12
    >>> label_deals(held, ["A", "A", "B", "B"], 99, generator(1), 100).labels.tolist()
    [[0, 1, 0, 2], [0, 1, 2, 0], [1, 0, 0, 2], [1, 0, 2, 0]]
    """
    places = _places(blocks)
    possible = math.prod(_n_orders(labels[where]) for where in places)
    if possible <= limit:
        table = np.zeros((1, len(labels)), dtype=np.int64)
        for where in places:
            orders = _orders(labels[where])
            table = np.repeat(table, len(orders), axis=0)
            table[:, where] = np.tile(orders, (len(table) // len(orders), 1))
        return Deals(table, True, possible)
    drawn = np.empty((n_draws, len(labels)), dtype=np.int64)
    for where in places:
        order = stream.random((n_draws, len(where))).argsort(axis=1)
        drawn[:, where] = labels[where][order]
    return Deals(drawn, False, possible)


def _n_orders(labels: NDArray[np.int64]) -> int:
    _, counts = np.unique(labels, return_counts=True)
    return math.factorial(len(labels)) // math.prod(math.factorial(int(k)) for k in counts)


def _orders(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return all different orders of labels, shape ``(n_orders, n_units)``."""
    names, counts = np.unique(labels, return_counts=True)
    rows = [[int(names[-1])] * len(labels)]
    free = [list(range(len(labels)))]
    for name, k in zip(names[:-1].tolist(), counts[:-1].tolist(), strict=True):
        next_rows, next_free = [], []
        for row, open_places in zip(rows, free, strict=True):
            for chosen in itertools.combinations(open_places, k):
                next_rows.append([name if i in chosen else v for i, v in enumerate(row)])
                next_free.append([i for i in open_places if i not in chosen])
        rows, free = next_rows, next_free
    return np.array(rows, dtype=np.int64)


def n_arrangements(member: NDArray[np.bool_], blocks: Sequence[str]) -> int:
    """Return in how many ways a label can be dealt out within blocks.

    Examples
    --------
    >>> n_arrangements(np.array([True, True, False, False]), ["A", "B", "A", "B"])
    4
    """
    return math.prod(math.comb(len(w), int(member[w].sum())) for w in _places(blocks))


def _places(blocks: Sequence[str]) -> list[NDArray[np.intp]]:
    names = np.asarray(blocks, dtype=str)
    return [np.flatnonzero(names == block) for block in sorted(set(blocks))]


def _all(places: Sequence[NDArray[np.intp]], counts: Sequence[int], n: int) -> NDArray[np.bool_]:
    table = np.zeros((1, n), dtype=bool)
    for where, k in zip(places, counts, strict=True):
        chosen = list(itertools.combinations(where.tolist(), k))
        one = np.zeros((len(chosen), n), dtype=bool)
        for row, units in enumerate(chosen):
            one[row, list(units)] = True
        table = (table[:, None, :] | one[None, :, :]).reshape(-1, n)
    return table


def smallest_label_p(member: NDArray[np.bool_], blocks: Sequence[str], n_possible: int) -> float:
    """Return the smallest two-sided p: twice as large if the groups can be swapped whole.

    Blocks that hold one group only have no part in a statistic within blocks.

    Examples
    --------
    >>> smallest_label_p(np.array([True, True, False, False]), ["A"] * 4, 6) == 2 / 6
    True
    >>> smallest_label_p(np.array([True, True, False, False]), ["A", "B", "B", "C"], 2)
    1.0
    """
    counts = [(int(member[where].sum()), len(where)) for where in _places(blocks)]
    balanced = all(2 * k == n for k, n in counts if 0 < k < n)
    return (2.0 if balanced else 1.0) / n_possible


def two_sided_p(
    statistics: NDArray[np.float64], observed: float, scale: float, *, enumerated: bool
) -> float:
    """Return the share of arrangements at least as far from zero as the observed one.

    Parameters
    ----------
    statistics
        The statistic under each arrangement, centred on zero, shape ``(n_arrangements,)``.
    observed
        The statistic as observed.
    scale
        Size of the terms that were added up; statistics closer than 1e-10 of it are tied.
    enumerated
        Whether the observed arrangement is among them; if not it is counted in.
    """
    reached = int(np.count_nonzero(np.abs(statistics) >= abs(observed) - _TIE * scale))
    if enumerated:
        return reached / len(statistics)
    return (reached + 1) / (len(statistics) + 1)


def equal_tailed(
    limits: NDArray[np.float64], n_arrangements: int, level: float
) -> tuple[float, float, float]:
    """Return the interval that a permutation test leaves when it is turned round.

    Parameters
    ----------
    limits
        For each arrangement but the observed one, the shift at which it ties with the observed
        arrangement, shape ``(n_arrangements - 1,)``.
    n_arrangements
        Arrangements, the observed one among them.
    level
        Confidence asked for.

    Returns
    -------
    tuple of float
        Lower limit, upper limit, attained level (at least ``level``); limits are NaN and the level
        is the highest attainable one where ``level`` cannot be reached.

    References
    ----------
    Hartigan, J. A. (1969). Using subsample values as typical values. Journal of the American
    Statistical Association 64, 1303-1317.
    """
    k = math.floor((1.0 - level) / 2.0 * n_arrangements + 1e-9)
    if k < 1:
        return math.nan, math.nan, 1.0 - 2.0 / n_arrangements
    ends = np.partition(limits, [k - 1, len(limits) - k])
    return float(ends[k - 1]), float(ends[len(limits) - k]), 1.0 - 2.0 * k / n_arrangements
