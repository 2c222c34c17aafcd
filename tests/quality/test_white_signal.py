"""The white's signal-to-noise is recovered from simulated whites of known noise."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.quality.session import white_signal_to_noise


@pytest.mark.parametrize("n_whites", [2, 3, 9])
@pytest.mark.parametrize("drift", [0.0, 0.1])
def test_planted_noise_is_recovered(n_whites: int, drift: float) -> None:
    rng = np.random.default_rng(61)
    pixel = np.linspace(-1, 1, 1024)
    signal = 40_000 * np.exp(-((pixel / 0.5) ** 2))
    noise = np.sqrt(15.0**2 + signal / 4.0)
    scale = 1 - drift * np.linspace(0, 1, n_whites)[:, None] * (1 + 0.3 * pixel)
    found = white_signal_to_noise(scale * signal + rng.normal(size=(n_whites, 1024)) * noise)
    strong = signal > 1000
    ratio = found[strong] / (scale.mean(axis=0) * signal / noise)[strong]
    assert np.median(ratio) == pytest.approx(1, abs=0.08)
    assert ratio.min() > 0.8
    assert ratio.max() < 1.25


def test_one_white_gives_a_cautious_value() -> None:
    rng = np.random.default_rng(62)
    signal = 40_000 * np.exp(-((np.linspace(-1, 1, 1024) / 0.5) ** 2))
    pattern = 1 + rng.normal(size=1024) * 0.01  # pixels differ in sensitivity
    noise = np.sqrt(15.0**2 + signal / 4.0)
    found = white_signal_to_noise((signal * pattern + rng.normal(size=1024) * noise)[None, :])
    assert found[512] < signal[512] / noise[512]
    assert found[512] > 50


def test_hot_pixels_do_not_matter_and_no_signal_is_zero() -> None:
    rng = np.random.default_rng(63)
    signal = np.full(500, 10_000.0)
    signal[:50] = 0.0
    whites = signal + rng.normal(size=(6, 500)) * 50
    clean = white_signal_to_noise(whites)
    whites[::2, 300] += 5000
    assert white_signal_to_noise(whites)[200] == pytest.approx(clean[200], rel=0.03)
    assert clean[200] == pytest.approx(200, rel=0.06)
    assert clean[:40].max() < 2


def test_whites_without_any_noise_give_a_large_finite_value() -> None:
    found = white_signal_to_noise(np.tile(np.linspace(10, 1000, 100), (3, 1)))
    assert np.isfinite(found).all()
    assert found[50] > 1e4
