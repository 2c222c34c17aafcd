"""Partial least squares on class membership: every number of latent variables from one fit."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LatentPath:
    """What one fit learned, for 1 to ``n_components`` latent variables.

    Attributes
    ----------
    spectrum_mean
        Training mean, shape ``(n_wavelengths,)``.
    membership_mean
        Share of every class in training, shape ``(n_classes,)``.
    weights, loadings, rotations
        Shape ``(n_wavelengths, n_components)``; weights have length 1, and each one's largest
        element is positive. Scores are centred spectra times rotations.
    membership_loadings
        Shape ``(n_classes, n_components)``.
    scores
        Training scores, shape ``(n_scans, n_components)``.
    score_sizes
        Their sums of squares, each scan weighed as in the fit, shape ``(n_components,)``.
    n_stable
        Leading latent variables that could be computed; the data hold no more than these.
    """

    spectrum_mean: Array
    membership_mean: Array
    weights: Array
    loadings: Array
    rotations: Array
    membership_loadings: Array
    scores: Array
    score_sizes: Array
    n_stable: int

    def coefficients(self, n_components: int) -> Array:
        """Return coefficients of centred spectra, shape ``(n_wavelengths, n_classes)``."""
        used = slice(0, n_components)
        return np.asarray(self.rotations[:, used] @ self.membership_loadings[:, used].T)

    def place(self, spectra: Array) -> Array:
        """Return scores, shape ``(n_scans, n_components)``."""
        return np.asarray((spectra - self.spectrum_mean) @ self.rotations)

    def membership(self, spectra: Array) -> Array:
        """Return predicted membership, shape ``(n_components, n_scans, n_classes)``."""
        return summed_membership(
            self.place(spectra), self.membership_loadings, self.membership_mean
        )


def summed_membership(scores: Array, loadings: Array, mean: Array) -> Array:
    """Return membership predicted with 1, 2, ... latent variables.

    Parameters
    ----------
    scores
        Shape ``(n_scans, n_components)``.
    loadings
        Membership loadings, shape ``(n_classes, n_components)``.
    mean
        Shape ``(n_classes,)``.

    Returns
    -------
    numpy.ndarray
        Shape ``(n_components, n_scans, n_classes)``.
    """
    steps = scores.T[:, :, None] * loadings.T[:, None, :]
    return np.asarray(np.cumsum(steps, axis=0) + mean)


def membership_of(codes: NDArray[np.int_], n_classes: int) -> Array:
    """Return class membership as 0 and 1, shape ``codes.shape + (n_classes,)``.

    Examples
    --------
    >>> membership_of(np.array([0, 1]), 2).tolist()
    [[1.0, 0.0], [0.0, 1.0]]
    """
    return np.eye(n_classes)[codes]


def class_weights(codes: NDArray[np.int_], n_classes: int) -> Array:
    """Return weights that let every class count alike, with mean 1 over the scans.

    Parameters
    ----------
    codes
        Class number of every scan, shape ``(..., n_scans)``.
    n_classes
        Number of classes; those that are missing are left out.

    Examples
    --------
    >>> class_weights(np.array([0, 0, 0, 1]), 2).round(3).tolist()
    [0.667, 0.667, 0.667, 2.0]
    """
    counts = membership_of(codes, n_classes).sum(axis=-2)
    there = (counts > 0).sum(axis=-1, keepdims=True)
    own = np.take_along_axis(counts, codes, axis=-1)
    return np.asarray(codes.shape[-1] / (there * own))


def fit_path(
    spectra: Array, membership: Array, n_components: int, weights: Array | None = None
) -> LatentPath:
    """Fit partial least squares with several responses, centred and not scaled.

    Parameters
    ----------
    spectra
        Training spectra, shape ``(n_scans, n_wavelengths)``.
    membership
        Shape ``(n_scans, n_classes)``; a column may be constant.
    n_components
        Largest number of latent variables. Where the data hold fewer, predictions with more stay
        those of the last one that could be computed, and their terms are zero.
    weights
        How much every scan counts, shape ``(n_scans,)``; all alike if left out.

    Returns
    -------
    LatentPath
        All numbers of latent variables.

    References
    ----------
    Dayal & MacGregor 1997, J. Chemom. 11:73-85 (improved kernel algorithm 1, the faster one where
    there are fewer scans than wavelengths).
    """
    from ikpls.numpy import PLS

    fitted = PLS(algorithm=1, scale_X=False, scale_Y=False)
    with warnings.catch_warnings():
        # Too many latent variables for the data: told through n_stable instead.
        warnings.simplefilter("ignore", UserWarning)
        fitted.fit(spectra, membership, n_components, weights)
    signs = weight_signs(fitted.W)
    mean = np.asarray(fitted.X_mean[0])
    return LatentPath(
        spectrum_mean=mean,
        membership_mean=np.asarray(fitted.Y_mean[0]),
        weights=fitted.W * signs,
        loadings=fitted.P * signs,
        rotations=fitted.R * signs,
        membership_loadings=fitted.Q * signs,
        # The library's scores carry the square root of the weights; these are plain.
        scores=fitted.T * signs if weights is None else (spectra - mean) @ (fitted.R * signs),
        score_sizes=(fitted.T**2).sum(axis=0),
        n_stable=int(fitted.max_stable_components),
    )


def weight_signs(weights: Array) -> Array:
    """Return +1 or -1 per column, so that its element of largest size becomes positive."""
    largest = np.abs(weights).argmax(axis=0)
    picked = weights[largest, np.arange(weights.shape[1])]
    return np.where(picked < 0, -1.0, 1.0)


def importance(path: LatentPath, n_components: int) -> Array:
    """Return the variable importance in projection at a number of latent variables.

    Parameters
    ----------
    path
        A fit.
    n_components
        Number of latent variables.

    Returns
    -------
    numpy.ndarray
        ``sqrt(p sum_a(w_ja^2 SS_a) / sum_a SS_a)`` with ``SS_a`` the sum of squares of membership
        that latent variable ``a`` explains; shape ``(n_wavelengths,)``. Its mean square is 1.

    References
    ----------
    Wold, Johansson & Cocchi 1993, in: 3D QSAR in Drug Design, 523-550.
    """
    used = min(n_components, path.n_stable)
    explained = (path.membership_loadings[:, :used] ** 2).sum(axis=0)
    explained = explained * path.score_sizes[:used]
    if explained.sum() <= 0:
        return np.zeros(len(path.spectrum_mean))
    squares = path.weights[:, :used] ** 2 @ explained / explained.sum()
    return np.asarray(np.sqrt(len(squares) * squares))


def explained_shares(
    path: LatentPath, spectra: Array, membership: Array, weights: Array | None = None
) -> tuple[Array, Array]:
    """Return which share of the variance every latent variable accounts for.

    Parameters
    ----------
    path
        A fit.
    spectra, membership, weights
        What it was fitted to.

    Returns
    -------
    tuple of numpy.ndarray
        Shares of the spectra and of the membership, shape ``(n_components,)``; 0 where there is
        no variance.
    """
    each = np.ones(len(spectra)) if weights is None else weights
    totals = [
        float((each[:, None] * (values - mean) ** 2).sum())
        for values, mean in ((spectra, path.spectrum_mean), (membership, path.membership_mean))
    ]
    found = [
        (loadings**2).sum(axis=0) * path.score_sizes
        for loadings in (path.loadings, path.membership_loadings)
    ]
    shares = [
        part / total if total > 0 else 0 * part for part, total in zip(found, totals, strict=True)
    ]
    return shares[0], shares[1]
