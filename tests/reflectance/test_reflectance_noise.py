"""Gain and read noise are recovered from simulated repeats; middle values behave as stated."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.reflectance.detector import (
    Noise,
    _line,
    centre,
    centre_variance_factor,
    estimate_electrons_per_count,
    estimate_read_counts,
    rounding_of,
    trimmed_mean,
)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 8, 9, 12])
def test_variance_of_the_middle_value(n: int) -> None:
    drawn = np.random.default_rng(n).normal(size=(n, 200_000))
    tolerance = 0.015 if n <= 8 else 0.08
    assert centre(drawn).var() == pytest.approx(centre_variance_factor(n), rel=tolerance)


def test_trimmed_mean_of_chi_square_is_unbiased_and_ignores_hot_pixels() -> None:
    rng = np.random.default_rng(1)
    variances = 9.0 * rng.chisquare(2, 200_000) / 2
    assert trimmed_mean(variances, 2) == pytest.approx(9.0, rel=0.01)
    variances[:500] = 1e6
    assert trimmed_mean(variances, 2) == pytest.approx(9.0, rel=0.03)


@pytest.mark.parametrize(("rounding", "read"), [(0.0, 6.0), (1.0, 6.0), (1.0, 1.2)])
def test_read_noise_from_darks_at_two_times_with_a_drifting_level(
    rounding: float, read: float
) -> None:
    rng = np.random.default_rng(2)
    pattern = rng.normal(0, 40, 1024)
    averages = np.array([10.0, 10, 10, 5, 5])
    level = np.array([1500.0, 1507, 1498, 1900, 1911])[:, None]
    darks = level + pattern + rng.normal(size=(5, 1024)) * read / np.sqrt(averages)[:, None]
    darks[0, :5] += 900.0
    if rounding:
        darks = np.rint(darks)
    assert rounding_of(darks) == rounding
    found = estimate_read_counts(darks, [[0, 1, 2], [3, 4]], averages, rounding)
    assert found == pytest.approx(read, rel=0.08)


def whites(rng: np.random.Generator, gain: float, read: float, averages: int = 10) -> list:
    shape = 42_000 * np.exp(-(np.linspace(-1.5, 1.5, 2048) ** 2))
    sets = []
    for first in range(4):
        # the lamp drifts in level and colour between the repeats
        drift = 1 + 0.003 * np.arange(3)[:, None] * (1 + 0.2 * np.linspace(-1, 1, 2048))
        mean = shape * drift * (1 + 0.01 * first)
        sd = np.sqrt((mean / gain + read**2) / averages)
        signal = mean + rng.normal(size=mean.shape) * sd
        sets.append((signal, np.ones_like(signal), np.full(3, float(averages))))
    return sets


@pytest.mark.parametrize("gain", [0.8, 5.0, 40.0])
def test_gain_from_repeated_whites_under_a_drifting_lamp(gain: float) -> None:
    sets = whites(np.random.default_rng(3), gain, 6.0)
    found, read = estimate_electrons_per_count(sets, 6.0, 0.0, 1e9)
    assert found == pytest.approx(gain, rel=0.03)
    assert read == 6.0


def test_read_noise_from_the_intercept_where_darks_are_single() -> None:
    sets = whites(np.random.default_rng(4), 5.0, 60.0)
    gain, read = estimate_electrons_per_count(sets, None, 0.0, 1e9)
    assert gain == pytest.approx(5.0, rel=0.1)
    assert read == pytest.approx(60.0, rel=0.1)


def test_clipped_pixels_do_not_count() -> None:
    sets = [
        (np.minimum(signal, 30_000.0), slope, averages)
        for signal, slope, averages in whites(np.random.default_rng(5), 5.0, 6.0)
    ]
    found, _ = estimate_electrons_per_count(sets, 6.0, 0.0, 30_000.0)
    assert found == pytest.approx(5.0, rel=0.05)


def test_single_or_identical_whites_give_no_estimate() -> None:
    signal, slope, averages = whites(np.random.default_rng(6), 5.0, 6.0)[0]
    single = [(signal[:1], slope[:1], averages[:1])]
    assert estimate_electrons_per_count(single, 6.0, 0.0, 1e9) == (None, 6.0)
    same = [(np.repeat(signal[:1], 3, axis=0), slope, averages)]
    assert estimate_electrons_per_count(same, 6.0, 0.0, 1e9) == (None, 6.0)
    assert estimate_read_counts(signal, [[0], [1]], averages, 0.0) is None


def test_unknown_noise_has_no_variance_and_known_noise_its_three_parts() -> None:
    signal, slope = np.array([1000.0, -5.0]), np.array([2.0, 1.0])
    assert not Noise(None, 3.0).known
    np.testing.assert_array_equal(Noise(None, 3.0).variance(signal, slope, 4.0), 0.0)
    np.testing.assert_allclose(
        Noise(5.0, 3.0, 1.0).variance(signal, slope, 4.0),
        [(200 + 36) / 4 + 4 / 12, 9 / 4 + 1 / 12],
    )


def test_a_dark_with_light_on_it_and_a_shaded_white_do_not_count() -> None:
    rng = np.random.default_rng(9)
    darks = 1500 + rng.normal(size=(6, 1024)) * 6.0
    darks[4] += 2000 * np.exp(-(np.linspace(-2, 2, 1024) ** 2))
    averages = np.ones(6)
    for groups in ([[0, 1, 2], [3, 4, 5]], [[0, 1, 2, 3, 4, 5]], [[0, 1, 2], [3, 4]]):
        found = estimate_read_counts(darks, groups, averages, 0.0)
        assert found == pytest.approx(6.0, rel=0.06)
    sets = whites(rng, 5.0, 6.0)
    sets[0][0][1] *= 0.5
    sets[1][0][2] *= 1 + 0.05 * np.sin(np.arange(2048) / 5)
    gain, _ = estimate_electrons_per_count(sets, 6.0, 0.0, 1e9)
    assert gain == pytest.approx(5.0, rel=0.04)


@pytest.mark.parametrize("read", [0.0, 0.5, 3.0])
def test_a_line_without_scatter_gives_back_gain_and_read_noise(read: float) -> None:
    mean = np.linspace(100.0, 40_000.0, 200)
    square, freedom = np.ones(200), np.full(200, 9.0)
    gain, found = _line(mean, mean / 4.0 + read**2, square, freedom, None)
    assert gain == pytest.approx(4.0, rel=1e-9)
    assert found == pytest.approx(read, rel=1e-6, abs=1e-4)


def test_whites_without_light_and_single_whites_say_nothing_of_the_gain() -> None:
    rng = np.random.default_rng(8)
    sets = whites(rng, 5.0, 6.0)
    expected, _ = estimate_electrons_per_count(sets, 6.0, 0.0, 1e9)
    dark = np.full((2, 2048), -3.0) + rng.normal(size=(2, 2048))
    dark -= dark.mean(axis=0) + 1.0
    no_light = (dark, np.ones_like(dark), np.full(2, 10.0))
    signal, slope, averages = sets[0]
    alone = (signal[:1] * 1.0, slope[:1], averages[:1])
    found, _ = estimate_electrons_per_count([no_light, *sets, alone, alone], 6.0, 0.0, 1e9)
    assert expected is not None
    assert found == pytest.approx(expected, rel=1e-12)


def test_many_single_whites_do_not_hide_a_shaded_one() -> None:
    """Repeats that agree with nothing would make the usual difference infinite."""
    rng = np.random.default_rng(9)
    sets = whites(rng, 5.0, 6.0)[:1]
    signal, slope, averages = sets[0]
    shaded = signal.copy()
    shaded[1] *= 1 + 0.02 * np.sin(np.linspace(0, 60, 2048))
    alone = [(signal[:1].copy(), slope[:1], averages[:1]) for _ in range(4)]
    found, _ = estimate_electrons_per_count([(shaded, slope, averages), *alone], 6.0, 0.0, 1e9)
    assert found == pytest.approx(5.0, rel=0.15)


def test_read_noise_below_one_count_is_told_as_it_is() -> None:
    """Shot noise alone, 4 to 40 counts squared: the intercept of the line is no more than that."""
    rng = np.random.default_rng(10)
    mean = np.linspace(200.0, 2000.0, 4000)
    signal = mean + rng.normal(size=(20, 4000)) * np.sqrt(mean / 50 + 0.3**2)
    sets = [(signal, np.ones_like(signal), np.ones(20))]
    gain, read = estimate_electrons_per_count(sets, None, 0.0, 1e9)
    assert gain == pytest.approx(50.0, rel=0.05)
    assert read is not None
    assert read < 0.8
