"""What would chance do: signs flipped, labels permuted within blocks, differences studentised?

A difference of means alone has no fixed spread when labels are dealt out anew: with few variable
units against many uniform ones its permutation test refuses far too often. Divided by a standard
error that allows unequal variances, the test is exact where the treatment does nothing to any unit,
and keeps its level in large samples where only the means are alike. The statistic is that of the
linear model y ~ treatment + block with the standard error HC2. Without blocks it is Welch's t, in
blocks of two it is the paired t. Own code, because no library fits the model to thousands of
arrangements and columns in a few products of matrices.

References
----------
Janssen, A. (1997). Studentized permutation tests for non-i.i.d. hypotheses and the generalized
Behrens-Fisher problem. Statistics & Probability Letters 36, 9-21.
Chung, E. and Romano, J. P. (2013). Exact and asymptotically robust permutation tests. Annals of
Statistics 41, 484-507.
Wu, J. and Ding, P. (2021). Randomization tests for weak null hypotheses in randomized experiments.
Journal of the American Statistical Association 116, 1898-1913 (blocks).
MacKinnon, J. G. and White, H. (1985). Journal of Econometrics 29, 305-325 (HC2).
"""

from __future__ import annotations

import itertools
import math
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Random numbers that are the same on every run: one seed, one purpose, one stream.
# ----------------------------------------------------------------------


def generator(seed: int, *purpose: str | int) -> np.random.Generator:
    """Return the random stream that belongs to a seed and a purpose.

    Parameters
    ----------
    seed
        The seed of the settings.
    purpose
        What the numbers are for, such as ``("folds", 3)``; other words, other numbers.
    """
    words = [zlib.crc32(str(word).encode()) for word in purpose]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *words])))


# Rearrangements under which nothing should change if the treatment does nothing.
# ----------------------------------------------------------------------
# Two kinds: the sign of each unit's change is flipped (paired data), or the treatment labels are
# dealt out anew, within blocks where the layout was in blocks. Few arrangements are enumerated,
# many are drawn at random from a seeded stream.
#
# References
# ----------
# Fisher, R. A. (1935). The Design of Experiments, sections 20-21. Oliver and Boyd.
# Phipson, B. and Smyth, G. K. (2010). Permutation p-values should never be zero. Statistical
# Applications in Genetics and Molecular Biology 9, article 39: p = (b + 1) / (B + 1) when drawn.

FLIP_LIMIT = 20
"""Up to this many units all 2^n sign patterns are enumerated."""
ARRANGEMENT_LIMIT = 100_000
"""Up to this many arrangements of the labels all of them are enumerated."""
_TIE = 1e-10
Blocks = Sequence[str] | NDArray[np.int_]
"""Block of each unit, by name or number."""


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
    >>> from leafledger.resampling.permutation import generator
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


def permuted_group(treated: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], float]:
    """Return the group whose label is dealt out, and the sign that makes it treated - reference.

    It is the group of the first unit, whatever its name, so that calling the other one the
    control leaves every draw, and with it every digit of p, as it was.

    Parameters
    ----------
    treated
        Shape ``(n_units,)``, units in the order of their id.

    Examples
    --------
    >>> group, sign = permuted_group(np.array([False, True]))
    >>> group.tolist(), sign
    ([True, False], -1.0)
    """
    return treated == treated[0], 1.0 if treated[0] else -1.0


@dataclass(frozen=True)
class Arrangements:
    """Ways to deal out labels among the units.

    Attributes
    ----------
    labels
        Label of each unit, shape ``(n_arrangements, n_units)``.
    enumerated
        All arrangements (the observed one among them), or a random draw.
    n_possible
        How many arrangements there are in all.
    """

    labels: NDArray[np.int64]
    enumerated: bool
    n_possible: int

    @property
    def member(self) -> NDArray[np.bool_]:
        """Whether a unit carries the label 0, shape ``(n_arrangements, n_units)``."""
        return np.asarray(self.labels == 0)


def label_arrangements(
    member: NDArray[np.bool_],
    blocks: Blocks,
    n_draws: int,
    stream: np.random.Generator,
) -> Arrangements:
    """Return arrangements of one label, here called 0, that keep its count within every block.

    A draw does not depend on who carries the label as observed.

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
    >>> from leafledger.resampling.permutation import generator
    >>> held = np.array([True, True, False, False])
    >>> label_arrangements(held, ["A", "A", "A", "A"], 99, generator(1)).n_possible
    6
    >>> label_arrangements(held, ["A", "B", "A", "B"], 99, generator(1)).n_possible
    4
    """
    labels = (~member).astype(np.int64)
    for where in _places(blocks):
        labels[where] = np.sort(labels[where])
    return label_permutations(labels, blocks, n_draws, stream, ARRANGEMENT_LIMIT)


def label_permutations(
    labels: NDArray[np.int64],
    blocks: Blocks,
    n_draws: int,
    stream: np.random.Generator,
    limit: int,
) -> Arrangements:
    """Return arrangements of several labels that keep the count of each within every block.

    A draw rearranges units, whatever their labels are called.

    Parameters
    ----------
    labels
        Label of each unit as observed, shape ``(n_units,)``.
    blocks
        Block of each unit; the same throughout if there are none.
    n_draws
        Arrangements drawn when there are more than ``limit``.
    stream
        Random stream for the draw.
    limit
        Up to so many arrangements all of them are enumerated, in lexicographic order.

    Examples
    --------
    >>> from leafledger.resampling.permutation import generator
    >>> held = np.array([0, 1, 2, 0])
    >>> label_permutations(held, ["A"] * 4, 99, generator(1), 100).n_possible
    12
    >>> label_permutations(held, ["A", "A", "B", "B"], 99, generator(1), 100).labels.tolist()
    [[0, 1, 0, 2], [0, 1, 2, 0], [1, 0, 0, 2], [1, 0, 2, 0]]
    """
    places = _places(blocks)
    possible = n_arrangements(labels, blocks)
    if possible <= limit:
        table = np.zeros((1, len(labels)), dtype=np.int64)
        for where in places:
            orders = _orders(labels[where])
            table = np.repeat(table, len(orders), axis=0)
            table[:, where] = np.tile(orders, (len(table) // len(orders), 1))
        return Arrangements(table, True, possible)
    drawn = np.empty((n_draws, len(labels)), dtype=np.int64)
    for where in places:
        order = stream.random((n_draws, len(where))).argsort(axis=1)
        drawn[:, where] = labels[where][order]
    return Arrangements(drawn, False, possible)


def n_arrangements(labels: NDArray[np.generic], blocks: Blocks) -> int:
    """Return in how many ways labels can be dealt out within blocks.

    Examples
    --------
    >>> n_arrangements(np.array([True, True, False, False]), ["A", "B", "A", "B"])
    4
    """
    total = 1
    for where in _places(blocks):
        n = 0
        for count in np.unique(labels[where], return_counts=True)[1].tolist():
            n += count
            total *= math.comb(n, count)
    return total


def _orders(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return all different orders of labels, shape ``(n_orders, n_units)``, lexicographic."""
    names, counts = np.unique(labels, return_counts=True)
    rows = np.full((1, len(labels)), names[-1], dtype=np.int64)
    free = np.arange(len(labels))[None, :]  # places of each row that have no label yet
    for name, k in zip(names[:-1].tolist(), counts[:-1].tolist(), strict=True):
        n = free.shape[1]
        chosen = np.array(list(itertools.combinations(range(n), k)), dtype=np.intp)
        others = np.ones((len(chosen), n), dtype=bool)
        np.put_along_axis(others, chosen, False, axis=1)
        rows = np.repeat(rows, len(chosen), axis=0)
        np.put_along_axis(rows, free[:, chosen].reshape(-1, k), name, axis=1)
        free = free[:, np.nonzero(others)[1].reshape(-1, n - k)].reshape(-1, n - k)
    return rows


def _places(blocks: Blocks) -> list[NDArray[np.intp]]:
    """Return the units of every block, blocks in sorted order."""
    names = np.asarray(blocks)
    return [np.flatnonzero(names == block) for block in np.unique(names)]


def smallest_label_p(member: NDArray[np.bool_], blocks: Blocks, n_possible: int) -> float:
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


# The studentised difference of two groups within blocks, for many arrangements at once.
# ----------------------------------------------------------------------

Array = NDArray[np.float64]

_LEVERAGE = 1e-9
"""A unit whose leverage is one up to this has no residual: there is no standard error."""
_NO_ERROR = 1e-12
"""A squared error up to this share of what it was subtracted from is rounding."""
_STEPS = 200
"""Doublings and halvings of an interval at most; 2^200 standard errors are never reached."""
_TOLERANCE = 1e-9
"""Limits of an interval are found to this share of the standard error."""


@dataclass(frozen=True)
class Weights:
    """What an arrangement contributes to estimate and standard error, whatever the values.

    Attributes
    ----------
    d
        Label less its share within the block: ``d~ = M d``, M the residual maker of the blocks;
        shape ``(n_arrangements, n_units)``.
    size
        ``d~'d~``, shape ``(n_arrangements, 1)``; 1 where no block holds both groups.
    w
        ``d~_i^2 / (1 - h_i) / (d~'d~)^2``, h the leverage; shape ``(n_arrangements, n_units)``.
    defined
        Whether there is a standard error, shape ``(n_arrangements,)``.
    """

    d: Array
    size: Array
    w: Array
    defined: NDArray[np.bool_]

    @property
    def spread(self) -> Array:
        """Return ``sum_i w_i d~_i^2``, shape ``(n_arrangements, 1)``."""
        return np.asarray((self.w * self.d**2).sum(axis=1, keepdims=True))


def block_matrix(blocks: Sequence[str]) -> Array:
    """Return which unit stands in which block, 0 or 1, shape ``(n_units, n_blocks)``.

    Examples
    --------
    >>> block_matrix(["A", "B", "A"]).tolist()
    [[1.0, 0.0], [0.0, 1.0], [1.0, 0.0]]
    """
    names = np.asarray(blocks, dtype=str)
    return np.asarray(names[:, None] == np.unique(names)[None, :], dtype=np.float64)


def within_blocks(values: Array, blocks: Sequence[str]) -> Array:
    """Return values less the mean of their block: ``y~ = M y``, shape ``(n_units, n_columns)``.

    Examples
    --------
    >>> within_blocks(np.array([[1.0], [5.0], [3.0]]), ["A", "B", "A"]).tolist()
    [[-1.0], [0.0], [1.0]]
    """
    indicator = block_matrix(blocks)
    return np.asarray(values - indicator @ (indicator.T @ values / indicator.sum(axis=0)[:, None]))


def weights_of(member: NDArray[np.bool_], blocks: Sequence[str]) -> Weights:
    """Return the weights of every arrangement of one label.

    Parameters
    ----------
    member
        Whether a unit carries the label, shape ``(n_arrangements, n_units)``.
    blocks
        Block of each unit; the same word throughout if there are none.

    Notes
    -----
    Units of a block that holds one group only have ``d~ = 0`` and drop out of both sums, a unit
    alone in its block among them.
    """
    in_block = block_matrix(blocks)
    inside = member.astype(np.float64)
    # 1. d~ = M d: the label less its share of the block.
    d = inside - (inside @ in_block / in_block.sum(axis=0)) @ in_block.T
    squares = d**2
    size = squares.sum(axis=1, keepdims=True)
    size[size == 0] = 1.0
    # 2. 1 - h_i, h_i = 1 / n_block + d~_i^2 / d~'d~ (Frisch and Waugh).
    one_minus_h = (1.0 - in_block @ (1.0 / in_block.sum(axis=0))) - squares / size
    takes_part = squares > 0
    bad = takes_part & (one_minus_h <= _LEVERAGE)
    # 3. HC2: var(beta) = sum_i w_i e_i^2.
    w = np.divide(squares, one_minus_h * size**2, out=np.zeros_like(d), where=takes_part & ~bad)
    return Weights(d, size, w, takes_part.any(axis=1) & ~bad.any(axis=1))


def estimates(weights: Weights, values: Array) -> tuple[Array, Array]:
    """Return estimate and squared standard error of every arrangement and column.

    Parameters
    ----------
    weights
        Of the arrangements.
    values
        ``y~`` of :func:`within_blocks`, shape ``(n_units, n_columns)``.

    Returns
    -------
    tuple of ndarray
        ``beta`` and its HC2 variance, shape ``(n_arrangements, n_columns)``. Differences that
        rounding may have made are a variance of 0.
    """
    # 1. beta = d~'y~ / d~'d~
    beta = weights.d @ values
    beta /= weights.size
    # 2. sum w e^2 with e = y~ - d~ beta, as three sums that are products of matrices.
    variance = weights.w @ values**2
    cross = (weights.w * weights.d) @ values
    cross *= beta
    variance -= 2.0 * cross
    of_beta = beta**2
    of_beta *= weights.spread
    variance += of_beta
    variance[variance <= _NO_ERROR * of_beta] = 0.0
    return beta, variance


def between_permuted_groups(
    group: NDArray[np.bool_], reference: NDArray[np.bool_], blocks: Sequence[str], values: Array
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return estimate and squared standard error where the units compared differ by arrangement.

    With several treatments the labels of all are dealt out together, so that the two groups of a
    contrast are other units in every arrangement and the means of the blocks change with them.

    Parameters
    ----------
    group, reference
        Units of the two groups, shape ``(n_arrangements, n_units)``.
    blocks
        Block of each unit.
    values
        Shape ``(n_units, n_columns)``; less the mean of their block, so that squares stay small.

    Returns
    -------
    tuple of ndarray
        ``beta`` and its HC2 variance, shape ``(n_arrangements, n_columns)``, and whether there is
        a standard error, shape ``(n_arrangements,)``.
    """
    in_block = block_matrix(blocks)
    first, second = group.astype(np.float64), reference.astype(np.float64)
    n_1, n_0 = first @ in_block, second @ in_block
    n = np.maximum(n_1 + n_0, 1.0)
    share = n_1 / n
    mixed = (n_1 > 0) & (n_0 > 0)
    size = (n_1 * n_0 / n).sum(axis=1, keepdims=True)
    size[size == 0] = 1.0
    # 1. d~ and w take one value in each group of a block.
    d_1, d_0 = np.where(mixed, 1.0 - share, 0.0), np.where(mixed, -share, 0.0)
    one_minus_h_1, one_minus_h_0 = (1.0 - 1.0 / n - d**2 / size for d in (d_1, d_0))
    bad = mixed & ((one_minus_h_1 <= _LEVERAGE) | (one_minus_h_0 <= _LEVERAGE))
    sound = mixed & ~bad
    w_1, w_0 = (
        np.divide(d**2, one_minus_h * size**2, out=np.zeros_like(d), where=sound)
        for d, one_minus_h in ((d_1, one_minus_h_1), (d_0, one_minus_h_0))
    )
    # 2. beta = d~'y / d~'d~
    beta = (first * (d_1 @ in_block.T) + second * (d_0 @ in_block.T)) @ values / size
    # 3. sum w e^2: within a group of a block every e is y less one fitted value c.
    variance = (first * (w_1 @ in_block.T) + second * (w_0 @ in_block.T)) @ values**2
    taken = np.zeros_like(variance)
    for b in np.flatnonzero(sound.any(axis=0)):
        rows = np.flatnonzero(in_block[:, b])
        s_1, s_0 = first[:, rows] @ values[rows], second[:, rows] @ values[rows]
        centre = (s_1 + s_0) / n[:, [b]]
        for w, d, s, count in ((w_1, d_1, s_1, n_1), (w_0, d_0, s_0, n_0)):
            c = centre + d[:, [b]] * beta
            taken += w[:, [b]] * c * (2.0 * s - count[:, [b]] * c)
    rounding = _NO_ERROR * variance
    variance -= taken
    variance[variance <= rounding] = 0.0
    return beta, variance, mixed.any(axis=1) & ~bad.any(axis=1)


def common_scale(df: Array) -> tuple[Callable[[Array], Array], Callable[[Array], Array]]:
    """Return what makes |t| of columns with different degrees of freedom comparable, and its way
    back.

    A large |t| is common with few units and rare with many; where the numbers differ, the tail of
    Student's distribution takes the place of |t| (Westfall and Young's smallest p), as minus its
    logarithm.
    """
    if len(np.unique(df)) <= 1:
        return (lambda t: t), (lambda t: t)
    df_used = np.maximum(df, 1.0)

    def tail(t: Array) -> Array:
        from scipy.special import stdtr

        with np.errstate(divide="ignore"):
            return np.asarray(-np.log(stdtr(df_used, -t)), dtype=np.float64)

    def back(size: Array) -> Array:
        from scipy.special import stdtrit

        return np.asarray(-stdtrit(df_used, np.exp(-size)), dtype=np.float64)

    return tail, back


class ShiftTest:
    """The studentised test of every shift of the first group, for one column of values.

    The values enter as ``y = r + beta d`` with r the residuals of the observed arrangement. Testing
    ``y - theta d`` is testing ``r - (theta - beta) d``: in every arrangement estimate and variance
    are a line and a parabola in the shift ``s = theta - beta``, so that one shift costs one small
    product whatever the number of units.

    Parameters
    ----------
    weights
        Of all arrangements, each with as many labels in each block as observed.
    residuals
        ``r``, within blocks, 0 in blocks of one group; shape ``(n_units,)``.
    observed
        Weights of the observed arrangement.

    Notes
    -----
    |t| is compared on the scale ``u^2 = beta^2 B / (beta^2 B + var)`` with ``B = sum w d~^2``,
    which is the same for all arrangements; u lies in [0, 1] and is known to 1e-15, so that
    arrangements closer than 1e-10 are tied and a standard error of 0 needs no care.
    """

    def __init__(self, weights: Weights, residuals: Array, observed: Weights) -> None:
        label = observed.d[0]
        both = np.column_stack([residuals, label])
        beta = weights.d @ both / weights.size
        crossed = (weights.w * weights.d) @ both
        squares = weights.w @ np.column_stack([residuals**2, residuals * label, label**2])
        a, b = beta.T
        wa, wb = crossed.T
        spread = weights.spread[:, 0]
        explained = [spread * a**2, -2.0 * spread * a * b, spread * b**2]
        residual_terms = [
            squares[:, 0] - 2.0 * a * wa + spread * a**2,
            -2.0 * (squares[:, 1] - a * wb - b * wa + spread * a * b),
            squares[:, 2] - 2.0 * b * wb + spread * b**2,
        ]
        # beta^2 B and var of every arrangement, by powers of the shift.
        self._terms = np.column_stack(explained + residual_terms)
        self._spread = float(observed.spread[0, 0])
        self.variance = float(observed.w[0] @ residuals**2)

    def reached(self, shift: float) -> int:
        """Return how many arrangements have a |t| as large as the observed one, under a shift.

        Parameters
        ----------
        shift
            Tested difference less the estimate, in the unit of the values.
        """
        explained = shift**2 * self._spread
        size = math.sqrt(explained / (explained + self.variance)) if explained > 0 else 0.0
        limit = max(0.0, size - _TIE) ** 2
        if limit == 0.0:
            return len(self._terms)
        powers = np.array([1.0, shift, shift**2])
        # u^2 >= limit, multiplied out
        beyond = self._terms @ np.concatenate([(1.0 - limit) * powers, -limit * powers])
        return int(np.count_nonzero(beyond >= 0.0))

    def limits(self, most: int) -> tuple[float, float]:
        """Return the shifts on either side at which the test begins to refuse.

        Parameters
        ----------
        most
            The test refuses where at most so many arrangements reach the observed |t|.

        Returns
        -------
        tuple of float
            Lower (negative) and upper shift, found by bisection from the estimate outwards to
            1e-9 of the standard error; infinite where the test refuses nowhere.
        """
        error = math.sqrt(self.variance)
        low, high = (self._limit(side * error, most) for side in (-1.0, 1.0))
        return low, high

    def _limit(self, error: float, most: int) -> float:
        inside, outside = 0.0, 2.0
        for _ in range(_STEPS):
            if self.reached(outside * error) <= most:
                break
            inside, outside = outside, 2.0 * outside
        else:
            return math.copysign(math.inf, error)
        while outside - inside > _TOLERANCE:
            middle = (inside + outside) / 2.0
            if not inside < middle < outside:
                break
            if self.reached(middle * error) <= most:
                outside = middle
            else:
                inside = middle
        return outside * error
