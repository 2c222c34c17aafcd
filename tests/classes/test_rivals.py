"""Simple rivals: each does what its name says, in the splits of the classifier."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from sklearn.datasets import load_iris
from sklearn.neighbors import NearestCentroid

from leafledger.classes import baselines, stage
from leafledger.classes.baselines import (
    logistic_regression,
    majority_class,
    nearest_class_mean,
    principal_component_discriminant,
    random_forest,
)
from leafledger.study.tables import RIVALS

EVERY = [
    "discriminant_model", "index_logistic_regression", "majority_class", "nearest_class_mean",
    "principal_component_discriminant", "prior_draw", "random_forest",
]  # fmt: skip


@pytest.fixture(scope="module")
def iris():
    data = load_iris()
    training = np.arange(150) % 3 != 0
    return data.data[training], data.target[training], data.data[~training], data.target[~training]


def test_nearest_mean_is_that_of_an_independent_library(iris):
    spectra, codes, judged, _ = iris
    reference = NearestCentroid().fit(spectra, codes).predict(judged)
    np.testing.assert_array_equal(nearest_class_mean(spectra, codes, judged, 0), reference)


@pytest.mark.parametrize(
    "rival", [principal_component_discriminant, logistic_regression, random_forest]
)
def test_each_tells_the_irises_apart(iris, rival):
    spectra, codes, judged, truth = iris
    # Fisher 1936: three of 150 misjudged by a linear discriminant of all; 47 of 50 is asked.
    assert (rival(spectra, codes, judged, 1) == truth).sum() >= 46


def test_majority_is_that_of_training():
    said = majority_class(np.zeros((5, 2)), np.array([1, 2, 2, 1, 2]), np.zeros((3, 2)), 0)
    assert said.tolist() == [2, 2, 2]


@pytest.mark.parametrize("rival", [principal_component_discriminant, logistic_regression])
def test_flat_spectra_fall_back_to_the_majority(rival):
    said = rival(np.full((6, 4), 0.5), np.array([0, 1, 1, 1, 0, 1]), np.full((2, 4), 0.5), 0)
    assert said.tolist() == [1, 1]


def test_same_splits_as_the_classifier(make_job):
    job = make_job(rule="rivals")
    outcome = baselines.run(job)
    table = pd.read_csv(job.outputs["rivals"])
    assert tuple(table.columns) == RIVALS
    assert sorted(table["procedure"].unique()) == EVERY
    classes = make_job()
    stage.run(classes)
    path = pd.read_csv(classes.outputs["path"])
    held = path[(path["split"] == "outer") & (path["n_components"] == 1)]
    expected = held.set_index(["repeat", "fold"])["n_scans"]
    for name, part in table.groupby("procedure"):
        # A forest is held out in the first repeat only.
        held_out = expected.loc[[1]] if name == "random_forest" else expected
        pd.testing.assert_series_equal(part.set_index(["repeat", "fold"])["n_scans"], held_out)
    np.testing.assert_allclose(table["accuracy"], table["n_correct"] / table["n_scans"])
    share = {m.name: m.value for m in outcome.metrics}
    assert share["accuracy_nearest_class_mean"] > 0.7
    assert sorted(share) == [f"accuracy_{name}" for name in EVERY]
    for name, part in table.groupby("procedure"):
        right = part["n_correct"].sum() / part["n_scans"].sum()
        assert share[f"accuracy_{name}"] == pytest.approx(right, rel=1e-12)
    # Three classes of equal size, spread evenly over the folds.
    assert share["accuracy_majority_class"] == pytest.approx(1 / 3)
    assert outcome.warnings[0] == (
        "left out of the logistic regression, without a value for every scan: WI"
    )


def test_rivals_without_any_index_leave_the_regression_out(make_job):
    job = make_job(rule="rivals")
    from leafledger.study.table_files import read_parquet, write_parquet

    for session in ("day4", "day8"):
        path = job.inputs[f"indices/{session}"]
        frame = read_parquet(path)
        import pyarrow as pa

        only = frame[frame["index"] == "WI"]
        write_parquet(path, pa.Table.from_pandas(only, preserve_index=False), {}, ("scan",))
    outcome = baselines.run(job)
    assert outcome.warnings[-1:] == ["no logistic regression: no index has a value for every scan"]
    assert "index_logistic_regression" not in set(pd.read_csv(job.outputs["rivals"])["procedure"])


def test_a_rival_that_cannot_be_trained_is_left_out_and_named(make_job):
    """Two scans train two classes: no spread within classes is left for a linear discriminant."""
    units = {
        f"p{i}": {"treatment": "water", "block": "A", "cultivar": "HK"[i // 2]} for i in range(4)
    }
    job = make_job(
        rule="rivals", units=units, classes={"sessions": ["day4"], "n_permutations": 0},
        excluded=lambda scan: scan.endswith("-2"),
    )  # fmt: skip
    outcome = baselines.run(job)
    assert "no principal component discriminant: 2 scans train 2 classes" in outcome.warnings
    said = set(pd.read_csv(job.outputs["rivals"])["procedure"])
    assert "principal_component_discriminant" not in said and "random_forest" in said


def test_principal_components_are_those_of_the_training_part_by_hand():
    """Singular vectors of the centred training part, Ledoit-Wolf covariance, Fisher's rule.

    The scans to judge lie far from the training mean, along the direction that carries most
    variance, so that any other mean or any other axes name other classes.
    """
    from sklearn.covariance import ledoit_wolf
    from sklearn.preprocessing import StandardScaler

    rng = np.random.default_rng(4)
    codes = np.repeat([0, 1, 2], [14, 10, 6])
    training = rng.normal(size=(30, 8)) * np.array([9, 3, 2, 1, 1, 0.5, 0.5, 0.01]) + 7
    training[:, 1:4] += 1.5 * np.eye(3)[codes]
    judged = rng.normal(size=(200, 8)) * np.array([9, 3, 2, 1, 1, 0.5, 0.5, 0.01]) + 8
    mean = training.mean(axis=0)
    _, sizes, axes = np.linalg.svd(training - mean, full_matrices=False)
    share = np.cumsum(sizes**2) / (sizes**2).sum()
    n = int((share < 0.999).sum()) + 1
    assert n == 7, "the last column carries nothing"
    placed, others = (training - mean) @ axes[:n].T, (judged - mean) @ axes[:n].T
    covariance = np.zeros((n, n))
    for code in range(3):
        # As scikit-learn does: each class scaled, shrunken, scaled back, weighted by its share.
        own = placed[codes == code]
        scaler = StandardScaler().fit(own)
        shrunken = ledoit_wolf(scaler.transform(own))[0]
        covariance += (codes == code).mean() * np.outer(scaler.scale_, scaler.scale_) * shrunken
    means = np.stack([placed[codes == code].mean(axis=0) for code in range(3)])
    weights = np.linalg.solve(covariance, means.T)
    priors = np.log(np.bincount(codes) / len(codes))
    decided = others @ weights - 0.5 * (means.T * weights).sum(axis=0) + priors
    said = principal_component_discriminant(training, codes, judged, 0)
    np.testing.assert_array_equal(said, decided.argmax(axis=1))
    assert set(said) == {0, 1, 2}
    # At most a third as many components as training scans.
    few = np.r_[0:4, 14:17, 24:26]
    assert len(few) // 3 == 3
    placed = (training[few] - training[few].mean(axis=0)) @ np.linalg.svd(
        training[few] - training[few].mean(axis=0), full_matrices=False
    )[2][:3].T
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

    reference = LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto")
    expected = reference.fit(placed, codes[few]).predict(placed)
    found = principal_component_discriminant(training[few], codes[few], training[few], 0)
    np.testing.assert_array_equal(found, expected)


def test_a_table_is_standardised_by_its_training_part_alone():
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    rng = np.random.default_rng(1)
    codes = np.arange(40) % 3
    training = rng.normal(size=(40, 4)) * [1, 100, 0.01, 5] + [3, 0, 1, 9]
    training[:, 1] += 120 * codes
    training[:, 2] -= 0.012 * (codes == 1)
    judged = training + rng.normal(size=(40, 4)) * [2, 200, 0.02, 10] + [4, 50, 0, 0]
    reference = make_pipeline(StandardScaler(), LogisticRegression(C=1.0, max_iter=2000))
    expected = reference.fit(training, codes).predict(judged)
    np.testing.assert_array_equal(logistic_regression(training, codes, judged, 0), expected)


def test_a_forest_follows_its_seed_and_its_number_of_trees():
    from sklearn.ensemble import RandomForestClassifier

    rng = np.random.default_rng(2)
    codes, training, judged = np.arange(60) % 3, rng.normal(size=(60, 5)), rng.normal(size=(300, 5))
    for seed in (3, 4):
        reference = RandomForestClassifier(100, random_state=seed).fit(training, codes)
        expected = reference.predict(judged)
        np.testing.assert_array_equal(random_forest(training, codes, judged, seed), expected)
    assert (random_forest(training, codes, judged, 3) != expected).any()
