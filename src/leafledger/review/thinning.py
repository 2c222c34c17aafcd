"""Spectra thinned for drawing: fewer points, no peak lost. Numbers are never taken from these."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MOST_POINTS = 600


def thinned(x: Floats, y: Floats, most: int = MOST_POINTS) -> list[list[float]]:
    """Return points of a line, the lowest and highest of each stretch where there are too many.

    Parameters
    ----------
    x, y
        Shape ``(n_wavelengths,)``, ``x`` rising; points where ``y`` is not finite are left out.
    most
        Points at most, 4 or more; the first and the last stay.

    Returns
    -------
    list
        Pairs ``[x, y]``, by rising ``x``; values rounded to five significant digits.

    Examples
    --------
    >>> y = np.zeros(1000)
    >>> y[501] = 1.0
    >>> points = thinned(np.arange(1000.0), y, most=20)
    >>> len(points) <= 20, max(value for _, value in points)
    (True, 1.0)
    """
    good = np.isfinite(y)
    x, y = x[good], y[good]
    if len(x) > most:
        edges = np.linspace(0, len(x), most // 2).astype(int)
        keep = {0, len(x) - 1}
        for start, stop in pairwise(edges):
            keep |= {start + int(np.argmin(y[start:stop])), start + int(np.argmax(y[start:stop]))}
        chosen = np.array(sorted(keep))
        x, y = x[chosen], y[chosen]
    return [[float(f"{a:.6g}"), float(f"{b:.5g}")] for a, b in zip(x, y, strict=True)]
