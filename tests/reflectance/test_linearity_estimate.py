"""Linearity estimated from whites at several integration times, on a detector known to bend."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from leafledger.errors import InputFault
from leafledger.reflectance.count_corrections import Linearity, _scatter, fit_linearity, rate_of
from leafledger.reflectance.stage import run
from leafledger.study.table_files import read_spectra

TIMES = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
FULL = 65_535.0


def recorded(linear: np.ndarray, bend: Linearity) -> np.ndarray:
    """Return the counts x above dark with ``bend.value(x) == linear``, by Newton's method."""
    x = linear.copy()
    for _ in range(50):
        x -= (bend.value(x) - linear) / bend.slope(x)
    return x


def ramp(
    bend: Linearity, rng: np.random.Generator | None, times: tuple[float, ...] = TIMES
) -> np.ndarray:
    rate = 3300 * (0.15 + np.exp(-(((np.arange(400) - 200) / 90.0) ** 2)))
    linear = np.array(times)[:, None] * rate
    if rng is not None:
        linear = linear + rng.normal(0, 1, linear.shape) * np.sqrt(linear / 4.0 / 10.0)
    return recorded(linear, bend)


@pytest.mark.parametrize(
    "coefficients", [(1.0, 1.2e-6), (1.0, -8e-7, 2.5e-11), (1.0, 2e-6, -3e-11, 4e-16)]
)
def test_known_coefficients_come_back_exactly_without_noise(
    coefficients: tuple[float, ...],
) -> None:
    bend = Linearity(coefficients)
    counts = ramp(bend, None)
    fit = fit_linearity(counts, np.array(TIMES), np.full(8, 10.0), FULL, "day0")
    expected = np.zeros(4)
    expected[: len(coefficients)] = coefficients
    scale = fit.brightest ** np.arange(4)
    assert np.array(fit.linearity.coefficients) * scale == pytest.approx(expected * scale, abs=1e-8)
    assert fit.residual < 1e-9
    assert fit.residual_before > 0.001


def test_known_coefficients_come_back_within_the_noise() -> None:
    bend = Linearity((1.0, -8e-7, 2.5e-11))
    at = np.linspace(1000, 50_000, 50)
    worst = []
    for seed in range(20):
        counts = ramp(bend, np.random.default_rng(seed))
        fit = fit_linearity(counts, np.array(TIMES), np.full(8, 10.0), FULL, "day0")
        # Only ratios count: reflectance divides by the same polynomial.
        ratio = fit.linearity.value(at) / bend.value(at)
        worst.append(np.ptp(ratio) / ratio.mean())
    assert max(worst) < 0.002
    assert np.mean(worst) < 0.001


def test_a_straight_detector_is_left_straight() -> None:
    counts = ramp(Linearity(), np.random.default_rng(1))
    fit = fit_linearity(counts, np.array(TIMES), np.full(8, 10.0), FULL, "day0")
    at = np.linspace(1000, 50_000, 50)
    assert np.ptp(fit.linearity.value(at) / at) < 0.001


def test_full_pixels_are_not_fitted() -> None:
    bend = Linearity((1.0, 1.2e-6))
    times = (2.0, 4.0, 8.0, 12.0, 16.0, 24.0)
    clipped = np.minimum(ramp(bend, None, times), 30_000)
    fit = fit_linearity(clipped, np.array(times), np.full(6, 10.0), 30_000.0, "day0")
    at = np.linspace(1000, 29_000, 20)
    assert fit.linearity.value(at) == pytest.approx(bend.value(at), rel=1e-6)
    bent = fit_linearity(clipped, np.array(times), np.full(6, 10.0), 1e6, "day0")
    assert np.ptp(bent.linearity.value(at) / bend.value(at)) > 0.01


@pytest.mark.parametrize("times", [(4.0, 8.0, 16.0), (10.0, 11.0, 12.0, 13.0)])
def test_too_few_times_or_too_narrow_a_range_is_refused(times: tuple[float, ...]) -> None:
    counts = ramp(Linearity(), None, times)
    with pytest.raises(InputFault) as fault:
        fit_linearity(counts, np.array(times), np.ones(len(times)), FULL, "day4")
    problem = fault.value.problems[0]
    assert problem.column == "integration_ms"
    assert "day4" in problem.found
    assert f"{len(times)} integration times" in problem.found


def test_without_full_scale_it_is_refused() -> None:
    with pytest.raises(InputFault, match=r"instrument\.full_scale_counts"):
        fit_linearity(ramp(Linearity(), None), np.array(TIMES), np.ones(8), None, "day0")


def test_a_lamp_that_changed_in_between_is_told() -> None:
    counts = ramp(Linearity(), None)
    counts[3] *= 0.93
    fit = fit_linearity(counts, np.array(TIMES), np.full(8, 10.0), FULL, "day0")
    assert any("did the lamp change" in s for s in fit.sentences("day0", 1.0))


def session(bend: Linearity) -> Bench:
    bench = Bench(noise=np.random.default_rng(3), lamp=2800.0)
    for ms in (*TIMES, 20.0):
        for k in range(2):
            bench.add("dark", k, ms=ms)
    for ms in TIMES:
        for k in range(2):
            bench.add("white", 20 + ms + k, ms=ms)
    for k in range(4):
        bench.add("sample", 60 + 20 * k, 0.15, ms=20.0)
    for k in range(3):
        bench.add("white", 200 + k, ms=10.0)
    dark = [bench.offset + bench.dark_rate * row["ms"] for row in bench.rows]
    for k, level in enumerate(dark):
        if bench.rows[k]["role"] != "dark":
            bench.counts[k] = level + recorded(np.maximum(bench.counts[k] - level, 0), bend)
    return bench


def test_the_stage_estimates_states_and_applies_it(tmp_path: Path) -> None:
    bend = Linearity((1.0, 2.5e-6))
    scans = session(bend).scans(full_scale_counts=FULL)
    off, said = {}, {}
    for name, linearity in (("none", None), ("estimate", "estimate")):
        instrument: dict[str, Any] = {"linearity": linearity, "full_scale_counts": FULL}
        job = job_of(tmp_path / name, scans, instrument)
        said[name] = run(job).warnings
        table = read_spectra(job.outputs["reflectance"])
        off[name] = np.abs(table.spectra["reflectance"].mean(axis=0) / 0.15 - 1).max()
    assert off["none"] > 0.02
    assert off["estimate"] < 0.25 * off["none"]
    told = table.metadata["linearity"]
    assert told["n_times"] == 8
    assert told["residual"] < 0.001 < told["residual_before"]
    assert sum("linearity estimated from whites at 8" in w for w in said["estimate"]) == 1


def test_a_detector_is_full_at_its_counts_less_the_dark(tmp_path: Path) -> None:
    """Counts within 2 % of full scale are not fitted, both taken above the dark."""
    scans = session(Linearity()).scans()
    white, dark = scans.where("white"), scans.where("dark")
    middle = float(np.median([np.median(scans.counts[d]) for d in dark]))
    above = scans.counts[white].max(axis=1) - (1200.0 + 20.0 * scans.integration_ms[white])
    limit = float(above.max()) - 300.0
    full = middle + limit / 0.98
    assert full > scans.counts[white].max()
    instrument: dict[str, Any] = {"linearity": "estimate", "full_scale_counts": full}
    job = job_of(tmp_path, replace(scans, full_scale_counts=full), instrument)
    run(job)
    told = read_spectra(job.outputs["reflectance"]).metadata["linearity"]
    assert limit - 1000 < told["brightest_counts"] < limit + 50


def test_a_pixel_without_weight_has_no_rate_and_one_with_weight_the_best() -> None:
    time = np.array([2.0, 4.0])
    for n in (1, 3, 400):
        weight = np.zeros((2, 2 * n))
        weight[:, ::2] = [[1.0], [3.0]]
        values = np.tile(np.array([[10.0], [26.0]]), 2 * n)
        # The sum of weight, value and time over that of weight and time squared, by hand.
        best = (10 * 2 + 3 * 26 * 4) / (2**2 + 3 * 4**2)
        np.full(2 * n, np.nan)  # so that memory that is not written reads as no number
        rate = rate_of(values, time, weight)
        np.testing.assert_allclose(rate, np.tile([best, 0.0], n), rtol=1e-14, atol=0)


def test_a_pixel_without_weight_has_the_rate_zero() -> None:
    """Weighted least squares by hand: sum w v t / sum w t^2; no weight, no rate."""
    time = np.array([1.0, 2.0])
    values = np.array([[3.0, 7.0, 5.0], [8.0, 7.0, 5.0]])
    weight = np.array([[1.0, 0.0, 2.0], [1.0, 0.0, 0.0]])
    for _ in range(8):
        # Freed memory of this size, full of numbers, is what a result left unset would show.
        litter = [np.full(3, 7.0) for _ in range(8)]
        del litter
        assert rate_of(values, time, weight).tolist() == [19 / 5, 0.0, 5.0]


def test_scatter_of_levels_spends_one_on_the_rates() -> None:
    """Levels of -0.4 and 0.3 about zero: sqrt((0.16 + 0.09) / (2 - 1)) = 0.5."""
    assert _scatter(np.array([-0.4, 0.3])) == pytest.approx(0.5)
    assert _scatter(np.array([0.2])) == pytest.approx(0.2)
