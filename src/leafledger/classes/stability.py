"""Which terms of the model stay the same when other plants are drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_fit import FoldFit, Procedure, fit_training
from leafledger.classes.latent import LatentPath, importance
from leafledger.classes.selectivity import selectivity_ratio
from leafledger.classes.splits import members_of

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

    ``weights`` and ``loadings`` have shape ``(n_wavelengths, n_components)``, ``coefficients`` and
    ``selectivity`` ``(n_wavelengths, n_classes)``, ``importance`` ``(n_wavelengths,)``,
    ``cosine`` (median) ``(n_components,)``.
    """

    weights: Array
    loadings: Array
    coefficients: Array
    selectivity: Array
    importance: Array
    cosine: Array

    @property
    def stable_components(self) -> int:
        """Number of leading latent variables that are alike in most resamples."""
        alike = self.cosine >= ALIKE
        return len(alike) if alike.all() else int(alike.argmin())


@dataclass(frozen=True)
class Terms:
    """Terms of one fit: shapes as in :class:`Spread`."""

    weights: Array
    loadings: Array
    coefficients: Array
    selectivity: Array
    importance: Array


def terms_of(fit: FoldFit, ready: Array, chosen: int) -> Terms:
    """Return the terms of a fit.

    Parameters
    ----------
    fit
        Any fit.
    ready
        The spectra it was fitted to, as the latent variables see them.
    chosen
        Number of latent variables of the coefficients, the selectivity and the importance.
    """
    coefficients = fit.path.coefficients(chosen)
    return Terms(
        weights=fit.path.weights,
        loadings=fit.path.loadings,
        coefficients=coefficients,
        selectivity=selectivity_ratio(ready, coefficients),
        importance=importance(fit.path, chosen),
    )


def resampled_terms(
    spectra: Array,
    codes: NDArray[np.int_],
    units: NDArray[np.int_],
    fit: FoldFit,
    step: str,
    procedure: Procedure,
    chosen: int,
    rng: np.random.Generator,
) -> Spread:
    """Refit on resampled units and return how far the terms move.

    Parameters
    ----------
    spectra, codes, units
        What ``fit`` was fitted to: spectra (after the part of preprocessing that looks at one
        spectrum only), class number and unit number of every scan.
    fit
        The full fit.
    step, procedure
        How it was fitted; preprocessing that learns is learned anew every time.
    chosen
        See :func:`terms_of`.
    rng
        Random stream; units are drawn with replacement within their class, with all their scans.

    Returns
    -------
    Spread
        Standard deviations (divisor ``n - 1``) over the resamples. Each resampled latent variable
        takes the sign that agrees with the full fit.
    """
    path = fit.path
    members = members_of(units)
    unit_codes = np.array([codes[scans[0]] for scans in members])
    found: list[Terms] = []
    for _ in range(N_RESAMPLES):
        rows = np.concatenate([members[unit] for unit in _redrawn(unit_codes, rng)])
        again = fit_training(spectra[rows], codes[rows], step, procedure)
        found.append(_turned(terms_of(again, again.learned.apply(spectra[rows]), chosen), path))

    def spread(name: str) -> Array:
        return np.asarray(np.std([getattr(terms, name) for terms in found], axis=0, ddof=1))

    return Spread(
        weights=spread("weights"),
        loadings=spread("loadings"),
        coefficients=spread("coefficients"),
        selectivity=spread("selectivity"),
        importance=spread("importance"),
        cosine=np.median([_cosine(terms.loadings, path.loadings) for terms in found], axis=0),
    )


def _turned(terms: Terms, path: LatentPath) -> Terms:
    """Return the terms with the signs of weights and loadings that agree with ``path``."""
    signs = np.where((terms.weights * path.weights).sum(axis=0) < 0, -1.0, 1.0)
    return replace(terms, weights=terms.weights * signs, loadings=terms.loadings * signs)


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
