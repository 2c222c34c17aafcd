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
from leafledger.study.columns import RIVALS

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
    for _, part in table.groupby("procedure"):
        pd.testing.assert_series_equal(part.set_index(["repeat", "fold"])["n_scans"], expected)
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
    from leafledger.study.tables import read_parquet, write_parquet

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
