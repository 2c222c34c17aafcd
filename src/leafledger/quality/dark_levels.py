"""A shift that several darks share: what lit scans and other integration times say of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST_FOR_A_LINE = 4
"""Integration times from which one that is off a straight line can be told from the rest."""


@dataclass(frozen=True)
class SharedShift:
    """Darks of one integration time that are off together, ms and counts; and how it is known."""

    integration_ms: float
    shift: float
    sentence: str


def shared_shifts(
    levels: Mapping[float, float], excess: Mapping[float, float], tolerance: float
) -> list[SharedShift]:
    """Find integration times whose darks share one shift.

    Parameters
    ----------
    levels
        Integration time (ms) -> median level of its darks (counts).
    excess
        Integration time -> the most that its darks lie above scans taken with light, of that
        integration time or a longer one, at any pixels (counts); no dark can.
    tolerance
        Counts that matter.

    Notes
    -----
    The dark is an offset plus a rate times the integration time, the rate not negative (common
    practice, no source). So: no dark above lit scans; no level that falls
    as integration grows (both integration times are named, nothing tells which); and with four
    or more integration times, none off the median line of the others. Two or three integration
    times that rise can hide a shift: other sessions must tell.

    References
    ----------
    Line through the median of pairwise slopes: Theil 1950, Proc. K. Ned. Akad. Wet. 53:386-392.
    """
    found = {
        ms: SharedShift(
            ms,
            excess[ms],
            "at some pixels all darks of this integration time lie above the scans with light",
        )
        for ms in sorted(levels)
        if excess.get(ms, 0.0) > tolerance
    }
    times = [ms for ms in sorted(levels) if ms >= 0 and ms not in found]
    if len(times) >= FEWEST_FOR_A_LINE:
        found |= _off_the_line(times, levels, tolerance)
    else:
        found |= _falling(times, levels, tolerance)
    return [found[ms] for ms in sorted(found)]


def _off_the_line(
    times: Sequence[float], levels: Mapping[float, float], tolerance: float
) -> dict[float, SharedShift]:
    x, y = np.array(times), np.array([levels[ms] for ms in times])
    first, second = np.triu_indices(len(x), 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    rest = y - slope * x
    rest -= np.median(rest)
    worst = int(np.argmax(np.abs(rest)))
    if abs(rest[worst]) <= tolerance:
        return {}
    others = np.delete(np.arange(len(x)), worst)
    fitted = np.polyval(np.polyfit(x[others], y[others], 1), x)
    if float(np.abs(y[others] - fitted[others]).max()) > tolerance:
        return {}
    shift = float(y[worst] - fitted[worst])
    if abs(shift) <= tolerance:
        return {}
    ms = times[worst]
    told = (
        "all darks of this integration time are off the line that the darks of the other "
        f"{len(others)} integration times follow"
    )
    return {ms: SharedShift(ms, shift, told)}


def _falling(
    times: Sequence[float], levels: Mapping[float, float], tolerance: float
) -> dict[float, SharedShift]:
    found: dict[float, SharedShift] = {}
    for shorter, longer in pairwise(times):
        fall = levels[shorter] - levels[longer]
        if fall > tolerance:
            for ms, other, sign in ((shorter, longer, 1.0), (longer, shorter, -1.0)):
                told = (
                    f"the darks of {shorter:g} ms lie above those of {longer:g} ms, which no dark "
                    f"current does: those of {ms:g} ms or those of {other:g} ms share a shift"
                )
                found.setdefault(ms, SharedShift(ms, sign * fall, told))
    return found
