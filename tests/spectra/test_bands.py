"""Bands: linear interpolation, means over ranges, and never a value outside the axis."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.spectra.grid import (
    Band,
    band_weights,
    covers,
    weighted_sums,
    weights_matrix,
    widest_gap_nm,
)

AXIS = np.arange(400.0, 1001.0)


def test_a_band_on_the_axis_is_that_value_exactly() -> None:
    weights = band_weights(AXIS, Band(531, 531))
    assert weights[131] == 1.0
    assert np.count_nonzero(weights) == 1


def test_a_range_is_the_mean_of_all_whole_nanometres_both_ends_included() -> None:
    spectrum = np.sin(AXIS / 37.0) + 2
    inside = (AXIS >= 695) & (AXIS <= 740)
    got = band_weights(AXIS, Band(695, 740)) @ spectrum
    assert got == pytest.approx(spectrum[inside].mean(), rel=1e-13)


@given(
    st.lists(st.floats(300, 1100), min_size=2, max_size=40, unique=True),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_a_single_band_agrees_with_numpy_interp(points, where, slope) -> None:
    axis = np.sort(np.array(points))
    if np.any(np.diff(axis) < 1e-6):
        return
    wavelength = float(axis[0] + where * (axis[-1] - axis[0]))
    spectrum = np.cos(axis / 50) + slope * axis
    weights = band_weights(axis, Band(wavelength, wavelength))
    assert weights @ spectrum == pytest.approx(np.interp(wavelength, axis, spectrum), rel=1e-9)


@given(st.floats(400, 990), st.floats(0, 10), st.floats(0.3, 7))
def test_weights_sum_to_one_and_a_straight_line_gives_the_middle(start, width, spacing) -> None:
    axis = np.arange(390.0, 1010.0, spacing)
    band = Band(start, start + width)
    weights = band_weights(axis, band)
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert weights.min() >= -1e-12
    # A mean over equal steps of a straight line is its value half way.
    assert weights @ axis == pytest.approx(start + width / 2, rel=1e-10)


def test_a_range_does_not_depend_on_the_pixels_for_a_straight_line() -> None:
    fine, coarse = np.arange(690.0, 750.0, 0.31), np.arange(690.0, 760.0, 3.3)
    for axis in (fine, coarse):
        assert band_weights(axis, Band(695, 740)) @ axis == pytest.approx(717.5, rel=1e-12)


def test_a_length_that_is_no_whole_number_is_sampled_evenly() -> None:
    axis = np.arange(700.0, 711.0)
    weights = band_weights(axis, Band(702.0, 704.5))
    expected = np.mean(np.interp([702, 702 + 2.5 / 3, 702 + 5 / 3, 704.5], axis, axis**2))
    assert weights @ axis**2 == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("band", [Band(399.9, 399.9), Band(995, 1000.5), Band(100, 2000)])
def test_nothing_is_extrapolated(band) -> None:
    assert not covers(AXIS, band)
    with pytest.raises(ValueError, match="does not cover"):
        band_weights(AXIS, band)


def test_both_ends_of_the_axis_are_inside() -> None:
    assert band_weights(AXIS, Band(400, 400))[0] == 1.0
    assert band_weights(AXIS, Band(1000, 1000))[-1] == 1.0
    assert not covers(np.array([]), Band(500, 500))


def test_the_gap_under_a_band() -> None:
    axis = np.array([500.0, 505.0, 525.0, 530.0])
    assert widest_gap_nm(axis, Band(505, 505)) == 0
    assert widest_gap_nm(axis, Band(510, 510)) == 20
    assert widest_gap_nm(axis, Band(501, 504)) == 5


def test_matrix_and_faults() -> None:
    bands = [Band(531, 531), Band(750, 800)]
    assert weights_matrix(AXIS, bands).shape == (2, 601)
    assert weights_matrix(AXIS, []).shape == (0, 601)
    assert band_weights(np.array([500.0]), Band(500, 500)) == pytest.approx([1.0])
    with pytest.raises(ValueError, match="before it starts"):
        Band(700, 600)
    with pytest.raises(ValueError, match="finite"):
        Band(float("nan"), 700)


def test_a_sum_does_not_depend_on_the_scans_beside_it() -> None:
    rng = np.random.default_rng(4)
    weights = weights_matrix(AXIS, [Band(500 + 5 * i, 520 + 6 * i) for i in range(40)])
    spectra = rng.random((71, AXIS.size))
    sums = weighted_sums(weights, spectra)
    np.testing.assert_allclose(sums, weights @ spectra.T, rtol=1e-13)
    for some in (rng.permutation(71), rng.permutation(71)[:5], np.array([70])):
        assert np.array_equal(weighted_sums(weights, spectra[some]), sums[:, some])


@pytest.mark.parametrize("width", [2.0, 5.0, 10.0])
def test_a_band_averaged_over_a_stated_width_is_the_mean_of_the_spectrum_there(width) -> None:
    # The mean of a parabola over c +- h is its value at c plus a quarter of its bend: a h^2 / 3;
    # over n + 1 equal steps, a h^2 (n + 2) / (3 n). The axis is uneven and finer than the samples.
    axis = 940.0 + np.cumsum(np.random.default_rng(2).uniform(0.05, 0.15, 700))
    centre, half, n = 970.0, width / 2, int(width)
    spectrum = 0.4 + 2e-3 * (axis - centre) ** 2
    got = band_weights(axis, Band(centre, centre).widened(width)) @ spectrum
    assert got == pytest.approx(0.4 + 2e-3 * half**2 * (n + 2) / (3 * n), abs=1e-5)
    # Reading at one wavelength is another value: the width is used.
    assert band_weights(axis, Band(centre, centre)) @ spectrum == pytest.approx(0.4, abs=1e-5)


def test_a_width_that_reaches_beyond_the_axis_is_refused_not_narrowed() -> None:
    wide = Band(402, 402).widened(10)
    assert not covers(AXIS, wide)
    with pytest.raises(ValueError, match="does not cover 397-407 nm"):
        band_weights(AXIS, wide)
