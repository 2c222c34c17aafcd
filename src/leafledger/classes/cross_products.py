"""Latent variables under many splits of many scans: products of wavelengths, summed by parts.

With more scans than wavelengths all that a fit needs of the spectra is the products of the
wavelengths with each other. They are formed once for every part of the scans that always stays
together; a training set is the sum of its parts, so held-out scans never enter it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.latent import LatentPath, weight_signs

Array = NDArray[np.float64]
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
        """Fit one training set; see :func:`leafledger.classes.latent.fit_path`.

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
        return _path(squares, sums - np.outer(mean, counts), mean, share, n_components)

    def _class_sums(
        self, training: NDArray[np.bool_], codes: NDArray[np.int_], n_classes: int
    ) -> tuple[Array, Array]:
        sums = np.zeros((self.spectra.shape[1], n_classes))
        rows = np.flatnonzero(training)
        for start in range(0, len(rows), ROWS_AT_ONCE):
            block = rows[start : start + ROWS_AT_ONCE]
            sums += self.spectra[block].T @ np.eye(n_classes)[codes[block]]
        return sums, np.bincount(codes[rows], minlength=n_classes).astype(np.float64)


def _path(
    squares: Array, products: Array, mean: Array, share: Array, n_components: int
) -> LatentPath:
    """Walk through the latent variables on centred products.

    References
    ----------
    Dayal & MacGregor 1997, J. Chemom. 11:73-85 (improved kernel algorithm 2).
    """
    p, k = products.shape
    weights, loadings, rotations = (np.zeros((p, n_components)) for _ in range(3))
    membership, sizes = np.zeros((k, n_components)), np.zeros(n_components)
    left = products.copy()
    stable, largest = 0, 0.0
    first = float(np.sqrt((products**2).sum()))
    for a in range(n_components):
        values, vectors = np.linalg.eigh(left.T @ left)
        norm = float(np.sqrt(max(values[-1], 0.0)))
        if norm <= 1e-14 * first:
            break
        weight = left @ vectors[:, -1] / norm
        weight /= np.sqrt(weight @ weight)
        rotation = weight - rotations[:, :a] @ (loadings[:, :a].T @ weight)
        seen = squares @ rotation
        size = float(rotation @ seen)
        largest = max(largest, size)
        if size <= _RESOLVED * largest:
            break
        weights[:, a], rotations[:, a], loadings[:, a] = weight, rotation, seen / size
        membership[:, a], sizes[a] = left.T @ rotation / size, size
        left -= np.outer(loadings[:, a], membership[:, a]) * size
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


def path_codes(path: LatentPath, spectra: Array, rows: NDArray[np.intp]) -> NDArray[np.int_]:
    """Return the class with the largest membership for 1, 2, ... latent variables.

    Parameters
    ----------
    path
        A fit.
    spectra
        Shape ``(n_scans, n_wavelengths)``.
    rows
        Scans to judge; taken in blocks, so that no large copy is made.

    Returns
    -------
    numpy.ndarray
        Shape ``(n_components, len(rows))``.
    """
    out = np.empty((path.rotations.shape[1], len(rows)), dtype=np.int_)
    for start in range(0, len(rows), ROWS_AT_ONCE):
        block = slice(start, start + ROWS_AT_ONCE)
        scores = path.place(spectra[rows[block]])
        member = np.tile(path.membership_mean, (len(scores), 1))
        for a in range(len(out)):
            member += np.outer(scores[:, a], path.membership_loadings[:, a])
            out[a, block] = member.argmax(axis=1)
    return out
