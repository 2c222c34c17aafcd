"""Adjusted p of many statistics at once: the step-down largest-|t| method.

Every rearrangement is applied to whole units, so all columns (indices, sessions) are rearranged
together and their correlation is kept: fifty indices that move as one cost little more than one.

References
----------
Westfall, P. H. and Young, S. S. (1993). Resampling-Based Multiple Testing, algorithm 2.8. Wiley.
Phipson, B. and Smyth, G. K. (2010). Statistical Applications in Genetics and Molecular Biology 9,
article 39: p = (b + 1) / (B + 1) when drawn.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.permutation import label_arrangements, n_arrangements, smallest_label_p

Array = NDArray[np.float64]

ENUMERATED_FLIPS = 16
"""Up to this many units all 2^n sign patterns are enumerated for every column."""
_CHUNK = 1000
_TIE = 1e-9


@dataclass(frozen=True)
class MaxT:
    """Adjusted p of every column.

    Attributes
    ----------
    p
        Shape ``(n_columns,)``; ``NaN`` where the column has no t.
    p_smallest
        The smallest adjusted p that so many units can reach.
    n_draws
        Random arrangements; 0 if all were enumerated.
    """

    p: Array
    p_smallest: float
    n_draws: int


def max_t_flips(changes: Array, n_draws: int, stream: np.random.Generator) -> MaxT:
    """Adjust one-sample t tests by flipping the signs of whole units.

    Parameters
    ----------
    changes
        One change per unit and column, shape ``(n_units, n_columns)``; ``NaN`` where a unit takes
        no part in a column. A unit keeps or flips its sign in all columns together.
    n_draws
        Patterns drawn with more than 16 units.
    stream
        Random stream for the draw.

    Examples
    --------
    >>> from leafledger.chance.seeds import generator
    >>> max_t_flips(np.array([[1.0], [2.0], [3.0], [4.0]]), 99, generator(1)).p.tolist()
    [0.125]
    """
    here = np.isfinite(changes)
    values = np.where(here, changes, 0.0)
    count = here.sum(axis=0).astype(np.float64)
    squares = (values**2).sum(axis=0)
    floor = _floor(values)

    scale = _common_scale(count - 1.0)

    def sizes(signs: Array) -> Array:
        mean = signs @ values / np.maximum(count, 1.0)
        spread = np.maximum(squares - count * mean**2, 0.0)
        error = np.sqrt(spread / np.maximum(count - 1.0, 1.0) / np.maximum(count, 1.0))
        return scale(_ratio(mean, error, floor))

    n = len(changes)
    smallest = min(1.0, 2.0 ** (1.0 - float(count.max(initial=1.0))))
    observed = _observed(sizes(np.ones((1, n)))[0], count >= 2)
    if n <= ENUMERATED_FLIPS:
        patterns = np.array(list(itertools.product((1.0, -1.0), repeat=n))).reshape(-1, n)
        return _adjusted(observed, sizes, _chunks(patterns), 0, smallest)
    drawn = 2.0 * stream.integers(0, 2, size=(n_draws, n)) - 1.0
    smallest = max(smallest, 1.0 / (n_draws + 1))
    return _adjusted(observed, sizes, _chunks(drawn), n_draws, smallest)


def max_t_labels(
    changes: Array,
    member: NDArray[np.bool_],
    blocks: Sequence[str],
    n_draws: int,
    stream: np.random.Generator,
) -> MaxT:
    """Adjust two-sample (Welch) t tests by dealing out the labels anew within blocks.

    Parameters
    ----------
    changes
        One change per unit and column, shape ``(n_units, n_columns)``; ``NaN`` where a unit takes
        no part in a column.
    member
        Whether a unit carries the label that is dealt out, shape ``(n_units,)``.
    blocks
        Block of each unit; the same word throughout if there are none.
    n_draws
        Arrangements drawn when there are more than 100,000.
    stream
        Random stream for the draw.

    Notes
    -----
    An arrangement that leaves a column fewer than two units on one side has no t there; it is
    counted as reached, which can only make p larger.
    """
    here = np.isfinite(changes).astype(np.float64)
    centre = np.nansum(changes, axis=0) / np.maximum(here.sum(axis=0), 1.0)
    values = np.where(here > 0, changes - centre, 0.0)
    floor = _floor(np.where(here > 0, changes, 0.0))
    total, total_squares, count = values.sum(axis=0), (values**2).sum(axis=0), here.sum(axis=0)

    scale = _common_scale(count - 2.0)

    def sizes(inside: Array) -> Array:
        n = inside @ here
        m = count - n
        one, two = inside @ values, inside @ values**2
        error = np.sqrt(
            _squared_error(one, two, n) + _squared_error(total - one, total_squares - two, m)
        )
        mean = one / np.maximum(n, 1.0) - (total - one) / np.maximum(m, 1.0)
        return np.where((n < 2) | (m < 2), np.inf, scale(_ratio(mean, error, floor)))

    observed = _observed(sizes(member[None, :].astype(np.float64))[0], np.ones(len(count), bool))
    dealt = label_arrangements(member, blocks, n_draws, stream)
    smallest = _smallest(here > 0, member, blocks)
    if dealt.enumerated:
        return _adjusted(observed, sizes, _chunks(dealt.member), 0, smallest)
    smallest = max(smallest, 1.0 / (n_draws + 1))
    return _adjusted(observed, sizes, _chunks(dealt.member), n_draws, smallest)


def _smallest(here: NDArray[np.bool_], member: NDArray[np.bool_], blocks: Sequence[str]) -> float:
    """Return the smallest p of any column: that of the units that take part in it."""
    out = 1.0
    for taking_part in {tuple(column) for column in here.T.tolist()}:
        rows = [i for i, takes in enumerate(taking_part) if takes]
        own, where = member[rows], [blocks[i] for i in rows]
        out = min(out, smallest_label_p(own, where, n_arrangements(own, where)))
    return out


def _common_scale(df: Array) -> Callable[[Array], Array]:
    """Return what makes |t| of columns with different numbers of units comparable.

    A large |t| is common with few units and rare with many; where the numbers differ, the tail of
    Student's distribution takes the place of |t| (Westfall and Young's smallest p).
    """
    if len(np.unique(df)) <= 1:
        return lambda t: t

    def tail(t: Array) -> Array:
        from scipy.special import stdtr

        with np.errstate(divide="ignore"):
            return np.asarray(-np.log(stdtr(np.maximum(df, 1.0), -t)), dtype=np.float64)

    return tail


def _squared_error(total: Array, squares: Array, n: Array) -> Array:
    spread = np.maximum(squares - total**2 / np.maximum(n, 1.0), 0.0)
    return np.asarray(spread / np.maximum(n - 1.0, 1.0) / np.maximum(n, 1.0))


def _floor(values: Array) -> Array:
    """Return the standard error below which a column varies by rounding only."""
    return np.asarray(1e-12 * np.maximum(np.abs(values).max(axis=0, initial=0.0), 1e-300))


def _ratio(mean: Array, error: Array, floor: Array) -> Array:
    """Return |t|; infinite where units that are alike differ from zero, 0 where they do not."""
    t = np.divide(np.abs(mean), error, out=np.zeros_like(mean), where=error > floor)
    return np.where((error <= floor) & (np.abs(mean) > floor), np.inf, t)


def _observed(sizes: Array, possible: NDArray[np.bool_]) -> Array:
    return np.where(possible & np.isfinite(sizes), sizes, np.nan)


def _chunks(arrangements: NDArray[np.generic]) -> Iterator[Array]:
    for start in range(0, len(arrangements), _CHUNK):
        yield arrangements[start : start + _CHUNK].astype(np.float64)


def _adjusted(
    observed: Array,
    sizes: Callable[[Array], Array],
    chunks: Iterator[Array],
    n_draws: int,
    smallest: float,
) -> MaxT:
    known = np.flatnonzero(np.isfinite(observed))
    order = known[np.argsort(-observed[known], kind="stable")]
    limits = observed[order] * (1.0 - _TIE)
    reached, total = np.zeros(len(order)), 0
    for chunk in chunks:
        drawn = sizes(chunk)[:, order]
        # From the smallest observed |t| up: each is compared with the largest of those not above.
        largest = np.maximum.accumulate(drawn[:, ::-1], axis=1)[:, ::-1]
        reached += (largest >= limits).sum(axis=0)
        total += len(chunk)
    itself = 1 if n_draws else 0
    p = np.full(len(observed), np.nan)
    p[order] = np.maximum.accumulate((reached + itself) / (total + itself))
    return MaxT(p, smallest, n_draws)
