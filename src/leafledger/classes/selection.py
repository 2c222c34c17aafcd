"""How many latent variables: the simplest model within one standard error of the best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RULE = (
    "the fewest latent variables whose loss is within one standard error of the smallest loss; "
    "the loss of a unit is the share of its scans predicted wrongly, and the standard error is "
    "taken over units"
)


@dataclass(frozen=True)
class Choice:
    """The choice for many labellings at once.

    Attributes
    ----------
    step, best_step
        Place of the preprocessing in the list, chosen and with the smallest loss; shape
        ``(n_labellings,)``.
    n_components, best_n_components
        Number of latent variables likewise.
    loss, standard_error
        Mean over units and its standard error, shape ``(n_steps, n_labellings, n_components)``.
    """

    step: NDArray[np.int_]
    n_components: NDArray[np.int_]
    best_step: NDArray[np.int_]
    best_n_components: NDArray[np.int_]
    loss: Array
    standard_error: Array


def unit_shares(values: Array, units: NDArray[np.int_]) -> Array:
    """Return the mean of ``values`` (last axis: scans) over the scans of every unit.

    Examples
    --------
    >>> unit_shares(np.array([1.0, 0.0, 1.0]), np.array([4, 4, 9])).tolist()
    [0.5, 1.0]
    """
    order = np.argsort(units, kind="stable")
    _, starts, counts = np.unique(units[order], return_index=True, return_counts=True)
    return np.asarray(np.add.reduceat(values[..., order], starts, axis=-1) / counts)


def choose(losses: Array) -> Choice:
    """Choose preprocessing and number of latent variables by the one-standard-error rule.

    Parameters
    ----------
    losses
        Loss of every unit, shape ``(n_steps, n_labellings, n_components, n_units)``.

    Returns
    -------
    Choice
        Fewest latent variables first; among preprocessings with that number the smaller loss,
        then the one listed first.

    References
    ----------
    Breiman, Friedman, Olshen & Stone 1984, Classification and Regression Trees, sec. 3.4.3
    (the one-standard-error rule).
    """
    n_steps, n_labellings, n_components, n_units = losses.shape
    loss = losses.mean(axis=-1)
    error = np.zeros_like(loss)
    if n_units > 1:
        error = losses.std(axis=-1, ddof=1) / np.sqrt(n_units)
    # Ordered by number of latent variables, then step: the first smallest is the simplest.
    flat = loss.transpose(1, 2, 0).reshape(n_labellings, -1)
    rows = np.arange(n_labellings)
    best = flat.argmin(axis=1)
    near = flat[rows, best] + error.transpose(1, 2, 0).reshape(n_labellings, -1)[rows, best]
    # Losses are sums of fractions: equal ones must not differ by their rounding.
    within = flat <= near[:, None] + 1e-12
    fewest = within.argmax(axis=1) // n_steps
    candidates = loss[:, rows, fewest].T
    allowed = within.reshape(n_labellings, n_components, n_steps)[rows, fewest]
    step = np.where(allowed, candidates, np.inf).argmin(axis=1)
    return Choice(
        step=step,
        n_components=fewest + 1,
        best_step=best % n_steps,
        best_n_components=best // n_steps + 1,
        loss=loss,
        standard_error=error,
    )
