"""What must be known of a saved model before it may judge a new spectrum."""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.classes.labelled import Labelled
from leafledger.spectra.domain import (
    hotelling_t2,
    q_limit,
    residual_eigenvalues,
    residual_q,
    t2_limit,
)
from leafledger.study.tables import canonical_json

if TYPE_CHECKING:
    from leafledger.classes.model import DiscriminantModel

LEVELS = (0.95, 0.99)
LIBRARIES = ("ikpls", "numpy", "scikit-learn", "skops")


def model_card(
    model: DiscriminantModel,
    data: Labelled,
    settings: Mapping[str, Any],
    trusted_range: Mapping[str, Any],
    archive: bytes,
    types: Sequence[str],
) -> dict[str, Any]:
    """Return ``model.json``.

    Parameters
    ----------
    model
        The fitted model.
    data
        What it was fitted to.
    settings
        Section ``classes``.
    trusted_range
        Content of ``range.json``.
    archive
        The saved model.
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
        "domain": _domain(model, data),
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "model_sha256": hashlib.sha256(archive).hexdigest(),
        "n_components": model.n_components_,
        "n_scans": len(data.codes),
        "n_units": len(data.units),
        "preprocessing": model.preprocessing,
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


def _domain(model: DiscriminantModel, data: Labelled) -> dict[str, Any]:
    """Return score variances and the limits of T2 and Q, with the share of training inside."""
    scores = model.scores(data.spectra)
    residuals = model.residuals(data.spectra)
    variance = scores.var(axis=0, ddof=1)
    t2, q = hotelling_t2(scores, variance), residual_q(residuals)
    eigenvalues = residual_eigenvalues(residuals)
    n, limits = len(scores), []
    for level in LEVELS:
        plane = t2_limit(n, model.n_components_, 1 - level) if n > model.n_components_ else None
        away = q_limit(eigenvalues, 1 - level)
        limits.append(
            {
                "level": level,
                "t2": plane,
                "q": away.value,
                "q_method": away.method,
                "training_within_t2": None if plane is None else float((t2 <= plane).mean()),
                "training_within_q": float((q <= away.value).mean()),
            }
        )
    return {"limits": limits, "score_variance": [float(v) for v in variance]}


def _text_digest(values: Sequence[str]) -> str:
    return hashlib.sha256(canonical_json(list(values)).encode()).hexdigest()
