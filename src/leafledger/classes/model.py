"""How is a trained model kept, read again from unfriendly hands, and asked of new spectra?

The model as a scikit-learn estimator; one canonical archive and its card. Equal models give equal
bytes. The archive and its card must belong together, hold nothing but numbers and names, and fit
each other in every shape. Nothing is pickled. What may be loaded is a list in this module, not
the list in the card. Spectra of another instrument may be corrected by standards first.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, validate_data

from leafledger.classes.cross_validation import softmax
from leafledger.classes.fold_assignment import Plan
from leafledger.classes.fold_fit import (
    DISCRIMINANT,
    MEMBERSHIP,
    Discriminants,
    FoldFit,
    Procedure,
    fit_training,
)
from leafledger.classes.labelled_scans import Labelled
from leafledger.records.store import read_archive, unlike_its_card
from leafledger.spectra.applicability import (
    Learned,
    QLimit,
    Transfer,
    hotelling_t2,
    on_axis,
    preprocessed,
    q_limit,
    refuse_beyond_standards,
    residual_eigenvalues,
    residual_q,
    t2_limit,
    transfer_sentence,
)
from leafledger.study.table_files import canonical_json

if TYPE_CHECKING:
    import pandas as pd

# The classifier as a scikit-learn estimator.
# ----------------------------------------------------------------------
# The class stands at module level so that a saved model can be loaded again; the stages import this
# module only when they run, because scikit-learn is heavy.

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
        See :func:`leafledger.spectra.applicability.preprocessed`.
    decision
        ``largest_membership`` or ``linear_discriminant``.
    balanced
        Let every class count alike, whatever its number of scans.
    sharpness
        Factor on the decision in :meth:`predict_proba`; fit it to scans that were held out
        (:func:`leafledger.classes.cross_validation.fit_sharpness`).
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
        fold_fit = fit_training(self._row_wise(spectra), codes, self.preprocessing, procedure)
        return self.take(fold_fit)

    def take(self, fold_fit: FoldFit) -> Self:
        """Take what was learned elsewhere; ``classes_`` and ``n_features_in_`` must be there."""
        path, many = fold_fit.path, fold_fit.path.n_stable
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
        self.reference_ = (
            nothing if fold_fit.learned.reference is None else fold_fit.learned.reference
        )
        self.spread_ = nothing if fold_fit.learned.spread is None else fold_fit.learned.spread
        self._keep(fold_fit.discriminant, kept)
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
        discriminants = Discriminants(
            self.score_means_[None], self.whitening_[None], self.log_prior_[None]
        )
        which = self.n_components_ if n_components is None else n_components
        path = discriminants.log_posterior_path(self.scores(X)[None])
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


# The card of a model, and reading both from unfriendly hands.
# ----------------------------------------------------------------------

MOST_FOLDS = 10
"""Outer folds looked at for the share of held-out scans inside the limits."""
LEVELS = (0.95, 0.99)
LIBRARIES = ("ikpls", "numpy", "scikit-learn", "skops")


def model_card(
    model: DiscriminantModel,
    data: Labelled,
    plan: Plan,
    settings: Mapping[str, Any],
    trusted_range: Mapping[str, Any],
    types: Sequence[str],
    domain: Mapping[str, Any] | None = None,
    spectra_sha256: str | None = None,
) -> dict[str, Any]:
    """Return ``model.json`` but for ``model_sha256``, which :func:`sealed` adds.

    Parameters
    ----------
    model
        The fitted model.
    data, plan
        What it was fitted to, and the splits: scans held out in the first repeat show whether the
        limits hold for plants that the model has not seen.
    settings
        Section ``classes``.
    trusted_range
        Content of ``range.json``.
    types
        Types that must be trusted to load it.
    domain, spectra_sha256
        Of spectra that were read in row groups; computed from those in memory if left out.

    Returns
    -------
    dict
        JSON values. Limits are for one future spectrum; leaves of one plant are not independent,
        so the share of good spectra beyond them is nominal.
    """
    return {
        "classes": list(data.classes),
        "domain": _domain(model, data, plan) if domain is None else domain,
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "n_components": model.n_components_,
        "n_scans": len(data.codes),
        "n_units": len(data.units),
        "preprocessing": model.preprocessing,
        "decision": model.decision,
        "balanced": model.balanced,
        "sharpness": model.sharpness,
        "quantity": "reflectance",
        "range": {key: trusted_range[key] for key in ("start_nm", "stop_nm")},
        "target": settings["target"],
        "training": {
            "labels_sha256": _text_digest([data.classes[code] for code in data.codes]),
            "scans_sha256": _text_digest([str(scan) for scan in data.rows["scan"]]),
            "spectra_sha256": spectra_sha256
            or hashlib.sha256(
                np.ascontiguousarray(data.spectra, dtype="<f8").tobytes()
            ).hexdigest(),
        },
        "trusted_types": list(types),
        "wavelength_nm": [float(w) for w in data.wavelength_nm],
    }


def _domain(model: DiscriminantModel, data: Labelled, plan: Plan) -> dict[str, Any]:
    """Return score variances and the limits of T2 and Q, with the share of scans inside."""
    training = _Distances(model, data.spectra)
    held = _held_out(model, data, plan)
    limits = []
    for level in LEVELS:
        limit_t2, limit_q = training.limits(level)
        limits.append(
            {
                "level": level,
                "t2": limit_t2,
                "q": limit_q.value,
                "q_method": limit_q.method,
                "training_within_t2": None
                if limit_t2 is None
                else training.within_t2(training, level),
                "training_within_q": training.within_q(training, level),
                "held_out_within_t2": _mean([fit.within_t2(new, level) for fit, new in held]),
                "held_out_within_q": _mean([fit.within_q(new, level) for fit, new in held]),
            }
        )
    return {"limits": limits, "score_variance": [float(v) for v in training.variance]}


class _Distances:
    """T2 and Q of spectra under a model whose training spectra set the limits."""

    def __init__(
        self, model: DiscriminantModel, spectra: Array, variance: Array | None = None
    ) -> None:
        scores, residuals = model.scores(spectra), model.residuals(spectra)
        self.n_components = model.n_components_
        self.variance = scores.var(axis=0, ddof=1) if variance is None else variance
        self.t2, self.q = hotelling_t2(scores, self.variance), residual_q(residuals)
        self.eigenvalues = residual_eigenvalues(residuals) if variance is None else np.zeros(0)

    def limits(self, level: float) -> tuple[float | None, QLimit]:
        """Return the limits of T2 (if there are scans enough) and Q."""
        n, a = len(self.t2), self.n_components
        plane = t2_limit(n, a, 1 - level) if 1 <= a < n else None
        return plane, q_limit(self.eigenvalues, 1 - level)

    def within_t2(self, other: _Distances, level: float) -> float | None:
        """Return the share of other spectra inside these limits of T2."""
        plane, _ = self.limits(level)
        return None if plane is None else float((other.t2 <= plane).mean())

    def within_q(self, other: _Distances, level: float) -> float:
        """Return the share of other spectra inside these limits of Q."""
        return float((other.q <= self.limits(level)[1].value).mean())


def _held_out(
    model: DiscriminantModel, data: Labelled, plan: Plan
) -> list[tuple[_Distances, _Distances]]:
    """Return training and held-out distances of the same model fitted in every outer fold."""
    from sklearn.base import clone

    scheme, distances = plan.schemes[0], []
    for i, outer in enumerate(scheme.outer[:MOST_FOLDS]):
        part, new = scheme.training[outer], data.spectra[scheme.fold == i]
        again = clone(model).fit(data.spectra[part], data.codes[part])
        training = _Distances(again, data.spectra[part])
        distances.append((training, _Distances(again, new, training.variance)))
    return distances


def _mean(shares: Sequence[float | None]) -> float | None:
    defined = [share for share in shares if share is not None]
    return float(np.mean(defined)) if defined else None


def _text_digest(values: Sequence[str]) -> str:
    return hashlib.sha256(canonical_json(list(values)).encode()).hexdigest()


TRUSTED_TYPES = ("leafledger.classes.model.DiscriminantModel",)
_NEEDED = ("model_sha256", "wavelength_nm", "range", "classes", "n_components", "preprocessing",
           "domain", "quantity")  # fmt: skip


@dataclass(frozen=True)
class SavedModel:
    """A model and what must be known to use it.

    Attributes
    ----------
    model
        The classifier.
    wavelength_nm
        Axis that spectra must be given on, shape ``(n_wavelengths,)``.
    classes
        Labels.
    score_variance
        Variance of the training scores, shape ``(n_components,)``.
    limits
        Per level: ``level``, ``t2`` (or nothing) and ``q``.
    card
        The whole card.
    name
        File name, for messages.
    """

    model: DiscriminantModel
    wavelength_nm: NDArray[np.float64]
    classes: tuple[str, ...]
    score_variance: NDArray[np.float64]
    limits: tuple[dict[str, Any], ...]
    card: dict[str, Any]
    name: str


def load_saved_model(path: Path, card_path: Path | None = None) -> SavedModel:
    """Load a model and its card.

    Parameters
    ----------
    path
        ``model.skops``.
    card_path
        ``model.json``; beside the model if left out.

    Raises
    ------
    InputFault
        If a file is missing or damaged, the archive is not the one the card describes, or it asks
        for a type that is not in ``TRUSTED_TYPES``.
    """
    model, card = read_archive(path, card_path, TRUSTED_TYPES, _NEEDED, "results/classes")
    try:
        return _checked(model, card, path.name)
    except (KeyError, TypeError, ValueError, AttributeError) as odd:
        raise unlike_its_card(path, odd) from odd


def _checked(model: Any, card: dict[str, Any], name: str) -> SavedModel:
    """Return model and card after comparing every shape; any odd one is a ``ValueError``."""
    axis = np.asarray(card["wavelength_nm"], dtype=np.float64)
    classes = tuple(str(label) for label in card["classes"])
    p, k, a = len(axis), len(classes), int(card["n_components"])
    if [str(label) for label in model.classes_] != list(classes):
        raise ValueError("classes")
    if model.n_features_in_ != p or model.n_components_ != a:
        raise ValueError("n_components or number of wavelengths")
    lda = model.decision == "linear_discriminant"
    shapes = {
        "spectrum_mean_": (p,),
        "membership_mean_": (k,),
        "weights_": (p, a),
        "loadings_": (p, a),
        "rotations_": (p, a),
        "membership_loadings_": (k, a),
        "reference_": (p,) if model.preprocessing == "multiplicative_scatter" else (0,),
        "spread_": (p,) if model.preprocessing == "autoscale" else (0,),
        "score_means_": (k, a) if lda else (0, 0),
        "whitening_": (a, a) if lda else (0, 0),
    }
    for attribute, shape in shapes.items():
        value = getattr(model, attribute)
        if not isinstance(value, np.ndarray) or value.dtype != np.float64 or value.shape != shape:
            raise ValueError(attribute)
        if not np.isfinite(value).all():
            raise ValueError(attribute)
    variance = np.asarray(card["domain"]["score_variance"], dtype=np.float64)
    if variance.shape != (a,) or np.any(np.diff(axis) <= 0):
        raise ValueError("score_variance or wavelength_nm")
    limits = tuple(dict(limit) for limit in card["domain"]["limits"])
    for limit in limits:
        float(limit["q"]), float(limit["level"]), limit["t2"]
    return SavedModel(model, axis, classes, variance, limits, card, name)


# New spectra put into the classes of a saved model, if they belong to its world at all.
# ----------------------------------------------------------------------

LEVEL = 0.99
"""Share of spectra of the training kind that lie inside each limit."""
INSIDE = "inside the model's domain"
OUTSIDE = "outside the model's domain"


def identify(
    saved: SavedModel,
    scans: Sequence[str],
    reflectance: Array,
    wavelength_nm: Array,
    source: str,
) -> pd.DataFrame:
    """Return class, probability and distance from the model of every spectrum.

    Parameters
    ----------
    saved
        From :func:`leafledger.classes.model.load_saved_model`.
    scans
        Name of every spectrum.
    reflectance
        Shape ``(n_scans, n_wavelengths)``, a fraction.
    wavelength_nm
        Axis, nm, shape ``(n_wavelengths,)``. It may reach further than the model's, but must hold
        every wavelength of the model: nothing is interpolated or made up.
    source
        File the spectra are from, for messages.

    Returns
    -------
    pandas.DataFrame
        scan, class, probability, ``p_<class>`` of every class, t2, t2_limit (NaN where the
        training set was too small for one), q, q_limit, inside, domain (in words). A spectrum
        outside gets its class as well: it is what the model says, of something it does not know.

    Raises
    ------
    InputFault
        If the axis does not hold the model's wavelengths, or a value is not a finite number.

    References
    ----------
    Tracy, Young & Mason 1992, J. Qual. Technol. 24:88-95 (T2 of future observations); Jackson &
    Mudholkar 1979, Technometrics 21:341-349 (Q).
    """
    import pandas as pd

    spectra = on_model_axis(saved, scans, reflectance, wavelength_nm, source)
    probability = saved.model.predict_proba(spectra)
    t2 = hotelling_t2(saved.model.scores(spectra), saved.score_variance)
    q = residual_q(saved.model.residuals(spectra))
    limit = min(saved.limits, key=lambda limit_row: abs(float(limit_row["level"]) - LEVEL))
    t2_limit = np.nan if limit["t2"] is None else float(limit["t2"])
    q_limit = float(limit["q"])
    far_in, far_off = t2 > t2_limit, q > q_limit
    # predict_proba keeps the order of the decision, so its largest is the predicted class.
    class_index = probability.argmax(axis=1)
    frame = pd.DataFrame(
        {
            "scan": list(scans),
            "class": [saved.classes[i] for i in class_index],
            "probability": probability[np.arange(len(class_index)), class_index],
        }
    )
    for i, name in enumerate(saved.classes):
        frame[f"p_{name}"] = probability[:, i]
    frame["t2"], frame["t2_limit"], frame["q"], frame["q_limit"] = t2, t2_limit, q, q_limit
    frame["inside"] = ~(far_in | far_off)
    frame["domain"] = [_words(a, b) for a, b in zip(far_in, far_off, strict=True)]
    return frame


def on_model_axis(
    saved: SavedModel,
    scans: Sequence[str],
    reflectance: Array,
    wavelength_nm: Array,
    source: str,
) -> Array:
    """Return the spectra at the wavelengths of the model; see :func:`identify`."""
    return on_axis(saved.wavelength_nm, saved.name, scans, reflectance, wavelength_nm, source)


def identify_transferred(
    saved: SavedModel,
    scans: Sequence[str],
    reflectance: Array,
    wavelength_nm: Array,
    source: str,
    transfer: Transfer,
    standards: str,
) -> tuple[pd.DataFrame, list[str]]:
    """Return what :func:`identify` says of corrected spectra, with the domain before correction.

    Parameters
    ----------
    saved, scans, reflectance, wavelength_nm, source
        See :func:`identify`.
    transfer
        From :func:`leafledger.spectra.applicability.learn_transfer`.
    standards
        File that lists the standards, for messages.

    Returns
    -------
    table, warnings
        The table has ``class_uncorrected``, ``t2_uncorrected``, ``q_uncorrected`` and
        ``inside_uncorrected`` besides.

    Raises
    ------
    InputFault
        As :func:`identify`, and for scans that the standards do not span.
    """
    spectra = on_model_axis(saved, scans, reflectance, wavelength_nm, source)
    refuse_beyond_standards(transfer, list(scans), spectra, standards)
    before = identify(saved, scans, spectra, saved.wavelength_nm, source)
    after = identify(saved, scans, transfer.apply(spectra), saved.wavelength_nm, source)
    for name in ("class", "t2", "q", "inside"):
        after[f"{name}_uncorrected"] = before[name]
    n, old, new = len(after), int(before["inside"].sum()), int(after["inside"].sum())
    warnings = [
        f"{transfer_sentence(transfer)}; {new} of {n} scans lie inside the model's domain, {old} "
        "before correction"
    ]
    if new < old:
        warnings.append("fewer scans lie inside after correction: do not trust it")
    return after, warnings


def _words(far_in: bool, far_off: bool) -> str:
    if not far_in and not far_off:
        return INSIDE
    why = [
        *(["further from the training mean than its scans (T2)"] if far_in else []),
        *(["a shape that the training scans do not have (Q)"] if far_off else []),
    ]
    return f"{OUTSIDE}: {' and '.join(why)}"
