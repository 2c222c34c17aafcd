"""How much of each wavelength the model's answer accounts for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_LEAST = 1e-12


def selectivity_ratio(spectra: Array, coefficients: Array) -> Array:
    """Return explained over unexplained variance at every wavelength, class by class.

    The spectra are projected on the regression vector of a class (the target); at each wavelength
    the variance that this one direction accounts for is compared with what it leaves.

    Parameters
    ----------
    spectra
        As the latent variables see them, shape ``(n_scans, n_wavelengths)``.
    coefficients
        Regression vectors, shape ``(n_wavelengths, n_classes)``.

    Returns
    -------
    numpy.ndarray
        Shape ``(n_wavelengths, n_classes)``; 0 where spectra or coefficients do not vary, at most
        1e12.

    References
    ----------
    Kvalheim & Karstang 1989, Chemom. Intell. Lab. Syst. 7:39-51 (target projection); Rajalahti,
    Arneberg, Berven, Myhr, Ulvik & Kvalheim 2009, Chemom. Intell. Lab. Syst. 95:35-48.

    Examples
    --------
    >>> spectra = np.array([[1.0, 1.0], [-1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    >>> selectivity_ratio(spectra, np.array([[1.0], [1.0]])).round(12).tolist()
    [[1.0], [1.0]]
    """
    centred = spectra - spectra.mean(axis=0)
    placed = centred @ coefficients
    sizes = (placed**2).sum(axis=0)
    loadings = centred.T @ placed / np.where(sizes > 0, sizes, 1.0)
    explained = loadings**2 * sizes
    total = (centred**2).sum(axis=0)[:, None]
    left = np.maximum(total - explained, _LEAST * np.maximum(total, 1e-300))
    return np.asarray(np.where(total > 0, explained / left, 0.0))
