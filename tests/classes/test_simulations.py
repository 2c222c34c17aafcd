"""What the nested estimate promises, seen over many simulated studies."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.classes.cross_validation import nested_validation
from leafledger.classes.fold_fit import DECISIONS, FittedPredictor, Procedure
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import assign_folds, scheme_of
from leafledger.spectra.applicability import preprocessed

from .conftest import leaves

N_UNITS, N_CLASSES, N_LEAVES, N_FOLDS, N_FRESH = 24, 4, 3, 6, 400
STEPS = ("none", "standard_normal_variate")


def one_study(seed: int, gap: float, decisions: tuple[str, ...]) -> tuple[float, float]:
    """Return the nested estimate, and what the models of its folds reach on fresh plants."""
    labels = np.arange(N_UNITS) % N_CLASSES
    units = np.repeat(np.arange(N_UNITS), N_LEAVES)
    rng = generator(seed, "simulated study")
    fold = assign_folds(labels, np.zeros(N_UNITS, dtype=int), N_FOLDS, rng)
    scheme = scheme_of(fold[units], units, rng)
    spectra = leaves(labels, N_LEAVES, 40, gap, rng)
    fresh_labels = np.arange(N_FRESH) % N_CLASSES
    fresh = leaves(fresh_labels, 1, 40, gap, rng)
    procedure = Procedure(N_CLASSES, 8, decisions)
    predictors = [FittedPredictor(preprocessed(spectra, s), s, procedure) for s in STEPS]
    codes = labels[units]
    nested = nested_validation(predictors, scheme, codes[None], units, (8,))
    reached = []
    for outer, choice in zip(scheme.outer, nested.choices, strict=True):
        step, rule = divmod(int(choice.candidate[0]), len(decisions))
        many = int(choice.n_components[0])
        fit = predictors[step].fit_of(scheme.training[outer])
        said = fit.decision_path(preprocessed(fresh, STEPS[step]), decisions[rule])[
            many - 1
        ].argmax(axis=1)
        reached.append((said == fresh_labels).mean())
    return float((nested.predicted[0] == codes).mean()), float(np.mean(reached))


@pytest.mark.longest
@pytest.mark.slow
@pytest.mark.parametrize(("gap", "decisions"), [(0.7, ("largest_membership",)), (0.7, DECISIONS)])
def test_nested_estimate_is_true_to_models_of_its_size_over_three_hundred_studies(gap, decisions):
    """Between -3 and +1 points of what models of the same training size reach on fresh plants."""
    pairs = np.array([one_study(seed, gap, decisions) for seed in range(300)])
    off = 100 * (pairs[:, 0] - pairs[:, 1])
    assert -3 <= off.mean() <= 1
    assert 0.3 < pairs[:, 1].mean() < 0.9, "neither chance nor perfect: there is room to be wrong"


@pytest.mark.longest
@pytest.mark.slow
def test_without_classes_the_nested_estimate_is_chance():
    pairs = np.array([one_study(seed, 0.0, ("largest_membership",)) for seed in range(150)])
    assert pairs[:, 0].mean() == pytest.approx(1 / N_CLASSES, abs=0.03)


def test_one_study_may_be_far_off():
    """The spread of single studies is about ten points: nobody is promised more than a mean."""
    pairs = np.array([one_study(seed, 0.7, ("largest_membership",)) for seed in range(12)])
    assert 100 * (pairs[:, 0] - pairs[:, 1]).std(ddof=1) > 3
