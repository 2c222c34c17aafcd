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

from leafledger.classes.fold_fit import (
    DISCRIMINANT,
    MEMBERSHIP,
    Discriminants,
    Procedure,
    fit_training,
)
from leafledger.classes.pls import summed_membership
from leafledger.classes.preprocessing import Learned, preprocessed
from leafledger.classes.probabilities import softmax

Array = NDArray[np.float64]


class DiscriminantModel(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Partial-least-squares discriminant analysis.

    Class membership (0 or 1 for each class) is regressed on centred spectra. A spectrum belongs
    to the class with the largest predicted membership or, if asked for, to the class that a
    linear discriminant on the scores finds likeliest. One fit serves every number of latent
    variables up to ``n_components``.

    Parameters
    ----------
    n_components
        Number of latent variables, at least 1; fewer are kept if the data hold no more.
    preprocessing
        See :func:`leafledger.classes.preprocessing.preprocessed`.
    decision
        ``largest_membership`` or ``linear_discriminant``.
    balanced
        Let every class count alike, whatever its number of scans.
    sharpness
        Factor on the decision in :meth:`predict_proba`; fit it to scans that were held out
        (:func:`leafledger.classes.probabilities.fit_sharpness`).
    step_nm
        Spacing of the wavelengths, for derivatives and trend.

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
    reference_, spread_
        What a learning preprocessing learned, shape ``(n_wavelengths,)``; empty if nothing.
    score_means_, whitening_, log_prior_
        The linear discriminant, if it decides; else empty.

    References
    ----------
    Barker & Rayens 2003, J. Chemom. 17:166-173; Dayal & MacGregor 1997, J. Chemom. 11:73-85.
    """

    def __init__(
        self,
        n_components: int = 2,
        preprocessing: str = "none",
        decision: str = MEMBERSHIP,
        balanced: bool = False,
        sharpness: float = 1.0,
        step_nm: float = 1.0,
    ) -> None:
        self.n_components = n_components
        self.preprocessing = preprocessing
        self.decision = decision
        self.balanced = balanced
        self.sharpness = sharpness
        self.step_nm = step_nm

    def fit(self, X: ArrayLike, y: ArrayLike) -> Self:
        """Learn from spectra ``X`` (n_scans, n_wavelengths) and their labels ``y`` (n_scans,).

        Raises
        ------
        ValueError
            If there is one class only, ``n_components`` is below 1, or ``decision`` is unknown.
        """
        spectra, labels = validate_data(self, X, y, dtype=np.float64)
        check_classification_targets(labels)
        self.classes_, codes = np.unique(labels, return_inverse=True)
        if len(self.classes_) < 2:
            raise ValueError("a classifier needs at least two classes; the labels hold 1 class")
        if self.n_components < 1:
            raise ValueError(f"n_components is {self.n_components}; it must be at least 1")
        if self.decision not in (MEMBERSHIP, DISCRIMINANT):
            raise ValueError(f"decision is {self.decision!r}; known: {MEMBERSHIP}, {DISCRIMINANT}")
        most = max(1, min(self.n_components, len(spectra) - 1, spectra.shape[1]))
        procedure = Procedure(len(self.classes_), most, (self.decision,), self.balanced)
        found = fit_training(self._row_wise(spectra), codes, self.preprocessing, procedure)
        path, many = found.path, found.path.n_stable
        kept = slice(0, many)
        self.n_components_ = many
        self.spectrum_mean_ = path.spectrum_mean
        self.membership_mean_ = path.membership_mean
        # Copies in one memory order: equal fits must be saved as equal bytes.
        self.weights_ = np.ascontiguousarray(path.weights[:, kept])
        self.loadings_ = np.ascontiguousarray(path.loadings[:, kept])
        self.rotations_ = np.ascontiguousarray(path.rotations[:, kept])
        self.membership_loadings_ = np.ascontiguousarray(path.membership_loadings[:, kept])
        nothing = np.zeros(0)
        self.reference_ = nothing if found.learned.reference is None else found.learned.reference
        self.spread_ = nothing if found.learned.spread is None else found.learned.spread
        self._keep(found.discriminant, kept)
        return self

    def _keep(self, discriminant: Discriminants | None, kept: slice) -> None:
        self.score_means_, self.whitening_ = np.zeros((0, 0)), np.zeros((0, 0))
        self.log_prior_ = np.zeros(0)
        if discriminant is not None:
            self.score_means_ = np.ascontiguousarray(discriminant.means[0][:, kept])
            self.whitening_ = np.ascontiguousarray(discriminant.whitening[0][kept, kept])
            self.log_prior_ = np.ascontiguousarray(discriminant.log_prior[0])

    def _row_wise(self, spectra: Array) -> Array:
        axis = self.step_nm * np.arange(spectra.shape[1], dtype=np.float64)
        return preprocessed(spectra, self.preprocessing, axis)

    def prepare(self, X: ArrayLike) -> Array:
        """Return spectra as the latent variables see them, before the mean is taken off."""
        check_is_fitted(self)
        spectra = validate_data(self, X, dtype=np.float64, reset=False)
        learned = Learned(
            self.reference_ if self.reference_.size else None,
            self.spread_ if self.spread_.size else None,
        )
        return learned.apply(self._row_wise(spectra))

    def scores(self, X: ArrayLike) -> Array:
        """Return scores, shape ``(n_scans, n_components_)``."""
        return np.asarray((self.prepare(X) - self.spectrum_mean_) @ self.rotations_)

    def residuals(self, X: ArrayLike) -> Array:
        """Return what the latent variables leave of the centred spectra, same shape as ``X``."""
        centred = self.prepare(X) - self.spectrum_mean_
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
        return summed_membership(self.scores(X), self.membership_loadings_, self.membership_mean_)

    def coefficients(self, n_components: int | None = None) -> tuple[Array, Array]:
        """Return regression vectors and intercepts of the memberships.

        Parameters
        ----------
        n_components
            Use only the first so many latent variables.

        Returns
        -------
        tuple of numpy.ndarray
            Coefficients of spectra after preprocessing, shape ``(n_wavelengths, n_classes)``, and
            intercepts, shape ``(n_classes,)``.
        """
        check_is_fitted(self)
        used = slice(0, n_components)
        vectors = self.rotations_[:, used] @ self.membership_loadings_[:, used].T
        return vectors, self.membership_mean_ - self.spectrum_mean_ @ vectors

    def class_decision(self, X: ArrayLike, n_components: int | None = None) -> Array:
        """Return membership or log posterior, whichever decides, shape ``(n_scans, n_classes)``."""
        check_is_fitted(self)
        if self.decision == MEMBERSHIP or self.n_components_ == 0:
            return self.predict_membership(X, n_components)
        found = Discriminants(self.score_means_[None], self.whitening_[None], self.log_prior_[None])
        which = self.n_components_ if n_components is None else n_components
        path = found.log_posterior_path(self.scores(X)[None])
        return np.asarray(path[min(which, self.n_components_) - 1, 0])

    def predict(self, X: ArrayLike, n_components: int | None = None) -> NDArray[Any]:
        """Return the class that the decision speaks for most, shape ``(n_scans,)``."""
        decision = self.class_decision(X, n_components)
        return np.asarray(self.classes_[decision.argmax(axis=1)])

    def predict_proba(self, X: ArrayLike) -> Array:
        """Return class probabilities, shape ``(n_scans, n_classes)``; see ``sharpness``."""
        return softmax(self.class_decision(X), self.sharpness)

    def decision_function(self, X: ArrayLike) -> Array:
        """Return the decision; for two classes, the second minus the first."""
        decision = self.class_decision(X)
        return decision if len(self.classes_) > 2 else decision[:, 1] - decision[:, 0]
