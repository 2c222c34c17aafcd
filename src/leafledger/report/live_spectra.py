"""Every leaf scan to look at closely: zoom, and which file a line comes from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.report.check_words import check_words
from leafledger.report.gather import Material
from leafledger.report.lettering import plain
from leafledger.report.live import LiveView, drawn_looks, row, step_for, thinning_words
from leafledger.report.numbers import nm, whole

_WAVELENGTHS_AT_MOST = 700
_VALUES_IN_PAGE = 1_500_000
_POINTS_DRAWN = 200_000
_FEWEST_LINES = 60
_DIGEST = 12


def live_spectra(material: Material) -> LiveView | None:
    """Return every leaf scan over the whole axis of the instrument; ``None`` if there is none."""
    wavelength = material.all_spectra.wavelength_nm
    tables = [t for t in material.reflectance.values() if len(t.rows)]
    if not tables or not len(wavelength):
        return None
    axis = tables[0].wavelength_nm
    n_scans = sum(len(t.rows) for t in tables)
    step = step_for(len(axis), min(_WAVELENGTHS_AT_MOST, _VALUES_IN_PAGE // n_scans))
    drawn = np.arange(0, len(axis), step)
    lines = max(_FEWEST_LINES, _POINTS_DRAWN // len(drawn))
    scans = _scans(material)
    values = {
        "wavelength": row(axis[drawn], 6),
        "trusted": [float(material.trusted["start_nm"]), float(material.trusted["stop_nm"])],
        "sessions": list(material.days.sessions),
        "groups": list(material.groups.names),
        "looks": drawn_looks(material.groups.names),
        "unit_word": material.unit_word,
        "units_known": bool(material.design.get("unit")),
        "lines_at_most": lines,
        "scans": scans,
        "reflectance": [
            packed_line(line)
            for session in material.days.sessions
            for line in material.reflectance[session].spectra["reflectance"][:, drawn]
        ],
    }
    return LiveView("spectra", "Every leaf scan", _caption(material, scans, step, lines), values)


def _scans(material: Material) -> dict[str, list[Any]]:
    """Return what is told of each scan, column by column, in the order of the spectra."""
    groups = {name: i for i, name in enumerate(material.groups.names)}
    rules = _rules(material)
    judged = material.accepted.set_index("scan")
    out: dict[str, list[Any]] = {
        name: []
        for name in ("scan", "unit", "leaf", "session", "group", "file", "digest", "left_out")
    }
    for number, session in enumerate(material.days.sessions):
        files = material.scans[session].rows.set_index("scan")
        for scan in material.reflectance[session].rows["scan"]:
            told, origin = judged.loc[scan], files.loc[scan]
            unit = str(told["unit"])
            out["scan"].append(plain(scan))
            out["unit"].append(plain(unit))
            out["leaf"].append(plain(told["leaf"]))
            out["session"].append(number)
            out["group"].append(groups[material.groups.of_unit.get(unit, "all")])
            out["file"].append(_file_words(origin))
            out["digest"].append(str(origin["file_sha256"])[:_DIGEST])
            out["left_out"].append("" if bool(told["accepted"]) else rules.get(scan, "no rule"))
    return out


def _file_words(origin: Any) -> str:
    item = plain(origin["item"])
    return plain(origin["file"]) + (f", {item}" if item else "")


def _rules(material: Material) -> dict[str, str]:
    """Return scan -> by which rules it was left out, in words."""
    rows = material.exclusions[material.exclusions["applied"] == "exclude"]
    found: dict[str, list[str]] = {}
    for entry in rows.to_dict("records"):
        words = check_words(str(entry["rule"]))
        if entry["rule"] == "decision" and entry["by"]:
            words += f" ({plain(entry['by'])})"
        found.setdefault(str(entry["scan"]), []).append(words)
    return {scan: "; ".join(dict.fromkeys(words)) for scan, words in found.items()}


def packed_line(line: NDArray[np.float64]) -> list[int | None]:
    """Write a spectrum as whole numbers: the decimals kept, then each step from the one before.

    Four decimals, fewer for a spectrum that reaches ten or more; differences between neighbours
    are small and compress well.

    Parameters
    ----------
    line
        Shape ``(n_wavelengths,)``; what is not finite becomes ``None`` and leaves a gap.

    Examples
    --------
    >>> packed_line(np.array([0.05, 0.0512, np.nan, 0.06]))
    [4, 500, 12, None, 88]
    """
    finite = np.isfinite(line)
    largest = float(np.abs(line[finite]).max(initial=0.0))
    decimals = 4 if largest < 10 else 4 - int(np.floor(np.log10(largest)))
    scaled = np.round(np.where(finite, line, 0.0) * 10.0**decimals).astype(np.int64)
    steps = np.diff(scaled[finite], prepend=0)
    if finite.all():
        return [decimals, *steps.tolist()]
    out: list[int | None] = [None] * len(line)
    for place, value in zip(np.flatnonzero(finite).tolist(), steps.tolist(), strict=True):
        out[place] = value
    return [decimals, *out]


def _caption(material: Material, scans: Mapping[str, list[Any]], step: int, lines: int) -> str:
    n = len(scans["scan"])
    out = sum(1 for words in scans["left_out"] if words)
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    crowded = (
        f" At most {lines} lines are drawn at once, evenly taken of what is switched on, all that "
        "were left out among them; the line above the drawing says how many."
        if n > lines
        else ""
    )
    return (
        f"Every line is one leaf scan as measured, over all wavelengths of the instrument: n = "
        f"{whole(n)} scans, {whole(n - out)} accepted and {whole(out)} left out (dashed, open "
        "symbols). Colour and symbol tell the groups. Shaded: the trusted range, "
        f"{nm(start)} to {nm(stop)} nm. Single scans have no error bars, and nothing is tested "
        f"here, so nothing is adjusted. Rounded to four decimals.{thinning_words(step)}{crowded}"
    )
