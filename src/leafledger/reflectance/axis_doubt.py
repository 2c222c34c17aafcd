"""What an uncertain wavelength axis makes of reflectance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.convert import Reflected

Floats = NDArray[np.float64]

_ROWS = 256


def with_axis_doubt(reflected: Reflected, grid_nm: Floats, u_nm: Floats) -> Reflected:
    """Add the uncertainty of the wavelengths to what all scans share.

    Parameters
    ----------
    reflected
        Reflectance on the grid.
    grid_nm
        Shape ``(n_wavelengths,)``, nm.
    u_nm
        Standard uncertainty of the axis, same shape, nm.

    Returns
    -------
    Reflected
        ``u_reference`` with ``|dR / dwavelength| u_nm`` added in quadrature: one shift moves all
        scans of a session alike.

    References
    ----------
    JCGM 100:2008 (GUM), equation 10.
    """
    lit = np.flatnonzero(~reflected.unlit)
    if len(lit) < 2:
        return reflected
    # What is written where there is no light (0) makes no slope: the nearest lit value stands in.
    near = lit[np.clip(np.searchsorted(lit, np.arange(len(grid_nm))), 0, len(lit) - 1)]
    shared = reflected.u_reference.copy()
    for start in range(0, len(shared), _ROWS):
        rows = slice(start, start + _ROWS)
        slope = np.gradient(reflected.reflectance[rows][:, near], grid_nm, axis=1)
        shared[rows] = np.hypot(shared[rows], slope * u_nm)
    shared[:, reflected.unlit] = 0.0
    return replace(reflected, u_reference=shared)
