"""The classifier against chance: the whole nested procedure on permuted labels."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.nested import Codes, Predict, nested_validation
from leafledger.classes.splits import Scheme

_LABELLINGS_AT_ONCE = 100
_SCANS_AT_ONCE = 100_000
"""Labellings times scans walked through together, so that memory stays below 1 GB."""


@dataclass(frozen=True)
class PermutationTest:
    """Outcome of the permutation test.

    Attributes
    ----------
    accuracy
        Nested accuracy of one repeat: first as observed, then one per draw.
    p
        Share of labellings, the observed one included, that do at least as well.
    n_arrangements
        How many labellings the design allows, the observed one included.
    enumerated
        Whether every one of them was taken, instead of draws by chance.
    """

    accuracy: NDArray[np.float64]
    p: float
    n_arrangements: int
    enumerated: bool

    @property
    def p_smallest(self) -> float:
        """Smallest p that could have been found."""
        return 1 / len(self.accuracy)


def arrangement_count(labels: Codes, cells: Codes) -> int:
    """Return how many ways there are to share out the labels within cells.

    Examples
    --------
    >>> arrangement_count(np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1]))
    4
    """
    total = 1
    for cell in np.unique(cells):
        counts = np.unique(labels[cells == cell], return_counts=True)[1]
        total *= math.factorial(int(counts.sum()))
        for count in counts:
            total //= math.factorial(int(count))
    return total


def arrangements(
    labels: Codes, cells: Codes, n_draws: int, rng: np.random.Generator
) -> tuple[Codes, bool]:
    """Return labellings of the units, permuted within cells, the observed one first.

    Parameters
    ----------
    labels
        Class number of every unit, shape ``(n_units,)``.
    cells
        Units that may exchange labels share a number: outer fold, and block where treatments
        were allotted within blocks.
    n_draws
        How many to draw; if the design allows no more than these, all are listed instead.
    rng
        Random stream.

    Returns
    -------
    tuple
        Labellings of shape ``(1 + n, n_units)``, and whether they are all there are.
    """
    if arrangement_count(labels, cells) <= n_draws + 1:
        return _all_arrangements(labels, cells), True
    out = np.empty((n_draws + 1, len(labels)), dtype=np.int_)
    out[0] = labels
    members = [np.flatnonzero(cells == cell) for cell in np.unique(cells)]
    for row in out[1:]:
        for places in members:
            row[places] = rng.permutation(labels[places])
    return out, False


def _all_arrangements(labels: Codes, cells: Codes) -> Codes:
    members = [np.flatnonzero(cells == cell) for cell in np.unique(cells)]
    ways = [list(_distinct(sorted(labels[places].tolist()))) for places in members]
    rows = []
    for combination in product(*ways):
        row = np.empty(len(labels), dtype=np.int_)
        for places, values in zip(members, combination, strict=True):
            row[places] = values
        if not np.array_equal(row, labels):
            rows.append(row)
    return np.array([labels, *rows])


def _distinct(values: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Yield every different order of sorted values, in rising order."""
    if not values:
        yield ()
        return
    for i, value in enumerate(values):
        if i == 0 or values[i - 1] != value:
            for rest in _distinct([*values[:i], *values[i + 1 :]]):
                yield (value, *rest)


def permutation_test(
    predictors: Sequence[Predict],
    scheme: Scheme,
    unit_labels: Codes,
    units: Codes,
    cells: Codes,
    n_draws: int,
    rng: np.random.Generator,
) -> PermutationTest:
    """Compare the nested accuracy of one repeat with that of permuted labels.

    Folds stay as they are, and labels move within them, so that every labelling has the same
    number of each class in every fold as the observed one: otherwise the test rejects too often.

    Parameters
    ----------
    predictors
        One per preprocessing.
    scheme
        Training sets of one repeat, the same for all labellings.
    unit_labels
        Observed class number of every unit, shape ``(n_units,)``.
    units
        Unit number of every scan.
    cells
        See :func:`arrangements`.
    n_draws
        Number of permutations.
    rng
        Random stream.

    Returns
    -------
    PermutationTest
        ``p = (b + 1) / (B + 1)`` with ``b`` of ``B`` permuted labellings at least as accurate.

    References
    ----------
    Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39 (p is never zero); Ojala & Garriga
    2010, J. Mach. Learn. Res. 11:1833-1863 (permutation of classifiers).
    """
    labellings, enumerated = arrangements(unit_labels, cells, n_draws, rng)
    reached = nested_accuracy(predictors, scheme, labellings[:, units], units)
    return PermutationTest(
        accuracy=reached,
        p=share_reaching(reached),
        n_arrangements=arrangement_count(unit_labels, cells),
        enumerated=enumerated,
    )


def nested_accuracy(
    predictors: Sequence[Predict], scheme: Scheme, labellings: Codes, units: Codes
) -> NDArray[np.float64]:
    """Return the nested accuracy of every labelling of the scans.

    Parameters
    ----------
    predictors, scheme, units
        See :func:`permutation_test`.
    labellings
        Class number of every scan, shape ``(n_labellings, n_scans)``.

    Returns
    -------
    numpy.ndarray
        Share of the scans held out that were named rightly, shape ``(n_labellings,)``.
    """
    accuracy: list[NDArray[np.float64]] = []
    at_once = max(1, min(_LABELLINGS_AT_ONCE, _SCANS_AT_ONCE // len(units)))
    for start in range(0, len(labellings), at_once):
        labels = labellings[start : start + at_once]
        nested = nested_validation(predictors, scheme, labels, units)
        accuracy.append((nested.predicted == labels)[:, scheme.tested].mean(axis=1))
    return np.concatenate(accuracy)


def share_reaching(reached: NDArray[np.float64]) -> float:
    """Return the share of labellings that do at least as well as the first, itself included."""
    return float((reached >= reached[0] - 1e-12).sum() / len(reached))
