"""How is a trained model kept, and read again from unfriendly hands?

The model as a scikit-learn estimator; one canonical archive and its card. Equal models give equal
bytes. The archive and its card must belong together, hold nothing but numbers and names, and fit
each other in every shape. Nothing is pickled. What may be loaded is a list in this module, not
the list in the card.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Self
from zipfile import ZIP_STORED, BadZipFile, ZipFile, ZipInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, validate_data

from leafledger.classes.fold_assignment import Plan
from leafledger.classes.fold_fit import (
    DISCRIMINANT,
    MEMBERSHIP,
    Discriminants,
    Procedure,
    fit_training,
)
from leafledger.classes.splits import Labelled
from leafledger.classes.validation import softmax
from leafledger.errors import InputFault, Problem, quoted
from leafledger.spectra.applicability import (
    QLimit,
    hotelling_t2,
    q_limit,
    residual_eigenvalues,
    residual_q,
    t2_limit,
)
from leafledger.spectra.preprocessing import Learned, preprocessed
from leafledger.study.table_files import canonical_json

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
        See :func:`leafledger.spectra.preprocessing.preprocessed`.
    decision
        ``largest_membership`` or ``linear_discriminant``.
    balanced
        Let every class count alike, whatever its number of scans.
    sharpness
        Factor on the decision in :meth:`predict_proba`; fit it to scans that were held out
        (:func:`leafledger.classes.validation.fit_sharpness`).
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


# A model on disk: one canonical archive, its card, and reading both from unfriendly hands.
# ----------------------------------------------------------------------

_SCHEMA = "schema.json"
_SEAL = "card.sha256"
_DATE = (1980, 1, 1, 0, 0, 0)


def canonical_archive(model: Any) -> bytes:
    """Return ``model`` as a skops archive that depends on nothing but the model.

    Parameters
    ----------
    model
        A fitted estimator.

    Returns
    -------
    bytes
        Members and ids renumbered by first appearance, dates 1980-01-01, schema keys sorted,
        nothing compressed.
    """
    from skops.io import dumps

    with ZipFile(io.BytesIO(dumps(model))) as original:
        schema = json.loads(original.read(_SCHEMA))
        ids: dict[int, int] = {}
        files: dict[str, str] = {}
        _renumber(schema, ids, files)
        members = {new: original.read(old) for old, new in files.items()}
    members[_SCHEMA] = json.dumps(schema, sort_keys=True, indent=1).encode()
    out = io.BytesIO()
    with ZipFile(out, "w", ZIP_STORED) as archive:
        for name in sorted(members):
            entry = ZipInfo(name, _DATE)
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, members[name])
    return out.getvalue()


def _renumber(node: Any, ids: dict[int, int], files: dict[str, str]) -> None:
    """Replace ids and member names in place, walking keys in sorted order."""
    if isinstance(node, list):
        for part in node:
            _renumber(part, ids, files)
        return
    if not isinstance(node, dict):
        return
    for key in sorted(node):
        value = node[key]
        if key == "__id__" and isinstance(value, int):
            node[key] = ids.setdefault(value, len(ids) + 1)
        elif key == "file" and isinstance(value, str):
            suffix = value.rpartition(".")[2]
            node[key] = files.setdefault(value, f"{len(files) + 1:03d}.{suffix}")
        else:
            _renumber(value, ids, files)


def sealed(archive: bytes, card: Mapping[str, Any]) -> tuple[bytes, dict[str, Any]]:
    """Bind a card to its archive: the archive keeps the card's digest, the card the archive's.

    Parameters
    ----------
    archive
        From :func:`canonical_archive`.
    card
        ``model.json`` without ``model_sha256``.

    Returns
    -------
    tuple
        The archive with a further member, and the card with ``model_sha256``.
    """
    out = io.BytesIO(archive)
    with ZipFile(out, "a", ZIP_STORED) as whole:
        entry = ZipInfo(_SEAL, _DATE)
        entry.create_system = 3
        entry.external_attr = 0o644 << 16
        whole.writestr(entry, card_digest(card))
    data = out.getvalue()
    return data, {**card, "model_sha256": hashlib.sha256(data).hexdigest()}


def card_digest(card: Mapping[str, Any]) -> str:
    """Return the SHA-256 of all that a card says but for the digest of its archive."""
    said = {name: value for name, value in card.items() if name != "model_sha256"}
    return hashlib.sha256(canonical_json(said).encode()).hexdigest()


def types_to_trust(data: bytes) -> list[str]:
    """Return the names of the types in an archive that skops does not trust by itself."""
    from skops.io import get_untrusted_types

    return sorted(get_untrusted_types(data=data))


def load_archive(data: bytes, trusted: Sequence[str]) -> Any:
    """Load a model from an archive.

    Parameters
    ----------
    data
        The archive.
    trusted
        The exact list of types that may be loaded, as written in ``model.json``.

    Returns
    -------
    object
        The estimator.

    Raises
    ------
    ValueError
        If the archive asks for any other type than those in the list.
    """
    from skops.io import loads

    asked = types_to_trust(data)
    if asked != sorted(trusted):
        raise ValueError(
            f"the model archive asks for the types {', '.join(asked) or 'none'}; "
            f"its card lists {', '.join(sorted(trusted)) or 'none'}"
        )
    return loads(data, trusted=list(trusted))


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

    Returns
    -------
    dict
        JSON values. Limits are for one future spectrum; leaves of one plant are not independent,
        so the share of good spectra beyond them is nominal.
    """
    return {
        "classes": list(data.classes),
        "domain": _domain(model, data, plan),
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
            "spectra_sha256": hashlib.sha256(
                np.ascontiguousarray(data.spectra, dtype="<f8").tobytes()
            ).hexdigest(),
        },
        "trusted_types": list(types),
        "wavelength_nm": [float(w) for w in data.wavelength_nm],
    }


def _domain(model: DiscriminantModel, data: Labelled, plan: Plan) -> dict[str, Any]:
    """Return score variances and the limits of T2 and Q, with the share of scans inside."""
    own = _Distances(model, data.spectra)
    held = _held_out(model, data, plan)
    limits = []
    for level in LEVELS:
        plane, away = own.limits(level)
        limits.append(
            {
                "level": level,
                "t2": plane,
                "q": away.value,
                "q_method": away.method,
                "training_within_t2": None if plane is None else own.within_t2(own, level),
                "training_within_q": own.within_q(own, level),
                "held_out_within_t2": _mean([fit.within_t2(new, level) for fit, new in held]),
                "held_out_within_q": _mean([fit.within_q(new, level) for fit, new in held]),
            }
        )
    return {"limits": limits, "score_variance": [float(v) for v in own.variance]}


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

    scheme, found = plan.schemes[0], []
    for i, outer in enumerate(scheme.outer[:MOST_FOLDS]):
        part, new = scheme.training[outer], data.spectra[scheme.fold == i]
        again = clone(model).fit(data.spectra[part], data.codes[part])
        own = _Distances(again, data.spectra[part])
        found.append((own, _Distances(again, new, own.variance)))
    return found


def _mean(shares: Sequence[float | None]) -> float | None:
    known = [share for share in shares if share is not None]
    return float(np.mean(known)) if known else None


def _text_digest(values: Sequence[str]) -> str:
    return hashlib.sha256(canonical_json(list(values)).encode()).hexdigest()


TRUSTED_TYPES = ("leafledger.classes.model.DiscriminantModel",)
MOST_BYTES = 512 * 1024 * 1024
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
    card_path = card_path or path.with_suffix(".json")
    data, card = _read(path), _card(card_path)
    digest = hashlib.sha256(data).hexdigest()
    if digest != card["model_sha256"]:
        raise InputFault(
            _fault(path, f"an archive with SHA-256 {digest[:16]}...",
                   f"the one that {card_path.name} describes ({str(card['model_sha256'])[:16]}...)",
                   "It was changed after it was saved, or belongs to another card: take both files "
                   "from the run that made them.")
        )  # fmt: skip
    model = _load(path, data)
    _refuse_edited(path, card_path, data, card)
    try:
        return _checked(model, card, path.name)
    except (KeyError, TypeError, ValueError, AttributeError) as odd:
        raise InputFault(
            _fault(path, f"contents that do not fit their card ({type(odd).__name__}: {odd})",
                   "arrays of the shapes that the card tells", "Run the study again to save it.")
        ) from odd  # fmt: skip


def _refuse_edited(path: Path, card_path: Path, data: bytes, card: dict[str, Any]) -> None:
    """Refuse a card that is not, word for word, the one that the archive was saved with."""
    with ZipFile(BytesIO(data)) as archive:
        kept = archive.read(_SEAL).decode("ascii", "replace") if _SEAL in archive.namelist() else ""
    try:
        digest = card_digest(card)
    except ValueError:  # a value that no run writes: not a number, or endless
        digest = "none"
    if kept == digest:
        return
    if not kept:
        raise InputFault(
            _fault(path, "an archive without the digest of its card",
                   "a model saved by this version, whose card cannot be edited unnoticed",
                   "Run the study again to save it.")
        )  # fmt: skip
    raise InputFault(
        _fault(card_path, f"a card with SHA-256 {digest[:16]}...",
               f"the one that {path.name} was saved with ({kept[:16]}...)",
               "It was edited after it was saved (limits, classes, wavelengths ...): take both "
               "files from the run that made them.")
    )  # fmt: skip


def _read(path: Path) -> bytes:
    if not path.is_file():
        raise InputFault(
            _fault(path, "no such file", "a model saved by a run", "See results/classes.")
        )
    if path.stat().st_size > MOST_BYTES:
        raise InputFault(_too_large(path))
    data = path.read_bytes()
    try:
        with ZipFile(BytesIO(data)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (BadZipFile, NotImplementedError, ValueError) as odd:
        raise InputFault(
            _fault(path, f"no model archive ({odd})", "model.skops as a run wrote it",
                   "Name results/classes/model.skops of a study.")
        ) from odd  # fmt: skip
    if unpacked > MOST_BYTES:
        raise InputFault(_too_large(path))
    return data


def _card(path: Path) -> dict[str, Any]:
    if not path.is_file():
        raise InputFault(
            _fault(path, "no such file", "the card of the model, beside it",
                   "Copy model.json together with model.skops.")
        )  # fmt: skip
    if path.stat().st_size > MOST_BYTES:
        raise InputFault(_too_large(path))
    try:
        card: Any = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as odd:
        raise InputFault(
            _fault(path, f"no JSON ({odd})", "the card as a run wrote it", "Copy it again.")
        ) from odd
    missing = [name for name in _NEEDED if not isinstance(card, dict) or name not in card]
    if missing:
        raise InputFault(
            _fault(path, f"a card without {', '.join(missing)}", "the card as a run wrote it",
                   "Copy model.json of the run again.")
        )  # fmt: skip
    return dict(card)


def _load(path: Path, data: bytes) -> Any:

    try:
        asked = types_to_trust(data)
    except Exception as odd:  # any damage inside the archive, whatever the library calls it
        raise InputFault(_damaged(path, odd)) from odd
    if asked != sorted(TRUSTED_TYPES):
        raise InputFault(
            _fault(path, f"an archive that asks for {quoted(', '.join(asked) or 'nothing', 200)}",
                   f"{', '.join(TRUSTED_TYPES)} and nothing else",
                   "Nothing was loaded. Use a model that this program saved.")
        )  # fmt: skip
    try:
        return load_archive(data, TRUSTED_TYPES)
    except Exception as odd:
        raise InputFault(_damaged(path, odd)) from odd


def _damaged(path: Path, odd: Exception) -> Problem:
    return _fault(
        path,
        f"a damaged archive ({type(odd).__name__})",
        "model.skops as a run wrote it",
        "Copy it again from the run that made it.",
    )


def _too_large(path: Path) -> Problem:
    return _fault(
        path, "more than 512 MB", "a model of at most 512 MB", "Use the model of a run as it is."
    )


def _fault(path: Path, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=path.name, found=found, expected=expected, mend=mend)


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
