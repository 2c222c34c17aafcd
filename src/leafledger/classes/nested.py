"""Nested validation: an inner loop chooses, an outer loop says what that choosing achieves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.selection import Choice, choose, unit_shares
from leafledger.classes.splits import Scheme

Codes = NDArray[np.int_]
Predict = Callable[[NDArray[np.bool_], NDArray[np.bool_], Codes], Codes]
"""Training scans, scans to predict, labels ``(n_labellings, n_scans)`` -> predicted class numbers
``(n_labellings, n_components, n_scans)``; scans that were not asked for hold -1."""


@dataclass(frozen=True)
class Nested:
    """One repeat of the nested validation, for many labellings at once.

    Attributes
    ----------
    predicted
        What the chosen model of every outer fold says of the scans held out, shape
        ``(n_labellings, n_scans)``; -1 for scans that are never held out, here and below.
    held_out, training
        Class numbers at every number of latent variables with the preprocessing chosen in the
        fold. ``held_out`` has shape ``(n_labellings, n_components, n_scans)``; ``training`` holds
        one such array per fold, -1 where a scan was held out, or nothing if not asked for.
    every_step
        ``held_out`` with each preprocessing, shape ``(n_steps, n_labellings, n_components,
        n_scans)``.
    choices
        Choice of every outer fold.
    """

    predicted: Codes
    held_out: Codes
    training: tuple[Codes, ...]
    every_step: Codes
    choices: tuple[Choice, ...]


def nested_validation(
    predictors: Sequence[Predict],
    scheme: Scheme,
    labels: Codes,
    units: Codes,
    *,
    with_training: bool = False,
) -> Nested:
    """Run the whole procedure (choice and estimate) on one or many labellings.

    Parameters
    ----------
    predictors
        One per preprocessing, in the order of the settings.
    scheme
        Training sets of this repeat.
    labels
        Class number of every scan in every labelling, shape ``(n_labellings, n_scans)``.
    units
        Unit number of every scan.
    with_training
        Also return predictions of the training scans.

    Returns
    -------
    Nested
        Predictions and choices.
    """
    asked = _asked(scheme, with_training)
    known = [
        [predict(scheme.training[s], asked[s], labels) for s in range(len(asked))]
        for predict in predictors
    ]
    rows = np.arange(len(labels))
    n_components = known[0][0].shape[1]
    predicted = np.full_like(labels, -1)
    held_out = np.full((len(labels), n_components, labels.shape[1]), -1, dtype=np.int_)
    every_step = np.full((len(known), *held_out.shape), -1, dtype=np.int_)
    training: list[Codes] = []
    choices: list[Choice] = []
    for i, outer in enumerate(scheme.outer):
        chosen = choose(np.stack([_inner_losses(k, scheme, i, labels, units) for k in known]))
        by_step = np.stack([k[outer] for k in known])
        every = by_step[chosen.step, rows]
        test = scheme.fold == i
        every_step[..., test] = by_step[..., test]
        held_out[:, :, test] = every[:, :, test]
        predicted[:, test] = every[rows, chosen.n_components - 1][:, test]
        if with_training:
            training.append(np.where(scheme.training[outer], every, -1))
        choices.append(chosen)
    return Nested(predicted, held_out, tuple(training), every_step, tuple(choices))


def _asked(scheme: Scheme, with_training: bool) -> NDArray[np.bool_]:
    """Return the scans that every training set has to predict."""
    asked = np.zeros_like(scheme.training)
    for i, outer in enumerate(scheme.outer):
        asked[outer] |= True if with_training else scheme.fold == i
        for inner, judged in scheme.inner[i]:
            asked[inner] |= judged
    return asked


def _inner_losses(
    known: Sequence[Codes], scheme: Scheme, i: int, labels: Codes, units: Codes
) -> NDArray[np.float64]:
    """Return losses of the units of the inner loop: ``(n_labellings, n_components, n_units)``."""
    wrong = np.zeros(known[0].shape)
    part = np.zeros_like(scheme.training[0])
    for inner, judged in scheme.inner[i]:
        wrong[:, :, judged] = known[inner][:, :, judged] != labels[:, None, judged]
        part = part | judged
    return unit_shares(wrong[:, :, part], units[part])
