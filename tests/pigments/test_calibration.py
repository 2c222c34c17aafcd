"""Calibration: published example values, explicit refits, coverage, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from leafledger.pigments.calibration import (
    Pairs,
    calibrate,
    choose,
    fit,
    form_problem,
    formula_text,
    left_out_predictions,
    uncalibrated_reason,
    unit_rms,
    york_line,
    york_of,
)

# Pearson 1901, with the weights of York 1966; results as in York et al. 2004, table II.
PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
YORK_WY = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def pairs_of(x: np.ndarray, y: np.ndarray, unit: list[str] | None = None) -> Pairs:
    nan = np.full(len(x), np.nan)
    return Pairs(x, y, tuple(unit or [f"p{i}" for i in range(len(x))]), nan, nan)


def simulated(seed: int, n_units: int = 8, n_leaves: int = 3, between: float = 1.5) -> Pairs:
    draws = np.random.default_rng(seed)
    code = np.repeat(np.arange(n_units), n_leaves)
    x = draws.uniform(0.2, 0.8, n_units)[code] + draws.normal(0, 0.05, len(code))
    y = 5 + 40 * x + draws.normal(0, between, n_units)[code] + draws.normal(0, 1.0, len(code))
    return pairs_of(x, y, [f"p{k}" for k in code])


def test_york_line_on_the_published_example() -> None:
    line = york_line(PEARSON_X, PEARSON_Y, YORK_WX**-0.5, YORK_WY**-0.5)
    assert line is not None
    assert line.slope == pytest.approx(-0.480533407, abs=5e-10)
    assert line.intercept == pytest.approx(5.47991022, abs=5e-9)
    assert line.u_intercept == pytest.approx(0.294970735, abs=5e-9)
    assert line.u_slope == pytest.approx(0.0579850090, abs=5e-10)
    assert line.chi_square == pytest.approx(11.8663532, abs=5e-7)
    assert line.df == 8


def test_york_line_with_one_ratio_is_deming() -> None:
    """Deming's closed form, with a ratio of variances of 4 (u_y = 2 u_x)."""
    delta = 4.0
    sxx, syy = np.var(PEARSON_X, ddof=1), np.var(PEARSON_Y, ddof=1)
    sxy = np.cov(PEARSON_X, PEARSON_Y)[0, 1]
    slope = (syy - delta * sxx + math.hypot(syy - delta * sxx, 2 * math.sqrt(delta) * sxy)) / (
        2 * sxy
    )
    line = york_line(PEARSON_X, PEARSON_Y, np.full(10, 0.1), np.full(10, 0.2))
    assert line is not None
    assert line.slope == pytest.approx(slope, rel=1e-9)
    assert line.intercept == pytest.approx(PEARSON_Y.mean() - slope * PEARSON_X.mean(), rel=1e-9)


def test_york_line_without_error_in_x_is_weighted_least_squares() -> None:
    line = york_line(PEARSON_X, PEARSON_Y, np.full(10, 1e-9), YORK_WY**-0.5)
    slope, intercept = np.polyfit(PEARSON_X, PEARSON_Y, 1, w=np.sqrt(YORK_WY))
    assert line is not None
    assert (line.slope, line.intercept) == pytest.approx((slope, intercept), rel=1e-9)


def test_york_needs_every_uncertainty() -> None:
    known = Pairs(PEARSON_X, PEARSON_Y, tuple("abcdefghij"), YORK_WX**-0.5, YORK_WY**-0.5)
    assert york_of(known) is not None
    u_x = known.u_x.copy()
    u_x[3] = np.nan
    assert york_of(Pairs(known.x, known.y, known.unit, u_x, known.u_y)) is None
    assert york_line(np.ones(5), np.arange(5.0), np.ones(5), np.ones(5)) is None


# Fits and errors of units left out.
# ----------------------------------------------------------------------


def test_fits_equal_those_of_numpy() -> None:
    pairs = pairs_of(PEARSON_X + 1.0, PEARSON_Y)
    for form, degree in (("linear", 1), ("quadratic", 2)):
        expected = np.polyfit(pairs.x, pairs.y, degree)[::-1]
        assert fit(form, pairs).coefficients == pytest.approx(expected, rel=1e-9)  # type: ignore[arg-type]
    slope, level = np.polyfit(np.log(pairs.x), np.log(pairs.y), 1)
    power = fit("power", pairs)
    assert power.coefficients == pytest.approx([level, slope], rel=1e-9)
    assert power.predict(np.array([2.0]))[0] == pytest.approx(math.exp(level) * 2.0**slope)


def test_a_unit_weighs_the_same_however_many_leaves_it_has() -> None:
    few = simulated(3, n_units=7, n_leaves=1)
    again = pairs_of(
        np.append(few.x, few.x[:1]), np.append(few.y, few.y[:1]), [*few.unit, few.unit[0]]
    )
    assert fit("linear", again).coefficients == pytest.approx(fit("linear", few).coefficients)
    one, other = calibrate("linear", few), calibrate("linear", again)
    assert one is not None and other is not None
    assert other.rmse_cv == pytest.approx(one.rmse_cv)
    assert other.df == one.df == 5  # units less coefficients, never leaves


@pytest.mark.parametrize("form", ["linear", "quadratic", "power"])
def test_left_out_predictions_equal_explicit_refits(form: str) -> None:
    pairs = simulated(4)
    predicted, leverage = left_out_predictions(form, pairs)  # type: ignore[arg-type]
    for unit in pairs.units:
        own = np.array([one == unit for one in pairs.unit])
        other = fit(form, pairs.without(unit))  # type: ignore[arg-type]
        assert predicted[own] == pytest.approx(other.predict(pairs.x[own]), rel=1e-9)
        assert leverage[own] == pytest.approx(other.leverage(pairs.x[own]), rel=1e-9)


def test_numbers_of_a_calibration_by_hand() -> None:
    pairs = simulated(5)
    found = calibrate("linear", pairs)
    assert found is not None
    predicted, _ = left_out_predictions("linear", pairs)
    errors = predicted - pairs.y
    by_unit = [
        np.mean(errors[np.array([one == unit for one in pairs.unit])] ** 2) for unit in pairs.units
    ]
    assert found.rmse_cv == pytest.approx(math.sqrt(np.mean(by_unit)))
    assert found.bias_cv == pytest.approx(errors.mean())  # as many leaves of each
    means = np.array(
        [pairs.y[np.array([o != unit for o in pairs.unit])].mean() for unit in pairs.unit]
    )
    assert found.r2_cv == pytest.approx(1 - np.sum(errors**2) / np.sum((means - pairs.y) ** 2))
    assert (found.low, found.high) == (pairs.x.min(), pairs.x.max())


def test_interval_of_one_leaf_per_unit_is_near_the_textbook_one() -> None:
    """The prediction interval of simple regression: the same t and leverage, s within 5 %."""
    draws = np.random.default_rng(8)
    x = draws.uniform(0, 1, 60)
    pairs = pairs_of(x, 3 + 2 * x + draws.normal(0, 0.3, 60))
    found = calibrate("linear", pairs)
    assert found is not None
    middle, low, high = found.interval(np.array([0.4]), 0.9)
    fitted = stats.linregress(x, pairs.y)
    residual = pairs.y - fitted.intercept - fitted.slope * x
    s = math.sqrt(np.sum(residual**2) / 58)
    spread = math.sqrt(1 + 1 / 60 + (0.4 - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2))
    half = stats.t.ppf(0.95, 58) * s * spread
    assert middle[0] == pytest.approx(fitted.intercept + fitted.slope * 0.4)
    assert (high[0] - low[0]) / 2 == pytest.approx(half, rel=0.05)
    assert middle[0] - low[0] == pytest.approx(high[0] - middle[0])


def test_spread_and_width_of_the_interval_by_hand() -> None:
    """Each error left out over the root of 1 + its textbook leverage; wider at the ends."""
    draws = np.random.default_rng(9)
    x = draws.uniform(0, 1, 7)
    pairs = pairs_of(x, 3 + 2 * x + draws.normal(0, 0.3, 7))
    found = calibrate("linear", pairs)
    assert found is not None

    def leverage(at: float, others: np.ndarray) -> float:
        spread = float(np.sum((others - others.mean()) ** 2))
        return 1 / len(others) + (at - float(others.mean())) ** 2 / spread

    squares = []
    for i in range(7):
        others = np.delete(x, i)
        line = stats.linregress(others, np.delete(pairs.y, i))
        error = line.intercept + line.slope * x[i] - pairs.y[i]
        squares.append(error**2 / (1 + leverage(x[i], others)))
    sigma = math.sqrt(np.mean(squares))
    assert found.scale_of_interval == pytest.approx(sigma)
    for at in (found.low, float(x.mean()), found.high):
        middle, _, high = found.interval(np.array([at]), 0.95)
        half = stats.t.ppf(0.975, 5) * sigma * math.sqrt(1 + leverage(at, x))
        assert high[0] - middle[0] == pytest.approx(half)


@pytest.mark.parametrize(
    ("n_units", "n_leaves", "between"), [(6, 3, 1.5), (20, 1, 0.0), (10, 2, 1.0)]
)
def test_coverage_of_new_units(n_units: int, n_leaves: int, between: float) -> None:
    """1,000 simulated studies: 93 to 98 % of leaves of new units lie inside 95 % intervals."""
    draws = np.random.default_rng(31)
    inside = 0
    for seed in range(1_000):
        found = calibrate("linear", simulated(1000 + seed, n_units, n_leaves, between))
        assert found is not None
        x = draws.uniform(found.low, found.high, 1)
        y = 5 + 40 * x + draws.normal(0, between) + draws.normal(0, 1.0)
        _, low, high = found.interval(x, 0.95)
        inside += bool(low[0] <= y[0] <= high[0])
    assert 0.93 <= inside / 1_000 <= 0.98


def test_a_power_has_an_interval_of_ratios() -> None:
    x = np.linspace(1, 9, 15)
    y = 2 * x**1.5 * np.exp(np.random.default_rng(3).normal(0, 0.1, 15))
    found = calibrate("power", pairs_of(x, y))
    assert found is not None
    middle, low, high = found.interval(np.array([2.0, 8.0]), 0.95)
    assert high / middle == pytest.approx(middle / low)
    assert np.all(low > 0)


def test_nothing_outside_the_range() -> None:
    found = calibrate("linear", simulated(6))
    assert found is not None
    step = 1e-6
    asked = np.array([found.low - step, found.low, found.high, found.high + step])
    middle, low, high = found.interval(asked, 0.95)
    assert np.isnan(middle).tolist() == [True, False, False, True]
    assert np.isnan(low).tolist() == np.isnan(high).tolist() == [True, False, False, True]


def test_a_curve_that_turns_back_is_refused() -> None:
    x = np.linspace(-1, 1, 12)
    assert calibrate("quadratic", pairs_of(x, 5 - x**2)) is None
    assert calibrate("quadratic", pairs_of(x, 5 + 4 * x - x**2)) is not None


def test_a_power_needs_positive_numbers() -> None:
    pairs = pairs_of(np.linspace(-1, 1, 12), np.linspace(1, 2, 12))
    assert "above zero" in form_problem("power", pairs)
    assert calibrate("power", pairs) is None


@pytest.mark.parametrize(
    ("units", "words"),
    [
        (["p1"] * 6, "all 6 assayed leaves are of one plant (p1)"),
        (["p1", "p2"] * 3, "2 plants assayed; at least 5 are needed"),
        ([], "no assayed leaf"),
        (["p1", "p2", "p3", "p4", "p5", "p6"], ""),
    ],
)
def test_leaves_of_one_plant_are_no_plants(units: list[str], words: str) -> None:
    x = np.arange(float(len(units)))
    reason = uncalibrated_reason(pairs_of(x, x + 1, units), "plant")
    assert words in reason
    assert bool(reason) == bool(words)


def test_an_index_that_does_not_vary_is_refused() -> None:
    x = np.full(6, 0.3)
    assert "the index is the same" in uncalibrated_reason(pairs_of(x, np.arange(6.0)))
    assert "the content is the same" in uncalibrated_reason(pairs_of(np.arange(6.0), x))


# The choice of an index.
# ----------------------------------------------------------------------


def test_the_choice_is_repeated_without_each_unit() -> None:
    """Of pure noise the best of many looks good; the nested error does not."""
    draws = np.random.default_rng(12)
    y = draws.normal(20, 3, 16)
    noise = {f"i{k:02d}": pairs_of(draws.normal(1, 0.2, 16), y) for k in range(30)}
    found = choose(noise)
    assert found is not None
    assert found.calibration.rmse_cv < 0.95 * found.rmse_of_mean
    assert found.rmse_nested > 0.9 * found.rmse_of_mean
    assert not found.is_useful
    assert found.n_tried == 30


def test_a_good_index_is_chosen_and_useful() -> None:
    good = simulated(9, n_units=12, n_leaves=1, between=0.5)
    draws = np.random.default_rng(2)
    bad = pairs_of(draws.uniform(0, 1, 12), good.y, list(good.unit))
    found = choose({"bad": bad, "good": good})
    assert found is not None
    assert found.index == "good" and found.is_useful
    assert found.rmse_nested < 3.0
    assert found.n_outside == 2  # the two ends: no estimate is made beyond the others


@given(st.floats(0.01, 100.0), st.floats(-50.0, 50.0))
def test_units_of_the_index_do_not_matter(factor: float, shift: float) -> None:
    pairs = simulated(10)
    other = pairs_of(pairs.x * factor + shift, pairs.y, list(pairs.unit))
    one, two = calibrate("linear", pairs), calibrate("linear", other)
    assert one is not None and two is not None
    assert two.rmse_cv == pytest.approx(one.rmse_cv, rel=1e-6)
    assert unit_rms(pairs.y, pairs) == unit_rms(other.y, other)


def test_formula() -> None:
    assert formula_text(fit("linear", pairs_of(PEARSON_X, 2 + 3 * PEARSON_X)), "y", "x") == (
        "y = 2 + 3 x"
    )
