"""A saved model read again, from hands that may not be friendly.

The archive and its card must belong together, hold nothing but numbers and names, and fit each
other in every shape. What may be loaded is a list in this module, not the list in the card.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zipfile import BadZipFile, ZipFile

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, quoted

if TYPE_CHECKING:
    from leafledger.classes.model import DiscriminantModel

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
    try:
        return _checked(model, card, path.name)
    except (KeyError, TypeError, ValueError, AttributeError) as odd:
        raise InputFault(
            _fault(path, f"contents that do not fit their card ({type(odd).__name__}: {odd})",
                   "arrays of the shapes that the card tells", "Run the study again to save it.")
        ) from odd  # fmt: skip


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
    from leafledger.classes.archive import load_archive, types_to_trust

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
