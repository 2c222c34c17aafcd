"""Does the level of the leaves jump at some scan and stay there: was the clip or fibre bumped?

From a bump on, all scans shift together, until the next white is measured (which sets the gain
right again) or the session ends. Plants that stand in order of treatment can look alike, so the
jump is told as a notice and excludes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]

STEP_Z = 5.0
"""Standard deviations of a jump over all places it may have; clean sessions do not reach it."""
LEAST_OFFSET_STEP = 0.006
"""A third of what is asked of one scan: many scans say it together."""
LEAST_GAIN_STEP = 0.05
"""Share of the near infrared; leaves of one session differ by less from half to half."""
_FEWEST = 3
"""Groups (of scans of one unit) on either side."""
PLATEAU_NM = (760.0, 850.0)
"""Where a leaf's reflectance depends on its structure alone (common practice, no source)."""


@dataclass(frozen=True)
class Step:
    """A jump of a series.

    Attributes
    ----------
    first, stop
        Groups ``first`` to ``stop - 1`` are shifted.
    size
        By how much, in the unit of the series.
    z
        Over its standard deviation.
    """

    first: int
    stop: int
    size: float
    z: float


def find_step(values: Floats, ends: Sequence[int]) -> Step | None:
    """Return the largest jump of a series that lasts to one of the given ends.

    Parameters
    ----------
    values
        One per group in the order of measuring, shape ``(n_groups,)``.
    ends
        Places at which a jump may end (the next references; the end of the session).

    Returns
    -------
    Step or None
        ``None`` if the series is too short to have one.

    Examples
    --------
    >>> series = np.array([0.1, -0.1, 0.0, 0.1, -0.1, 5.1, 4.9, 5.0, 5.1])
    >>> step = find_step(series, [9])
    >>> step.first, step.stop, round(step.size, 2)
    (5, 9, 5.03)
    """
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values)])
    best: Step | None = None
    for stop in sorted({*ends, n}):
        first = np.arange(1, stop - _FEWEST + 1)
        inside = stop - first
        first, inside = first[n - inside >= _FEWEST], inside[n - inside >= _FEWEST]
        if not len(first):
            continue
        sums = total[stop] - total[first]
        size = sums / inside - (total[n] - sums) / (n - inside)
        z = np.abs(size) * np.sqrt(inside * (n - inside) / n)
        k = int(np.argmax(z))
        if best is None or z[k] > best.z:
            best = Step(int(first[k]), stop, float(size[k]), float(z[k]))
    if best is None:
        return None
    shifted = np.zeros(n)
    shifted[best.first : best.stop] = 1.0
    left = values - best.size * shifted
    # The scale of what is left: a step must not widen the measure it is held against.
    scale = max(float(robust_sd(left)), float(np.std(left)) / 2, 1e-9)
    return Step(best.first, best.stop, best.size, best.z / scale)


def clip_steps(
    scans: Sequence[str],
    groups: Sequence[str],
    series: Floats,
    whites_before: Sequence[int],
    kind: str,
) -> list[Flag]:
    """Tell of a jump of the level, on every scan it touches (a notice).

    Parameters
    ----------
    scans, groups
        Leaf scans in the order of measuring, and the unit of each: scans of a unit are not
        independent and are averaged while they follow each other.
    series
        Offset (reflectance) or logarithm of the near infrared, shape ``(n_scans,)``.
    whites_before
        How many leaf scans were measured before each block of whites.
    kind
        ``offset`` or ``gain``.
    """
    start = [0, *(i for i in range(1, len(scans)) if groups[i] != groups[i - 1])]
    bounds = [*start, len(scans)]
    means = np.array([series[a:b].mean() for a, b in pairwise(bounds)])
    ends = {int(np.searchsorted(start, w)) for w in whites_before if 0 < w < len(scans)}
    step = find_step(means, sorted(ends))
    least = LEAST_OFFSET_STEP if kind == "offset" else np.log1p(LEAST_GAIN_STEP)
    if step is None or step.z <= STEP_Z or abs(step.size) <= least:
        return []
    first, stop = bounds[step.first], bounds[step.stop]
    told = _told(kind, step.size)
    return [
        Flag(
            scan,
            "clip_moved",
            "notice",
            step.z,
            STEP_Z,
            "1",
            f"From {scans[first]} to {scans[stop - 1]} {told} ({step.z:.1f} standard deviations). "
            "The clip or the fibre may have moved there, or other plants begin there: look at "
            "the order of measuring.",
        )
        for scan in scans[first:stop]
    ]


def _told(kind: str, size: float) -> str:
    if kind == "offset":
        word = "above" if size > 0 else "below"
        return f"all spectra lie {abs(size):.3f} reflectance {word} those of the other scans"
    share = np.expm1(size)
    word = "more" if share > 0 else "less"
    return (
        f"the leaves reflect {100 * abs(share):.2g} % {word} in the near infrared than the others"
    )
