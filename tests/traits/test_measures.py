"""Errors by hand, and how often intervals hold what they should."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from sklearn.linear_model import LinearRegression
from sklearn.metrics import mean_squared_error, r2_score

from leafledger.traits.prediction_error import (
    conformal,
    difference_of_errors,
    jackknife_plus,
    measures,
)
from leafledger.traits.regression import PermutationTest, splits_of, validate
from leafledger.traits.stage import unclear_reason

from .conftest import TRAITS, WAVELENGTH_NM, known_of, simulated


def values(y, predicted, units, u=None):
    u = np.full(len(y), np.nan) if u is None else u
    return {one.name: one for one in measures(y, np.atleast_2d(predicted), units, u)}


@pytest.mark.parametrize(
    ("rmsep", "p", "n_draws", "reason"),
    [
        (1.7, 0.05, 19, ""),  # 0.85 of the mean's 2, and p at its level
        (1.71, 0.05, 19, "clearly better than the mean of the other pots does (error 1.71 mg"),
        (1.0, 0.10, 19, "exchanged between pots are estimated as well (in 1 of 19 draws, p = 0.1)"),
        (1.0, 0.20, 9, ""),  # nine draws cannot reach 0.05
        (1.0, math.nan, 0, ""),
    ],
)
def test_a_model_is_clear_by_its_error_and_by_exchanged_values(
    rmsep: float, p: float, n_draws: int, reason: str
) -> None:
    rivals = [SimpleNamespace(procedure=n, rmsep=e) for n, e in (("plsr", rmsep), ("mean", 2.0))]
    test = PermutationTest(rmsep, np.ones(n_draws), p)
    one = SimpleNamespace(rivals=rivals, test=test, trait=SimpleNamespace(unit_of_value="mg"))
    said = unclear_reason(one, "pot")
    assert reason in said and bool(said) == bool(reason)


def test_one_leaf_a_unit_is_what_libraries_say() -> None:
    rng = np.random.default_rng(1)
    y = rng.normal(10, 3, 40)
    predicted = y + rng.normal(0.4, 1, 40)
    found = values(y, predicted, np.arange(40))
    mse = mean_squared_error(y, predicted)
    assert found["rmsep"].value == pytest.approx(np.sqrt(mse), rel=1e-12)
    assert found["r2"].value == pytest.approx(r2_score(y, predicted), rel=1e-12)
    assert found["bias"].value == pytest.approx((predicted - y).mean(), rel=1e-12)
    line = LinearRegression().fit(predicted[:, None], y)
    assert found["slope"].value == pytest.approx(line.coef_[0], rel=1e-10)
    assert found["rpd"].value == pytest.approx(y.std(ddof=1) / np.sqrt(mse), rel=1e-12)
    # The jackknife of a mean is Student's interval of a mean.
    ci = stats.t.interval(0.95, 39, (predicted - y).mean(), stats.sem(predicted - y))
    assert (found["bias"].low, found["bias"].high) == pytest.approx(ci, rel=1e-10)


def test_units_weigh_alike_and_repeats_are_averaged_as_squares() -> None:
    y = np.array([1.0, 2.0, 4.0, 8.0, 9.0])
    units = np.array([0, 0, 0, 1, 2])
    predicted = np.array([[2.0, 3.0, 5.0, 11.0, 9.0], [0.0, 1.0, 3.0, 5.0, 9.0]])
    found = values(y, predicted, units)
    assert found["rmsep"].value == pytest.approx(np.sqrt((1 + 9 + 0) / 3))
    assert found["bias"].value == pytest.approx(0.0, abs=1e-12)


def test_the_error_of_the_assay_is_taken_off() -> None:
    y = np.arange(8.0)
    predicted = y + np.array([3.0, -3.0] * 4)
    found = values(y, predicted, np.arange(8), np.full(8, 2.0))
    assert found["rmsep_without_assay"].value == pytest.approx(np.sqrt(9 - 4))
    larger = values(y, predicted, np.arange(8), np.full(8, 4.0))["rmsep_without_assay"]
    assert larger.value == 0.0 and "no larger than that of the assay" in larger.reason
    unknown = values(y, predicted, np.arange(8))["rmsep_without_assay"]
    assert np.isnan(unknown.value) and "no stated error" in unknown.reason


def test_intervals_of_measures_hold_the_truth() -> None:
    """600 studies of 20 units of two leaves, their errors half common to the unit."""
    rng = np.random.default_rng(2)
    n, m, spread, common, own = 20, 2, 3.0, 0.7, 0.7
    units = np.repeat(np.arange(n), m)
    mse = common**2 + own**2
    truth = {
        "rmsep": np.sqrt(mse), "bias": 0.0,
        "slope": spread**2 / (spread**2 + mse), "r2": 1 - mse / spread**2,
        "rpd": spread / np.sqrt(mse),
    }  # fmt: skip
    held = dict.fromkeys(truth, 0)
    for _ in range(600):
        y = rng.normal(0, spread, n)[units]
        error = common * rng.normal(size=n)[units] + own * rng.normal(size=n * m)
        found = values(y, y + error, units)
        for name, true in truth.items():
            held[name] += found[name].low <= true <= found[name].high
    share = {name: count / 600 for name, count in held.items()}
    assert all(0.91 <= one <= 0.98 for one in share.values()), share


def test_a_difference_of_errors_has_its_interval_over_units() -> None:
    rng = np.random.default_rng(3)
    units = np.repeat(np.arange(25), 2)
    held = 0
    for _ in range(400):
        first = rng.normal(0, 1.0, 50)
        second = 0.5 * first + rng.normal(0, np.sqrt(0.75), 50)
        value, low, high = difference_of_errors(first[None], second[None], units)
        assert low < value < high
        held += low <= 0 <= high
    assert 0.92 <= held / 400 <= 0.98
    wide = difference_of_errors(3 * first[None], second[None], units)
    assert wide[1] > 0


def test_bounds_are_counted_and_one_leaf_of_a_unit_counts() -> None:
    middle, size = np.zeros((4, 1)), np.array([1.0, 2.0, 3.0, 9.0])
    whole = np.array([[0, 1, 2, 3]])
    assert jackknife_plus(middle, size, whole, 0.6)[1] == [3.0], "ceil(0.6 * 5) = 3"
    assert jackknife_plus(middle, size, whole, 0.61)[1] == [9.0]
    low, high = jackknife_plus(middle + 5, size, np.array([[0, 2], [1, 3]]), 0.6)
    assert (low, high) == ([5 - 6.0], [5 + 6.0]), "the mean of 3 and 9"


def test_few_units_cannot_carry_a_high_level() -> None:
    leaves = simulated(9, 1, np.random.default_rng(4))
    known = known_of(leaves)
    splits = splits_of(known, len(WAVELENGTH_NM), TRAITS, "plant", [])
    one = validate(known, leaves.spectra, WAVELENGTH_NM, splits, ["none"])
    made = conformal(
        one.fold_models, splits.schemes[0].fold, known.y, one.predicted[0], known.unit_of,
        np.random.default_rng(1),
    )  # fmt: skip
    assert made.reached(0.95) == pytest.approx(0.9) and made.reached(0.8) == 0.8
    low, high = made.interval(leaves.spectra, WAVELENGTH_NM, 0.95)
    middle = np.array([m.predict(leaves.spectra, WAVELENGTH_NM) for m in one.fold_models])
    size = made.size[:, None]
    np.testing.assert_allclose(high, (middle[made.fold] + size).max(axis=0))
    np.testing.assert_allclose(low, (middle[made.fold] - size).min(axis=0))


def coverage(n_units: int, n_leaves: int, n_studies: int, seed: int) -> float:
    """Return how often 95 % intervals hold the assay of a leaf of a new plant."""
    rng = np.random.default_rng(seed)
    held, total = 0, 0
    for _ in range(n_studies):
        leaves = simulated(n_units + 20, n_leaves, rng)
        old = leaves.unit < n_units
        part = type(leaves)(*(getattr(leaves, name)[old] for name in
                              ("spectra", "true", "known", "unit")))  # fmt: skip
        known = known_of(part)
        splits = splits_of(known, len(WAVELENGTH_NM), TRAITS, "plant", [])
        one = validate(known, part.spectra, WAVELENGTH_NM, splits, ["none"])
        made = conformal(
            one.fold_models, splits.schemes[0].fold, known.y, one.predicted[0], known.unit_of,
            rng,
        )  # fmt: skip
        low, high = made.interval(leaves.spectra[~old], WAVELENGTH_NM, 0.95)
        inside = (low <= leaves.known[~old]) & (leaves.known[~old] <= high)
        held, total = held + int(inside.sum()), total + len(inside)
    return held / total


@pytest.mark.slow
@pytest.mark.parametrize(("n_units", "n_leaves"), [(20, 1), (20, 3), (40, 2)])
def test_prediction_intervals_hold_new_leaves(n_units: int, n_leaves: int) -> None:
    """Leaves of a plant share what the spectrum does not know: plants are clusters."""
    assert 0.93 <= coverage(n_units, n_leaves, 120, n_units + n_leaves) <= 0.97
