"""The linear discriminant on scores, against another implementation and by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sklearn.datasets import load_iris
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from leafledger.classes import fold_fit
from leafledger.classes.fold_fit import (
    DISCRIMINANT,
    PRIOR_SCANS,
    Procedure,
    discriminant_of,
    fit_discriminants,
    fit_training,
)
from leafledger.spectra.applicability import Learned


@pytest.fixture
def no_prior(monkeypatch):
    """Leave the covariance as it is, as other libraries do."""
    monkeypatch.setattr(fold_fit, "PRIOR_SCANS", 0.0)


@pytest.mark.parametrize("n_components", [1, 2, 3, 4])
def test_every_number_of_scores_gives_what_an_independent_library_gives(n_components, no_prior):
    """Fisher's iris; scikit-learn divides the covariance by n, this by n less the classes."""
    scores, codes = load_iris(return_X_y=True)
    found = fit_discriminants(scores[None], codes[None], 3).log_posterior_path(scores[None])
    reference = LinearDiscriminantAnalysis(solver="lsqr").fit(scores[:, :n_components], codes)
    log_p = reference.predict_log_proba(scores[:, :n_components])
    mine = found[n_components - 1, 0] * 150 / 147
    np.testing.assert_allclose(
        mine - mine.mean(axis=1, keepdims=True),
        log_p - log_p.mean(axis=1, keepdims=True),
        rtol=1e-5, atol=1e-5,
    )  # fmt: skip


def test_all_four_iris_measures_misplace_three(no_prior):
    """Fisher 1936, Ann. Eugen. 7:179-188: three of 150 fall on the wrong side (recomputed)."""
    scores, codes = load_iris(return_X_y=True)
    said = fit_discriminants(scores[None], codes[None], 3).log_posterior_path(scores[None])
    assert int((said[3, 0].argmax(axis=1) != codes).sum()) == 3


def test_the_prior_draws_covariances_towards_zero_and_leaves_variances():
    """By hand: (nu S + nu0 diag S) / (nu + nu0), with nu = scans less classes."""
    rng = np.random.default_rng(3)
    scores, codes = rng.normal(size=(24, 3)) @ rng.normal(size=(3, 3)), np.arange(24) % 4
    found = fit_discriminants(scores[None], codes[None], 4).whitening[0]
    apart = scores - np.stack([scores[codes == c].mean(axis=0) for c in range(4)])[codes]
    plain = apart.T @ apart / 20
    expected = (20 * plain + PRIOR_SCANS * np.diag(np.diag(plain))) / (20 + PRIOR_SCANS)
    np.testing.assert_allclose(np.linalg.inv(found.T @ found), expected, rtol=1e-6)


def test_labellings_do_not_touch_each_other():
    rng = np.random.default_rng(0)
    scores, codes = rng.normal(size=(3, 30, 4)), rng.integers(0, 3, (3, 30))
    together = fit_discriminants(scores, codes, 3).log_posterior_path(scores)
    for i in range(3):
        alone = fit_discriminants(scores[i : i + 1], codes[i : i + 1], 3)
        path = alone.log_posterior_path(scores[i : i + 1])
        np.testing.assert_allclose(path[:, 0], together[:, i], atol=1e-9)


def test_a_class_that_is_missing_is_never_named_and_empty_scores_change_nothing():
    rng = np.random.default_rng(0)
    codes = np.arange(20) % 2
    scores = np.concatenate([rng.normal(size=(20, 2)), np.zeros((20, 2))], axis=1)
    path = fit_discriminants(scores[None], codes[None], 3).log_posterior_path(scores[None])
    assert np.isneginf(path[..., 2]).all()
    np.testing.assert_allclose(path[1][..., :2], path[3][..., :2])


def test_balanced_priors_are_equal():
    codes = np.repeat([0, 1], [15, 5])[None]
    scores = np.random.default_rng(1).normal(size=(1, 20, 2))
    plain, even = (fit_discriminants(scores, codes, 2, balanced=b) for b in (False, True))
    np.testing.assert_allclose(np.exp(plain.log_prior[0]), [0.75, 0.25])
    np.testing.assert_allclose(np.exp(even.log_prior[0]), [0.5, 0.5])


@pytest.mark.parametrize("unit", [1e-4, 1e3])
def test_the_unit_of_the_scores_changes_no_decision(unit):
    """Scores of percent, of fractions or of counts: log posteriors are the same number."""
    scores, codes = load_iris(return_X_y=True)
    scores = scores - scores.mean(axis=0)
    plain = fit_discriminants(scores[None], codes[None], 3).log_posterior_path(scores[None])
    scaled = fit_discriminants(unit * scores[None], codes[None], 3)
    np.testing.assert_allclose(
        scaled.log_posterior_path(unit * scores[None]), plain, rtol=1e-9, atol=1e-9
    )


@pytest.mark.parametrize("step", ["multiplicative_scatter", "autoscale"])
def test_what_a_step_learned_is_part_of_what_a_fold_learned(step):
    """Two folds that differ in nothing but the reference or spread that they learned."""
    rng = np.random.default_rng(6)
    training, codes = rng.normal(1.0, 0.1, (12, 5)), np.arange(12) % 2
    fit = fit_training(training, codes, step, Procedure(2, 2))
    parts = fit.learned.reference, fit.learned.spread
    other = Learned(*(None if part is None else part * 1.5 for part in parts))
    assert replace(fit, learned=other).terms() != fit.terms()
    assert replace(fit, learned=Learned()).terms() != fit.terms()


def test_balanced_weights_are_equal_priors_of_the_discriminant():
    scores, codes = np.random.default_rng(4).normal(size=(10, 2)), np.repeat([0, 1], [8, 2])
    for balanced, shares in ((True, [0.5, 0.5]), (False, [0.8, 0.2])):
        procedure = Procedure(2, 2, (DISCRIMINANT,), balanced)
        for found in (
            discriminant_of(scores, codes, procedure),
            fit_training(scores, codes, "none", procedure).discriminant,
        ):
            np.testing.assert_allclose(found.log_prior[0], np.log(shares), rtol=1e-14)
