"""Where do the wavelengths of a session stand, by its lamp scans?

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
from leafledger.reflectance.lamp_reading import (
    FEWEST_LINES,
    Correction,
    LampReading,
    fit_correction,
    read_lamp,
)
from leafledger.spectra.lamp_lines import LampRefusal
from leafledger.study.table_files import SpectraTable

Floats = NDArray[np.float64]

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
    table: SpectraTable, asked: str, full_scale_counts: float | None, session: str
) -> SessionAxis:
    """Read the lamp scans of a session, report the shift of its axis, and correct it if asked.

    Parameters
    ----------
    table
        Scans of the session, as read.
    asked
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
    if asked == "from_lamp" and correction is None:
        raise InputFault(no_correction(table, read, refused, session))
    if not read and not refused:
        return SessionAxis(table.wavelength_nm, {})
    warnings = [refused_sentence(lamp) for lamp in refused]
    lamp_report: dict[str, Any] = {
        "asked": asked,
        "axis": "as_read",
        "lamp": None,
        "refused": [{"scan": lamp.scan, "found": lamp.result.found} for lamp in refused],
    }
    if correction is None:
        return SessionAxis(table.wavelength_nm, lamp_report, warnings=warnings)
    resolution = float(np.median([lamp.result.resolution_nm for lamp in read]))
    lamp_report["lamp"] = report_of(correction, read, resolution, table.wavelength_nm)
    axis, modes_nm = table.wavelength_nm, None
    if asked == "from_lamp":
        axis, modes_nm = correction.corrected(axis), correction.modes(axis)
        _check_rising(axis, session)
        lamp_report["axis"] = "from_lamp"
    warnings += full_sentences(read)
    names = ", ".join(lamp.scan for lamp in read)
    warnings += sentences_of(correction, names, resolution, table.wavelength_nm, asked)
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
    known = np.isfinite(times_ms)
    if not np.isfinite(time_ms) or not known.any():
        return np.asarray(np.median(darks, axis=0))
    away = np.where(known, np.abs(times_ms - time_ms), np.inf)
    chosen = away <= away.min() + _SAME_TIME * max(time_ms, 1.0)
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
    correction: Correction, names: str, resolution: float, axis: Floats, asked: str
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
    if asked == "from_lamp":
        said = [
            f"{fact}. The wavelengths of the session were corrected by "
            f"{_ORDERS[correction.order]}; the lines now agree within "
            f"{correction.residual_nm:.3f} nm (root mean square)."
        ]
        if worst > _POOR_SHARE * resolution:
            said.append(
                f"The lamp's lines lie from {min(lines):.0f} to {max(lines):.0f} nm: beyond them "
                f"the corrected wavelengths have a standard uncertainty of up to {worst:.2f} nm."
            )
        return said
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
    found = f"from_lamp, and session {session} without a lamp scan"
    if "counts" not in table.spectra:
        found = f"from_lamp, and session {session} that arrived as reflectance"
    if read:
        found = f"from_lamp, and lines in session {session} that do not agree with each other"
    return [
        Problem(
            file="study.yaml",
            column=SETTING,
            found=found,
            expected="a scan of a mercury-argon lamp (role lamp), in counts, in every session",
            mend="Add the lamp scan to the sheet, or say as_read.",
        )
    ]
