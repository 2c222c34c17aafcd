"""Known reflectance comes back exactly from noise-free counts; order of rows does not matter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from simulated_sessions import INSTRUMENT, REFLECTANCE, Bench, reordered

from leafledger.reflectance.detector import level_spread, pool_darks
from leafledger.reflectance.reference_choice import bracket, nearest, white_blocks
from leafledger.reflectance.references import (
    Blocks,
    References,
    Scans,
    build_references,
    fill_defaults,
    reference_columns,
)
from leafledger.reflectance.stage import UNLIT_U, Reflected, to_reflectance
from leafledger.spectra.grid import resampling_weights


def solve(
    scans: Scans, settings: dict[str, Any] | None = None, **instrument: Any
) -> tuple[Reflected, References, list[str]]:
    scans, said = fill_defaults(scans)
    instrument = {**INSTRUMENT, **instrument}
    references, more = build_references(scans, instrument, {**REFLECTANCE, **(settings or {})})
    weights = resampling_weights(scans.wavelength_nm, scans.wavelength_nm)
    out = to_reflectance(scans, references, instrument["panel"]["reflectance"], weights)
    return out, references, [*said, *more]


def leaf(bench: Bench, level: float) -> np.ndarray:
    return level + 0.3 / (1 + np.exp(-(bench.wavelength_nm - 715) / 12))


def drifting(**changes: Any) -> tuple[Bench, np.ndarray]:
    """Two whole brackets, whites in threes and twos, leaves at other integration times."""
    bench = Bench(drift_per_s=2e-5, **changes)
    truth = []
    for time in (0, 5):
        bench.add("dark", time, ms=10.0)
        bench.add("dark", time + 1, ms=25.0)
    for block, start in enumerate((30.0, 330.0, 730.0)):
        for repeat in range((3, 2, 3)[block]):
            bench.add("white", start + (0, 7, 11)[repeat])
        if block < 2:
            for number in range(4):
                truth.append(leaf(bench, 0.05 + 0.02 * number))
                ms = 25.0 if number % 2 else 10.0
                bench.add("sample", start + 60 + 40 * number, truth[-1], ms=ms)
    return bench, np.array(truth)


def test_bracketing_recovers_a_lamp_that_drifts_linearly_exactly() -> None:
    bench, truth = drifting()
    out, references, _ = solve(bench.scans())
    np.testing.assert_allclose(out.reflectance, truth, rtol=1e-11)
    assert references.choice.interpolated.all()
    assert not out.unlit.any()
    # the rules that do not interpolate are off by the drift, so that the test above can fail
    for rule in ("nearest", "mean"):
        off = np.abs(solve(bench.scans(), {"references": rule})[0].reflectance / truth - 1)
        assert off.max() > 5e-4


def test_panel_and_scaled_darks() -> None:
    bench, truth = drifting(panel=0.97)
    # the leaf is measured at a third time, which no dark has
    truth = np.array([*truth, leaf(bench, 0.1)])
    bench.add("sample", 600.0, truth[-1], ms=17.0)
    out, references, _ = solve(
        bench.scans(), {"dark": "scaled"}, panel={"reflectance": 0.97, "u_relative": 0.0}
    )
    np.testing.assert_allclose(out.reflectance, truth, rtol=1e-9)
    np.testing.assert_allclose(references.darks.at(17.0), 1200 + 20 * 17.0, rtol=1e-12)


def test_scaled_darks_are_the_least_squares_line() -> None:
    rng = np.random.default_rng(8)
    times = np.array([5.0, 5.0, 12.0, 40.0, 40.0, 40.0])
    counts = 1000 + 3 * times[:, None] + rng.normal(size=(6, 4))
    darks = pool_darks(counts, times, scaled=True)
    pooled = np.array([counts[:2].mean(0), counts[2], np.median(counts[3:], axis=0)])
    for pixel in range(4):
        slope, offset = np.polyfit([5, 12, 40], pooled[:, pixel], 1, w=np.sqrt([2, 1, 3]))
        assert darks.at(20.0)[pixel] == pytest.approx(offset + 20 * slope, rel=1e-12)


def test_linearity_polynomial_is_undone() -> None:
    bench, truth = drifting()
    scans = bench.scans()
    c1 = 4e-6
    dark = bench.offset + bench.dark_rate * scans.integration_ms[:, None]
    linear = scans.counts - dark
    # the detector reads x with x (1 + c1 x) = linear
    bent = replace(scans, counts=dark + (-1 + np.sqrt(1 + 4 * c1 * linear)) / (2 * c1))
    out, _, _ = solve(bent, linearity={"coefficients": [1.0, c1]})
    np.testing.assert_allclose(out.reflectance, truth, rtol=1e-9)
    assert np.abs(solve(bent)[0].reflectance / truth - 1).max() > 0.01


def test_order_of_rows_does_not_change_a_bit() -> None:
    bench, _ = drifting(noise=np.random.default_rng(3))
    scans = bench.scans()
    out, references, _ = solve(scans)
    names = scans.scan[scans.where("sample")].tolist()
    columns = reference_columns(scans, references)
    for seed in range(3):
        mixed = reordered(scans, np.random.default_rng(seed).permutation(len(scans.scan)))
        other, others, _ = solve(mixed)
        back = [mixed.scan[mixed.where("sample")].tolist().index(name) for name in names]
        for name in ("reflectance", "u_scan", "u_reference"):
            np.testing.assert_allclose(
                getattr(other, name)[back], getattr(out, name), rtol=1e-12, atol=0
            )
        theirs = reference_columns(mixed, others)
        for name, column in columns.items():
            assert [theirs[name][b] for b in back] == column


def test_one_bad_white_of_three_and_one_bad_dark_of_three_change_nothing() -> None:
    bench, truth = drifting()
    bench.add("dark", 6.0, ms=10.0)
    bench.add("dark", 7.0, ms=25.0)
    scans = bench.scans()
    counts = scans.counts.copy()
    counts[scans.where("white")[1]] *= 0.5
    counts[scans.where("dark")[0]] += 400.0
    out, _, _ = solve(replace(scans, counts=counts))
    np.testing.assert_allclose(out.reflectance, truth, rtol=1e-3)
    assert level_spread([1500.0, 1501.0, 1900.0]) == pytest.approx(1.4826)


def test_reference_columns_name_the_set() -> None:
    bench, _ = drifting()
    bench.add("sample", 800.0, 0.2)
    scans = bench.scans()
    _, references, _ = solve(scans)
    columns = reference_columns(scans, references)
    assert columns["reference"][:5] == ["w1-w2-d1", "w1-w2-d2", "w1-w2-d1", "w1-w2-d2", "w2-w3-d1"]
    assert columns["reference"][-1] == "w3-d1"
    assert columns["white_before"][0] == "white-5"
    assert columns["white_after"][0] == "white-11"
    assert columns["white_after"][-1] == ""
    assert columns["white_after_weight"][-1] == 0.0
    # blocks at 37 s (median of 30, 37, 41) and 333.5 s (mean of 330, 337)
    assert columns["white_after_weight"][0] == pytest.approx((90 - 37) / (333.5 - 37))
    assert columns["dark_before"][0] == "dark-2"
    assert columns["dark_after"][0] == ""
    _, references, _ = solve(scans, {"references": "mean", "dark": "scaled"})
    columns = reference_columns(scans, references)
    assert set(columns["reference"]) == {"wm-ds"}
    assert columns["white_after_weight"][0] is None


def test_blocks_end_at_a_leaf_and_at_a_pause() -> None:
    time = np.array([0.0, 10, 20, 100, 200, 210, 900, 910])
    white = np.array([True, True, True, False, True, True, True, True])
    blocks = [b.tolist() for b in white_blocks(time, white)]
    assert blocks == [[0, 1, 2], [4, 5], [6, 7]]


def test_choices_at_the_ends_and_between() -> None:
    block_s, sample_s = np.array([100.0, 200.0]), np.array([40.0, 100.0, 150.0, 190.0, 260.0])
    choice = bracket(block_s, sample_s)
    assert choice.before.tolist() == [-1, 0, 0, 0, 1]
    assert choice.after.tolist() == [0, 1, 1, 1, -1]
    np.testing.assert_allclose(choice.after_weight, [1, 0, 0.5, 0.9, 0])
    np.testing.assert_allclose(choice.gap_s, [60, 100, 100, 100, 60])
    choice = nearest(block_s, sample_s)
    assert choice.before.tolist() == [-1, 0, 0, -1, 1]
    assert choice.after.tolist() == [0, -1, -1, 1, -1]
    np.testing.assert_allclose(choice.gap_s, [60, 0, 50, 10, 60])


def test_pixels_without_light_are_zero_with_a_huge_uncertainty() -> None:
    bench, truth = drifting(noise=np.random.default_rng(1))
    scans = bench.scans()
    dark = bench.offset + bench.dark_rate * scans.integration_ms[:, None]
    counts = scans.counts.copy()
    counts[:, :10] = dark + np.random.default_rng(2).normal(size=(len(counts), 10))
    out, _, _ = solve(replace(scans, counts=counts))
    assert out.unlit[:9].sum() >= 8
    assert not out.unlit[10:].any()
    assert (out.reflectance[:, out.unlit] == 0).all()
    assert (out.u_scan[:, out.unlit] == UNLIT_U).all()
    assert np.isfinite(out.reflectance).all()
    assert np.isfinite(out.u_reference).all()
    np.testing.assert_allclose(out.reflectance[:, 10:], truth[:, 10:], atol=0.02)


def test_uncertainty_is_unknown_not_zero_where_nothing_is_repeated() -> None:
    bench = Bench(noise=np.random.default_rng(1))
    bench.add("dark", 0.0)
    bench.add("white", 10.0)
    bench.add("sample", 20.0, 0.4)
    out, references, said = solve(bench.scans())
    assert not references.noise.known
    assert not out.u_scan.any()
    assert any("uncertainty of reflectance is unknown" in s for s in said)
    known, _, said = solve(bench.scans(), gain_electrons_per_count=4.0, read_noise_counts=6.0)
    assert (known.u_scan > 0).all()
    assert said == [
        "1 of 1 leaf scans have whites on one side only: a change of the lamp cannot be "
        "followed there."
    ]


def test_averages_and_integration_time_enter_the_uncertainty() -> None:
    bench, _ = drifting()
    stated = {"gain_electrons_per_count": 4.0, "read_noise_counts": 6.0}
    few, _, _ = solve(bench.scans(averages=np.full(len(bench.rows), 1.0)), **stated)
    many, _, _ = solve(bench.scans(averages=np.full(len(bench.rows), 16.0)), **stated)
    np.testing.assert_allclose(few.u_scan, 4 * many.u_scan, rtol=1e-9)


def test_drift_is_not_averaged_away_and_grows_with_distance() -> None:
    """With hardly any noise: (W2 - W1)^2 / 12 between blocks, change x gap / sqrt(3) beyond."""
    bench = Bench(drift_per_s=1e-4)
    bench.add("dark", 0.0)
    for time in (100.0, 300.0):
        bench.add("white", time)
        if time == 100.0:
            bench.add("sample", 200.0, 0.4)
    bench.add("sample", 350.0, 0.4)
    scans, _ = fill_defaults(bench.scans())
    quiet = {"gain_electrons_per_count": 1e12, "read_noise_counts": 1e-6}
    references, _ = build_references(scans, {**INSTRUMENT, **quiet}, REFLECTANCE)
    for step in (2.0, 10.0):
        grid = np.arange(410.0, 991.0, step)
        out = to_reflectance(scans, references, 1.0, resampling_weights(bench.wavelength_nm, grid))
        between = 0.4 * 0.02 / 1.02 / np.sqrt(12)
        beyond = out.reflectance[1] * 0.02 / 1.03 * 50 / 200 / np.sqrt(3)
        np.testing.assert_allclose(out.u_reference[0], between, rtol=1e-6)
        np.testing.assert_allclose(out.u_reference[1], beyond, rtol=1e-6)


def test_whites_of_two_integration_times_one_of_each_are_two_sources() -> None:
    bench = Bench()
    for ms in (10.0, 20.0):
        bench.add("dark", 0.0, ms=ms)
        bench.add("white", 60.0 + ms, ms=ms)
    bench.add("sample", 300.0, 0.4, ms=20.0)
    references, _ = build_references(
        bench.scans(), {**INSTRUMENT, "integration_u_ms": 0.01}, REFLECTANCE
    )
    assert references.times is not None
    assert references.times.white_ms.tolist() == [10.0, 20.0]
    assert references.times.u_ms == 0.01
    exact, _ = build_references(bench.scans(), INSTRUMENT, REFLECTANCE)
    assert exact.times is None


def test_the_mean_of_whites_is_uncertain_by_their_range() -> None:
    """Rates of 100 and 110: a range of 10 / 105 of their mean, over sqrt(12) (GUM 4.3.7)."""
    bench = Bench(drift_per_s=0.001)
    bench.add("dark", 0.0)
    bench.add("white", 0.0)
    bench.add("white", 100.0)
    bench.add("sample", 50.0, 0.4)
    stated = {"gain_electrons_per_count": 4.0, "read_noise_counts": 6.0}
    out, _, _ = solve(bench.scans(), {"references": "mean"}, **stated)
    expected = 0.4 * (10 / 105) / np.sqrt(12)
    np.testing.assert_allclose(np.abs(out.shared["u_drift"]), expected, rtol=1e-5)


def test_a_pause_of_ten_minutes_and_no_less_ends_a_block() -> None:
    everything = np.ones(3, dtype=bool)
    assert [len(b) for b in white_blocks(np.array([0.0, 600.0, 1200.5]), everything)] == [2, 1]


def test_a_white_is_lit_from_three_standard_deviations_on() -> None:
    """And from 1e-5 of its brightest pixel on, whatever the noise."""
    rate = np.array([[1000.0, 2.9, 3.1, 0.009, 0.011]])
    variance = np.array([[1.0, 1.0, 1.0, 0.0, 0.0]])
    none = np.zeros((1, 0, 5))
    blocks = Blocks(rate, variance, none, np.zeros(1), np.zeros(1), none, none)
    assert blocks.lit.tolist() == [True, False, True, False, True]
