"""What is done to spectra before a latent-variable model sees them?

Most steps look at one spectrum only, so nothing is learned from other scans and nothing can leak
between the two sides of a split: these are taken once. Two steps learn from the training scans (a
reference spectrum, a spread at every wavelength): these are learned anew in every training part,
and held-out scans only receive them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault

Array = NDArray[np.float64]

WINDOW_NM = 15.0
"""Width of the derivative's window, nm."""
ORDER = 2
"""Order of the derivative's polynomial, and of the trend that is taken off."""
DERIVATIVES = {"derivative_1": 1, "derivative_2": 2}
SCATTER = "multiplicative_scatter"
LEARNED = (SCATTER, "autoscale")
"""Steps that learn from the training scans."""
STEPS = ("none", "standard_normal_variate", "detrend", *DERIVATIVES, *LEARNED)
SETTING = "classes.preprocessing"
AUTO = "auto"
SEARCHED = ("none", "standard_normal_variate", "derivative_1")
"""What ``auto`` chooses among: brightness kept, brightness taken off, slopes."""


@dataclass(frozen=True)
class Learned:
    """What a step learned from the training scans; both are empty for the other steps.

    Attributes
    ----------
    reference
        Mean training spectrum that scatter is measured against, shape ``(n_wavelengths,)``.
    spread
        Standard deviation of the training scans (divisor ``n - 1``), shape ``(n_wavelengths,)``;
        1 where they do not differ.
    """

    reference: Array | None = None
    spread: Array | None = None

    def apply(self, spectra: Array) -> Array:
        """Return spectra, shape ``(n_scans, n_wavelengths)``, after the step."""
        if self.reference is not None:
            return _on_reference(spectra, self.reference)
        return spectra if self.spread is None else spectra / self.spread


def steps_of(stated: Sequence[str], wavelength_nm: Array, setting: str = SETTING) -> list[str]:
    """Return the steps that the inner loop chooses among.

    Parameters
    ----------
    stated
        Of the settings; ``auto`` stands for ``SEARCHED``, less a derivative on an axis that does
        not allow one (uneven, or fewer than three points in 15 nm).
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    setting
        Key of the study that asks, for messages.

    Raises
    ------
    InputFault
        If a derivative that is asked for by name cannot be taken on this axis.
    """
    from leafledger.spectra.grid import window_points

    out: list[str] = []
    for step in stated:
        for candidate in SEARCHED if step == AUTO else (step,):
            if candidate in DERIVATIVES:
                try:
                    window_points(wavelength_nm, WINDOW_NM, ORDER, setting)
                except InputFault:
                    if step != AUTO:
                        raise
                    continue
            out.append(candidate)
    return list(dict.fromkeys(out))


def preprocessed(spectra: Array, step: str, wavelength_nm: Array | None = None) -> Array:
    """Return the spectra after the part of a step that looks at one spectrum only.

    Parameters
    ----------
    spectra
        Reflectance, shape ``(n_scans, n_wavelengths)``.
    step
        One of ``STEPS``. ``standard_normal_variate``: every spectrum minus its own mean, divided
        by its own standard deviation (divisor ``n_wavelengths - 1``). ``detrend``: minus its own
        least-squares parabola in wavelength. ``derivative_1``, ``derivative_2``: slope or
        curvature of a parabola moving over 15 nm. ``multiplicative_scatter`` and ``autoscale``
        learn from training scans: see :func:`learned_from`; here they change nothing.
    wavelength_nm
        Axis, needed for the derivatives and the trend, shape ``(n_wavelengths,)``.

    Returns
    -------
    numpy.ndarray
        Same shape, float64. A flat spectrum becomes zeros under the standard normal variate.

    Raises
    ------
    ValueError
        If the step is unknown, or an axis is needed and missing.
    InputFault
        If the axis is not even, or too short for a derivative.

    References
    ----------
    Barnes, Dhanoa & Lister 1989, Appl. Spectrosc. 43:772-777 (standard normal variate, detrend
    by a second-degree polynomial); Savitzky & Golay 1964, Anal. Chem. 36:1627-1639.

    Examples
    --------
    >>> preprocessed(np.array([[1.0, 2.0, 3.0]]), "standard_normal_variate").tolist()
    [[-1.0, 0.0, 1.0]]
    """
    if step not in STEPS:
        raise ValueError(f"unknown preprocessing {step!r}; known: {', '.join(STEPS)}")
    if step == "standard_normal_variate":
        return _standardised(spectra)
    if step != "detrend" and step not in DERIVATIVES:
        return spectra
    if wavelength_nm is None:
        raise ValueError(f"{step} needs the wavelengths")
    if step == "detrend":
        return _without_trend(spectra, wavelength_nm)
    from leafledger.spectra.grid import savitzky_golay

    return savitzky_golay(spectra, wavelength_nm, WINDOW_NM, ORDER, DERIVATIVES[step], SETTING)


def learned_from(training: Array, step: str) -> Learned:
    """Return what a step learns from the training scans, and from nothing else.

    Parameters
    ----------
    training
        Training spectra after :func:`preprocessed`, shape ``(n_scans, n_wavelengths)``.
    step
        ``multiplicative_scatter``: the mean training spectrum is the reference; every spectrum is
        regressed on it and brought to its offset 0 and slope 1. ``autoscale``: every wavelength
        is divided by its standard deviation in training. Any other step learns nothing.

    References
    ----------
    Geladi, MacDougall & Martens 1985, Appl. Spectrosc. 39:491-500 (multiplicative scatter
    correction); autoscaling: common practice, no source.

    Examples
    --------
    >>> learned = learned_from(np.array([[1.0, 2.0, 3.0]]), "multiplicative_scatter")
    >>> learned.apply(np.array([[7.0, 9.0, 11.0]])).tolist()
    [[1.0, 2.0, 3.0]]
    """
    if step == SCATTER:
        return Learned(reference=training.mean(axis=0))
    if step != "autoscale":
        return Learned()
    if len(training) < 2:
        return Learned(spread=np.ones(training.shape[1]))
    spread = training.std(axis=0, ddof=1)
    varies = spread > 1e-12 * np.abs(training).max(axis=0)
    return Learned(spread=np.where(varies, spread, 1.0))


def _standardised(spectra: Array) -> Array:
    centred = spectra - spectra.mean(axis=1, keepdims=True)
    if spectra.shape[1] < 2:
        return np.zeros_like(centred)
    spread = spectra.std(axis=1, ddof=1, keepdims=True)
    flat = spread <= 1e-12 * np.abs(spectra).max(axis=1, keepdims=True)
    return np.asarray(np.where(flat, 0.0, centred / np.where(flat, 1.0, spread)), dtype=np.float64)


def _without_trend(spectra: Array, wavelength_nm: Array) -> Array:
    order = min(ORDER, len(wavelength_nm) - 1)
    middle = (wavelength_nm[0] + wavelength_nm[-1]) / 2
    half = max((wavelength_nm[-1] - wavelength_nm[0]) / 2, 1.0)
    powers = np.vander((wavelength_nm - middle) / half, order + 1)
    basis, _ = np.linalg.qr(powers)
    return np.asarray(spectra - (spectra @ basis) @ basis.T)


def _on_reference(spectra: Array, reference: Array) -> Array:
    """Return spectra brought to the offset and slope of the reference; flat ones become flat."""
    about = reference - reference.mean()
    size = float(about @ about)
    if size <= 0:
        return spectra
    middle = spectra.mean(axis=1, keepdims=True)
    slope = (spectra @ about)[:, None] / size
    flat = np.abs(slope) * np.sqrt(size) <= 1e-12 * np.abs(spectra).max(axis=1, keepdims=True)
    straight = (spectra - middle) / np.where(flat, 1.0, slope)
    return np.asarray(straight + reference.mean())
