"""Simple rivals of the discriminant model; each is learned anew in every training part."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.seeds import generator
from leafledger.classes.labelled import Labelled
from leafledger.classes.plan import Plan
from leafledger.study.columns import RIVALS

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
N_TREES = 100
N_REPEATS = 3
"""The first so many repeats of the classifier; a forest takes too long for all of them."""
VARIANCE_KEPT = 0.999
"""Share of training variance that the principal components of a rival carry."""

Rival = Callable[[Array, Codes, Array, int], Codes]
"""Training table, its class numbers, table to judge, seed -> predicted class numbers."""


def majority_class(training: Array, codes: Codes, judged: Array, seed: int) -> Codes:
    """Name the class with most training scans, whatever the spectrum."""
    del training, seed
    return np.full(len(judged), np.bincount(codes).argmax(), dtype=np.int_)


def nearest_class_mean(training: Array, codes: Codes, judged: Array, seed: int) -> Codes:
    """Name the class whose mean training spectrum is nearest (Euclidean distance).

    Examples
    --------
    >>> spectra = np.array([[0.1, 0.1], [0.5, 0.6]])
    >>> nearest_class_mean(spectra, np.array([0, 1]), np.array([[0.4, 0.4]]), 0).tolist()
    [1]
    """
    del seed
    there = np.unique(codes)
    means = np.stack([training[codes == code].mean(axis=0) for code in there])
    distance = ((judged[:, None, :] - means) ** 2).sum(axis=2)
    return np.asarray(there[distance.argmin(axis=1)])


def principal_component_discriminant(
    training: Array, codes: Codes, judged: Array, seed: int
) -> Codes:
    """Linear discriminant on the principal components that carry 99.9 % of training variance.

    Parameters
    ----------
    training, codes, judged, seed
        See :data:`Rival`. At most a third as many components as training scans are used.

    References
    ----------
    Fisher 1936, Ann. Eugen. 7:179-188; Hotelling 1933, J. Educ. Psychol. 24:417-441.
    """
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

    del seed
    mean = training.mean(axis=0)
    _, sizes, axes = np.linalg.svd(training - mean, full_matrices=False)
    carried = np.cumsum(sizes**2)
    if carried[-1] <= 0:
        return majority_class(training, codes, judged, 0)
    wanted = int(np.searchsorted(carried, VARIANCE_KEPT * carried[-1])) + 1
    kept = axes[: max(1, min(wanted, len(training) // 3))].T
    model = LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto")
    model.fit((training - mean) @ kept, codes)
    return np.asarray(model.predict((judged - mean) @ kept), dtype=np.int_)


def logistic_regression(training: Array, codes: Codes, judged: Array, seed: int) -> Codes:
    """Logistic regression on a table standardised by its training part (ridge penalty 1)."""
    from sklearn.linear_model import LogisticRegression

    mean, sd = training.mean(axis=0), training.std(axis=0)
    varies = sd > 1e-12 * np.maximum(np.abs(mean), 1e-300)
    if not varies.any():
        return majority_class(training, codes, judged, seed)
    scaled = [(part - mean)[:, varies] / sd[varies] for part in (training, judged)]
    model = LogisticRegression(C=1.0, max_iter=2000)
    return np.asarray(model.fit(scaled[0], codes).predict(scaled[1]), dtype=np.int_)


def random_forest(training: Array, codes: Codes, judged: Array, seed: int) -> Codes:
    """Random forest of 100 trees on all wavelengths.

    References
    ----------
    Breiman 2001, Mach. Learn. 45:5-32.
    """
    from sklearn.ensemble import RandomForestClassifier

    model = RandomForestClassifier(n_estimators=N_TREES, random_state=seed, n_jobs=1)
    return np.asarray(model.fit(training, codes).predict(judged), dtype=np.int_)


ON_SPECTRA: dict[str, Rival] = {
    "majority_class": majority_class,
    "nearest_class_mean": nearest_class_mean,
    "principal_component_discriminant": principal_component_discriminant,
    "random_forest": random_forest,
}
ON_INDICES: dict[str, Rival] = {"index_logistic_regression": logistic_regression}


def rival_table(
    data: Labelled,
    plan: Plan,
    procedures: Mapping[str, Rival],
    table: NDArray[np.float64],
    seed: int,
) -> pd.DataFrame:
    """Return the accuracy of every procedure in every outer fold.

    Parameters
    ----------
    data, plan
        Labels and splits, as for the classifier.
    procedures
        Name -> rival.
    table
        What the rivals see of every scan, shape ``(n_scans, n_columns)``.
    seed
        Seed of the settings.

    Returns
    -------
    pandas.DataFrame
        Columns of ``rivals.csv``, for the first three repeats.
    """
    import pandas as pd

    rows = []
    for name, rival in procedures.items():
        for repeat, scheme in enumerate(plan.schemes[:N_REPEATS], start=1):
            for i, outer in enumerate(scheme.outer):
                training, test = scheme.training[outer], scheme.fold == i
                own = int(generator(seed, "rival", name, repeat, i).integers(2**31))
                said = rival(table[training], data.codes[training], table[test], own)
                right = int((said == data.codes[test]).sum())
                n = int(test.sum())
                rows.append((name, repeat, i + 1, right, n, right / n))
    return pd.DataFrame(rows, columns=list(RIVALS))
