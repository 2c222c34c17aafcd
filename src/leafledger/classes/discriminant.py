"""A linear discriminant on the scores of latent variables, for every number of them at once.

The within-class covariance of the first ``a`` scores is the leading part of that of all scores,
and so is its Cholesky factor: one factor serves every number of latent variables, and many
labellings are worked through together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.latent import membership_of

Array = NDArray[np.float64]
_RIDGE = 1e-9
"""Share of each score's variance added to it, so that a factor exists for scores without spread."""


@dataclass(frozen=True)
class Discriminants:
    """One linear discriminant per labelling.

    Attributes
    ----------
    means
        Mean scores of every class, shape ``(n_labellings, n_classes, n_components)``.
    whitening
        Lower triangular; scores times its transpose have unit variance within classes; shape
        ``(n_labellings, n_components, n_components)``.
    log_prior
        Logarithm of the class shares in training (minus infinity for a class that is missing),
        shape ``(n_labellings, n_classes)``.
    """

    means: Array
    whitening: Array
    log_prior: Array

    def log_posterior_path(self, scores: Array) -> Array:
        """Return log density plus log prior of every class, up to a constant per scan.

        Parameters
        ----------
        scores
            Shape ``(n_labellings, n_scans, n_components)``.

        Returns
        -------
        numpy.ndarray
            Shape ``(n_components, n_labellings, n_scans, n_classes)``.
        """
        turned = self.whitening.transpose(0, 2, 1)
        placed, centres = scores @ turned, self.means @ turned
        away = (placed[:, :, None, :] - centres[:, None, :, :]) ** 2
        summed = np.cumsum(away, axis=-1).transpose(3, 0, 1, 2)
        return np.asarray(self.log_prior[:, None, :] - summed / 2)


def fit_discriminants(
    scores: Array, codes: NDArray[np.int_], n_classes: int, *, balanced: bool = False
) -> Discriminants:
    """Learn a linear discriminant for every labelling.

    Parameters
    ----------
    scores
        Training scores, shape ``(n_labellings, n_scans, n_components)``.
    codes
        Class number of every training scan, shape ``(n_labellings, n_scans)``.
    n_classes
        Number of classes.
    balanced
        Equal priors for the classes that are there, instead of their shares.

    Returns
    -------
    Discriminants
        Covariance pooled within classes, divisor ``n_scans - n_classes_there`` (at least 1).

    References
    ----------
    Fisher 1936, Ann. Eugen. 7:179-188; Rao 1948, J. R. Stat. Soc. B 10:159-203 (several groups);
    Barker & Rayens 2003, J. Chemom. 17:166-173 (on scores of partial least squares).
    """
    _, n, n_components = scores.shape
    member = membership_of(codes, n_classes)
    counts = member.sum(axis=1)
    there = counts > 0
    means = member.transpose(0, 2, 1) @ scores / np.where(there, counts, 1.0)[..., None]
    apart = scores - np.take_along_axis(means, codes[..., None], axis=1)
    freedom = np.maximum(n - there.sum(axis=1), 1)[:, None, None]
    within = apart.transpose(0, 2, 1) @ apart / freedom
    spread = np.einsum("daa->da", within)
    total = ((scores - scores.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / max(n - 1, 1)
    # Scores past the rank of the data are zero everywhere: any positive variance will do there.
    least = np.where(total > 0, _RIDGE * total, 1.0)
    place = np.arange(n_components)
    within[:, place, place] = spread + _RIDGE * spread + least
    whitening = np.linalg.inv(np.linalg.cholesky(within))
    shares = there / there.sum(axis=1, keepdims=True) if balanced else counts / n
    log_prior = np.log(np.where(there, shares, 1.0))
    return Discriminants(means, np.tril(whitening), np.where(there, log_prior, -np.inf))
