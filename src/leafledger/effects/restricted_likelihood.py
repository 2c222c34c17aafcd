"""Restricted maximum likelihood of repeated values, maximised over the parts of a covariance.

Values of one unit are correlated, those of different units are not. The covariance of a unit is a
sum of known matrices times unknown numbers, so one fitting routine serves a random intercept, a
random slope and an unstructured covariance, and the second derivatives that Kenward and Roger's
formula needs are zero.

References
----------
Patterson, H. D. and Thompson, R. (1971). Recovery of inter-block information when block sizes are
unequal. Biometrika 58, 545-554.
Kenward, M. G. and Roger, J. H. (1997). Small sample inference for fixed effects from restricted
maximum likelihood. Biometrics 53, 983-997.
Fai, A. H.-T. and Cornelius, P. L. (1996). Approximate F-tests of multiple degree of freedom
hypotheses in generalized least squares analyses of unbalanced split-plot experiments. Journal of
Statistical Computation and Simulation 54, 363-378 (Satterthwaite).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ROUNDS = 200
_CLOSE = 1e-11


@dataclass(frozen=True)
class Repeated:
    """Values of units on several occasions, and the columns that explain them.

    Attributes
    ----------
    y
        Shape ``(n_units, n_occasions)``; ``NaN`` where a unit has no value.
    x
        Shape ``(n_units, n_occasions, n_columns)``, of full column rank over all values.
    """

    y: Array
    x: Array


@dataclass(frozen=True)
class Fit:
    """A fitted model.

    Attributes
    ----------
    theta
        Numbers that multiply the basis of the covariance, shape ``(n_parts,)``.
    beta, phi
        Coefficients and their estimated covariance, shapes ``(p,)`` and ``(p, p)``.
    slopes
        Derivative of ``inverse(phi)`` by each part, with the sign turned: ``(n_parts, p, p)``.
    curves
        Kenward and Roger's Q, shape ``(n_parts, n_parts, p, p)``.
    expected, observed
        Information on ``theta``, shape ``(n_parts, n_parts)``.
    log_likelihood
        Restricted log-likelihood.
    singular
        A variance was estimated as zero (or below) and is held at zero.
    """

    theta: Array
    beta: Array
    phi: Array
    slopes: Array
    curves: Array
    expected: Array
    observed: Array
    score: Array
    log_likelihood: float
    singular: bool = False


class NotFitted(Exception):
    """The model has no usable estimate; the text says why."""


def padded(data: Repeated) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return values and columns with zeros where a unit has no value, and where it has one."""
    here = np.isfinite(data.y)
    return np.where(here, data.y, 0.0), np.where(here[:, :, None], data.x, 0.0), here


def fit(data: Repeated, basis: Array, start: Array) -> Fit:
    """Maximise the restricted likelihood by Fisher scoring with step halving.

    Parameters
    ----------
    data
        Values and columns.
    basis
        Matrices that add up to the covariance of a unit, shape ``(n_parts, t, t)``.
    start
        First guess of their multipliers, as shares of the residual variance of least squares.

    Raises
    ------
    NotFitted
        If the values do not vary or the search does not settle.
    """
    y, x, here = padded(data)
    flat = x.reshape(-1, x.shape[2])
    left = y.ravel() - flat @ np.linalg.lstsq(flat, y.ravel(), rcond=None)[0]
    scale = math.sqrt(float(left @ left) / max(int(here.sum()) - x.shape[2], 1))
    if not scale > 1e-12 * max(float(np.abs(y).max()), 1e-300):
        raise NotFitted("the model leaves no variation between values")
    pair = here[:, :, None] & here[:, None, :]
    parts = np.where(pair[:, None], basis[None], 0.0)
    filler = np.eye(y.shape[1])[None] * ~here[:, :, None]
    theta = start.astype(np.float64)
    now = _state(theta, y / scale, x, parts, filler)
    if now is None:
        raise NotFitted("the first guess of the covariance is not a covariance")
    for _ in range(_ROUNDS):
        step = np.asarray(np.linalg.lstsq(now.expected, now.score, rcond=None)[0], dtype=np.float64)
        after = _uphill(now, step, y / scale, x, parts, filler)
        moved = float(np.abs(after.theta - now.theta).max())
        now = after
        if moved <= _CLOSE * max(1.0, float(np.abs(now.theta).max())):
            return _unscaled(now, scale, int(here.sum()) - x.shape[2])
    raise NotFitted("the search for the variances did not settle")


def _uphill(now: Fit, step: Array, y: Array, x: Array, parts: Array, filler: Array) -> Fit:
    size = 1.0
    for _ in range(60):
        trial = _state(now.theta + size * step, y, x, parts, filler)
        if trial is not None and trial.log_likelihood >= now.log_likelihood - 1e-12:
            return trial
        size /= 2.0
    return now


def _state(theta: Array, y: Array, x: Array, parts: Array, filler: Array) -> Fit | None:
    """Return likelihood, score and information at ``theta``; ``None`` if it is no covariance."""
    v = np.einsum("k,nkab->nab", theta, parts) + filler
    try:
        lower = np.linalg.cholesky(v)
        w = np.linalg.inv(v)
        wx = w @ x
        cross = np.einsum("nap,naq->pq", x, wx)
        phi = np.linalg.inv(cross)
    except np.linalg.LinAlgError:
        return None
    beta = phi @ np.einsum("nap,na->p", wx, y)
    left = y - x @ beta
    wr = np.einsum("nab,nb->na", w, left)
    wg = w[:, None] @ parts
    gx = parts @ wx[:, None]
    slopes = np.einsum("nap,nkaq->kpq", wx, gx)
    curves = np.einsum("nkap,nlaq->klpq", gx, w[:, None] @ gx, optimize=True)
    gr = np.einsum("nkab,nb->nka", parts, wr)
    wgr = np.einsum("nab,nkb->nka", w, gr)
    score = 0.5 * (
        np.einsum("na,nka->k", wr, gr)
        - np.einsum("nkaa->k", wg)
        + np.einsum("pq,kqp->k", phi, slopes)
    )
    scaled = phi @ slopes
    expected = 0.5 * (
        np.einsum("nkab,nlba->kl", wg, wg, optimize=True)
        - 2.0 * np.einsum("pq,klqp->kl", phi, curves)
        + np.einsum("kpq,lqp->kl", scaled, scaled)
    )
    lean = np.einsum("nka,nap->kp", gr, wx)
    curvature = np.einsum("nka,nla->kl", gr, wgr) - lean @ phi @ lean.T
    fits = float(np.einsum("na,na->", left, wr))
    sizes = 2.0 * float(np.log(np.einsum("naa->na", lower)).sum())
    log_likelihood = -0.5 * (sizes + float(np.linalg.slogdet(cross)[1]) + fits)
    return Fit(
        theta, beta, phi, slopes, curves, expected, curvature - expected, score, log_likelihood
    )


def _unscaled(found: Fit, scale: float, free: int) -> Fit:
    """Return the fit in the unit of the values (they were divided by ``scale``)."""
    square = scale**2
    constant = 0.5 * free * math.log(2.0 * math.pi) + free * math.log(scale)
    return Fit(
        theta=found.theta * square,
        beta=found.beta * scale,
        phi=found.phi * square,
        slopes=found.slopes / square**2,
        curves=found.curves / square**3,
        expected=found.expected / square**2,
        observed=found.observed / square**2,
        score=found.score / square,
        log_likelihood=found.log_likelihood - constant,
        singular=found.singular,
    )
