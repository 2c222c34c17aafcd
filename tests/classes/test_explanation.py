"""What the model looks at: selectivity, words, and what separates confused classes."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import roc_auc_score

from leafledger.classes import explanation, stage
from leafledger.classes.class_tables import roc_area
from leafledger.classes.explanation import (
    resampled_terms,
    selectivity_ratio,
    separating_wavelengths,
    unit_mean_spectra,
)
from leafledger.classes.fold_fit import MEMBERSHIP, Procedure, fit_training
from leafledger.resampling.splits import members_of
from leafledger.spectra.grid import component_words
from leafledger.study.table_files import read_json, read_parquet

from .conftest import leaves

AXIS = np.arange(400.0, 1001.0)


def band(start, stop, height=1.0):
    return np.where((start <= AXIS) & (stop > AXIS), height, 0.0)


def test_selectivity_is_that_of_a_regression_on_the_target_score():
    """Explained over unexplained is r^2 / (1 - r^2) of each wavelength with the score."""
    rng = np.random.default_rng(0)
    spectra, coefficients = rng.normal(size=(40, 6)), rng.normal(size=(6, 2))
    found = selectivity_ratio(spectra, coefficients)
    for k in range(2):
        score = (spectra - spectra.mean(axis=0)) @ coefficients[:, k]
        r2 = np.array([np.corrcoef(score, column)[0, 1] ** 2 for column in spectra.T])
        np.testing.assert_allclose(found[:, k], r2 / (1 - r2), rtol=1e-9)


def test_selectivity_where_nothing_varies_is_zero():
    spectra = np.column_stack([np.arange(5.0), np.full(5, 0.3)])
    assert selectivity_ratio(spectra, np.array([[1.0], [0.0]]))[1, 0] == 0
    assert (selectivity_ratio(spectra, np.zeros((2, 1))) == 0).all()


@pytest.mark.parametrize(
    ("loading", "words"),
    [
        (np.ones(len(AXIS)), "follows the brightness of the whole spectrum"),
        (band(500, 600) + band(690, 740), "follows green and red edge up and down"),
        (band(750, 1000, 0.6) - band(400, 680, 0.4), "compares near-infrared with visible"),
        (-band(750, 1000, 0.6) + band(400, 680, 0.4), "compares near-infrared with visible"),
        (band(640, 680) - band(690, 740), "compares red edge with red"),
        (np.zeros(len(AXIS)), "empty"),
    ],
)
def test_words_say_what_is_compared(loading, words):
    assert component_words(loading, AXIS) == words


def test_noise_is_called_noise():
    assert component_words(np.ones(len(AXIS)), AXIS, noise=True).endswith("noise, not to be read")


def test_a_planted_difference_is_found_where_it_is():
    rng = np.random.default_rng(1)
    base = 0.4 + 0.001 * rng.normal(size=(12, len(AXIS)))
    base[:6] += 0.05 * np.exp(-(((AXIS - 700) / 8) ** 2))
    base[:6] -= 0.03 * np.exp(-(((AXIS - 560) / 8) ** 2))
    found = separating_wavelengths(base[:6], base[6:], AXIS)
    assert abs(found[0].wavelength_nm - 700) < 6 and found[0].difference > 0.03
    assert any(abs(one.wavelength_nm - 560) < 8 and one.difference < 0 for one in found)
    where = [one.wavelength_nm for one in found]
    assert min(abs(a - b) for a in where for b in where if a != b) >= 20
    assert separating_wavelengths(base[:1], base[1:2], AXIS) == []
    first = found[0]
    assert first.standardised == pytest.approx(first.difference / first.sd_units)


def test_unit_means_do_not_count_scans_twice():
    spectra = np.array([[1.0], [3.0], [10.0]])
    assert unit_mean_spectra(spectra, np.array([0, 0, 1])).tolist() == [[2.0], [10.0]]


def test_tables_and_summary_explain_the_model(make_job):
    job = make_job(gap=1.0, classes={"n_permutations": 0})
    stage.run(job)
    told, terms = read_json(job.outputs["summary"]), read_parquet(job.outputs["terms"])
    assert [c["component"] for c in told["components"]] == list(range(1, 7))
    assert 0 < sum(c["spectra_explained"] for c in told["components"]) <= 1
    assert 0 < sum(c["membership_explained"] for c in told["components"]) <= 1
    steady = [not c["noise"] for c in told["components"]]
    assert sum(steady) == told["stable_components"]
    assert steady == sorted(steady, reverse=True), "once noise, always noise"
    ratio = terms[terms["term"] == "selectivity_ratio"]
    assert sorted(ratio["class"].unique()) == told["classes"]
    assert (ratio["value"] >= 0).all() and (ratio["sd_resample"] > 0).all()
    said = pd.read_csv(job.outputs["predictions"])
    table = pd.read_csv(job.outputs["per_class"]).set_index("class")
    for name, row in table.iterrows():
        own, named = said[said["true"] == name], said[said["predicted"] == name]
        assert row["sensitivity"] == pytest.approx((own["predicted"] == name).mean())
        assert row["precision"] == pytest.approx((named["true"] == name).mean())
        assert row["sensitivity_low"] < row["sensitivity"] < row["sensitivity_high"]
        assert row["n_predicted"] == pytest.approx(len(named) / 2)
    pairs = pd.read_csv(job.outputs["confused_pairs"])
    wrong = said[said["true"] != said["predicted"]]
    assert set(zip(pairs["true"], pairs["predicted"], strict=True)) == set(
        zip(wrong["true"], wrong["predicted"], strict=True)
    )
    one = pairs[pairs["rank"] == 1].set_index(["true", "predicted"])["n_scans"]
    counted = wrong.groupby(["true", "predicted"]).size() / 2
    pd.testing.assert_series_equal(one.sort_index(), counted, check_names=False)


def test_separation_by_hand():
    """Two and two units: squares 0.02 + 0.02 with two degrees of freedom."""
    first, second = np.array([[1.0, 5.0], [1.2, 5.2]]), np.array([[1.1, 3.0], [1.3, 3.2]])
    strong, weak = separating_wavelengths(first, second, np.array([500.0, 600.0]))
    assert (strong.wavelength_nm, weak.wavelength_nm) == (600.0, 500.0)
    for found, difference in ((strong, 2.0), (weak, -0.1)):
        assert found.difference == pytest.approx(difference)
        assert found.sd_units == pytest.approx(np.sqrt(0.04 / 2))
        assert found.standardised == pytest.approx(difference / np.sqrt(0.02))


def test_spread_of_two_resamples_is_their_difference_over_root_two(monkeypatch):
    """Units are drawn with replacement within their class, with all their scans."""
    monkeypatch.setattr(explanation, "N_RESAMPLES", 2)
    labels = np.arange(8) % 2
    spectra = leaves(labels, 2, 12, 2.0, np.random.default_rng(4))
    units, codes = np.repeat(np.arange(8), 2), np.repeat(labels, 2)
    data = SimpleNamespace(
        spectra=spectra, wavelength_nm=np.arange(12.0), unit_of=units, codes=codes
    )
    procedure = Procedure(2, 2)
    chosen = SimpleNamespace(procedure=procedure, chosen=("none", MEMBERSHIP, 1))
    whole = fit_training(spectra, codes, "none", procedure)
    found = resampled_terms(data, chosen, whole, np.random.default_rng(6))
    rng, members = np.random.default_rng(6), members_of(units)
    each = []
    for _ in range(2):
        drawn = [np.flatnonzero(labels == c)[rng.integers(0, 4, 4)] for c in (0, 1)]
        rows = np.concatenate([members[unit] for unit in np.concatenate(drawn)])
        each.append(fit_training(spectra[rows], codes[rows], "none", procedure).path)
    one, other = each
    expected = np.abs(one.coefficients(1) - other.coefficients(1)) / np.sqrt(2)
    np.testing.assert_allclose(found.coefficients, expected, rtol=1e-9)
    turned = [np.sign((p.weights * whole.path.weights).sum(axis=0)) for p in each]
    expected = np.abs(one.loadings * turned[0] - other.loadings * turned[1]) / np.sqrt(2)
    np.testing.assert_allclose(found.loadings, expected, rtol=1e-9)


def test_area_under_the_curve_is_that_of_an_independent_library():
    rng = np.random.default_rng(9)
    codes, tested = rng.integers(0, 3, 60), np.arange(60) < 50
    given = [rng.dirichlet([1, 1, 1], 60).round(1) for _ in range(2)]  # rounded: with ties
    validated = SimpleNamespace(tested=tested, probability=given)
    for k in range(3):
        own = codes == k
        expected = np.mean([roc_auc_score(own[tested], p[tested, k]) for p in given])
        assert roc_area(validated, own, k) == pytest.approx(expected, rel=1e-12)
    assert np.isnan(roc_area(validated, np.zeros(60, dtype=bool), 0))
    assert np.isnan(roc_area(validated, np.ones(60, dtype=bool), 0))
