"""Hot pixels are found in the darks, interpolated everywhere and named; clean pixels are not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from leafledger.reflectance.count_corrections import find_hot, hot_sentence, mend_hot
from leafledger.reflectance.stage import run
from leafledger.study.table_files import read_spectra


def darks(rng: np.random.Generator, n: int = 3, pixels: int = 2048) -> np.ndarray:
    """Darks with a fixed pattern, read noise, a slope and a step of the electronics."""
    at = np.arange(pixels)
    fixed = 1200 + rng.normal(0, 5, pixels) + 0.01 * at + 30 * (at > 900)
    return np.rint(fixed + rng.normal(0, 4, (n, pixels)) + rng.normal(0, 3, (n, 1)))


@pytest.mark.parametrize("n", [2, 3, 6])
def test_clean_pixels_are_not_called(n: int) -> None:
    rng = np.random.default_rng(1)
    called = [find_hot(darks(rng, n), [range(n)]).sum() for _ in range(200)]
    # 400,000 clean pixels: fewer than 1 in 100,000 may be called.
    assert sum(called) <= 4


def test_a_heavy_tailed_pattern_is_not_called_at_a_rate_that_matters() -> None:
    rng = np.random.default_rng(2)
    called = []
    for _ in range(50):
        fixed = 1200 + 5 * rng.standard_t(8, 2048)
        called.append(find_hot(np.rint(fixed + rng.normal(0, 4, (3, 2048))), [range(3)]).mean())
    assert np.mean(called) < 1e-4


@pytest.mark.parametrize("height", [150.0, 2000.0, -150.0])
def test_planted_hot_pixels_are_found_alone_and_in_pairs(height: float) -> None:
    rng = np.random.default_rng(3)
    planted = np.array([0, 17, 18, 500, 1024, 2047])
    for _ in range(20):
        counts = darks(rng)
        counts[:, planted] += height
        assert np.flatnonzero(find_hot(counts, [range(3)])).tolist() == planted.tolist()


def test_a_spike_of_one_dark_a_line_of_light_and_a_comb_are_not_hot_pixels() -> None:
    rng = np.random.default_rng(4)
    spike = darks(rng)
    spike[1, 300] += 5000
    assert not find_hot(spike, [range(3)]).any()
    line = darks(rng)
    line += 4000 * np.exp(-0.5 * ((np.arange(2048) - 700) / 3.0) ** 2)
    assert not find_hot(line, [range(3)])[690:710].any()
    comb = darks(rng)
    comb[:, ::10] += 3000
    assert not find_hot(comb, [range(3)]).any()


def test_single_darks_at_several_times_are_compared_with_each_other() -> None:
    rng = np.random.default_rng(5)
    counts = darks(rng, 2)
    counts[:, 40] += [200, 900]
    assert np.flatnonzero(find_hot(counts, [[0], [1]])).tolist() == [40]
    assert not find_hot(counts[:1], [[0]]).any()


def test_a_pixel_hot_at_long_times_only_is_found() -> None:
    rng = np.random.default_rng(6)
    counts = darks(rng, 6)
    counts[3:, 77] += 400
    assert np.flatnonzero(find_hot(counts, [range(3), range(3, 6)])).tolist() == [77]


def test_mending_is_a_straight_line_between_sound_pixels() -> None:
    axis = np.array([400.0, 401.0, 403.0, 404.0, 405.0])
    hot = np.array([True, False, True, True, False])
    counts = np.array([[9.0, 10.0, 99.0, 99.0, 18.0]])
    assert mend_hot(counts, axis, hot) == pytest.approx(np.array([[10.0, 10.0, 14.0, 16.0, 18.0]]))
    assert counts[0, 2] == 99.0
    assert hot_sentence(axis, ~hot, "day0")[0].startswith("Session day0: 2 pixels stand out")


def test_hot_pixels_are_taken_out_of_reflectance_and_named(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    bench = Bench(noise=rng, whole=True)
    for k in range(3):
        bench.add("dark", k)
    for k in range(3):
        bench.add("white", 10 + k)
    for k in range(6):
        bench.add("sample", 60 + 20 * k, 0.3)
    for k in range(3):
        bench.add("white", 300 + k)
    scans = bench.scans()
    clean = run_of(tmp_path / "clean", scans)
    hot = scans.counts.copy()
    # Pixels that are off and wander between scans: subtraction of the dark would not mend them.
    hot[:, [50, 200]] += 4000 + rng.normal(0, 300, (len(hot), 2))
    from dataclasses import replace

    found, warnings = run_of(tmp_path / "hot", replace(scans, counts=hot))
    named = [float(bench.wavelength_nm[k]) for k in (50, 200)]
    assert found.metadata["hot_pixels_nm"] == named
    assert sum("500.0, 800.0 nm" in w and "hot pixels" in w for w in warnings) == 1
    off = found.spectra["reflectance"] - clean[0].spectra["reflectance"]
    assert np.abs(off[:, [50, 200]]).max() < 0.005
    assert np.abs(np.delete(off, [50, 200], axis=1)).max() < 1e-4
    assert clean[0].metadata["hot_pixels_nm"] == []


def run_of(folder: Path, scans):  # type: ignore[no-untyped-def]
    job = job_of(folder, scans)
    outcome = run(job)
    return read_spectra(job.outputs["reflectance"]), outcome.warnings
