"""Which peaks has the spectrum of a lamp, and are they the lines of a mercury-argon lamp?

The published lines that a spectrometer can resolve are looked for among the peaks of a lamp scan.

References
----------
Wavelengths are in air, nm. Mercury 253-580 nm: Sansonetti, Salit & Reader 1996, Appl. Opt.
35:74-77 (recommended wavelengths of mercury pencil lamps; those below 400 nm from memory).
Mercury at 1,014 nm and argon: Sansonetti & Martin 2005, J. Phys. Chem. Ref. Data 34:1559, as in
the NIST Atomic Spectra Database (from memory). Strengths are rough, as silicon detectors show the
lines (common practice, no source); they decide what may be seen at all and weigh lines that no
leaf spectrometer parts, nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

# Peaks of a line spectrum, to a fraction of a pixel
# ----------------------------------------------------------------------
# Peaks are first seen as local maxima. Then lines that overlap are fitted together: Gaussians of
# one width, each integrated over the pixels, on a straight baseline, moved together by one shift.

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

FWHM_PER_SIGMA = float(np.sqrt(8 * np.log(2)))
_QUARTILE = 0.3186
"""A quarter of normal values are nearer to zero than this many standard deviations."""
_NOISE_FACTOR = 8.0
_LEAST_SHARE = 0.003
_WIDTH_SHARE = 0.05
_WIDTH_QUANTILE = 0.3
_REACH_IN_WIDTHS = 1.6
_LEAST_REACH_PIXELS = 4.5
_SIGNIFICANT = 5.0
_WIDTH_BOUNDS = (0.35, 2.0)
_FEWEST_SPARE = 3
"""Pixels beyond the terms of the fit: fewer do not tell the scatter."""
_FLOOR_PIXELS = 0.01
"""Standard uncertainty that no fit undercuts: slits and pixels are not quite what is fitted."""


@dataclass(frozen=True)
class Peaks:
    """Local maxima of a spectrum.

    Attributes
    ----------
    at_nm, height, fwhm_nm
        Shape ``(n_peaks,)``: place (parabola through the three highest pixels), height above the
        surroundings, and width at half of it.
    saturated
        Whether the detector was full there.
    noise
        Standard deviation of a pixel.
    """

    at_nm: Floats
    height: Floats
    fwhm_nm: Floats
    saturated: Flags
    noise: float

    def usual_width_nm(self) -> float | None:
        """Return the width of a narrow peak; ``None`` without a peak.

        Peaks made of several lines are broader: a low quantile of the strong ones is taken.
        """
        if not len(self.at_nm):
            return None
        sound = ~self.saturated if (~self.saturated).any() else np.ones_like(self.saturated)
        strong = sound & (self.height >= _WIDTH_SHARE * self.height[sound].max())
        return float(np.quantile(self.fwhm_nm[strong], _WIDTH_QUANTILE))


def noise_of(signal: Floats) -> float:
    """Return the standard deviation of a pixel, from second differences free of lines.

    Their lower quartile is taken, which lines do not reach as long as they cover less than half
    of the pixels.
    """
    second = np.abs(np.diff(signal, 2))
    return float(np.quantile(second, 0.25) / (_QUARTILE * np.sqrt(6)))


def find_peaks(wavelength_nm: Floats, signal: Floats, saturated: Flags) -> Peaks:
    """Find the peaks that stand clearly above the noise.

    Parameters
    ----------
    wavelength_nm, signal
        Axis (nm, rising) and counts above dark; shape ``(n_pixels,)``.
    saturated
        Pixels where the detector was full, same shape.
    """
    from scipy.signal import find_peaks as local_maxima
    from scipy.signal import peak_widths

    noise = noise_of(signal)
    # Noise of a bright peak is above that of the surroundings: a second look at its own height.
    least = max(_NOISE_FACTOR * noise, _LEAST_SHARE * float(signal.max()), 1e-12)
    indices, properties = local_maxima(signal, prominence=least)
    widths = peak_widths(signal, indices, rel_height=0.5)[0]
    step = np.gradient(wavelength_nm)
    positions = np.array([_parabola(signal, int(i)) for i in indices], dtype=np.float64)
    pixel = np.arange(len(signal), dtype=np.float64)
    full = np.array([saturated[max(i - 1, 0) : i + 2].any() for i in indices], dtype=bool)
    return Peaks(
        np.interp(positions, pixel, wavelength_nm),
        np.asarray(properties["prominences"], dtype=np.float64),
        np.asarray(widths * step[indices], dtype=np.float64),
        full,
        noise,
    )


def _parabola(signal: Floats, i: int) -> float:
    left, top, right = signal[i - 1], signal[i], signal[i + 1]
    bend = left - 2 * top + right
    return i + (0.5 * (left - right) / bend if bend < 0 else 0.0)


@dataclass(frozen=True)
class Located:
    """Lines located together.

    Attributes
    ----------
    shift_nm, u_nm
        How far the lines stand from where they were expected, and its standard uncertainty.
    fwhm_nm
        Full width at half maximum as the instrument shows a line, pixel included.
    area
        Of each line, counts x nm, in the order given; 0 for a line too weak to be seen.
    """

    shift_nm: float
    u_nm: float
    fwhm_nm: float
    area: Floats


def locate(
    wavelength_nm: Floats,
    signal: Floats,
    usable: Flags,
    expected_nm: Sequence[float],
    width_nm: float,
    noise: float,
) -> Located | None:
    """Fit lines whose distances from each other are known.

    Parameters
    ----------
    wavelength_nm, signal
        Axis (nm, rising) and counts above dark; shape ``(n_pixels,)``.
    usable
        Pixels that may be used, same shape (not saturated).
    expected_nm
        Where the lines are expected on this axis, nm, rising.
    width_nm
        About the full width at half maximum of a line, nm.
    noise
        Standard deviation of a pixel: residuals are not believed to be smaller.

    Returns
    -------
    Located or None
        ``None`` if pixels are missing or saturated there, no line stands out, or the fit does not
        settle near the expected place.

    Notes
    -----
    The covariance is that of least squares with the variance of the residuals, enlarged by
    spare / (spare - 2) where few pixels are spare (the variance of Student's t). No shift is
    given better than a hundredth of a pixel.

    References
    ----------
    Variable projection (areas and baseline are solved for exactly at every shift and width):
    Golub & Pereyra 1973, SIAM J. Numer. Anal. 10:413-432.
    """
    lines = np.asarray(expected_nm, dtype=np.float64)
    step = float(np.median(np.diff(wavelength_nm)))
    reach = max(_REACH_IN_WIDTHS * width_nm, _LEAST_REACH_PIXELS * step)
    inside = (wavelength_nm >= lines[0] - reach) & (wavelength_nm <= lines[-1] + reach)
    if wavelength_nm[0] > lines[0] - 0.7 * reach or wavelength_nm[-1] < lines[-1] + 0.7 * reach:
        return None
    if not usable[inside].all():
        return None
    edges = _edges(wavelength_nm)
    left, right = edges[:-1][inside], edges[1:][inside]
    kept = np.ones(len(lines), dtype=bool)
    while kept.any() and inside.sum() >= kept.sum() + 4 + _FEWEST_SPARE:
        fit = _fitted_lines(left, right, signal[inside], lines[kept], width_nm, noise)
        if fit is None:
            return None
        shift, sigma, area, u, u_area = fit
        weak = area <= 0
        if not weak.any():
            if (area < _SIGNIFICANT * u_area).all():
                return None
            whole = np.zeros(len(lines))
            whole[kept] = area
            u = float(np.hypot(u, _FLOOR_PIXELS * step))
            return Located(shift, u, FWHM_PER_SIGMA * float(np.hypot(sigma, step / 12**0.5)), whole)
        kept[np.flatnonzero(kept)[weak]] = False
    return None


def _edges(wavelength_nm: Floats) -> Floats:
    middle = (wavelength_nm[1:] + wavelength_nm[:-1]) / 2
    first, last = 2 * wavelength_nm[0] - middle[0], 2 * wavelength_nm[-1] - middle[-1]
    return np.concatenate([[first], middle, [last]])


def _line_columns(left: Floats, right: Floats, centres: Floats, sigma: float) -> Floats:
    """Mean height over each pixel of lines of area 1, and a straight baseline."""
    from scipy.special import ndtr

    upper = ndtr((right[:, None] - centres) / sigma)
    lower = ndtr((left[:, None] - centres) / sigma)
    middle = (left + right) / 2
    slope = (middle - middle.mean()) / max(np.ptp(middle), 1e-12)
    shape = (upper - lower) / (right - left)[:, None]
    return np.column_stack([shape, np.ones(len(left)), slope])


def _fitted_lines(
    left: Floats, right: Floats, y: Floats, lines: Floats, width_nm: float, noise: float
) -> tuple[float, float, Floats, float, Floats] | None:
    """Return shift, sigma, areas, standard uncertainty of the shift and of the areas."""
    from scipy.optimize import least_squares

    expected = width_nm / FWHM_PER_SIGMA
    scale = max(float(np.ptp(y)), 1e-12)

    def residual(p: Floats) -> Floats:
        columns = _line_columns(left, right, lines + p[0] * expected, expected * float(p[1]))
        solved = np.linalg.lstsq(columns, y, rcond=None)[0]
        return np.asarray((columns @ solved - y) / scale, dtype=np.float64)

    most = width_nm / expected
    low, high = [-most, _WIDTH_BOUNDS[0]], [most, _WIDTH_BOUNDS[1]]
    solution = least_squares(residual, [0.0, 1.0], bounds=(low, high), xtol=1e-12, ftol=1e-12)
    shift = float(solution.x[0]) * expected
    sigma = float(solution.x[1]) * expected
    if not solution.success or abs(shift) >= 0.95 * width_nm:
        return None
    columns = _line_columns(left, right, lines + shift, sigma)
    solved = np.linalg.lstsq(columns, y, rcond=None)[0]
    area = solved[: len(lines)]
    step = 1e-4 * sigma
    moved = _line_columns(left, right, lines + shift + step, sigma) @ solved
    wider = _line_columns(left, right, lines + shift, sigma + step) @ solved
    here = columns @ solved
    jacobian = np.column_stack([(moved - here) / step, (wider - here) / step, columns])
    spare = len(y) - jacobian.shape[1]
    variance = float(np.sum((here - y) ** 2)) / (spare - 2)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(variance, noise**2)
    u = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    return shift, sigma, np.asarray(area), float(u[0]), np.asarray(u[2 : 2 + len(lines)])


# Published lines
# ----------------------------------------------------------------------

Element = Literal["Hg", "Ar"]

_SHARE_UNKNOWN = 0.25
"""Standard uncertainty of a line's share of the light of two lines that cannot be parted."""


@dataclass(frozen=True)
class EmissionLine:
    """One published line: element, wavelength in air (nm) and rough strength (1: strongest)."""

    element: Element
    air_nm: float
    strength: float


_MERCURY = (
    (253.6521, 0.5),
    (296.7283, 0.10),
    (302.1504, 0.06),
    (312.5674, 0.15),
    (313.1555, 0.13),
    (313.1844, 0.13),
    (334.1484, 0.04),
    (365.0158, 0.40),
    (365.4842, 0.06),
    (366.2887, 0.02),
    (366.3284, 0.04),
    (404.6565, 0.50),
    (407.7837, 0.03),
    (435.8335, 1.00),
    (546.0750, 0.90),
    (576.9610, 0.15),
    (579.0670, 0.15),
    (1013.9760, 0.05),
)
_ARGON = (
    (696.5431, 0.35),
    (706.7218, 0.12),
    (714.7042, 0.01),
    (727.2936, 0.08),
    (738.3980, 0.25),
    (750.3869, 0.35),
    (751.4652, 0.20),
    (763.5106, 0.60),
    (772.3761, 0.20),
    (772.4207, 0.10),
    (794.8176, 0.15),
    (800.6157, 0.12),
    (801.4786, 0.15),
    (810.3693, 0.20),
    (811.5311, 0.40),
    (826.4522, 0.15),
    (840.8210, 0.12),
    (842.4648, 0.25),
    (852.1442, 0.08),
    (866.7944, 0.02),
    (912.2967, 0.20),
    (922.4499, 0.05),
    (965.7786, 0.07),
    (978.4503, 0.02),
)
MERCURY_ARGON: tuple[EmissionLine, ...] = (
    *(EmissionLine("Hg", nm, strength) for nm, strength in _MERCURY[:-1]),
    *(EmissionLine("Ar", nm, strength) for nm, strength in _ARGON),
    EmissionLine("Hg", *_MERCURY[-1]),
)
"""The lines in the order of their wavelengths."""


@dataclass(frozen=True)
class Feature:
    """One line, or lines so close together that an instrument shows them as one.

    Attributes
    ----------
    centre_nm
        Published wavelength; of several lines, their mean weighted by strength.
    u_nm
        Standard uncertainty of that centre: a quarter of the distance between the outermost
        lines, for their shares of the light are not known. 0 for a single line.
    strength
        Of all its lines.
    lines
        The published lines.
    """

    centre_nm: float
    u_nm: float
    strength: float
    lines: tuple[EmissionLine, ...]

    @property
    def element(self) -> Element:
        """The element of its strongest line."""
        return max(self.lines, key=lambda line: line.strength).element


def features(
    lines: Sequence[EmissionLine], within_nm: float, first_nm: float, last_nm: float
) -> list[Feature]:
    """Return the lines of a range, those closer together than a distance taken as one.

    Parameters
    ----------
    lines
        Published lines, rising.
    within_nm
        A line this close to the one before belongs to the same feature.
    first_nm, last_nm
        The range.

    Examples
    --------
    >>> [round(f.centre_nm, 3) for f in features(MERCURY_ARGON, 0.5, 310, 320)]
    [312.567, 313.17]
    >>> [round(f.centre_nm, 3) for f in features(MERCURY_ARGON, 3.0, 570, 590)]
    [578.014]
    """
    groups: list[list[EmissionLine]] = []
    for line in lines:
        if not first_nm <= line.air_nm <= last_nm:
            continue
        if groups and line.air_nm - groups[-1][-1].air_nm < within_nm:
            groups[-1].append(line)
        else:
            groups.append([line])
    return [_feature(group) for group in groups]


def _feature(group: Sequence[EmissionLine]) -> Feature:
    nm = np.array([line.air_nm for line in group])
    strength = np.array([line.strength for line in group])
    return Feature(
        float(np.average(nm, weights=strength)),
        float(_SHARE_UNKNOWN * (nm[-1] - nm[0])),
        float(strength.sum()),
        tuple(group),
    )


# Why a lamp scan cannot be used, in words for the person at the bench.
# ----------------------------------------------------------------------

BROADEST_NM = 15.0
"""No leaf spectrometer has lines this broad: a broader peak is not a line."""
FEWEST_PIXELS = 1.4
"""A line narrower than this many pixels cannot be placed between them."""


@dataclass(frozen=True)
class LampRefusal:
    """Why a lamp scan cannot be used: what was found and what was expected, in words."""

    found: str
    expected: str
    mend: str


def saturated_lamp(share: float) -> LampRefusal:
    """Refuse a detector that is full at a share of its pixels, or without light if that is 0."""
    if share > 0:
        return LampRefusal(
            f"a detector full at {100 * share:.0f} % of its pixels",
            "lines below full scale",
            "Measure the lamp again with a shorter integration time or from further away.",
        )
    return LampRefusal(
        "no light above dark",
        "the lines of a mercury-argon lamp",
        "Check that the lamp was on, and that its dark has the same integration time.",
    )


def no_lines(width: float | None) -> LampRefusal:
    """Refuse a spectrum without peaks, or with broad ones only."""
    width_words = "no peak above the noise" if width is None else f"peaks {width:.0f} nm broad"
    return LampRefusal(
        width_words,
        f"narrow lines of a mercury-argon lamp (below {BROADEST_NM:g} nm)",
        "Measure a mercury-argon lamp, or take the scan out of role lamp.",
    )


def too_narrow(width: float, step: float) -> LampRefusal:
    """Refuse lines that are narrower than the wavelengths are apart."""
    return LampRefusal(
        f"lines {width:.2g} nm wide on wavelengths {step:.2g} nm apart",
        f"lines at least {FEWEST_PIXELS:g} pixels wide",
        "If the export was thinned out, export every pixel of the detector; if these are all its "
        "pixels, its lines are too narrow to be placed: take the scan out of role lamp.",
    )


def too_few(n: int, fewest: int, n_saturated: int) -> LampRefusal:
    """Refuse a lamp of which too few lines can be placed."""
    full = f"; the detector is full at {n_saturated} more" if n_saturated else ""
    return LampRefusal(
        f"{n} lines that can be placed{full}",
        f"at least {fewest}",
        "Measure the lamp again with "
        + ("a shorter integration time." if n_saturated else "more light or more averages."),
    )


# Whether peaks are those of a mercury-argon lamp, and where its lines should stand.
# ----------------------------------------------------------------------
# The local maxima are laid over the published lines, over all shifts and stretches that an
# instrument may have.

LARGEST_SHIFT_NM = 6.0
"""An axis further off is not a shifted one: it is another instrument's."""
_LARGEST_STRETCH = 0.008
_STRETCH_STEPS = 17
_MIDDLE_NM = 600.0
_EXPLAINED = 0.7
"""Share of the height of all peaks that the lines of the lamp must account for."""
_STRONG = 0.4
_FEWEST_ARGON = 4


@dataclass(frozen=True)
class Placement:
    """As read = published + shift + stretch x (published - 600 nm)."""

    shift_nm: float
    stretch: float

    def place(self, published_nm: Floats) -> Floats:
        """Return where published wavelengths stand on the axis as read, nm."""
        return np.asarray(
            published_nm + self.shift_nm + self.stretch * (published_nm - _MIDDLE_NM),
            dtype=np.float64,
        )


def identify(peaks: Peaks, lines: Sequence[Feature], near_nm: float) -> Placement:
    """Return the shift and stretch under which most peaks meet most published lines.

    A peak met counts by the root of its share of the highest, a line met by the root of its
    strength; of equals the nearest wins, and then the smallest shift and stretch.
    """
    peak_nm = peaks.at_nm
    weight = np.sqrt(peaks.height / peaks.height.max()) if len(peak_nm) else np.zeros(0)
    centres = np.array([f.centre_nm for f in lines])
    strength = np.sqrt([f.strength for f in lines])
    best, most = Placement(0.0, 0.0), -np.inf
    if not len(peak_nm) or not len(centres):
        return best
    shifts = np.arange(-LARGEST_SHIFT_NM, LARGEST_SHIFT_NM + 1e-9, near_nm / 3)
    for stretch in np.linspace(-_LARGEST_STRETCH, _LARGEST_STRETCH, _STRETCH_STEPS):
        for shift in shifts:
            fit = Placement(float(shift), float(stretch))
            distance = np.abs(peak_nm[:, None] - fit.place(centres)) / near_nm
            met = 1 - 0.5 * np.minimum(distance, 1.0) ** 2
            met[distance > 1] = 0.0
            score = float(weight @ met.max(axis=1) + strength @ met.max(axis=0))
            score -= 0.02 * (abs(shift) / LARGEST_SHIFT_NM + abs(stretch) / _LARGEST_STRETCH)
            if score > most:
                best, most = fit, score
    return best


def refined_placement(
    fit: Placement, peaks: Peaks, lines: Sequence[Feature], width: float
) -> Placement:
    """Return the shift and stretch by least squares over the strong peaks that meet a line."""
    centres = np.array([f.centre_nm for f in lines if f.strength >= 0.05])
    if not len(centres):
        return fit
    distance = np.abs(peaks.at_nm[:, None] - fit.place(centres))
    nearest = distance.argmin(axis=1)
    good = distance.min(axis=1) <= 0.5 * width
    if good.sum() < 3:
        return fit
    x = centres[nearest[good]] - _MIDDLE_NM
    off = peaks.at_nm[good] - centres[nearest[good]]
    weight = np.sqrt(peaks.height[good])
    design = np.column_stack([np.ones(len(x)), x]) * weight[:, None]
    shift, stretch = np.linalg.lstsq(design, off * weight, rcond=None)[0]
    if abs(stretch) > 2 * _LARGEST_STRETCH:
        return fit
    return Placement(float(shift), float(stretch))


def _met(peaks: Peaks, fit: Placement, near_nm: float) -> tuple[Flags, set[float]]:
    """Return which peaks are lines of the lamp, and the published lines that were met."""
    published = np.array([line.air_nm for line in MERCURY_ARGON])
    distance = np.abs(peaks.at_nm[:, None] - fit.place(published))
    met = distance <= near_nm
    return np.asarray(met.any(axis=1)), {float(nm) for nm in published[met.any(axis=0)]}


def not_this_lamp(
    peaks: Peaks, fit: Placement, width: float, step: float, wavelength_nm: Floats
) -> LampRefusal | None:
    """Return why the peaks are not those of a mercury-argon lamp; ``None`` if they are.

    Its lines must account for most of the height of all peaks. Of the strong mercury lines on the
    axis two must be there, or all of fewer; on an axis without them, four argon lines.

    Parameters
    ----------
    peaks, fit
        The peaks, and where the lines are taken to stand.
    width, step
        Width of a peak and distance of the wavelengths, nm.
    wavelength_nm
        Axis as read, nm.
    """
    near = max(0.7 * width, 1.5 * step)
    explained, met = _met(peaks, fit, near)
    share = float(peaks.height[explained].sum() / peaks.height.sum())
    first, last = wavelength_nm[0] + 2 * width, wavelength_nm[-1] - 2 * width
    # Below 400 nm many fibres and detectors see nothing.
    main = [
        line.air_nm
        for line in MERCURY_ARGON
        if line.element == "Hg" and line.strength >= _STRONG and line.air_nm > 400
        if first <= line.air_nm <= last
    ]
    missing = [nm for nm in main if nm not in met]
    argon = [line.air_nm for line in MERCURY_ARGON if line.element == "Ar" and line.air_nm in met]
    enough = len(missing) <= max(len(main) - 2, 0) if main else len(argon) >= _FEWEST_ARGON
    if len(main) == 1:
        enough = not missing and (len(argon) >= _FEWEST_ARGON or 576.961 in met or 579.067 in met)
    if share >= _EXPLAINED and enough:
        return None
    top = peaks.at_nm[np.argsort(peaks.height)[::-1][:5]]
    lacking = f"; without {', '.join(f'{nm:.1f}' for nm in missing)} nm" if missing else ""
    return LampRefusal(
        f"peaks near {', '.join(f'{nm:.1f}' for nm in np.sort(top))} nm of which the lines of "
        f"mercury and argon account for {100 * share:.0f} %{lacking}",
        "the spectrum of a mercury-argon lamp",
        "Measure a mercury-argon lamp, or take the scan out of role lamp; an axis more than "
        f"{LARGEST_SHIFT_NM:g} nm off is not recognised either.",
    )
