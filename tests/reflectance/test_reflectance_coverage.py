"""95 % intervals hold the truth in 93 to 97 % of simulated sessions that redraw what is shared."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from simulated_sessions import INSTRUMENT, REFLECTANCE, Bench

from leafledger.reflectance.references import build_references, fill_defaults
from leafledger.reflectance.stage import to_reflectance
from leafledger.spectra.grid import resampling_weights

READ_NM = (450.0, 550.0, 680.0, 720.0, 800.0)


@cache
def grid_weights(step: float) -> Any:
    return resampling_weights(Bench().wavelength_nm, np.arange(401.0, 1000.0, step))


def one_session(
    rng: np.random.Generator,
    settings: dict[str, Any],
    drift: float,
    u_panel: float,
    **instrument: Any,
) -> np.ndarray:
    """Return whether each interval holds the truth, shape (n_leaves, wavelengths)."""
    panel = 0.985
    bench = Bench(
        noise=rng,
        whole=True,
        drift_per_s=rng.normal(0, drift) / 300,
        panel=panel * (1 + rng.normal(0, u_panel)),
        read_counts=12.0,
    )
    for repeat in range(3):
        bench.add("dark", repeat, ms=10.0)
        bench.add("dark", 10 + repeat, ms=25.0)
    truth = []
    for start in (30.0, 330.0):
        for repeat in range(3):
            bench.add("white", start + 5 * repeat)
        if start == 30.0:
            for number, level in enumerate((0.04, 0.1, 0.3, 0.5)):
                at = (bench.wavelength_nm - 700) / 1e4
                truth.append(level + at * level)
                bench.add("sample", 80.0 + 50 * number, truth[-1], ms=25.0 if number < 2 else 10.0)
    scans, _ = fill_defaults(bench.scans())
    references, said = build_references(
        scans, {**INSTRUMENT, **instrument}, {**REFLECTANCE, **settings}
    )
    assert references.noise.known, said
    grid = np.arange(401.0, 1000.0, settings.get("step", 2.0))
    weights = grid_weights(settings.get("step", 2.0))
    out = to_reflectance(scans, references, panel, weights)
    read = np.searchsorted(grid, READ_NM)
    u = np.sqrt(out.u_scan**2 + out.u_reference**2 + (u_panel * out.reflectance) ** 2)
    off = out.reflectance - (weights @ np.array(truth).T).T
    return (np.abs(off) <= 1.959964 * u)[:, read]


@pytest.mark.parametrize(
    ("settings", "drift", "u_panel", "n"),
    [
        ({"references": "bracket"}, 0.0005, 0.0005, 250),
        ({"references": "bracket", "step": 6.0}, 0.0003, 0.0005, 250),
        ({"references": "mean", "dark": "scaled"}, 0.0, 0.0005, 250),
        ({"references": "nearest"}, 0.0005, 0.0, 250),
    ],
)
def test_coverage(settings: dict[str, Any], drift: float, u_panel: float, n: int) -> None:
    rng = np.random.default_rng(20260504)
    held = np.array([one_session(rng, settings, drift, u_panel) for _ in range(n)])
    assert 0.93 <= held.mean() <= 0.97, held.mean(axis=(0, 1))


@pytest.mark.slow
def test_coverage_where_the_panel_rules() -> None:
    """Every interval of a session shares its one panel error: only over sessions does it hold."""
    rng = np.random.default_rng(20260505)
    held = np.array([one_session(rng, {}, 0.001, 0.005) for _ in range(1500)])
    assert 0.93 <= held.mean() <= 0.97
    per_session = held.mean(axis=(1, 2))
    assert per_session.std() > 2 * np.sqrt(0.95 * 0.05 / held[0].size)


def test_intervals_that_are_too_narrow_would_be_noticed() -> None:
    """A gain and a read noise that understate the noise by half fail the test above."""
    rng = np.random.default_rng(1)
    understated = {"gain_electrons_per_count": 16.0, "read_noise_counts": 6.0}
    held = [one_session(rng, {}, 0.0, 0.0, **understated) for _ in range(60)]
    assert np.mean(held) < 0.85
