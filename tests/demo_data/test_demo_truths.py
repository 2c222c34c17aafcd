"""The planted truths: the leaf model against published-model values, the effect, the averages."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("prosail", reason="the leaf model is part of the development set-up")

from seedlings import scenario, truth
from seedlings.leaves import reflectance

# PROSPECT-D (Feret et al. 2017, Remote Sens. Environ. 193:204-215), alpha 40 degrees. Values from
# prosail 2.0.5, confirmed to 3e-15 by an independent re-implementation (check values of the
# project, leaf A: N 1.5, chlorophyll 40, carotenoid 8 ug/cm2, water 0.01 cm, dry 0.009 g/cm2).
LEAF_A = (1.5, 40.0, 8.0, 0.0, 0.01, 0.009)
LEAF_A_REFLECTANCE = {
    400: 0.04311782958136993,
    445: 0.0412731458448394,
    531: 0.1489773733231278,
    550: 0.15116726533202093,
    670: 0.036352075282125536,
    705: 0.17838420507456776,
    750: 0.42249442264937054,
    900: 0.4415500489466736,
    970: 0.43335357731568747,
    1000: 0.4339816725583996,
}
LEAF_D = (1.2, 30.0, 10.0, 1.0, 0.015, 0.009)
LEAF_D_REFLECTANCE = {550: 0.12595424693599694, 705: 0.17571636805010446, 970: 0.37324420485250903}
# Index values on the 1 nm spectra of leaf A, same source; bands by linear interpolation, ranges as
# the mean of all integer wavelengths.
LEAF_A_INDICES = {
    "NDVI": 0.8481834016781201,
    "PRI": 0.11491006670825869,
    "CI_rededge": 0.6119793525814545,
    "ND705": 0.40625545045505324,
    "MTCI": 1.1946619690393296,
    "REP_linear": 716.0869714156332,
    "CI_green": 2.2943507546412647,
    "ARI1": -1.2349061097236254,
    "CRI1": 7.620633992198862,
    "PSRI": -0.034736560838321134,
    "SIPI": 0.9870331985081308,
}


@pytest.mark.parametrize(
    ("leaf", "expected"), [(LEAF_A, LEAF_A_REFLECTANCE), (LEAF_D, LEAF_D_REFLECTANCE)]
)
def test_leaf_model_gives_the_published_models_values(
    leaf: tuple[float, ...], expected: dict[int, float]
) -> None:
    got = reflectance(np.array([leaf]), np.array(list(expected), dtype=float))[0]
    assert got == pytest.approx(np.array(list(expected.values())), abs=1e-9)


def test_indices_give_the_check_values() -> None:
    spectrum = reflectance(np.array([LEAF_A]), truth.GRID_NM)
    for name, expected in LEAF_A_INDICES.items():
        assert float(truth.INDICES[name][2](spectrum)[0]) == pytest.approx(expected, rel=1e-9)


def test_instrument_response_leaves_a_straight_line_as_it_is() -> None:
    from seedlings.instrument import FINE_NM, response

    matrix = response(truth.GRID_NM)
    assert matrix @ (0.1 + 3e-4 * FINE_NM) == pytest.approx(0.1 + 3e-4 * truth.GRID_NM, abs=1e-12)
    # A narrow line is spread to the stated full width at half maximum, 1.8 nm.
    grid = np.arange(540.0, 550.0, 0.01)
    seen = response(grid)[:, np.abs(FINE_NM - 545.0) < 1e-9][:, 0]
    half = grid[seen >= seen.max() / 2]
    assert half[-1] - half[0] == pytest.approx(1.8, abs=0.02)


def difference(effect: float, name: str, session: int) -> float:
    means = truth.population_means(scenario.SESSIONS, effect)[name]
    moved = means - means[:, [0]]
    return float(moved[0, session] - moved[1, session])


def test_no_effect_is_exactly_none_in_the_population() -> None:
    for name, means in truth.population_means(scenario.SESSIONS, 0.0).items():
        assert np.array_equal(means[0], means[1]), name
        # The control drifts all the same, so this is not a table of zeros.
        assert name == "WI" or means[1, 3] != means[1, 0]


def test_effect_grows_with_its_multiplier_and_turns_with_its_sign() -> None:
    once, twice, turned = (difference(e, "CI_rededge", 3) for e in (1.0, 2.0, -1.0))
    assert once > 0.1
    assert 1.8 * once < twice < 2.2 * once
    assert turned == pytest.approx(-once, rel=0.1)
    assert turned < 0


def test_clear_borderline_and_no_effect_are_as_designed() -> None:
    # Our own design values: 0.136 at day 12, 0.031 at day 4, nothing in the water index.
    assert difference(1.0, "CI_rededge", 3) == pytest.approx(0.136, abs=0.001)
    assert difference(1.0, "CI_rededge", 1) == pytest.approx(0.031, abs=0.001)
    assert abs(difference(1.0, "WI", 3)) < 1e-6


def test_effect_multiplier_moves_sprayed_plants_after_the_spray_only() -> None:
    units = scenario.units_of(24)
    off, on = (
        scenario.leaf_parameters(11, effect, units, scenario.SESSIONS, 3) for effect in (0.0, 1.0)
    )
    gained = (on - off)[..., 1]
    sprayed = np.array([unit.treatment == "chelate" for unit in units])
    assert np.all(gained[~sprayed] == 0)
    assert np.all(gained[:, 0] == 0)
    assert np.all(gained[sprayed, 3] > 0)
    others = [scenario.PARAMETERS.index(name) for name in ("structure", "anthocyanin", "water")]
    assert np.array_equal(on[..., others], off[..., others])


def test_more_leaves_or_fewer_sessions_keep_what_the_others_were() -> None:
    units = scenario.units_of(24)
    whole = scenario.leaf_parameters(11, 1.0, units, scenario.SESSIONS, 3)
    part = scenario.leaf_parameters(11, 1.0, units[:8], scenario.chosen_sessions(2), 2)
    assert np.array_equal(part, whole[:8, [0, 3], :2])


@pytest.mark.slow
def test_population_value_is_the_mean_over_many_drawn_plants() -> None:
    sessions = scenario.chosen_sessions(2)
    means = truth.population_means(sessions, 1.0)
    units = scenario.units_of(1600)
    drawn = truth.unit_indices(scenario.leaf_parameters(1, 1.0, units, sessions, 1))
    sprayed = np.array([unit.treatment == "chelate" for unit in units])
    for name in ("CI_rededge", "ARI1", "NDVI", "WI"):
        moved = drawn[name][:, 1] - drawn[name][:, 0]
        expected = (means[name][0, 1] - means[name][0, 0]) - (means[name][1, 1] - means[name][1, 0])
        got = moved[sprayed].mean() - moved[~sprayed].mean()
        n = sprayed.sum()
        error = np.sqrt((moved[sprayed].var() + moved[~sprayed].var()) / n)
        assert abs(got - expected) < 4 * error + 1e-12, name
        # The sum is exact enough to show a bias far below what one study can see.
        assert error < 0.05 * max(abs(expected), 0.1)
