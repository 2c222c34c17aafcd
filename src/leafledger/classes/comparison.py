"""The classifier beside simple rivals, on the same scans left out: who does as well?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.resampling import wilson_interval
from leafledger.chance.seeds import generator
from leafledger.study.columns import COMPARISON

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
LEVEL = 0.95
N_DRAWS = 2000
RULE = (
    "a rival does as well if its accuracy is within one standard error of the classifier's, the "
    "standard error being that of the difference, unit by unit"
)


def comparison_table(
    right: Mapping[str, Array], reference: str, words: Mapping[str, str], seed: int
) -> pd.DataFrame:
    """Compare procedures by the units they name rightly.

    Parameters
    ----------
    right
        Procedure -> share of each unit's scans that it named rightly, mean over repeats, shape
        ``(n_units,)``; the units are the same for all.
    reference
        The procedure that the others are compared with.
    words
        Procedure -> its name in the sentence.
    seed
        Seed of the settings, for the resampling of units.

    Returns
    -------
    pandas.DataFrame
        Columns of ``comparison.csv``: mean over units, Wilson interval, and difference to the
        reference with a percentile interval over 2,000 resamples of units; ``as_good`` by
        ``RULE``. What compares is empty for the reference itself.

    References
    ----------
    Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 13; one standard error:
    Breiman, Friedman, Olshen & Stone 1984, Classification and Regression Trees, sec. 3.4.3.
    """
    import pandas as pd

    base = right[reference]
    n = len(base)
    drawn = generator(seed, "comparison").integers(0, n, size=(N_DRAWS, n))
    rows: list[tuple[object, ...]] = []
    for name in sorted(right):
        accuracy = float(right[name].mean())
        low, high = wilson_interval(min(accuracy, 1.0) * n, n, LEVEL)
        beside: tuple[object, ...] = (np.nan, np.nan, np.nan, LEVEL, "", "")
        if name != reference:
            beside = _beside(right[name] - base, drawn, (words[name], words[reference]))
        rows.append((name, n, accuracy, low, high, *beside))
    return pd.DataFrame(rows, columns=list(COMPARISON))


def _beside(
    difference: Array, drawn: NDArray[np.int_], names: tuple[str, str]
) -> tuple[object, ...]:
    n = len(difference)
    mean = float(difference.mean())
    error = float(difference.std(ddof=1) / np.sqrt(n)) if n > 1 else np.inf
    tail = (1 - LEVEL) / 2
    low, high = np.quantile(difference[drawn].mean(axis=1), [tail, 1 - tail])
    as_good = mean >= -error - 1e-12
    told = "does as well as" if as_good else "did less well here (it may be chance) than"
    if low > 0:
        told = "does better than"
    elif high < 0:
        told = "does worse than"
    sentence = (
        f"{names[0]} {told} {names[1]}: {_points(mean)} points of accuracy "
        f"(95 % interval {_points(float(low))} to {_points(float(high))}, n = {n} units)."
    )
    return mean, float(low), float(high), LEVEL, bool(as_good), sentence


def _points(share: float) -> str:
    """Return a share as signed percentage points; no sign before a plain zero.

    Examples
    --------
    >>> _points(-0.0046), _points(0.0278), _points(-0.28)
    ('0', '+3', '-28')
    """
    whole = round(100 * share)
    return f"{whole:+d}" if whole else "0"
