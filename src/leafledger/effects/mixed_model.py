"""The linear mixed models of a course: what the values of one unit share, fitted by REML.

A random intercept, a random intercept and slope, or a covariance of its own between any two
occasions; each is a basis whose multipliers :mod:`leafledger.effects.restricted_likelihood` finds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from leafledger.effects.restricted_likelihood import Array, Fit, NotFitted, Repeated, fit, padded

_ZERO = 1e-9
"""A variance below this share of the residual one is zero."""


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
    y, x, _ = padded(data)
    flat = x.reshape(-1, x.shape[2])
    beta = np.linalg.lstsq(flat, y.ravel(), rcond=None)[0]
    left = y - x @ beta
    whole = np.isfinite(data.y).all(axis=1)
    spread = left[whole].T @ left[whole] / whole.sum()
    total = float(np.trace(spread))
    if total > 0:  # else no value varies, which the fit itself says
        spread = spread / total * len(spread)
    spread = 0.9 * spread + 0.1 * np.eye(len(spread))
    return np.array([np.sum(spread * part) / np.sum(part) for part in basis])
