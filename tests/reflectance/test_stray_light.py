"""Stray light taken off by a stated share or a dark region of the array, with its uncertainty."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from leafledger.errors import InputFault
from leafledger.reflectance.count_corrections import Linearity, StrayLight
from leafledger.reflectance.detector import Noise
from leafledger.reflectance.measurement_equation import DarkPart, WhitePart, reflect
from leafledger.reflectance.stage import run
from leafledger.study.table_files import SpectraTable, read_spectra

LEAF = 0.05
DARK_END = 460.0


class Stray(Bench):
    """Light of the mean of all pixels is scattered evenly; none enters below 460 nm."""

    def source(self, time_s: float) -> np.ndarray:
        out = super().source(time_s)
        return np.where(self.wavelength_nm <= DARK_END, 0.0, out)

    def scatter(self, share: float) -> None:
        """Add ``share`` of the mean recorded signal to every pixel."""
        for k, row in enumerate(self.rows):
            dark = self.offset + self.dark_rate * row["ms"]
            if row["role"] != "dark":
                mean = (self.counts[k] - dark).mean()
                self.counts[k] = self.counts[k] + mean * share / (1 - share)


def leaf(axis: np.ndarray) -> np.ndarray:
    return np.where(axis < 700, LEAF, 0.5)


def session(share: float, noise: np.random.Generator | None = None) -> Stray:
    bench = Stray(noise=noise)
    for k in range(3):
        bench.add("dark", k)
    for start in (10, 300):
        for k in range(3):
            bench.add("white", start + k)
        if start == 10:
            for k in range(5):
                bench.add("sample", 60 + 20 * k, leaf(bench.wavelength_nm))
    bench.scatter(share)
    return bench


def result(folder: Path, bench: Bench, stray: dict[str, Any] | None) -> SpectraTable:
    grid = {"start_nm": 480.0, "stop_nm": 990.0, "step_nm": 2.0}
    instrument = {"gain_electrons_per_count": 4.0, "read_noise_counts": 6.0}
    job = job_of(folder, bench.scans(), instrument, {"stray_light": stray, "grid": grid})
    run(job)
    return read_spectra(job.outputs["reflectance"])


@pytest.mark.parametrize(
    "stray", [{"fraction": 0.01}, {"dark_region_nm": [400.0, 455.0]}], ids=["share", "region"]
)
def test_a_planted_stray_level_is_taken_off(tmp_path: Path, stray: dict[str, Any]) -> None:
    bench = session(0.01)
    off = result(tmp_path / "a", bench, None)
    on = result(tmp_path / "b", bench, {**stray, "u_relative": 0.0})
    truth = leaf(on.wavelength_nm)
    assert np.abs(off.spectra["reflectance"] - truth).max() > 0.003
    assert on.spectra["reflectance"][0] == pytest.approx(truth, abs=1e-6)


@pytest.mark.parametrize("off_by", [0.5, 1.4])
def test_its_uncertainty_is_what_a_wrong_share_does(tmp_path: Path, off_by: float) -> None:
    """One standard uncertainty is the change of reflectance for that change of the level."""
    u = 0.01
    bench = session(0.01)
    told = result(tmp_path / "a", bench, {"fraction": 0.01, "u_relative": 1.0})
    plain = result(tmp_path / "b", bench, {"fraction": 0.01, "u_relative": 0.0})
    moved = result(tmp_path / "c", bench, {"fraction": 0.01 * (1 + u), "u_relative": 0.0})
    slope = np.abs(moved.spectra["reflectance"] - plain.spectra["reflectance"])[0] / u
    added = np.sqrt(told.spectra["u_reference"] ** 2 - plain.spectra["u_reference"] ** 2)[0]
    clear = slope > 0.3 * slope.max()
    assert added[clear] == pytest.approx(slope[clear], rel=0.03)
    # Linear enough for the law of propagation: half or 1.4 times as much stray light.
    wrong = result(tmp_path / "d", bench, {"fraction": 0.01 * off_by, "u_relative": 0.0})
    change = np.abs(wrong.spectra["reflectance"] - plain.spectra["reflectance"])[0]
    assert change[clear] == pytest.approx(abs(off_by - 1) * slope[clear], rel=0.03)


def test_noise_of_the_region_is_that_of_repeats() -> None:
    """Monte Carlo (JCGM 101:2008) of a leaf whose stray level comes from ten noisy pixels."""
    n, m, draws = 60, 10, 4000
    weights = np.r_[np.full(m, 1 / m), np.zeros(n - m)]
    signal = np.r_[np.full(m, 400.0), np.full(n - m, 5000.0)]
    white = WhitePart(
        rate=np.full((1, n), 2000.0),
        variance=np.zeros((1, n)),
        drift=np.zeros((1, n)),
        dark_slope=np.zeros((1, 1, n)),
    )
    dark = DarkPart(np.zeros(n), np.ones(1), np.zeros(1), np.zeros(1))
    noise = Noise(2.0, 8.0)
    rng = np.random.default_rng(5)
    sd = np.sqrt(noise.variance(signal, np.ones(n), 1.0))
    counts = signal + sd * rng.normal(size=(draws, n))
    part = reflect(
        counts,
        10.0,
        np.ones(draws),
        dark,
        white,
        0.98,
        Linearity(),
        noise,
        StrayLight(weights, 0.0),
    )
    found = part.reflectance[:, m:].std(axis=0).mean()
    assert found == pytest.approx(np.sqrt(part.scan[:, m:].mean()), rel=0.02)


def test_a_drift_of_the_dark_cancels_in_a_dark_region(tmp_path: Path) -> None:
    bench = session(0.01)
    for k, row in enumerate(bench.rows):
        if row["role"] == "sample":
            bench.counts[k] = bench.counts[k] + 25.0
    region = {"dark_region_nm": [400.0, 455.0], "u_relative": 0.0}
    table = result(tmp_path, bench, region)
    assert table.spectra["reflectance"][0] == pytest.approx(leaf(table.wavelength_nm), abs=1e-6)


@pytest.mark.parametrize(
    ("stray", "found"),
    [
        ({"dark_region_nm": [200.0, 300.0]}, "0 pixels"),
        ({"dark_region_nm": [455.0, 400.0]}, "0 pixels"),
        ({"dark_region_nm": [600.0, 700.0]}, "of the brightest pixel"),
    ],
)
def test_a_region_without_pixels_or_with_light_is_refused(
    tmp_path: Path, stray: dict[str, Any], found: str
) -> None:
    with pytest.raises(InputFault) as fault:
        result(tmp_path, session(0.01), {**stray, "u_relative": 0.29})
    assert fault.value.problems[0].column == "reflectance.stray_light"
    assert found in fault.value.problems[0].found
