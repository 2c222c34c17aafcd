"""Savitzky-Golay smoothing and derivatives, with windows in nanometres."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.spectra.axis import is_even

if TYPE_CHECKING:
    import scipy.sparse

_SETTING = "reflectance.smoothing"


def window_points(
    wavelength_nm: NDArray[np.float64], window_nm: float, order: int, setting: str = _SETTING
) -> int:
    """Return the number of points of a window: the odd number nearest to window / step, ties up.

    Parameters
    ----------
    wavelength_nm
        Even axis, shape ``(n_wavelengths,)``, nm.
    window_nm
        Width of the window, nm.
    order
        Order of the polynomial.
    setting
        Key of ``study.yaml`` that holds the window, for the message.

    Raises
    ------
    InputFault
        If the axis is not even, or the window holds too few points for the order, or more points
        than the axis has.

    Examples
    --------
    >>> window_points(np.arange(400.0, 501.0), 11.0, 2)
    11
    """
    if not is_even(wavelength_nm):
        raise InputFault(
            Problem(
                file="study.yaml",
                column=setting,
                found="wavelengths that are not evenly spaced",
                expected="an even axis: Savitzky-Golay weights hold for equal steps only",
                mend="State a grid, such as {start_nm: 400, stop_nm: 1000, step_nm: 1}, "
                "or leave smoothing out.",
            )
        )
    step = float(wavelength_nm[-1] - wavelength_nm[0]) / (len(wavelength_nm) - 1)
    points = 2 * int(np.floor(window_nm / step / 2 + 1e-9)) + 1
    if points <= order or points > len(wavelength_nm):
        raise InputFault(
            Problem(
                file="study.yaml",
                column=setting,
                found=f"a window of {window_nm:g} nm ({points} points) with order {order}",
                expected=f"more points than the order and at most {len(wavelength_nm)}",
                mend=f"Choose a window of at least {(order + 1) * step:g} nm.",
            )
        )
    return points


def savitzky_golay(
    values: NDArray[np.float64],
    wavelength_nm: NDArray[np.float64],
    window_nm: float,
    order: int,
    derivative: int = 0,
    setting: str = _SETTING,
) -> NDArray[np.float64]:
    """Smooth spectra, or take their derivative, by a moving polynomial.

    Each value is replaced by that of the least-squares polynomial through the window around it
    (or by its derivative, per nm to the power ``derivative``). In the half window at either end
    the polynomial of the first or last full window is evaluated.

    Parameters
    ----------
    values
        Shape ``(..., n_wavelengths)``.
    wavelength_nm
        Even axis, shape ``(n_wavelengths,)``, nm.
    window_nm, order
        Width of the window, nm (see :func:`window_points`), and order of the polynomial.
    derivative
        0 smooths, 1 is the slope per nm, 2 the curvature per nm squared.
    setting
        Key of ``study.yaml`` that holds the window, for the message.

    Returns
    -------
    ndarray
        Same shape as ``values``.

    Raises
    ------
    InputFault
        See :func:`window_points`.
    ValueError
        If the derivative is higher than the order.

    References
    ----------
    Savitzky and Golay 1964, Analytical Chemistry 36:1627-1639; corrected by Steinier, Termonia
    and Deltour 1972, Analytical Chemistry 44:1906.
    """
    from scipy.signal import savgol_filter

    if not 0 <= derivative <= order:
        raise ValueError("the derivative must not be higher than the order of the polynomial")
    points = window_points(wavelength_nm, window_nm, order, setting)
    step = float(wavelength_nm[-1] - wavelength_nm[0]) / (len(wavelength_nm) - 1)
    smooth: NDArray[np.float64] = savgol_filter(
        values, points, order, deriv=derivative, delta=step, axis=-1, mode="interp"
    )
    return smooth


def smoothing_weights(
    wavelength_nm: NDArray[np.float64], window_nm: float, order: int, derivative: int = 0
) -> scipy.sparse.csr_array:
    """Return :func:`savitzky_golay` as a weight matrix, so that uncertainties can follow.

    Returns
    -------
    scipy.sparse.csr_array
        Shape ``(n_wavelengths, n_wavelengths)``; smoothed = weights @ spectrum.

    Raises
    ------
    InputFault
        See :func:`window_points`.
    """
    from scipy import sparse

    unit = np.eye(len(wavelength_nm))
    columns = savitzky_golay(unit, wavelength_nm, window_nm, order, derivative)
    columns[np.abs(columns) < 1e-14 * np.abs(columns).max()] = 0.0
    return sparse.csr_array(columns.T)
