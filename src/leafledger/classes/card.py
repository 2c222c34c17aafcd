"""What must be known of a saved model before it may judge a new spectrum."""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled import Labelled
from leafledger.classes.plan import Plan
from leafledger.spectra.domain import (
    QLimit,
    hotelling_t2,
    q_limit,
    residual_eigenvalues,
    residual_q,
    t2_limit,
)
from leafledger.study.tables import canonical_json

if TYPE_CHECKING:
    from leafledger.classes.model import DiscriminantModel

Array = NDArray[np.float64]
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
    archive: bytes,
    types: Sequence[str],
) -> dict[str, Any]:
    """Return ``model.json``.

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
        "domain": _domain(model, data, plan),
        "libraries": {name: importlib.metadata.version(name) for name in LIBRARIES},
        "model_sha256": hashlib.sha256(archive).hexdigest(),
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
