"""Who is held out with whom: folds of whole groups, and the training sets they make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

INNER_FOLDS_OF_TWO = 6
"""Inner folds where there are only two outer ones, which leave no others to use."""


def dealt_folds(
    labels: NDArray[np.int_],
    strata: NDArray[np.int_],
    n_folds: int,
    rng: np.random.Generator,
) -> NDArray[np.int_]:
    """Deal groups into folds so that classes, and strata within them, are spread evenly.

    Parameters
    ----------
    labels
        Class number of every group, shape ``(n_groups,)``.
    strata
        Further number (the block) of every group; zeros if there is none.
    n_folds
        Number of folds.
    rng
        Random stream.

    Returns
    -------
    numpy.ndarray
        Fold of every group, from 0; a class of two groups or more is in at least two folds.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> dealt = dealt_folds(np.repeat([0, 1], 6), np.zeros(12, dtype=int), 3, rng)
    >>> np.bincount(dealt[:6]).tolist(), np.bincount(dealt[6:]).tolist()
    ([2, 2, 2], [2, 2, 2])
    """
    shuffled = rng.permutation(len(labels))
    order = shuffled[np.lexsort((strata[shuffled], labels[shuffled]))]
    names = rng.permutation(n_folds)
    folds = np.empty(len(labels), dtype=np.int_)
    folds[order] = names[np.arange(len(labels)) % n_folds]
    return folds


@dataclass(frozen=True)
class Scheme:
    """All training sets of one repeat of the nested validation.

    Attributes
    ----------
    fold
        Outer fold of every scan, shape ``(n_scans,)``.
    training
        Training scans (true) of every set, shape ``(n_sets, n_scans)``.
    outer
        Set that is everything but outer fold ``i``.
    inner
        For outer fold ``i``: pairs of a set and the scans (true) it is judged on; none of these
        are in fold ``i``.
    """

    fold: NDArray[np.int_]
    training: NDArray[np.bool_]
    outer: tuple[int, ...]
    inner: tuple[tuple[tuple[int, NDArray[np.bool_]], ...], ...]

    @property
    def n_folds(self) -> int:
        """Number of outer folds."""
        return len(self.outer)


def scheme_of(fold: NDArray[np.int_], units: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
    """Lay out outer and inner training sets.

    The inner folds of an outer fold are the remaining outer folds, so one set that leaves out two
    folds serves both of them: six folds need 21 sets. With two outer folds the units of each
    training half are dealt, without looking at labels, into inner folds of their own.

    Parameters
    ----------
    fold
        Outer fold of every scan, from 0.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with two outer folds.

    Returns
    -------
    Scheme
        Training sets and how they pair up.
    """
    n_folds = int(fold.max()) + 1
    training: list[NDArray[np.bool_]] = [fold != i for i in range(n_folds)]
    if n_folds == 2:
        inner = _inner_of_two(fold, units, training, rng)
        return Scheme(fold, np.array(training), (0, 1), inner)
    pairs: dict[tuple[int, int], int] = {}
    for i in range(n_folds):
        for j in range(i + 1, n_folds):
            pairs[i, j] = pairs[j, i] = len(training)
            training.append((fold != i) & (fold != j))
    listed = tuple(
        tuple((pairs[i, j], fold == j) for j in range(n_folds) if j != i) for i in range(n_folds)
    )
    return Scheme(fold, np.array(training), tuple(range(n_folds)), listed)


def _inner_of_two(
    fold: NDArray[np.int_],
    units: NDArray[np.int_],
    training: list[NDArray[np.bool_]],
    rng: np.random.Generator,
) -> tuple[tuple[tuple[int, NDArray[np.bool_]], ...], ...]:
    """Append the inner training sets of two outer folds and return how they are judged."""
    listed = []
    for i in range(2):
        part = fold != i
        there = np.unique(units[part])
        nothing = np.zeros(len(there), dtype=np.int_)
        n_inner = min(INNER_FOLDS_OF_TWO, len(there))
        where = np.full(int(units.max()) + 1, -1)
        where[there] = dealt_folds(nothing, nothing, n_inner, rng)
        own = []
        for j in range(n_inner):
            judged = part & (where[units] == j)
            own.append((len(training), judged))
            training.append(part & ~judged)
        listed.append(tuple(own))
    return tuple(listed)
