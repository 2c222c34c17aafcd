"""The regression against other implementations, published errors, and its splits."""

from __future__ import annotations

import os
from typing import Any

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression

from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import one_by_one_scheme
from leafledger.spectra.applicability import STEPS
from leafledger.traits import regression
from leafledger.traits.regression import (
    Engine,
    exchangeable,
    fit_regression,
    held_out_sessions,
    nested_validation,
    permutation_test,
    splits_of,
    unit_rms,
    validate,
)

from .conftest import TRAITS, WAVELENGTH_NM, known_of, simulated

AXIS = WAVELENGTH_NM


def test_the_fit_is_that_of_scikit_learn() -> None:
    leaves = simulated(30, 2, np.random.default_rng(1))
    for n in (1, 3, 6):
        ours = fit_regression(leaves.spectra, leaves.known, "none", n, AXIS)
        other = PLSRegression(n, scale=False).fit(leaves.spectra, leaves.known)
        new = simulated(5, 1, np.random.default_rng(2)).spectra
        np.testing.assert_allclose(
            ours.predict(new, AXIS), other.predict(new).ravel(), rtol=1e-8, atol=1e-8
        )
        np.testing.assert_allclose(ours.coefficients, other.coef_.ravel(), rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("step", STEPS)
def test_many_sets_at_once_are_the_single_fits(step: str, monkeypatch: pytest.MonkeyPatch) -> None:
    leaves = simulated(14, 2, np.random.default_rng(3))
    y = np.stack([leaves.known, np.random.default_rng(4).permutation(leaves.known)])
    training = leaves.unit % 3 != 0
    found = Engine(leaves.spectra, step, AXIS).predict(training, ~training, y, 4)
    assert found.shape == (2, 4, int((~training).sum()))
    for i, of_set in enumerate(y):
        for n in (1, 2, 4):
            one = fit_regression(leaves.spectra[training], of_set[training], step, n, AXIS)
            np.testing.assert_allclose(
                found[i, n - 1], one.predict(leaves.spectra[~training], AXIS), rtol=1e-7
            )
    monkeypatch.setattr(regression, "MOST_IN_ONE_PRODUCT", 5)
    apart = Engine(leaves.spectra, step, AXIS).predict(training, ~training, y, 4)
    np.testing.assert_allclose(apart, found, rtol=1e-7)


# Kalivas 1997, Chemom. Intell. Lab. Syst. 37:255-259 (60 gasolines). Errors as Mevik & Wehrens
# 2007, J. Stat. Softw. 18(2), sec. 5, print them; leave-one-out R2 by R, package pls 2.8-1.
LEAVE_ONE_OUT = [1.357, 0.2966, 0.2524, 0.2476, 0.2398, 0.2319, 0.2386, 0.2316, 0.2449, 0.2673]
LAST_TEN = [1.1696, 0.2445, 0.2341, 0.3287, 0.2780, 0.2703, 0.3301, 0.3571, 0.4090, 0.6116]
R2_OF_R = [0.196887270384033, 0.961624909229167, 0.972212086180618, 0.973265397475671]


@pytest.mark.skipif(
    "LEAFLEDGER_GASOLINE" not in os.environ,
    reason="the gasoline data are under the GPL and not shipped: name a CSV of octane and 401 "
    "columns (R package pls) in LEAFLEDGER_GASOLINE",
)
def test_gasoline_errors_are_the_published_ones() -> None:
    from leafledger.traits.prediction_error import measures

    table = np.loadtxt(os.environ["LEAFLEDGER_GASOLINE"], delimiter=",", skiprows=1)
    octane, spectra = table[:, 0], table[:, 1:]
    axis = np.arange(900.0, 1701.0, 2.0)
    first, units = slice(0, 50), np.arange(50)
    scheme = one_by_one_scheme(units, generator(1, "gasoline"))
    engine = Engine(spectra[first], "none", axis)
    nested = nested_validation([engine], scheme, octane[None, first], units, (10,))
    errors = unit_rms(nested.every[0, 0] - octane[first], units)
    np.testing.assert_allclose(errors, LEAVE_ONE_OUT, atol=6e-4)
    for n, r2 in enumerate(R2_OF_R):
        of = measures(octane[first], nested.every[0, 0, n][None], units, np.full(50, np.nan))
        assert {m.name: m.value for m in of}["r2"] == pytest.approx(r2, abs=1e-9)
    for n, error in enumerate(LAST_TEN, start=1):
        model = fit_regression(spectra[first], octane[first], "none", n, axis)
        off = model.predict(spectra[50:], axis) - octane[50:]
        assert float(np.sqrt((off**2).mean())) == pytest.approx(error, abs=6e-5)
    # The whole nested procedure cannot be much worse than the best number of latent variables.
    assert float(unit_rms(nested.predicted[0] - octane[first], units)) < 0.29


def splits(known: Any, warnings: list[str] | None = None, **settings: Any) -> Any:
    given = {**TRAITS, **settings}
    return splits_of(known, len(AXIS), given, "plant", [] if warnings is None else warnings)


def test_no_unit_stands_on_both_sides() -> None:
    leaves = simulated(40, 3, np.random.default_rng(5))
    known = known_of(leaves, day=np.arange(120) % 3)
    found = splits(known)
    assert len(found.schemes) == 3 and found.schemes[0].n_folds == 10
    assert found.test_scheme.n_folds == 5
    for scheme in (*found.schemes, found.test_scheme, found.unseen_days):
        for i, outer in enumerate(scheme.outer):
            held = set(known.unit_of[scheme.fold == i])
            assert held and not held & set(known.unit_of[scheme.training[outer]])
            for inner, validated in scheme.inner[i]:
                trains = set(known.unit_of[scheme.training[inner]])
                assert not trains & held and not trains & set(known.unit_of[validated])
                assert not held & set(known.unit_of[validated])
    days = found.unseen_days
    for i, outer in enumerate(days.outer):
        (day,) = set(known.day[days.fold == i])
        assert day not in set(known.day[days.training[outer]])


def test_few_units_are_held_out_one_by_one_and_requests_are_bounded() -> None:
    known = known_of(simulated(12, 1, np.random.default_rng(6)))
    found = splits(known)
    assert found.schemes[0].n_folds == 12 and len(found.schemes) == 1
    assert found.widths == (3,), "ten or nine units train inside: a third of nine"
    assert found.unseen_days is None and "one session" in found.no_unseen_days
    warnings: list[str] = []
    many = splits(known, warnings, folds={"outer": 20, "repeats": 5}, max_components=40)
    assert many.schemes[0].n_folds == 12 and len(many.schemes) == 1
    assert [word in text for text, word in zip(warnings, ("12 outer", "one repeat", "at most"),
                                               strict=True)] == [True] * 3  # fmt: skip


def test_what_is_held_out_changes_nothing_that_was_learned() -> None:
    """The estimate of a unit, and what its fold chose, do not look at its own value."""
    leaves = simulated(15, 2, np.random.default_rng(7))
    known = known_of(leaves)
    found = splits(known)
    one = validate(known, leaves.spectra, AXIS, found, ["none", "standard_normal_variate"])
    moved = leaves.known.copy()
    moved[leaves.unit == 4] += 500.0
    other_leaves = type(leaves)(leaves.spectra, leaves.true, moved, leaves.unit)
    two = validate(
        known_of(other_leaves), leaves.spectra, AXIS, found, ["none", "standard_normal_variate"]
    )
    own = leaves.unit == 4
    np.testing.assert_allclose(one.predicted[0, own], two.predicted[0, own], rtol=1e-9)
    assert not np.allclose(one.predicted[0, ~own], two.predicted[0, ~own])
    fold = int(found.schemes[0].fold[own][0])
    np.testing.assert_allclose(
        one.fold_models[fold].predict(leaves.spectra, AXIS)[own], one.predicted[0, own], rtol=1e-8
    )


def test_a_planted_trait_is_found_and_noise_is_not() -> None:
    leaves = simulated(24, 1, np.random.default_rng(8), noise=0.3, u=0.1, plant=0.3)
    known = known_of(leaves)
    found = splits(known)
    args = (leaves.spectra, AXIS, found, ["none"], 99, generator(1, "test"))
    test = permutation_test(known, *args)
    assert test.p == 0.01 and test.observed < 0.5 * np.median(test.drawn)
    noise = np.random.default_rng(9).normal(size=24)
    other = known_of(type(leaves)(leaves.spectra, noise, noise, leaves.unit))
    assert permutation_test(other, *args).p > 0.05


def test_only_units_with_equal_leaves_exchange_values() -> None:
    leaves = simulated(8, 2, np.random.default_rng(10))
    keep = np.ones(16, dtype=bool)
    keep[[1, 3]] = False
    fewer = type(leaves)(*(part[keep] for part in (leaves.spectra, leaves.true, leaves.known,
                                                   leaves.unit)))  # fmt: skip
    rows, groups = exchangeable(known_of(fewer))
    assert groups == [[0, 1], [2, 3, 4, 5, 6, 7]] and rows[0].tolist() == [0]
    lonely = np.concatenate([[0], *[np.repeat(u, u + 1) for u in range(1, 6)]])
    known = known_of(type(leaves)(np.zeros((len(lonely), len(AXIS))), lonely, lonely * 1.0, lonely))
    test = permutation_test(
        known, np.zeros((len(lonely), len(AXIS))), AXIS, None, ["none"], 19, generator(1, "x")
    )
    assert np.isnan(test.p) and "only 1 exchange" in test.reason


def test_an_unseen_session_with_another_relation_shows() -> None:
    rng = np.random.default_rng(12)
    leaves = simulated(20, 2, rng, noise=0.2, u=0.1, plant=0.2)
    day = np.tile([0, 1], 20)
    shifted = leaves.spectra + 0.03 * day[:, None] * np.sin(np.pi * np.linspace(0, 1, len(AXIS)))
    known = known_of(leaves, day=day)
    found = splits(known)
    seen = validate(known, shifted, AXIS, found, ["none"]).predicted[0] - known.y
    unseen = held_out_sessions(known, shifted, AXIS, found.unseen_days, ["none"], found.widths)
    assert np.isfinite(unseen).all()
    assert unit_rms(unseen - known.y, known.unit_of) > 2 * unit_rms(seen, known.unit_of)
