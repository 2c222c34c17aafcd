"""How well predictions agree with the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


def confusion(
    true: NDArray[np.int_], predicted: NDArray[np.int_], n_classes: int
) -> NDArray[np.int_]:
    """Return the confusion matrix: rows true, columns predicted.

    Examples
    --------
    >>> confusion(np.array([0, 0, 1]), np.array([0, 1, 1]), 2).tolist()
    [[1, 1], [0, 1]]
    """
    cells = true * n_classes + predicted
    return np.bincount(cells, minlength=n_classes**2).reshape(n_classes, n_classes)


@dataclass(frozen=True)
class Agreement:
    """Measures of one confusion matrix; all are 1 when every prediction is right."""

    accuracy: float
    balanced_accuracy: float
    kappa: float
    mcc: float


def agreement(matrix: NDArray[np.int_]) -> Agreement:
    """Return accuracy, balanced accuracy, kappa and the Matthews coefficient.

    Parameters
    ----------
    matrix
        Counts, rows true and columns predicted, shape ``(n_classes, n_classes)``, not empty.

    Returns
    -------
    Agreement
        Balanced accuracy is the mean over the classes that occur. Kappa and the Matthews
        coefficient are 0 where they have no value (nothing but one class).

    References
    ----------
    Cohen 1960, Educ. Psychol. Meas. 20:37-46; Matthews 1975, Biochim. Biophys. Acta 405:442-451;
    Gorodkin 2004, Comput. Biol. Chem. 28:367-374 (several classes).

    Examples
    --------
    >>> round(agreement(np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])).kappa, 3)
    0.492
    """
    counts = matrix.astype(np.float64)
    total = float(counts.sum())
    true, predicted = counts.sum(axis=1), counts.sum(axis=0)
    right = float(np.trace(counts))
    chance = float(true @ predicted) / total**2
    accuracy = right / total
    covariance = right * total - float(true @ predicted)
    spread = (total**2 - float(true @ true)) * (total**2 - float(predicted @ predicted))
    occurs = true > 0
    return Agreement(
        accuracy=accuracy,
        balanced_accuracy=float((np.diag(counts)[occurs] / true[occurs]).mean()),
        kappa=(accuracy - chance) / (1 - chance) if chance < 1 else 0.0,
        mcc=covariance / float(np.sqrt(spread)) if spread > 0 else 0.0,
    )
