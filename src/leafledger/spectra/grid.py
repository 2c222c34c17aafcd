"""On which wavelengths is a study computed, and how do spectra come to them?

Resampling is one weight matrix for all scans, so that the uncertainty can go the same way.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem

if TYPE_CHECKING:
    import scipy.sparse


_TOLERANCE_NM = 1e-6
_EVEN = 1e-4
_MOST_POINTS = 20_000
_FINEST_AUTO_NM = 1.0
_SETTING = "reflectance.grid"


def spacing_nm(wavelength_nm: NDArray[np.float64]) -> float:
    """Return the median distance between neighbouring wavelengths, nm (0 for a single one)."""
    return float(np.median(np.diff(wavelength_nm))) if len(wavelength_nm) > 1 else 0.0


def is_even(wavelength_nm: NDArray[np.float64]) -> bool:
    """Say whether all steps are equal within 1e-4 of the step."""
    steps = np.diff(wavelength_nm)
    return len(steps) > 0 and bool(np.all(np.abs(steps - steps.mean()) <= _EVEN * steps.mean()))


def target_axis(
    native_nm: NDArray[np.float64], grid: str | Mapping[str, Any], session: str = ""
) -> NDArray[np.float64]:
    """Return the wavelengths that a study asks for.

    Parameters
    ----------
    native_nm
        Axis of the file, shape ``(n_native,)``, nm, strictly rising.
    grid
        ``native``: the axis of the file. ``auto``: the axis of the file if its median spacing is
        at least 1 nm, otherwise every whole nanometre inside its range. Or a mapping of
        ``start_nm``, ``stop_nm``, ``step_nm``: start, start + step, ... up to and with stop.
    session
        Session id, for the message.

    Returns
    -------
    ndarray
        Shape ``(n_wavelengths,)``, nm.

    Raises
    ------
    InputFault
        If a stated grid is empty, too long, or reaches outside the range of the file: resampling
        invents no range.

    Examples
    --------
    >>> target_axis(np.array([400.2, 400.7, 401.4, 402.1]), "auto")
    array([401., 402.])
    """
    if isinstance(grid, str):
        if grid == "native" or spacing_nm(native_nm) >= _FINEST_AUTO_NM or len(native_nm) < 2:
            return native_nm
        whole = np.arange(np.ceil(native_nm[0]), np.floor(native_nm[-1]) + 0.5)
        return whole if len(whole) else native_nm
    start, stop, step = (float(grid[name]) for name in ("start_nm", "stop_nm", "step_nm"))
    found = f"{start:g} to {stop:g} nm in steps of {step:g} nm"
    if stop <= start or (stop - start) / step > _MOST_POINTS:
        raise InputFault(
            Problem(
                file="study.yaml",
                column=_SETTING,
                found=found,
                expected=f"stop_nm above start_nm and at most {_MOST_POINTS} points",
                mend="Correct start_nm, stop_nm or step_nm.",
            )
        )
    axis: NDArray[np.float64] = np.round(
        start + step * np.arange(np.floor((stop - start) / step + _TOLERANCE_NM) + 1), 9
    )
    if start < native_nm[0] - _TOLERANCE_NM or axis[-1] > native_nm[-1] + _TOLERANCE_NM:
        raise InputFault(_outside(native_nm, found, session))
    return axis


def _outside(native_nm: NDArray[np.float64], found: str, session: str) -> Problem:
    of = f" of session {session}" if session else ""
    low, high = float(np.ceil(native_nm[0])), float(np.floor(native_nm[-1]))
    return Problem(
        file="study.yaml",
        column=_SETTING,
        found=found,
        expected=f"a grid inside {native_nm[0]:g} to {native_nm[-1]:g} nm, the range{of}",
        mend=f"Use a range inside it, such as {low:g} to {high:g} nm, or grid: auto.",
    )


def resampling_weights(
    native_nm: NDArray[np.float64], target_nm: NDArray[np.float64]
) -> scipy.sparse.csr_array:
    """Return the weights that bring spectra from one axis to another.

    The spectrum is taken as straight lines between its points. Where the target step is wider
    than the native interval at that wavelength, the target value is the mean of those lines over
    the band of one step centred on the target (averaging); elsewhere it is the line itself
    (linear interpolation). At the ends the band narrows on both sides so that it stays inside the
    native range. Constant and straight spectra are kept exactly, and over an even grid the bands
    tile, so that the area under the spectrum is kept. Equal axes give the identity.

    Uncertainties of independent pixels propagate as variances through the squared weights. Values
    next to each other on the target axis then share pixels; that correlation is not carried.

    Parameters
    ----------
    native_nm, target_nm
        Axes, nm, strictly rising; shapes ``(n_native,)`` and ``(n_target,)``; the target lies
        inside the native range (1e-6 nm allowed).

    Returns
    -------
    scipy.sparse.csr_array
        Shape ``(n_target, n_native)``; each row sums to 1.

    Raises
    ------
    ValueError
        If the target reaches outside the native range.
    """
    from scipy import sparse

    if np.array_equal(native_nm, target_nm):
        return sparse.csr_array(sparse.eye_array(len(native_nm)))
    low, high = float(native_nm[0]), float(native_nm[-1])
    if target_nm[0] < low - _TOLERANCE_NM or target_nm[-1] > high + _TOLERANCE_NM:
        raise ValueError("the target axis reaches outside the native range")
    target = np.clip(target_nm, low, high)
    half = np.minimum(_half_steps(target_nm), np.minimum(target - low, high - target))
    at = np.clip(np.searchsorted(native_nm, target, side="right") - 1, 0, len(native_nm) - 2)
    average = 2 * half > np.diff(native_nm)[at] * (1 + _TOLERANCE_NM)
    rows, columns, values = _entries(native_nm, target, half, average)
    weights = sparse.csr_array(
        sparse.coo_array((values, (rows, columns)), shape=(len(target_nm), len(native_nm)))
    )
    weights.sum_duplicates()
    weights.eliminate_zeros()
    return weights


def _half_steps(target_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(target_nm) < 2:
        return np.zeros(len(target_nm))
    steps = np.diff(target_nm)
    around = np.minimum(np.r_[steps[0], steps], np.r_[steps, steps[-1]])
    return np.asarray(around / 2, dtype=np.float64)


def _entries(
    native_nm: NDArray[np.float64],
    target: NDArray[np.float64],
    half: NDArray[np.float64],
    average: NDArray[np.bool_],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Return row, column and value of every weight, all rows at once.

    A row that is interpolated has one point, the target. A row that is averaged has the corners of
    the line through its band: both ends, and the pixels between them, with trapezoid weights. The
    weight of each point is shared by the two pixels around it.
    """
    start, stop = target - half, target + half
    first = np.searchsorted(native_nm, start, "right")
    last = np.searchsorted(native_nm, stop, "left")
    n = np.where(average, last - first + 2, 1)
    row = np.repeat(np.arange(len(target)), n)
    within = np.arange(len(row)) - np.repeat(np.cumsum(n) - n, n)
    ends = within == n[row] - 1
    inner = native_nm[np.clip(first[row] + within - 1, 0, len(native_nm) - 1)]
    corner = np.where(within == 0, start[row], np.where(ends, stop[row], inner))
    corner = np.where(average[row], corner, target[row])
    step = np.where(ends, 0.0, np.r_[corner[1:], 0.0] - corner)
    around = step + np.where(within == 0, 0.0, np.r_[0.0, step[:-1]])
    width = np.where(average, stop - start, 1.0)
    weight = np.where(average[row], around / (2 * width[row]), 1.0)
    left = np.clip(np.searchsorted(native_nm, corner, side="right") - 1, 0, len(native_nm) - 2)
    part = (corner - native_nm[left]) / (native_nm[left + 1] - native_nm[left])
    rows = np.r_[row, row]
    # Row by row, first all left neighbours, then all right ones: sums keep one order.
    order = np.argsort(rows, kind="stable")
    columns, values = np.r_[left, left + 1], np.r_[weight * (1 - part), weight * part]
    return rows[order], columns[order], values[order]
