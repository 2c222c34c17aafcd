"""Values of single steps of the measurement equation, each worked out by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from leafledger.errors import InputFault
from leafledger.reflectance.count_corrections import (
    Linearity,
    LinearityFit,
    find_hot,
    hot_sentence,
    mend_hot,
    stray_of,
)
from leafledger.reflectance.detector import Darks, Noise, agreeing, estimate_electrons_per_count
from leafledger.reflectance.measurement_equation import (
    DarkPart,
    IntegrationTimes,
    WhitePart,
    interpolate,
    panel_of,
    reflect,
)
from leafledger.reflectance.reference_choice import bright_darks, listed
from leafledger.reflectance.references import levels
from leafledger.reflectance.stage import Reflected, run, with_axis_doubt
from leafledger.reflectance.wavelength_correction import (
    Correction,
    FoundLine,
    LampReading,
    LampScan,
    report_of,
)
from leafledger.study.table_files import SpectraTable, read_spectra


def test_stray_light_of_the_white_lies_between_the_blocks_as_the_rate_does() -> None:
    before, after = (
        WhitePart(rate := np.full((1, 4), level), rate, 0 * rate, np.zeros((0, 1, 4)), stray=stray)
        for level, stray in ((100.0, 1.0), (140.0, 3.0))
    )
    part = interpolate(before, after, np.array([0.0, 0.25, 1.0]))
    assert np.asarray(part.stray).ravel().tolist() == [1.0, 1.5, 3.0]
    assert part.rate[:, 0].tolist() == [100.0, 110.0, 140.0]


def test_darks_of_two_times_are_two_sources_with_their_signs() -> None:
    """R = 0.5 S / (10 ms * rate): dark 1 under the leaf alone, dark 2 under the white alone.

    S - D = 2000 and a rate of 400 per ms give R = 0.25. One count more of dark 1 takes
    0.5 / 4000 off; one count more of dark 2, which lowers the rate by 0.1, adds R * 0.1 / 400.
    """
    n = 3
    fall = np.zeros((2, 1, n))
    fall[1] = 0.1
    white = WhitePart(np.full((1, n), 400.0), np.zeros((1, n)), np.zeros((1, n)), fall)
    dark = DarkPart(np.full(n, 50.0), np.array([1.0, 0.0]), np.zeros(2), np.array([3.0, 7.0]))
    noise = Noise(None, None)
    counts = np.full((1, n), 2050.0)
    part = reflect(counts, 10.0, np.ones(1), dark, white, 0.5, Linearity(), noise)
    assert part.reflectance == pytest.approx(np.full((1, n), 0.25))
    assert set(part.shared) == {"u_dark", "u_dark_2"}
    assert part.shared["u_dark"] == pytest.approx(np.full((1, n), -3.0 * 0.5 / 4000))
    assert part.shared["u_dark_2"] == pytest.approx(np.full((1, n), 7.0 * 0.25 * 0.1 / 400))
    agree = DarkPart(dark.counts, dark.weights, np.array([9.0, 0.0]), np.array([0.0, 7.0]))
    part = reflect(counts, 10.0, np.ones(1), agree, white, 0.5, Linearity(), noise)
    assert list(part.shared) == ["u_dark"]  # darks that agree are no source of their own
    assert part.shared["u_dark"] == pytest.approx(np.full((1, n), 7.0 * 0.25 * 0.1 / 400))
    assert part.reference == pytest.approx(np.full((1, n), 9.0 * (0.5 / 4000) ** 2))


def test_hot_pixels_need_an_axis_of_thirty_pixels_and_are_few() -> None:
    rng = np.random.default_rng(1)
    for n_pixels, called in ((10, False), (29, False), (60, True)):
        darks = rng.normal(1000, 1, (4, n_pixels))
        darks[:, 6] += 400
        assert find_hot(darks, [range(4)]).any() == called, n_pixels
    darks = rng.normal(1000, 1, (8, 300))
    darks[:4, 10:300:60] += 400  # five hot pixels at one integration time,
    darks[4:, 30:300:60] += 400  # five others at another: more than 2 % together
    both = find_hot(darks, [range(4), range(4, 8)])
    assert both.dtype == bool
    assert not both.any()
    assert find_hot(darks[:4], [range(4)]).sum() == 5
    darks = rng.normal(1000, 1, (8, 300))
    darks[:4, [50, 90]] += 400
    darks[4:, 200] += 400
    assert np.flatnonzero(find_hot(darks, [range(4), range(4, 8)])).tolist() == [50, 90, 200]


def test_more_than_twelve_hot_pixels_are_counted() -> None:
    axis = np.arange(500.0, 520.0)
    (said,) = hot_sentence(axis, np.arange(20) < 15, "day0")
    assert "15 pixels stand out" in said
    assert "511.0 and 3 more nm" in said
    (said,) = hot_sentence(axis, np.arange(20) < 13, "day0")
    assert "511.0 and 1 more nm" in said
    (said,) = hot_sentence(axis, np.arange(20) < 12, "day0")
    assert "510.0, 511.0 nm" in said


def test_rounding_is_taken_off_the_noise_of_whites_once() -> None:
    """Means of 400 readings: their rounding, 400 / 12 counts squared, is a tenth of shot noise."""
    rng = np.random.default_rng(2)
    mean = np.linspace(1200.0, 2000.0, 4000)
    exact = mean + rng.normal(size=(12, 4000)) * np.sqrt(mean / 5 / 400)
    averages = np.full(12, 400.0)
    for rounding, signal in ((0.0, exact), (1.0, np.rint(exact))):
        sets = [(signal, np.ones_like(signal), averages)]
        gain, _ = estimate_electrons_per_count(sets, 0.0, rounding, 1e9)
        assert gain == pytest.approx(5.0, rel=0.03), rounding


def test_repeats_of_unlike_averages_are_compared_by_their_own_noise() -> None:
    """The mean of 100 readings and a single one differ by sqrt(1 + 1/100) of a single one's sd."""
    rng = np.random.default_rng(3)
    averages = [np.array(pair) for pair in ([1.0, 100.0], [1.0, 100.0], [100.0, 1.0])]
    sets = [rng.normal(size=(2, 2000)) / np.sqrt(a)[:, None] for a in averages]
    assert [kept.tolist() for kept in agreeing(sets, averages)] == [[0, 1]] * 3
    sets[2] = sets[2] * 1.5  # 2.25 times the variance
    assert [kept.tolist() for kept in agreeing(sets, averages)] == [[0, 1], [0, 1], []]


def test_a_panel_table_must_reach_both_ends_of_the_grid(tmp_path: Path) -> None:
    grid = np.arange(450.0, 901.0)
    table = tmp_path / "panel.csv"
    settings = {"reflectance": 0.99, "u_relative": 0.01}
    for first, last, fits in ((450, 900, True), (450, 899.5, False), (450.5, 900, False)):
        table.write_text(f"wavelength_nm,reflectance\n{first},0.95\n{last},0.97\n")
        if fits:
            panel = panel_of(settings, table, "panel.csv", grid, grid)
            assert panel.reflectance == pytest.approx(0.95 + 0.02 * (grid - 450) / 450)
            continue
        with pytest.raises(InputFault, match="450 to 900 nm"):
            panel_of(settings, table, "panel.csv", grid, grid)


def test_level_of_a_white_is_read_from_500_to_800_nm_and_bears_a_dead_pixel() -> None:
    """At eleven wavelengths from 500 to 800 nm the second white is a tenth above the first, but
    for the five longest, where it is a third above: the median is that of the sixth."""
    axis = np.array([490.0, *np.linspace(500, 800, 11), 810.0])
    one = np.ones(13)
    two = np.array([9.0, *[1.1] * 6, *[1.3] * 5, 9.0])
    assert levels(np.stack([one, two]), axis) == pytest.approx([1 / 1.05, 1.1 / 1.05])
    two = np.array([9.0, *[1.1] * 5, *[1.3] * 6, 9.0])
    assert levels(np.stack([one, two]), axis) == pytest.approx([1 / 1.15, 1.3 / 1.15])
    ten = np.delete(axis, 6)  # enough; with nine the middle half of the axis would be read
    two = np.array([9.0, *[1.3] * 4, *[1.1] * 4, 1.3, 1.3, 9.0])
    assert levels(np.stack([np.ones(12), two]), ten) == pytest.approx([1 / 1.15, 1.3 / 1.15])
    faint = np.stack([one, 1.1 * one]) * 1e-3  # counts per ms may be few
    faint[:, 5] = 0.0
    assert levels(faint, axis) == pytest.approx([1 / 1.05, 1.1 / 1.05])


def test_a_dark_region_holds_its_own_ends() -> None:
    axis = np.arange(350.0, 360.0)
    stray = stray_of({"dark_region_nm": [351.0, 355.0], "u_relative": 0.1}, axis)
    assert stray is not None
    assert stray.weights.tolist() == [0.0, *[0.2] * 5, *[0.0] * 4]
    with pytest.raises(InputFault, match="hold 4 pixels"):
        stray_of({"dark_region_nm": [351.0, 354.9], "u_relative": 0.1}, axis)


def test_two_lit_wavelengths_have_a_slope() -> None:
    grid, unlit = np.array([500.0, 501.0, 502.0]), np.array([True, False, False])
    value = np.array([[0.0, 0.3, 0.4]])
    out = with_axis_doubt(Reflected(value, value * 0, value * 0, unlit), grid, np.full((1, 3), 0.2))
    # Central difference with the nearest lit value in place of the unlit one, then one-sided.
    assert out.shared["u_axis"] == pytest.approx(np.array([[0.0, -0.01, -0.02]]), rel=1e-6)


def test_lines_of_one_lamp_scan_about_the_curve_of_all() -> None:
    """Weighted mean and its external uncertainty (Birge 1932), three lines by hand.

    Off the curve by 0.1, 0.3 and 0.8 nm with weights 100, 100 and 25 (1 / u^2): the mean is
    60 / 225, chi-squared 100 (0.1 - m)^2 + 100 (0.3 - m)^2 + 25 (0.8 - m)^2 on 2 degrees.
    """
    off, u = np.array([0.1, 0.3, 0.8]), np.array([0.1, 0.1, 0.2])
    published = np.array([435.8, 546.1, 763.5])
    lines = tuple(
        FoundLine(p, p + d, s, fwhm_nm=1.5, single=True)
        for p, d, s in zip(published.tolist(), off.tolist(), u.tolist(), strict=True)
    )
    flat = Correction(600.0, 150.0, np.array([0.0]), np.array([[0.0]]), 0.1, lines)
    scan = LampScan("l1", "l1.txt", LampReading(lines, 1.5, 0))
    (row,) = report_of(flat, [scan], 1.5, np.array([400.0, 900.0]))["by_scan"]
    mean = 60 / 225
    chi2 = 100 * (0.1 - mean) ** 2 + 100 * (0.3 - mean) ** 2 + 25 * (0.8 - mean) ** 2
    assert chi2 > 2
    assert row["from_mean_nm"] == pytest.approx(mean, abs=1e-6)
    assert row["u_nm"] == pytest.approx(np.sqrt(chi2 / 2 / 225), abs=1e-6)
    # Lines that agree better than their uncertainties are no better known for it.
    agreeing_lines = tuple(FoundLine(p, p + 0.1, 0.1, fwhm_nm=1.5, single=True) for p in published)
    scan = LampScan("l2", "l2.txt", LampReading(agreeing_lines, 1.5, 0))
    (row,) = report_of(flat, [scan], 1.5, np.array([400.0, 900.0]))["by_scan"]
    assert row["u_nm"] == pytest.approx(0.1 / np.sqrt(3), abs=1e-6)


def test_a_dark_is_too_bright_by_its_height_above_the_lowest_not_by_its_counts() -> None:
    """Lowest dark 1000, whites 3000 counts: the limit lies at 2000, half the way."""
    for level, refused in ((1990.0, False), (2010.0, True)):
        both = np.array([1000.0, level])
        darks = Darks(np.array([10.0]), ((0, 1),), both[None, :1], np.zeros(1), scaled=False)
        found = bright_darks(["d1", "d2"], ["", ""], both, darks, 3000.0)
        assert [problem.found[:7] for problem in found] == ["dark d2"] * refused


def test_a_hot_pixel_of_a_fine_axis_is_mended_along_the_straight_line() -> None:
    axis = np.array([500.0, 500.2, 500.5, 500.6])
    counts = np.array([[10.0, 999.0, 999.0, 70.0], [5.0, 0.0, 0.0, 11.0]])
    mended = mend_hot(counts, axis, np.array([False, True, True, False]))
    assert mended == pytest.approx(np.array([[10.0, 30.0, 60.0, 70.0], [5.0, 7.0, 10.0, 11.0]]))


def test_exactly_two_percent_of_hot_pixels_are_still_hot_pixels() -> None:
    darks = np.random.default_rng(4).normal(1000, 1, (4, 300))
    places = [20, 70, 120, 170, 220, 270]
    darks[:, places] += 400
    assert np.flatnonzero(find_hot(darks, [range(4)])).tolist() == places


def test_integration_times_of_leaf_and_white_are_sources_with_their_signs() -> None:
    """R = 0.25. The white rests by halves on 10 ms and 20 ms: R moves by R u / (2 t) with either,
    and by -R u / t with the leaf's own time; a time of both has the sum."""
    n = 2
    half = np.full((2, 1, n), 0.5)
    none = np.zeros((0, 1, n))
    white = WhitePart(
        np.full((1, n), 400.0), np.zeros((1, n)), np.zeros((1, n)), none, time_shares=half
    )
    dark = DarkPart(np.zeros(n), np.zeros(0), np.zeros(0), np.zeros(0))
    times = IntegrationTimes(np.array([10.0, 20.0]), 0.1)
    for leaf_ms, expected in (
        (10.0, [0.05 - 0.1, 0.025]),
        (20.0, [0.05, 0.025 - 0.05]),
        (40.0, [0.05, 0.025, -0.025]),
    ):
        counts = np.full((1, n), 0.25 * 400 * leaf_ms / 0.5)
        part = reflect(
            *(counts, leaf_ms, np.ones(1), dark, white, 0.5, Linearity(), Noise(None, None)),
            times=times,
        )
        names = ["u_integration", "u_integration_2", "u_integration_3"]
        assert list(part.shared) == names[: len(expected)]
        for name, by_time in zip(names, expected, strict=False):
            assert part.shared[name] == pytest.approx(np.full((1, n), 0.1 * by_time * 0.25))
    alone = WhitePart(white.rate, white.variance, white.drift, none, time_shares=np.ones((1, 1, n)))
    counts = np.full((1, n), 0.25 * 400 * 10 / 0.5)
    part = reflect(
        *(counts, 10.0, np.ones(1), dark, alone, 0.5, Linearity(), Noise(None, None)),
        times=IntegrationTimes(np.array([10.0]), 0.1),
    )
    assert part.shared == {}


def test_what_a_linearity_is_uncertain_by_is_said_in_percent() -> None:
    """x (1 + c1 x) with u(c1) = 2e-7: at 50,000 counts 2e-7 x 50,000 = 1 %."""
    curve = Linearity((1.0, 1e-6), ((0.0, 2e-7),))
    fit = LinearityFit(curve, 5, 0.001, 0.03, 50_000.0)
    assert fit.u_relative() == pytest.approx(0.01)
    (said,) = fit.sentences("day0", 40_000.0)
    assert "3 % before and 0.1 % after correction" in said
    assert "uncertain by 1 % at 50000 counts" in said


def test_eight_scans_are_all_named() -> None:
    names = list("abcdefghij")
    assert listed(names[:8]) == "a, b, c, d, e, f, g, h"
    assert listed(names) == "a, b, c, d, e, f, g, h and 2 more"


def measured(
    folder: Path, darks: tuple[float, ...] = (), rule: str = "bracket", **leaf: Any
) -> tuple[Any, SpectraTable]:
    """Return outcome and table of a bench of four darks, whites at both ends and two leaves."""
    bench = Bench()
    for k, off in enumerate(darks or (0.0,) * 4):
        bench.add("dark", k, scan=f"dark{k}")
        bench.counts[-1] = bench.counts[-1] + off
    for at in (10.0, 300.0):
        for k in range(3):
            bench.add("white", at + k)
    for k, scan in enumerate(("first", "second")):
        bench.add("sample", 100.0 + k, 0.3, scan=scan)
        bench.rows[-1].update(leaf if scan == "second" else {})
    job = job_of(folder, bench.scans(), settings={"references": rule})
    return run(job), read_spectra(job.outputs["reflectance"])


def test_a_dark_is_off_by_its_share_of_the_signal_of_the_white(tmp_path: Path) -> None:
    """Darks stand at 1400 counts; 1 % of the light of the white, not of its counts, is the limit.

    The white at a pixel of the middle half has 30,000 (0.2 + exp(-((w - 680) / 180)^2)) counts of
    light; half of them have more than the median.
    """
    axis = np.linspace(400.0, 1000.0, 301)[75:226]
    light = np.median(30_000 * (0.2 + np.exp(-(((axis - 680) / 180) ** 2))))
    for share, said in ((0.0102, True), (0.0098, False)):
        outcome, _ = measured(tmp_path / str(share), (0.0, 0.0, 0.0, share * light))
        named = [w for w in outcome.warnings if w.startswith("Dark dark3 is +")]
        assert len(named) == said, share


def test_a_leaf_without_a_time_has_no_dark_before_or_after(tmp_path: Path) -> None:
    _, table = measured(tmp_path, rule="mean", time=float("nan"))
    rows = table.rows.set_index("scan")
    assert rows.loc["first", ["dark_before", "dark_after"]].tolist() == ["dark3", ""]
    assert rows.loc["second", ["dark_before", "dark_after"]].tolist() == ["", ""]
