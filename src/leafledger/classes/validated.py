"""The classifier validated on one study: all repeats, and the model they recommend."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled import Labelled
from leafledger.classes.measures import Agreement, agreement, confusion
from leafledger.classes.nested import Nested, nested_validation
from leafledger.classes.plan import Plan
from leafledger.classes.predictors import fitted_predictor, training_fit
from leafledger.classes.preprocessing import preprocessed
from leafledger.classes.selection import Choice, choose, unit_shares

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Validated:
    """Outcome of the nested validation over all repeats.

    Attributes
    ----------
    steps
        Preprocessing steps, in the order of the settings.
    repeats
        One nested validation per repeat.
    measures
        Agreement of the nested predictions with the truth, one per repeat.
    unit_right
        Scans called right, mean over repeats, of every unit; shape ``(n_units,)``.
    unit_scans
        Scans of every unit.
    final
        Choice for the model of the whole study, on losses held out in the outer folds.
    """

    steps: tuple[str, ...]
    repeats: tuple[Nested, ...]
    measures: tuple[Agreement, ...]
    unit_right: Array
    unit_scans: Array
    final: Choice

    @property
    def accuracy(self) -> float:
        """Share of scans called right, mean over repeats."""
        return float(np.mean([m.accuracy for m in self.measures]))


def validate(data: Labelled, plan: Plan, steps: Sequence[str]) -> Validated:
    """Run every repeat and choose the final model.

    Parameters
    ----------
    data
        Labelled spectra.
    plan
        Splits.
    steps
        Preprocessing steps to choose among.

    Returns
    -------
    Validated
        All that the tables are made of.
    """
    n_classes = len(data.classes)
    predictors = [
        fitted_predictor(preprocessed(data.spectra, step), n_classes, plan.n_components)
        for step in steps
    ]
    labels = data.codes[None, :]
    repeats, losses = [], []
    for scheme in plan.schemes:
        nested = nested_validation(predictors, scheme, labels, data.unit_of, with_training=True)
        wrong = nested.every_step != data.codes
        losses.append(unit_shares(wrong.astype(np.float64), data.unit_of))
        repeats.append(nested)
    right = [(nested.predicted[0] == data.codes).astype(np.float64) for nested in repeats]
    scans = np.bincount(data.unit_of).astype(np.float64)
    return Validated(
        steps=tuple(steps),
        repeats=tuple(repeats),
        measures=tuple(
            agreement(confusion(data.codes, nested.predicted[0], n_classes)) for nested in repeats
        ),
        unit_right=unit_shares(np.mean(right, axis=0), data.unit_of) * scans,
        unit_scans=scans,
        final=choose(np.mean(losses, axis=0)),
    )


def fitted_terms_digest(data: Labelled, plan: Plan, validated: Validated) -> list[list[str]]:
    """Return a digest of what each outer fold's chosen model learned, by repeat and fold.

    It covers the preprocessing, the number of latent variables, the training mean and the
    coefficients at every number, so a change in spectra that were held out must leave it alone.
    """
    ready = [preprocessed(data.spectra, step) for step in validated.steps]
    out = []
    for scheme, nested in zip(plan.schemes, validated.repeats, strict=True):
        row = []
        for outer, choice in zip(scheme.outer, nested.choices, strict=True):
            step = int(choice.step[0])
            path = training_fit(
                ready[step],
                scheme.training[outer],
                data.codes,
                len(data.classes),
                plan.n_components,
            )
            told = f"{validated.steps[step]} {int(choice.n_components[0])} ".encode()
            told += path.spectrum_mean.astype("<f8").tobytes()
            told += np.ascontiguousarray(path.coefficients, dtype="<f8").tobytes()
            row.append(hashlib.sha256(told).hexdigest())
        out.append(row)
    return out
