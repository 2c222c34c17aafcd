"""The simultaneous band over all wavelengths."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from leafledger.effects.independent import difference
from leafledger.effects.whole_spectrum import simultaneous_band, unit_spectra


def test_estimate_and_width_are_those_of_welch_at_each_wavelength():
    rng = np.random.default_rng(1)
    changes = rng.normal(size=(14, 30))
    treated = np.arange(14) % 2 == 1
    band = simultaneous_band(changes, treated, [""] * 14, 0.95, 999, 1)
    widths = []
    for k in range(30):
        found = difference(changes[treated, k], changes[~treated, k])
        assert band.estimate[k] == pytest.approx(found.estimate, abs=1e-12)
        widths.append((band.high[k] - band.estimate[k]) / found.error)
    assert np.ptp(widths) < 1e-9  # one quantile for all wavelengths
    assert widths[0] > 2.5  # wider than the band of a single wavelength


def test_quantile_by_hand_enumeration():
    rng = np.random.default_rng(2)
    changes = rng.normal(size=(8, 5))
    treated = np.arange(8) < 4
    largest = []
    for chosen in itertools.combinations(range(8), 4):
        held = np.isin(np.arange(8), chosen)
        found = [difference(changes[held, k], changes[~held, k]) for k in range(5)]
        largest.append(max(abs(f.estimate) / f.error for f in found))
    q = sorted(largest, reverse=True)[math.floor(0.05 * 70)]
    band = simultaneous_band(changes, treated, [""] * 8, 0.95, 999, 1)
    error = difference(changes[treated, 0], changes[~treated, 0]).error
    assert band.high[0] - band.estimate[0] == pytest.approx(q * error, rel=1e-9)


def test_swapping_arms_mirrors_the_band():
    rng = np.random.default_rng(3)
    changes = rng.normal(size=(24, 12))
    treated = np.arange(24) % 3 == 0
    blocks = ["A", "B"] * 12
    one = simultaneous_band(changes, treated, blocks, 0.95, 199, 1)
    two = simultaneous_band(changes, ~treated, blocks, 0.95, 199, 1)
    assert np.array_equal(one.estimate, -two.estimate)
    assert np.array_equal(one.low, -two.high)


def test_too_few_arrangements_give_no_band():
    band = simultaneous_band(
        np.random.default_rng(4).normal(size=(4, 6)),
        np.array([True, True, False, False]),
        [""] * 4,
        0.95,
        999,
        1,
    )
    assert np.isnan(band.low).all()
    assert np.isfinite(band.estimate).all()


def test_null_band_rarely_leaves_zero():
    rng = np.random.default_rng(5)
    treated = np.arange(12) < 6
    outside = 0
    n = 150
    for _ in range(n):
        changes = np.cumsum(rng.normal(size=(12, 20)), axis=1)
        band = simultaneous_band(changes, treated, [""] * 12, 0.95, 199, 1)
        outside += bool(((band.low > 0) | (band.high < 0)).any())
    assert outside / n <= 0.05 + 3 * (0.05 * 0.95 / n) ** 0.5


def test_planted_step_is_found_where_it_is():
    rng = np.random.default_rng(6)
    changes = rng.normal(0, 0.01, size=(20, 50))
    treated = np.arange(20) < 10
    changes[:10, 20:30] += 0.05
    band = simultaneous_band(changes, treated, [""] * 20, 0.95, 999, 1)
    moved = (band.low > 0) | (band.high < 0)
    assert moved[20:30].all()
    assert not moved[:20].any()
    assert not moved[30:].any()


def test_unit_spectra_weigh_leaves_alike():
    rows = pd.DataFrame(
        {
            "scan": ["a", "b", "c", "d"],
            "unit": ["p1", "p1", "p1", "p2"],
            "session": ["d0"] * 4,
            "leaf": ["1", "1", "2", ""],
        }
    )
    values = np.array([[1.0], [3.0], [6.0], [5.0]])
    found = unit_spectra(values, rows, ["p1", "p2"], ["d0", "d4"])
    assert found[0, 0, 0] == 4.0
    assert found[1, 0, 0] == 5.0
    assert np.isnan(found[:, 1]).all()
