"""What does the whole procedure achieve on scans left out: accuracy, and how sure it may be?

An inner loop chooses, an outer loop holds out. A classifier that has seen a scan in training is
too sure of it, so the one number that turns its decision into probabilities is fitted to scans
held out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_assignment import Plan
from leafledger.classes.fold_fit import Codes, FittedPredictor, FoldFit, Predict, Procedure, Said
from leafledger.classes.labelled_scans import Labelled
from leafledger.resampling.splits import Choice, Scheme, choose, unit_shares
from leafledger.spectra.applicability import preprocessed

# How well predictions agree with the truth.
# ----------------------------------------------------------------------


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


# How sure the classifier is: class probabilities, calibrated where it had not been trained.
# ----------------------------------------------------------------------

Array = NDArray[np.float64]
_RANGE = (-7.0, 7.0)
"""Natural logarithm of the sharpness that is searched."""
_LEAST = -50.0
PROBABILITY_RULE = (
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

    best = minimize_scalar(loss, bounds=_RANGE, method="bounded", options={"xatol": 1e-8})
    # Rounded: the last digits of a search differ between processors.
    return float(f"{np.exp(best.x):.5g}")


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
    bin_of = np.clip(np.ceil(sure * n_bins - 1e-9).astype(int) - 1, 0, n_bins - 1)
    rows = []
    for i in np.unique(bin_of):
        scans = bin_of == i
        rows.append(
            (
                float(i / n_bins),
                float((i + 1) / n_bins),
                int(scans.sum()),
                len(np.unique(units[scans])),
                float(sure[scans].mean()),
                float((named[scans] == codes[scans]).mean()),
            )
        )
    return rows


# What the whole procedure achieves: an inner loop chooses, an outer loop holds out.
# ----------------------------------------------------------------------

CHOICE_RULE = (
    "preprocessing and decision rule by the smallest loss of all; with them, the fewest latent "
    "variables whose loss is within one standard error of that smallest loss; the loss of a unit "
    "is the share of its scans predicted wrongly, and the standard error is that of the "
    "difference between the two losses, unit by unit"
)


@dataclass(frozen=True)
class Nested:
    """One repeat of the nested validation, for many labellings at once.

    Attributes
    ----------
    predicted
        What the chosen model of every outer fold says of the scans held out, shape
        ``(n_labellings, n_scans)``; -1 for scans that are never held out, here and below.
    held_out
        Class numbers at every number of latent variables with the candidate chosen in the fold,
        shape ``(n_components, n_scans)``.
    training
        For every fold the confusion matrix of its training scans (rows true, columns predicted) at
        every number of latent variables with that candidate, shape ``(n_components, n_classes,
        n_classes)``.
    every_candidate
        ``held_out`` with each candidate, shape ``(n_candidates, n_components, n_scans)``.
    choices
        Choice of every outer fold.
    """

    predicted: Codes
    held_out: Said
    training: tuple[Codes, ...]
    every_candidate: Said
    choices: tuple[Choice, ...]


def nested_validation(
    predictors: Sequence[Predict],
    scheme: Scheme,
    labels: Codes,
    units: Codes,
    widths: Sequence[int],
    n_components: int = 1,
) -> Nested:
    """Run the whole procedure (choice and estimate) on one labelling, and keep every step of it.

    Parameters
    ----------
    predictors
        One per preprocessing, in the order of the settings.
    scheme
        Training sets of this repeat.
    labels
        Class number of every scan, shape ``(1, n_scans)``.
    units
        Unit number of every scan.
    widths
        Numbers of latent variables to search (see :func:`choose`).
    n_components
        How many are computed at once, whether they are searched or not; more where the search
        asks for them.

    Returns
    -------
    Nested
        Predictions and choices.
    """
    to_predict = _asked(scheme, with_training=True)
    for wide in [w for w in widths if w >= n_components] or [n_components]:
        predictions = _predictions(predictors, scheme, to_predict, labels, wide)
        choices = [
            choose(_inner_losses(predictions, to_predict, scheme, i, labels, units), widths)
            for i in range(scheme.n_folds)
        ]
        if not any(choice.rising[0] for choice in choices):
            break
    n_candidates, _, n_components, _ = predictions[0].shape
    n_scans = labels.shape[1]
    predicted = np.full_like(labels, -1)
    held_out = np.full((n_components, n_scans), -1, dtype=np.int16)
    every = np.full((n_candidates, n_components, n_scans), -1, dtype=np.int16)
    n_classes = int(labels.max()) + 1
    training: list[Codes] = []
    for i, (outer, choice) in enumerate(zip(scheme.outer, choices, strict=True)):
        whole = np.full((n_candidates, n_components, n_scans), -1, dtype=np.int16)
        whole[..., to_predict[outer]] = predictions[outer][:, 0]
        test, of_choice = scheme.fold == i, whole[choice.candidate[0]]
        every[..., test], held_out[:, test] = whole[..., test], of_choice[:, test]
        predicted[0, test] = of_choice[choice.n_components[0] - 1, test]
        part = scheme.training[outer]
        training.append(
            np.array(
                [confusion(labels[0, part], of_width[part], n_classes) for of_width in of_choice]
            )
        )
    return Nested(predicted, held_out, tuple(training), every, tuple(choices))


def nested_predictions(
    predictors: Sequence[Predict],
    scheme: Scheme,
    labels: Codes,
    units: Codes,
    widths: Sequence[int],
) -> Codes:
    """Run the whole procedure on many labellings, each searched no wider than it asks for.

    Parameters
    ----------
    predictors, scheme, units, widths
        See :func:`nested_validation`.
    labels
        Class number of every scan in every labelling, shape ``(n_labellings, n_scans)``.

    Returns
    -------
    numpy.ndarray
        Class numbers of the scans held out, -1 elsewhere; shape as ``labels``.
    """
    to_predict = _asked(scheme, with_training=False)
    predicted = np.full_like(labels, -1)
    remaining = np.arange(len(labels))
    for width in widths:
        remaining_labels = labels[remaining]
        predictions = _predictions(predictors, scheme, to_predict, remaining_labels, width)
        rows, wider = np.arange(len(remaining)), np.zeros(len(remaining), dtype=bool)
        for i, outer in enumerate(scheme.outer):
            choice = choose(
                _inner_losses(predictions, to_predict, scheme, i, remaining_labels, units), widths
            )
            wider |= choice.rising
            of_choice = predictions[outer][choice.candidate, rows, choice.n_components - 1]
            test = scheme.fold == i
            predicted[np.ix_(remaining, test)] = of_choice[:, test[to_predict[outer]]]
        remaining = remaining[wider]
        if not len(remaining):
            break
    return predicted


def _predictions(
    predictors: Sequence[Predict],
    scheme: Scheme,
    to_predict: NDArray[np.bool_],
    labels: Codes,
    n_components: int,
) -> list[Said]:
    """Return what every candidate predicts for the scans asked of every training set."""
    return [
        np.concatenate(
            [p(scheme.training[s], to_predict[s], labels, n_components) for p in predictors]
        )
        for s in range(len(to_predict))
    ]


def _asked(scheme: Scheme, *, with_training: bool) -> NDArray[np.bool_]:
    """Return the scans that every training set has to predict."""
    to_predict = np.zeros_like(scheme.training)
    for i, outer in enumerate(scheme.outer):
        to_predict[outer] |= True if with_training else scheme.fold == i
        for inner, validated in scheme.inner[i]:
            to_predict[inner] |= validated
    return to_predict


def _inner_losses(
    predictions: Sequence[Said],
    to_predict: NDArray[np.bool_],
    scheme: Scheme,
    i: int,
    labels: Codes,
    units: Codes,
) -> Array:
    """Return losses of the units of the inner loop, all classes pooled.

    Shape ``(n_candidates, n_labellings, n_components, n_units)``.
    """
    wrong, unit_of = [], []
    for inner, validated in scheme.inner[i]:
        wrong.append(
            predictions[inner][..., validated[to_predict[inner]]] != labels[:, None, validated]
        )
        unit_of.append(units[validated])
    return unit_shares(np.concatenate(wrong, axis=-1).astype(np.float64), np.concatenate(unit_of))


@dataclass(frozen=True)
class Validated:
    """Outcome of the nested validation over all repeats.

    Attributes
    ----------
    steps
        Preprocessing steps, in the order of the settings.
    procedure
        How every model was fitted, with as many latent variables as were searched.
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
    def chosen(self) -> tuple[str, str, int]:
        """Preprocessing, decision rule and number of latent variables of the final model."""
        step, rule, n_components = self.final.chosen(len(self.procedure.decisions))
        return self.steps[step], self.procedure.decisions[rule], n_components

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
    # Every repeat is computed as wide as the widest search of any: usually that of the first.
    searched, done = plan.widths[0], 0
    repeats: list[Nested] = []
    losses: list[Array] = []
    probability: list[Array] = []
    digests: list[tuple[str, ...]] = []
    outer_fits: list[list[list[FoldFit]]] = []
    while done < len(plan.schemes):
        scheme = plan.schemes[done]
        for predictor in predictors:
            predictor.prepare(scheme.training)
        nested = nested_validation(
            predictors, scheme, data.codes[None, :], data.unit_of, plan.widths, searched
        )
        if len(nested.held_out) > searched:
            searched, done = len(nested.held_out), 0
            repeats, losses, probability, digests, outer_fits = [], [], [], [], []
            if scheme is not plan.schemes[0]:
                for predictor in predictors:
                    predictor.forget()
                continue
        wrong = (nested.every_candidate != data.codes)[..., tested]
        losses.append(unit_shares(wrong.astype(np.float64), data.unit_of[tested])[:, None])
        repeats.append(nested)
        probability.append(_probabilities(data, scheme, nested, predictors))
        outer_fits.append(
            [[p.fit_of(scheme.training[outer]) for outer in scheme.outer] for p in predictors]
        )
        digests.append(_digests(nested, outer_fits[-1], steps, procedure))
        done += 1
        for predictor in predictors:
            predictor.forget()
    final = choose(np.mean(losses, axis=0), plan.widths)
    right = [(nested.predicted[0] == data.codes)[tested] for nested in repeats]
    units = data.unit_of[tested]
    scans = np.unique(units, return_counts=True)[1].astype(np.float64)
    return Validated(
        steps=tuple(steps),
        procedure=replace(procedure, n_components=searched),
        repeats=tuple(repeats),
        measures=tuple(
            agreement(confusion(data.codes[tested], nested.predicted[0][tested], len(data.classes)))
            for nested in repeats
        ),
        tested=tested,
        unit_right=unit_shares(np.mean(right, axis=0), units) * scans,
        unit_scans=scans,
        final=final,
        probability=tuple(probability),
        sharpness=_final_sharpness(data, plan, predictors, procedure, outer_fits, final),
        digests=tuple(digests),
    )


def _probabilities(
    data: Labelled, scheme: Scheme, nested: Nested, predictors: Sequence[FittedPredictor]
) -> Array:
    """Return probabilities of the scans held out; each fold's sharpness is from its inner loop."""
    out = np.full((len(data.codes), len(data.classes)), np.nan)
    decisions = predictors[0].procedure.decisions
    for i, choice in enumerate(nested.choices):
        step, rule, n_components = choice.chosen(len(decisions))
        predictor, decision, width_index = predictors[step], decisions[rule], n_components - 1
        decided, codes, units = [], [], []
        for inner, validated in scheme.inner[i]:
            fit = predictor.fit_of(scheme.training[inner])
            decided.append(fit.decision_path(predictor.spectra[validated], decision)[width_index])
            codes.append(data.codes[validated])
            units.append(data.unit_of[validated])
        n_units = len(np.unique(np.concatenate(units)))
        sharpness = fit_sharpness(np.concatenate(decided), np.concatenate(codes), n_units)
        held = scheme.fold == i
        fit = predictor.fit_of(scheme.training[scheme.outer[i]])
        out[held] = softmax(
            fit.decision_path(predictor.spectra[held], decision)[width_index], sharpness
        )
    return out


def _digests(
    nested: Nested, fits: list[list[FoldFit]], steps: Sequence[str], procedure: Procedure
) -> tuple[str, ...]:
    """Return a digest of what each outer fold's chosen model learned."""
    out = []
    for i, choice in enumerate(nested.choices):
        step, rule, n_components = choice.chosen(len(procedure.decisions))
        chosen = f"{steps[step]} {procedure.decisions[rule]} {n_components} "
        out.append(hashlib.sha256(chosen.encode() + fits[step][i].terms()).hexdigest())
    return tuple(out)


def _final_sharpness(
    data: Labelled,
    plan: Plan,
    predictors: Sequence[FittedPredictor],
    procedure: Procedure,
    outer_fits: list[list[list[FoldFit]]],
    final: Choice,
) -> float:
    """Fit the final model's sharpness to all scans while they were held out."""
    step, rule, n_components = final.chosen(len(procedure.decisions))
    decision, width_index = procedure.decisions[rule], n_components - 1
    spectra = predictors[step].spectra
    decisions, codes = [], []
    for scheme, fits in zip(plan.schemes, outer_fits, strict=True):
        for i, fit in enumerate(fits[step]):
            held = scheme.fold == i
            decisions.append(fit.decision_path(spectra[held], decision)[width_index])
            codes.append(data.codes[held])
    n_units = len(np.unique(data.unit_of[plan.tested]))
    return fit_sharpness(np.concatenate(decisions), np.concatenate(codes), n_units)
