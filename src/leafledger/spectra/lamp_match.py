"""How far the lines of a mercury-argon lamp stand from their published place.

First it is made sure that it is such a lamp (:mod:`leafledger.spectra.lamp_identity`); then each
line, or group of lines that overlap, is fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from leafledger.spectra.lamp_identity import Placement, identify, not_this_lamp, settled
from leafledger.spectra.lamp_lines import MERCURY_ARGON, Feature, features
from leafledger.spectra.lamp_refusals import (
    BROADEST_NM,
    FEWEST_PIXELS,
    LampRefusal,
    flooded,
    no_lines,
    too_few,
    too_narrow,
)
from leafledger.spectra.line_peaks import Flags, Floats, Peaks, find_peaks, locate

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
        return flooded(float(saturated.mean()))
    peaks = find_peaks(wavelength_nm, signal, saturated)
    width = peaks.usual_width_nm()
    if width is None or width > BROADEST_NM:
        return no_lines(width)
    step = float(np.median(np.diff(wavelength_nm)))
    wanted = features(
        MERCURY_ARGON, max(_ONE_PEAK_IN_WIDTHS * width, 1e-9), wavelength_nm[0], wavelength_nm[-1]
    )
    fit = identify(peaks, wanted, max(_NEAR_IN_WIDTHS * width, step))
    refusal = not_this_lamp(peaks, fit, width, step, wavelength_nm)
    if refusal is not None:
        return refusal
    if width < FEWEST_PIXELS * step:
        return too_narrow(width, step)
    lines, n_saturated = _located(wavelength_nm, signal, saturated, wanted, fit, width, peaks)
    if len(lines) < fewest:
        return too_few(len(lines), fewest, n_saturated)
    widths = [line.fwhm_nm for line in lines if line.single] or [line.fwhm_nm for line in lines]
    return LampReading(tuple(lines), float(np.median(widths)), n_saturated)


def _located(
    wavelength_nm: Floats,
    signal: Floats,
    saturated: Flags,
    wanted: Sequence[Feature],
    fit: Placement,
    width: float,
    peaks: Peaks,
) -> tuple[list[FoundLine], int]:
    fit = settled(fit, peaks, wanted, width)
    lines: list[FoundLine] = []
    n_saturated = 0
    for group in _groups(wanted, width):
        centres = np.array([f.centre_nm for f in group])
        expected = fit.place(centres)
        near = (wavelength_nm > expected[0] - width) & (wavelength_nm < expected[-1] + width)
        if saturated[near].any():
            n_saturated += sum(len(f.lines) for f in group)
            continue
        at = locate(wavelength_nm, signal, ~saturated, list(expected), width, peaks.noise)
        if at is None:
            continue
        share = at.area / at.area.sum()
        blend = float(np.sqrt(np.sum((share * [f.u_nm for f in group]) ** 2)))
        u = float(np.hypot(at.u_nm, blend))
        if u > _WORST_IN_WIDTHS * width:
            continue
        seen = int(np.count_nonzero(at.area))
        lines.append(
            FoundLine(
                float(share @ centres),
                float(share @ expected) + at.shift_nm,
                u,
                at.fwhm_nm,
                seen == 1 and all(len(f.lines) == 1 for f in group),
            )
        )
    return lines, n_saturated


def _groups(wanted: Sequence[Feature], width: float) -> list[list[Feature]]:
    groups: list[list[Feature]] = []
    for feature in wanted:
        if groups and feature.centre_nm - groups[-1][-1].centre_nm < _APART_IN_WIDTHS * width:
            groups[-1].append(feature)
        else:
            groups.append([feature])
    return groups
