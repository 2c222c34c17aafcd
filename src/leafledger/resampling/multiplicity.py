"""How are the p of many tests adjusted: within a family, or by the largest |t|?

The largest |t| under permutation is own code: no library rearranges whole units within blocks and
studentises every column.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.permutation import (
    common_scale,
    estimates,
    label_arrangements,
    n_arrangements,
    smallest_label_p,
    weights_of,
    within_blocks,
)

Array = NDArray[np.float64]


def holm(p: Sequence[float]) -> Array:
    """Return Holm's step-down adjusted p (family-wise error); missing p stay missing.

    Parameters
    ----------
    p
        Raw p of one family, ``NaN`` where a test is undefined; only defined ones are counted.

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal
    of Statistics 6, 65-70.

    Examples
    --------
    >>> holm([0.01, 0.03, 0.02]).tolist()
    [0.03, 0.04, 0.04]
    """

    def adjusted(raw: Array) -> Array:
        # statsmodels' own has the same digits, but collects garbage in all of memory at every call:
        # 58 milliseconds for 50 tests, this 0.01.
        order = np.argsort(raw, kind="stable")
        out = np.empty_like(raw)
        out[order] = np.maximum.accumulate(raw[order] * np.arange(len(raw), 0, -1))
        return out

    return _adjust_defined(p, adjusted)


def benjamini_hochberg(p: Sequence[float]) -> Array:
    """Return Benjamini and Hochberg's adjusted p (false discovery rate).

    Parameters
    ----------
    p
        Raw p of one family, ``NaN`` where a test is undefined; only defined ones are counted.

    References
    ----------
    Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate: a practical and
    powerful approach to multiple testing. Journal of the Royal Statistical Society B 57, 289-300.
    """
    from statsmodels.stats.multitest import fdrcorrection

    return _adjust_defined(p, lambda raw: np.asarray(fdrcorrection(raw)[1], dtype=np.float64))


def _adjust_defined(p: Sequence[float], adjust: Callable[[Array], Array]) -> Array:
    raw = np.asarray(p, dtype=np.float64)
    out = np.full(len(raw), np.nan)
    has_p = np.isfinite(raw)
    if has_p.any():
        # Dividing and multiplying by ranks can end one digit below the raw p.
        out[has_p] = np.minimum(1.0, np.maximum(adjust(raw[has_p]), raw[has_p]))
    return out


# Adjusted p of many statistics at once: the step-down largest-|t| method.
# ----------------------------------------------------------------------
# Every rearrangement is applied to whole units, so all columns (indices, sessions) are rearranged
# together and their correlation is kept: fifty indices that move as one cost little more than one.
#
# References
# ----------
# Westfall, P. H. and Young, S. S. (1993). Resampling-Based Multiple Testing, algorithm 2.8. Wiley.
# Phipson, B. and Smyth, G. K. (2010). Statistical Applications in Genetics and Molecular Biology 9,
# article 39: p = (b + 1) / (B + 1) when drawn.

ENUMERATED_FLIPS = 16
"""Up to this many units all 2^n sign patterns are enumerated for every column."""
_CHUNK = 1000
_TIE = 1e-9
_LARGEST = 1000.0
"""Any larger |t| counts as this one: below it rounding stays under what makes a tie."""


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
    >>> from leafledger.resampling.permutation import generator
    >>> max_t_flips(np.array([[1.0], [2.0], [3.0], [4.0]]), 99, generator(1)).p.tolist()
    [0.125]
    """
    here = np.isfinite(changes)
    values = np.where(here, changes, 0.0)
    count = here.sum(axis=0).astype(np.float64)
    squares = (values**2).sum(axis=0)
    floor = _rounding_floor(values)

    scale, _ = common_scale(count - 1.0)

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
        return _adjusted_p(observed, sizes, _chunks(patterns), 0, smallest)
    drawn = 2.0 * stream.integers(0, 2, size=(n_draws, n)) - 1.0
    smallest = max(smallest, 1.0 / (n_draws + 1))
    return _adjusted_p(observed, sizes, _chunks(drawn), n_draws, smallest)


def max_t_labels(
    changes: Array,
    member: NDArray[np.bool_],
    blocks: Sequence[str],
    n_draws: int,
    stream: np.random.Generator,
) -> MaxT:
    """Adjust tests between two groups by dealing out the labels anew within blocks.

    The statistic is the studentised difference within blocks of
    :mod:`leafledger.resampling.permutation`: Welch's t where there are no blocks.

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
    Labels are dealt out among all units; a column is tested on those that take part in it, with
    the means of its blocks over them. An arrangement that leaves a column without a standard error
    has no t there; it is counted as reached, which can only make p larger.
    """
    floor = _rounding_floor(np.where(np.isfinite(changes), changes, 0.0))
    parts = _parts(changes, blocks)
    scale = _scale_of(parts, changes.shape[1])

    def sizes(inside: Array) -> Array:
        t = np.empty((len(inside), changes.shape[1]))
        for part in parts:
            weights = weights_of(inside[:, part.rows] > 0, part.blocks)
            beta, variance = estimates(weights, part.values)
            t_of_part = _ratio(beta, np.sqrt(variance), floor[part.columns])
            t_of_part[~weights.defined] = np.inf
            t[:, part.columns] = np.where(
                np.isfinite(t_of_part), np.minimum(t_of_part, _LARGEST), t_of_part
            )
        return scale(t)

    observed = _observed(sizes(member[None, :].astype(np.float64))[0], np.ones(len(floor), bool))
    dealt = label_arrangements(member, blocks, n_draws, stream)
    smallest = _smallest_p(parts, member)
    if dealt.enumerated:
        return _adjusted_p(observed, sizes, _chunks(dealt.member), 0, smallest)
    smallest = max(smallest, 1.0 / (n_draws + 1))
    return _adjusted_p(observed, sizes, _chunks(dealt.member), n_draws, smallest)


@dataclass(frozen=True)
class _Part:
    """Columns in which the same units take part, their values less the mean of their block."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    blocks: tuple[str, ...]
    values: Array


def _parts(changes: Array, blocks: Sequence[str]) -> list[_Part]:
    """Return the columns by the units that take part in them: mostly one part."""
    columns: dict[tuple[bool, ...], list[int]] = {}
    for k, taking_part in enumerate(np.isfinite(changes).T.tolist()):
        columns.setdefault(tuple(taking_part), []).append(k)
    out = []
    for taking_part, part_columns in columns.items():
        rows = np.flatnonzero(taking_part)
        where = tuple(blocks[i] for i in rows.tolist())
        values = within_blocks(changes[rows][:, part_columns], where)
        out.append(_Part(rows, np.array(part_columns, dtype=np.intp), where, values))
    return out


def _scale_of(parts: Sequence[_Part], n_columns: int) -> Callable[[Array], Array]:
    """Return the common scale of |t|, by the residual degrees of freedom of every column."""
    df = np.zeros(n_columns)
    for part in parts:
        df[part.columns] = len(part.rows) - len(set(part.blocks)) - 1
    return common_scale(df)[0]


def _smallest_p(parts: Sequence[_Part], member: NDArray[np.bool_]) -> float:
    """Return the smallest p of any column: that of the units that take part in it."""
    out = 1.0
    for part in parts:
        labels = member[part.rows]
        out = min(out, smallest_label_p(labels, part.blocks, n_arrangements(labels, part.blocks)))
    return out


def _rounding_floor(values: Array) -> Array:
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


def _adjusted_p(
    observed: Array,
    sizes: Callable[[Array], Array],
    chunks: Iterator[Array],
    n_draws: int,
    smallest: float,
) -> MaxT:
    testable = np.flatnonzero(np.isfinite(observed))
    order = testable[np.argsort(-observed[testable], kind="stable")]
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
