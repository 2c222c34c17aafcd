"""What one feature of a leaf should be, foretold from its others over the leaves of a session.

A fault that changes one feature and not the others stands out by what is left over, however
differently the leaves are coloured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]

LEVERAGE = 0.35
"""A leaf unlike all others of its session (hat value above this) is not judged."""
_SCANS_FOR_SQUARES = 48
_ROUNDS = 30
_BIWEIGHT = 5.0
"""Residuals beyond this many robust standard deviations carry no weight."""


@dataclass(frozen=True)
class LeftOver:
    """What is left of a feature when the others have foretold it, shapes ``(n_scans,)``.

    Attributes
    ----------
    left
        Feature minus what was foretold, in its unit.
    judged
        Whether the session holds enough leaves like this one to say so.
    scale
        Robust standard deviation of what is left.
    """

    left: Floats
    judged: NDArray[np.bool_]
    scale: float


def left_over(feature: Floats, others: Floats, bent: tuple[int, ...]) -> LeftOver:
    """Regress a feature on the others, robustly, and return what is left.

    Parameters
    ----------
    feature
        Shape ``(n_scans,)``.
    others
        Features that the fault does not touch, shape ``(n_scans, n_others)``.
    bent
        Columns of ``others`` whose squares take part too, if there are 48 scans or more: pale
        leaves do not follow a straight line.

    Notes
    -----
    Iterated weights (Tukey's biweight), so that the scans at fault do not shape the rule they are
    judged by.

    References
    ----------
    Biweight: Beaton & Tukey 1974, Technometrics 16:147-185 (from memory).
    """
    terms = _terms(others, bent)
    n, n_terms = terms.shape
    weight = np.ones(n)
    left, scale = feature, 0.0
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(terms * root[:, None], feature * root, rcond=None)[0]
        left = feature - terms @ found
        # The fit has bent towards the data: fewer degrees of freedom than scans.
        scale = max(float(robust_sd(left)) * float(np.sqrt(n / (n - n_terms))), 1e-9)
        far = np.abs(left) / (_BIWEIGHT * scale)
        weight = np.where(far < 1, (1 - far**2) ** 2, 0.0)
    kept = terms[weight > 0]
    hat = np.einsum("ij,jk,ik->i", terms, np.linalg.pinv(kept.T @ kept, hermitian=True), terms)
    return LeftOver(np.asarray(left, dtype=np.float64), np.asarray(hat < LEVERAGE), scale)


def _terms(others: Floats, bent: tuple[int, ...]) -> Floats:
    """Return the intercept, the features in units of their spread and, of many scans, squares."""
    spread = np.maximum(robust_sd(others, axis=0), 1e-9)
    scaled = (others - np.median(others, axis=0)) / spread
    terms = [np.ones((len(others), 1)), scaled]
    if len(others) >= _SCANS_FOR_SQUARES:
        terms.append(scaled[:, bent] ** 2)
    return np.hstack(terms)
