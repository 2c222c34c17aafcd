"""What does the detector read beside the light of the leaf, and how noisy is it?

Levels of repeated references, darks by integration time, noise (stated or estimated), hot pixels
and stray light. All values in counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]


# Darks by integration time
# ----------------------------------------------------------------------

_SAME_TIME = 1e-6


@dataclass(frozen=True)
class Darks:
    """Dark levels of a session, one for each integration time at which darks were taken.

    All darks of one integration time are pooled over the session: the median of three or more,
    the mean of two. Under the rule ``per_integration_time`` a scan gets the level of its own
    time; under ``scaled`` the straight line offset + rate * time, fitted per pixel through the
    levels (weighted by the number of darks), gives it.

    Attributes
    ----------
    integration_ms
        Distinct times, rising, shape ``(n_times,)``, ms.
    members
        Positions of the darks of each time.
    counts
        Pooled levels, shape ``(n_times, n_pixels)``, counts.
    spread
        Standard uncertainty from the darks' disagreement as a whole, shape ``(n_times,)``,
        counts: range / sqrt(12) of the level of two, 1.4826 x the median absolute deviation of
        more (one bad dark does not count). Shared by all pixels.
    scaled
        Which rule holds.
    """

    integration_ms: NDArray[np.float64]
    members: tuple[tuple[int, ...], ...]
    counts: NDArray[np.float64]
    spread: NDArray[np.float64]
    scaled: bool

    def group(self, integration_ms: float) -> int | None:
        """Return the position of the darks taken with this integration time, if there are any."""
        for position, time in enumerate(self.integration_ms):
            if same_time(float(time), integration_ms):
                return position
        return None

    def weights(self, integration_ms: float) -> NDArray[np.float64]:
        """Return the weight of each pooled level in the dark at an integration time.

        Returns
        -------
        ndarray
            Shape ``(n_times,)``; the dark is ``weights @ counts``.

        Raises
        ------
        ValueError
            If the rule is ``per_integration_time`` and no dark has this time.
        """
        if self.scaled:
            n = np.array([len(m) for m in self.members], dtype=np.float64)
            mean = float(n @ self.integration_ms / n.sum())
            away = self.integration_ms - mean
            share = 1 / n.sum() + (integration_ms - mean) * away / float(n @ away**2)
            return np.asarray(n * share, dtype=np.float64)
        group = self.group(integration_ms)
        if group is None:
            raise ValueError(f"no dark with an integration time of {integration_ms:g} ms")
        weights = np.zeros(len(self.integration_ms))
        weights[group] = 1.0
        return weights

    def at(self, integration_ms: float) -> NDArray[np.float64]:
        """Return the dark at an integration time, shape ``(n_pixels,)``, counts."""
        level: NDArray[np.float64] = self.weights(integration_ms) @ self.counts
        return level

    def variance(self, of_one_dark: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the noise variance of each pooled level, shape ``(n_times,)``, counts squared.

        Parameters
        ----------
        of_one_dark
            Noise variance of each dark, by position, counts squared.
        """
        return np.array(
            [centre_variance_factor(len(m)) * of_one_dark[list(m)].mean() for m in self.members]
        )


def pool_darks(
    counts: NDArray[np.float64], integration_ms: NDArray[np.float64], *, scaled: bool
) -> Darks:
    """Pool the darks of a session by integration time.

    Parameters
    ----------
    counts
        Darks, shape ``(n_darks, n_pixels)``, at least one.
    integration_ms
        Their integration times, shape ``(n_darks,)``, ms.
    scaled
        Whether the level at other times comes from a straight line in time.
    """
    members = by_time(integration_ms)
    return Darks(
        integration_ms=np.array([integration_ms[m[0]] for m in members]),
        members=members,
        counts=np.stack([centre(counts[list(m)]) for m in members]),
        spread=np.array([level_spread(scan_levels(counts[list(m)])) for m in members]),
        scaled=scaled,
    )


def by_time(integration_ms: NDArray[np.float64]) -> tuple[tuple[int, ...], ...]:
    """Return the positions of the scans of each integration time, the times rising."""
    members: list[list[int]] = []
    for position in np.argsort(integration_ms, kind="stable"):
        if members and same_time(integration_ms[members[-1][0]], integration_ms[position]):
            members[-1].append(int(position))
        else:
            members.append([int(position)])
    return tuple(tuple(m) for m in members)


def same_time(one_ms: float, other_ms: float) -> bool:
    """Say whether two integration times are the same (relative tolerance 1e-6)."""
    return abs(one_ms - other_ms) <= _SAME_TIME * max(one_ms, other_ms)


def level_spread(levels: Sequence[float] | NDArray[np.float64]) -> float:
    """Return the standard uncertainty that the disagreement of repeated levels leaves.

    Examples
    --------
    >>> round(level_spread([100.0, 112.0]), 4), level_spread([100.0])
    (3.4641, 0.0)
    """
    values = np.asarray(levels, dtype=np.float64)
    if len(values) < 3:
        return float(np.ptp(values) / np.sqrt(12))
    return float(robust_sd(values))


# Levels of repeated references
# ----------------------------------------------------------------------

_KEPT = 0.99
"""Share of pixels that counts: hot pixels are rarer than one in a hundred."""
_FEW = 50
"""With fewer pixels the largest 1 % is no pixel at all."""
_MEDIAN_FACTOR = {3: 0.44867, 4: 0.29823, 5: 0.28683, 6: 0.21473, 7: 0.21038, 8: 0.16822}
"""Variance of the median of n normal values in units of the variance of one (order statistics)."""


def scan_levels(repeats: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far each repeat lies off :func:`centre` as a whole.

    The mean over pixels of the difference, without the lowest and the highest 1 % of pixels, so
    that hot pixels do not count and whole-number counts still give a fine level.

    Parameters
    ----------
    repeats
        Shape ``(n_repeats, n_pixels)``.

    Returns
    -------
    ndarray
        Shape ``(n_repeats,)``.

    Examples
    --------
    >>> scan_levels(np.array([[1.0, 2.0], [4.0, 5.0], [1.5, 2.5]]))
    array([-0.5,  2.5,  0. ])
    """
    off = repeats - centre(repeats)
    n_pixels = off.shape[1]
    cut = int((1 - _KEPT) * n_pixels)
    kept = np.partition(off, (cut, n_pixels - cut - 1), axis=1)[:, cut : n_pixels - cut]
    return np.asarray(kept.mean(axis=1), dtype=np.float64)


def centre(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of three or more repeats, the mean of two, or the one there is.

    Parameters
    ----------
    values
        Shape ``(n_repeats, ...)``, at least one repeat.
    """
    middle: NDArray[np.float64] = np.median(values, axis=0)
    return middle


def centre_variance_factor(n_repeats: int) -> float:
    """Return the variance of :func:`centre` in units of the variance of one repeat.

    For more than eight repeats pi / (2 (n + pi/2 - 1)) stands in, within 8 % of the exact value.

    References
    ----------
    The factors are those of normal order statistics (from memory; tested by simulation).

    Examples
    --------
    >>> centre_variance_factor(1), centre_variance_factor(2)
    (1.0, 0.5)
    """
    if n_repeats < 3:
        return 1.0 / n_repeats
    return _MEDIAN_FACTOR.get(n_repeats, np.pi / 2 / (n_repeats + np.pi / 2 - 1))


def trimmed_mean(variances: NDArray[np.float64], freedom: int) -> float:
    """Return the mean of sample variances without the largest 1 %, corrected for the cut.

    For normal noise the variances follow chi-square with ``freedom`` degrees of freedom; the mean
    of its lowest 99 % is F(q; freedom + 2) / 0.99 of the whole, q being its 99 % point.

    Parameters
    ----------
    variances
        One per pixel, shape ``(n_pixels,)``.
    freedom
        Degrees of freedom of each.
    """
    from scipy.special import chdtr, chdtri

    if len(variances) < _FEW:
        return float(variances.mean())
    n_kept = int(np.ceil(_KEPT * len(variances)))
    kept = np.partition(variances, n_kept - 1)[:n_kept]
    point = chdtri(freedom, 1 - _KEPT)
    return float(kept.mean() / (chdtr(freedom + 2, point) / _KEPT))


# Noise: stated or estimated
# ----------------------------------------------------------------------

_DRIFT_ORDER = 3
"""A lamp that drifts or changes colour between repeats is followed by a cubic."""
_PIXELS_PER_TERM = 50
"""Fewer pixels for a term of it would take shot noise for drift."""
_FEWEST_PIXELS = 10
_BRIGHT = 0.1
"""Share of the brightest pixel from which shot noise shows over read noise."""
_NEAR_FULL = 0.98
_SAME_LEVEL = 0.1
"""Whites that differ by more are not repeats of each other."""
_TOO_RARE = 1e-5
"""A pixel whose variance chance would give this rarely is hot."""
Repeats = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
"""Linear counts above dark, slope of the linearity polynomial, readings per scan."""


@dataclass(frozen=True)
class Noise:
    """Noise of one recorded scan, a mean of ``averages`` readings.

    variance = (signal / electrons_per_count + slope^2 read_counts^2) / averages
    + slope^2 rounding^2 / 12, in linear counts squared, with ``slope`` the derivative of the
    linearity polynomial.

    Attributes
    ----------
    electrons_per_count
        Detector gain: electrons that make one (linear) count. None if unknown.
    read_counts
        Standard deviation of a single dark reading, counts: read noise with the shot noise of the
        dark current. None if unknown.
    rounding
        1 if counts were recorded as whole numbers, else 0 (GUM F.2.2.1, resolution of an
        indication).
    """

    electrons_per_count: float | None
    read_counts: float | None
    rounding: float = 0.0

    @property
    def known(self) -> bool:
        """Whether an uncertainty can be stated at all."""
        return self.electrons_per_count is not None and self.read_counts is not None

    def variance(
        self,
        signal: NDArray[np.float64],
        slope: NDArray[np.float64],
        averages: NDArray[np.float64] | float,
    ) -> NDArray[np.float64]:
        """Return the noise variance of linear counts above dark (zeros if unknown).

        Parameters
        ----------
        signal
            Linear counts above dark, shape ``(..., n_pixels)``; below zero counts as zero.
        slope
            Slope of the linearity polynomial, same shape.
        averages
            Readings per scan, broadcast against ``signal``.
        """
        if self.electrons_per_count is None or self.read_counts is None:
            return np.zeros_like(signal)
        shot = np.maximum(signal, 0.0) / self.electrons_per_count
        both: NDArray[np.float64] = (shot + slope**2 * self.read_counts**2) / averages
        return both + slope**2 * self.rounding**2 / 12

    def dark_variance(self, averages: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the noise variance of dark scans, counts squared (zeros if unknown)."""
        zero = np.zeros_like(averages, dtype=np.float64)
        return self.variance(zero, np.ones_like(zero), averages)


def rounding_of(counts: NDArray[np.float64]) -> float:
    """Return 1 if all counts are whole numbers, else 0."""
    return float(np.array_equal(counts, np.rint(counts)))


def estimate_read_counts(
    darks: NDArray[np.float64],
    groups: Sequence[Sequence[int]],
    averages: NDArray[np.float64],
    rounding: float,
) -> float | None:
    """Estimate the noise of a single dark reading from repeated darks.

    Within darks of one integration time, the pixel's own mean and the scan's own level are taken
    out, and darks unlike all others are left out (:mod:`leafledger.reflectance.detector`); the
    variances of the pixels are averaged without the largest 1 % (hot pixels), corrected
    for the cut, and pooled over the integration times.

    Parameters
    ----------
    darks
        Shape ``(n_darks, n_pixels)``, counts.
    groups
        Positions of the darks of each integration time.
    averages
        Readings per dark, shape ``(n_darks,)``.
    rounding
        See :class:`leafledger.reflectance.detector.Noise`.

    Returns
    -------
    float or None
        Counts; None if no integration time has two darks.
    """
    groups = [list(group) for group in groups if len(group) > 1]
    even = [darks[g] - centre(darks[g]) - scan_levels(darks[g])[:, None] for g in groups]
    total, freedom = 0.0, 0
    for scans, group, kept in zip(
        even, groups, agreeing(even, [averages[g] for g in groups]), strict=True
    ):
        if len(kept):
            variance = _single_variance(scans[kept], averages[group][kept], rounding)
            total += trimmed_mean(variance, len(kept) - 1) * (len(kept) - 1)
            freedom += len(kept) - 1
    return float(np.sqrt(max(total / freedom, 0.0))) if freedom else None


def _single_variance(
    scans: NDArray[np.float64], averages: NDArray[np.float64], rounding: float
) -> NDArray[np.float64]:
    """Variance of single readings, per pixel, from scans that are means of readings."""
    weight = averages[:, None]
    mean = (weight * scans).sum(axis=0) / weight.sum()
    variance = (weight * (scans - mean) ** 2).sum(axis=0) / (len(scans) - 1)
    return np.asarray(variance - rounding**2 / 12 * averages.mean(), dtype=np.float64)


def estimate_electrons_per_count(
    whites: Sequence[Repeats],
    read_counts: float | None,
    rounding: float,
    brightest: float,
) -> tuple[float | None, float | None]:
    """Estimate gain (and read noise, if unknown) from the mean-variance line of repeated whites.

    Shot noise makes the variance of a pixel rise with its mean, with slope 1 / gain. Lamp drift
    between the repeats would add to it: each white is first divided by a cubic in pixel number
    fitted to its ratio to the mean of its repeats.

    Parameters
    ----------
    whites
        For each set of repeats: linear counts above dark and slope of the linearity polynomial,
        both ``(n_repeats, n_pixels)``, and readings per scan, ``(n_repeats,)``.
    read_counts
        Noise of a dark reading; None: the intercept of the line.
    rounding
        See :class:`leafledger.reflectance.detector.Noise`.
    brightest
        Linear counts above which a pixel may be clipped (full scale, or the brightest pixel);
        pixels within 2 % of it are left out.

    Returns
    -------
    tuple
        Electrons per count and read noise, counts; None where there is no estimate (no repeats,
        or no slope above zero).

    References
    ----------
    The photon transfer method: Janesick 2007, Photon Transfer, SPIE Press (from memory).
    """
    means, variances, squares, freedom = [], [], [], []
    for signal, slope, averages in _agreeing_whites(whites):
        mean = signal.mean(axis=0)
        used = _usable(signal, brightest)
        if used.sum() < _FEWEST_PIXELS:
            continue
        fitted_share = (_drift_order(int(used.sum())) + 1) / int(used.sum())
        variance = _single_variance(without_drift(signal[:, used]), averages, 0.0)
        means.append(mean[used])
        squares.append((slope[:, used] ** 2).mean(axis=0))
        variances.append(
            variance / (1 - fitted_share) - squares[-1] * rounding**2 / 12 * averages.mean()
        )
        freedom.append(np.full(int(used.sum()), len(signal) - 1))
    if not means:
        return None, read_counts
    return _line(
        np.concatenate(means),
        np.concatenate(variances),
        np.concatenate(squares),
        np.concatenate(freedom),
        read_counts,
    )


def _agreeing_whites(whites: Sequence[Repeats]) -> list[Repeats]:
    """Leave out single whites, whites of another level, and whites unlike all others."""
    level = [_one_level(*w) for w in whites]
    sets = [w for w in level if len(w[0]) > 1 and _usable(w[0], np.inf).any()]
    scaled = []
    for signal, _, _ in sets:
        used = _usable(signal, np.inf)
        scaled.append(without_drift(signal[:, used]) / np.sqrt(signal[:, used].mean(axis=0)))
    kept = agreeing(scaled, [averages for _, _, averages in sets])
    return [
        (signal[k], slope[k], averages[k])
        for (signal, slope, averages), k in zip(sets, kept, strict=True)
        if len(k)
    ]


def _one_level(
    signal: NDArray[np.float64], slope: NDArray[np.float64], averages: NDArray[np.float64]
) -> Repeats:
    """Keep the whites within 10 % of their median level: their shot noise is alike."""
    level = signal.mean(axis=1)
    near = np.abs(level - np.median(level)) <= _SAME_LEVEL * np.median(level)
    return signal[near], slope[near], averages[near]


def _usable(signal: NDArray[np.float64], brightest: float) -> NDArray[np.bool_]:
    """Pixels bright enough for shot noise to show, and not near full scale."""
    mean = signal.mean(axis=0)
    bright = (mean > _BRIGHT * mean.max()) & (mean > 0)
    return np.asarray(bright & (signal.max(axis=0) < _NEAR_FULL * brightest), dtype=bool)


def without_drift(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Divide repeats by the smooth part (a cubic in pixel number) of their ratio to the mean.

    Parameters
    ----------
    signal
        Shape ``(n_repeats, n_pixels)``, above zero on average.
    """
    mean = signal.mean(axis=0)
    place = np.linspace(-1.0, 1.0, signal.shape[1])
    order = _drift_order(signal.shape[1])
    from numpy.polynomial import polynomial

    terms = polynomial.polyfit(place, (signal / mean).T, order, w=np.sqrt(mean))
    out: NDArray[np.float64] = signal / polynomial.polyval(place, terms)
    return out


def _drift_order(n_pixels: int) -> int:
    return min(_DRIFT_ORDER, n_pixels // _PIXELS_PER_TERM)


def _line(
    mean: NDArray[np.float64],
    variance: NDArray[np.float64],
    square: NDArray[np.float64],
    freedom: NDArray[np.float64],
    read_counts: float | None,
) -> tuple[float | None, float | None]:
    """Fit variance = mean / gain + square * read^2 by weighted least squares, 5 rounds."""
    fitted, kept = np.maximum(mean, 1e-12), np.ones(len(mean), dtype=bool)
    far = _far_point(freedom)
    slope, read = 0.0, 0.0 if read_counts is None else read_counts**2
    for _ in range(5):
        weight = np.where(kept, freedom / fitted**2, 0.0)
        if read_counts is None:
            terms = np.stack([mean, square]) * np.sqrt(weight)
            slope, read = np.linalg.lstsq(terms.T, variance * np.sqrt(weight), rcond=None)[0]
            read = max(float(read), 0.0)
        if read_counts is not None or read == 0.0:
            slope = float((weight * mean * (variance - read * square)).sum())
            slope /= float((weight * mean**2).sum())
        if slope <= 0:
            return None, read_counts
        fitted = slope * mean + read * square
        kept = variance < fitted * far
    return 1.0 / float(slope), float(np.sqrt(read))


def _far_point(freedom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the ratio to its expectation that a sample variance exceeds once in 100,000.

    A sample variance over its expectation, times its degrees of freedom, follows chi-square.
    """
    from scipy.special import chdtri

    different, which = np.unique(freedom, return_inverse=True)
    return np.asarray((chdtri(different, _TOO_RARE) / different)[which], dtype=np.float64)


# Repeats that disagree
# ----------------------------------------------------------------------

_TOO_FAR = 1.5
_SIGMAS = 6.0
_REACH = 5
"""Fellows on either side, in the order of the sheet, that a repeat is compared with."""


def agreeing(
    sets: Sequence[NDArray[np.float64]], averages: Sequence[NDArray[np.float64]]
) -> list[NDArray[np.intp]]:
    """Return, for each set of repeats, the positions of those that agree with another one.

    Each repeat is compared with the fellow nearest to it among the five before and the five after
    it: the variance of a single reading from the pixels' differences. A repeat is left out if that
    variance exceeds the median over all repeats by more than half (by more than 6 of its own
    standard errors on short axes), as a dark with light on it or a white with a shadow does. Sets
    left with one repeat are empty.

    Parameters
    ----------
    sets
        Repeats, each ``(n_repeats, n_pixels)``, scaled so that all pixels have like noise.
    averages
        Readings per repeat, each ``(n_repeats,)``.
    """
    nearest = [_nearest(s, a) for s, a in zip(sets, averages, strict=True)]
    if not nearest:
        return []
    pixels = sets[0].shape[1]
    limit = 1 + max(_TOO_FAR - 1, _SIGMAS * np.sqrt(2 / pixels))
    median = float(np.median(np.concatenate(nearest)))
    kept = [np.flatnonzero(variance <= limit * median) for variance in nearest]
    return [k if len(k) > 1 else k[:0] for k in kept]


def _nearest(repeats: NDArray[np.float64], averages: NDArray[np.float64]) -> NDArray[np.float64]:
    n = len(repeats)
    out = np.full(n, np.inf)
    for first in range(n):
        for other in range(first + 1, min(n, first + 1 + _REACH)):
            squares = (repeats[first] - repeats[other]) ** 2
            variance = trimmed_mean(squares, 1) / (1 / averages[first] + 1 / averages[other])
            out[first] = min(out[first], variance)
            out[other] = min(out[other], variance)
    return out


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
    place = np.searchsorted(sound, pixels)
    before = sound[np.maximum(place - 1, 0)]
    after = sound[np.minimum(place, len(sound) - 1)]
    # At an end of the array there is a neighbour on one side only.
    before, after = (
        np.where(place == 0, after, before),
        np.where(place == len(sound), before, after),
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
