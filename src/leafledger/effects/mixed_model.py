"""Linear mixed model by restricted maximum likelihood, with the degrees of freedom of contrasts.

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
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ROUNDS = 200
_CLOSE = 1e-11
_ZERO = 1e-9
"""A variance below this share of the residual one is zero."""


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


def random_intercept(n_occasions: int) -> Array:
    """Return the basis: every value of a unit shares one variance; and a residual."""
    return np.stack([np.ones((n_occasions, n_occasions)), np.eye(n_occasions)])


def random_slope(times: Array) -> Array:
    """Return the basis of a random intercept and slope over time, correlated; and a residual.

    Time is centred and scaled to unit spread: only the unit of the slope depends on it.
    """
    t = (times - times.mean()) / max(float(times.std()), 1e-300)
    one = np.ones(len(t))
    cross = np.outer(one, t)
    return np.stack([np.outer(one, one), cross + cross.T, np.outer(t, t), np.eye(len(t))])


def unstructured(n_occasions: int) -> Array:
    """Return the basis in which every variance and covariance is free."""
    out = []
    for i in range(n_occasions):
        for j in range(i, n_occasions):
            part = np.zeros((n_occasions, n_occasions))
            part[i, j] = part[j, i] = 1.0
            out.append(part)
    return np.stack(out)


def fit_random_intercept(data: Repeated) -> Fit:
    """Fit a random intercept per unit; a variance that would be negative is held at zero."""
    basis = random_intercept(data.y.shape[1])
    try:
        found = fit(data, basis, np.array([0.5, 0.5]))
    except NotFitted:
        found = None
    if found is not None and found.theta[0] > _ZERO * found.theta[1]:
        return found
    alone = fit(data, basis[1:], np.array([1.0]))
    return replace(alone, singular=True)


def fit_random_slope(data: Repeated, times: Array) -> Fit:
    """Fit a random intercept and slope per unit.

    Raises
    ------
    NotFitted
        If the covariance of intercept and slope lies at the edge of what is possible.
    """
    found = fit(data, random_slope(times), np.array([0.4, 0.0, 0.2, 0.4]))
    a, b, c, residual = found.theta
    smallest = float(np.linalg.eigvalsh(np.array([[a, b], [b, c]]))[0])
    if smallest <= _ZERO * residual or residual <= 0:
        raise NotFitted(
            "singular fit: the data hold no measurable variation of the slopes between units"
        )
    return found


def fit_unstructured(data: Repeated) -> Fit:
    """Fit a covariance in which every variance and covariance is free.

    Raises
    ------
    NotFitted
        If there are too few complete units.
    """
    n, occasions, _ = data.x.shape
    complete = int(np.isfinite(data.y).all(axis=1).sum())
    columns = int(np.linalg.matrix_rank(data.x[:, :1].reshape(n, -1)))
    if complete - columns < occasions:
        raise NotFitted(
            f"{complete} units with a value in every session are too few for a free covariance of "
            f"{occasions} sessions"
        )
    basis = unstructured(occasions)
    return fit(data, basis, _free_start(data, basis))


def _free_start(data: Repeated, basis: Array) -> Array:
    """Return the covariance of the residuals of least squares, in units of their variance."""
    y, x, _ = _padded(data)
    flat = x.reshape(-1, x.shape[2])
    beta = np.linalg.lstsq(flat, y.ravel(), rcond=None)[0]
    left = y - x @ beta
    whole = np.isfinite(data.y).all(axis=1)
    spread = left[whole].T @ left[whole] / whole.sum()
    spread = spread / np.trace(spread) * len(spread)
    spread = 0.9 * spread + 0.1 * np.eye(len(spread))
    return np.array([np.sum(spread * part) / np.sum(part) for part in basis])


def _padded(data: Repeated) -> tuple[Array, Array, NDArray[np.bool_]]:
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
    y, x, here = _padded(data)
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
