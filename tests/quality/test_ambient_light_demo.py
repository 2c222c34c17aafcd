"""The demo's own instrument: clean leaves by the thousand, open clips of 1 %, its white diode."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

DEMO = str(Path(__file__).parents[2] / "demo_data")
if DEMO not in sys.path:
    sys.path.insert(0, DEMO)

from seedlings import instrument, scenario  # noqa: E402
from seedlings.leaves import reflectance as leaf_model  # noqa: E402

from leafledger.quality.fluorescent_lines import find_leak  # noqa: E402
from leafledger.spectra.grid import resampling_weights  # noqa: E402

GRID = np.arange(405.0, 1000.5, 1.0)


class Bench:
    """The demo's instrument, with all leaves of a study at once."""

    def __init__(self, seed: int, n_pixels: int = 1024) -> None:
        self.made = instrument.Spectrometer(seed, n_pixels)
        self.rng = np.random.default_rng(seed)
        self.weights = resampling_weights(self.made.wavelength_nm, GRID)
        ms, full = instrument.WHITE_MS, self.made.full_light
        # The mean of three whites of ten averages each.
        noise = np.sqrt((full * ms + instrument.READ_NOISE_COUNTS**2) / instrument.AVERAGES / 3)
        self.white = full * instrument.PANEL + noise * self.rng.normal(size=len(full)) / ms

    def clean(self, n_plants: int) -> np.ndarray:
        """Return light of clean leaves, counts per ms, 3 leaves of 4 days of every plant."""
        units, days = scenario.units_of(n_plants), scenario.chosen_sessions(4)
        leaves = scenario.leaf_parameters(self.made.seed, 1.0, units, days, 3)
        spots = leaves.reshape(-1, leaves.shape[-1])
        names = [f"{self.made.seed}-{k}" for k in range(len(spots))]
        seen = np.stack(
            [scenario.spot_parameters(1, a, b) for a, b in zip(names, spots, strict=True)]
        )
        placed = np.array([self.made.placement(name) for name in names])
        rate = self.made.leaf_rate(leaf_model(seen, instrument.FINE_NM))
        return np.asarray(placed[:, :1] * rate + placed[:, 1:] * self.made.full_light)

    def reflectance(self, light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return reflectance on the grid and its standard uncertainty."""
        ms = instrument.LEAF_MS
        variance = np.maximum(light * ms, 0) + instrument.READ_NOISE_COUNTS**2
        noise = np.sqrt(variance / instrument.AVERAGES) / ms
        scale = instrument.PANEL / self.white
        value = (light + noise * self.rng.normal(size=light.shape)) * scale
        u2 = (self.weights.power(2) @ ((noise * scale) ** 2).T).T
        return np.asarray((self.weights @ value.T).T), np.sqrt(np.asarray(u2))


def n_called(bench: Bench, light: np.ndarray, *, known: bool = True) -> int:
    value, u = bench.reflectance(light)
    return int(find_leak(GRID, value, u if known else None).called.sum())


@pytest.mark.parametrize("known", [True, False])
def test_clean_leaves_of_the_demo(known: bool) -> None:
    bench = Bench(71)
    light = bench.clean(48)
    total = sum(n_called(bench, light, known=known) for _ in range(3))
    assert total <= 6  # of 1,728; fewer than 2 expected at 1 in 1,000


@pytest.mark.longest
@pytest.mark.slow
@pytest.mark.parametrize("known", [True, False])
def test_at_most_ten_calls_in_ten_thousand_clean_leaves(known: bool) -> None:
    total = n = 0
    for seed, n_pixels in ((72, 1024), (73, 512), (74, 2048)):
        bench = Bench(seed, n_pixels)
        light = bench.clean(96)
        for _ in range(3):
            total += n_called(bench, light, known=known)
            n += len(light)
    assert n >= 10_000
    assert total <= 10, f"{total} of {n}"


@pytest.mark.parametrize("level", [0.01, 0.03])
def test_an_open_clip_is_called_nine_times_in_ten(level: float) -> None:
    bench = Bench(75)
    light = bench.clean(48) + bench.made.leak_rate("open_clip", level)
    assert n_called(bench, light) >= 0.9 * len(light)


@pytest.mark.parametrize("level", [0.01, 0.06, 0.3])
def test_the_white_diode_is_never_called(level: float) -> None:
    bench = Bench(76)
    light = bench.clean(24) + bench.made.leak_rate("led_leak", level)
    assert n_called(bench, light) == 0
    assert n_called(bench, light, known=False) == 0
