"""Spectra read in row groups: the same classifier as in memory, scikit-learn's and the BLAS's."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from leafledger.classes import splits, stage, streaming, summed_fits
from leafledger.classes.fold_assignment import planned
from leafledger.classes.fold_fit import Procedure, fit_training
from leafledger.classes.splits import labelled_spectra, sampled
from leafledger.errors import InputFault
from leafledger.spectra.pls import membership_of
from leafledger.study import table_files
from leafledger.study.table_files import read_json, read_parquet

STEPS = ["none", "standard_normal_variate", "derivative_1"]


@pytest.fixture
def tiny_groups(monkeypatch):
    """Files of five scans a row group, read seven at a time, always in row groups."""
    monkeypatch.setattr(table_files, "_ROWS_PER_GROUP", 5)

    def apply() -> None:
        monkeypatch.setattr(splits, "MOST_IN_MEMORY", 0)
        files = splits.SpectrumFiles
        monkeypatch.setattr(
            splits, "SpectrumFiles", lambda *given: replace(files(*given), rows_per_block=7)
        )

    return apply


def both(make_job, tiny_groups, **classes):
    """Return the outputs of the rule with the spectra in memory, and read in row groups."""
    jobs = []
    for folder in ("memory", "files"):
        if folder == "files":
            tiny_groups()
        job = make_job(
            classes={"n_permutations": 0, **classes}, gap=1.0, n_wavelengths=91, folder=folder,
            excluded=lambda scan: scan.endswith(("p03-1", "p07-2")),
        )  # fmt: skip
        stage.run(job)
        jobs.append(job.outputs)
    return jobs


def same_numbers(first: object, other: object, tolerance: float) -> None:
    """Assert that two JSON values are equal but for the rounding of their numbers."""
    if isinstance(first, dict) and isinstance(other, dict):
        assert first.keys() == other.keys()
        for key in first:
            same_numbers(first[key], other[key], tolerance)
    elif isinstance(first, list) and isinstance(other, list):
        assert len(first) == len(other)
        for a, b in zip(first, other, strict=True):
            same_numbers(a, b, tolerance)
    elif isinstance(first, float):
        assert other == pytest.approx(first, rel=tolerance, abs=tolerance)
    else:
        assert first == other


@pytest.mark.parametrize(
    "classes",
    [
        {"preprocessing": STEPS, "decision": "auto"},
        {"preprocessing": ["autoscale"], "decision": "linear_discriminant", "weights": "balanced"},
        {"preprocessing": ["detrend"], "weights": "balanced", "folds": {"outer": 6, "repeats": 1}},
        {"split": "session", "decision": "auto", "folds": {"outer": 5, "repeats": 1}},
    ],
)
def test_row_groups_give_what_memory_gives(make_job, tiny_groups, classes):
    memory, files = both(make_job, tiny_groups, **classes)
    for role in ("path", "predictions", "confusion", "per_class", "reliability", "confused_pairs"):
        expected, found = (pd.read_csv(each[role]) for each in (memory, files))
        pd.testing.assert_frame_equal(found, expected, rtol=1e-5, atol=1e-6)
    expected, found = (read_parquet(each["terms"]) for each in (memory, files))
    pd.testing.assert_frame_equal(found, expected, rtol=1e-5, atol=1e-6)
    expected, found = (read_json(each["summary"]) for each in (memory, files))
    assert (expected.pop("spectra_read"), found.pop("spectra_read")) == ("at once", "in row groups")
    digests = expected.pop("fitted_terms_sha256"), found.pop("fitted_terms_sha256")
    assert [len(row) for row in digests[0]] == [len(row) for row in digests[1]]
    same_numbers(expected, found, 1e-6)
    expected, found = (read_json(each["model_card"]) for each in (memory, files))
    for card in (expected, found):
        card.pop("model_sha256"), card["training"].pop("spectra_sha256"), card.pop("card_sha256", 0)
    same_numbers(expected, found, 1e-6)
    from leafledger.classes.model import load_saved_model

    models = [load_saved_model(each["model"], each["model_card"]).model for each in (memory, files)]
    for name in ("spectrum_mean_", "rotations_", "loadings_", "membership_loadings_"):
        expected, found = (getattr(model, name) for model in models)
        np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-8)
    for name in ("score_means_", "whitening_", "log_prior_", "spread_"):
        expected, found = (getattr(model, name) for model in models)
        np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-8)
