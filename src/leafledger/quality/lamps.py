"""Fluorescent lamps that a room may have: their lines, and the light they are compared with.

References
----------
Line positions (nm in air): Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77 (mercury);
terbium and europium bands of tri-band phosphors as commonly labelled (common practice, no
source). Relative strengths: excess over the neighbouring samples in CIE illuminants FL2 and FL3.1
(mercury) and FL11 and FL12 (tri-band).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """An emission line or narrow band: air wavelength, own width and area relative to the lamp."""

    wavelength_nm: float
    fwhm_nm: float
    area: float


@dataclass(frozen=True)
class Lamp:
    """A kind of lamp: groups of lines that no leaf clip can separate, from blue to red."""

    name: str
    groups: tuple[tuple[Line, ...], ...]


MERCURY = Lamp(
    "mercury lines",
    (
        (Line(404.6565, 0.0, 0.8),),
        (Line(435.8335, 0.0, 2.0),),
        (Line(546.0750, 0.0, 1.0),),
        (Line(576.9610, 0.0, 0.25), Line(579.0670, 0.0, 0.25)),
    ),
)
TRI_BAND = Lamp(
    "mercury and tri-band phosphor lines",
    (
        (Line(404.6565, 0.0, 0.10),),
        (Line(435.8335, 0.0, 0.30),),
        (Line(487.7, 5.0, 0.20),),
        (Line(542.4, 0.5, 0.55), Line(546.0750, 0.0, 0.45)),
        (Line(587.0, 3.0, 0.12), Line(593.0, 3.0, 0.06)),
        (Line(611.6, 0.5, 0.65),),
        (Line(631.0, 1.0, 0.06),),
    ),
)
LAMPS = (MERCURY, TRI_BAND)


def tungsten(wavelength_nm: Floats) -> Floats:
    """Return the relative power of a tungsten source, 1 at 546 nm.

    References
    ----------
    CIE standard illuminant A (CIE 15:2018): Planck's law at 2,856 K; its second radiation constant
    is 1.4388e-2 m K to the digits used here (CODATA 2018: 1.438777e-2).
    """

    def power(x: Floats) -> Floats:
        return np.asarray(x**-5.0 / np.expm1(1.4388e7 / (x * 2856.0)), dtype=np.float64)

    return power(wavelength_nm) / power(np.array([546.0]))
