"""The spread of values among which some may be wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

MAD_TO_SD = 1.4826
"""Median absolute deviation of normal values to their standard deviation.

Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88:1273-1283: 1 / 0.6745, the third quartile of the
standard normal distribution.
"""


def robust_sd(
    values: NDArray[np.float64] | Sequence[float], axis: int | None = None
) -> NDArray[np.float64]:
    """Return the standard deviation that the median absolute deviation stands for.

    Parameters
    ----------
    values
        Any shape.
    axis
        Along which axis; ``None`` for all values.

    Returns
    -------
    ndarray
        In the unit of the values, without ``axis``. Fewer than half of the values, however wrong,
        cannot carry it away.

    Examples
    --------
    >>> float(robust_sd([1.0, 2.0, 3.0, 4.0, 1000.0]))
    1.4826
    """
    array = np.asarray(values, dtype=np.float64)
    middle = np.median(array, axis=axis, keepdims=True)
    return np.asarray(MAD_TO_SD * np.median(np.abs(array - middle), axis=axis), dtype=np.float64)
