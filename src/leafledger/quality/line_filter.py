"""A matched filter for narrow lines on a leaf: how tall they stand, and how tall chance stands.

The leaf under the lines is taken for a smooth random curve and the noise for independent; the
filter is then the generalised least-squares estimate of the height of a line. It adapts: in
strong noise it looks for its baseline far to both sides, in weak noise only near by.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import MAD_TO_SD

Floats = NDArray[np.float64]

LEAF_SD, LEAF_LENGTH_NM, LEAF_GRAIN = 0.1, 48.0, 5e-5
"""The random curve: its standard deviation (reflectance), over what distance it changes, and what
is not smooth in it. Most likely values for 300 leaves of PROSPECT-D, pale to dark, 400-670 nm."""

_STRETCH_NM = 40.0
"""Over such a stretch the noise of a scan is taken for even, where it must be estimated."""


def leaf_covariance(wavelength_nm: Floats) -> Floats:
    """Return the covariance of the reflectance of a leaf, shape ``(n_wavelengths,) * 2``.

    Notes
    -----
    A Matern covariance of order 7/2: curves that can be differentiated three times. No leaf
    changes faster below the red edge, at about 675 nm.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.14 and 4.15.
    """
    distance = np.abs(wavelength_nm[:, None] - wavelength_nm)
    x = np.sqrt(7.0) * distance / LEAF_LENGTH_NM
    smooth = (1 + x + 2 * x**2 / 5 + x**3 / 15) * np.exp(-x)
    return np.asarray(LEAF_SD**2 * smooth + LEAF_GRAIN**2 * (distance == 0))


def line_heights(
    wavelength_nm: Floats,
    reflectance: Floats,
    variance: Floats,
    shapes: Floats,
    unseen: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Measure lines, each by itself.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    reflectance, variance
        Shape ``(n_scans, n_wavelengths)``. The filters are made for the median noise of the scans,
        the deviations for that of each scan.
    shapes
        Shape ``(n_wavelengths, n_lines)``.
    unseen
        Shapes that may stand there in any height without changing what is measured,
        ``(n_wavelengths, n_unseen)``.

    Returns
    -------
    heights, per_factor
        Height over its standard deviation, and what that is for a line as high as its shape;
        ``(n_scans, n_lines)``.
    """
    leaf = leaf_covariance(wavelength_nm)
    total = leaf + np.diag(np.median(variance, axis=0))
    weights = np.linalg.solve(total, shapes)
    if unseen is not None:
        beside = np.linalg.solve(total, unseen)
        # Two lamps share lines: least squares finds one of the many equal answers.
        weights -= beside @ np.linalg.lstsq(unseen.T @ beside, unseen.T @ weights, rcond=1e-9)[0]
    own = variance @ weights**2 + (weights * (leaf @ weights)).sum(axis=0)
    deviation = np.sqrt(own)
    return reflectance @ weights / deviation, (shapes * weights).sum(axis=0) / deviation


def noise_of(reflectance: Floats, spacing_nm: float) -> Floats:
    """Return the variance of every pixel, told from the scan itself; shape as ``reflectance``.

    Second differences do not see a smooth leaf; three independent values give them 3/2 of the
    variance of one.
    """
    bend = np.abs(reflectance[:, 1:-1] - (reflectance[:, :-2] + reflectance[:, 2:]) / 2)
    n_stretches = max(1, round(bend.shape[1] * spacing_nm / _STRETCH_NM))
    stretches = np.array_split(np.arange(bend.shape[1]), n_stretches)
    sd = np.stack([np.median(bend[:, s], axis=1) for s in stretches], axis=1)
    sd *= MAD_TO_SD / np.sqrt(1.5)
    middle = np.array([s.mean() + 1 for s in stretches])
    pixels = np.arange(reflectance.shape[1])
    between = np.stack([np.interp(pixels, middle, one) for one in np.eye(n_stretches)])
    return np.asarray((sd @ between) ** 2)
