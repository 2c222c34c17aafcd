"""Where do the peaks of a line spectrum stand, to a fraction of a pixel?

Peaks are first seen as local maxima. Then lines that overlap are fitted together: Gaussians of
one width, each integrated over the pixels, on a straight baseline, moved together by one shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

FWHM_PER_SIGMA = float(np.sqrt(8 * np.log(2)))
_QUARTILE = 0.3186
"""A quarter of normal values are nearer to zero than this many standard deviations."""
_NOISE_FACTOR = 8.0
_LEAST_SHARE = 0.003
_WIDTH_SHARE = 0.05
_WIDTH_QUANTILE = 0.3
_REACH_IN_WIDTHS = 1.6
_LEAST_REACH_PIXELS = 4.5
_SIGNIFICANT = 5.0
_WIDTH_BOUNDS = (0.35, 2.0)
_FEWEST_SPARE = 3
"""Pixels beyond the terms of the fit: fewer do not tell the scatter."""
_FLOOR_PIXELS = 0.01
"""Standard uncertainty that no fit undercuts: slits and pixels are not quite what is fitted."""


@dataclass(frozen=True)
class Peaks:
    """Local maxima of a spectrum.

    Attributes
    ----------
    at_nm, height, fwhm_nm
        Shape ``(n_peaks,)``: place (parabola through the three highest pixels), height above the
        surroundings, and width at half of it.
    saturated
        Whether the detector was full there.
    noise
        Standard deviation of a pixel.
    """

    at_nm: Floats
    height: Floats
    fwhm_nm: Floats
    saturated: Flags
    noise: float

    def usual_width_nm(self) -> float | None:
        """Return the width of a narrow peak; ``None`` without a peak.

        Peaks made of several lines are broader: a low quantile of the strong ones is taken.
        """
        if not len(self.at_nm):
            return None
        sound = ~self.saturated if (~self.saturated).any() else np.ones_like(self.saturated)
        strong = sound & (self.height >= _WIDTH_SHARE * self.height[sound].max())
        return float(np.quantile(self.fwhm_nm[strong], _WIDTH_QUANTILE))


def noise_of(signal: Floats) -> float:
    """Return the standard deviation of a pixel, from second differences free of lines.

    Their lower quartile is taken, which lines do not reach as long as they cover less than half
    of the pixels.
    """
    second = np.abs(np.diff(signal, 2))
    return float(np.quantile(second, 0.25) / (_QUARTILE * np.sqrt(6)))


def find_peaks(wavelength_nm: Floats, signal: Floats, saturated: Flags) -> Peaks:
    """Find the peaks that stand clearly above the noise.

    Parameters
    ----------
    wavelength_nm, signal
        Axis (nm, rising) and counts above dark; shape ``(n_pixels,)``.
    saturated
        Pixels where the detector was full, same shape.
    """
    from scipy.signal import find_peaks as local_maxima
    from scipy.signal import peak_widths

    noise = noise_of(signal)
    # Noise of a bright peak is above that of the surroundings: a second look at its own height.
    least = max(_NOISE_FACTOR * noise, _LEAST_SHARE * float(signal.max()), 1e-12)
    indices, properties = local_maxima(signal, prominence=least)
    widths = peak_widths(signal, indices, rel_height=0.5)[0]
    step = np.gradient(wavelength_nm)
    positions = np.array([_parabola(signal, int(i)) for i in indices], dtype=np.float64)
    pixel = np.arange(len(signal), dtype=np.float64)
    full = np.array([saturated[max(i - 1, 0) : i + 2].any() for i in indices], dtype=bool)
    return Peaks(
        np.interp(positions, pixel, wavelength_nm),
        np.asarray(properties["prominences"], dtype=np.float64),
        np.asarray(widths * step[indices], dtype=np.float64),
        full,
        noise,
    )


def _parabola(signal: Floats, i: int) -> float:
    left, top, right = signal[i - 1], signal[i], signal[i + 1]
    bend = left - 2 * top + right
    return i + (0.5 * (left - right) / bend if bend < 0 else 0.0)


@dataclass(frozen=True)
class Located:
    """Lines located together.

    Attributes
    ----------
    shift_nm, u_nm
        How far the lines stand from where they were expected, and its standard uncertainty.
    fwhm_nm
        Full width at half maximum as the instrument shows a line, pixel included.
    area
        Of each line, counts x nm, in the order given; 0 for a line too weak to be seen.
    """

    shift_nm: float
    u_nm: float
    fwhm_nm: float
    area: Floats


def locate(
    wavelength_nm: Floats,
    signal: Floats,
    usable: Flags,
    expected_nm: Sequence[float],
    width_nm: float,
    noise: float,
) -> Located | None:
    """Fit lines whose distances from each other are known.

    Parameters
    ----------
    wavelength_nm, signal
        Axis (nm, rising) and counts above dark; shape ``(n_pixels,)``.
    usable
        Pixels that may be used, same shape (not saturated).
    expected_nm
        Where the lines are expected on this axis, nm, rising.
    width_nm
        About the full width at half maximum of a line, nm.
    noise
        Standard deviation of a pixel: residuals are not believed to be smaller.

    Returns
    -------
    Located or None
        ``None`` if pixels are missing or saturated there, no line stands out, or the fit does not
        settle near the expected place.

    Notes
    -----
    The covariance is that of least squares with the variance of the residuals, enlarged by
    spare / (spare - 2) where few pixels are spare (the variance of Student's t). No shift is
    given better than a hundredth of a pixel.

    References
    ----------
    Variable projection (areas and baseline are solved for exactly at every shift and width):
    Golub & Pereyra 1973, SIAM J. Numer. Anal. 10:413-432.
    """
    lines = np.asarray(expected_nm, dtype=np.float64)
    step = float(np.median(np.diff(wavelength_nm)))
    reach = max(_REACH_IN_WIDTHS * width_nm, _LEAST_REACH_PIXELS * step)
    inside = (wavelength_nm >= lines[0] - reach) & (wavelength_nm <= lines[-1] + reach)
    if wavelength_nm[0] > lines[0] - 0.7 * reach or wavelength_nm[-1] < lines[-1] + 0.7 * reach:
        return None
    if not usable[inside].all():
        return None
    edges = _edges(wavelength_nm)
    left, right = edges[:-1][inside], edges[1:][inside]
    kept = np.ones(len(lines), dtype=bool)
    while kept.any() and inside.sum() >= kept.sum() + 4 + _FEWEST_SPARE:
        fit = _fitted_lines(left, right, signal[inside], lines[kept], width_nm, noise)
        if fit is None:
            return None
        shift, sigma, area, u, u_area = fit
        weak = area <= 0
        if not weak.any():
            if (area < _SIGNIFICANT * u_area).all():
                return None
            whole = np.zeros(len(lines))
            whole[kept] = area
            u = float(np.hypot(u, _FLOOR_PIXELS * step))
            return Located(shift, u, FWHM_PER_SIGMA * float(np.hypot(sigma, step / 12**0.5)), whole)
        kept[np.flatnonzero(kept)[weak]] = False
    return None


def _edges(wavelength_nm: Floats) -> Floats:
    middle = (wavelength_nm[1:] + wavelength_nm[:-1]) / 2
    first, last = 2 * wavelength_nm[0] - middle[0], 2 * wavelength_nm[-1] - middle[-1]
    return np.concatenate([[first], middle, [last]])


def _line_columns(left: Floats, right: Floats, centres: Floats, sigma: float) -> Floats:
    """Mean height over each pixel of lines of area 1, and a straight baseline."""
    from scipy.special import ndtr

    upper = ndtr((right[:, None] - centres) / sigma)
    lower = ndtr((left[:, None] - centres) / sigma)
    middle = (left + right) / 2
    slope = (middle - middle.mean()) / max(np.ptp(middle), 1e-12)
    shape = (upper - lower) / (right - left)[:, None]
    return np.column_stack([shape, np.ones(len(left)), slope])


def _fitted_lines(
    left: Floats, right: Floats, y: Floats, lines: Floats, width_nm: float, noise: float
) -> tuple[float, float, Floats, float, Floats] | None:
    """Return shift, sigma, areas, standard uncertainty of the shift and of the areas."""
    from scipy.optimize import least_squares

    expected = width_nm / FWHM_PER_SIGMA
    scale = max(float(np.ptp(y)), 1e-12)

    def residual(p: Floats) -> Floats:
        columns = _line_columns(left, right, lines + p[0] * expected, expected * float(p[1]))
        solved = np.linalg.lstsq(columns, y, rcond=None)[0]
        return np.asarray((columns @ solved - y) / scale, dtype=np.float64)

    most = width_nm / expected
    low, high = [-most, _WIDTH_BOUNDS[0]], [most, _WIDTH_BOUNDS[1]]
    solution = least_squares(residual, [0.0, 1.0], bounds=(low, high), xtol=1e-12, ftol=1e-12)
    shift = float(solution.x[0]) * expected
    sigma = float(solution.x[1]) * expected
    if not solution.success or abs(shift) >= 0.95 * width_nm:
        return None
    columns = _line_columns(left, right, lines + shift, sigma)
    solved = np.linalg.lstsq(columns, y, rcond=None)[0]
    area = solved[: len(lines)]
    step = 1e-4 * sigma
    moved = _line_columns(left, right, lines + shift + step, sigma) @ solved
    wider = _line_columns(left, right, lines + shift, sigma + step) @ solved
    here = columns @ solved
    jacobian = np.column_stack([(moved - here) / step, (wider - here) / step, columns])
    spare = len(y) - jacobian.shape[1]
    variance = float(np.sum((here - y) ** 2)) / (spare - 2)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(variance, noise**2)
    u = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    return shift, sigma, np.asarray(area), float(u[0]), np.asarray(u[2 : 2 + len(lines)])
