"""Published lines of a mercury-argon lamp, and how many of them a spectrometer can tell apart.

References
----------
Wavelengths are in air, nm. Mercury 253-580 nm: Sansonetti, Salit & Reader 1996, Appl. Opt.
35:74-77 (recommended wavelengths of mercury pencil lamps; those below 400 nm from memory).
Mercury at 1,014 nm and argon: Sansonetti & Martin 2005, J. Phys. Chem. Ref. Data 34:1559, as in
the NIST Atomic Spectra Database (from memory). Strengths are rough, as silicon detectors show the
lines (common practice, no source); they decide what may be seen at all and weigh lines that no
leaf spectrometer parts, nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

Element = Literal["Hg", "Ar"]

_SHARE_UNKNOWN = 0.25
"""Standard uncertainty of a line's share of the light of two lines that cannot be parted."""


@dataclass(frozen=True)
class EmissionLine:
    """One published line: element, wavelength in air (nm) and rough strength (1: strongest)."""

    element: Element
    air_nm: float
    strength: float


_MERCURY = (
    (253.6521, 0.5),
    (296.7283, 0.10),
    (302.1504, 0.06),
    (312.5674, 0.15),
    (313.1555, 0.13),
    (313.1844, 0.13),
    (334.1484, 0.04),
    (365.0158, 0.40),
    (365.4842, 0.06),
    (366.2887, 0.02),
    (366.3284, 0.04),
    (404.6565, 0.50),
    (407.7837, 0.03),
    (435.8335, 1.00),
    (546.0750, 0.90),
    (576.9610, 0.15),
    (579.0670, 0.15),
    (1013.9760, 0.05),
)
_ARGON = (
    (696.5431, 0.35),
    (706.7218, 0.12),
    (714.7042, 0.01),
    (727.2936, 0.08),
    (738.3980, 0.25),
    (750.3869, 0.35),
    (751.4652, 0.20),
    (763.5106, 0.60),
    (772.3761, 0.20),
    (772.4207, 0.10),
    (794.8176, 0.15),
    (800.6157, 0.12),
    (801.4786, 0.15),
    (810.3693, 0.20),
    (811.5311, 0.40),
    (826.4522, 0.15),
    (840.8210, 0.12),
    (842.4648, 0.25),
    (852.1442, 0.08),
    (866.7944, 0.02),
    (912.2967, 0.20),
    (922.4499, 0.05),
    (965.7786, 0.07),
    (978.4503, 0.02),
)
MERCURY_ARGON: tuple[EmissionLine, ...] = (
    *(EmissionLine("Hg", nm, strength) for nm, strength in _MERCURY[:-1]),
    *(EmissionLine("Ar", nm, strength) for nm, strength in _ARGON),
    EmissionLine("Hg", *_MERCURY[-1]),
)
"""The lines in the order of their wavelengths."""


@dataclass(frozen=True)
class Feature:
    """One line, or lines so close together that an instrument shows them as one.

    Attributes
    ----------
    centre_nm
        Published wavelength; of several lines, their mean weighted by strength.
    u_nm
        Standard uncertainty of that centre: a quarter of the distance between the outermost
        lines, for their shares of the light are not known. 0 for a single line.
    strength
        Of all its lines.
    lines
        The published lines.
    """

    centre_nm: float
    u_nm: float
    strength: float
    lines: tuple[EmissionLine, ...]

    @property
    def element(self) -> Element:
        """The element of its strongest line."""
        return max(self.lines, key=lambda line: line.strength).element


def features(
    lines: Sequence[EmissionLine], within_nm: float, first_nm: float, last_nm: float
) -> list[Feature]:
    """Return the lines of a range, those closer together than a distance taken as one.

    Parameters
    ----------
    lines
        Published lines, rising.
    within_nm
        A line this close to the one before belongs to the same feature.
    first_nm, last_nm
        The range.

    Examples
    --------
    >>> [round(f.centre_nm, 3) for f in features(MERCURY_ARGON, 0.5, 310, 320)]
    [312.567, 313.17]
    >>> [round(f.centre_nm, 3) for f in features(MERCURY_ARGON, 3.0, 570, 590)]
    [578.014]
    """
    groups: list[list[EmissionLine]] = []
    for line in lines:
        if not first_nm <= line.air_nm <= last_nm:
            continue
        if groups and line.air_nm - groups[-1][-1].air_nm < within_nm:
            groups[-1].append(line)
        else:
            groups.append([line])
    return [_feature(group) for group in groups]


def _feature(group: Sequence[EmissionLine]) -> Feature:
    nm = np.array([line.air_nm for line in group])
    strength = np.array([line.strength for line in group])
    return Feature(
        float(np.average(nm, weights=strength)),
        float(_SHARE_UNKNOWN * (nm[-1] - nm[0])),
        float(strength.sum()),
        tuple(group),
    )
