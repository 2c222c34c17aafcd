"""Are the darks of a session those of the others times one factor, noise and all?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

LEAST_FACTOR = 1.6
"""Smaller factors cannot be told from a warmer or cooler detector (see :func:`common_factor`)."""
ALIKE = 1.25
"""Level and noise, or two levels, follow one factor if they agree within this ratio."""


def common_factor(levels: Sequence[float], noise: float | None) -> float | None:
    """Return the factor by which a session's darks differ from the others, if it is one factor.

    Parameters
    ----------
    levels
        Level of the darks over that of the other sessions, one for each integration time.
    noise
        Their noise from scan to scan over that of the other sessions; ``None`` if unknown.

    Returns
    -------
    float or None
        ``None`` if the levels and the noise do not share a factor of at least 1.6 (or 1 / 1.6).

    Notes
    -----
    A detector that warms or cools changes the dark current. The level follows it at most in
    proportion (the offset stays), the noise at most by the square root (shot noise of the dark
    current; the read noise stays). A factor on the counts (a sum in place of a mean, other
    averages, another gain) changes both alike. At 1.6 the square root is 1.26: beyond 1.25, within
    which level and noise count as alike, so that temperature is never called.

    Examples
    --------
    >>> common_factor([0.5, 0.5], 0.51)
    0.5
    >>> common_factor([2.0, 2.0], 1.41) is None, common_factor([0.5, 0.95], 0.5) is None
    (True, True)
    """
    if noise is None or noise <= 0 or not len(levels) or min(levels) <= 0:
        return None
    logs = np.log(levels)
    factor = float(np.median(logs))
    near = np.log(ALIKE)
    if abs(factor) < np.log(LEAST_FACTOR) or float(np.abs(logs - factor).max()) > near:
        return None
    return float(np.exp(factor)) if abs(np.log(noise) - factor) <= near else None
