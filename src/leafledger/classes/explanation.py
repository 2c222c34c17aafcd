"""What the model rests on: steady terms, selective wavelengths, latent variables in words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.cross_validation import Validated
from leafledger.classes.fold_fit import Brief, FoldFit, SummedFit, fit_training
from leafledger.classes.labelled_scans import Labelled
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import members_of, unit_shares
from leafledger.spectra.applicability import preprocessed
from leafledger.spectra.pls import (
    LatentPath,
    class_weights,
    explained_shares,
    importance,
    membership_of,
)

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


@dataclass(frozen=True)
class Explanation:
    """The chosen procedure fitted to all scans, and how steady its terms are.

    Attributes
    ----------
    fit
        With as many latent variables as were searched.
    n_components
        Latent variables that were chosen: coefficients, selectivity and importance are for these.
    terms
        Terms of the fit.
    brief
        The spectra in short, as the latent variables see them.
    unit_means, class_of_means
        Mean spectra of labelled units (a unit under one label), as the latent variables see them,
        shape ``(n_units, n_wavelengths)``, and the class of each; of a sample of units where there
        are very many.
    spread
        Standard deviations over resamples of units.
    spectra_explained, membership_explained
        Share of the variance that each latent variable accounts for, shape ``(n_components,)``.
    """

    fit: FoldFit
    n_components: int
    terms: Terms
    brief: Brief
    unit_means: Array
    class_of_means: NDArray[np.int_]
    spread: Spread
    spectra_explained: Array
    membership_explained: Array


def explain(data: Labelled, validated: Validated, seed: int) -> Explanation:
    """Fit the chosen procedure to all scans and describe what it rests on.

    Parameters
    ----------
    data
        Labelled spectra.
    validated
        What the inner loop chose, and how every model is fitted.
    seed
        Seed of the settings, for the resamples.
    """
    step, _, n_components = validated.chosen
    procedure, codes = validated.procedure, data.codes
    spectra = preprocessed(data.spectra, step, data.wavelength_nm)
    fit = fit_training(spectra, codes, step, procedure)
    ready = fit.learned.apply(spectra)
    weights = class_weights(codes, procedure.n_classes) if procedure.balanced else None
    member = membership_of(codes, procedure.n_classes)
    labelled, class_of = data.labelled_units()
    return Explanation(
        fit,
        n_components,
        terms_of(fit, ready, n_components),
        Brief(ready.mean(axis=0), ready.std(axis=0, ddof=1), ready.min(axis=0), ready.max(axis=0)),
        unit_mean_spectra(ready, labelled),
        class_of,
        resampled_terms(data, validated, fit, generator(seed, "resampled terms")),
        *explained_shares(fit.path, ready, member, weights),
    )


def terms_of(fit: FoldFit, ready: Array, n_components: int) -> Terms:
    """Return the terms of a fit.

    Parameters
    ----------
    fit
        Any fit.
    ready
        The spectra it was fitted to, as the latent variables see them.
    n_components
        Number of latent variables of the coefficients, the selectivity and the importance.
    """
    coefficients = fit.path.coefficients(n_components)
    return Terms(
        weights=fit.path.weights,
        loadings=fit.path.loadings,
        coefficients=coefficients,
        selectivity=selectivity_ratio(ready, coefficients),
        importance=importance(fit.path, n_components),
    )


def resampled_terms(
    data: Labelled, validated: Validated, fit: FoldFit, rng: np.random.Generator
) -> Spread:
    """Refit on resampled units and return how far the terms move.

    Parameters
    ----------
    data
        Labelled spectra.
    validated
        The procedure; preprocessing that learns is learned anew every time.
    fit
        The fit of all scans.
    rng
        Random stream; units are drawn with replacement within their class (where labels change,
        among the units that show the same classes), with all their scans.

    Returns
    -------
    Spread
        Standard deviations (divisor ``n - 1``) over the resamples. Each resampled latent variable
        takes the sign that agrees with the full fit.
    """
    step, _, n_components = validated.chosen
    procedure, path = validated.procedure, fit.path
    spectra = preprocessed(data.spectra, step, data.wavelength_nm)
    members = members_of(data.unit_of)
    unit_codes = classes_of_units(data, procedure.n_classes)
    resampled: list[Terms] = []
    for _ in range(N_RESAMPLES):
        rows = np.concatenate([members[unit] for unit in redrawn(unit_codes, rng)])
        again = fit_training(spectra[rows], data.codes[rows], step, procedure)
        terms = terms_of(again, again.learned.apply(spectra[rows]), n_components)
        resampled.append(turned(terms, path))
    return spread_of(resampled, path)


def classes_of_units(data: Labelled, n_classes: int) -> NDArray[np.int_]:
    """Return the number of the set of classes that every unit shows, in the order of classes."""
    has_class = np.zeros((int(data.unit_of.max()) + 1, n_classes), dtype=bool)
    has_class[data.unit_of, data.codes] = True
    return np.unique(~has_class, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int_)


def spread_of(resampled: list[Terms], path: LatentPath) -> Spread:
    """Return how far the terms of resampled fits move; ``path`` is the fit of all scans."""

    def spread(name: str) -> Array:
        return np.asarray(np.std([getattr(terms, name) for terms in resampled], axis=0, ddof=1))

    return Spread(
        weights=spread("weights"),
        loadings=spread("loadings"),
        coefficients=spread("coefficients"),
        selectivity=spread("selectivity"),
        importance=spread("importance"),
        cosine=np.median([_cosine(terms.loadings, path.loadings) for terms in resampled], axis=0),
    )


def turned(terms: Terms, path: LatentPath) -> Terms:
    """Return the terms with the signs of weights and loadings that agree with ``path``."""
    signs = np.where((terms.weights * path.weights).sum(axis=0) < 0, -1.0, 1.0)
    return replace(terms, weights=terms.weights * signs, loadings=terms.loadings * signs)


def redrawn(unit_codes: NDArray[np.int_], rng: np.random.Generator) -> NDArray[np.int_]:
    """Draw units with replacement within the classes that they show."""
    parts = []
    for code in np.unique(unit_codes):
        units = np.flatnonzero(unit_codes == code)
        parts.append(units[rng.integers(0, len(units), len(units))])
    return np.concatenate(parts)


def _cosine(a: Array, b: Array) -> Array:
    """Return the cosine between matching columns; 0 where a column is empty."""
    lengths = np.sqrt((a**2).sum(axis=0) * (b**2).sum(axis=0))
    return np.asarray((a * b).sum(axis=0) / np.where(lengths > 0, lengths, 1.0))


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
    return selectivity_of_sums(centred.T @ placed, sizes, (centred**2).sum(axis=0))


def selectivity_of_sums(products: Array, sizes: Array, totals: Array) -> Array:
    """Return :func:`selectivity_ratio` from sums over centred spectra.

    Parameters
    ----------
    products
        Of spectra and target scores, shape ``(n_wavelengths, n_classes)``.
    sizes
        Squares of the target scores, shape ``(n_classes,)``.
    totals
        Squares of the spectra, shape ``(n_wavelengths,)``.
    """
    loadings = products / np.where(sizes > 0, sizes, 1.0)
    explained = loadings**2 * sizes
    total = totals[:, None]
    unexplained = np.maximum(total - explained, _LEAST * np.maximum(total, 1e-300))
    return np.asarray(np.where(total > 0, explained / unexplained, 0.0))


APART_NM = 20.0
"""Least distance between two wavelengths that are named: nearer ones say the same."""
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
    out: list[Separator] = []
    for i in np.argsort(-np.abs(standardised), kind="stable"):
        if standardised[i] == 0 or len(out) == MOST:
            break
        nm = float(wavelength_nm[i])
        if all(abs(nm - other.wavelength_nm) >= APART_NM for other in out):
            out.append(Separator(nm, float(difference[i]), float(sd[i]), float(standardised[i])))
    return out


def terms_of_sums(summed_fit: SummedFit, n_components: int) -> Terms:
    """Return the terms of a fit that was made of sums (see :func:`terms_of`)."""
    path = summed_fit.fit.path
    coefficients = path.coefficients(n_components)
    # About the plain mean: what the mean of a weighted model is off by is taken away.
    far = summed_fit.mean - path.spectrum_mean
    squares = summed_fit.squares - summed_fit.counts.sum() * np.outer(far, far)
    products = squares @ coefficients
    return Terms(
        weights=path.weights,
        loadings=path.loadings,
        coefficients=coefficients,
        selectivity=selectivity_of_sums(
            products, np.einsum("pk,pk->k", coefficients, products), np.diag(squares)
        ),
        importance=importance(path, n_components),
    )
