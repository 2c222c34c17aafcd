"""The combination of several studies, against published values and those of R's metafor.

The thirteen vaccine trials (log risk ratio) and their values are those of the documentation of the
R package metafor (Viechtbauer 2010, Journal of Statistical Software 36(3)): Q = 152.2330, the Q
profile of tau squared 0.1197 to 1.1115. The nine values of Kacker (2004, Metrologia 41, 132-136)
come with the output of metafor, method PM and method DL with test="knha", that statsmodels ships
with its own tests.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from leafledger.resampling.intervals import egger_regression, random_effects

TRIALS = np.array(
    [
        [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619],
        [33, 5036, 47, 5761], [180, 1361, 372, 1079], [8, 2537, 10, 619],
        [505, 87886, 499, 87892], [29, 7470, 45, 7232], [17, 1699, 65, 1600],
        [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
    ],
    dtype=float,
)  # fmt: skip
KACKER = np.array([61.0, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9])
KACKER_VARIANCES = np.array(
    [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
)


def trials() -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = TRIALS.T
    effect = np.log(a / (a + b) / (c / (c + d)))
    return effect, np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


def test_heterogeneity_of_the_vaccine_trials_is_that_of_metafor() -> None:
    found = random_effects(*trials())
    assert found.q == pytest.approx(152.2330, abs=5e-5)
    assert found.tau_low**2 == pytest.approx(0.1197, abs=5e-5)
    assert found.tau_high**2 == pytest.approx(1.1115, abs=5e-5)
    assert found.df == 12
    assert found.i2 == pytest.approx((152.2330 - 12) / 152.2330, abs=1e-6)


def test_mean_and_tau_of_kacker_are_those_of_metafor() -> None:
    found = random_effects(KACKER, np.sqrt(KACKER_VARIANCES))
    assert found.mean == pytest.approx(62.4076199113286, abs=1e-9)
    assert found.tau**2 == pytest.approx(0.705395309224248, abs=1e-9)
    assert found.q == pytest.approx(24.801897741835, abs=1e-9)
    assert found.q_p == pytest.approx(0.00167935146372742, rel=1e-9)
    # Here Hartung and Knapp's factor is below one: the error is the ordinary one.
    assert found.se == pytest.approx(0.338030602684471, abs=1e-9)
    half = stats.t.ppf(0.975, 8) * 0.338030602684471
    ends = (62.4076199113286 - half, 62.4076199113286 + half)
    assert (found.low, found.high) == pytest.approx(ends, abs=1e-8)
    reach = stats.t.ppf(0.975, 7) * math.sqrt(0.705395309224248 + 0.338030602684471**2)
    assert found.predicted_low == pytest.approx(62.4076199113286 - reach, abs=1e-8)
    assert found.predicted_high == pytest.approx(62.4076199113286 + reach, abs=1e-8)


def test_the_factor_of_hartung_and_knapp_widens_where_it_is_above_one() -> None:
    effects, errors = trials()
    found = random_effects(effects, errors)
    w = 1 / (errors**2 + found.tau**2)
    mean = w @ effects / w.sum()
    # Hartung and Knapp (2001), equation of the variance.
    variance = w @ (effects - mean) ** 2 / (12 * w.sum())
    assert variance * w.sum() > 1
    assert found.se == pytest.approx(math.sqrt(variance), rel=1e-9)
    assert found.t == pytest.approx(mean / math.sqrt(variance), rel=1e-9)
    assert found.p == pytest.approx(2 * stats.t.sf(abs(found.t), 12), rel=1e-12)


def test_two_studies_that_agree_have_no_heterogeneity_and_no_prediction() -> None:
    found = random_effects(np.array([0.10, 0.12]), np.array([0.02, 0.02]))
    assert (found.tau, found.tau_low, found.i2) == (0.0, 0.0, 0.0)
    assert found.se == pytest.approx(0.02 / math.sqrt(2))
    assert found.low == pytest.approx(0.11 - 12.7062047364 * 0.02 / math.sqrt(2), rel=1e-9)
    assert found.predicted_low is found.predicted_high is None
    assert found.weights == pytest.approx((0.5, 0.5))


@pytest.mark.parametrize("factor", [1e-6, -1.0, 1e5])
def test_another_unit_or_sign_changes_no_verdict(factor: float) -> None:
    effects, errors = trials()
    one, other = (
        random_effects(effects, errors),
        random_effects(effects * factor, errors * abs(factor)),
    )
    assert other.mean == pytest.approx(one.mean * factor, rel=1e-9)
    assert other.tau == pytest.approx(one.tau * abs(factor), rel=1e-9)
    assert (other.p, other.q, other.i2) == pytest.approx((one.p, one.q, one.i2), rel=1e-9)
    ends = sorted([one.low * factor, one.high * factor])
    assert [other.low, other.high] == pytest.approx(ends, rel=1e-9)


def test_what_cannot_be_combined_is_refused() -> None:
    for effects, errors in (([1.0], [1.0]), ([1.0, 2.0], [1.0, 0.0]), ([1.0, np.nan], [1.0, 1.0])):
        with pytest.raises(ValueError, match="two studies"):
            random_effects(np.array(effects), np.array(errors))


def test_the_regression_of_egger_on_the_vaccine_trials_is_that_of_metafor() -> None:
    """From memory of metafor's documentation of regtest: t = -1.4013, df = 11, p = 0.1887."""
    found = egger_regression(*trials())
    assert found is not None
    assert (round(found.t, 4), found.df, round(found.p, 4)) == (-1.4013, 11, 0.1887)
    assert found.low < found.intercept < found.high
    half = stats.t.ppf(0.95, 11) * found.intercept / found.t
    ninety = egger_regression(*trials(), 0.9)
    assert ninety is not None
    assert ninety.high - ninety.low == pytest.approx(2 * half)


def test_few_studies_or_equal_errors_say_nothing_of_small_ones() -> None:
    effects, errors = trials()
    assert egger_regression(effects[:9], errors[:9]) is None
    assert egger_regression(effects[:10], errors[:10]) is not None
    assert egger_regression(effects, np.full(13, 0.2)) is None


def test_small_studies_with_larger_effects_are_found() -> None:
    errors = np.linspace(0.05, 0.6, 12)
    wiggle = 0.1 * errors * (-1.0) ** np.arange(12)
    found = egger_regression(0.2 + 2.0 * errors + wiggle, errors)
    assert found is not None
    # By hand: the effect is 0.2 + 2 s, so that y / s = 2 + 0.2 / s.
    assert found.intercept == pytest.approx(2.0, abs=0.1) and found.p < 1e-6
