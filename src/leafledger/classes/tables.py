"""The classifier's tables, row by row as the contract has them.

Repeats and folds are counted from 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled import Labelled
from leafledger.classes.latent import LatentPath, importance
from leafledger.classes.measures import agreement, confusion
from leafledger.classes.plan import Plan
from leafledger.classes.stability import Spread
from leafledger.classes.validated import Validated
from leafledger.study.columns import CONFUSION, PATH, PREDICTIONS, SPECTRA_TERMS

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Array = NDArray[np.float64]


def path_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return accuracy at every number of latent variables, held out and in training.

    Returns
    -------
    pandas.DataFrame
        Columns of ``path.csv``; split ``outer`` (scans held out) and ``training`` (scans of the
        same fold's training part). ``chosen`` marks what the inner loop of that fold chose.
    """
    import pandas as pd

    rows: list[tuple[object, ...]] = []
    for repeat, (scheme, nested) in enumerate(
        zip(plan.schemes, validated.repeats, strict=True), start=1
    ):
        for i, choice in enumerate(nested.choices):
            for split, part, codes in (
                ("outer", scheme.fold == i, nested.held_out[0]),
                ("training", scheme.training[scheme.outer[i]], nested.training[i][0]),
            ):
                known = (len(np.unique(data.unit_of[part])), int(choice.n_components[0]))
                rows += [
                    _path_row(data, part, codes[a], known, (split, repeat, i + 1, a + 1))
                    for a in range(plan.n_components)
                ]
    frame = pd.DataFrame(rows, columns=list(PATH))
    return frame.sort_values(["split", "repeat", "fold", "n_components"], ignore_index=True)


def _path_row(
    data: Labelled,
    part: NDArray[np.bool_],
    predicted: NDArray[np.int_],
    known: tuple[int, int],
    key: tuple[str, int, int, int],
) -> tuple[object, ...]:
    n_units, chosen = known
    matrix = confusion(data.codes[part], predicted[part], len(data.classes))
    reached = agreement(matrix)
    right, total = int(np.trace(matrix)), int(matrix.sum())
    measures = (reached.accuracy, reached.balanced_accuracy)
    return (*key, total, n_units, right, *measures, key[3] == chosen)


def prediction_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return what was said of every scan while its unit was held out, once a repeat."""
    import pandas as pd

    names = np.array(data.classes, dtype=object)
    parts = []
    for repeat, (scheme, nested) in enumerate(
        zip(plan.schemes, validated.repeats, strict=True), start=1
    ):
        counts = np.array([int(choice.n_components[0]) for choice in nested.choices])
        part = data.rows[["scan", "unit", "session"]].copy()
        part["repeat"] = repeat
        part["fold"] = scheme.fold + 1
        part["true"] = names[data.codes]
        part["predicted"] = names[nested.predicted[0]]
        part["n_components"] = counts[scheme.fold]
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True)[list(PREDICTIONS)]
    return frame.sort_values(["scan", "repeat", "fold"], ignore_index=True)


def confusion_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return who was taken for whom at every number of latent variables.

    Returns
    -------
    pandas.DataFrame
        Columns of ``confusion.csv``; split ``outer``. ``n_scans`` is the mean over repeats, so
        that the rows of a true class add up to its scans; ``n_units`` counts every unit by the
        share of its scans, so that they add up to its units. ``share_of_true`` is of scans.
    """
    import pandas as pd

    n, n_units = len(data.classes), len(data.units)
    weight = 1 / np.bincount(data.unit_of, minlength=n_units)[data.unit_of]
    true = np.repeat(np.arange(n), n)
    predicted = np.tile(np.arange(n), n)
    scans = data.scans_per_class()[true]
    names = np.array(data.classes, dtype=object)
    parts = []
    for a in range(plan.n_components):
        cells = [data.codes * n + nested.held_out[0, a] for nested in validated.repeats]
        counted = sum(np.bincount(c, minlength=n * n) for c in cells)
        by_unit = sum(np.bincount(c, weights=weight, minlength=n * n) for c in cells)
        mean = counted / len(cells)
        parts.append(
            pd.DataFrame(
                {
                    "split": "outer",
                    "n_components": a + 1,
                    "true": names[true],
                    "predicted": names[predicted],
                    "n_scans": mean,
                    # Rounded: sums of thirds and halves would end in digits without meaning.
                    "n_units": np.round(by_unit / len(cells), 9),
                    "share_of_true": mean / scans,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)[list(CONFUSION)]


def terms_table(
    wavelength_nm: Array, spectra: Array, classes: tuple[str, ...], fit: LatentPath, spread: Spread,
    chosen: int,
) -> pa.Table:  # fmt: skip
    """Return weights, loadings, coefficients and importance of the final model.

    Parameters
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    spectra
        Training spectra after preprocessing, shape ``(n_scans, n_wavelengths)``.
    classes
        Class labels.
    fit
        Fit of all scans, with as many latent variables as were looked at.
    spread
        Standard deviations over resamples of units.
    chosen
        Number of latent variables of the model; coefficients and importance are for it.

    Returns
    -------
    pyarrow.Table
        term, component, class, wavelength_nm, value, sd_resample. Besides the terms of the model
        there are the training spectra in short (``spectrum_mean``, ``spectrum_sd``,
        ``spectrum_minimum``, ``spectrum_maximum``, component 0, no ``sd_resample``).
    """
    import pyarrow as pa

    blocks: list[tuple[str, int, str | None, Array, Array | None]] = [
        ("coefficient", chosen, name, fit.coefficients[chosen - 1][:, i], spread.coefficients[:, i])
        for i, name in enumerate(classes)
    ]
    each = range(fit.n_stable)
    blocks += [("loading", a + 1, None, fit.loadings[:, a], spread.loadings[:, a]) for a in each]
    blocks += [
        ("spectrum_maximum", 0, None, spectra.max(axis=0), None),
        ("spectrum_mean", 0, None, spectra.mean(axis=0), None),
        ("spectrum_minimum", 0, None, spectra.min(axis=0), None),
        ("spectrum_sd", 0, None, spectra.std(axis=0, ddof=1), None),
        ("vip", chosen, None, importance(fit, chosen), spread.importance),
    ]
    blocks += [("weight", a + 1, None, fit.weights[:, a], spread.weights[:, a]) for a in each]
    n = len(wavelength_nm)
    spreads = [pa.nulls(n, pa.float64()) if b[4] is None else pa.array(b[4]) for b in blocks]
    table = pa.table(
        {
            "term": pa.array([b[0] for b in blocks for _ in range(n)], pa.string()),
            "component": pa.array(np.repeat([b[1] for b in blocks], n), pa.int32()),
            "class": pa.array([b[2] for b in blocks for _ in range(n)], pa.string()),
            "wavelength_nm": pa.array(np.tile(wavelength_nm, len(blocks))),
            "value": pa.array(np.concatenate([b[3] for b in blocks])),
            "sd_resample": pa.concat_arrays(spreads),
        }
    )
    return table.select(list(SPECTRA_TERMS))
