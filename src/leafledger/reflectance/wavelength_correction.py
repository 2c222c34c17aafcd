"""Where do the wavelengths of a session stand, by its lamp scans, and which axis follows?

A mercury-argon lamp measured in the session (role ``lamp``) shows how far the axis as read stands
from published lines. It is reported, and put right if asked for. Nothing else does: the red edge
moves with chlorophyll.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.records.record import Metric
from leafledger.reflectance.count_corrections import find_hot, mend_hot
from leafledger.reflectance.detector import by_time
from leafledger.spectra.lamp_lines import (
    BROADEST_NM,
    FEWEST_PIXELS,
    MERCURY_ARGON,
    Feature,
    Flags,
    LampRefusal,
    Peaks,
    Placement,
    features,
    find_peaks,
    identify,
    locate,
    no_lines,
    not_this_lamp,
    refined_placement,
    saturated_lamp,
    too_few,
    too_narrow,
)
from leafledger.study.table_files import SpectraTable

# Lines of a lamp
# ----------------------------------------------------------------------

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


# Lamp scans of a session
# ----------------------------------------------------------------------

_NEAR_FULL = 0.99
"""From this share of full scale on a detector is taken as full: its lines lean over."""
_SAME_TIME = 1e-6


@dataclass(frozen=True)
class SessionAxis:
    """The axis to use, and what the lamp scans said of the axis as read.

    Attributes
    ----------
    wavelength_nm
        Shape ``(n_pixels,)``, nm in air.
    lamp_report
        Empty without a lamp scan; else ``asked``, ``axis`` (``as_read`` | ``from_lamp``),
        ``lamp`` (``None`` without a usable scan) and ``refused``.
    modes_nm
        Standard deviation of ``wavelength_nm`` along each independent direction in which it is
        uncertain, shape ``(n_modes, n_pixels)``, nm, where the lamp put it right; ``None`` for an
        axis left as read, whose error is not known or, if a lamp shows it, told and left standing.
    """

    wavelength_nm: Floats
    lamp_report: dict[str, Any]
    modes_nm: Floats | None = field(default=None, kw_only=True)
    metrics: list[Metric] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    @property
    def metadata(self) -> dict[str, Any]:
        """What goes into the metadata of the reflectance: nothing without a lamp scan."""
        return {"wavelengths": self.lamp_report} if self.lamp_report else {}


def correct_axis(
    table: SpectraTable, setting: str, full_scale_counts: float | None, session: str
) -> SessionAxis:
    """Read the lamp scans of a session, report the shift of its axis, and correct it if asked.

    Parameters
    ----------
    table
        Scans of the session, as read.
    setting
        ``as_read``: the lamp is only reported. ``from_lamp``: the axis is put right.
    full_scale_counts
        Counts at which the detector is full; ``None`` if not known: then a cut-off top counts.
    session
        Session id, for messages.

    Raises
    ------
    InputFault
        Under ``from_lamp``: without a lamp scan, or if no lamp scan can be used (not a
        mercury-argon lamp, saturated, too few lines), or if the corrected axis does not rise.
    """
    read, refused = _read_lamps(table, full_scale_counts)
    lines = [line for lamp in read for line in lamp.result.lines]
    correction = fit_correction(lines, table.wavelength_nm) if lines else None
    if setting == "from_lamp" and correction is None:
        raise InputFault(no_correction(table, read, refused, session))
    if not read and not refused:
        return SessionAxis(table.wavelength_nm, {})
    warnings = [refused_sentence(lamp) for lamp in refused]
    lamp_report: dict[str, Any] = {
        "asked": setting,
        "axis": "as_read",
        "lamp": None,
        "refused": [{"scan": lamp.scan, "found": lamp.result.found} for lamp in refused],
    }
    if correction is None:
        return SessionAxis(table.wavelength_nm, lamp_report, warnings=warnings)
    resolution = float(np.median([lamp.result.resolution_nm for lamp in read]))
    lamp_report["lamp"] = report_of(correction, read, resolution, table.wavelength_nm)
    axis, modes_nm = table.wavelength_nm, None
    if setting == "from_lamp":
        axis, modes_nm = correction.corrected(axis), correction.modes(axis)
        _check_rising(axis, session)
        lamp_report["axis"] = "from_lamp"
    warnings += full_sentences(read)
    names = ", ".join(lamp.scan for lamp in read)
    warnings += sentences_of(correction, names, resolution, table.wavelength_nm, setting)
    return SessionAxis(
        axis, lamp_report, metrics_of(correction, resolution), warnings, modes_nm=modes_nm
    )


def _read_lamps(
    table: SpectraTable, full_scale_counts: float | None
) -> tuple[list[LampScan[LampReading]], list[LampScan[LampRefusal]]]:
    """Return the lamp scans that could be read, and those that could not."""
    read: list[LampScan[LampReading]] = []
    refused: list[LampScan[LampRefusal]] = []
    if "counts" not in table.spectra:
        return read, refused
    rows, counts = table.rows, table.spectra["counts"]
    role = rows["role"].to_numpy(dtype=str)
    time_ms = rows["integration_ms"].to_numpy(dtype=np.float64)
    dark_rows, axis = np.flatnonzero(role == "dark"), table.wavelength_nm
    lamps = np.flatnonzero(role == "lamp")
    if not len(lamps):
        return read, refused
    hot = _hot(counts[dark_rows], time_ms[dark_rows])
    darks = mend_hot(counts[dark_rows], axis, hot)
    for i, mended in zip(lamps, mend_hot(counts[lamps], axis, hot), strict=True):
        dark = _dark(darks, time_ms[dark_rows], float(time_ms[i]), mended)
        full = saturated_pixels(mended, full_scale_counts)
        result = read_lamp(axis, mended - dark, full, FEWEST_LINES)
        scan, file = str(rows["scan"].iloc[i]), str(rows["file"].iloc[i])
        if isinstance(result, LampReading):
            read.append(LampScan(scan, file, _without_hot(result, axis[hot])))
        else:
            refused.append(LampScan(scan, file, result))
    return read, refused


def _hot(darks: Floats, times_ms: Floats) -> NDArray[np.bool_]:
    """Return the hot pixels of the darks: a spike of theirs would be taken for a line."""
    if not len(darks):
        return np.zeros(darks.shape[1], dtype=bool)
    return find_hot(darks, by_time(np.nan_to_num(times_ms, nan=1.0)))


def _dark(darks: Floats, times_ms: Floats, time_ms: float, lamp: Floats) -> Floats:
    """Return the median dark of the lamp's integration time, or of the nearest time.

    Every line is fitted with a baseline of its own, so that only the pattern of the dark counts,
    not its level. Without any dark the level is the lamp scan's own median.
    """
    if not len(darks):
        return np.full_like(lamp, np.median(lamp))
    timed = np.isfinite(times_ms)
    if not np.isfinite(time_ms) or not timed.any():
        return np.asarray(np.median(darks, axis=0))
    difference_ms = np.where(timed, np.abs(times_ms - time_ms), np.inf)
    chosen = difference_ms <= difference_ms.min() + _SAME_TIME * max(time_ms, 1.0)
    return np.asarray(np.median(darks[chosen], axis=0))


def saturated_pixels(counts: Floats, full_scale_counts: float | None) -> NDArray[np.bool_]:
    """Return the pixels of a line spectrum where the detector was full.

    Parameters
    ----------
    counts
        As read, shape ``(n_pixels,)``.
    full_scale_counts
        If it is not known, the highest count is taken for it where three neighbours, or two
        separate peaks, have exactly this count.
    """
    if full_scale_counts is not None:
        return np.asarray(counts >= _NEAR_FULL * full_scale_counts)
    at_top = np.flatnonzero(counts == counts.max())
    runs = np.split(at_top, np.flatnonzero(np.diff(at_top) > 1) + 1)
    if len(runs) > 1 or len(runs[0]) >= 3:
        return np.asarray(counts == counts.max())
    return np.zeros(len(counts), dtype=bool)


def _without_hot(reading: LampReading, hot_nm: Floats) -> LampReading:
    """Leave out lines that hold an interpolated pixel, if there are lines enough without them."""
    lines = tuple(
        line
        for line in reading.lines
        if not len(hot_nm) or np.abs(hot_nm - line.found_nm).min() > line.fwhm_nm
    )
    return replace(reading, lines=lines) if len(lines) >= FEWEST_LINES else reading


def _check_rising(axis: Floats, session: str) -> None:
    wrong = np.flatnonzero(np.diff(axis) <= 0)
    if len(wrong):
        raise InputFault(
            Problem(
                file="study.yaml",
                column=SETTING,
                found=f"corrected wavelengths of session {session} that fall near "
                f"{axis[wrong[0]]:.1f} nm",
                expected="wavelengths that rise",
                mend="Check the lamp scan, or say as_read.",
            )
        )


def wavelengths_asked(settings: Mapping[str, Any]) -> str:
    """Return ``reflectance.wavelengths`` of the settings; ``as_read`` if it is left out."""
    return str(settings.get("wavelengths", "as_read"))


# Metadata, metrics and sentences
# ----------------------------------------------------------------------

SETTING = "reflectance.wavelengths"
_WORTH_SAYING_NM = 0.2
_POOR_SHARE = 0.25
"""A corrected axis more uncertain than this share of the resolution is worth a warning."""
_DIGITS = 6
_ORDERS = ("one shift", "a straight line", "a parabola", "a cubic")


Result = TypeVar("Result", LampReading, LampRefusal)


@dataclass(frozen=True)
class LampScan(Generic[Result]):
    """A lamp scan, its file, and what came of reading it."""

    scan: str
    file: str
    result: Result


def report_of(
    correction: Correction, read: Sequence[LampScan[LampReading]], resolution: float, axis: Floats
) -> dict[str, Any]:
    """Return what the metadata of the reflectance tell of the lamp."""
    shift, u = correction.mean_shift()
    ends = axis[[0, -1]]
    at_ends, u_ends = correction.at(ends)
    return {
        "scans": [lamp.scan for lamp in read],
        "n_lines": len(correction.used),
        "n_saturated": sum(lamp.result.n_saturated for lamp in read),
        "first_line_nm": _short(min(line.published_nm for line in correction.used)),
        "last_line_nm": _short(max(line.published_nm for line in correction.used)),
        "shift_nm": _short(shift),
        "u_shift_nm": _short(u),
        "shift_at_ends_nm": [_short(value) for value in at_ends],
        "u_shift_at_ends_nm": [_short(value) for value in u_ends],
        "order": correction.order,
        "residual_nm": _short(correction.residual_nm),
        "resolution_nm": _short(resolution),
        "by_scan": [_by_scan(lamp, correction) for lamp in read],
        "lines": [
            {
                "published_nm": _short(line.published_nm),
                "found_nm": _short(line.found_nm),
                "u_nm": _short(line.u_nm),
            }
            for line in correction.used
        ],
    }


def _short(value: float) -> float:
    return round(float(value), _DIGITS)


def _by_scan(lamp: LampScan[LampReading], correction: Correction) -> dict[str, Any]:
    """How far the lines of one scan stand, on the mean, from the curve through all scans."""
    lines = lamp.result.lines
    line_nm = np.array([line.found_nm for line in lines])
    off = line_nm - np.array([line.published_nm for line in lines]) - correction.at(line_nm)[0]
    weight = np.array([line.u_nm for line in lines]) ** -2.0
    mean = float(np.average(off, weights=weight))
    scatter = float(np.sum(weight * (off - mean) ** 2)) / max(len(off) - 1, 1)
    u = float(np.sqrt(max(scatter, 1.0) / weight.sum()))
    return {"scan": lamp.scan, "from_mean_nm": _short(mean), "u_nm": _short(u)}


def metrics_of(correction: Correction, resolution: float) -> list[Metric]:
    """Return number of lines, shift, its uncertainty, residual and resolution."""
    shift, u = correction.mean_shift()
    return [
        Metric("n_lamp_lines", float(len(correction.used))),
        Metric("wavelength_shift", _short(shift), "nm"),
        Metric("u_wavelength_shift", _short(u), "nm"),
        Metric("wavelength_residual", _short(correction.residual_nm), "nm"),
        Metric("resolution", _short(resolution), "nm"),
    ]


def sentences_of(
    correction: Correction, names: str, resolution: float, axis: Floats, setting: str
) -> list[str]:
    """Return what the user should know of a correction, or of its want."""
    shift, u = correction.mean_shift()
    low, high = (float(value) for value in correction.at(axis[[0, -1]])[0])
    worst = float(correction.at(axis)[1].max())
    lines = [line.published_nm for line in correction.used]
    fact = (
        f"{len(lines)} lines of the mercury-argon lamp ({names}) stand {shift:+.3f} nm from their "
        f"published wavelengths (standard uncertainty {u:.3f} nm; {low:+.2f} nm at {axis[0]:.0f} "
        f"nm, {high:+.2f} nm at {axis[-1]:.0f} nm); lines are {resolution:.2g} nm wide"
    )
    if setting == "from_lamp":
        messages = [
            f"{fact}. The wavelengths of the session were corrected by "
            f"{_ORDERS[correction.order]}; the lines now agree within "
            f"{correction.residual_nm:.3f} nm (root mean square)."
        ]
        if worst > _POOR_SHARE * resolution:
            messages.append(
                f"The lamp's lines lie from {min(lines):.0f} to {max(lines):.0f} nm: beyond them "
                f"the corrected wavelengths have a standard uncertainty of up to {worst:.2f} nm."
            )
        return messages
    if max(abs(shift), abs(low), abs(high)) < _WORTH_SAYING_NM:
        return []
    return [f"{fact}. They were left as read; reflectance.wavelengths: from_lamp corrects them."]


def full_sentences(read: Sequence[LampScan[LampReading]]) -> list[str]:
    """Say in which lamp scans the detector was full at published lines."""
    return [
        f"Lamp scan {lamp.scan}: the detector was full at {lamp.result.n_saturated} published "
        "lines of the lamp; the wavelengths rest on the others. A shorter integration time would "
        "show them all."
        for lamp in read
        if lamp.result.n_saturated
    ]


def refused_sentence(lamp: LampScan[LampRefusal]) -> str:
    """Return why a lamp scan was not used, as a warning."""
    refusal = lamp.result
    return (
        f"Lamp scan {lamp.scan} does not tell the shift of the wavelengths: {refusal.found}; "
        f"expected {refusal.expected}. {refusal.mend}"
    )


def no_correction(
    table: SpectraTable,
    read: Sequence[LampScan[LampReading]],
    refused: Sequence[LampScan[LampRefusal]],
    session: str,
) -> list[Problem]:
    """Return the problems of a session whose axis cannot be put right as asked."""
    problems = [
        Problem(
            file=lamp.file or "scans.csv",
            found=f"lamp scan {lamp.scan} with {lamp.result.found}",
            expected=lamp.result.expected,
            mend=f"{lamp.result.mend} Or say {SETTING}: as_read.",
        )
        for lamp in refused
    ]
    if problems:
        return problems
    cause = f"from_lamp, and session {session} without a lamp scan"
    if "counts" not in table.spectra:
        cause = f"from_lamp, and session {session} that arrived as reflectance"
    if read:
        cause = f"from_lamp, and lines in session {session} that do not agree with each other"
    return [
        Problem(
            file="study.yaml",
            column=SETTING,
            found=cause,
            expected="a scan of a mercury-argon lamp (role lamp), in counts, in every session",
            mend="Add the lamp scan to the sheet, or say as_read.",
        )
    ]
