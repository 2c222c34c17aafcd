"""On which wavelengths is a study computed, and what is a spectrum worth in a band of them?

Resampling, bands and smoothing are weight matrices, one for all scans, so that the uncertainty can
go the same way. A single band is read by linear interpolation. A range is the mean of the
interpolated reflectance at every whole nanometre from its start to its stop, both ends included,
so that its value does not depend on how the instrument's pixels happen to fall.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.words import listed

if TYPE_CHECKING:
    import scipy.sparse


# The grid
# ----------------------------------------------------------------------

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
    grid_words = f"{start:g} to {stop:g} nm in steps of {step:g} nm"
    if stop <= start or (stop - start) / step > _MOST_POINTS:
        raise InputFault(
            Problem(
                file="study.yaml",
                column=_SETTING,
                found=grid_words,
                expected=f"stop_nm above start_nm and at most {_MOST_POINTS} points",
                mend="Correct start_nm, stop_nm or step_nm.",
            )
        )
    axis: NDArray[np.float64] = np.round(
        start + step * np.arange(np.floor((stop - start) / step + _TOLERANCE_NM) + 1), 9
    )
    if start < native_nm[0] - _TOLERANCE_NM or axis[-1] > native_nm[-1] + _TOLERANCE_NM:
        raise InputFault(_outside_problem(native_nm, grid_words, session))
    return axis


def _outside_problem(native_nm: NDArray[np.float64], found: str, session: str) -> Problem:
    of_session = f" of session {session}" if session else ""
    low, high = float(np.ceil(native_nm[0])), float(np.floor(native_nm[-1]))
    return Problem(
        file="study.yaml",
        column=_SETTING,
        found=found,
        expected=f"a grid inside {native_nm[0]:g} to {native_nm[-1]:g} nm, the range{of_session}",
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
    segment = np.clip(np.searchsorted(native_nm, target, side="right") - 1, 0, len(native_nm) - 2)
    average = 2 * half > np.diff(native_nm)[segment] * (1 + _TOLERANCE_NM)
    rows, columns, values = _weight_entries(native_nm, target, half, average)
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


def _weight_entries(
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


# Bands
# ----------------------------------------------------------------------

_SAMPLE_SPACING_NM = 1.0
_BAND_TOLERANCE_NM = 1e-9


@dataclass(frozen=True, order=True)
class Band:
    """A wavelength, or a range of wavelengths, in nm in air.

    Attributes
    ----------
    start_nm, stop_nm
        Both ends; equal for a single wavelength.
    """

    start_nm: float
    stop_nm: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.start_nm) and math.isfinite(self.stop_nm)):
            raise ValueError("the ends of a band must be finite")
        if self.stop_nm < self.start_nm:
            raise ValueError("a band must not stop before it starts")

    @property
    def is_single(self) -> bool:
        """Whether the band is one wavelength."""
        return self.start_nm == self.stop_nm

    def widened(self, width_nm: float) -> Band:
        """Return a single wavelength as the range of ``width_nm`` around it; a range unchanged.

        Examples
        --------
        >>> Band(970, 970).widened(10)
        Band(start_nm=965.0, stop_nm=975.0)
        """
        if not self.is_single:
            return self
        return Band(self.start_nm - width_nm / 2, self.stop_nm + width_nm / 2)

    def words(self) -> str:
        """Return the band as text with its unit.

        Examples
        --------
        >>> Band(531, 531).words(), Band(750, 800).words()
        ('531 nm', '750-800 nm')
        """
        if self.is_single:
            return f"{self.start_nm:.10g} nm"
        return f"{self.start_nm:.10g}-{self.stop_nm:.10g} nm"


def covers(wavelength_nm: NDArray[np.float64], band: Band) -> bool:
    """Return whether the axis reaches over the whole band, so that nothing is extrapolated."""
    return bool(
        wavelength_nm.size
        and band.start_nm >= wavelength_nm[0] - _BAND_TOLERANCE_NM
        and band.stop_nm <= wavelength_nm[-1] + _BAND_TOLERANCE_NM
    )


def widest_gap_nm(wavelength_nm: NDArray[np.float64], band: Band) -> float:
    """Return the largest distance between neighbouring wavelengths that the band is read from.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm, strictly rising, covering the band.
    band
        The band.

    Returns
    -------
    float
        In nm; 0 for a single band that falls on a wavelength of the axis.
    """
    used = np.flatnonzero(band_weights(wavelength_nm, band))
    return float(np.diff(wavelength_nm[used]).max()) if used.size > 1 else 0.0


def band_weights(wavelength_nm: NDArray[np.float64], band: Band) -> NDArray[np.float64]:
    """Return the weights whose product with a spectrum is the spectrum's value in the band.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm, strictly rising.
    band
        The band; the axis must cover it (:func:`covers`).

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_wavelengths,)``, not negative, sum 1, zero away from the band.

    Raises
    ------
    ValueError
        If the axis does not cover the band: a value outside the axis is never made up.

    Notes
    -----
    A range is sampled at whole steps of 1 nm from its start to its stop; where its length is no
    whole number of nm, at equal steps just below 1 nm. On a whole-nanometre axis this is the mean
    of all wavelengths in the range, both ends included, which is how the published ranges are
    meant (common practice, no source).

    Examples
    --------
    >>> band_weights(np.array([700.0, 702.0, 704.0]), Band(703, 703))
    array([0. , 0.5, 0.5])
    """
    if not covers(wavelength_nm, band):
        raise ValueError(f"the axis does not cover {band.words()}")
    samples = _samples(band).clip(wavelength_nm[0], wavelength_nm[-1])
    weights = np.zeros(wavelength_nm.size)
    if wavelength_nm.size == 1:
        weights[0] = 1.0
        return weights
    left = np.clip(np.searchsorted(wavelength_nm, samples, "right") - 1, 0, wavelength_nm.size - 2)
    step = wavelength_nm[left + 1] - wavelength_nm[left]
    share = (samples - wavelength_nm[left]) / step
    np.add.at(weights, left, 1 - share)
    np.add.at(weights, left + 1, share)
    return weights / samples.size


def weights_matrix(
    wavelength_nm: NDArray[np.float64], bands: Sequence[Band]
) -> NDArray[np.float64]:
    """Return :func:`band_weights` of many bands, shape ``(n_bands, n_wavelengths)``."""
    if not bands:
        return np.zeros((0, wavelength_nm.size))
    return np.stack([band_weights(wavelength_nm, band) for band in bands])


def weighted_sums(
    weights: NDArray[np.float64], spectra: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the sum of each spectrum under each row of weights.

    Parameters
    ----------
    weights
        Shape ``(n_rows, n_wavelengths)``, mostly zeros.
    spectra
        Shape ``(n_scans, n_wavelengths)``.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_rows, n_scans)``. Every scan is summed in the order of the wavelengths, so that
        to the last digit its value does not depend on the scans beside it, as it does where a
        product of dense matrices is taken in blocks.
    """
    from scipy import sparse

    return np.asarray(sparse.csr_array(weights) @ spectra.T, dtype=np.float64)


def _samples(band: Band) -> NDArray[np.float64]:
    steps = math.ceil((band.stop_nm - band.start_nm) / _SAMPLE_SPACING_NM - _BAND_TOLERANCE_NM)
    return np.linspace(band.start_nm, band.stop_nm, max(steps, 0) + 1)


# Smoothing and derivatives (Savitzky-Golay, windows in nanometres)
# ----------------------------------------------------------------------

_SMOOTHING_SETTING = "reflectance.smoothing"


def window_points(
    wavelength_nm: NDArray[np.float64],
    window_nm: float,
    order: int,
    setting: str = _SMOOTHING_SETTING,
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
    setting: str = _SMOOTHING_SETTING,
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


# What a latent variable compares, in words.
# ----------------------------------------------------------------------

REGIONS: tuple[tuple[str, float, float], ...] = (
    ("ultraviolet", 0.0, 400.0),
    ("blue", 400.0, 500.0),
    ("green", 500.0, 600.0),
    ("red", 600.0, 680.0),
    ("red edge", 680.0, 750.0),
    ("near-infrared", 750.0, 1300.0),
    ("first shortwave infrared", 1300.0, 1900.0),
    ("second shortwave infrared", 1900.0, 2600.0),
)
"""Name, start (in) and stop (out) in nm; limits as commonly drawn (common practice, no source)."""
_VISIBLE = ("blue", "green", "red")
TELLING = 0.15
"""A region is named if it holds at least this share of its side's squared loading."""
ONE_SIDED = 0.95
"""Share of the squared loading of one sign from which there is nothing to compare."""


def component_words(
    loading: NDArray[np.float64], wavelength_nm: NDArray[np.float64], *, noise: bool = False
) -> str:
    """Return one sentence on what a latent variable compares.

    Parameters
    ----------
    loading
        Shape ``(n_wavelengths,)``; its overall sign has no meaning.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    noise
        Whether the loading changes from resample to resample.

    Examples
    --------
    >>> axis = np.array([450.0, 550.0, 650.0, 800.0, 900.0])
    >>> component_words(np.array([-0.4, -0.4, -0.4, 0.5, 0.5]), axis)
    'compares near-infrared with visible'
    >>> component_words(np.array([0.1, 0.1, 0.1, 0.6, 0.6]), axis)
    'follows near-infrared up and down'
    """
    if noise:
        return "changes from resample to resample: noise, not to be read"
    squared = loading**2
    total = float(squared.sum())
    if total <= 0:
        return "empty"
    sides = []
    for sign in (1, -1):
        share = np.where(sign * loading > 0, squared, 0.0) / total
        size = float(share.sum())
        sides.append((size, _regions(share / size if size > 0 else share, wavelength_nm)))
    sides.sort(key=lambda side: -side[0])
    (most, first), (_, second) = sides
    names = listed(first) if first else "many wavelengths"
    if most < ONE_SIDED and second:
        return f"compares {names} with {listed(second)}"
    heights = np.abs(loading)
    if heights.min() >= heights.mean() / 2:  # all wavelengths move together
        return "follows the brightness of the whole spectrum"
    return f"follows {names} up and down"


def _regions(share: NDArray[np.float64], wavelength_nm: NDArray[np.float64]) -> list[str]:
    """Return the regions that hold a telling share of one side, most first."""
    shares = {
        name: float(share[(wavelength_nm >= start) & (wavelength_nm < stop)].sum())
        for name, start, stop in REGIONS
    }
    names = [
        name for name in sorted(shares, key=lambda name: -shares[name]) if shares[name] >= TELLING
    ]
    if all(name in names for name in _VISIBLE):
        first = min(names.index(name) for name in _VISIBLE)
        names = [name for name in names if name not in _VISIBLE]
        names.insert(first, "visible")
    return names
