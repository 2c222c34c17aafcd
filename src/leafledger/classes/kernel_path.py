"""The same partial least squares for many labellings of the same spectra at once.

With fewer scans than wavelengths everything the labels touch can be done in the space of scans:
the products of spectra with each other are formed once, and all permuted labellings walk through
the latent variables together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.latent import membership_of

Array = NDArray[np.float64]
_RESOLVED = 1e-13
"""Share of the largest squared size that rounding leaves of products of products."""


def scan_products(spectra: Array) -> Array:
    """Return the products of all scans with each other, shape ``(n_scans, n_scans)``.

    The median spectrum is taken off first: it changes nothing after centring and keeps digits.
    """
    shifted = spectra - np.median(spectra, axis=0)
    return np.asarray(shifted @ shifted.T)


def centred_products(
    products: Array, training: NDArray[np.intp], others: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Return products as if every spectrum had the training mean taken off.

    Parameters
    ----------
    products
        From :func:`scan_products`.
    training, others
        Row numbers, shape ``(n_training,)`` and ``(n_others,)``.

    Returns
    -------
    tuple
        Training with training, and others with training.
    """
    inner = products[np.ix_(training, training)]
    across = products[np.ix_(others, training)]
    column = inner.mean(axis=0)
    middle = column.mean()
    centred = inner - column - column[:, None] + middle
    return centred, across - column - across.mean(axis=1, keepdims=True) + middle


def membership_paths(
    inner: Array, across: Array, codes: NDArray[np.int_], n_classes: int, n_components: int
) -> Array:
    """Return predicted membership for many labellings and all numbers of latent variables.

    Parameters
    ----------
    inner, across
        From :func:`centred_products`, shapes ``(n, n)`` and ``(m, n)``.
    codes
        Class numbers of the training scans in every labelling, shape ``(n_labellings, n)``.
    n_classes
        Number of classes.
    n_components
        Largest number of latent variables.

    Returns
    -------
    numpy.ndarray
        Shape ``(n_components, n_labellings, m, n_classes)``.

    References
    ----------
    Dayal & MacGregor 1997, J. Chemom. 11:73-85, rewritten with weights as combinations of scans
    (Lindgren, Geladi & Wold 1993, J. Chemom. 7:45-59, for the idea of the kernel).
    """
    n_labellings, n = codes.shape
    membership = membership_of(codes, n_classes)
    mean = membership.mean(axis=1, keepdims=True)
    residual = membership - mean
    seen = _all_products(inner, residual)
    scores = np.zeros((n_components, n_labellings, n))
    combinations = np.zeros_like(scores)
    sizes = np.ones((n_components, n_labellings))
    largest, most = np.zeros(n_labellings), np.zeros(n_labellings)
    predicted = np.repeat(mean, len(across), axis=1)
    out = np.empty((n_components, n_labellings, len(across), n_classes))
    for a in range(n_components):
        direction, norm = _dominant(residual, seen)
        most = np.maximum(most, norm)
        usable = norm**2 > _RESOLVED * most**2
        scale = np.where(usable, 1 / np.where(usable, norm, 1.0), 0.0)[:, None]
        combination = np.matmul(residual, direction[..., None])[..., 0] * scale
        score = np.matmul(seen, direction[..., None])[..., 0] * scale
        overlap = np.einsum("adn,dn->ad", scores[:a], score) / sizes[:a]
        score = score - np.einsum("ad,adn->dn", overlap, scores[:a])
        combination = combination - np.einsum("ad,adn->dn", overlap, combinations[:a])
        size = np.einsum("dn,dn->d", score, score)
        largest = np.maximum(largest, size)
        # Past the rank of the data a score is rounding only: such a labelling stands still.
        usable &= size > _RESOLVED * largest
        size = np.where(usable, size, 1.0)
        scores[a] = score * usable[:, None]
        combinations[a] = combination * usable[:, None]
        sizes[a] = size
        loading = direction * (norm / size * usable)[:, None]
        residual -= scores[a][..., None] * loading[:, None, :]
        seen -= (scores[a] @ inner)[..., None] * loading[:, None, :]
        predicted = predicted + (combinations[a] @ across.T)[..., None] * loading[:, None, :]
        out[a] = predicted
    return out


def _all_products(inner: Array, residual: Array) -> Array:
    """Return ``inner @ residual`` of every labelling by one large product."""
    n_labellings, n, n_classes = residual.shape
    flat = residual.transpose(1, 0, 2).reshape(n, -1)
    stacked = (inner @ flat).reshape(n, n_labellings, n_classes)
    return np.ascontiguousarray(stacked.transpose(1, 0, 2))


def _dominant(residual: Array, seen: Array) -> tuple[Array, Array]:
    """Return the direction in membership that covaries most with the spectra, and how much."""
    square = np.matmul(residual.transpose(0, 2, 1), seen)
    square = (square + square.transpose(0, 2, 1)) / 2
    values, vectors = np.linalg.eigh(square)
    return vectors[:, :, -1], np.sqrt(np.maximum(values[:, -1], 0.0))
