"""Which path through partial least squares is used, and why there are several.

All give the same model (improved kernel algorithm, Dayal & MacGregor 1997) for every number
of latent variables at once, of class membership or of other responses. They differ in what they
share between fits:

- ``fit_path``: one labelling, one training set, by the library. It gives every term of the model,
  so the final model and all terms that are shown come from it.
- ``label_paths``: many labellings of one training set in the space of scans. The products of scans
  are formed once, and all permuted labellings take each latent variable together. Used for
  permutations while there are few scans; measured 25 times as fast as the library's own fast
  cross-validation.
- ``SplitProducts``: many training sets of many scans. The products of wavelengths are formed once
  for every part that always stays together. Used where scans far outnumber wavelengths; measured
  4.7 times as fast as the library. ``path_of_products`` is its last step alone: where spectra are
  read in row groups (:mod:`leafledger.classes.streaming`) the products come from there.

``tests/classes/test_pls_paths.py`` holds their predictions to each other.
"""

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

    def first(self, n_components: int) -> LatentPath:
        """Return the first so many latent variables."""
        used = slice(0, n_components)
        return LatentPath(
            spectrum_mean=self.spectrum_mean,
            membership_mean=self.membership_mean,
            weights=self.weights[:, used],
            loadings=self.loadings[:, used],
            rotations=self.rotations[:, used],
            membership_loadings=self.membership_loadings[:, used],
            scores=self.scores[:, used],
            score_sizes=self.score_sizes[used],
            n_stable=min(self.n_stable, n_components),
        )

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
    n_present = (counts > 0).sum(axis=-1, keepdims=True)
    scans_in_class = np.take_along_axis(counts, codes, axis=-1)
    return np.asarray(codes.shape[-1] / (n_present * scans_in_class))


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
    variances = [
        (loadings**2).sum(axis=0) * path.score_sizes
        for loadings in (path.loadings, path.membership_loadings)
    ]
    shares = [
        part / total if total > 0 else 0 * part
        for part, total in zip(variances, totals, strict=True)
    ]
    return shares[0], shares[1]


ROWS_AT_ONCE = 8192
"""Scans taken together where a copy is needed, so that memory stays near that of the spectra."""
_RESOLVED = 1e-13


class SplitProducts:
    """Products of wavelengths for every training set of a scheme.

    Parameters
    ----------
    spectra
        Shape ``(n_scans, n_wavelengths)``; not copied.
    training
        Training scans (true) of every set, shape ``(n_sets, n_scans)``.
    """

    def __init__(self, spectra: Array, training: NDArray[np.bool_]) -> None:
        self.spectra = spectra
        self.parts, self.part_of = np.unique(training, axis=1, return_inverse=True)
        self.sets = {row.tobytes(): i for i, row in enumerate(training)}
        self._products = [
            self._part(np.flatnonzero(self.part_of == j)) for j in range(self.n_parts)
        ]

    @property
    def n_parts(self) -> int:
        """Number of parts that always stay together."""
        return int(self.parts.shape[1])

    def _part(self, rows: NDArray[np.intp]) -> Array:
        p = self.spectra.shape[1]
        out = np.zeros((p, p))
        for start in range(0, len(rows), ROWS_AT_ONCE):
            block = self.spectra[rows[start : start + ROWS_AT_ONCE]]
            out += block.T @ block
        return out

    def knows(self, training: NDArray[np.bool_]) -> bool:
        """Return whether a training set is one of these."""
        return training.tobytes() in self.sets

    def fit(
        self,
        training: NDArray[np.bool_],
        codes: NDArray[np.int_],
        n_classes: int,
        n_components: int,
    ) -> LatentPath:
        """Fit one training set; see :func:`leafledger.spectra.pls.fit_path`.

        Parameters
        ----------
        training
            One of the sets, shape ``(n_scans,)``.
        codes
            Class number of every scan, in training or not, shape ``(n_scans,)``.
        n_classes, n_components
            Number of classes, largest number of latent variables.

        Returns
        -------
        LatentPath
            Without training scores (no row).
        """
        inside = np.flatnonzero(self.parts[self.sets[training.tobytes()]])
        squares = np.zeros_like(self._products[0])
        for j in inside:
            squares += self._products[j]
        sums, counts = self._class_sums(training, codes, n_classes)
        n = float(counts.sum())
        mean, share = sums.sum(axis=1) / n, counts / n
        squares -= n * np.outer(mean, mean)
        return path_of_products(squares, sums - np.outer(mean, counts), mean, share, n_components)

    def _class_sums(
        self, training: NDArray[np.bool_], codes: NDArray[np.int_], n_classes: int
    ) -> tuple[Array, Array]:
        sums = np.zeros((self.spectra.shape[1], n_classes))
        rows = np.flatnonzero(training)
        for start in range(0, len(rows), ROWS_AT_ONCE):
            block = rows[start : start + ROWS_AT_ONCE]
            sums += self.spectra[block].T @ np.eye(n_classes)[codes[block]]
        return sums, np.bincount(codes[rows], minlength=n_classes).astype(np.float64)


def path_of_products(
    squares: Array, products: Array, mean: Array, share: Array, n_components: int
) -> LatentPath:
    """Walk through the latent variables on centred products.

    Parameters
    ----------
    squares
        Products of wavelengths, shape ``(n_wavelengths, n_wavelengths)``.
    products
        Products of wavelengths and membership, shape ``(n_wavelengths, n_classes)``.
    mean, share
        Training mean and share of every class, kept with the path.
    n_components
        Largest number of latent variables.

    References
    ----------
    Dayal & MacGregor 1997, J. Chemom. 11:73-85 (improved kernel algorithm 2).
    """
    p, k = products.shape
    weights, loadings, rotations = (np.zeros((p, n_components)) for _ in range(3))
    membership, sizes = np.zeros((k, n_components)), np.zeros(n_components)
    residual = products.copy()
    stable, largest = 0, 0.0
    first = float(np.sqrt((products**2).sum()))
    for a in range(n_components):
        values, vectors = np.linalg.eigh(residual.T @ residual)
        norm = float(np.sqrt(max(values[-1], 0.0)))
        if norm <= 1e-14 * first:
            break
        weight = residual @ vectors[:, -1] / norm
        weight /= np.sqrt(weight @ weight)
        rotation = weight - rotations[:, :a] @ (loadings[:, :a].T @ weight)
        seen = squares @ rotation
        size = float(rotation @ seen)
        largest = max(largest, size)
        if size <= _RESOLVED * largest:
            break
        weights[:, a], rotations[:, a], loadings[:, a] = weight, rotation, seen / size
        membership[:, a], sizes[a] = residual.T @ rotation / size, size
        residual -= np.outer(loadings[:, a], membership[:, a]) * size
        stable = a + 1
    signs = weight_signs(weights)
    return LatentPath(
        spectrum_mean=mean,
        membership_mean=share,
        weights=weights * signs,
        loadings=loadings * signs,
        rotations=rotations * signs,
        membership_loadings=membership * signs,
        scores=np.zeros((0, n_components)),
        score_sizes=sizes,
        n_stable=stable,
    )


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
    """Walk many labellings through all numbers of latent variables; see :func:`response_paths`.

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
        Let every class count alike (see :func:`leafledger.spectra.pls.class_weights`).
    """
    weights = class_weights(codes, n_classes) if balanced else None
    return response_paths(inner, across, membership_of(codes, n_classes), n_components, weights)


def response_paths(
    inner: Array,
    across: Array,
    responses: Array,
    n_components: int,
    weights: Array | None = None,
) -> LabelPaths:
    """Walk many sets of responses through all numbers of latent variables.

    Parameters
    ----------
    inner, across
        From :func:`centred_products`, shapes ``(n, n)`` and ``(m, n)``.
    responses
        What is regressed on the training spectra in every set, shape ``(n_sets, n, n_responses)``.
    n_components
        Largest number of latent variables.
    weights
        How much every scan counts in every set, mean 1, shape ``(n_sets, n)``; all alike if left
        out.

    Returns
    -------
    LabelPaths
        Scores are unique up to a sign, predicted responses without it.

    References
    ----------
    Dayal & MacGregor 1997, J. Chemom. 11:73-85, rewritten with weights as combinations of scans
    (Lindgren, Geladi & Wold 1993, J. Chemom. 7:45-59, for the idea of the kernel).
    """
    view = _View(inner, across, weights)
    residual, mean = view.centred(responses)
    seen = view.products(residual)
    walk = _Walk(view, residual, seen, n_components)
    predicted = np.repeat(mean, len(across), axis=1)
    out = np.empty((n_components, len(responses), len(across), responses.shape[2]))
    for a in range(n_components):
        loading = walk.step(a)
        predicted = predicted + walk.others[a][..., None] * loading[:, None, :]
        out[a] = predicted
    plain = walk.scores if view.root is None else walk.scores / view.root
    return LabelPaths(out, plain.transpose(1, 2, 0), walk.others.transpose(1, 2, 0))


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
