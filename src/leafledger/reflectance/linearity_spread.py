"""How uncertain an estimated linearity is, from what its fit leaves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import t_quantile

Floats = NDArray[np.float64]

_LEVEL = 0.95
_NORMAL = 1.959964


def without_rate(values: Floats, time: Floats, weight: Floats) -> Floats:
    """Take the weighted best multiple of the integration time off each pixel."""
    return np.asarray(values - rate_of(values, time, weight) * time[:, None])


def rate_of(values: Floats, time: Floats, weight: Floats) -> Floats:
    """Return the weighted best rate of each pixel, shape ``(n_pixels,)``."""
    square = (weight * time[:, None] ** 2).sum(axis=0)
    sums = (weight * values * time[:, None]).sum(axis=0)
    return np.asarray(np.divide(sums, square, out=np.zeros_like(sums), where=square > 0))


def _steps(signal: Floats, time: Floats) -> Floats:
    """Return the change of all whites if those of one integration time rise by their own size."""
    return np.stack([np.where((time == ms)[:, None], signal, 0.0) for ms in np.unique(time)])


def _by_time(levels: Floats, time: Floats) -> Floats:
    return np.array([levels[time == ms].mean() for ms in np.unique(time)])


def _level_of(values: Floats, signal: Floats, weight: Floats) -> Floats:
    """Return the mean of values over signal of each white, over the pixels that count."""
    known = (weight > 0) & (signal > 0)
    share = np.divide(values, signal, out=np.zeros_like(values), where=known)
    return np.asarray(share.sum(axis=1) / np.maximum(known.sum(axis=1), 1))


def modes(
    columns: Floats, signal: Floats, left: Floats, weight: Floats, time: Floats, levels: Floats
) -> Floats:
    """Return one standard deviation of the coefficients along each independent direction.

    Parameters
    ----------
    columns
        Regressors of the fit, rates eliminated, shape ``(n_terms, n_whites, n_pixels)``.
    signal
        Linear counts, shape ``(n_whites, n_pixels)``.
    left
        What the fit leaves, same shape.
    weight
        Weights of the fit, same shape; 0 where a value does not count.
    time
        Integration times, shape ``(n_whites,)``.
    levels
        Relative residual of each white as a whole, shape ``(n_whites,)``.

    Returns
    -------
    ndarray
        Shape ``(n_terms, n_terms)``, a row for each direction; the sum of ``row^T row`` is the
        covariance.

    Notes
    -----
    Two errors pass through the least squares. Noise is independent over pixels: the sandwich of
    its own squares. A lamp, a shutter or a dark that is off for one integration time raises or
    lowers all pixels of its whites together. How far, the levels of the integration times about
    the fit tell; what the fit itself takes up of such a step is worked out, and with it the
    degrees of freedom that are left (Satterthwaite). They are few: the factor of Student's t at
    95 % is put on, so that twice the standard uncertainty still means 95 %.

    References
    ----------
    White 1980, Econometrica 48:817-838 (sandwich); Satterthwaite 1946, Biometrics Bulletin
    2:110-114; JCGM 100:2008 (GUM), G.3 (Student's t). All from memory.
    """
    normal = np.linalg.inv(np.einsum("kip,ip,lip->kl", columns, weight, columns))
    scores = columns * (weight * left)
    noise = np.einsum("kip,lip->kl", scores, scores)
    steps = _steps(signal, time)
    moved = np.einsum("kip,tip->kt", columns, weight * steps)
    # How a step of each integration time shows in the levels of all, after the fit took its part.
    rates = np.stack([without_rate(step, time, weight) for step in steps])
    rest = rates - np.einsum("kip,kt->tip", columns, normal @ moved)
    shown = np.stack([_by_time(_level_of(one, signal, weight), time) for one in rest])
    square = shown @ shown.T
    freedom = float(np.trace(square)) ** 2 / float(np.square(square).sum())
    variance = float(np.sum(np.square(_by_time(levels, time)))) / float(np.trace(square))
    widening = t_quantile(_LEVEL, freedom) / _NORMAL
    covariance = normal @ (noise + widening**2 * variance * (moved @ moved.T)) @ normal
    variances, directions = np.linalg.eigh(covariance)
    # A direction has no sign of its own: its largest entry is made positive.
    largest = np.abs(directions).argmax(axis=0)
    signs = np.where(directions[largest, np.arange(len(largest))] < 0, -1.0, 1.0)
    scaled = directions * signs * np.sqrt(np.maximum(variances, 0.0))
    return np.asarray(scaled.T, dtype=np.float64)
