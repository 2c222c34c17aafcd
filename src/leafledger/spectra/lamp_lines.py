"""How far is a wavelength axis off, by the lines of a mercury-argon lamp?

The published lines that a spectrometer can resolve are found among the peaks of a lamp scan; each
is fitted, and a low polynomial corrects the axis.

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

from leafledger.spectra.line_peaks import Flags, Floats, Peaks, find_peaks, locate

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
            away = np.abs(peak_nm[:, None] - fit.place(centres)) / near_nm
            met = 1 - 0.5 * np.minimum(away, 1.0) ** 2
            met[away > 1] = 0.0
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
    away = np.abs(peaks.at_nm[:, None] - fit.place(centres))
    nearest = away.argmin(axis=1)
    good = away.min(axis=1) <= 0.5 * width
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
    away = np.abs(peaks.at_nm[:, None] - fit.place(published))
    met = away <= near_nm
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


# How far the lines of a mercury-argon lamp stand from their published place.
# ----------------------------------------------------------------------
# First it is made sure that it is such a lamp (:mod:`leafledger.spectra.lamp_lines`); then each
# line, or group of lines that overlap, is fitted.

_NEAR_IN_WIDTHS = 0.35
_ONE_PEAK_IN_WIDTHS = 0.35
_APART_IN_WIDTHS = 2.0
_WORST_IN_WIDTHS = 0.2


@dataclass(frozen=True)
class FoundLine:
    """One published line (or a group that is fitted together) and where it was found.

    Attributes
    ----------
    published_nm
        In air; of a group, the mean weighted by the areas found.
    found_nm
        On the axis as read.
    u_nm
        Standard uncertainty of found minus published.
    fwhm_nm
        Width of its lines.
    single
        Whether it is one line alone.
    """

    published_nm: float
    found_nm: float
    u_nm: float
    fwhm_nm: float
    single: bool


@dataclass(frozen=True)
class LampReading:
    """The lines of a lamp scan.

    Attributes
    ----------
    lines
        Rising; those that can be placed.
    resolution_nm
        Full width at half maximum of a line as the instrument shows it, nm.
    n_saturated
        Published lines left out because the detector was full there.
    """

    lines: tuple[FoundLine, ...]
    resolution_nm: float
    n_saturated: int


def read_lamp(
    wavelength_nm: Floats, signal: Floats, saturated: Flags, fewest: int = 3
) -> LampReading | LampRefusal:
    """Locate the lines of a mercury-argon lamp.

    Parameters
    ----------
    wavelength_nm
        Axis as read, shape ``(n_pixels,)``, nm, rising.
    signal
        Counts of the lamp above dark, same shape.
    saturated
        Pixels where the detector was full, same shape.
    fewest
        Lines that must be placed.

    Returns
    -------
    LampReading or LampRefusal
        The refusal says why in words for the person at the bench.

    Notes
    -----
    Lines that cannot be told apart at the instrument's width are fitted together, with the
    distances between them as published and areas of their own; what that costs is in ``u_nm``.
    Lines closer than a third of the width count as one (:class:`Feature`).
    """
    if (saturated.mean() > 0.2) or (signal[~saturated] <= 0).all():
        return saturated_lamp(float(saturated.mean()))
    peaks = find_peaks(wavelength_nm, signal, saturated)
    width = peaks.usual_width_nm()
    if width is None or width > BROADEST_NM:
        return no_lines(width)
    step = float(np.median(np.diff(wavelength_nm)))
    published = features(
        MERCURY_ARGON, max(_ONE_PEAK_IN_WIDTHS * width, 1e-9), wavelength_nm[0], wavelength_nm[-1]
    )
    fit = identify(peaks, published, max(_NEAR_IN_WIDTHS * width, step))
    refusal = not_this_lamp(peaks, fit, width, step, wavelength_nm)
    if refusal is not None:
        return refusal
    if width < FEWEST_PIXELS * step:
        return too_narrow(width, step)
    lines, n_saturated = _located_lines(
        wavelength_nm, signal, saturated, published, fit, width, peaks
    )
    if len(lines) < fewest:
        return too_few(len(lines), fewest, n_saturated)
    widths = [line.fwhm_nm for line in lines if line.single] or [line.fwhm_nm for line in lines]
    return LampReading(tuple(lines), float(np.median(widths)), n_saturated)


def _located_lines(
    wavelength_nm: Floats,
    signal: Floats,
    saturated: Flags,
    published: Sequence[Feature],
    fit: Placement,
    width: float,
    peaks: Peaks,
) -> tuple[list[FoundLine], int]:
    fit = refined_placement(fit, peaks, published, width)
    lines: list[FoundLine] = []
    n_saturated = 0
    for group in _groups_of_lines(published, width):
        centres = np.array([f.centre_nm for f in group])
        expected = fit.place(centres)
        near = (wavelength_nm > expected[0] - width) & (wavelength_nm < expected[-1] + width)
        if saturated[near].any():
            n_saturated += sum(len(f.lines) for f in group)
            continue
        located = locate(wavelength_nm, signal, ~saturated, list(expected), width, peaks.noise)
        if located is None:
            continue
        share = located.area / located.area.sum()
        blend = float(np.sqrt(np.sum((share * [f.u_nm for f in group]) ** 2)))
        u = float(np.hypot(located.u_nm, blend))
        if u > _WORST_IN_WIDTHS * width:
            continue
        seen = int(np.count_nonzero(located.area))
        lines.append(
            FoundLine(
                float(share @ centres),
                float(share @ expected) + located.shift_nm,
                u,
                located.fwhm_nm,
                seen == 1 and all(len(f.lines) == 1 for f in group),
            )
        )
    return lines, n_saturated


def _groups_of_lines(features_in_order: Sequence[Feature], width: float) -> list[list[Feature]]:
    groups: list[list[Feature]] = []
    for feature in features_in_order:
        if groups and feature.centre_nm - groups[-1][-1].centre_nm < _APART_IN_WIDTHS * width:
            groups[-1].append(feature)
        else:
            groups.append([feature])
    return groups


# From the lines of a lamp to a wavelength axis put right.
# ----------------------------------------------------------------------
# The difference found minus published is a low polynomial of the wavelength as read. Its order is
# the lowest that foretells a line left out about as well as any other, and never more than the
# number of lines bears.

FEWEST_LINES = 3
_LINES_PER_ORDER = 3
_HIGHEST_ORDER = 3
_GAIN = 0.8
"""A further term must bring the error of lines left out below this share of the one before."""
_ODD_IN_U = 6.0
_ODD_IN_WIDTHS = 0.05
_MAD_TO_SD = 1.4826
_SAME_NM = 0.8
"""The mean of lines fitted together wanders from scan to scan with their shares of the light."""
_WIDE_SPAN = 0.5
"""Lines must span this share of the axis for more than a straight line."""


@dataclass(frozen=True)
class Correction:
    """Found minus published wavelength along the axis as read.

    Attributes
    ----------
    centre_nm, half_nm
        Middle and half of the stretch with lines: terms are powers of (x - centre) / half.
    terms, covariance
        Coefficients in nm, shape ``(order + 1,)``, and their covariance.
    residual_nm
        Root mean square of the lines about the curve.
    used
        Lines used; those that disagree with the others by far are left out.
    """

    centre_nm: float
    half_nm: float
    terms: Floats
    covariance: Floats
    residual_nm: float
    used: tuple[FoundLine, ...]

    @property
    def order(self) -> int:
        """Order of the polynomial."""
        return len(self.terms) - 1

    def at(self, as_read_nm: Floats) -> tuple[Floats, Floats]:
        """Return the shift and its standard uncertainty, nm.

        Beyond the lines the curve goes on along its tangent, and its uncertainty with it.
        """
        rows = self._rows(as_read_nm)
        u = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows))
        return rows @ self.terms, u

    def modes(self, as_read_nm: Floats) -> Floats:
        """Return one standard deviation of the shift along each direction of its covariance.

        Returns
        -------
        ndarray
            Shape ``(order + 1, n)``, nm: independent of each other; the sum of their squares is
            the square of the standard uncertainty of :meth:`at`.
        """
        variances, directions = np.linalg.eigh(self.covariance)
        # A direction has no sign of its own: its largest entry is made positive.
        largest = np.abs(directions).argmax(axis=0)
        signs = np.where(directions[largest, np.arange(len(largest))] < 0, -1.0, 1.0)
        scaled = directions * signs * np.sqrt(np.maximum(variances, 0.0))
        return np.asarray((self._rows(as_read_nm) @ scaled).T, dtype=np.float64)

    def mean_shift(self) -> tuple[float, float]:
        """Return the shift in the middle of the lines and its standard uncertainty, nm."""
        middle = float(np.mean([line.found_nm for line in self.used]))
        shift, u = self.at(np.array([middle]))
        return float(shift[0]), float(u[0])

    def corrected(self, as_read_nm: Floats) -> Floats:
        """Return the axis put right; it may fail to rise if the axis is not one at all."""
        return np.asarray(as_read_nm - self.at(as_read_nm)[0], dtype=np.float64)

    def _rows(self, as_read_nm: Floats) -> Floats:
        x = (as_read_nm - self.centre_nm) / self.half_nm
        inside = np.clip(x, -1.0, 1.0)
        powers = np.arange(len(self.terms))
        rows = inside[:, None] ** powers
        slope = powers * inside[:, None] ** np.maximum(powers - 1, 0)
        return np.asarray(rows + (x - inside)[:, None] * slope, dtype=np.float64)


def fit_correction(lines: Sequence[FoundLine], axis_nm: Floats) -> Correction | None:
    """Fit the correction to the lines of one or several lamp scans.

    Parameters
    ----------
    lines
        Of all lamp scans of the session.
    axis_nm
        The axis as read, nm.

    Returns
    -------
    Correction or None
        ``None`` with fewer than three different lines.

    Notes
    -----
    Weights are the inverse variances of the lines together with a share that all lines have
    alike (estimated from the scatter about the curve, after Mandel & Paule 1970, Anal. Chem.
    42:1194-1197), so that a strong line with a tiny uncertainty does not rule the curve. Where
    the scatter is beyond the uncertainties, the covariance grows with it.
    """
    kept = _agreeing(lines)
    return _fitted(kept, axis_nm) if _n_different(kept) >= FEWEST_LINES else None


def _agreeing(lines: Sequence[FoundLine]) -> list[FoundLine]:
    """Return the lines without those that lie far from the trend of most lines.

    The trend is the median of all slopes between two lines (Theil 1950, Sen 1968, J. Am. Stat.
    Assoc. 63:1379-1389). It stays where it is while less than three in ten lines are false.
    """
    if len(lines) <= FEWEST_LINES + 1:
        return list(lines)
    x = np.array([line.found_nm for line in lines])
    off = x - np.array([line.published_nm for line in lines])
    i, j = np.triu_indices(len(x), 1)
    distinct = np.abs(x[j] - x[i]) > _SAME_NM
    slope = (
        np.median((off[j] - off[i])[distinct] / (x[j] - x[i])[distinct]) if distinct.any() else 0.0
    )
    rest = off - slope * x
    rest = np.abs(rest - np.median(rest))
    usual = _MAD_TO_SD * float(np.median(rest))
    u = np.hypot(np.array([line.u_nm for line in lines]), usual)
    far = (rest > _ODD_IN_U * u) & (rest > _ODD_IN_WIDTHS * np.array([x.fwhm_nm for x in lines]))
    return [line for line, odd in zip(lines, far, strict=True) if not odd]


def _n_different(lines: Sequence[FoundLine]) -> int:
    """Return the number of different lines: the same line in several scans counts once."""
    published = np.sort([line.published_nm for line in lines])
    return int(np.count_nonzero(np.diff(published) > _SAME_NM)) + 1 if len(published) else 0


def _fitted(lines: Sequence[FoundLine], axis_nm: Floats) -> Correction:
    x = np.array([line.found_nm for line in lines])
    y = x - np.array([line.published_nm for line in lines])
    u = np.array([line.u_nm for line in lines])
    centre, half = float(x.max() + x.min()) / 2, max(float(np.ptp(x)) / 2, 1e-6)
    t = (x - centre) / half
    highest = min(_n_different(lines) // _LINES_PER_ORDER, _HIGHEST_ORDER)
    if np.ptp(x) < _WIDE_SPAN * np.ptp(axis_nm):
        highest = min(highest, 1)
    order, between = _order(t, y, u, highest)
    design = t[:, None] ** np.arange(order + 1)
    weight = 1 / np.hypot(u, between)
    inverse = np.linalg.pinv(design * weight[:, None])
    terms = inverse @ (y * weight)
    off = y - design @ terms
    spare = len(y) - order - 1
    birge = float(np.sum((off * weight) ** 2) / spare) if spare > 0 else 1.0
    covariance = inverse @ inverse.T * max(birge, 1.0)
    return Correction(
        centre, half, terms, covariance, float(np.sqrt(np.mean(off**2))), tuple(lines)
    )


def _order(t: Floats, y: Floats, u: Floats, highest: int) -> tuple[int, float]:
    """Return the order, and the scatter between lines that their uncertainties do not explain."""
    chosen, least, scatter = 0, np.inf, 0.0
    for order in range(highest + 1):
        between = _between_line_scatter(t, y, u, order)
        error = _left_out_error(t, y, np.hypot(u, between), order)
        if error < _GAIN * least:
            chosen, least, scatter = order, error, between
    return chosen, scatter


def _left_out_error(t: Floats, y: Floats, u: Floats, order: int) -> float:
    """Root mean square error at a line that was left out of the fit (by the hat matrix)."""
    design = t[:, None] ** np.arange(order + 1) / u[:, None]
    hat = design @ np.linalg.pinv(design)
    off = y / u - hat @ (y / u)
    free = np.maximum(1 - np.diag(hat), 1e-6)
    return float(np.sqrt(np.average((off / free * u) ** 2, weights=u**-2)))


def _between_line_scatter(t: Floats, y: Floats, u: Floats, order: int) -> float:
    """Return the scatter that brings chi squared down to its degrees of freedom."""
    design = t[:, None] ** np.arange(order + 1)
    spare = len(y) - order - 1

    def chi(between: float) -> float:
        weight = 1 / np.hypot(u, between)
        off = y - design @ (np.linalg.pinv(design * weight[:, None]) @ (y * weight))
        return float(np.sum((off * weight) ** 2))

    if spare < 1 or chi(0.0) <= spare:
        return 0.0
    low, high = 0.0, 10 * float(np.std(y)) + 1e-6
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if chi(middle) > spare else (low, middle)
    return high
