"""The classifier against chance: the whole nested procedure on permuted labels."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_assignment import Plan
from leafledger.classes.predictors import Codes, Predict
from leafledger.classes.splits import Scheme
from leafledger.classes.validation import nested_predictions

FEW_ARRANGEMENTS = 200
"""Arrangements within folds up to which labels move beyond the folds instead."""
MOST_REDEALT = 199
"""Draws at most where every labelling gets folds of its own and not all can be listed."""
_LABELLINGS_AT_ONCE = 100
_SCANS_AT_ONCE = 100_000
"""Labellings times scans walked through together, so that memory stays below 1 GB."""


@dataclass(frozen=True)
class PermutationTest:
    """Outcome of the permutation test.

    Attributes
    ----------
    accuracy
        Nested accuracy of one deal: first as observed, then one per draw.
    p
        Share of labellings, the observed one included, that do at least as well.
    n_arrangements
        How many labellings the design allows, the observed one included.
    enumerated
        Whether every one of them was taken, instead of draws by chance.
    within
        What labels were exchanged within, in words.
    """

    accuracy: NDArray[np.float64]
    p: float
    n_arrangements: int
    enumerated: bool
    within: str

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
    plan: Plan,
    unit_labels: Codes,
    units: Codes,
    n_draws: int,
    rng: np.random.Generator,
    scan_codes: Callable[[Codes], Codes] | None = None,
) -> PermutationTest:
    """Compare the nested accuracy of the observed labels with that of permuted ones.

    Where the folds allow many arrangements, folds stay as they are and labels move within them,
    so that every labelling has the same number of each class in every fold as the observed one:
    otherwise the test rejects too often. Where they allow few, labels move as far as the design
    allows, and every labelling gets folds of its own, dealt by the same rule as the observed one.

    Where labels change by session, a unit's labels move as one sequence: what all units share of a
    session (its date, its lamp) stays with its labels, so it cannot make a labelling stand out.

    Parameters
    ----------
    predictors
        One per preprocessing.
    plan
        Splits; ``test_scheme`` is that of the observed labels.
    unit_labels
        Observed class number (or number of the label sequence) of every unit, ``(n_units,)``.
    units
        Unit number of every scan.
    n_draws
        Number of permutations.
    rng
        Random stream.
    scan_codes
        Returns the class of every scan for labels of the units
        (:meth:`leafledger.classes.labelled.Labelled.scan_codes`); left out, that of its unit.

    Returns
    -------
    PermutationTest
        ``p = (b + 1) / (B + 1)`` with ``b`` of ``B`` permuted labellings at least as accurate.

    References
    ----------
    Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39 (p is never zero); Ojala & Garriga
    2010, J. Mach. Learn. Res. 11:1833-1863 (permutation of classifiers).
    """
    cells, within = plan.cells, plan.within
    few = arrangement_count(unit_labels, cells) <= FEW_ARRANGEMENTS
    redealt = few and plan.redeal is not None
    if redealt:
        cells, within = plan.exchangeable, plan.exchangeable_within
        if arrangement_count(unit_labels, cells) > n_draws + 1:
            n_draws = min(n_draws, MOST_REDEALT)
    labellings, enumerated = arrangements(unit_labels, cells, n_draws, rng)
    scans = labellings[:, units] if scan_codes is None else scan_codes(labellings)
    if not redealt or plan.redeal is None:
        reached = nested_accuracy(predictors, plan.test_scheme, scans, units, plan.widths)
    else:
        reached = np.empty(len(labellings))
        for i, labels in enumerate(labellings):
            scheme = plan.test_scheme if i == 0 else plan.redeal(labels, rng)
            reached[i] = nested_accuracy(predictors, scheme, scans[i : i + 1], units, plan.widths)[
                0
            ]
    return PermutationTest(
        accuracy=reached,
        p=share_reaching(reached),
        n_arrangements=arrangement_count(unit_labels, cells),
        enumerated=enumerated,
        within=within,
    )


def nested_accuracy(
    predictors: Sequence[Predict],
    scheme: Scheme,
    labellings: Codes,
    units: Codes,
    widths: Sequence[int],
) -> NDArray[np.float64]:
    """Return the nested accuracy of every labelling of the scans.

    Parameters
    ----------
    predictors, units
        See :func:`permutation_test`.
    scheme
        Training sets, the same for all labellings.
    labellings
        Class number of every scan, shape ``(n_labellings, n_scans)``.
    widths
        Numbers of latent variables to search (see
        :func:`leafledger.classes.validation.choose`).

    Returns
    -------
    numpy.ndarray
        Share of the scans held out that were named rightly, shape ``(n_labellings,)``.
    """
    accuracy: list[NDArray[np.float64]] = []
    at_once = max(1, min(_LABELLINGS_AT_ONCE, _SCANS_AT_ONCE // len(units)))
    for start in range(0, len(labellings), at_once):
        labels = labellings[start : start + at_once]
        said = nested_predictions(predictors, scheme, labels, units, widths)
        accuracy.append((said == labels)[:, scheme.tested].mean(axis=1))
    return np.concatenate(accuracy)


def share_reaching(reached: NDArray[np.float64]) -> float:
    """Return the share of labellings that do at least as well as the first, itself included."""
    return float((reached >= reached[0] - 1e-12).sum() / len(reached))
