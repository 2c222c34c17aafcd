"""What is done to a spectrum before a model sees it, and is it like those the model was trained on?

Two distances say how far a spectrum lies from those of the training: Hotelling's T2 inside the
model plane, and Q (the squared residual) away from it.

The same standards (leaves, tiles, panels) are scanned on the instrument that a model was trained
on, the home instrument, and on the new one. From the pairs a correction is learned. Two are
compared by leaving out one standard at a time: direct standardisation, which uses all wavelengths
for each, and piecewise direct standardisation, which uses the neighbours of each. A correction that
does not bring left-out standards nearer than no correction is refused, and so is one whose
standards do not span the new spectra. Nothing is interpolated: spectra must hold every wavelength
of the model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem

# The distances of a spectrum from those of the training.
# ----------------------------------------------------------------------


def t2_limit(n: int, n_components: int, alpha: float) -> float:
    """Return the limit of Hotelling's T2 for a future spectrum.

    Parameters
    ----------
    n
        Number of training spectra.
    n_components
        Number of latent variables ``A``, below ``n``.
    alpha
        Share of spectra of the same kind that are beyond the limit.

    Returns
    -------
    float
        ``A (n - 1)(n + 1) / (n (n - A)) F(1 - alpha; A, n - A)``.

    Raises
    ------
    ValueError
        If there are not more spectra than latent variables.

    References
    ----------
    Tracy, Young & Mason 1992, J. Qual. Technol. 24:88-95 (future observations).
    """
    from scipy.stats import f

    a = n_components
    if a < 1 or n <= a:
        raise ValueError(f"{n} spectra do not limit T2 over {a} latent variables")
    return float(a * (n - 1) * (n + 1) / (n * (n - a)) * f.ppf(1 - alpha, a, n - a))


@dataclass(frozen=True)
class QLimit:
    """Limit of Q and the approximation it was found by (``jackson_mudholkar`` or ``box``)."""

    value: float
    method: str


def q_limit(residual_eigenvalues: NDArray[np.float64], alpha: float) -> QLimit:
    """Return the limit of Q, the sum of squared residuals of a spectrum.

    Parameters
    ----------
    residual_eigenvalues
        Eigenvalues of the covariance of the training residuals, shape ``(n,)``; those at or below
        zero are left out.
    alpha
        Share of spectra of the same kind that are beyond the limit.

    Returns
    -------
    QLimit
        Jackson and Mudholkar's limit; where its exponent ``h0`` is not positive the formula has
        no value and Box's weighted chi-square stands in, named as such. Zero if nothing is left.

    References
    ----------
    Jackson & Mudholkar 1979, Technometrics 21:341-349; Box 1954, Ann. Math. Stat. 25:290-302.
    """
    kept = residual_eigenvalues[residual_eigenvalues > 0]
    if kept.size == 0:
        return QLimit(0.0, "jackson_mudholkar")
    # In units of the largest eigenvalue, so that tiny residuals do not underflow in the cube.
    scale = float(kept.max())
    first, second, third = (float(((kept / scale) ** power).sum()) for power in (1, 2, 3))
    h0 = 1 - 2 * first * third / (3 * second**2)
    if h0 <= 0:
        from scipy.stats import chi2

        return QLimit(scale * second / first * float(chi2.ppf(1 - alpha, first**2 / second)), "box")
    normal = NormalDist().inv_cdf(1 - alpha)
    inner = normal * np.sqrt(2 * second * h0**2) / first + 1
    inner += second * h0 * (h0 - 1) / first**2
    return QLimit(scale * first * float(inner) ** (1 / h0), "jackson_mudholkar")


def hotelling_t2(
    scores: NDArray[np.float64], training_variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return T2 of every spectrum.

    Parameters
    ----------
    scores
        Scores from the training mean, shape ``(n_scans, n_components)``.
    training_variance
        Variance of the training scores (divisor ``n - 1``), shape ``(n_components,)``; training
        scores of different latent variables are uncorrelated.

    Returns
    -------
    numpy.ndarray
        Shape ``(n_scans,)``.
    """
    return np.asarray((scores**2 / training_variance).sum(axis=1), dtype=np.float64)


def residual_q(residuals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return Q of every spectrum from its residuals, shape ``(n_scans, n_wavelengths)``."""
    return np.asarray((residuals**2).sum(axis=1), dtype=np.float64)


def residual_eigenvalues(residuals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the eigenvalues of the residual covariance (divisor ``n - 1``), largest first.

    Parameters
    ----------
    residuals
        Training residuals with mean zero, shape ``(n_scans, n_wavelengths)``, at least two scans.
        Directions that are zero up to rounding are left out.
    """
    values = np.linalg.svd(residuals, compute_uv=False)
    kept = values[values > values.max(initial=0.0) * 1e-10]
    return np.asarray(kept**2 / (len(residuals) - 1), dtype=np.float64)


# The correction, learned from standards.
# ----------------------------------------------------------------------

Array = NDArray[np.float64]
FEWEST = 4
"""Standards needed: with fewer, leaving one out leaves nothing to learn a slope and offset from."""
HALF_WIDTHS = (0, 1, 2, 4)
"""Neighbours to either side that piecewise direct standardisation tries."""
DIRECT, PIECEWISE = "direct standardisation", "piecewise direct standardisation"
REACH = 0.25
"""Share of the standards' range that a spectrum may lie outside it at a wavelength."""
SPANNED = 0.9
"""Share of wavelengths at which a spectrum has to lie within reach of the standards."""
_RESOLVED = 1e-3
"""Directions of the standards smaller than this share of the largest are noise and not used."""


@dataclass(frozen=True)
class Transfer:
    """A correction of spectra of the new instrument.

    Attributes
    ----------
    method
        ``direct standardisation`` or ``piecewise direct standardisation``.
    half_width
        Neighbours to either side that the piecewise one uses; 0 for the direct one.
    new_mean, home_mean
        Mean spectra of the standards, shape ``(n_wavelengths,)``.
    matrix
        What centred new spectra are multiplied by, shape ``(n_wavelengths, n_wavelengths)``.
    error, error_uncorrected
        Root mean square difference between left-out standards on both instruments, with and
        without correction.
    low, high
        Range of the standards on the new instrument, shape ``(n_wavelengths,)``.
    """

    method: str
    half_width: int
    new_mean: Array
    home_mean: Array
    matrix: Array
    error: float
    error_uncorrected: float
    low: Array
    high: Array

    def apply(self, spectra: Array) -> Array:
        """Return spectra as the home instrument would have shown them, same shape."""
        return np.asarray((spectra - self.new_mean) @ self.matrix + self.home_mean)

    def spanned(self, spectra: Array) -> Array:
        """Return the share of wavelengths at which each spectrum is within reach of standards."""
        reach = REACH * (self.high - self.low)
        inside = (spectra >= self.low - reach) & (spectra <= self.high + reach)
        return np.asarray(inside.mean(axis=1))


def learn_transfer(new: Array, home: Array, source: str) -> Transfer:
    """Learn a correction from the same standards on two instruments.

    Parameters
    ----------
    new, home
        Reflectance of each standard on the new and on the home instrument, on the wavelengths of
        the model, shape ``(n_standards, n_wavelengths)``.
    source
        File that lists the standards, for messages.

    Returns
    -------
    Transfer
        The correction with the smallest error on left-out standards.

    Raises
    ------
    InputFault
        If there are fewer than four standards, they do not differ, or no correction brings
        left-out standards nearer.

    References
    ----------
    Wang, Veltkamp & Kowalski 1991, Anal. Chem. 63:2750-2756 (direct and piecewise direct
    standardisation); Wang, Dean & Kowalski 1995, Anal. Chem. 67:2379-2385 (means taken off first).
    """
    n = len(new)
    if n < FEWEST:
        raise InputFault(
            Problem(
                file=source,
                found=f"{n} standard{'s' if n != 1 else ''}",
                expected=f"at least {FEWEST}, scanned on both instruments",
                mend="Scan more standards: leaves from pale to dark, and a white and a grey tile.",
            )
        )
    spread = np.ptp(new, axis=0)
    if float(np.median(spread)) < 1e-4:
        raise InputFault(
            Problem(
                file=source,
                found="standards that do not differ from each other",
                expected="standards over the range of the leaves",
                mend="Scan leaves from pale to dark, and a white and a grey tile.",
            )
        )
    # 1. Error of each correction on standards that it was not learned from.
    plain = _size(new - home)
    candidates = [(DIRECT, 0), *((PIECEWISE, w) for w in HALF_WIDTHS if 2 * w + 1 < n)]
    errors = [_left_out_error(new, home, method, w) for method, w in candidates]
    best = int(np.argmin(errors))
    if errors[best] >= plain:
        raise InputFault(
            Problem(
                file=source,
                found=f"no correction that helps: standards left out differ by {errors[best]:.2g} "
                f"with and {plain:.2g} without it (root mean square of reflectance)",
                expected="left-out standards nearer to their home spectra after correction",
                mend="Leave --standards out if the instruments agree; else scan more standards "
                "that span the leaves.",
            )
        )
    # 2. The best, learned from all standards.
    method, half_width = candidates[best]
    mean_new, mean_home = new.mean(axis=0), home.mean(axis=0)
    return Transfer(
        method=method,
        half_width=half_width,
        new_mean=mean_new,
        home_mean=mean_home,
        matrix=_matrix(new - mean_new, home - mean_home, method, half_width),
        error=errors[best],
        error_uncorrected=plain,
        low=new.min(axis=0),
        high=new.max(axis=0),
    )


def refuse_beyond_standards(
    transfer: Transfer, scans: list[str], spectra: Array, source: str
) -> None:
    """Refuse spectra that the standards do not span: the correction would be made up there.

    Raises
    ------
    InputFault
        Naming every scan that is within reach at fewer than nine tenths of the wavelengths.
    """
    share = transfer.spanned(spectra)
    beyond = np.flatnonzero(share < SPANNED)
    if len(beyond):
        raise InputFault(
            Problem(
                file=source,
                found=f"standards that span {scans[int(i)]} at {100 * share[i]:.0f} % of the "
                "wavelengths",
                expected=f"at least {100 * SPANNED:.0f} %: its reflectance within the range of "
                f"the standards, or {100 * REACH:.0f} % of that range beyond",
                mend="Scan standards as bright and as dark as this leaf on both instruments.",
            )
            for i in beyond
        )


def transfer_sentence(transfer: Transfer) -> str:
    """Return by which correction spectra were changed, and how well it does."""
    width = f" ({2 * transfer.half_width + 1} wavelengths)" if transfer.method == PIECEWISE else ""
    return (
        f"corrected by {transfer.method}{width}: left-out standards differ from their home spectra "
        f"by {transfer.error:.2g} instead of {transfer.error_uncorrected:.2g} (root mean square of "
        f"reflectance)"
    )


def _left_out_error(new: Array, home: Array, method: str, half_width: int) -> float:
    """Return the root mean square error of standards left out one by one."""
    off = np.empty_like(new)
    for i in range(len(new)):
        kept = np.arange(len(new)) != i
        mean_new, mean_home = new[kept].mean(axis=0), home[kept].mean(axis=0)
        matrix = _matrix(new[kept] - mean_new, home[kept] - mean_home, method, half_width)
        off[i] = (new[i] - mean_new) @ matrix + mean_home - home[i]
    return _size(off)


def _matrix(new: Array, home: Array, method: str, half_width: int) -> Array:
    """Return the transformation of centred spectra by the formulas of Wang and others (1991)."""
    if method == DIRECT:
        # F = pinv(R_new) R_home, eq. 7.
        return np.asarray(np.linalg.pinv(new, rcond=_RESOLVED) @ home)
    # b_j = pinv(R_new[:, j - w .. j + w]) r_home[:, j], eq. 9: a band around the diagonal.
    p = new.shape[1]
    out = np.zeros((p, p))
    for j in range(p):
        window = slice(max(0, j - half_width), min(p, j + half_width + 1))
        out[window, j] = np.linalg.pinv(new[:, window], rcond=_RESOLVED) @ home[:, j]
    return out


def _size(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))


# Spectra on the wavelengths of a model.
# ----------------------------------------------------------------------

SAME_NM = 1e-6
"""Wavelengths closer than this are the same, nm."""


def on_axis(
    model_nm: Array,
    name: str,
    scans: Sequence[str],
    reflectance: Array,
    wavelength_nm: Array,
    source: str,
) -> Array:
    """Return spectra at the wavelengths of a model.

    Parameters
    ----------
    model_nm
        Wavelengths of the model, nm.
    name
        File name of the model, for messages.
    scans
        Name of every spectrum.
    reflectance
        Shape ``(n_scans, n_wavelengths)``.
    wavelength_nm
        Their axis, nm; it may reach further than the model's.
    source
        File the spectra are from, for messages.

    Raises
    ------
    InputFault
        If the axis does not hold the model's wavelengths, or a value is not a finite number.
    """
    places = _places(model_nm, name, wavelength_nm, source)
    spectra = np.asarray(reflectance, dtype=np.float64)[:, places]
    _refuse_not_finite(spectra, scans, source)
    return spectra


def _places(model_nm: Array, name: str, wavelength_nm: Array, source: str) -> NDArray[np.intp]:
    """Return where the model's wavelengths stand on the axis of the new spectra."""
    axis = np.asarray(wavelength_nm, dtype=np.float64)
    have = f"{axis[0]:g} to {axis[-1]:g} nm" if len(axis) else "no wavelength"
    need = f"{model_nm[0]:g} to {model_nm[-1]:g} nm"
    if len(axis) == 0 or axis[0] > model_nm[0] + SAME_NM or axis[-1] < model_nm[-1] - SAME_NM:
        raise InputFault(
            Problem(
                file=source,
                found=f"spectra over {have}",
                expected=f"the whole range of {name}: {need}",
                mend="Measure over the whole range, or train a model on the narrower one "
                "(quality.range in study.yaml).",
            )
        )
    after = np.clip(np.searchsorted(axis, model_nm), 0, len(axis) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(axis[before] - model_nm) < np.abs(axis[after] - model_nm)
    places = np.where(nearer, before, after)
    off = np.abs(axis[places] - model_nm)
    if off.max() > SAME_NM:
        first = int(off.argmax())
        raise InputFault(
            Problem(
                file=source,
                found=f"another grid: no value at {model_nm[first]:g} nm (nearest: "
                f"{axis[places[first]]:g} nm)",
                expected=f"the grid of {name}: {len(model_nm)} wavelengths over {need}",
                mend="Bring the spectra to that grid (reflectance.grid in study.yaml).",
            )
        )
    return places


def _refuse_not_finite(spectra: Array, scans: Sequence[str], source: str) -> None:
    bad = np.flatnonzero(~np.isfinite(spectra).all(axis=1))
    if len(bad):
        raise InputFault(
            Problem(
                file=source,
                found=f"a value that is not a number in {scans[int(i)]}",
                expected="reflectance at every wavelength of the model",
                mend="Leave the scan out, or measure it again.",
            )
            for i in bad
        )


# What is done to spectra before a latent-variable model sees them
# ----------------------------------------------------------------------
# Most steps look at one spectrum only, so nothing is learned from other scans and nothing can leak
# between the two sides of a split: these are taken once. Two steps learn from the training scans (a
# reference spectrum, a spread at every wavelength): these are learned anew in every training part,
# and held-out scans only receive them.

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
