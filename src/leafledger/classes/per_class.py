"""How each class fares, and which pairs are taken for each other."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.resampling import wilson_interval
from leafledger.classes.labelled import Labelled
from leafledger.classes.measures import confusion
from leafledger.classes.plan import Plan
from leafledger.classes.separation import separating_wavelengths, unit_mean_spectra
from leafledger.classes.validated import Validated
from leafledger.study.columns import CONFUSED_PAIRS, PER_CLASS

if TYPE_CHECKING:
    import pandas as pd

LEVEL = 0.95


def mean_confusion(data: Labelled, plan: Plan, validated: Validated) -> NDArray[np.float64]:
    """Return who was taken for whom by the whole nested procedure, mean over repeats.

    Returns
    -------
    numpy.ndarray
        Scans, rows true and columns predicted, shape ``(n_classes, n_classes)``.
    """
    held = plan.tested
    counts = [
        confusion(data.codes[held], nested.predicted[0][held], len(data.classes))
        for nested in validated.repeats
    ]
    return np.asarray(np.mean(counts, axis=0))


def per_class_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return sensitivity and precision of every class.

    Returns
    -------
    pandas.DataFrame
        Columns of ``per_class.csv``. Sensitivity is the share of a class's scans that were named
        so; its Wilson interval counts units. Precision is the share of the scans named so that
        are of the class; both are empty where nothing is there to count.
    """
    import pandas as pd

    matrix = mean_confusion(data, plan, validated)
    held = plan.tested
    rows: list[tuple[object, ...]] = []
    for i, name in enumerate(data.classes):
        own = data.unit_of[held & (data.codes == i)]
        n_units, n_scans = len(np.unique(own)), len(own)
        sensitivity = matrix[i, i] / n_scans if n_scans else np.nan
        low, high = np.nan, np.nan
        if n_units:
            low, high = wilson_interval(min(sensitivity, 1.0) * n_units, n_units, LEVEL)
        # Rounded: sums of means over repeats would end in digits without meaning.
        named = round(float(matrix[:, i].sum()), 9)
        precision = matrix[i, i] / named if named else np.nan
        rows.append((name, n_units, n_scans, sensitivity, low, high, LEVEL, named, precision))
    return pd.DataFrame(rows, columns=list(PER_CLASS))


def confused_pairs_table(
    data: Labelled, plan: Plan, validated: Validated, ready: NDArray[np.float64]
) -> pd.DataFrame:
    """Return the pairs of classes that were taken for each other and what separates them.

    Parameters
    ----------
    data, plan, validated
        What was found.
    ready
        All spectra as the final model sees them, shape ``(n_scans, n_wavelengths)``.

    Returns
    -------
    pandas.DataFrame
        Columns of ``confused_pairs.csv``; a pair that was never confused is left out.
    """
    import pandas as pd

    matrix = mean_confusion(data, plan, validated)
    means = unit_mean_spectra(ready, data.unit_of)
    rows: list[tuple[object, ...]] = []
    for i, j in combinations(range(len(data.classes)), 2):
        sets = (means[data.unit_codes == i], means[data.unit_codes == j])
        found = separating_wavelengths(*sets, data.wavelength_nm)
        for true, other, sign in ((i, j, 1.0), (j, i, -1.0)):
            n_scans = float(matrix[true, other])
            if n_scans == 0:
                continue
            share = n_scans / matrix[true].sum()
            rows += [
                (data.classes[true], data.classes[other], rank, n_scans, share, at.wavelength_nm,
                 sign * at.difference, at.sd_units, sign * at.standardised)
                for rank, at in enumerate(found, start=1)
            ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(CONFUSED_PAIRS))
    return frame.sort_values(["true", "predicted", "rank"], ignore_index=True)
