"""Intervals of a share against published limits, and that they count units."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.chance.resampling import unit_bootstrap_interval, wilson_interval


@pytest.mark.parametrize(
    ("successes", "n", "low", "high"),
    # Newcombe 1998, Stat. Med. 17:857-872, Table I (four digits); more digits by R.
    [(81, 263, 0.255288519878274, 0.3662095769828), (0, 20, 0.0, 0.161125158052819)],
)
def test_wilson_limits_are_the_published_ones(successes, n, low, high):
    found = wilson_interval(successes, n)
    assert found[0] == pytest.approx(low, abs=1e-9)
    assert found[1] == pytest.approx(high, abs=1e-9)


def test_wilson_is_symmetric_and_takes_fractions():
    low, high = wilson_interval(14.5, 24)
    other = wilson_interval(24 - 14.5, 24)
    assert (1 - other[1], 1 - other[0]) == pytest.approx((low, high), abs=1e-12)
    assert wilson_interval(20, 20)[1] == 1.0
    with pytest.raises(ValueError, match="25 successes of 24"):
        wilson_interval(25, 24)


def test_copies_of_scans_do_not_narrow_the_unit_bootstrap():
    right = np.array([3.0, 1, 0, 3, 2, 3, 0, 1])
    total = np.full(8, 3.0)
    one = unit_bootstrap_interval(right, total, np.random.default_rng(1))
    ten = unit_bootstrap_interval(10 * right, 10 * total, np.random.default_rng(1))
    assert one == pytest.approx(ten)
    assert one[0] < right.sum() / 24 < one[1]


def test_the_unit_bootstrap_has_the_spread_of_unit_means():
    rng = np.random.default_rng(2)
    share = rng.random(200)
    low, high = unit_bootstrap_interval(share, np.ones(200), rng, n_draws=4000)
    expected = 2 * 1.959964 * share.std() / np.sqrt(200)
    assert high - low == pytest.approx(expected, rel=0.06)


def test_a_unit_without_scans_is_refused():
    with pytest.raises(ValueError, match="at least one scan"):
        unit_bootstrap_interval(np.zeros(2), np.array([1.0, 0.0]), np.random.default_rng(0))


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
def test_wilson_as_statsmodels_has_it(level):
    """Both limits, every count of three sizes, four levels: statsmodels, method wilson."""
    from statsmodels.stats.proportion import proportion_confint

    for n in (1, 7, 24):
        for k in range(n + 1):
            expected = proportion_confint(k, n, alpha=1 - level, method="wilson")
            assert wilson_interval(k, n, level) == pytest.approx(expected, abs=1e-12)
