"""Which scans train a model and which are held out, and which of the models tried is chosen?

A scheme holds the training sets of one way of splitting, outer and inner. The inner loop chooses
among candidates by the loss of units left out, with the rule of one standard error.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
Scans = NDArray[np.bool_]

INNER_FOLDS = 8
"""Inner folds where the outer ones leave too few others to use."""
PAIRED_FROM = 5
"""Outer folds from which the remaining ones serve as inner folds: with fewer, an inner training set
would be much smaller than the outer one that it chooses for."""


def assign_folds(
    labels: Codes,
    strata: Codes,
    n_folds: int,
    rng: np.random.Generator,
) -> Codes:
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
    >>> dealt = assign_folds(np.repeat([0, 1], 6), np.zeros(12, dtype=int), 3, rng)
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
    codes: Codes, units: Codes, n_folds: int, rng: np.random.Generator
) -> Codes:
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


def members_of(units: Codes) -> list[NDArray[np.intp]]:
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
        Number of the training set whose model predicts outer fold ``i``.
    inner
        For outer fold ``i``: pairs of a set and the scans (true) it is judged on; all of these
        are in the training part of ``i``.
    """

    fold: Codes
    training: Scans
    outer: tuple[int, ...]
    inner: tuple[tuple[tuple[int, Scans], ...], ...]

    @property
    def n_folds(self) -> int:
        """Number of outer folds."""
        return len(self.outer)

    @property
    def tested(self) -> Scans:
        """Scans that are held out once, shape ``(n_scans,)``."""
        return self.fold >= 0


def scheme_of(fold: Codes, units: Codes, rng: np.random.Generator) -> Scheme:
    """Hold out every fold in turn.

    Parameters
    ----------
    fold
        Outer fold of every scan, from 0; -1 for scans that are never held out.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with fewer than five outer folds.

    Returns
    -------
    Scheme
        Training sets and how they pair up. Six folds need 21 sets.
    """
    everything = np.ones(len(fold), dtype=bool)
    return _scheme_of_rounds(fold, [(everything, everything)], units, rng)


def one_by_one_scheme(units: Codes, rng: np.random.Generator) -> Scheme:
    """Hold out every unit by itself; inner folds are dealt once, blind to labels, for all."""
    fold = np.unique(units, return_inverse=True)[1].reshape(-1)
    n_units = int(fold.max()) + 1
    inner_fold = _blind_folds(n_units, min(INNER_FOLDS, n_units - 1), rng)[fold]
    training = [fold != i for i in range(n_units)]
    inner = []
    for i in range(n_units):
        pairs = []
        for j in np.unique(inner_fold[fold != i]):
            pairs.append((len(training), (fold != i) & (inner_fold == j)))
            training.append((fold != i) & (inner_fold != j))
        inner.append(tuple(pairs))
    return Scheme(fold, np.array(training), tuple(range(n_units)), tuple(inner))


def later_days_scheme(fold: Codes, day: Codes, units: Codes, rng: np.random.Generator) -> Scheme:
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
    rounds = [(day < last, day == last) for last in np.unique(day)[1:]]
    return _scheme_of_rounds(fold, rounds, units, rng)


def unseen_days_scheme(fold: Codes, day: Codes, *, seen: bool = False) -> Scheme:
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
    days = np.unique(day)
    left_out = np.roll(days, -1) if seen else days
    return _scheme_of_rounds(
        fold, [(day != out, day == held) for held, out in zip(days, left_out, strict=True)]
    )


def _scheme_of_rounds(
    fold: Codes,
    rounds: Sequence[tuple[Scans, Scans]],
    units: Codes | None = None,
    rng: np.random.Generator | None = None,
) -> Scheme:
    """Lay out outer and inner training sets, round by round and fold by fold.

    Parameters
    ----------
    fold
        Fold of every scan; -1 for scans that are never held out.
    rounds
        Pairs of the scans that may train (those of the held-out fold do not) and the scans that
        are judged.
    units, rng
        Unit of every scan and random stream for blind inner folds; left out where the number of
        folds is enough without.

    Notes
    -----
    The inner folds of an outer fold are the remaining outer folds, so one set that leaves out two
    folds serves both of them. With fewer than five outer folds the units of each training part are
    dealt, without looking at labels, into eight inner folds of their own. These cannot be
    stratified, so the error is pooled over all classes.
    """
    folds = range(int(fold.max()) + 1)
    outer_set = np.full(len(fold), -1)
    training: list[Scans] = []
    outer: list[int] = []
    inner: list[tuple[tuple[int, Scans], ...]] = []
    for trains, held_out in rounds:
        start = len(training)
        training += [trains & (fold != i) for i in folds]
        pairs: dict[tuple[int, int], int] = {}
        if rng is None or len(folds) >= PAIRED_FROM:
            for i, j in combinations(folds, 2):
                pairs[i, j] = pairs[j, i] = len(training)
                training.append(trains & (fold != i) & (fold != j))
        for i in folds:
            held = held_out & (fold == i)
            if not held.any():
                continue
            outer_set[held] = len(outer)
            outer.append(start + i)
            if units is not None and rng is not None and not pairs:
                inner.append(_blind_inner(training[start + i], units, training, rng))
            else:
                inner.append(tuple((pairs[i, j], trains & (fold == j)) for j in folds if j != i))
    return Scheme(outer_set, np.array(training), tuple(outer), tuple(inner))


def _blind_inner(
    part: Scans, units: Codes, training: list[Scans], rng: np.random.Generator
) -> tuple[tuple[int, Scans], ...]:
    """Append inner training sets of one training part and return how they are judged."""
    trained = np.unique(units[part])
    n_inner = min(INNER_FOLDS, len(trained))
    fold_of = np.full(int(units.max()) + 1, -1)
    fold_of[trained] = _blind_folds(len(trained), n_inner, rng)
    pairs = []
    for j in range(n_inner):
        validated = part & (fold_of[units] == j)
        pairs.append((len(training), validated))
        training.append(part & ~validated)
    return tuple(pairs)


def _blind_folds(n_units: int, n_folds: int, rng: np.random.Generator) -> Codes:
    """Return a fold for every unit, dealt without looking at labels."""
    nothing = np.zeros(n_units, dtype=np.int_)
    return assign_folds(nothing, nothing, n_folds, rng)


# Which candidate, and how many latent variables?
# ----------------------------------------------------------------------

WIDENING = 1.5
"""Each width of the search is so many times the one before."""


@dataclass(frozen=True)
class Choice:
    """The choice for many labellings at once.

    Attributes
    ----------
    candidate
        Place of preprocessing and decision rule among the candidates, shape ``(n_labellings,)``.
    n_components, best_n_components
        Number of latent variables, chosen and with the smallest loss.
    width
        Latent variables that were searched.
    rising
        Whether the losses still fall at the end of what is known, so that more should be tried.
    loss, standard_error
        Mean over units and its standard error, shape ``(n_candidates, n_labellings,
        n_components)``.
    """

    candidate: NDArray[np.int_]
    n_components: NDArray[np.int_]
    best_n_components: NDArray[np.int_]
    width: NDArray[np.int_]
    rising: NDArray[np.bool_]
    loss: Array
    standard_error: Array

    def chosen(self, n_decisions: int) -> tuple[int, int, int]:
        """Return the places of preprocessing and decision rule, and the latent variables.

        Of the first labelling; candidates are preprocessings, each with every decision rule.
        """
        step, rule = divmod(int(self.candidate[0]), n_decisions)
        return step, rule, int(self.n_components[0])


def unit_shares(values: Array, units: NDArray[np.int_]) -> Array:
    """Return the mean of ``values`` (last axis: scans) over the scans of every unit.

    Examples
    --------
    >>> unit_shares(np.array([1.0, 0.0, 1.0]), np.array([4, 4, 9])).tolist()
    [0.5, 1.0]
    """
    order = np.argsort(units, kind="stable")
    _, starts, counts = np.unique(units[order], return_index=True, return_counts=True)
    return np.asarray(np.add.reduceat(values[..., order], starts, axis=-1) / counts)


@dataclass(frozen=True)
class CountedLosses:
    """Losses of very many units, kept as counts and turned into shares one row at a time.

    Attributes
    ----------
    wrong
        Scans of every unit predicted wrongly, shape ``(n_candidates, n_components, n_units)``.
    scans
        Scans of every unit, shape ``(n_units,)``.
    """

    wrong: NDArray[np.unsignedinteger]
    scans: Codes

    @property
    def shape(self) -> tuple[int, int, int, int]:
        """Shape of the losses: candidates, one labelling, latent variables, units."""
        n_candidates, n_components, n_units = self.wrong.shape
        return n_candidates, 1, n_components, n_units

    def row(self, candidate: int, component: int) -> Array:
        """Return the losses of the units, shape ``(n_units,)``."""
        return np.asarray(self.wrong[candidate, component] / self.scans)


def counts_up_to(most: int) -> type[np.unsignedinteger]:
    """Return the smallest type of number that holds counts up to ``most``.

    Examples
    --------
    >>> counts_up_to(255).__name__, counts_up_to(256).__name__
    ('uint8', 'uint16')
    """
    return np.uint8 if most < 2**8 else np.uint16 if most < 2**16 else np.uint32


def _moments(losses: Array | CountedLosses) -> tuple[Array, Array]:
    """Return mean and standard error over units, ``(n_candidates, n_labellings, n_components)``."""
    n_candidates, _, n_components, n_units = losses.shape
    if isinstance(losses, CountedLosses):
        loss, error = (np.zeros((n_candidates, 1, n_components)) for _ in range(2))
        for c in range(n_candidates):
            for a in range(n_components):
                row = losses.row(c, a)
                loss[c, 0, a] = row.mean()
                error[c, 0, a] = row.std(ddof=1) / np.sqrt(n_units) if n_units > 1 else 0.0
        return loss, error
    loss = losses.mean(axis=-1)
    error = np.zeros_like(loss)
    if n_units > 1:
        error = losses.std(axis=-1, ddof=1) / np.sqrt(n_units)
    return loss, error


def _row_of_each(losses: Array | CountedLosses, candidate: Codes, component: Codes | int) -> Array:
    """Return the losses of units for one candidate and number of each labelling."""
    if isinstance(losses, CountedLosses):
        return losses.row(int(candidate[0]), int(np.ravel(component)[0]))[None]
    return np.asarray(losses[candidate, np.arange(losses.shape[1]), component])


def choose(losses: Array | CountedLosses, widths: Sequence[int] | None = None) -> Choice:
    """Choose preprocessing, decision rule and number of latent variables.

    Parameters
    ----------
    losses
        Loss of every unit, shape ``(n_candidates, n_labellings, n_components, n_units)``. A
        candidate is a preprocessing with a decision rule.
    widths
        Numbers of latent variables to search, each tried only while the losses still fall at the
        end of the one before; all that are known if left out.

    Returns
    -------
    Choice
        The candidate with the smallest loss of all, at equal losses the one that needs fewer
        latent variables, then the one listed first; with it the fewest latent variables within
        one standard error of the difference to the smallest loss, unit by unit.

    References
    ----------
    Breiman, Friedman, Olshen & Stone 1984, Classification and Regression Trees, sec. 3.4.3
    (the one-standard-error rule).
    """
    n_candidates, n_labellings, n_components, n_units = losses.shape
    # Losses are sums of fractions: equal ones must not differ by their rounding.
    mean, error = _moments(losses)
    loss = np.round(mean, 12)
    # 1. Widen the search while the losses fall.
    widths = [w for w in (widths or (n_components,)) if w <= n_components] or [n_components]
    width = np.full(n_labellings, widths[0])
    rising = _falls_at_end(losses, loss, widths[0])
    for last, wider in pairwise(widths):
        width = np.where(rising & (width == last), wider, width)
        rising = rising & _falls_at_end(losses, loss, wider)
    # 2. The smallest loss of all. Ordered by number of latent variables, then candidate.
    allowed = np.arange(n_components) < width[:, None]
    flat = np.where(allowed[:, :, None], loss.transpose(1, 2, 0), np.inf)
    best = flat.reshape(n_labellings, -1).argmin(axis=1)
    candidate, least = best % n_candidates, best // n_candidates
    # 3. With that candidate, the fewest within one standard error (of the difference, paired).
    smallest = _row_of_each(losses, candidate, least)
    near = np.zeros((n_labellings, n_components), dtype=bool)
    for a in range(n_components):
        more = _row_of_each(losses, candidate, a) - smallest
        within = more.std(axis=-1, ddof=1) / np.sqrt(n_units) if n_units > 1 else 0.0
        near[:, a] = more.mean(axis=-1) <= within + 1e-12
    fewest = near.argmax(axis=1)
    return Choice(candidate, fewest + 1, least + 1, width, rising, loss, error)


def _falls_at_end(losses: Array | CountedLosses, loss: Array, width: int) -> NDArray[np.bool_]:
    """Return whether the last third of a search beats what comes before by a standard error.

    The standard error is that of the difference between the two smallest losses, unit by unit.
    """
    n_units = losses.shape[-1]
    early = max(1, 2 * width // 3)
    if width <= 1 or n_units < 2:
        return np.zeros(losses.shape[1], dtype=bool)
    rows = np.arange(losses.shape[1])
    best = []
    for start, stop in ((0, early), (early, width)):
        part = loss[:, :, start:stop].transpose(1, 2, 0)
        least = part.reshape(len(rows), -1).argmin(axis=1)
        best.append(_row_of_each(losses, least % len(loss), least // len(loss) + start))
    gain = best[0] - best[1]
    return np.asarray(gain.mean(axis=-1) > gain.std(axis=-1, ddof=1) / np.sqrt(n_units))


def widths_of_search(first: int, most: int) -> tuple[int, ...]:
    """Return the numbers of latent variables that the search widens to, one after the other.

    Examples
    --------
    >>> widths_of_search(12, 40)
    (12, 18, 27, 40)
    >>> widths_of_search(12, 7)
    (7,)
    """
    widths = [min(first, most)]
    while widths[-1] < most:
        widths.append(min(int(WIDENING * widths[-1]), most))
    return tuple(widths)
