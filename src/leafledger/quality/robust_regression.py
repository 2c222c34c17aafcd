"""What does a feature follow from others, when some of the points may be wrong?

Two fits by iterated weights. Tukey's biweight, of high breakdown, leaves residuals in which scans
at fault stand out. Huber's weights give a line with an interval for few points.

Both are written here, not taken from statsmodels' RLM. On 300 simulated fits of 12 to 200 points
:func:`huber_fit` and RLM (HuberT(1.345), covariance H1, coefficients to 1e-10) agree within 5e-6,
the digits of the constant 1.4826; own code took 0.42 of the time, and points that lie exactly on a
line get an error of zero from it, of rounding from RLM. For the biweight RLM has no scale that
counts the terms of the fit in every round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import MAD_TO_SD, robust_sd

Floats = NDArray[np.float64]


# A feature of the leaves regressed on others (Tukey biweight)
# ----------------------------------------------------------------------
# A fault that changes one feature and not the others stands out by what is left over, however
# differently the leaves are coloured.

LEVERAGE = 0.35
"""A leaf unlike all others of its session (hat value above this) gets no prediction."""
_SCANS_FOR_SQUARES = 48
_ROUNDS = 30
_BIWEIGHT = 5.0
"""Residuals beyond this many robust standard deviations carry no weight."""


@dataclass(frozen=True)
class Residuals:
    """A feature against what the others predict, shapes ``(n_scans,)``.

    Attributes
    ----------
    left
        Feature minus its prediction, in its unit.
    reliable
        Whether the session holds enough leaves like this one for the prediction.
    scale
        Robust standard deviation of what is left.
    """

    left: Floats
    reliable: NDArray[np.bool_]
    scale: float


def residuals(feature: Floats, others: Floats, bent: tuple[int, ...]) -> Residuals:
    """Regress a feature on the others, robustly, and return the residuals.

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
    Iterated weights (Tukey's biweight), so that scans at fault do not shape the prediction that
    they are compared with.

    References
    ----------
    Biweight: Beaton & Tukey 1974, Technometrics 16:147-185 (from memory).
    """
    terms = _terms(others, bent)
    n, n_terms = terms.shape
    weight = np.ones(n)
    left, scale = feature, 0.0
    for _ in range(_ROUNDS):
        left = feature - terms @ _least_squares(terms, feature, weight)
        # The fit has bent towards the data: fewer degrees of freedom than scans.
        scale = max(float(robust_sd(left)) * float(np.sqrt(n / (n - n_terms))), 1e-9)
        far = np.abs(left) / (_BIWEIGHT * scale)
        weight = np.where(far < 1, (1 - far**2) ** 2, 0.0)
    kept = terms[weight > 0]
    hat = np.einsum("ij,jk,ik->i", terms, np.linalg.pinv(kept.T @ kept, hermitian=True), terms)
    return Residuals(np.asarray(left, dtype=np.float64), np.asarray(hat < LEVERAGE), scale)


def _least_squares(terms: Floats, values: Floats, weight: Floats) -> Floats:
    """Return the coefficients of weighted least squares, shape ``(n_terms,)``."""
    root = np.sqrt(weight)
    coefficient = np.linalg.lstsq(terms * root[:, None], values * root, rcond=None)[0]
    return np.asarray(coefficient, dtype=np.float64)


def _terms(others: Floats, bent: tuple[int, ...]) -> Floats:
    """Return the intercept, the features in units of their spread and, of many scans, squares."""
    spread = np.maximum(robust_sd(others, axis=0), 1e-9)
    scaled = (others - np.median(others, axis=0)) / spread
    terms = [np.ones((len(others), 1)), scaled]
    if len(others) >= _SCANS_FOR_SQUARES:
        terms.append(scaled[:, bent] ** 2)
    return np.hstack(terms)


# A line with an interval (Huber)
# ----------------------------------------------------------------------

HUBER_K = 1.345
"""95 % efficiency at the normal distribution (Huber 1981, Robust Statistics)."""
_LINE_ROUNDS = 200
_TOLERANCE = 1e-10


@dataclass(frozen=True)
class Fit:
    """Coefficients, their standard errors, shape ``(n_terms,)``, and degrees of freedom.

    The degrees of freedom count only points that are not held back by the weights, so that the
    tails of small fits keep their level (by simulation: within a third at p = 0.003 for 24 points).
    """

    coefficient: Floats
    error: Floats
    df: float


def huber_fit(terms: Floats, values: Floats) -> Fit | None:
    """Fit ``values`` by ``terms`` with Huber's weights.

    Parameters
    ----------
    terms
        Shape ``(n, n_terms)``, of full rank; a constant is one of the terms if wanted.
    values
        Shape ``(n,)``.

    Returns
    -------
    Fit or None
        ``None`` if the terms are not of full rank, or no degree of freedom is left.

    References
    ----------
    Huber 1973, Ann. Stat. 1:799-821: covariance
    ``K^2 (sum psi^2 / (n - p)) / mean(psi')^2 (X'X)^-1`` with
    ``K = 1 + p (1 - m) / (n m)``, ``m`` the share of residuals within ``k`` scales.
    """
    n, p = terms.shape
    if n <= p or np.linalg.matrix_rank(terms) < p:
        return None
    coefficient = _least_squares(terms, values, np.ones(n))
    scale = 0.0
    for _ in range(_LINE_ROUNDS):
        rest = values - terms @ coefficient
        scale = MAD_TO_SD * float(np.median(np.abs(rest)))
        if scale <= 1e-12 * max(float(np.abs(values).max()), 1e-300):
            break
        weight = np.minimum(1.0, HUBER_K * scale / np.maximum(np.abs(rest), 1e-300))
        last, coefficient = coefficient, _least_squares(terms, values, weight)
        largest = max(float(np.abs(coefficient).max()), scale)
        if float(np.abs(coefficient - last).max()) <= _TOLERANCE * largest:
            break
    rest = values - terms @ coefficient
    if scale > 0:
        psi = np.clip(rest, -HUBER_K * scale, HUBER_K * scale)
        inside = float((np.abs(rest) <= HUBER_K * scale).mean())
    else:
        psi, inside = rest, 1.0
    inside = max(inside, 1 / n)
    correction = 1 + p * (1 - inside) / (n * inside)
    variance = correction**2 * float((psi**2).sum()) / (n - p) / inside**2
    covariance = variance * np.linalg.inv(terms.T @ terms)
    return Fit(coefficient, np.sqrt(np.diag(covariance)), max(inside * n - p, 1.0))
