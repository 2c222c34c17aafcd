"""Which terms of the model stay the same when other plants are drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.latent import LatentPath, fit_path, importance, membership_of

Array = NDArray[np.float64]
N_RESAMPLES = 50
"""A standard deviation over 50 is known to about 10 %."""
ALIKE = 0.9
"""Cosine of about 26 degrees: the same peaks in the same places (common practice, no source)."""
RULE = (
    f"leading latent variables whose loading, over {N_RESAMPLES} resamples of units within "
    f"classes, has a median cosine of at least {ALIKE} with that of the full fit"
)


@dataclass(frozen=True)
class Spread:
    """Standard deviation over resamples of every term, and how alike the loadings are.

    ``weights`` and ``loadings`` have shape ``(n_wavelengths, n_components)``, ``coefficients``
    ``(n_wavelengths, n_classes)``, ``importance`` ``(n_wavelengths,)``, ``cosine`` (median)
    ``(n_components,)``.
    """

    weights: Array
    loadings: Array
    coefficients: Array
    importance: Array
    cosine: Array

    @property
    def stable_components(self) -> int:
        """Number of leading latent variables that are alike in most resamples."""
        alike = self.cosine >= ALIKE
        return len(alike) if alike.all() else int(alike.argmin())


def resampled_terms(
    spectra: Array,
    codes: NDArray[np.int_],
    units: NDArray[np.int_],
    path: LatentPath,
    chosen: int,
    rng: np.random.Generator,
) -> Spread:
    """Refit on resampled units and return how far the terms move.

    Parameters
    ----------
    spectra, codes, units
        What ``path`` was fitted to: spectra, class number and unit number of every scan.
    path
        The full fit.
    chosen
        Number of latent variables of the coefficients and the importance.
    rng
        Random stream; units are drawn with replacement within their class, with all their scans.

    Returns
    -------
    Spread
        Standard deviations (divisor ``n - 1``) over the resamples. Each resampled latent variable
        takes the sign that agrees with the full fit.
    """
    n_classes, n_components = path.membership_loadings.shape
    members = [np.flatnonzero(units == unit) for unit in range(int(units.max()) + 1)]
    unit_codes = np.array([codes[scans[0]] for scans in members])
    weights: list[Array] = []
    loadings: list[Array] = []
    coefficients: list[Array] = []
    importances: list[Array] = []
    for _ in range(N_RESAMPLES):
        rows = np.concatenate([members[unit] for unit in _redrawn(unit_codes, rng)])
        again = fit_path(spectra[rows], membership_of(codes[rows], n_classes), n_components)
        same = (again.weights * path.weights).sum(axis=0)
        signs = np.where(same < 0, -1.0, 1.0)
        weights.append(again.weights * signs)
        loadings.append(again.loadings * signs)
        coefficients.append(again.coefficients[chosen - 1])
        importances.append(importance(again, chosen))
    return Spread(
        weights=np.std(weights, axis=0, ddof=1),
        loadings=np.std(loadings, axis=0, ddof=1),
        coefficients=np.std(coefficients, axis=0, ddof=1),
        importance=np.std(importances, axis=0, ddof=1),
        cosine=np.median([_cosine(p, path.loadings) for p in loadings], axis=0),
    )


def _redrawn(unit_codes: NDArray[np.int_], rng: np.random.Generator) -> NDArray[np.int_]:
    parts = []
    for code in np.unique(unit_codes):
        own = np.flatnonzero(unit_codes == code)
        parts.append(own[rng.integers(0, len(own), len(own))])
    return np.concatenate(parts)


def _cosine(a: Array, b: Array) -> Array:
    """Return the cosine between matching columns; 0 where a column is empty."""
    lengths = np.sqrt((a**2).sum(axis=0) * (b**2).sum(axis=0))
    return np.asarray((a * b).sum(axis=0) / np.where(lengths > 0, lengths, 1.0))
