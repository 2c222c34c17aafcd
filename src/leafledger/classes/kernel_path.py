"""The same partial least squares for many labellings of the same spectra at once.

With fewer scans than wavelengths everything the labels touch can be done in the space of scans:
the products of spectra with each other are formed once, and all permuted labellings walk through
the latent variables together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.latent import class_weights, membership_of

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


@dataclass(frozen=True)
class LabelPaths:
    """What all labellings say, for every number of latent variables.

    Attributes
    ----------
    membership
        Predicted membership of the other scans, shape ``(n_components, n_labellings, m,
        n_classes)``.
    scores, other_scores
        Scores of the training scans and of the others, shapes ``(n_labellings, n,
        n_components)`` and ``(n_labellings, m, n_components)``.
    """

    membership: Array
    scores: Array
    other_scores: Array


def label_paths(
    inner: Array,
    across: Array,
    codes: NDArray[np.int_],
    n_classes: int,
    n_components: int,
    *,
    balanced: bool = False,
) -> LabelPaths:
    """Walk many labellings through all numbers of latent variables.

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
    balanced
        Let every class count alike (see :func:`leafledger.classes.latent.class_weights`).

    Returns
    -------
    LabelPaths
        Scores are unique up to a sign, memberships without it.

    References
    ----------
    Dayal & MacGregor 1997, J. Chemom. 11:73-85, rewritten with weights as combinations of scans
    (Lindgren, Geladi & Wold 1993, J. Chemom. 7:45-59, for the idea of the kernel).
    """
    view = _View(inner, across, class_weights(codes, n_classes) if balanced else None)
    residual, mean = view.centred(membership_of(codes, n_classes))
    seen = view.products(residual)
    walk = _Walk(view, residual, seen, n_components)
    predicted = np.repeat(mean, len(across), axis=1)
    out = np.empty((n_components, len(codes), len(across), n_classes))
    for a in range(n_components):
        loading = walk.step(a)
        predicted = predicted + walk.others[a][..., None] * loading[:, None, :]
        out[a] = predicted
    plain = walk.scores if view.root is None else walk.scores / view.root
    return LabelPaths(out, plain.transpose(1, 2, 0), walk.others.transpose(1, 2, 0))


def membership_paths(
    inner: Array, across: Array, codes: NDArray[np.int_], n_classes: int, n_components: int
) -> Array:
    """Return ``membership`` of :func:`label_paths`."""
    return label_paths(inner, across, codes, n_classes, n_components).membership


class _View:
    """The training scans as every labelling weighs them; ``weights`` of mean 1 or none."""

    def __init__(self, inner: Array, across: Array, weights: Array | None) -> None:
        self.inner, self.across, self.weights = inner, across, weights
        self.root = None if weights is None else np.sqrt(weights)
        self.middle = None if weights is None else weights @ inner / len(inner)

    def centred(self, membership: Array) -> tuple[Array, Array]:
        """Return membership less its (weighted) mean, times the root of the weights; the mean."""
        if self.weights is None or self.root is None:
            mean = membership.mean(axis=1, keepdims=True)
            return membership - mean, mean
        mean = (self.weights[..., None] * membership).mean(axis=1, keepdims=True)
        return self.root[..., None] * (membership - mean), mean

    def others(self, combination: Array) -> Array:
        """Return plain scores of the other scans for combinations ``(n_labellings, n)``."""
        combined, middle = self._combined(combination)
        return combined @ self.across.T - middle

    def times(self, combination: Array) -> Array:
        """Return weighed products of all training scans times combinations."""
        combined, middle = self._combined(combination)
        plain = combined @ self.inner - middle
        return plain if self.root is None else self.root * plain

    def products(self, residual: Array) -> Array:
        """Return :meth:`times` of every class's residual, ``(n_labellings, n, n_classes)``."""
        n_labellings, n, n_classes = residual.shape
        flat = residual.transpose(0, 2, 1).reshape(-1, n)
        weights = None if self.weights is None else np.repeat(self.weights, n_classes, axis=0)
        seen = _View(self.inner, self.across, weights).times(flat)
        stacked = seen.reshape(n_labellings, n_classes, n)
        return np.ascontiguousarray(stacked.transpose(0, 2, 1))

    def _combined(self, combination: Array) -> tuple[Array, Array | float]:
        """Return a combination of weighed scans as one of plain scans, and its mean score."""
        if self.weights is None or self.root is None or self.middle is None:
            return combination, 0.0
        weighed = self.root * combination
        combined = weighed - self.weights * weighed.mean(axis=1, keepdims=True)
        return combined, (self.middle * combined).sum(axis=1, keepdims=True)


class _Walk:
    """All labellings on their way through the latent variables."""

    def __init__(self, view: _View, residual: Array, seen: Array, n_components: int) -> None:
        n_labellings, n, _ = residual.shape
        self.view, self.residual, self.seen = view, residual, seen
        self.scores = np.zeros((n_components, n_labellings, n))
        self.combinations = np.zeros_like(self.scores)
        self.others = np.zeros((n_components, n_labellings, len(view.across)))
        self.sizes = np.ones((n_components, n_labellings))
        self.largest, self.most = np.zeros(n_labellings), np.zeros(n_labellings)

    def step(self, a: int) -> Array:
        """Take latent variable ``a`` and return its loadings on membership."""
        direction, norm = _dominant(self.residual, self.seen)
        self.most = np.maximum(self.most, norm)
        usable = norm**2 > _RESOLVED * self.most**2
        scale = np.where(usable, 1 / np.where(usable, norm, 1.0), 0.0)[:, None]
        combination = np.matmul(self.residual, direction[..., None])[..., 0] * scale
        score = np.matmul(self.seen, direction[..., None])[..., 0] * scale
        overlap = np.einsum("adn,dn->ad", self.scores[:a], score) / self.sizes[:a]
        score = score - np.einsum("ad,adn->dn", overlap, self.scores[:a])
        combination = combination - np.einsum("ad,adn->dn", overlap, self.combinations[:a])
        size = np.einsum("dn,dn->d", score, score)
        self.largest = np.maximum(self.largest, size)
        # Past the rank of the data a score is rounding only: such a labelling stands still.
        usable &= size > _RESOLVED * self.largest
        size = np.where(usable, size, 1.0)
        self.scores[a] = score * usable[:, None]
        self.combinations[a] = combination * usable[:, None]
        self.sizes[a] = size
        loading = direction * (norm / size * usable)[:, None]
        self._deflate(a, loading)
        return loading

    def _deflate(self, a: int, loading: Array) -> None:
        self.others[a] = self.view.others(self.combinations[a])
        self.residual -= self.scores[a][..., None] * loading[:, None, :]
        self.seen -= self.view.times(self.scores[a])[..., None] * loading[:, None, :]


def _dominant(residual: Array, seen: Array) -> tuple[Array, Array]:
    """Return the direction in membership that covaries most with the spectra, and how much."""
    square = np.matmul(residual.transpose(0, 2, 1), seen)
    square = (square + square.transpose(0, 2, 1)) / 2
    values, vectors = np.linalg.eigh(square)
    return vectors[:, :, -1], np.sqrt(np.maximum(values[:, -1], 0.0))
