"""Which classes are taken for each other, and the wavelengths that separate them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.selection import unit_shares

Array = NDArray[np.float64]
APART_NM = 20.0
"""Least distance between two wavelengths that are told: nearer ones tell the same thing."""
MOST = 3


@dataclass(frozen=True)
class Separator:
    """A wavelength at which two classes differ.

    Attributes
    ----------
    wavelength_nm
        Where.
    difference
        Mean of the units of the first class minus that of the second, as the model sees spectra.
    sd_units
        Standard deviation among units, pooled within the two classes.
    standardised
        Difference over standard deviation.
    """

    wavelength_nm: float
    difference: float
    sd_units: float
    standardised: float


def unit_mean_spectra(spectra: Array, unit_of: NDArray[np.int_]) -> Array:
    """Return the mean spectrum of every unit, shape ``(n_units, n_wavelengths)``."""
    return unit_shares(spectra.T, unit_of).T


def separating_wavelengths(first: Array, second: Array, wavelength_nm: Array) -> list[Separator]:
    """Return the wavelengths at which two classes lie furthest apart.

    Parameters
    ----------
    first, second
        Mean spectra of the units of either class, shape ``(n_units, n_wavelengths)``.
    wavelength_nm
        Shape ``(n_wavelengths,)``.

    Returns
    -------
    list of Separator
        At most three, the largest standardised difference first, at least 20 nm apart; none if
        there are fewer than three units in all. Wavelengths where units do not differ at all
        within their class are left out.

    References
    ----------
    Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, ch. 2 (difference of means
    over the pooled standard deviation).

    Examples
    --------
    >>> first, second = np.array([[1.0, 5.0], [1.2, 5.2]]), np.array([[1.1, 3.0], [1.3, 3.4]])
    >>> separating_wavelengths(first, second, np.array([500.0, 600.0]))[0].wavelength_nm
    600.0
    """
    freedom = len(first) + len(second) - 2
    if freedom < 1:
        return []
    difference = first.mean(axis=0) - second.mean(axis=0)
    squares = ((first - first.mean(axis=0)) ** 2).sum(axis=0)
    squares = squares + ((second - second.mean(axis=0)) ** 2).sum(axis=0)
    sd = np.sqrt(squares / freedom)
    varies = sd > 1e-12 * max(float(np.abs(first).max()), float(np.abs(second).max()))
    standardised = np.where(varies, difference / np.where(varies, sd, 1.0), 0.0)
    found: list[Separator] = []
    for i in np.argsort(-np.abs(standardised), kind="stable"):
        if standardised[i] == 0 or len(found) == MOST:
            break
        here = float(wavelength_nm[i])
        if all(abs(here - other.wavelength_nm) >= APART_NM for other in found):
            found.append(
                Separator(here, float(difference[i]), float(sd[i]), float(standardised[i]))
            )
    return found
