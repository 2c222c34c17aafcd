"""From the uncertainty of reflectance to the uncertainty of an index.

Three parts are kept apart because they average differently later: ``u_scan`` is independent from
scan to scan, ``u_reference`` is shared by the scans of one reference set, ``u_panel`` by all.
Within ``u_reference`` the noise of darks and whites is independent from wavelength to wavelength;
drift, darks that disagree, stray light, linearity, the axis and integration times each move all
wavelengths together and go through the formula as one signed spectrum.

References
----------
JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in
measurement (GUM), equations 10 (independent inputs) and 16 (fully correlated inputs).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from leafledger.spectra.bands import Band, weighted_sums

Array = NDArray[np.float64]
Pair = tuple[Band, Band]


def shared_pairs(
    bands_of_formulas: Sequence[Sequence[Band]], weights: Mapping[Band, Array]
) -> list[Pair]:
    """Return the pairs of bands within a formula that are read from a common wavelength.

    Parameters
    ----------
    bands_of_formulas
        The bands of each formula.
    weights
        Band -> weights on the axis, shape ``(n_wavelengths,)``.

    Returns
    -------
    list of pairs
        Each once, the lower band first, sorted; every band with itself as well.
    """
    found = {(band, band) for bands in bands_of_formulas for band in bands}
    for bands in bands_of_formulas:
        for first, second in combinations(sorted(bands), 2):
            if np.any((weights[first] != 0) & (weights[second] != 0)):
                found.add((first, second))
    return sorted(found)


def band_covariances(
    pairs: Sequence[Pair], weights: Mapping[Band, Array], u: Array
) -> dict[Pair, Array]:
    """Return the covariances of bands whose wavelengths err independently.

    Parameters
    ----------
    pairs
        Pairs of bands, from :func:`shared_pairs`.
    weights
        Band -> weights on the axis, shape ``(n_wavelengths,)``.
    u
        Standard uncertainty of reflectance, shape ``(n_scans, n_wavelengths)``, uncorrelated over
        wavelengths.

    Returns
    -------
    dict
        Pair -> covariance, shape ``(n_scans,)``: the sum over wavelengths of both weights times
        the variance. Interpolated bands that share a pixel are correlated through it.
    """
    if not pairs:
        return {}
    products = np.stack([weights[a] * weights[b] for a, b in pairs])
    return dict(zip(pairs, weighted_sums(products, np.square(u)), strict=True))


def independent_u(slopes: Mapping[Band, Array], covariances: Mapping[Pair, Array]) -> Array:
    """Return the standard uncertainty of an index from the covariances of its bands.

    Parameters
    ----------
    slopes
        Band -> derivative of the index, shape ``(n_scans,)``.
    covariances
        Pair of bands -> covariance, shape ``(n_scans,)``, from :func:`band_covariances`.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_scans,)``, in the unit of the index.
    """
    variance: Array = np.zeros(())
    bands = sorted(slopes)
    for place, first in enumerate(bands):
        for second in bands[place:]:
            if (first, second) in covariances:
                times = 1.0 if first == second else 2.0
                step = slopes[first] * slopes[second] * covariances[first, second]
                variance = variance + times * step
    # Rounding can leave a cancelled sum just below zero.
    return np.sqrt(np.maximum(variance, 0.0))


def common_u(slopes: Mapping[Band, Array], change: Mapping[Band, Array]) -> Array:
    """Return the standard uncertainty of an index from one error that moves all wavelengths.

    Parameters
    ----------
    slopes
        Band -> derivative of the index, shape ``(n_scans,)``.
    change
        Band -> change of its reflectance, with its sign, for one standard uncertainty of the
        source, shape ``(n_scans,)``; for the panel reflectance times its relative uncertainty.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_scans,)``. Zero, up to rounding, for a ratio of reflectances when the change is
        the same share of all of them: a grey drift, or a panel of one uncertainty, cancels.
    """
    total: Array = np.zeros(())
    for band in sorted(slopes):
        total = total + slopes[band] * change[band]
    return np.abs(total)


def shared_u(
    slopes: Mapping[Band, Array],
    covariances: Mapping[Pair, Array],
    sources: Sequence[Mapping[Band, Array]],
) -> Array:
    """Return the standard uncertainty of an index from what scans share.

    Parameters
    ----------
    slopes
        Band -> derivative of the index, shape ``(n_scans,)``.
    covariances
        Of the noise of darks and whites, from :func:`band_covariances`.
    sources
        One mapping for each source, as in :func:`common_u`; sources are independent of each other.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_scans,)``, in the unit of the index.
    """
    total = independent_u(slopes, covariances) ** 2
    for change in sources:
        total = total + common_u(slopes, change) ** 2
    return np.sqrt(total)
