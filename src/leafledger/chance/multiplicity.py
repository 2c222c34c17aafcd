"""Many tests, one question: adjusted p within a family."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def holm(p: Sequence[float]) -> Array:
    """Return Holm's step-down adjusted p (family-wise error); missing p stay missing.

    Parameters
    ----------
    p
        Raw p of one family, ``NaN`` where a test is undefined; only defined ones are counted.

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal
    of Statistics 6, 65-70.

    Examples
    --------
    >>> holm([0.01, 0.03, 0.02]).tolist()
    [0.03, 0.04, 0.04]
    """
    return _known(p, _holm)


def _holm(raw: Array) -> Array:
    # statsmodels has both adjustments, but takes a second to import and sweeps all of memory at
    # every call; tests compare with it.
    order = np.argsort(raw, kind="stable")
    steps = raw[order] * np.arange(len(raw), 0, -1)
    out = np.empty_like(raw)
    out[order] = np.maximum.accumulate(steps)
    return out


def benjamini_hochberg(p: Sequence[float]) -> Array:
    """Return Benjamini and Hochberg's adjusted p (false discovery rate).

    Parameters
    ----------
    p
        Raw p of one family, ``NaN`` where a test is undefined; only defined ones are counted.

    References
    ----------
    Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate: a practical and
    powerful approach to multiple testing. Journal of the Royal Statistical Society B 57, 289-300.
    """
    return _known(p, _benjamini_hochberg)


def _benjamini_hochberg(raw: Array) -> Array:
    order = np.argsort(raw, kind="stable")
    share = np.arange(1, len(raw) + 1) / len(raw)
    steps = raw[order] / share
    out = np.empty_like(raw)
    out[order] = np.minimum.accumulate(steps[::-1])[::-1]
    return out


def _known(p: Sequence[float], adjust: Callable[[Array], Array]) -> Array:
    raw = np.asarray(p, dtype=np.float64)
    out = np.full(len(raw), np.nan)
    known = np.isfinite(raw)
    if known.any():
        # Dividing and multiplying by ranks can end one digit below the raw p.
        out[known] = np.minimum(1.0, np.maximum(adjust(raw[known]), raw[known]))
    return out
