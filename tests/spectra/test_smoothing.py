"""Savitzky-Golay against the published convolution integers."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.errors import InputFault
from leafledger.spectra.grid import savitzky_golay, smoothing_weights, window_points

# Savitzky and Golay 1964, Anal. Chem. 36:1627-1639, Tables I-XI, with the corrections of Steinier,
# Termonia and Deltour 1972, Anal. Chem. 44:1906: points, order, derivative, integers, norm.
TABLES = [
    (5, 2, 0, [-3, 12, 17, 12, -3], 35),
    (5, 2, 1, [-2, -1, 0, 1, 2], 10),
    (5, 2, 2, [2, -1, -2, -1, 2], 7),
    (7, 2, 0, [-2, 3, 6, 7, 6, 3, -2], 21),
    (7, 2, 1, [-3, -2, -1, 0, 1, 2, 3], 28),
    (7, 2, 2, [5, 0, -3, -4, -3, 0, 5], 42),
    (5, 3, 1, [1, -8, 0, 8, -1], 12),
    (7, 3, 1, [22, -67, -58, 0, 58, 67, -22], 252),
    (7, 4, 0, [5, -30, 75, 131, 75, -30, 5], 231),
    (9, 2, 0, [-21, 14, 39, 54, 59, 54, 39, 14, -21], 231),
    (11, 2, 0, [-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36], 429),
]


@pytest.mark.parametrize(("points", "order", "derivative", "integers", "norm"), TABLES)
@pytest.mark.parametrize("step", [1.0, 0.5])
def test_weights_are_the_published_integers(
    points: int, order: int, derivative: int, integers: list[int], norm: int, step: float
) -> None:
    axis = 500.0 + step * np.arange(31)
    weights = smoothing_weights(axis, points * step, order, derivative).toarray()
    half = points // 2
    expected = np.zeros(31)
    expected[15 - half : 16 + half] = np.array(integers) / norm / step**derivative
    np.testing.assert_allclose(weights[15], expected, atol=1e-12)


def test_a_parabola_keeps_its_slope_up_to_the_ends() -> None:
    y = np.array([1.0, 4, 9, 16, 25, 36, 49, 64, 81])
    slope = savitzky_golay(y, np.arange(500.0, 509.0), 5.0, 2, 1)
    np.testing.assert_allclose(slope, [2, 4, 6, 8, 10, 12, 14, 16, 18], atol=1e-12)
    half = savitzky_golay(y, 500.0 + 0.5 * np.arange(9), 2.5, 2, 1)
    np.testing.assert_allclose(half[:3], [4, 8, 12], atol=1e-12)


def test_the_matrix_does_what_the_filter_does() -> None:
    axis = np.arange(400.0, 701.0)
    values = np.random.default_rng(0).normal(size=(4, 301))
    smooth = savitzky_golay(values, axis, 15.0, 2)
    np.testing.assert_allclose((smoothing_weights(axis, 15.0, 2) @ values.T).T, smooth, atol=1e-12)


def test_windows_in_nm_become_odd_numbers_of_points() -> None:
    axis = np.arange(400.0, 501.0)
    assert [window_points(axis, w, 2) for w in (9.9, 10.0, 11.0, 11.9, 12.0)] == [9, 11, 11, 11, 13]


@pytest.mark.parametrize(
    ("axis", "window", "found"),
    [
        (np.array([400.0, 401.0, 402.2, 403.0]), 3.0, "not evenly spaced"),
        (np.arange(400.0, 500.0), 2.0, "a window of 2 nm (3 points) with order 4"),
        (np.arange(400.0, 410.0), 30.0, "a window of 30 nm (31 points)"),
    ],
)
def test_what_cannot_be_smoothed_is_a_problem(axis: np.ndarray, window: float, found: str) -> None:
    with pytest.raises(InputFault) as fault:
        savitzky_golay(np.zeros(len(axis)), axis, window, 4)
    assert found in fault.value.problems[0].found
    assert fault.value.problems[0].column == "reflectance.smoothing"


def test_a_derivative_above_the_order_is_refused() -> None:
    with pytest.raises(ValueError, match="derivative"):
        savitzky_golay(np.zeros(50), np.arange(50.0), 11.0, 2, 3)
