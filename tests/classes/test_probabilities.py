"""Class probabilities: calibrated where nothing was learned, and scored as published."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from leafledger.classes import stage
from leafledger.classes.cross_validation import brier_score, fit_sharpness, reliability, softmax
from leafledger.study.table_files import read_json


def drawn(sharpness, n, seed=0):
    """Return decisions and the classes that their softmax at ``sharpness`` drew."""
    rng = np.random.default_rng(seed)
    decision = rng.normal(size=(n, 3))
    p = softmax(decision, sharpness)
    return decision, (rng.random((n, 1)) > np.cumsum(p, axis=1)).sum(axis=1)


@pytest.mark.parametrize("sharpness", [0.5, 2.0, 6.0])
def test_a_planted_sharpness_is_found_again(sharpness):
    decision, codes = drawn(sharpness, 20_000)
    assert fit_sharpness(decision, codes, 20_000) == pytest.approx(sharpness, rel=0.05)


def test_few_units_are_never_certain():
    decision = np.repeat(np.eye(2), 6, axis=0)
    codes = np.repeat([0, 1], 6)
    sure = softmax(decision, fit_sharpness(decision, codes, 4))
    np.testing.assert_allclose(sure[:6, 0], 5 / 6, atol=1e-3)
    assert softmax(decision, fit_sharpness(decision, codes, 400))[0, 0] > 0.99


def test_a_decision_that_says_nothing_gives_even_shares():
    decision, codes = np.random.default_rng(0).normal(size=(3000, 3)), np.arange(3000) % 3
    sure = softmax(decision, fit_sharpness(decision, codes, 3000))
    assert np.abs(sure - 1 / 3).max() < 0.1


def test_a_class_that_cannot_be_has_probability_zero():
    assert softmax(np.array([[0.3, -np.inf]]), 2.0).tolist() == [[1.0, 0.0]]


def test_brier_score_is_twice_that_of_two_classes_elsewhere():
    """Brier 1950 sums over the classes; scikit-learn's two-class score counts one of them."""
    rng = np.random.default_rng(0)
    p, codes = rng.random(200), rng.integers(0, 2, 200)
    mine = brier_score(np.column_stack([1 - p, p]), codes)
    assert mine == pytest.approx(2 * brier_score_loss(codes, p), rel=1e-12)
    assert brier_score(np.eye(3)[[0, 1, 2]], np.array([0, 1, 2])) == 0


def test_reliability_is_that_of_an_independent_library():
    decision, codes = drawn(2.0, 4000)
    p = softmax(decision, 2.0)
    rows = reliability(p, codes, np.arange(4000))
    right, mean = calibration_curve(p.argmax(axis=1) == codes, p.max(axis=1), n_bins=10)
    np.testing.assert_allclose([row[4] for row in rows], mean, atol=1e-12)
    np.testing.assert_allclose([row[5] for row in rows], right, atol=1e-12)
    # What is drawn with these probabilities must be found reliable.
    assert all(abs(row[4] - row[5]) < 3.5 * 0.5 / np.sqrt(row[2]) for row in rows)


@pytest.mark.parametrize("decision", ["largest_membership", "linear_discriminant"])
def test_tables_of_a_study_hold_probabilities_of_scans_held_out(make_job, decision):
    job = make_job(classes={"decision": decision, "n_permutations": 0}, gap=1.0)
    stage.run(job)
    said = pd.read_csv(job.outputs["predictions"])
    told = read_json(job.outputs["summary"])
    names = [f"p_{name}" for name in told["classes"]]
    np.testing.assert_allclose(said[names].sum(axis=1), 1)
    largest = said[names].idxmax(axis=1).str.removeprefix("p_")
    assert (largest == said["predicted"]).all()
    codes = said["true"].map({name: i for i, name in enumerate(told["classes"])}).to_numpy()
    by_repeat = [
        brier_score(said.loc[own, names].to_numpy(), codes[own])
        for own in (said["repeat"] == 1, said["repeat"] == 2)
    ]
    assert told["brier"] == pytest.approx(np.mean(by_repeat))
    assert told["brier"] < told["brier_of_class_shares"] == pytest.approx(2 / 3)
    table = pd.read_csv(job.outputs["reliability"])
    assert table["n_scans"].sum() == len(said)
    right = (table["share_right"] * table["n_scans"]).sum() / len(said)
    assert right == pytest.approx(told["accuracy"])


def test_softmax_of_large_log_posteriors_is_that_of_scipy():
    decision = np.array([[900.0, 899.0, 0.0], [-900.0, -901.0, -2000.0], [0.0, 1.0, 2.0]])
    for sharpness in (0.5, 1.0, 3.0):
        expected = special.softmax(sharpness * decision, axis=1)
        np.testing.assert_allclose(softmax(decision, sharpness), expected, rtol=1e-12)


@pytest.mark.parametrize("n_classes", [2, 3, 5])
def test_sharpness_of_scans_that_are_always_right_by_hand(n_classes):
    """The true class gets (n + 1) / (n + 2): exp(s) / (exp(s) + k - 1), so s = ln((k - 1) (n + 1)).

    Decisions are 1 for the true class and 0 for the others; n is the number of units.
    """
    codes = np.arange(20) % n_classes
    found = fit_sharpness(np.eye(n_classes)[codes], codes, 7)
    assert found == pytest.approx(np.log((n_classes - 1) * 8), rel=1e-4)


def test_the_upper_limit_belongs_to_its_bin():
    sure = np.array([0.5, 0.85, 0.9, 0.91, 1.0])
    rows = reliability(np.column_stack([sure, 1 - sure]), np.zeros(5, int), np.arange(5))
    assert [(*np.round(row[:2], 9), row[2]) for row in rows] == [
        (0.4, 0.5, 1), (0.8, 0.9, 2), (0.9, 1.0, 2)
    ]  # fmt: skip
