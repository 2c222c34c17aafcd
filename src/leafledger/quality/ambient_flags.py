"""What is said of a fluorescent lamp in the leaf scans, and of one too faint to be seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from leafledger.quality.ambient_light import Floats, Leak
from leafledger.quality.flags import Flag
from leafledger.quality.lamps import LAMPS

_LOST = 0.25
"""Standard deviations lost to a width and ratios of lines that are not the lamp's own."""
_NINE_IN_TEN = 1.28
"""90 % quantile of the standard normal distribution."""


def ambient_light(scans: Sequence[str], leak: Leak, limit: float) -> list[Flag]:
    """Flag the scans in which a fluorescent room lamp shows (a fault).

    Parameters
    ----------
    scans
        Ids, length ``n_scans``.
    leak
        What :func:`find_leak` saw in them.
    limit
        From :func:`threshold`.
    """
    flags = []
    for i in np.flatnonzero(leak.called).tolist():
        at, height = float(leak.wavelength_nm[i]), float(leak.height[i])
        flags.append(
            Flag(
                scans[i],
                "ambient_light",
                "fault",
                float(leak.score[i]),
                limit,
                "1",
                f"Room light reached the detector: {LAMPS[leak.lamp[i]].name} stand "
                f"{leak.score[i]:.1f} standard deviations above chance and add about "
                f"{100 * height:.2g} % reflectance near {at:.0f} nm. The clip was probably open.",
                at,
            )
        )
    return flags


def smallest_leak(leak: Leak, limit: float) -> Floats:
    """Return per scan the leak (as reflectance, strongest line >= 500 nm) seen 9 times in 10.

    It is meant for the lamp that is hardest to see: of 1,000 simulated tri-band leaks of this size
    0.91 to 0.92 were seen on pixels of 0.35 and 1 nm, of mercury 0.99. On pixels of 2.5 nm, where
    the lines of a tri-band lamp run together, three in four.

    Parameters
    ----------
    leak
        What :func:`find_leak` saw.
    limit
        From :func:`threshold`.
    """
    return np.asarray((limit + _NINE_IN_TEN + _LOST) * leak.unit_leak)
