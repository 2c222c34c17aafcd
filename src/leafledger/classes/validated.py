"""The classifier validated on one study: all repeats, and the model they recommend."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_fit import FoldFit, Procedure
from leafledger.classes.labelled import Labelled
from leafledger.classes.measures import Agreement, agreement, confusion
from leafledger.classes.nested import Nested, nested_validation
from leafledger.classes.plan import Plan
from leafledger.classes.predictors import FittedPredictor
from leafledger.classes.preprocessing import preprocessed
from leafledger.classes.probabilities import fit_sharpness, softmax
from leafledger.classes.selection import Choice, choose, unit_shares
from leafledger.classes.splits import Scheme

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Validated:
    """Outcome of the nested validation over all repeats.

    Attributes
    ----------
    steps
        Preprocessing steps, in the order of the settings.
    procedure
        How every model was fitted.
    repeats
        One nested validation per repeat.
    measures
        Agreement of the nested predictions with the truth, one per repeat.
    tested
        Scans that are held out, shape ``(n_scans,)``.
    unit_right
        Scans called right, mean over repeats, of every unit that is tested.
    unit_scans
        Tested scans of these units.
    final
        Choice for the model of the whole study, on losses held out in the outer folds.
    probability
        Class probabilities of every scan while it was held out, one array ``(n_scans,
        n_classes)`` per repeat; NaN for scans that never are.
    sharpness
        What turns the decision of the final model into probabilities, fitted to scans held out.
    digests
        By repeat and fold, of everything that the chosen model of the fold learned; a change in
        spectra that were held out must leave it alone.
    """

    steps: tuple[str, ...]
    procedure: Procedure
    repeats: tuple[Nested, ...]
    measures: tuple[Agreement, ...]
    tested: NDArray[np.bool_]
    unit_right: Array
    unit_scans: Array
    final: Choice
    probability: tuple[Array, ...]
    sharpness: float
    digests: tuple[tuple[str, ...], ...]

    @property
    def accuracy(self) -> float:
        """Share of scans called right, mean over repeats."""
        return float(np.mean([m.accuracy for m in self.measures]))


def validate(data: Labelled, plan: Plan, steps: Sequence[str], procedure: Procedure) -> Validated:
    """Run every repeat and choose the final model.

    Parameters
    ----------
    data
        Labelled spectra.
    plan
        Splits.
    steps
        Preprocessing steps to choose among.
    procedure
        How every model is fitted.

    Returns
    -------
    Validated
        All that the tables are made of.
    """
    tested = plan.tested
    predictors = [
        FittedPredictor(preprocessed(data.spectra, step, data.wavelength_nm), step, procedure)
        for step in steps
    ]
    repeats, losses, probability, digests = [], [], [], []
    outer_fits: list[list[list[FoldFit]]] = []
    for scheme in plan.schemes:
        for predictor in predictors:
            predictor.prepare(scheme.training)
        nested = nested_validation(
            predictors, scheme, data.codes[None, :], data.unit_of, with_training=True
        )
        wrong = (nested.every_step != data.codes)[..., tested]
        losses.append(unit_shares(wrong.astype(np.float64), data.unit_of[tested]))
        repeats.append(nested)
        probability.append(_probabilities(data, scheme, nested, predictors))
        outer_fits.append(_outer_fits(scheme, predictors))
        digests.append(_digests(nested, outer_fits[-1], steps))
        for predictor in predictors:
            predictor.forget()
    final = choose(np.mean(losses, axis=0))
    right = [(nested.predicted[0] == data.codes)[tested] for nested in repeats]
    units = data.unit_of[tested]
    scans = np.unique(units, return_counts=True)[1].astype(np.float64)
    return Validated(
        steps=tuple(steps),
        procedure=procedure,
        repeats=tuple(repeats),
        measures=tuple(_measures(data, nested, tested) for nested in repeats),
        tested=tested,
        unit_right=unit_shares(np.mean(right, axis=0), units) * scans,
        unit_scans=scans,
        final=final,
        probability=tuple(probability),
        sharpness=_final_sharpness(data, plan, predictors, outer_fits, final),
        digests=tuple(digests),
    )


def _measures(data: Labelled, nested: Nested, tested: NDArray[np.bool_]) -> Agreement:
    counts = confusion(data.codes[tested], nested.predicted[0][tested], len(data.classes))
    return agreement(counts)


def _probabilities(
    data: Labelled, scheme: Scheme, nested: Nested, predictors: Sequence[FittedPredictor]
) -> Array:
    """Return probabilities of the scans held out; each fold's sharpness is from its inner loop."""
    out = np.full((len(data.codes), len(data.classes)), np.nan)
    for i, choice in enumerate(nested.choices):
        predictor = predictors[int(choice.step[0])]
        place = int(choice.n_components[0]) - 1
        decisions, codes, units = [], [], []
        for inner, judged in scheme.inner[i]:
            fit = predictor.fit_of(scheme.training[inner])
            decisions.append(fit.decision_path(predictor.spectra[judged])[place])
            codes.append(data.codes[judged])
            units.append(data.unit_of[judged])
        n_units = len(np.unique(np.concatenate(units)))
        sharpness = fit_sharpness(np.concatenate(decisions), np.concatenate(codes), n_units)
        held = scheme.fold == i
        fit = predictor.fit_of(scheme.training[scheme.outer[i]])
        out[held] = softmax(fit.decision_path(predictor.spectra[held])[place], sharpness)
    return out


def _outer_fits(scheme: Scheme, predictors: Sequence[FittedPredictor]) -> list[list[FoldFit]]:
    return [[p.fit_of(scheme.training[outer]) for outer in scheme.outer] for p in predictors]


def _digests(nested: Nested, fits: list[list[FoldFit]], steps: Sequence[str]) -> tuple[str, ...]:
    """Return a digest of what each outer fold's chosen model learned."""
    out = []
    for i, choice in enumerate(nested.choices):
        step = int(choice.step[0])
        told = f"{steps[step]} {int(choice.n_components[0])} ".encode() + fits[step][i].terms()
        out.append(hashlib.sha256(told).hexdigest())
    return tuple(out)


def _final_sharpness(
    data: Labelled,
    plan: Plan,
    predictors: Sequence[FittedPredictor],
    outer_fits: list[list[list[FoldFit]]],
    final: Choice,
) -> float:
    """Fit the final model's sharpness to all scans while they were held out."""
    step, place = int(final.step[0]), int(final.n_components[0]) - 1
    spectra = predictors[step].spectra
    decisions, codes = [], []
    for scheme, fits in zip(plan.schemes, outer_fits, strict=True):
        for i, fit in enumerate(fits[step]):
            held = scheme.fold == i
            decisions.append(fit.decision_path(spectra[held])[place])
            codes.append(data.codes[held])
    n_units = len(np.unique(data.unit_of[plan.tested]))
    return fit_sharpness(np.concatenate(decisions), np.concatenate(codes), n_units)
