"""Lamps as an instrument shows them, and where no lamp has a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.lamps import LAMPS, Line

Floats = NDArray[np.float64]

_FWHM_TO_SIGMA = 1 / np.sqrt(8 * np.log(2))
_CLEAR_IN_WIDTHS = 1.5
"""Closer than this to a line, a filter would still see it."""
_FAR_NM = 500.0
"""From here up the source is strong enough for the height of a line to mean something."""


def line_shape(axis: Floats, group: Sequence[Line], width_nm: float, spacing_nm: float) -> Floats:
    """Return the lines as the instrument shows them: Gaussians, spread over the width of a pixel.

    A pixel adds the variance of a rectangular distribution, its width squared / 12 (GUM 4.3.7).
    """
    shape = np.zeros(len(axis))
    for line in group:
        sigma = np.hypot(line.fwhm_nm, width_nm) * _FWHM_TO_SIGMA
        sigma = np.hypot(sigma, spacing_nm / np.sqrt(12))
        shape += line.area / sigma * np.exp(-0.5 * ((axis - line.wavelength_nm) / sigma) ** 2)
    return shape


@dataclass(frozen=True)
class Template:
    """A lamp as an instrument shows it.

    Attributes
    ----------
    lamp
        Index into :data:`leafledger.quality.lamps.LAMPS`.
    shapes
        Its groups of lines for a factor of 1, shape ``(n_wavelengths, n_groups)``.
    centre_nm
        Shape ``(n_groups,)``.
    """

    lamp: int
    shapes: Floats
    centre_nm: Floats

    @property
    def strongest(self) -> int:
        """The tallest group from 500 nm up."""
        tall = self.shapes.max(axis=0)
        return max(range(len(tall)), key=lambda k: (self.centre_nm[k] >= _FAR_NM, tall[k]))


def templates(axis: Floats, width_nm: float) -> list[Template]:
    """Return the lamps of which the axis holds at least two groups: one line proves no lamp."""
    spacing, far = float(np.median(np.diff(axis))), _CLEAR_IN_WIDTHS * width_nm
    found = []
    for number, lamp in enumerate(LAMPS):
        groups = [
            group
            for group in lamp.groups
            if axis[0] + far <= group[0].wavelength_nm and group[-1].wavelength_nm <= axis[-1] - far
        ]
        if len(groups) >= 2:
            shapes = [line_shape(axis, group, width_nm, spacing) for group in groups]
            centres = [
                np.average([x.wavelength_nm for x in group], weights=[x.area for x in group])
                for group in groups
            ]
            found.append(Template(number, np.stack(shapes, axis=1), np.array(centres)))
    return found


def clear_places(axis: Floats, width_nm: float) -> Floats:
    """Return wavelengths, about a line's width apart, where no lamp has a line."""
    spacing = float(np.median(np.diff(axis)))
    places = axis[:: max(1, round(width_nm / 2 / spacing))]
    far = _CLEAR_IN_WIDTHS * width_nm
    clear = (places - axis[0] >= far) & (axis[-1] - places >= far)
    for line in (x for lamp in LAMPS for group in lamp.groups for x in group):
        away = _CLEAR_IN_WIDTHS * (np.hypot(line.fwhm_nm, width_nm))
        clear &= np.abs(places - line.wavelength_nm) > away
    return np.asarray(places[clear])
