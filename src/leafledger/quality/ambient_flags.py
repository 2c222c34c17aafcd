"""What is said of a fluorescent lamp in the leaf scans, and of one too faint to be seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from leafledger.quality.ambient_light import Floats, Leak
from leafledger.quality.flags import Flag
from leafledger.quality.index_shift import IndexShifts, tolerated_leak
from leafledger.quality.lamps import LAMPS

SURE = 4.3
"""Joint height of the lines over its standard deviation from which a scan may be lost: of 20,000
clean leaves about none reach it."""
LEAST_LINE = 0.0005
"""Reflectance; the shapes of leaves themselves stand up to 0.04 % high as lines where nearly no
noise hides them (of 6,000 model leaves), so that less is never a fault, whatever it moves."""
_LOST = 0.25
"""Standard deviations lost to a width and ratios of lines that are not the lamp's own."""
_NINE_IN_TEN = 1.28
"""90 % quantile of the standard normal distribution."""


def ambient_light(
    scans: Sequence[str],
    leak: Leak,
    limit: float,
    share: float,
    u: Floats | None,
    moved: IndexShifts | None = None,
) -> list[Flag]:
    """Flag the scans in which a fluorescent room lamp shows: a fault if it matters.

    Parameters
    ----------
    scans
        Ids, length ``n_scans``.
    leak
        What :func:`find_leak` saw in them.
    limit
        From :func:`threshold`.
    share
        Reflectance that room light may add and still be tolerated.
    u
        Combined standard uncertainty of reflectance at the tallest line, shape ``(n_scans,)``;
        ``None`` if unknown.
    moved
        Which index the lines move most in the scans where they were called; ``None`` if the
        uncertainty of the indices is unknown.

    Notes
    -----
    Lines that stand above chance are told; a scan is lost only by lines that chance does not make
    in one of many thousand scans (:data:`SURE`) and that either add more than is tolerated, and
    more than the uncertainty of reflectance there, or move an index in use by more than its own
    uncertainty. A very quiet scan shows a leak that moves nothing.
    """
    called = np.flatnonzero(leak.called)
    limits = tolerated_leak(leak.size[called], share, None if u is None else u[called], moved)
    limits = np.maximum(limits, min(share, LEAST_LINE))
    flags = []
    for row, i in enumerate(called.tolist()):
        at, height = float(leak.wavelength_nm[i]), float(leak.height[i])
        tolerated = float(limits[row])
        fault = leak.size[i] > tolerated and leak.score[i] > max(limit, SURE)
        stands = f"{leak.score[i]:.1f} standard deviations above chance"
        if fault:
            told = f"add about {100 * height:.2g} % reflectance near {at:.0f} nm"
            if moved is not None and moved.ratio[row] > 1:
                told += f"; {moved.words(row)}"
            sentence = (
                f"Room light reached the detector: {LAMPS[leak.lamp[i]].name} stand {stands} and "
                f"{told} (tolerated {100 * tolerated:.2g} %). The clip was probably open."
            )
        else:
            sentence = (
                f"{LAMPS[leak.lamp[i]].name.capitalize()} of about {100 * leak.size[i]:.2g} % "
                f"reflectance near {at:.0f} nm stand {stands}: little room light, or chance "
                f"(a fault from {100 * tolerated:.2g} % and {max(limit, SURE):g} standard "
                "deviations on)."
            )
        flags.append(
            Flag(
                scans[i],
                "ambient_light",
                "fault" if fault else "notice",
                float(leak.size[i]),
                tolerated,
                "1",
                sentence,
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
