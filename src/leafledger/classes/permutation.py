"""Is it better than chance, and would it hold on another day?

The whole nested procedure on permuted labels, and on sessions that it was not trained on. The
default split holds out units, so the model has seen every session. If the classes were handled
differently on one day (who was measured first, where the lamp stood), other units of the same day
teach it that handling, and the default accuracy is that of the day.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_assignment import Plan
from leafledger.classes.fold_fit import Codes, Predict
from leafledger.classes.labelled import Labelled
from leafledger.classes.splits import Scheme
from leafledger.classes.validation import nested_predictions, unit_shares
from leafledger.resampling.intervals import paired_share_interval, wilson_interval

# The classifier against chance: the whole nested procedure on permuted labels.
# ----------------------------------------------------------------------

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


# Would the classifier hold on another day? Accuracy on sessions that it was not trained on.
# ----------------------------------------------------------------------
# The default split holds out units, so the model has seen every session. If the classes were
# handled differently on one day (who was measured first, where the lamp stood), other units of the
# same day teach it that handling, and the default accuracy is that of the day. Here every session
# is held out in turn, on units that the model has not seen either.

Array = NDArray[np.float64]
LEVEL = 0.95
ONE_SIDED = 1.645
"""Standard errors that a gap without a cause exceeds in 5 % of studies."""
RULE = (
    "every session held out in turn, trained on the other units in all other sessions; the gap is "
    "to models of as many sessions that were trained on the session they are judged in; where it "
    "is larger than the margin and than chance allows (one-sided, 5 %), the classes are said to be "
    "told apart by the day; the interval is Wilson's, with so many trials that the variance of a "
    "share of them is p (1 - p) / units + gap^2 / (2 sessions)"
)


@dataclass(frozen=True)
class HeldOutSessions:
    """Accuracy on sessions that were not trained on.

    Attributes
    ----------
    accuracy
        Share of all scans called right while their session and their unit were held out.
    by_session
        Session -> the same of its scans.
    low, high
        Interval of ``accuracy`` for a new session.
    gap, gap_low, gap_high
        Accuracy of models of as many sessions that know the session, minus this, and its interval
        over units.
    day_specific
        Whether the gap is larger than the margin and than chance allows (one-sided, 5 %).
    """

    accuracy: float
    by_session: dict[str, float]
    low: float
    high: float
    gap: float
    gap_low: float
    gap_high: float
    day_specific: bool


def held_out_sessions(
    data: Labelled, plan: Plan, predictors: list[Predict], margin: float
) -> HeldOutSessions | None:
    """Return the accuracy on held-out sessions; nothing where it has no meaning.

    Parameters
    ----------
    data, plan
        Labels and splits.
    predictors
        One per preprocessing.
    margin
        Gap of accuracy that matters.
    """
    if plan.unseen_days is None:
        return None
    right, known = (
        (
            nested_predictions(predictors, scheme, data.codes[None, :], data.unit_of, plan.widths)[
                0
            ]
            == data.codes
        ).astype(np.float64)
        for scheme in plan.unseen_days
    )
    accuracy = float(right.mean())
    # 1. The gap, unit by unit; every unit counts by its scans. Both sides train on as many
    #    sessions, so that a gap is not that of fewer scans.
    scans = np.bincount(data.unit_of).astype(np.float64)
    difference = scans / scans.mean() * unit_shares(known - right, data.unit_of)
    n_units = len(difference)
    gap = float(difference.mean())
    gap_low, gap_high = paired_share_interval(difference, LEVEL)
    error = float(difference.std(ddof=1) / np.sqrt(n_units)) if n_units > 1 else np.inf
    day_specific = gap > margin and gap > ONE_SIDED * error
    # 2. The interval.
    low, high = session_interval(accuracy, gap, n_units, len(data.sessions))
    by_session = {name: float(right[data.day == i].mean()) for i, name in enumerate(data.sessions)}
    return HeldOutSessions(
        accuracy, by_session, low, high, gap, gap_low, gap_high, bool(day_specific)
    )


def session_interval(
    accuracy: float, gap: float, n_units: int, n_sessions: int, level: float = LEVEL
) -> tuple[float, float]:
    """Return the interval of the accuracy that a new session would show.

    Scans of one session share its handling, so units are no independent trials where handling
    matters. How much it matters is the gap: a model that knows the handling of the day gains it, a
    model of other days gains or loses with it by chance, at most as much.

    Parameters
    ----------
    accuracy
        Share of scans called right while their session and unit were held out.
    gap
        What models that know the session reach beyond that; counts as 0 if negative.
    n_units, n_sessions
        Number of units and of sessions.
    level
        Confidence level.

    Returns
    -------
    tuple
        Lower and upper limit.

    Notes
    -----
    The variance of a new session's handling is that of ``gap cos(phi)`` with an angle ``phi`` of
    any size alike, ``gap^2 / 2``. That is the project's own rule, made for want of a published one:
    the variance between few sessions cannot be had from their accuracies, because every session is
    judged by the others and two sessions judge each other alike. In simulated studies (2 to 6
    sessions, 24 units, handling in 8 directions) it covers 93 to 98 %; where very strong
    handling has one direction, 89 % (two sessions) and 91 % (three): they may look alike by chance.

    References
    ----------
    Kish 1965, Survey Sampling, sec. 8.2 (effective number of trials by the design effect); Wilson
    1927, J. Am. Stat. Assoc. 22:209-212.

    Examples
    --------
    >>> [round(limit, 2) for limit in session_interval(0.5, 0.0, 24, 3)]
    [0.31, 0.69]
    >>> [round(limit, 2) for limit in session_interval(0.5, 0.3, 24, 3)]
    [0.24, 0.76]
    """
    # 1. Variance of the accuracy: units, and the handling of the sessions.
    share = min(max(accuracy, 0.5 / n_units), 1 - 0.5 / n_units)
    of_one = share * (1 - share)
    variance = of_one / n_units + max(gap, 0.0) ** 2 / (2 * n_sessions)
    # 2. So many independent trials would have that variance.
    trials = max(of_one / variance, 1.0)
    # 3. Wilson's interval with these.
    return wilson_interval(min(accuracy, 1.0) * trials, trials, level)


def session_facts(found: HeldOutSessions | None) -> dict[str, Any]:
    """Return the keys of ``summary.json`` on held-out sessions; null where they have no meaning."""
    if found is None:
        return {"held_out_sessions": None}
    return {
        "held_out_sessions": {
            "accuracy": found.accuracy,
            "by_session": found.by_session,
            "interval": [found.low, found.high],
            "ci_level": LEVEL,
            "gap": found.gap,
            "gap_interval": [found.gap_low, found.gap_high],
            "day_specific": found.day_specific,
            "rule": RULE,
        }
    }


def session_warnings(found: HeldOutSessions | None, accuracy: float, target: str) -> list[str]:
    """Warn where the classes are told apart by the day they were handled."""
    if found is None or not found.day_specific:
        return []
    return [
        f"the groups of {target} are told apart by the day they were handled: "
        f"{100 * accuracy:.0f} % of the scans are put in the right class when their units are held "
        f"out, {100 * found.accuracy:.0f} % when their session is held out too "
        f"(95 % interval {100 * found.low:.0f} to {100 * found.high:.0f} %). Expect the second on "
        "another day"
    ]
