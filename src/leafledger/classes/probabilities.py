"""How sure the classifier is: class probabilities, calibrated where it had not been trained.

A classifier that has seen a scan in training is too sure of it, so the one number that turns its
decision into probabilities is fitted to scans that were held out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_RANGE = (-7.0, 7.0)
"""Natural logarithm of the sharpness that is searched."""
_LEAST = -50.0
RULE = (
    "probabilities are the softmax of the decision times one sharpness, fitted to scans that were "
    "held out in the inner loop; the order of the classes stays that of the decision"
)


def softmax(decision: Array, sharpness: float) -> Array:
    """Return class probabilities; each row adds up to 1.

    Parameters
    ----------
    decision
        Predicted membership or log posterior, shape ``(n_scans, n_classes)``; minus infinity for
        a class that cannot be.
    sharpness
        Factor on the decision, above 0.

    Examples
    --------
    >>> softmax(np.log([[0.2, 0.8]]), 1.0).round(12).tolist()
    [[0.2, 0.8]]
    """
    raised = np.exp(sharpness * (decision - decision.max(axis=1, keepdims=True)))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True))


def fit_sharpness(decision: Array, codes: NDArray[np.int_], n_units: int) -> float:
    """Return the sharpness under which held-out scans are likeliest.

    Parameters
    ----------
    decision
        Of held-out scans, shape ``(n_scans, n_classes)``.
    codes
        Their class numbers.
    n_units
        Independent units among them. The true class is given the probability ``(n_units + 1) /
        (n_units + 2)``, the others share the rest: no certainty comes from few plants.

    References
    ----------
    Platt 1999, in: Advances in Large Margin Classifiers, 61-74 (targets short of 0 and 1); Guo,
    Pleiss, Sun & Weinberger 2017, Proc. Mach. Learn. Res. 70:1321-1330 (one factor for all).
    """
    from scipy.optimize import minimize_scalar

    n_classes = decision.shape[1]
    sure = (n_units + 1) / (n_units + 2)
    target = np.full(decision.shape, (1 - sure) / max(n_classes - 1, 1))
    target[np.arange(len(codes)), codes] = sure
    below = decision - decision.max(axis=1, keepdims=True)

    def loss(log_sharpness: float) -> float:
        raised = np.exp(log_sharpness) * below
        log_p = raised - np.log(np.exp(raised).sum(axis=1, keepdims=True))
        return float(-(target * np.maximum(log_p, _LEAST)).sum(axis=1).mean())

    found = minimize_scalar(loss, bounds=_RANGE, method="bounded", options={"xatol": 1e-8})
    # Rounded: the last digits of a search differ between processors.
    return float(f"{np.exp(found.x):.5g}")


def brier_score(probability: Array, codes: NDArray[np.int_]) -> float:
    """Return the mean over scans of the squared distance between probabilities and truth.

    References
    ----------
    Brier 1950, Mon. Weather Rev. 78:1-3 (sum over classes: 0 to 2).

    Examples
    --------
    >>> brier_score(np.array([[0.7, 0.3], [0.5, 0.5]]), np.array([0, 1])).__round__(12)
    0.34
    """
    truth = np.eye(probability.shape[1])[codes]
    return float(((probability - truth) ** 2).sum(axis=1).mean())


def reliability(
    probability: Array, codes: NDArray[np.int_], units: NDArray[np.int_], n_bins: int = 10
) -> list[tuple[float, float, int, int, float, float]]:
    """Return how often the named class was right, by how sure the classifier was.

    Parameters
    ----------
    probability
        Shape ``(n_scans, n_classes)``.
    codes, units
        True class number and unit number of every scan.
    n_bins
        Bins of equal width between 0 and 1, the upper limit belonging to the bin; empty ones are
        left out.

    Returns
    -------
    list of tuple
        Lower and upper limit, scans, units, mean probability of the named class, share right.

    References
    ----------
    Murphy & Winkler 1977, J. R. Stat. Soc. C 26:41-47 (reliability diagram).

    Examples
    --------
    >>> sure = np.array([[0.85, 0.15], [0.89, 0.11], [0.4, 0.6]])
    >>> rows = reliability(sure, np.array([0, 1, 1]), np.array([0, 0, 1]))
    >>> [(row[2], round(row[4], 2), row[5]) for row in rows]
    [(1, 0.6, 1.0), (2, 0.87, 0.5)]
    """
    named = probability.argmax(axis=1)
    sure = probability[np.arange(len(named)), named]
    place = np.clip(np.ceil(sure * n_bins - 1e-9).astype(int) - 1, 0, n_bins - 1)
    rows = []
    for i in np.unique(place):
        own = place == i
        rows.append(
            (
                float(i / n_bins),
                float((i + 1) / n_bins),
                int(own.sum()),
                len(np.unique(units[own])),
                float(sure[own].mean()),
                float((named[own] == codes[own]).mean()),
            )
        )
    return rows
