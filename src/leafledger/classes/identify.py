"""Which class does a new spectrum belong to, and may the model be asked of this instrument?

Spectra of another instrument may be corrected by standards first.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.model import SavedModel
from leafledger.spectra.applicability import (
    Transfer,
    hotelling_t2,
    on_axis,
    refuse_beyond_standards,
    residual_q,
    transfer_sentence,
)

if TYPE_CHECKING:
    import pandas as pd


Array = NDArray[np.float64]

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
    limit = min(saved.limits, key=lambda one: abs(float(one["level"]) - LEVEL))
    t2_limit = np.nan if limit["t2"] is None else float(limit["t2"])
    q_limit = float(limit["q"])
    far_in, far_off = t2 > t2_limit, q > q_limit
    # predict_proba keeps the order of the decision, so its largest is the predicted class.
    place = probability.argmax(axis=1)
    frame = pd.DataFrame(
        {
            "scan": list(scans),
            "class": [saved.classes[i] for i in place],
            "probability": probability[np.arange(len(place)), place],
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
