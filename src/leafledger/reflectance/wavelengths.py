"""The wavelength axis of a session: as read, checked by a lamp scan, and put right if asked for.

A mercury-argon lamp measured in the session (role ``lamp``) shows how far the axis as read stands
from published lines. Nothing else does: the red edge moves with chlorophyll.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.records.record import Metric
from leafledger.reflectance.dark import by_time
from leafledger.reflectance.hot_pixels import find_hot, mend_hot
from leafledger.reflectance.lamp_report import (
    SETTING,
    LampScan,
    full_sentences,
    lines_of,
    metrics_of,
    no_correction,
    reading_of,
    refusal_of,
    refused_sentence,
    report_of,
    sentences_of,
)
from leafledger.spectra.lamp_lines import (
    FEWEST_LINES,
    LampReading,
    LampRefusal,
    fit_correction,
    read_lamp,
)
from leafledger.study.tables import SpectraTable

Floats = NDArray[np.float64]

_NEAR_FULL = 0.99
"""From this share of full scale on a detector is taken as full: its lines lean over."""
_SAME_TIME = 1e-6


@dataclass(frozen=True)
class SettledAxis:
    """The axis to use, and what the lamp scans said of the axis as read.

    Attributes
    ----------
    wavelength_nm
        Shape ``(n_pixels,)``, nm in air.
    told
        Empty without a lamp scan; else ``asked``, ``axis`` (``as_read`` | ``from_lamp``),
        ``lamp`` (``None`` without a usable scan) and ``refused``.
    modes_nm
        Standard deviation of ``wavelength_nm`` along each independent direction in which it is
        uncertain, shape ``(n_modes, n_pixels)``, nm, where the lamp put it right; ``None`` for an
        axis left as read, whose error is not known or, if a lamp shows it, told and left standing.
    """

    wavelength_nm: Floats
    told: dict[str, Any]
    modes_nm: Floats | None = field(default=None, kw_only=True)
    metrics: list[Metric] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    @property
    def metadata(self) -> dict[str, Any]:
        """What goes into the metadata of the reflectance: nothing without a lamp scan."""
        return {"wavelengths": self.told} if self.told else {}


def settle_axis(
    table: SpectraTable, asked: str, full_scale_counts: float | None, session: str
) -> SettledAxis:
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
    lamps = _read_lamps(table, full_scale_counts)
    refused = [lamp for lamp in lamps if isinstance(lamp.result, LampRefusal)]
    read = [lamp for lamp in lamps if isinstance(lamp.result, LampReading)]
    lines = [line for lamp in read for line in lines_of(lamp)]
    correction = fit_correction(lines, table.wavelength_nm) if lines else None
    if asked == "from_lamp" and correction is None:
        raise InputFault(no_correction(table, lamps, session))
    if not lamps:
        return SettledAxis(table.wavelength_nm, {})
    warnings = [refused_sentence(lamp) for lamp in refused]
    told: dict[str, Any] = {
        "asked": asked,
        "axis": "as_read",
        "lamp": None,
        "refused": [{"scan": lamp.scan, "found": refusal_of(lamp).found} for lamp in refused],
    }
    if correction is None:
        return SettledAxis(table.wavelength_nm, told, warnings=warnings)
    resolution = float(np.median([reading_of(lamp).resolution_nm for lamp in read]))
    told["lamp"] = report_of(correction, read, resolution, table.wavelength_nm)
    axis, modes_nm = table.wavelength_nm, None
    if asked == "from_lamp":
        axis, modes_nm = correction.corrected(axis), correction.modes(axis)
        _check_rising(axis, session)
        told["axis"] = "from_lamp"
    warnings += full_sentences(read)
    names = ", ".join(lamp.scan for lamp in read)
    warnings += sentences_of(correction, names, resolution, table.wavelength_nm, asked)
    return SettledAxis(axis, told, metrics_of(correction, resolution), warnings, modes_nm=modes_nm)


def wavelengths_asked(settings: Mapping[str, Any]) -> str:
    """Return ``reflectance.wavelengths`` of the settings; ``as_read`` if it is left out."""
    return str(settings.get("wavelengths", "as_read"))


def _read_lamps(table: SpectraTable, full_scale_counts: float | None) -> list[LampScan]:
    if "counts" not in table.spectra:
        return []
    rows, counts = table.rows, table.spectra["counts"]
    role = rows["role"].to_numpy(dtype=str)
    time_ms = rows["integration_ms"].to_numpy(dtype=np.float64)
    at, axis = np.flatnonzero(role == "dark"), table.wavelength_nm
    lamps = np.flatnonzero(role == "lamp")
    if not len(lamps):
        return []
    hot = _hot(counts[at], time_ms[at])
    darks = mend_hot(counts[at], axis, hot)
    out = []
    for i, mended in zip(lamps, mend_hot(counts[lamps], axis, hot), strict=True):
        dark = _dark(darks, time_ms[at], float(time_ms[i]), mended)
        full = saturated_pixels(mended, full_scale_counts)
        result = read_lamp(axis, mended - dark, full, FEWEST_LINES)
        if isinstance(result, LampReading):
            result = _without_hot(result, axis[hot])
        out.append(LampScan(str(rows["scan"].iloc[i]), str(rows["file"].iloc[i]), result))
    return out


def _hot(darks: Floats, times_ms: Floats) -> NDArray[np.bool_]:
    """Return the hot pixels of the darks: a spike of theirs would be taken for a line."""
    if not len(darks):
        return np.zeros(darks.shape[1], dtype=bool)
    return find_hot(darks, by_time(np.nan_to_num(times_ms, nan=1.0)))


def _without_hot(reading: LampReading, hot_nm: Floats) -> LampReading:
    """Leave out lines that hold an interpolated pixel, if there are lines enough without them."""
    lines = tuple(
        line
        for line in reading.lines
        if not len(hot_nm) or np.abs(hot_nm - line.found_nm).min() > line.fwhm_nm
    )
    return replace(reading, lines=lines) if len(lines) >= FEWEST_LINES else reading


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
    at = np.flatnonzero(counts == counts.max())
    runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    if len(runs) > 1 or len(runs[0]) >= 3:
        return np.asarray(counts == counts.max())
    return np.zeros(len(counts), dtype=bool)


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
