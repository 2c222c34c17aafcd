"""Which scans train a model and which are held out: the training sets of every kind of split."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

INNER_FOLDS = 8
"""Inner folds where the outer ones leave too few others to use."""
PAIRED_FROM = 5
"""Outer folds from which the remaining ones serve as inner folds: with fewer, an inner training set
would be much smaller than the outer one that it chooses for."""


def assign_folds(
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


def assign_changing_labels(
    codes: NDArray[np.int_], units: NDArray[np.int_], n_folds: int, rng: np.random.Generator
) -> NDArray[np.int_]:
    """Assign units whose label changes to folds, so that the scans of every class are spread.

    Parameters
    ----------
    codes, units
        Class and unit number of every scan.
    n_folds
        Number of folds.
    rng
        Random stream.

    Returns
    -------
    numpy.ndarray
        Fold of every unit, from 0; none is empty.

    Notes
    -----
    scikit-learn's ``StratifiedGroupKFold``: units in falling order of how unevenly their scans
    fall on the classes, each to the fold that it leaves most even.
    """
    from sklearn.model_selection import StratifiedGroupKFold

    seed = int(rng.integers(2**31))
    kfold = StratifiedGroupKFold(n_folds, shuffle=True, random_state=seed)
    fold = np.zeros(int(units.max()) + 1, dtype=np.int_)
    with warnings.catch_warnings():
        # A class of fewer scans than folds is missing from some tests, as with constant labels.
        warnings.filterwarnings("ignore", "The least populated class", UserWarning)
        for i, (_, held) in enumerate(kfold.split(codes, codes, units)):
            fold[units[held]] = i
    return np.unique(fold, return_inverse=True)[1].reshape(-1).astype(np.int_)


def members_of(units: NDArray[np.int_]) -> list[NDArray[np.intp]]:
    """Return the scans of unit 0, 1, ...

    Examples
    --------
    >>> [scans.tolist() for scans in members_of(np.array([1, 0, 1]))]
    [[1], [0, 2]]
    """
    ends = np.cumsum(np.bincount(units))
    return np.split(np.argsort(units, kind="stable"), ends[:-1])


@dataclass(frozen=True)
class Scheme:
    """All training sets of one repeat of the nested validation.

    Attributes
    ----------
    fold
        Outer fold of every scan, shape ``(n_scans,)``; -1 for scans that are never held out.
    training
        Training scans (true) of every set, shape ``(n_sets, n_scans)``.
    outer
        Set that outer fold ``i`` is judged by.
    inner
        For outer fold ``i``: pairs of a set and the scans (true) it is judged on; all of these
        are in the training part of ``i``.
    """

    fold: NDArray[np.int_]
    training: NDArray[np.bool_]
    outer: tuple[int, ...]
    inner: tuple[tuple[tuple[int, NDArray[np.bool_]], ...], ...]

    @property
    def n_folds(self) -> int:
        """Number of outer folds."""
        return len(self.outer)

    @property
    def tested(self) -> NDArray[np.bool_]:
        """Scans that are held out once, shape ``(n_scans,)``."""
        return self.fold >= 0


def scheme_of(fold: NDArray[np.int_], units: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
    """Lay out outer and inner training sets.

    The inner folds of an outer fold are the remaining outer folds, so one set that leaves out two
    folds serves both of them: six folds need 21 sets. With fewer than five outer folds the units
    of each training part are dealt, without looking at labels, into eight inner folds of their
    own. These cannot be stratified, so the error is pooled over all classes.

    Parameters
    ----------
    fold
        Outer fold of every scan, from 0.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with fewer than five outer folds.

    Returns
    -------
    Scheme
        Training sets and how they pair up.
    """
    n_folds = int(fold.max()) + 1
    parts = [fold != i for i in range(n_folds)]
    if n_folds < PAIRED_FROM:
        return blind_inner_scheme(fold, parts, units, rng)
    training = list(parts)
    pairs = _pairs(training, fold, np.ones(len(fold), dtype=bool))
    listed = tuple(
        tuple((pairs[i, j], fold == j) for j in range(n_folds) if j != i) for i in range(n_folds)
    )
    return Scheme(fold, np.array(training), tuple(range(n_folds)), listed)


def blind_inner_scheme(
    fold: NDArray[np.int_],
    parts: Sequence[NDArray[np.bool_]],
    units: NDArray[np.int_],
    rng: np.random.Generator,
) -> Scheme:
    """Lay out given training parts, with inner folds dealt blind to labels.

    Parameters
    ----------
    fold
        Outer fold of every scan; -1 for scans that are never held out.
    parts
        Training scans (true) of every outer fold.
    units
        Unit number of every scan.
    rng
        Random stream.
    """
    training = list(parts)
    inner = tuple(_blind_inner(part, units, training, rng) for part in parts)
    return Scheme(fold, np.array(training), tuple(range(len(parts))), inner)


def one_by_one_scheme(units: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
    """Hold out every unit by itself; inner folds are dealt once, blind to labels, for all."""
    there = np.unique(units)
    fold = np.searchsorted(there, units)
    nothing = np.zeros(len(there), dtype=np.int_)
    dealt = assign_folds(nothing, nothing, min(INNER_FOLDS, len(there) - 1), rng)[fold]
    training = [fold != i for i in range(len(there))]
    outer = tuple(range(len(there)))
    listed = []
    for i in outer:
        own = []
        for j in np.unique(dealt[fold != i]):
            own.append((len(training), (fold != i) & (dealt == j)))
            training.append((fold != i) & (dealt != j))
        listed.append(tuple(own))
    return Scheme(fold, np.array(training), outer, tuple(listed))


def later_days_scheme(
    fold: NDArray[np.int_],
    day: NDArray[np.int_],
    units: NDArray[np.int_],
    rng: np.random.Generator,
) -> Scheme:
    """Train on early days and judge later ones, always on units that training has not seen.

    Parameters
    ----------
    fold
        Fold of every scan's unit, from 0.
    day
        Place of every scan's session in time, from 0; day 0 is never judged.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with fewer than five folds of units.

    Returns
    -------
    Scheme
        An outer fold for every day after the first and every fold of units; it is judged by what
        the other units showed on the days before. The inner loop leaves out the other folds of
        units on those days.
    """
    n_folds = int(fold.max()) + 1
    place = np.full(len(fold), -1)
    training: list[NDArray[np.bool_]] = []
    outer: list[int] = []
    listed: list[tuple[tuple[int, NDArray[np.bool_]], ...]] = []
    for last in np.unique(day)[1:]:
        early = day < last
        start = len(training)
        training += [early & (fold != i) for i in range(n_folds)]
        pairs = _pairs(training, fold, early) if n_folds >= PAIRED_FROM else {}
        for i in range(n_folds):
            judged = (day == last) & (fold == i)
            if not judged.any():
                continue
            place[judged] = len(outer)
            outer.append(start + i)
            if pairs:
                others = [j for j in range(n_folds) if j != i]
                listed.append(tuple((pairs[i, j], early & (fold == j)) for j in others))
            else:
                listed.append(_blind_inner(early & (fold != i), units, training, rng))
    return Scheme(place, np.array(training), tuple(outer), tuple(listed))


def unseen_days_scheme(
    fold: NDArray[np.int_], day: NDArray[np.int_], *, seen: bool = False
) -> Scheme:
    """Hold out every day in turn, always on units that training has not seen.

    Parameters
    ----------
    fold
        Fold of every scan's unit, from 0; at least three.
    day
        Place of every scan's session in time, from 0; at least two.
    seen
        For comparison: as many days are trained on, the one that is judged among them; the day
        after it is left out instead.

    Returns
    -------
    Scheme
        An outer fold for every day and every fold of units: trained on the other units on all
        days but one. The inner loop leaves out the other folds of units on those days.
    """
    n_folds = int(fold.max()) + 1
    place = np.full(len(fold), -1)
    training: list[NDArray[np.bool_]] = []
    outer: list[int] = []
    listed: list[tuple[tuple[int, NDArray[np.bool_]], ...]] = []
    days = np.unique(day)
    for at, held_day in enumerate(days):
        others = day != (days[(at + 1) % len(days)] if seen else held_day)
        start = len(training)
        training += [others & (fold != i) for i in range(n_folds)]
        pairs = _pairs(training, fold, others)
        for i in range(n_folds):
            judged = (day == held_day) & (fold == i)
            if not judged.any():
                continue
            place[judged] = len(outer)
            outer.append(start + i)
            rest = [j for j in range(n_folds) if j != i]
            listed.append(tuple((pairs[i, j], others & (fold == j)) for j in rest))
    return Scheme(place, np.array(training), tuple(outer), tuple(listed))


def _pairs(
    training: list[NDArray[np.bool_]], fold: NDArray[np.int_], part: NDArray[np.bool_]
) -> dict[tuple[int, int], int]:
    """Append the sets of ``part`` without two folds; return where each pair's set stands."""
    n_folds = int(fold.max()) + 1
    pairs: dict[tuple[int, int], int] = {}
    for i in range(n_folds):
        for j in range(i + 1, n_folds):
            pairs[i, j] = pairs[j, i] = len(training)
            training.append(part & (fold != i) & (fold != j))
    return pairs


def _blind_inner(
    part: NDArray[np.bool_],
    units: NDArray[np.int_],
    training: list[NDArray[np.bool_]],
    rng: np.random.Generator,
) -> tuple[tuple[int, NDArray[np.bool_]], ...]:
    """Append inner training sets of one training part and return how they are judged."""
    there = np.unique(units[part])
    nothing = np.zeros(len(there), dtype=np.int_)
    n_inner = min(INNER_FOLDS, len(there))
    where = np.full(int(units.max()) + 1, -1)
    where[there] = assign_folds(nothing, nothing, n_inner, rng)
    own = []
    for j in range(n_inner):
        judged = part & (where[units] == j)
        own.append((len(training), judged))
        training.append(part & ~judged)
    return tuple(own)
