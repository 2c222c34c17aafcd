"""Which leaves should be extracted, so that a calibration spans the study?

Leaves are chosen by their spectra alone, before any extraction: those that lie farthest from each
other, spread over units and sessions.

References
----------
Kennard RW, Stone LA (1969) Computer aided design of experiments. Technometrics 11: 137-148.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from leafledger.study.table_files import Spectra

Array = NDArray[np.float64]
_SHARE: Final = 0.995
"""Share of the variance of the spectra that the scores keep."""
_MOST_SCORES: Final = 10
_DIGITS: Final = 9

# Which cautions stand beside every list of leaves to be extracted.
# ----------------------------------------------------------------------

CAUTIONS: Final = (
    "Acetone, methanol, ethanol and above all diethyl ether are highly flammable: no flame, hot "
    "plate or spark near them, small amounts, closed bottles.",
    "Their vapours harm, and methanol and dimethyl sulfoxide pass through skin: work in a fume "
    "hood, with gloves that withstand the solvent, goggles and a coat.",
    "Diethyl ether forms explosive peroxides on standing: use fresh, stabilised ether, and no old "
    "bottle.",
    "Pigments fade in light and warmth and turn brown in acid: keep leaves and extracts dark, cold "
    "and tightly closed, and read them soon.",
    "Collect used solvents and extracts as flammable waste; nothing goes down the drain.",
    "This list is no safety instruction: the product's label and safety data sheet, local codes "
    "and trained or licensed persons, where these are required, stand above it.",
)
"""For who handles solvents."""

DESTROYS: Final = (
    "Extraction destroys the leaf: extract it on the day of its scan (or freeze it at once in the "
    "dark), after its last scan. A leaf that is measured again later cannot be taken before."
)


# Kennard and Stone's choice, spread over units and sessions.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Chosen:
    """A leaf to be extracted.

    Attributes
    ----------
    place
        Its rank: the first leaves span most.
    unit, session, leaf
        Which leaf.
    distance
        To the nearest leaf chosen before, in the scores; of the first two, to each other.
    """

    place: int
    unit: str
    session: str
    leaf: str
    distance: float


def leaf_scores(spectra: Array) -> Array:
    """Return the principal component scores of spectra, as many as carry 99.5 % of the variance.

    Parameters
    ----------
    spectra
        Mean spectrum of each leaf, shape ``(n_leaves, n_wavelengths)``.

    Returns
    -------
    Array
        Shape ``(n_leaves, n_scores)``, at most ten. The sign of each is such that its largest value
        is positive.
    """
    centred = spectra - spectra.mean(axis=0)
    u, s, _ = np.linalg.svd(centred, full_matrices=False)
    total = float(np.sum(s**2))
    if total <= 0.0:
        return np.zeros((len(spectra), 1))
    n = int(np.searchsorted(np.cumsum(s**2) / total, _SHARE)) + 1
    scores = (u * s)[:, : min(n, _MOST_SCORES, len(s))]
    largest = np.abs(scores).argmax(axis=0)
    signs = np.sign(scores[largest, np.arange(scores.shape[1])])
    return np.asarray(scores * np.where(signs == 0, 1.0, signs))


def kennard_stone(
    scores: Array, n: int, units: Sequence[str], sessions: Sequence[str]
) -> list[tuple[int, float]]:
    """Choose leaves that lie far from each other, spread over units and sessions.

    Parameters
    ----------
    scores
        Shape ``(n_leaves, n_scores)``.
    n
        How many to choose; all, if there are fewer.
    units, sessions
        Of each leaf.

    Returns
    -------
    list of (int, float)
        Places of the chosen leaves, in the order in which they were chosen, and the distance to the
        nearest one chosen before.

    Notes
    -----
    No unit gives more than its share of the leaves, and no session: ``n`` over their number,
    rounded up. Where that leaves nothing to choose, the share of sessions is given up first, then
    that of units. With one unit and one session the choice is that of Kennard and Stone. Ties go to
    the leaf that stands first.
    """
    n = min(n, len(scores))
    quota = _Quota(n, units, sessions)
    # 1. The two leaves farthest from each other.
    if n < 2:
        middle = np.square(scores - scores.mean(axis=0)).sum(axis=1)
        return [(int(np.argmin(np.round(middle, _DIGITS))), 0.0)] if n else []
    first, second = _farthest_pair(scores, units, sessions)
    nearest = _distances(scores, first)
    chosen = [(first, float(nearest[second])), (second, float(nearest[second]))]
    for leaf, _ in chosen:
        quota.take(leaf)
    # 2. Again and again the leaf whose nearest chosen leaf is farthest away.
    nearest = np.minimum(nearest, _distances(scores, second))
    while len(chosen) < n:
        allowed = quota.allowed({leaf for leaf, _ in chosen})
        best = max(allowed, key=lambda leaf: (nearest[leaf], -leaf))
        chosen.append((best, float(nearest[best])))
        quota.take(best)
        nearest = np.minimum(nearest, _distances(scores, best))
    return chosen


def _distances(scores: Array, leaf: int) -> Array:
    """Return the distance of every leaf to one, rounded so that ties are ties."""
    squares = np.square(scores - scores[leaf]).sum(axis=1)
    return np.asarray(np.round(np.sqrt(squares), _DIGITS))


def _farthest_pair(scores: Array, units: Sequence[str], sessions: Sequence[str]) -> tuple[int, int]:
    """Return the two leaves farthest apart; of two units and sessions, if there are any such."""
    parted = [
        np.unique(np.asarray(names, dtype=str), return_inverse=True)[1]
        for names in (units, sessions)
        if len(set(names)) > 1
    ]
    best, pair = -1.0, (0, 1)
    for leaf in range(len(scores) - 1):
        distances = _distances(scores[leaf:], 0)
        for codes in parted:
            distances[codes[leaf:] == codes[leaf]] = -1.0
        other = int(np.argmax(distances[1:])) + 1
        if distances[other] > best:
            best, pair = float(distances[other]), (leaf, leaf + other)
    return pair


class _Quota:
    """How many leaves of each unit and session may still be chosen."""

    def __init__(self, n: int, units: Sequence[str], sessions: Sequence[str]) -> None:
        self.units, self.sessions = units, sessions
        self.per_unit = math.ceil(n / len(set(units)))
        self.per_session = math.ceil(n / len(set(sessions)))
        self.of_unit: Counter[str] = Counter()
        self.of_session: Counter[str] = Counter()

    def take(self, leaf: int) -> None:
        """Count a leaf that was chosen."""
        self.of_unit[self.units[leaf]] += 1
        self.of_session[self.sessions[leaf]] += 1

    def allowed(self, taken: set[int]) -> list[int]:
        """Return the places that may be chosen next, with a share given up where none is left."""
        free = [leaf for leaf in range(len(self.units)) if leaf not in taken]
        in_unit = [
            candidate for candidate in free if self.of_unit[self.units[candidate]] < self.per_unit
        ]
        in_both = [
            candidate
            for candidate in in_unit
            if self.of_session[self.sessions[candidate]] < self.per_session
        ]
        return in_both or in_unit or free


# From the spectra of a study to the list of leaves.
# ----------------------------------------------------------------------


def advise(spectra: Spectra, n: int) -> list[Chosen]:
    """Choose the leaves of a study to be extracted.

    Parameters
    ----------
    spectra
        Accepted spectra in the trusted range, with columns scan, session, unit and leaf.
    n
        How many leaves.

    Returns
    -------
    list of Chosen
        In the order in which they were chosen: the first of them span most, so that fewer may be
        taken from the top.
    """
    rows = spectra.rows
    keys = [
        (str(unit), str(session), str(leaf or ""), "" if leaf else str(scan))
        for unit, session, leaf, scan in zip(
            *(rows[name].tolist() for name in ("unit", "session", "leaf", "scan")), strict=True
        )
    ]
    names = sorted(set(keys))
    place_of = {name: position for position, name in enumerate(names)}
    code = np.array([place_of[key] for key in keys], dtype=np.intp)
    sums = np.zeros((len(names), spectra.reflectance.shape[1]))
    np.add.at(sums, code, np.asarray(spectra.reflectance, dtype=np.float64))
    means = sums / np.bincount(code, minlength=len(names))[:, None]
    chosen = kennard_stone(
        leaf_scores(means), n, [key[0] for key in names], [key[1] for key in names]
    )
    return [
        Chosen(
            rank,
            names[position][0],
            names[position][1],
            names[position][2] or names[position][3],
            distance,
        )
        for rank, (position, distance) in enumerate(chosen, start=1)
    ]
