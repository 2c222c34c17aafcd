"""Grids and resampling: constants, lines and areas are kept; no range is invented."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.spectra.grid import is_even, resampling_weights, spacing_nm, target_axis

NATIVE = np.linspace(345.2, 1050.9, 2048)
GRID = {"start_nm": 400.0, "stop_nm": 1000.0, "step_nm": 1.0}


def test_auto_is_native_where_coarse_and_whole_nanometres_where_fine() -> None:
    coarse = np.arange(400.0, 1001.0, 3.0)
    assert target_axis(coarse, "auto") is coarse
    fine = target_axis(NATIVE, "auto")
    assert fine[0] == 346.0
    assert fine[-1] == 1050.0
    assert np.all(np.diff(fine) == 1.0)
    assert target_axis(NATIVE, "native") is NATIVE


def test_stated_grid_holds_both_ends_and_short_decimals() -> None:
    axis = target_axis(NATIVE, {"start_nm": 400.0, "stop_nm": 401.0, "step_nm": 0.1})
    np.testing.assert_array_equal(
        axis, [400.0, 400.1, 400.2, 400.3, 400.4, 400.5, 400.6, 400.7, 400.8, 400.9, 401.0]
    )
    assert len(target_axis(NATIVE, GRID)) == 601


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"start_nm": 300.0}, "345.2 to 1050.9 nm, the range of session day4"),
        ({"stop_nm": 1100.0}, "345.2 to 1050.9 nm, the range of session day4"),
        ({"stop_nm": 300.0}, "stop_nm above start_nm"),
        ({"step_nm": 0.001}, "at most 20000 points"),
    ],
)
def test_grid_that_does_not_fit_is_a_problem(change: dict[str, float], words: str) -> None:
    with pytest.raises(InputFault) as fault:
        target_axis(NATIVE, {**GRID, **change}, "day4")
    (problem,) = fault.value.problems
    assert problem.file == "study.yaml"
    assert problem.column == "reflectance.grid"
    assert words in problem.expected


def test_equal_axes_give_the_spectrum_back() -> None:
    weights = resampling_weights(NATIVE, NATIVE.copy())
    values = np.sin(NATIVE / 50)
    np.testing.assert_array_equal(weights @ values, values)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**31 - 1),
    st.sampled_from([0.2, 0.7, 1.0, 3.0, 10.0]),
    st.floats(-5, 5),
    st.floats(-0.1, 0.1),
)
def test_constant_and_straight_spectra_are_kept(
    seed: int, step: float, level: float, slope: float
) -> None:
    rng = np.random.default_rng(seed)
    native = 400.0 + np.cumsum(rng.uniform(0.2, 1.6, 200))
    target = np.arange(np.ceil(native[0]), native[-1], step)
    weights = resampling_weights(native, target)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, rtol=1e-12)
    np.testing.assert_allclose(
        weights @ (level + slope * native), level + slope * target, rtol=1e-9, atol=1e-9
    )


def test_averaging_keeps_the_area() -> None:
    rng = np.random.default_rng(3)
    values = rng.uniform(0, 1, len(NATIVE))
    target = np.arange(400.0, 1001.0, 2.0)
    got = (resampling_weights(NATIVE, target) @ values).sum() * 2.0
    # the same area from numpy's own trapezoid rule over the band edges and the pixels between
    inside = NATIVE[(NATIVE > 399.0) & (NATIVE < 1001.0)]
    corners = np.r_[399.0, inside, 1001.0]
    area = np.trapezoid(np.interp(corners, NATIVE, values), corners)
    assert got == pytest.approx(area, rel=1e-12)


def test_up_is_numpys_linear_interpolation() -> None:
    native = np.arange(400.0, 1001.0, 5.0)
    target = np.arange(400.0, 1000.5, 1.0)
    values = np.cos(native / 40)
    np.testing.assert_allclose(
        resampling_weights(native, target) @ values, np.interp(target, native, values), atol=1e-13
    )


def test_down_averages_noise_and_up_does_not_invent_range() -> None:
    weights = resampling_weights(NATIVE, np.arange(400.0, 1001.0, 5.0))
    variance = weights.multiply(weights).sum(axis=1)
    n_pixels = 5.0 / spacing_nm(NATIVE)
    np.testing.assert_allclose(variance[1:-1], 1 / n_pixels, rtol=0.06)
    with pytest.raises(ValueError, match="outside"):
        resampling_weights(NATIVE, np.array([340.0, 400.0]))


def test_even_axes_are_told_from_uneven_ones() -> None:
    assert is_even(np.arange(400.0, 500.0, 0.1))
    assert not is_even(np.array([400.0, 401.0, 402.1]))
    assert not is_even(np.array([400.0]))


def test_down_is_the_mean_within_the_band_and_not_the_value_at_its_centre() -> None:
    # A spike one pixel wide: the area it has is shared out, wherever it falls in the band.
    native = np.arange(400.0, 601.0, 0.5)
    target = np.arange(410.0, 591.0, 10.0)
    for pixel in (200, 203, 207):
        spike = np.zeros(len(native))
        spike[pixel] = 1.0
        got = resampling_weights(native, target) @ spike
        assert got.sum() * 10.0 == pytest.approx(0.5, rel=1e-12)
        nearest = int(np.argmin(np.abs(target - native[pixel])))
        assert got[nearest] == pytest.approx(0.05, rel=1e-12)


def test_an_axis_put_right_by_a_shift_is_read_where_its_spectrum_stands() -> None:
    peak = np.exp(-0.5 * ((NATIVE - 700.0) / 20.0) ** 2)
    target = np.arange(400.0, 1001.0)
    at = [
        float(np.average(target, weights=resampling_weights(axis, target) @ peak))
        for axis in (NATIVE, NATIVE - 1.3)
    ]
    assert at[0] == pytest.approx(700.0, abs=1e-3)
    assert at[1] == pytest.approx(698.7, abs=1e-3)
