"""What an uncertain wavelength axis makes of reflectance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.convert import Reflected
from leafledger.reflectance.ratio import source_name

Floats = NDArray[np.float64]

_ROWS = 256


def with_axis_doubt(reflected: Reflected, grid_nm: Floats, modes_nm: Floats) -> Reflected:
    """Add the uncertainty of the wavelengths to what all scans share.

    Parameters
    ----------
    reflected
        Reflectance on the grid.
    grid_nm
        Shape ``(n_wavelengths,)``, nm.
    modes_nm
        One standard deviation of the axis along each independent direction in which its correction
        is uncertain, shape ``(n_modes, n_wavelengths)``, nm.

    Returns
    -------
    Reflected
        With a source ``u_axis``, ``u_axis_2`` ... for each mode: minus the slope dR / dwavelength
        times the mode. One shift moves all scans of a session, and all wavelengths, alike.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 13.
    """
    lit = np.flatnonzero(~reflected.unlit)
    if len(lit) < 2:
        return reflected
    # What is written where there is no light (0) makes no slope: the nearest lit value stands in.
    near = lit[np.clip(np.searchsorted(lit, np.arange(len(grid_nm))), 0, len(lit) - 1)]
    shape = reflected.reflectance.shape
    names = [source_name("axis", place) for place in range(len(modes_nm))]
    found = {name: np.zeros(shape, dtype=np.float32) for name in names}
    for start in range(0, len(reflected.reflectance), _ROWS):
        rows = slice(start, start + _ROWS)
        slope = np.gradient(reflected.reflectance[rows][:, near], grid_nm, axis=1)
        for name, mode in zip(names, modes_nm, strict=True):
            found[name][rows] = -slope * mode
    for column in found.values():
        column[:, reflected.unlit] = 0.0
    return replace(reflected, shared={**reflected.shared, **found})
