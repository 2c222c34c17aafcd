"""One level from repeated references: the middle value, which one bad scan cannot move far."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_KEPT = 0.99
"""Share of pixels that counts: hot pixels are rarer than one in a hundred."""
_FEW = 50
"""With fewer pixels the largest 1 % is no pixel at all."""
_MEDIAN_FACTOR = {3: 0.44867, 4: 0.29823, 5: 0.28683, 6: 0.21473, 7: 0.21038, 8: 0.16822}
"""Variance of the median of n normal values in units of the variance of one (order statistics)."""


def centre(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of three or more repeats, the mean of two, or the one there is.

    Parameters
    ----------
    values
        Shape ``(n_repeats, ...)``, at least one repeat.
    """
    middle: NDArray[np.float64] = np.median(values, axis=0)
    return middle


def scan_levels(repeats: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far each repeat lies off :func:`centre` as a whole.

    The mean over pixels of the difference, without the lowest and the highest 1 % of pixels, so
    that hot pixels do not count and whole-number counts still give a fine level.

    Parameters
    ----------
    repeats
        Shape ``(n_repeats, n_pixels)``.

    Returns
    -------
    ndarray
        Shape ``(n_repeats,)``.

    Examples
    --------
    >>> scan_levels(np.array([[1.0, 2.0], [4.0, 5.0], [1.5, 2.5]]))
    array([-0.5,  2.5,  0. ])
    """
    off = repeats - centre(repeats)
    n_pixels = off.shape[1]
    cut = int((1 - _KEPT) * n_pixels)
    kept = np.partition(off, (cut, n_pixels - cut - 1), axis=1)[:, cut : n_pixels - cut]
    return np.asarray(kept.mean(axis=1), dtype=np.float64)


def centre_variance_factor(n_repeats: int) -> float:
    """Return the variance of :func:`centre` in units of the variance of one repeat.

    For more than eight repeats pi / (2 (n + pi/2 - 1)) stands in, within 8 % of the exact value.

    References
    ----------
    The factors are those of normal order statistics (from memory; tested by simulation).

    Examples
    --------
    >>> centre_variance_factor(1), centre_variance_factor(2)
    (1.0, 0.5)
    """
    if n_repeats < 3:
        return 1.0 / n_repeats
    return _MEDIAN_FACTOR.get(n_repeats, np.pi / 2 / (n_repeats + np.pi / 2 - 1))


def trimmed_mean(variances: NDArray[np.float64], freedom: int) -> float:
    """Return the mean of sample variances without the largest 1 %, corrected for the cut.

    For normal noise the variances follow chi-square with ``freedom`` degrees of freedom; the mean
    of its lowest 99 % is F(q; freedom + 2) / 0.99 of the whole, q being its 99 % point.

    Parameters
    ----------
    variances
        One per pixel, shape ``(n_pixels,)``.
    freedom
        Degrees of freedom of each.
    """
    from scipy.special import chdtr, chdtri

    if len(variances) < _FEW:
        return float(variances.mean())
    n_kept = int(np.ceil(_KEPT * len(variances)))
    kept = np.partition(variances, n_kept - 1)[:n_kept]
    point = chdtri(freedom, 1 - _KEPT)
    return float(kept.mean() / (chdtr(freedom + 2, point) / _KEPT))
