"""Values of single steps of the measurement equation, each worked out by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leafledger.errors import InputFault
from leafledger.reflectance.axis_doubt import with_axis_doubt
from leafledger.reflectance.convert import Reflected
from leafledger.reflectance.dark import Darks
from leafledger.reflectance.hot_pixels import find_hot, hot_sentence
from leafledger.reflectance.lamp_report import LampScan, report_of
from leafledger.reflectance.linearity import Linearity
from leafledger.reflectance.noise import Noise
from leafledger.reflectance.noise_estimate import estimate_electrons_per_count
from leafledger.reflectance.odd_repeats import agreeing
from leafledger.reflectance.panel import panel_of
from leafledger.reflectance.ratio import DarkPart, WhitePart, interpolate, reflect
from leafledger.reflectance.references import levels
from leafledger.reflectance.refusals import bright_darks
from leafledger.reflectance.stray_light import stray_of
from leafledger.spectra.axis_correction import Correction
from leafledger.spectra.lamp_match import FoundLine, LampReading


def test_stray_light_of_the_white_lies_between_the_blocks_as_the_rate_does() -> None:
    two = (np.full(4, 100.0), np.full(4, 140.0))
    none = (np.zeros((0, 4)), np.zeros((0, 4)))
    part = interpolate(two, two, none, np.array([0.0, 0.25, 1.0]), blocks_stray=(1.0, 3.0))
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


def test_a_dark_is_too_bright_by_its_height_above_the_lowest_not_by_its_counts() -> None:
    """Lowest dark 1000, whites 3000 counts: the limit lies at 2000, half the way."""
    for level, refused in ((1990.0, False), (2010.0, True)):
        both = np.array([1000.0, level])
        darks = Darks(np.array([10.0]), ((0, 1),), both[None, :1], np.zeros(1), scaled=False)
        found = bright_darks(["d1", "d2"], ["", ""], both, darks, 3000.0)
        assert [problem.found[:7] for problem in found] == ["dark d2"] * refused
