"""The classifier's tables, row by row as the contract has them.

Repeats and folds are counted from 1.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.resampling import wilson_interval
from leafledger.classes.explanation import (
    Spread,
    separating_wavelengths,
    terms_of,
    unit_mean_spectra,
)
from leafledger.classes.fold_assignment import Plan
from leafledger.classes.fold_fit import FoldFit
from leafledger.classes.labelled import Labelled
from leafledger.classes.measures import agreement, confusion
from leafledger.classes.probabilities import reliability
from leafledger.classes.validation import Validated
from leafledger.study.columns import (
    CONFUSED_PAIRS,
    CONFUSION,
    PATH,
    PER_CLASS,
    PREDICTIONS,
    RELIABILITY,
    SPECTRA_TERMS,
)

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Array = NDArray[np.float64]


def path_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return accuracy at every number of latent variables, held out and in training.

    Returns
    -------
    pandas.DataFrame
        Columns of ``path.csv``; split ``outer`` (scans held out; ``fixed`` if the study fixes
        them) and ``training`` (scans of the same fold's training part). ``chosen`` marks what
        the inner loop of that fold chose.
    """
    import pandas as pd

    rows: list[tuple[object, ...]] = []
    for repeat, (scheme, nested) in enumerate(
        zip(plan.schemes, validated.repeats, strict=True), start=1
    ):
        for i, choice in enumerate(nested.choices):
            for split, part, codes in (
                (plan.kind, scheme.fold == i, nested.held_out),
                ("training", scheme.training[scheme.outer[i]], nested.training[i]),
            ):
                known = (len(np.unique(data.unit_of[part])), int(choice.n_components[0]))
                rows += [
                    _path_row(data, part, codes[a], known, (split, repeat, i + 1, a + 1))
                    for a in range(validated.procedure.n_components)
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
    """Return what was said of every scan while its unit was held out, once a repeat.

    Returns
    -------
    pandas.DataFrame
        Columns of ``predictions.csv``, then ``p_<class>`` of every class.
    """
    import pandas as pd

    names = np.array(data.classes, dtype=object)
    held = plan.tested
    parts = []
    for repeat, (scheme, nested) in enumerate(
        zip(plan.schemes, validated.repeats, strict=True), start=1
    ):
        counts = np.array([int(choice.n_components[0]) for choice in nested.choices])
        part = data.rows.loc[held, ["scan", "unit", "session"]].copy()
        part["repeat"] = repeat
        part["fold"] = scheme.fold[held] + 1
        part["true"] = names[data.codes[held]]
        part["predicted"] = names[nested.predicted[0][held]]
        part["n_components"] = counts[scheme.fold[held]]
        sure = validated.probability[repeat - 1][held]
        for i, name in enumerate(data.classes):
            part[f"p_{name}"] = sure[:, i]
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True)[list(prediction_columns(data))]
    return frame.sort_values(["scan", "repeat", "fold"], ignore_index=True)


def prediction_columns(data: Labelled) -> tuple[str, ...]:
    """Return the columns of ``predictions.csv`` for these classes."""
    return (*PREDICTIONS, *(f"p_{name}" for name in data.classes))


def reliability_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return how often the named class was right, by how sure the classifier was.

    Returns
    -------
    pandas.DataFrame
        Columns of ``reliability.csv``; a scan counts once in every repeat.
    """
    import pandas as pd

    held, many = plan.tested, len(plan.schemes)
    rows = reliability(
        np.concatenate([p[held] for p in validated.probability]),
        np.tile(data.codes[held], many),
        np.tile(data.unit_of[held], many),
    )
    return pd.DataFrame(rows, columns=list(RELIABILITY))


def confusion_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return who was taken for whom at every number of latent variables.

    Returns
    -------
    pandas.DataFrame
        Columns of ``confusion.csv``; split ``outer`` or ``fixed``. ``n_scans`` is the mean
        over repeats, so that the rows of a true class add up to its scans; ``n_units`` counts
        every unit by the share of its scans of that class, so that they add up to its units.
        ``share_of_true`` is of scans.
    """
    import pandas as pd

    n, held = len(data.classes), plan.tested
    codes, labelled = data.codes[held], data.labelled_units()[0][held]
    weight = 1 / np.bincount(labelled)[labelled]
    true = np.repeat(np.arange(n), n)
    predicted = np.tile(np.arange(n), n)
    scans = np.bincount(codes, minlength=n)[true]
    names = np.array(data.classes, dtype=object)
    parts = []
    for a in range(validated.procedure.n_components):
        cells = [codes * n + nested.held_out[a][held] for nested in validated.repeats]
        counted = sum(np.bincount(c, minlength=n * n) for c in cells)
        by_unit = sum(np.bincount(c, weights=weight, minlength=n * n) for c in cells)
        mean = counted / len(cells)
        parts.append(
            pd.DataFrame(
                {
                    "split": plan.kind,
                    "n_components": a + 1,
                    "true": names[true],
                    "predicted": names[predicted],
                    "n_scans": mean,
                    # Rounded: sums of thirds and halves would end in digits without meaning.
                    "n_units": np.round(by_unit / len(cells), 9),
                    "share_of_true": np.where(scans > 0, mean / np.maximum(scans, 1), np.nan),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)[list(CONFUSION)]


def terms_table(
    data: Labelled, ready: Array, fit: FoldFit, spread: Spread, chosen: int
) -> pa.Table:
    """Return weights, loadings, coefficients, selectivity and importance of the final model.

    Parameters
    ----------
    data
        Labelled spectra.
    ready
        Training spectra as the latent variables see them, shape ``(n_scans, n_wavelengths)``.
    fit
        Fit of all scans, with as many latent variables as were looked at.
    spread
        Standard deviations over resamples of units.
    chosen
        Number of latent variables of the model; coefficients, selectivity and importance are for
        it.

    Returns
    -------
    pyarrow.Table
        term, component, class, wavelength_nm, value, sd_resample. Besides the terms of the model
        there are the training spectra in short (``spectrum_mean``, ``spectrum_sd``,
        ``spectrum_minimum``, ``spectrum_maximum``, component 0, no ``sd_resample``).
    """
    import pyarrow as pa

    terms, wavelength_nm = terms_of(fit, ready, chosen), data.wavelength_nm
    blocks: list[tuple[str, int, str | None, Array, Array | None]] = [
        ("coefficient", chosen, name, terms.coefficients[:, i], spread.coefficients[:, i])
        for i, name in enumerate(data.classes)
    ]
    each = range(fit.path.n_stable)
    blocks += [("loading", a + 1, None, terms.loadings[:, a], spread.loadings[:, a]) for a in each]
    blocks += [
        ("selectivity_ratio", chosen, name, terms.selectivity[:, i], spread.selectivity[:, i])
        for i, name in enumerate(data.classes)
    ]
    blocks += [
        ("spectrum_maximum", 0, None, ready.max(axis=0), None),
        ("spectrum_mean", 0, None, ready.mean(axis=0), None),
        ("spectrum_minimum", 0, None, ready.min(axis=0), None),
        ("spectrum_sd", 0, None, ready.std(axis=0, ddof=1), None),
        ("vip", chosen, None, terms.importance, spread.importance),
    ]
    blocks += [("weight", a + 1, None, terms.weights[:, a], spread.weights[:, a]) for a in each]
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
        area = roc_area(validated, data.codes == i, i)
        rows.append((name, n_units, n_scans, sensitivity, low, high, LEVEL, named, precision, area))
    return pd.DataFrame(rows, columns=list(PER_CLASS))


def roc_area(validated: Validated, own: NDArray[np.bool_], column: int) -> float:
    """Return the area under the ROC curve of a class against all others, mean over repeats.

    It is the probability that a scan of the class is given a larger probability of it than a scan
    of another class; NaN where there are none of either kind.

    Parameters
    ----------
    validated
        Probabilities of scans while they were held out.
    own
        Scans of the class (true), shape ``(n_scans,)``.
    column
        Its number.

    References
    ----------
    Hanley & McNeil 1982, Radiology 143:29-36.
    """
    from scipy.stats import rankdata

    held = validated.tested
    inside, n = own[held], int(own[held].sum())
    others = len(inside) - n
    if n == 0 or others == 0:
        return float("nan")
    areas = []
    for probability in validated.probability:
        ranks = rankdata(probability[held, column])
        areas.append((ranks[inside].sum() - n * (n + 1) / 2) / (n * others))
    return float(np.mean(areas))


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
    labelled, class_of = data.labelled_units()
    means = unit_mean_spectra(ready, labelled)
    rows: list[tuple[object, ...]] = []
    for i, j in combinations(range(len(data.classes)), 2):
        sets = (means[class_of == i], means[class_of == j])
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
