"""What in the counts is not proportional to the light on its own pixel?

Counts rise in proportion to light up to a polynomial, stated or estimated from repeats at several
integration times, with its uncertainty. Hot pixels stand out of their neighbours in dark after
dark; they are interpolated in every scan. Stray light is light of other wavelengths that adds the
same signal to all pixels of a scan; it is taken off as a weighted sum of the scan's own signal,
with an uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.reflectance.detector import rounding_of
from leafledger.resampling.intervals import robust_sd, t_quantile

Floats = NDArray[np.float64]


# Linearity: a stated or estimated polynomial
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Linearity:
    """The polynomial ``linear = x (c0 + c1 x + c2 x^2 ...)`` of counts above dark ``x``.

    Attributes
    ----------
    coefficients
        ``c0, c1, ...``; ``(1.0,)`` leaves the counts as they are.
    modes
        One standard deviation of the coefficients along each independent direction in which they
        are uncertain, ``(0, ...)`` each, so that the sum of ``mode mode^T`` is their covariance.
        Empty for a polynomial that was stated: its uncertainty is not known.
    """

    coefficients: tuple[float, ...] = (1.0,)
    modes: tuple[tuple[float, ...], ...] = ()

    def value(self, above_dark: Floats) -> Floats:
        """Return linear counts; same shape as ``above_dark``."""
        if self.coefficients == (1.0,):
            return above_dark
        factor = np.full_like(above_dark, self.coefficients[-1])
        for coefficient in self.coefficients[-2::-1]:
            factor = factor * above_dark + coefficient
        return above_dark * factor

    def bends(self, above_dark: Floats) -> Floats:
        """Return how linear counts change along each of :attr:`modes`.

        Returns
        -------
        ndarray
            Shape ``(n_modes, *above_dark.shape)``; none for a polynomial that was stated.
        """
        if not self.modes:
            return np.zeros((0, *above_dark.shape))
        return np.stack([Linearity(mode).value(above_dark) for mode in self.modes])

    def slope(self, above_dark: Floats) -> Floats:
        """Return the derivative of :meth:`value`, through which uncertainties pass."""
        if len(self.coefficients) == 1:
            return np.full_like(above_dark, self.coefficients[0])
        terms = [(k + 1) * c for k, c in enumerate(self.coefficients)]
        slope = np.full_like(above_dark, terms[-1])
        for term in terms[-2::-1]:
            slope = slope * above_dark + term
        return slope


def from_settings(settings: Mapping[str, Any] | None) -> Linearity:
    """Return the polynomial of ``instrument.linearity``; none leaves the counts as they are."""
    if not settings:
        return Linearity()
    return Linearity(tuple(float(c) for c in settings["coefficients"]))


def refuse_turning(linearity: Linearity, largest: float) -> None:
    """Refuse a polynomial that does not rise all the way up to the largest counts above dark.

    Raises
    ------
    InputFault
        If it falls anywhere between 0 and ``largest``: two signals would then read the same.
    """
    counts = np.linspace(0.0, max(largest, 1.0), 1001)
    falling = counts[linearity.slope(counts) <= 0]
    if len(falling):
        raise InputFault(
            Problem(
                file="study.yaml",
                column="instrument.linearity",
                found=f"a polynomial that stops rising at {falling[0]:.0f} counts above dark",
                expected=f"one that rises up to {largest:.0f} counts, the brightest in the session",
                mend="Check the coefficients: linear = counts * (c0 + c1 * counts + ...).",
            )
        )


# Linearity: the estimate from whites at several integration times
# ----------------------------------------------------------------------

FEWEST_TIMES = 4
_MOST_TERMS = 3
_LEAST_RANGE = 3.0
_NEAR_FULL = 0.98
_BRIGHT = 0.02
_REACH = 0.9
_ODD_RESIDUAL = 0.01


@dataclass(frozen=True)
class LinearityFit:
    """The polynomial and how well it fits.

    Attributes
    ----------
    linearity
        ``c0`` is 1: the detector is taken as true at small signals. With the directions in which
        its coefficients are uncertain.
    n_times
        Distinct integration times.
    residual
        Relative standard deviation, over the scans, of the scan's level about a straight line in
        integration time after correction.
    residual_before
        The same without correction (``c0`` alone).
    brightest
        Largest counts above dark that were fitted.
    """

    linearity: Linearity
    n_times: int
    residual: float
    residual_before: float
    brightest: float

    @property
    def u_coefficients(self) -> Floats:
        """Standard uncertainties of the coefficients after ``c0``, shape ``(n_terms,)``."""
        return np.asarray(np.sqrt(np.square(np.array(self.linearity.modes)[:, 1:]).sum(axis=0)))

    def u_relative(self) -> float:
        """Relative standard uncertainty of the linear counts at the brightest counts fitted."""
        counts = np.array([self.brightest])
        return float(np.sqrt(np.square(self.linearity.bends(counts)).sum()) / self.brightest)

    @property
    def as_metadata(self) -> dict[str, Any]:
        """As metadata of the reflectance table."""
        return {
            "coefficients": list(self.linearity.coefficients),
            "u_coefficients": [0.0, *(float(u) for u in self.u_coefficients)],
            "n_times": self.n_times,
            "residual": self.residual,
            "residual_before": self.residual_before,
            "brightest_counts": self.brightest,
        }

    def sentences(self, session: str, largest: float) -> list[str]:
        """Return what the user should know of the fit; ``largest`` is in counts above dark."""
        listed = ", ".join(f"{c:.4g}" for c in self.linearity.coefficients)
        messages = [
            f"Session {session}: linearity estimated from whites at {self.n_times} integration "
            f"times, coefficients [{listed}]; their levels lie off a straight line by "
            f"{100 * self.residual_before:.2g} % before and {100 * self.residual:.2g} % after "
            "correction (standard deviation). The correction is uncertain by "
            f"{100 * self.u_relative():.2g} % at {self.brightest:.0f} counts; what that makes of "
            "reflectance is part of its uncertainty."
        ]
        if self.residual > _ODD_RESIDUAL:
            messages.append(
                f"Session {session}: after the linearity correction more than "
                f"{100 * _ODD_RESIDUAL:g} % is left: did the lamp change between these whites?"
            )
        if _REACH * largest > self.brightest:
            messages.append(
                f"Session {session}: scans reach {largest:.0f} counts above dark, the whites for "
                f"the linearity only {self.brightest:.0f}: beyond that it is extrapolated."
            )
        return messages


def fit_linearity(
    above_dark: Floats,
    integration_ms: Floats,
    averages: Floats,
    full_scale_above_dark: float | None,
    session: str,
) -> LinearityFit:
    """Fit ``x (1 + c1 x + c2 x^2 ...) = rate * time`` to all bright pixels at once.

    Each pixel has a rate of its own; the coefficients are common. Least squares with weights for
    shot noise, in which the rates are eliminated. One coefficient beside ``c0`` for every two
    integration times beyond two, at most three.

    Parameters
    ----------
    above_dark
        Whites above dark as recorded, shape ``(n_whites, n_pixels)``.
    integration_ms, averages
        Shape ``(n_whites,)``.
    full_scale_above_dark
        Counts above dark at which the detector is full; values within 2 % are left out.
    session
        Session id, for messages.

    Raises
    ------
    InputFault
        If full scale is not known, there are fewer than four distinct times, or the longest is
        less than three times the shortest.
    """
    if full_scale_above_dark is None:
        raise InputFault(_no_full_scale())
    sound = above_dark < _NEAR_FULL * full_scale_above_dark
    # A pixel counts up to the time at which it fills; a white counts if half its pixels do.
    kept = np.flatnonzero(sound.mean(axis=1) > 0.5)
    times = np.unique(integration_ms[kept])
    if len(times) < FEWEST_TIMES or times[-1] < _LEAST_RANGE * times[0]:
        raise InputFault(_too_few(times, session))
    x, ok, time = above_dark[kept], sound[kept], integration_ms[kept]
    bright = np.median(x / time[:, None], axis=0)
    used = bright > _BRIGHT * bright.max()
    x, ok = x[:, used], ok[:, used]
    # Weight 1 / variance of the shot noise: each scan's level tells less where it is low.
    weight = np.where(ok, averages[kept][:, None] / np.maximum(x, 1.0), 0.0)
    scale = float(x[ok].max())
    n_terms = min(_MOST_TERMS, max(1, (len(times) - 2) // 2))
    terms, spread = _solve(x / scale, time, weight, n_terms)
    powers = scale ** np.arange(1, n_terms + 1)
    linearity = Linearity(
        (1.0, *(float(c) for c in terms / powers)),
        tuple((0.0, *(float(c) for c in mode)) for mode in spread / powers),
    )
    return LinearityFit(
        linearity,
        len(times),
        _scatter(_levels(linearity.value(x), time, weight)),
        _scatter(_levels(x, time, weight)),
        scale,
    )


def _no_full_scale() -> Problem:
    return Problem(
        file="study.yaml",
        column="instrument.full_scale_counts",
        found="linearity: estimate without it",
        expected="the counts at which the detector is full, so that full pixels are not fitted",
        mend="State it, such as 65535 for 16 bit.",
    )


def _too_few(times: Sequence[float] | Floats, session: str) -> Problem:
    have = ", ".join(f"{t:g}" for t in times) or "none"
    word = "time" if len(times) == 1 else "times"
    return Problem(
        file="scans.csv",
        column="integration_ms",
        found=f"whites below full scale at {len(times)} integration {word} in session {session} "
        f"({have} ms)",
        expected=f"at least {FEWEST_TIMES}, the longest {_LEAST_RANGE:g} times the shortest, as "
        "instrument.linearity: estimate asks",
        mend="Measure the white panel at more times, or state the coefficients found in another "
        "session.",
    )


def _solve(x: Floats, time: Floats, weight: Floats, n_terms: int) -> tuple[Floats, Floats]:
    """Return c1, c2 ... and their modes (:func:`modes`).

    Least squares of x + sum c_k x^(k+1) - rate time, rates eliminated.
    """
    columns = np.stack([without_rate(x ** (k + 1), time, weight) for k in range(n_terms + 1)])
    flat = np.stack([(np.sqrt(weight) * c).ravel() for c in columns])
    coefficients: Floats = np.linalg.lstsq(flat[1:].T, -flat[0], rcond=None)[0]
    signal = Linearity((1.0, *(float(c) for c in coefficients))).value(x)
    residual = columns[0] + np.tensordot(coefficients, columns[1:], axes=1)
    levels = _levels(signal, time, weight)
    return coefficients, modes(columns[1:], signal, residual, weight, time, levels)


def _levels(signal: Floats, time: Floats, weight: Floats) -> Floats:
    """Return how far each scan as a whole lies off the straight line in time, relative."""
    line = rate_of(signal, time, weight) * time[:, None]
    usable = (weight > 0) & (line > 0)
    ratio = np.divide(signal, line, out=np.ones_like(signal), where=usable)
    return np.array([np.median(r[k]) - 1 for r, k in zip(ratio, usable, strict=True)])


def _scatter(levels: Floats) -> float:
    """Return the standard deviation of levels about zero, one of them spent on the rates."""
    return float(np.sqrt((levels**2).sum() / max(len(levels) - 1, 1)))


# Linearity: uncertainty of the estimate
# ----------------------------------------------------------------------

_LEVEL = 0.95
_NORMAL = 1.959964


def modes(
    columns: Floats, signal: Floats, residual: Floats, weight: Floats, time: Floats, levels: Floats
) -> Floats:
    """Return one standard deviation of the coefficients along each independent direction.

    Parameters
    ----------
    columns
        Regressors of the fit, rates eliminated, shape ``(n_terms, n_whites, n_pixels)``.
    signal
        Linear counts, shape ``(n_whites, n_pixels)``.
    residual
        What the fit leaves, same shape.
    weight
        Weights of the fit, same shape; 0 where a value does not count.
    time
        Integration times, shape ``(n_whites,)``.
    levels
        Relative residual of each white as a whole, shape ``(n_whites,)``.

    Returns
    -------
    ndarray
        Shape ``(n_terms, n_terms)``, a row for each direction; the sum of ``row^T row`` is the
        covariance.

    Notes
    -----
    Two errors pass through the least squares. Noise is independent over pixels: the sandwich of
    its own squares. A lamp, a shutter or a dark that is off for one integration time raises or
    lowers all pixels of its whites together. How far, the levels of the integration times about
    the fit tell; what the fit itself takes up of such a step is worked out, and with it the
    degrees of freedom that are left (Satterthwaite). They are few: the factor of Student's t at
    95 % is put on, so that twice the standard uncertainty still means 95 %.

    References
    ----------
    White 1980, Econometrica 48:817-838 (sandwich); Satterthwaite 1946, Biometrics Bulletin
    2:110-114; JCGM 100:2008 (GUM), G.3 (Student's t). All from memory.
    """
    normal = np.linalg.inv(np.einsum("kip,ip,lip->kl", columns, weight, columns))
    scores = columns * (weight * residual)
    noise = np.einsum("kip,lip->kl", scores, scores)
    steps = _steps(signal, time)
    moved = np.einsum("kip,tip->kt", columns, weight * steps)
    # How a step of each integration time shows in the levels of all, after the fit took its part.
    rates = np.stack([without_rate(step, time, weight) for step in steps])
    rest = rates - np.einsum("kip,kt->tip", columns, normal @ moved)
    in_levels = np.stack([_by_time(_level_of(left_of, signal, weight), time) for left_of in rest])
    square = in_levels @ in_levels.T
    freedom = float(np.trace(square)) ** 2 / float(np.square(square).sum())
    variance = float(np.sum(np.square(_by_time(levels, time)))) / float(np.trace(square))
    widening = t_quantile(_LEVEL, freedom) / _NORMAL
    covariance = normal @ (noise + widening**2 * variance * (moved @ moved.T)) @ normal
    variances, directions = np.linalg.eigh(covariance)
    # A direction has no sign of its own: its largest entry is made positive.
    largest = np.abs(directions).argmax(axis=0)
    signs = np.where(directions[largest, np.arange(len(largest))] < 0, -1.0, 1.0)
    scaled = directions * signs * np.sqrt(np.maximum(variances, 0.0))
    return np.asarray(scaled.T, dtype=np.float64)


def _steps(signal: Floats, time: Floats) -> Floats:
    """Return the change of all whites if those of one integration time rise by their own size."""
    return np.stack([np.where((time == ms)[:, None], signal, 0.0) for ms in np.unique(time)])


def without_rate(values: Floats, time: Floats, weight: Floats) -> Floats:
    """Take the weighted best multiple of the integration time off each pixel."""
    return np.asarray(values - rate_of(values, time, weight) * time[:, None])


def rate_of(values: Floats, time: Floats, weight: Floats) -> Floats:
    """Return the weighted best rate of each pixel, shape ``(n_pixels,)``."""
    square = (weight * time[:, None] ** 2).sum(axis=0)
    sums = (weight * values * time[:, None]).sum(axis=0)
    return np.asarray(np.divide(sums, square, out=np.zeros_like(sums), where=square > 0))


def _by_time(levels: Floats, time: Floats) -> Floats:
    return np.array([levels[time == ms].mean() for ms in np.unique(time)])


def _level_of(values: Floats, signal: Floats, weight: Floats) -> Floats:
    """Return the mean of values over signal of each white, over the pixels that count."""
    usable = (weight > 0) & (signal > 0)
    share = np.divide(values, signal, out=np.zeros_like(values), where=usable)
    return np.asarray(share.sum(axis=1) / np.maximum(usable.sum(axis=1), 1))


# Hot pixels
# ----------------------------------------------------------------------

FAR = 8.0
"""A pixel is hot from this many standard deviations off its neighbours (by chance: 1e-15)."""
_STEADY = 0.5
"""Each single dark must show at least this share of it."""
_NEIGHBOURS = 15
_WIDEST = 3
"""More pixels side by side are structure (light, a step of the electronics), not hot pixels."""
_MOST = 0.02
"""So is a larger share of the array."""
_WORST_DARKS = 0.25


def find_hot(darks: Floats, groups: Sequence[Sequence[int]]) -> NDArray[np.bool_]:
    """Find the pixels that stand out of their neighbours in repeated darks.

    In the middle value of the darks of one integration time a hot pixel lies more than 8 standard
    deviations off the median of the 15 pixels around it (spread over the pixels, or the noise of
    the darks if that is larger); at least three quarters of the single darks show half of that,
    in the same direction. What stands out in one dark only is no property of the pixel. Pixels in
    rows of more than 3, or more than 2 % of all, are structure and are left alone.

    Parameters
    ----------
    darks
        Shape ``(n_darks, n_pixels)``, counts.
    groups
        Positions of the darks of each integration time. Where no time has two darks, all darks
        are taken together.

    Returns
    -------
    ndarray
        Shape ``(n_pixels,)``.
    """
    n_pixels = darks.shape[1]
    hot = np.zeros(n_pixels, dtype=bool)
    repeated = [list(group) for group in groups if len(group) > 1]
    if not repeated and len(darks) > 1:
        repeated = [list(range(len(darks)))]
    if n_pixels < 2 * _NEIGHBOURS:
        return hot
    for group in repeated:
        standing_out = _narrow(_standing_out(darks[group]))
        if standing_out.mean() <= _MOST:
            hot |= standing_out
    return hot if hot.mean() <= _MOST else np.zeros(n_pixels, dtype=bool)


def _narrow(pixels: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out rows of more than three pixels."""
    out = pixels.copy()
    edges = np.flatnonzero(np.diff(np.r_[False, pixels, False].astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start > _WIDEST:
            out[start:stop] = False
    return out


def _standing_out(darks: Floats) -> NDArray[np.bool_]:
    """Pixels off their neighbours in the middle value of the darks, and in most of them."""
    middle = np.median(darks, axis=0)
    off = _off_neighbours(middle, np.arange(len(middle)))
    noise = float(np.median(robust_sd(darks - middle, axis=1)))
    scale = max(float(robust_sd(off)), noise, rounding_of(darks) / np.sqrt(12))
    limit = FAR * scale
    far = np.flatnonzero(np.abs(off) > limit) if scale > 0 else np.zeros(0, dtype=np.intp)
    out = np.zeros(len(middle), dtype=bool)
    if len(far):
        in_each = np.stack([_off_neighbours(dark, far) for dark in darks]) * np.sign(off[far])
        # The quarter of the darks that shows it least does not count.
        worst = int(_WORST_DARKS * len(darks))
        out[far] = np.sort(in_each, axis=0)[worst] > _STEADY * limit
    return out


def _off_neighbours(dark: Floats, pixels: NDArray[np.intp]) -> Floats:
    """Return how far some pixels lie off the median of the 15 pixels around them."""
    windows = np.lib.stride_tricks.sliding_window_view(dark, _NEIGHBOURS)
    first = np.clip(pixels - _NEIGHBOURS // 2, 0, len(windows) - 1)
    return np.asarray(dark[pixels] - np.median(windows[first], axis=1), dtype=np.float64)


def mend_hot(counts: Floats, wavelength_nm: Floats, hot: NDArray[np.bool_]) -> Floats:
    """Return counts with the hot pixels interpolated from their nearest sound neighbours.

    Dark, white and leaf alike: what is interpolated of each is then their difference and ratio.

    Parameters
    ----------
    counts
        Shape ``(n_scans, n_pixels)``; left as it is.
    wavelength_nm, hot
        Shape ``(n_pixels,)``.
    """
    pixels = np.flatnonzero(hot)
    if not len(pixels):
        return counts
    sound = np.flatnonzero(~hot)
    next_sound = np.searchsorted(sound, pixels)
    before = sound[np.maximum(next_sound - 1, 0)]
    after = sound[np.minimum(next_sound, len(sound) - 1)]
    # At an end of the array there is a neighbour on one side only.
    before, after = (
        np.where(next_sound == 0, after, before),
        np.where(next_sound == len(sound), before, after),
    )
    span = wavelength_nm[after] - wavelength_nm[before]
    share = np.where(
        span > 0, (wavelength_nm[pixels] - wavelength_nm[before]) / np.where(span > 0, span, 1), 0
    )
    out = counts.copy()
    out[:, pixels] = (1 - share) * counts[:, before] + share * counts[:, after]
    return out


def hot_sentence(wavelength_nm: Floats, hot: NDArray[np.bool_], session: str) -> list[str]:
    """Return a warning that names the hot pixels, or nothing."""
    named = [f"{w:.1f}" for w in wavelength_nm[hot]]
    if not named:
        return []
    listed = ", ".join(named[:12]) + (f" and {len(named) - 12} more" if len(named) > 12 else "")
    pixels = "1 pixel stands" if len(named) == 1 else f"{len(named)} pixels stand"
    return [
        f"Session {session}: {pixels} out in its darks (hot pixels, at {listed} nm); there dark, "
        "white and leaf are interpolated from the neighbours."
    ]


# Stray light
# ----------------------------------------------------------------------

_FEWEST_DARK_PIXELS = 5
_NOT_DARK = 0.05


@dataclass(frozen=True)
class StrayLight:
    """A level that is a weighted sum of a scan's own signal, taken off all its pixels.

    Attributes
    ----------
    weights
        Shape ``(n_pixels,)``: ``fraction / n_pixels`` everywhere, or ``1 / n`` on the ``n``
        pixels of the dark region.
    u_relative
        Relative standard uncertainty of the level, the same for all scans and pixels. The 0.29 of
        the default is 1 / sqrt(12): the level at a pixel lies between half and one and a half
        times the one that is taken off (rectangular; GUM 4.3.7).
    """

    weights: Floats
    u_relative: float

    def level(self, signal: Floats) -> Floats:
        """Return the stray level of each scan, shape ``(n_scans, 1)``, linear counts.

        Parameters
        ----------
        signal
            Linear counts above dark, shape ``(n_scans, n_pixels)``.
        """
        return np.asarray((signal @ self.weights)[:, None], dtype=np.float64)

    def variance(self, variance: Floats) -> Floats:
        """Return the noise variance of :meth:`level` from that of the signal, ``(n_scans, 1)``."""
        return np.asarray((variance @ self.weights**2)[:, None], dtype=np.float64)

    @property
    def kept_offset(self) -> float:
        """Share of an error common to all pixels (a drifted dark) that is left in the signal."""
        return float(1.0 - self.weights.sum())


def stray_of(settings: Mapping[str, Any] | None, wavelength_nm: Floats) -> StrayLight | None:
    """Return the correction of ``reflectance.stray_light``, or None for none.

    Parameters
    ----------
    settings
        None; ``fraction``: share of the mean signal of a scan; or ``dark_region_nm``: first and
        last wavelength of a part of the array that no light can reach. And ``u_relative``.
    wavelength_nm
        Native axis, shape ``(n_pixels,)``, nm.

    Raises
    ------
    InputFault
        If the region holds fewer than five pixels of the axis.
    """
    if settings is None:
        return None
    n_pixels = len(wavelength_nm)
    u_relative = float(settings["u_relative"])
    if "fraction" in settings:
        return StrayLight(np.full(n_pixels, float(settings["fraction"]) / n_pixels), u_relative)
    first, last = (float(w) for w in settings["dark_region_nm"])
    inside = (wavelength_nm >= first) & (wavelength_nm <= last)
    if inside.sum() < _FEWEST_DARK_PIXELS:
        raise InputFault(
            _problem(
                f"{first:g} to {last:g} nm, which hold {inside.sum()} pixels",
                f"at least {_FEWEST_DARK_PIXELS} pixels, between {wavelength_nm[0]:g} and "
                f"{wavelength_nm[-1]:g} nm",
                "State the first and the last wavelength of the part that no light reaches.",
            )
        )
    return StrayLight(inside / inside.sum(), u_relative)


def _problem(found: str, expected: str, mend: str) -> Problem:
    return Problem(
        file="study.yaml",
        column="reflectance.stray_light",
        found=found,
        expected=expected,
        mend=mend,
    )


def refuse_lit_region(stray: StrayLight, white_signal: Floats, session: str) -> None:
    """Refuse a dark region that the whites show to be lit.

    Parameters
    ----------
    stray
        The correction.
    white_signal
        Whites above dark, linear counts, shape ``(n_whites, n_pixels)``.
    session
        Session id, for the message.

    Raises
    ------
    InputFault
        If the level of the median white exceeds 5 % of its brightest pixel.
    """
    share = stray.level(white_signal)[:, 0] / white_signal.max(axis=1)
    level = float(np.median(share))
    if level > _NOT_DARK:
        raise InputFault(
            _problem(
                f"a level of {100 * level:.1f} % of the brightest pixel in the whites of session "
                f"{session}",
                f"at most {100 * _NOT_DARK:g} %",
                "Choose wavelengths that no light reaches, or check the fraction.",
            )
        )
