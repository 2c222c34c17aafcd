"""How is a trait model kept, and what does it say of new spectra?

The model as a scikit-learn estimator that holds the model of all known leaves, and the models of
the outer folds with their held-out errors: these make the interval of a new leaf. Its card says
what it estimates, in which unit, on which wavelengths, and the limits beyond which spectra are
unlike those that it was trained on.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from leafledger.records.store import (
    TRAIT,
    canonical_archive,
    read_archive,
    sealed,
    types_to_trust,
    unlike_its_card,
)
from leafledger.spectra.applicability import (
    Learned,
    hotelling_t2,
    on_axis,
    preprocessed,
    residual_q,
    t2_limit,
)
from leafledger.study.table_files import canonical_json
from leafledger.traits.prediction_error import Conformal, jackknife_plus, reached_level
from leafledger.traits.regression import Fitted, fit_regression
from leafledger.traits.samples import TraitValues
from leafledger.words import counted, listed

if TYPE_CHECKING:
    import pandas as pd


Array = NDArray[np.float64]
Codes = NDArray[np.int_]
FOLDER: Final = "results/traits/models"
TRUSTED_TYPES: Final = ("leafledger.traits.trait_model.TraitRegression",)
LEVELS: Final = (0.95, 0.99)
LEVEL: Final = 0.99
"""Share of spectra of the training kind that lie inside each limit."""
LIBRARIES: Final = ("ikpls", "numpy", "scikit-learn", "skops")
INSIDE: Final = "inside the model's domain"
OUTSIDE: Final = "outside the model's domain"
_NEEDED: Final = ("model_sha256", "wavelength_nm", "range", "target", "unit_of_value",
                  "n_components", "preprocessing", "domain", "quantity", "interval",
                  "value_range", "kind")  # fmt: skip
KIND: Final = TRAIT

# The estimator.
# ----------------------------------------------------------------------


class TraitRegression(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Partial least squares regression of one trait, with what its intervals are made of.

    Parameters
    ----------
    n_components
        Number of latent variables; fewer are kept if the data hold no more.
    preprocessing
        See :func:`leafledger.spectra.applicability.preprocessed`.
    step_nm
        Spacing of the wavelengths, for derivatives and trend.

    Attributes
    ----------
    n_components_
        Latent variables kept.
    spectrum_mean_, coefficients_
        Of spectra after preprocessing, shape ``(n_wavelengths,)``.
    trait_mean_
        Mean of the trait in training, shape ``(1,)``.
    rotations_, loadings_
        Shape ``(n_wavelengths, n_components_)``.
    reference_, spread_
        What a learning preprocessing learned, shape ``(n_wavelengths,)``; empty if nothing.
    fold_steps_
        Preprocessing of the model of every outer fold.
    fold_means_, fold_coefficients_, fold_references_, fold_spreads_
        Its terms, shape ``(n_folds, n_wavelengths)``; a spread of 1 and a reference of 0 where
        nothing was learned.
    fold_trait_means_
        Shape ``(n_folds,)``.
    known_folds_, known_errors_
        Fold and absolute held-out error of every known leaf, shape ``(n_known,)``.
    draws_
        Row of the leaf that is drawn of every unit, shape ``(n_draws, n_units)``.

    References
    ----------
    Barber, Candes, Ramdas & Tibshirani 2021, Ann. Stat. 49:486-507.
    """

    def __init__(
        self, n_components: int = 2, preprocessing: str = "none", step_nm: float = 1.0
    ) -> None:
        self.n_components = n_components
        self.preprocessing = preprocessing
        self.step_nm = step_nm

    def fit(self, X: ArrayLike, y: ArrayLike) -> Self:
        """Learn from spectra ``X`` (n, n_wavelengths) and their trait ``y`` (n,)."""
        spectra, trait = validate_data(self, X, y, dtype=np.float64, y_numeric=True)
        if self.n_components < 1:
            raise ValueError(f"n_components is {self.n_components}; it must be at least 1")
        axis = self._axis(spectra.shape[1])
        values = np.asarray(trait, dtype=np.float64)
        fitted = fit_regression(spectra, values, self.preprocessing, self.n_components, axis)
        kept = slice(0, fitted.n_components)
        nothing = np.zeros(0)
        self.n_components_ = fitted.n_components
        self.spectrum_mean_ = np.ascontiguousarray(fitted.spectrum_mean)
        self.coefficients_ = np.ascontiguousarray(fitted.coefficients)
        self.trait_mean_ = np.array([fitted.y_mean])
        # Copies in one memory order: equal fits must be saved as equal bytes.
        self.rotations_ = np.ascontiguousarray(fitted.path.rotations[:, kept])
        self.loadings_ = np.ascontiguousarray(fitted.path.loadings[:, kept])
        learned = fitted.learned
        self.reference_ = nothing if learned.reference is None else learned.reference
        self.spread_ = nothing if learned.spread is None else learned.spread
        return self

    def keep_folds(self, intervals: Conformal) -> Self:
        """Keep the models of the outer folds and their errors, for intervals."""
        models, p = intervals.models, len(self.spectrum_mean_)
        self.fold_steps_ = [model.step for model in models]
        self.fold_means_ = np.array([model.spectrum_mean for model in models])
        self.fold_coefficients_ = np.array([model.coefficients for model in models])
        self.fold_trait_means_ = np.array([model.y_mean for model in models])
        self.fold_references_ = np.array(
            [_or_default(model.learned.reference, np.zeros(p)) for model in models]
        )
        self.fold_spreads_ = np.array(
            [_or_default(model.learned.spread, np.ones(p)) for model in models]
        )
        self.known_folds_ = np.asarray(intervals.fold, dtype=np.int64)
        self.known_errors_ = np.asarray(intervals.size, dtype=np.float64)
        self.draws_ = np.ascontiguousarray(intervals.draws)
        return self

    def _axis(self, n_wavelengths: int) -> Array:
        return self.step_nm * np.arange(n_wavelengths, dtype=np.float64)

    def prepare(self, X: ArrayLike) -> Array:
        """Return spectra as the latent variables see them, less the training mean."""
        check_is_fitted(self)
        spectra = validate_data(self, X, dtype=np.float64, reset=False)
        learned = Learned(
            self.reference_ if self.reference_.size else None,
            self.spread_ if self.spread_.size else None,
        )
        prepared = preprocessed(spectra, self.preprocessing, self._axis(spectra.shape[1]))
        return np.asarray(learned.apply(prepared) - self.spectrum_mean_)

    def predict(self, X: ArrayLike) -> Array:
        """Return the estimated trait, shape ``(n,)``."""
        return np.asarray(self.prepare(X) @ self.coefficients_ + self.trait_mean_[0])

    def scores(self, X: ArrayLike) -> Array:
        """Return scores, shape ``(n, n_components_)``."""
        return np.asarray(self.prepare(X) @ self.rotations_)

    def residuals(self, X: ArrayLike) -> Array:
        """Return what the latent variables leave of the centred spectra, same shape as ``X``."""
        centred = self.prepare(X)
        return np.asarray(centred - (centred @ self.rotations_) @ self.loadings_.T)

    def reached(self, level: float) -> float:
        """Return the level of the intervals: that asked for, or what so few units can carry."""
        return reached_level(self.draws_.shape[1], level)

    def predict_interval(self, X: ArrayLike, level: float) -> tuple[Array, Array]:
        """Return the interval of leaves of units that the model has not seen.

        Parameters
        ----------
        X
            Reflectance, shape ``(n, n_wavelengths)``.
        level
            Such as 0.95; see :meth:`reached`.
        """
        by_fold = self.predict_by_fold(X)
        return jackknife_plus(by_fold[self.known_folds_], self.known_errors_, self.draws_, level)

    def predict_by_fold(self, X: ArrayLike) -> Array:
        """Return the trait by the model of every outer fold, shape ``(n_folds, n)``."""
        check_is_fitted(self, "fold_coefficients_")
        spectra = validate_data(self, X, dtype=np.float64, reset=False)
        axis = self._axis(spectra.shape[1])
        by_step = {s: preprocessed(spectra, s, axis) for s in dict.fromkeys(self.fold_steps_)}
        by_fold = np.empty((len(self.fold_steps_), len(spectra)))
        for k, step in enumerate(self.fold_steps_):
            learned = Learned(
                self.fold_references_[k] if step == "multiplicative_scatter" else None,
                self.fold_spreads_[k] if step == "autoscale" else None,
            )
            centred = learned.apply(by_step[step]) - self.fold_means_[k]
            by_fold[k] = centred @ self.fold_coefficients_[k] + self.fold_trait_means_[k]
        return by_fold


def _or_default(values: Array | None, instead: Array) -> Array:
    return instead if values is None else values


# Is a spectrum like those that the model was trained on?
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Domain:
    """Limits of T2, of Q and of how far the models of the folds may lie apart.

    T2 and Q see a spectrum as the final model does. A fold may have chosen another preprocessing:
    what one of them takes out, such as a constant, moves the estimate of another, and with it the
    interval.

    Attributes
    ----------
    score_variance
        Variance of the training scores, shape ``(n_components,)``.
    limits
        Level -> limits of T2 (``None`` with too few leaves) and of Q.
    value_range
        Lowest and highest known value: no fold's estimate may lie further from the final one than
        these from each other.
    """

    score_variance: Array
    limits: dict[float, tuple[float | None, float]]
    value_range: tuple[float, float]

    def words(self, model: TraitRegression, spectra: Array) -> list[str]:
        """Return for each spectrum whether it is inside, and why not."""
        limit_t2, limit_q = self.limits[LEVEL]
        t2 = hotelling_t2(model.scores(spectra), self.score_variance)
        q = residual_q(model.residuals(spectra))
        far = np.zeros(len(spectra), dtype=bool) if limit_t2 is None else t2 > limit_t2
        bottom, top = self.value_range
        off = np.abs(model.predict_by_fold(spectra) - model.predict(spectra)).max(axis=0)
        return [
            domain_words(bool(a), bool(b), bool(c))
            for a, b, c in zip(far, q > limit_q, off > top - bottom, strict=True)
        ]


def domain_words(far_in: bool, far_off: bool, folds_disagree: bool) -> str:
    """Return whether a spectrum lies inside all limits, in words."""
    why = [
        *(["further from the training mean than its leaves (T2)"] if far_in else []),
        *(["a shape that the training leaves do not have (Q)"] if far_off else []),
        *(["the models of the folds disagree about it by more than the range of the known values"]
          if folds_disagree else []),
    ]  # fmt: skip
    return f"{OUTSIDE}: {listed(why)}" if why else INSIDE


def domain_of(
    model: TraitRegression, spectra: Array, y: Array, fold: Codes, n_folds: int
) -> Domain:
    """Return the limits, those of Q from leaves while they were held out.

    With tens of leaves a model follows its own training spectra more closely than any others, so
    the limit of Q is made of the residuals of held-out leaves: a multiple of chi-square with their
    mean and variance.

    References
    ----------
    Tracy, Young & Mason 1992, J. Qual. Technol. 24:88-95 (T2 of future observations); Box 1954,
    Ann. Math. Stat. 25:290-302, by matching moments as Nomikos & MacGregor 1995, Technometrics
    37:41-59.
    """
    from scipy.stats import chi2
    from sklearn.base import clone

    held = np.empty(len(y))
    for k in range(n_folds):
        test = fold == k
        again = clone(model).fit(spectra[~test], y[~test])
        held[test] = residual_q(again.residuals(spectra[test]))
    mean, variance = float(held.mean()), float(held.var(ddof=1))
    n, a = len(y), model.n_components_
    limits: dict[float, tuple[float | None, float]] = {}
    for level in LEVELS:
        limit_t2 = t2_limit(n, a, 1 - level) if 1 <= a < n else None
        limit_q = 0.0
        if mean > 0 and variance > 0:
            limit_q = variance / (2 * mean) * float(chi2.ppf(level, 2 * mean**2 / variance))
        limits[level] = (limit_t2, limit_q)
    variance_of_scores = model.scores(spectra).var(axis=0, ddof=1)
    return Domain(variance_of_scores, limits, (float(y.min()), float(y.max())))


# The model on disk.
# ----------------------------------------------------------------------


def trained_model(
    fitted: Fitted, intervals: Conformal, spectra: Array, y: Array, wavelength_nm: Array
) -> TraitRegression:
    """Return the estimator of the model of all known leaves."""
    span = float(wavelength_nm[-1] - wavelength_nm[0])
    model = TraitRegression(
        n_components=max(fitted.n_components, 1),
        preprocessing=fitted.step,
        step_nm=span / max(len(wavelength_nm) - 1, 1) or 1.0,
    )
    return model.fit(spectra, y).keep_folds(intervals)


def archive_and_card(
    model: TraitRegression,
    domain: Domain,
    trait: TraitValues,
    spectra: Array,
    wavelength_nm: Array,
    trusted_range: Mapping[str, Any],
    figures: Mapping[str, Any],
) -> tuple[bytes, dict[str, Any]]:
    """Return the archive and the card of a model, sealed to each other.

    Parameters
    ----------
    model, domain
        The fitted model and its limits.
    trait, spectra, wavelength_nm
        What it was fitted to.
    trusted_range
        Content of ``range.json``.
    figures
        What else the card says: ``rmsep`` and ``interval``.
    """
    plain = canonical_archive(model)
    limits = [
        {"level": level, "t2": limit_t2, "q": limit_q}
        for level, (limit_t2, limit_q) in domain.limits.items()
    ]
    card = {
        **figures,
        "kind": KIND,
        "target": trait.target,
        "unit_of_value": trait.unit_of_value,
        "source": trait.source,
        "value_range": [float(trait.y.min()), float(trait.y.max())],
        "n_leaves": trait.n_leaves,
        "n_units": len(trait.units),
        "n_components": model.n_components_,
        "preprocessing": model.preprocessing,
        "quantity": "reflectance",
        "range": {key: trusted_range[key] for key in ("start_nm", "stop_nm")},
        "domain": {"limits": limits, "score_variance": domain.score_variance.tolist()},
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "training": {
            "values_sha256": _digest(trait.y),
            "spectra_sha256": _digest(spectra),
            "leaves_sha256": hashlib.sha256(
                canonical_json([list(leaf) for leaf in trait.leaves]).encode()
            ).hexdigest(),
        },
        "trusted_types": types_to_trust(plain),
        "wavelength_nm": [float(w) for w in wavelength_nm],
    }
    return sealed(plain, card)


def _digest(values: Array) -> str:
    return hashlib.sha256(np.ascontiguousarray(values, dtype="<f8").tobytes()).hexdigest()


@dataclass(frozen=True)
class SavedTraitModel:
    """A model and what must be known to use it.

    Attributes
    ----------
    model, domain
        The regression, and its limits.
    wavelength_nm
        Axis that spectra must be given on, shape ``(n_wavelengths,)``.
    card
        The whole card.
    name
        File name, for messages.
    """

    model: TraitRegression
    domain: Domain
    wavelength_nm: Array
    card: dict[str, Any]
    name: str


def load_trait_model(path: Path, card_path: Path | None = None) -> SavedTraitModel:
    """Load a model and its card.

    Raises
    ------
    InputFault
        If a file is missing or damaged, the card was edited, the archive is not the one that the
        card describes, or it asks for a type that is not in ``TRUSTED_TYPES``.
    """
    model, card = read_archive(path, card_path, TRUSTED_TYPES, _NEEDED, FOLDER, KIND)
    try:
        return _checked_model(model, card, path.name)
    except (KeyError, TypeError, ValueError, AttributeError) as odd:
        raise unlike_its_card(path, odd) from odd


def _checked_model(model: Any, card: dict[str, Any], name: str) -> SavedTraitModel:
    """Return model and card after comparing every shape; any odd one is a ``ValueError``."""
    axis = np.asarray(card["wavelength_nm"], dtype=np.float64)
    p, a = len(axis), int(card["n_components"])
    if card["kind"] != KIND or model.n_features_in_ != p or model.n_components_ != a:
        raise ValueError("kind, n_components or number of wavelengths")
    folds, n_leaves = len(model.fold_steps_), len(model.known_errors_)
    shapes: dict[str, tuple[int, ...]] = {
        "spectrum_mean_": (p,),
        "coefficients_": (p,),
        "trait_mean_": (1,),
        "rotations_": (p, a),
        "loadings_": (p, a),
        "reference_": (p,) if model.preprocessing == "multiplicative_scatter" else (0,),
        "spread_": (p,) if model.preprocessing == "autoscale" else (0,),
        "fold_means_": (folds, p),
        "fold_coefficients_": (folds, p),
        "fold_references_": (folds, p),
        "fold_spreads_": (folds, p),
        "fold_trait_means_": (folds,),
        "known_errors_": (n_leaves,),
    }
    for attribute, shape in shapes.items():
        value = getattr(model, attribute)
        if not isinstance(value, np.ndarray) or value.dtype != np.float64 or value.shape != shape:
            raise ValueError(attribute)
        if not np.isfinite(value).all():
            raise ValueError(attribute)
    fold_of = np.asarray(model.known_folds_)
    if (
        fold_of.shape != (n_leaves,)
        or fold_of.dtype != np.int64
        or fold_of.min() < 0
        or fold_of.max() >= folds
    ):
        raise ValueError("known_folds_")
    draws = np.asarray(model.draws_)
    if draws.ndim != 2 or draws.dtype != np.int64 or draws.min() < 0 or draws.max() >= n_leaves:
        raise ValueError("draws_")
    variance = np.asarray(card["domain"]["score_variance"], dtype=np.float64)
    if variance.shape != (a,) or np.any(np.diff(axis) <= 0):
        raise ValueError("score_variance or wavelength_nm")
    limits = {
        float(limit["level"]): (
            None if limit["t2"] is None else float(limit["t2"]),
            float(limit["q"]),
        )
        for limit in card["domain"]["limits"]
    }
    if LEVEL not in limits or not 0 < float(card["interval"]) < 1:
        raise ValueError("limits or interval")
    bottom, top = (float(value) for value in card["value_range"])
    return SavedTraitModel(model, Domain(variance, limits, (bottom, top)), axis, card, name)


def estimate(
    saved: SavedTraitModel,
    scans: Sequence[str],
    reflectance: Array,
    wavelength_nm: Array,
    source: str,
) -> pd.DataFrame:
    """Return value, interval and domain of every spectrum.

    Parameters
    ----------
    saved
        From :func:`load_trait_model`.
    scans
        Name of every spectrum.
    reflectance
        Shape ``(n_scans, n_wavelengths)``, a fraction.
    wavelength_nm
        Axis, nm; it may reach further than the model's, but must hold every wavelength of it.
    source
        File the spectra are from, for messages.

    Returns
    -------
    pandas.DataFrame
        scan, target, estimate, low, high, level, unit_of_value, extrapolated (beyond the known
        values), t2, t2_limit, q, q_limit, inside, domain (in words).

    Raises
    ------
    InputFault
        If the axis does not hold the model's wavelengths, or a value is not a finite number.
    """
    import pandas as pd

    spectra = on_axis(saved.wavelength_nm, saved.name, scans, reflectance, wavelength_nm, source)
    model, card = saved.model, saved.card
    value = model.predict(spectra)
    low, high = model.predict_interval(spectra, float(card["interval"]))
    limit_t2, limit_q = saved.domain.limits[LEVEL]
    words = saved.domain.words(model, spectra)
    bottom, top = card["value_range"]
    return pd.DataFrame(
        {
            "scan": list(scans),
            "target": card["target"],
            "estimate": value,
            "low": low,
            "high": high,
            "level": model.reached(float(card["interval"])),
            "unit_of_value": card["unit_of_value"],
            "extrapolated": (value < bottom) | (value > top),
            "t2": hotelling_t2(model.scores(spectra), saved.domain.score_variance),
            "t2_limit": np.nan if limit_t2 is None else limit_t2,
            "q": residual_q(model.residuals(spectra)),
            "q_limit": limit_q,
            "inside": [text == INSIDE for text in words],
            "domain": words,
        }
    )


def estimate_warnings(saved: SavedTraitModel, table: pd.DataFrame) -> list[str]:
    """Return what should be heeded of estimates: how wrong they are, and which are extrapolated."""
    card = saved.card
    unit = "" if card["unit_of_value"] == "1" else f" {card['unit_of_value']}"
    warnings = [
        f"the model has an error of {card['rmsep']:.3g}{unit} on units left out; it was trained on "
        f"{card['n_leaves']} leaves of {card['n_units']} units of one study and holds for leaves "
        "like those, with that instrument"
    ]
    beyond = int(table["extrapolated"].sum())
    if beyond:
        low, high = card["value_range"]
        lie = "lies" if beyond == 1 else "lie"
        warnings.append(
            f"{beyond} of {counted(len(table), 'estimate')} {lie} beyond the known values "
            f"({low:.3g} to {high:.3g}{unit})"
        )
    n_far = int((~table["inside"]).sum())
    if n_far:
        lie, theirs = ("lies", "its interval does") if n_far == 1 else ("lie", "their intervals do")
        warnings.append(
            f"{n_far} of {counted(len(table), 'scan')} {lie} outside the model's domain: {theirs} "
            "not hold there"
        )
    return warnings
