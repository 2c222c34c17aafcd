"""How far do the lines of a lamp stand off, and which axis follows?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.spectra.lamp_lines import (
    BROADEST_NM,
    FEWEST_PIXELS,
    MERCURY_ARGON,
    Feature,
    LampRefusal,
    Placement,
    features,
    identify,
    no_lines,
    not_this_lamp,
    refined_placement,
    saturated_lamp,
    too_few,
    too_narrow,
)
from leafledger.spectra.line_peaks import Flags, Peaks, find_peaks, locate

Floats = NDArray[np.float64]

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
