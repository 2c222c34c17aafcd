"""What the lamp scans of a session say of its axis: metadata, metrics, sentences, problems."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import Problem
from leafledger.records.record import Metric
from leafledger.spectra.lamp_lines import Correction, FoundLine, LampReading, LampRefusal
from leafledger.study.tables import SpectraTable

Floats = NDArray[np.float64]

SETTING = "reflectance.wavelengths"
_WORTH_SAYING_NM = 0.2
_POOR_SHARE = 0.25
"""A corrected axis more uncertain than this share of the resolution is worth a warning."""
_DIGITS = 6
_ORDERS = ("one shift", "a straight line", "a parabola", "a cubic")


@dataclass(frozen=True)
class LampScan:
    """A lamp scan, its file, and what came of reading it."""

    scan: str
    file: str
    result: LampReading | LampRefusal


def lines_of(lamp: LampScan) -> tuple[FoundLine, ...]:
    """Return the lines of a scan that could be read."""
    return reading_of(lamp).lines


def reading_of(lamp: LampScan) -> LampReading:
    """Return the reading of a scan that could be read."""
    assert isinstance(lamp.result, LampReading)
    return lamp.result


def refusal_of(lamp: LampScan) -> LampRefusal:
    """Return why a scan could not be read."""
    assert isinstance(lamp.result, LampRefusal)
    return lamp.result


def report_of(
    correction: Correction, read: Sequence[LampScan], resolution: float, axis: Floats
) -> dict[str, Any]:
    """Return what the metadata of the reflectance tell of the lamp."""
    shift, u = correction.mean_shift()
    ends = axis[[0, -1]]
    at_ends, u_ends = correction.at(ends)
    return {
        "scans": [lamp.scan for lamp in read],
        "n_lines": len(correction.used),
        "n_saturated": sum(reading_of(lamp).n_saturated for lamp in read),
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


def _by_scan(lamp: LampScan, correction: Correction) -> dict[str, Any]:
    """How far the lines of one scan stand, on the mean, from the curve through all scans."""
    lines = lines_of(lamp)
    found = np.array([line.found_nm for line in lines])
    off = found - np.array([line.published_nm for line in lines]) - correction.at(found)[0]
    weight = np.array([line.u_nm for line in lines]) ** -2.0
    mean = float(np.average(off, weights=weight))
    scatter = float(np.sum(weight * (off - mean) ** 2)) / max(len(off) - 1, 1)
    u = float(np.sqrt(max(scatter, 1.0) / weight.sum()))
    return {"scan": lamp.scan, "from_mean_nm": _short(mean), "u_nm": _short(u)}


def _short(value: float) -> float:
    return round(float(value), _DIGITS)


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


def full_sentences(read: Sequence[LampScan]) -> list[str]:
    """Say in which lamp scans the detector was full at published lines."""
    return [
        f"Lamp scan {lamp.scan}: the detector was full at {reading_of(lamp).n_saturated} published "
        "lines of the lamp; the wavelengths rest on the others. A shorter integration time would "
        "show them all."
        for lamp in read
        if reading_of(lamp).n_saturated
    ]


def refused_sentence(lamp: LampScan) -> str:
    """Return why a lamp scan was not used, as a warning."""
    refusal = refusal_of(lamp)
    return (
        f"Lamp scan {lamp.scan} does not tell the shift of the wavelengths: {refusal.found}; "
        f"expected {refusal.expected}. {refusal.mend}"
    )


def no_correction(table: SpectraTable, lamps: Sequence[LampScan], session: str) -> list[Problem]:
    """Return the problems of a session whose axis cannot be put right as asked."""
    problems = [
        Problem(
            file=lamp.file or "scans.csv",
            found=f"lamp scan {lamp.scan} with {lamp.result.found}",
            expected=lamp.result.expected,
            mend=f"{lamp.result.mend} Or say {SETTING}: as_read.",
        )
        for lamp in lamps
        if isinstance(lamp.result, LampRefusal)
    ]
    if problems:
        return problems
    found = f"from_lamp, and session {session} without a lamp scan"
    if "counts" not in table.spectra:
        found = f"from_lamp, and session {session} that arrived as reflectance"
    if lamps:
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
