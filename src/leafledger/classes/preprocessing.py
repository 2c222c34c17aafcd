"""Steps taken on every spectrum by itself before the model sees it.

Each looks at one row only, so nothing is learned from other scans and nothing can leak between
the two sides of a split.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

STEPS = ("none", "standard_normal_variate")


def preprocessed(spectra: NDArray[np.float64], step: str) -> NDArray[np.float64]:
    """Return the spectra after one preprocessing step.

    Parameters
    ----------
    spectra
        Reflectance, shape ``(n_scans, n_wavelengths)``.
    step
        ``none``, or ``standard_normal_variate``: every spectrum minus its own mean, divided by
        its own standard deviation (divisor ``n_wavelengths - 1``).

    Returns
    -------
    numpy.ndarray
        Same shape, float64. A flat spectrum becomes zeros.

    Raises
    ------
    ValueError
        If the step is unknown.

    References
    ----------
    Barnes, Dhanoa & Lister 1989, Appl. Spectrosc. 43:772-777.

    Examples
    --------
    >>> preprocessed(np.array([[1.0, 2.0, 3.0]]), "standard_normal_variate").tolist()
    [[-1.0, 0.0, 1.0]]
    """
    if step == "none":
        return spectra
    if step != "standard_normal_variate":
        raise ValueError(f"unknown preprocessing {step!r}; known: {', '.join(STEPS)}")
    centred = spectra - spectra.mean(axis=1, keepdims=True)
    if spectra.shape[1] < 2:
        return np.zeros_like(centred)
    spread = spectra.std(axis=1, ddof=1, keepdims=True)
    flat = spread <= 1e-12 * np.abs(spectra).max(axis=1, keepdims=True)
    return np.asarray(np.where(flat, 0.0, centred / np.where(flat, 1.0, spread)), dtype=np.float64)
