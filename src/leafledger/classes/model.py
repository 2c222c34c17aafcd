"""The classifier as a scikit-learn estimator.

The class stands at module level so that a saved model can be loaded again; the stages import this
module only when they run, because scikit-learn is heavy.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, validate_data

from leafledger.classes.latent import fit_path, membership_of
from leafledger.classes.preprocessing import preprocessed

Array = NDArray[np.float64]


class DiscriminantModel(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Partial-least-squares discriminant analysis.

    Class membership (0 or 1 for each class) is regressed on centred spectra; a spectrum belongs
    to the class with the largest predicted membership. One fit serves every number of latent
    variables up to ``n_components``.

    Parameters
    ----------
    n_components
        Number of latent variables, at least 1; fewer are kept if the data hold no more.
    preprocessing
        ``none`` or ``standard_normal_variate``; applied to every spectrum by itself.

    Attributes
    ----------
    classes_
        Class labels, sorted, shape ``(n_classes,)``.
    n_components_
        Latent variables kept.
    spectrum_mean_
        Training mean, shape ``(n_wavelengths,)``.
    membership_mean_
        Share of every class in training, shape ``(n_classes,)``.
    weights_, loadings_, rotations_
        Shape ``(n_wavelengths, n_components_)``.
    membership_loadings_
        Shape ``(n_classes, n_components_)``.

    References
    ----------
    Barker & Rayens 2003, J. Chemom. 17:166-173; Dayal & MacGregor 1997, J. Chemom. 11:73-85.
    """

    def __init__(self, n_components: int = 2, preprocessing: str = "none") -> None:
        self.n_components = n_components
        self.preprocessing = preprocessing

    def fit(self, X: ArrayLike, y: ArrayLike) -> Self:
        """Learn from spectra ``X`` (n_scans, n_wavelengths) and their labels ``y`` (n_scans,).

        Raises
        ------
        ValueError
            If there is one class only, or ``n_components`` is below 1.
        """
        spectra, labels = validate_data(self, X, y, dtype=np.float64)
        check_classification_targets(labels)
        self.classes_, codes = np.unique(labels, return_inverse=True)
        if len(self.classes_) < 2:
            raise ValueError("a classifier needs at least two classes; the labels hold 1 class")
        if self.n_components < 1:
            raise ValueError(f"n_components is {self.n_components}; it must be at least 1")
        most = max(1, min(self.n_components, len(spectra) - 1, spectra.shape[1]))
        ready = preprocessed(spectra, self.preprocessing)
        path = fit_path(ready, membership_of(codes, len(self.classes_)), most)
        kept = slice(0, path.n_stable)
        self.n_components_ = path.n_stable
        self.spectrum_mean_ = path.spectrum_mean
        self.membership_mean_ = path.membership_mean
        # Copies in one memory order: equal fits must be saved as equal bytes.
        self.weights_ = np.ascontiguousarray(path.weights[:, kept])
        self.loadings_ = np.ascontiguousarray(path.loadings[:, kept])
        self.rotations_ = np.ascontiguousarray(path.rotations[:, kept])
        self.membership_loadings_ = np.ascontiguousarray(path.membership_loadings[:, kept])
        return self

    def _ready(self, X: ArrayLike) -> Array:
        check_is_fitted(self)
        return preprocessed(
            validate_data(self, X, dtype=np.float64, reset=False), self.preprocessing
        )

    def scores(self, X: ArrayLike) -> Array:
        """Return scores, shape ``(n_scans, n_components_)``."""
        return np.asarray((self._ready(X) - self.spectrum_mean_) @ self.rotations_)

    def residuals(self, X: ArrayLike) -> Array:
        """Return what the latent variables leave of the centred spectra, same shape as ``X``."""
        centred = self._ready(X) - self.spectrum_mean_
        return np.asarray(centred - (centred @ self.rotations_) @ self.loadings_.T)

    def predict_membership(self, X: ArrayLike, n_components: int | None = None) -> Array:
        """Return predicted membership, shape ``(n_scans, n_classes)``.

        Parameters
        ----------
        X
            Spectra, shape ``(n_scans, n_wavelengths)``.
        n_components
            Use only the first so many latent variables.
        """
        used = slice(0, n_components)
        placed = self.scores(X)[:, used]
        return np.asarray(placed @ self.membership_loadings_[:, used].T + self.membership_mean_)

    def predict_membership_path(self, X: ArrayLike) -> Array:
        """Return predicted membership for 1, 2, ... latent variables.

        Returns
        -------
        numpy.ndarray
            Shape ``(n_components_, n_scans, n_classes)``.
        """
        steps = self.scores(X).T[:, :, None] * self.membership_loadings_.T[:, None, :]
        return np.asarray(np.cumsum(steps, axis=0) + self.membership_mean_)

    def predict(self, X: ArrayLike, n_components: int | None = None) -> NDArray[Any]:
        """Return the class with the largest predicted membership, shape ``(n_scans,)``."""
        member = self.predict_membership(X, n_components)
        return np.asarray(self.classes_[member.argmax(axis=1)])

    def decision_function(self, X: ArrayLike) -> Array:
        """Return predicted membership; for two classes, the second minus the first."""
        member = self.predict_membership(X)
        return member if len(self.classes_) > 2 else member[:, 1] - member[:, 0]
