"""A matched filter for a group of narrow lines: how tall they stand, and how tall chance stands.

The height of a group is measured against a local cubic baseline; the same measurement a few
nanometres beside the lines of all lamps shows how large it gets by chance on this very scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.spread import MAD_TO_SD
from leafledger.quality.lamps import LAMPS, Lamp, Line

Floats = NDArray[np.float64]

_FWHM_TO_SIGMA = 1 / np.sqrt(8 * np.log(2))
_REACH_NM = 60.0
"""How far to either side chance is measured: leaf and lamp are still alike there."""
_LEAST_HALF_NM = 16.0
_HALF_IN_WIDTHS = 3.5
"""Half the stretch a group is measured on: room for the lines and a baseline on both sides."""
_SHARE_INSIDE = 0.9
"""So much of either half must lie on the axis, or the baseline has one side only."""
_CLEAR_IN_WIDTHS = 1.5
"""Closer than this to a line of any lamp, a filter that was moved aside would still see it."""
_FEWEST_POINTS = 9
"""Points of a stretch: five terms are fitted to them."""
_FEWEST_SHIFTS = 12
"""Fewer places beside the lines do not tell a standard deviation."""
_POOLED_SHARE = 0.8
"""Chance heights of one group may be this much below those of all: no less is believed."""


@dataclass(frozen=True)
class LineFilter:
    """Weights that measure one group of lines.

    Attributes
    ----------
    first
        Place on the axis of the first weight.
    weights
        Their product with a spectrum is the factor that the lines take, shape ``(n_points,)``.
    shifts
        How many points the filter may be moved and meets no line, shape ``(n_shifts,)``.
    centre_nm
        Middle of the group, weighted by area.
    height
        Height of the lines for a factor of 1.
    plane
        Orthonormal columns that span lines and baseline, shape ``(n_points, 5)``.
    """

    first: int
    weights: Floats
    shifts: NDArray[np.intp]
    centre_nm: float
    height: float
    plane: Floats


@dataclass(frozen=True)
class GroupHeights:
    """What the filters of one lamp measured.

    Attributes
    ----------
    factor, deviation
        Factor of each group of lines, and what chance alone gives (a standard deviation); shape
        ``(n_scans, n_groups)``.
    height
        Reflectance of a group's peak for a factor of 1, shape ``(n_groups,)``.
    centre_nm
        Shape ``(n_groups,)``.
    line_like
        Share of what departs from the baselines, noise taken off, that the lines explain; shape
        ``(n_scans,)``. The flank or peak of a diode is not explained by a line.
    """

    factor: Floats
    deviation: Floats
    height: Floats
    centre_nm: Floats
    line_like: Floats


def line_filter(wavelength_nm: Floats, group: Sequence[Line], width_nm: float) -> LineFilter | None:
    """Return the least-squares weights that give the area factor of a group of lines.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    group
        Lines that are measured together.
    width_nm
        Full width at half maximum that the instrument gives a line, nm.

    Returns
    -------
    LineFilter or None
        ``None`` where the axis does not hold the group with its surroundings.
    """
    spacing = float(np.median(np.diff(wavelength_nm)))
    centre = float(np.average([x.wavelength_nm for x in group], weights=[x.area for x in group]))
    spread = max(abs(x.wavelength_nm - centre) for x in group)
    broadest = float(max(np.hypot(x.fwhm_nm, width_nm) for x in group))
    half = spread + max(_LEAST_HALF_NM, _HALF_IN_WIDTHS * broadest)
    inside = np.flatnonzero(np.abs(wavelength_nm - centre) <= half)
    if (
        len(inside) < _FEWEST_POINTS
        or wavelength_nm[0] > centre - _SHARE_INSIDE * half
        or wavelength_nm[-1] < centre + _SHARE_INSIDE * half
    ):
        return None
    axis = wavelength_nm[inside]
    shape = _line_shape(axis, group, width_nm, spacing)
    baseline = np.vander((axis - centre) / half, 4)
    design = np.column_stack([shape, baseline])
    weights = np.linalg.pinv(design)[0]
    lowest, highest = -int(inside[0]), len(wavelength_nm) - 1 - int(inside[-1])
    shifts = _clear_shifts(centre, spacing, _CLEAR_IN_WIDTHS * broadest + spread)
    shifts = shifts[(shifts >= lowest) & (shifts <= highest)]
    if len(shifts) < _FEWEST_SHIFTS:
        return None
    return LineFilter(
        int(inside[0]), weights, shifts, centre, float(shape.max()), np.linalg.qr(design)[0]
    )


def _line_shape(axis: Floats, group: Sequence[Line], width_nm: float, spacing_nm: float) -> Floats:
    """Return the lines as the instrument shows them: Gaussians, spread over the width of a pixel.

    A pixel adds the variance of a rectangular distribution, its width squared / 12 (GUM 4.3.7).
    """
    shape = np.zeros(len(axis))
    for line in group:
        sigma = np.hypot(line.fwhm_nm, width_nm) * _FWHM_TO_SIGMA
        sigma = np.hypot(sigma, spacing_nm / np.sqrt(12))
        shape += line.area / sigma * np.exp(-0.5 * ((axis - line.wavelength_nm) / sigma) ** 2)
    return shape


def _clear_shifts(centre: float, spacing_nm: float, distance_nm: float) -> NDArray[np.intp]:
    """Return the shifts that bring a filter at least so far from every line of every lamp."""
    reach = int(_REACH_NM / spacing_nm)
    shifts = np.arange(-reach, reach + 1)
    moved = centre + shifts * spacing_nm
    lines = np.array([x.wavelength_nm for lamp in LAMPS for group in lamp.groups for x in group])
    clear = (np.abs(moved[:, None] - lines) > distance_nm).all(axis=1)
    return np.asarray(shifts[clear], dtype=np.intp)


def group_heights(
    wavelength_nm: Floats,
    reflectance: Floats,
    variance: Floats | None,
    lamp: Lamp,
    width_nm: float,
) -> GroupHeights | None:
    """Measure the groups of a lamp that the axis holds.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    reflectance
        Shape ``(n_scans, n_wavelengths)``.
    variance
        Of the reflectance, same shape; only how it runs along the axis counts. ``None`` if
        unknown: then every group is judged by the chance heights beside it alone.
    lamp, width_nm
        The lamp and the width that the instrument gives its lines.

    Returns
    -------
    GroupHeights or None
        ``None`` with fewer than two groups: one line proves no lamp.
    """
    found = [line_filter(wavelength_nm, group, width_nm) for group in lamp.groups]
    filters = [f for f in found if f is not None]
    if len(filters) < 2:
        return None
    factor = np.empty((len(reflectance), len(filters)))
    deviation = np.ones_like(factor)
    beside: list[Floats] = []
    for k, f in enumerate(filters):
        on_group = slice(f.first, f.first + len(f.weights))
        factor[:, k] = reflectance[:, on_group] @ f.weights
        reach, bank = _moved(f)
        moved = np.abs(reflectance[:, reach] @ bank)
        if variance is not None:
            moved /= np.sqrt(variance[:, reach] @ bank**2)
            deviation[:, k] = np.sqrt(variance[:, on_group] @ f.weights**2)
        beside.append(moved)
    deviation *= MAD_TO_SD * _chance(beside, pooled=variance is not None)
    deviation = np.maximum(deviation, 1e-12)
    return GroupHeights(
        factor,
        deviation,
        np.array([f.height for f in filters]),
        np.array([f.centre_nm for f in filters]),
        _line_like(filters, reflectance, factor, deviation),
    )


def _line_like(
    filters: Sequence[LineFilter], reflectance: Floats, factor: Floats, deviation: Floats
) -> Floats:
    """Return the share of the departures from the baselines that the lines explain."""
    explained, unexplained = np.zeros(len(reflectance)), np.zeros(len(reflectance))
    for k, f in enumerate(filters):
        values = reflectance[:, f.first : f.first + len(f.weights)]
        left = values - (values @ f.plane) @ f.plane.T
        norm2 = float(f.weights @ f.weights)
        free = len(f.weights) - f.plane.shape[1]
        # The energy of noise alone, and three standard deviations of it (chi-squared).
        noise = deviation[:, k] ** 2 / norm2 * (free + 3 * np.sqrt(2 * free))
        explained += factor[:, k] ** 2 / norm2
        unexplained += np.maximum((left**2).sum(axis=1) - noise, 0.0)
    return np.asarray(explained / np.maximum(explained + unexplained, 1e-300), dtype=np.float64)


def _moved(f: LineFilter) -> tuple[slice, Floats]:
    """Return the stretch that the filter meets at its clear places, and the filter there.

    The filters have shape ``(n_points of the stretch, n_shifts)``.
    """
    start = f.first + int(f.shifts.min())
    stop = f.first + int(f.shifts.max()) + len(f.weights)
    bank = np.zeros((stop - start, len(f.shifts)))
    for column, shift in enumerate(f.shifts):
        place = f.first + shift - start
        bank[place : place + len(f.weights), column] = f.weights
    return slice(start, stop), bank


def _chance(beside: Sequence[Floats], *, pooled: bool) -> Floats:
    """Return the median chance height of each group, shape ``(n_scans, n_groups)``.

    Heights over their known relative noise tell of one and the same scale in all groups: then no
    group is believed to be much quieter than all together.
    """
    own = np.stack([np.median(moved, axis=1) for moved in beside], axis=1)
    if not pooled:
        return own
    whole = np.median(np.concatenate(beside, axis=1), axis=1)
    return np.asarray(np.maximum(whole[:, None], own * _POOLED_SHARE), dtype=np.float64)
