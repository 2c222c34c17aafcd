"""What does the detector read without light, and how noisy is it?

Darks by integration time, levels of repeated references, and noise, stated or estimated. All
values in counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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

    integration_ms: Floats
    members: tuple[tuple[int, ...], ...]
    counts: Floats
    spread: Floats
    scaled: bool

    def group(self, integration_ms: float) -> int | None:
        """Return the position of the darks taken with this integration time, if there are any."""
        for position, time in enumerate(self.integration_ms):
            if same_time(float(time), integration_ms):
                return position
        return None

    def weights(self, integration_ms: float) -> Floats:
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
            deviation = self.integration_ms - mean
            share = 1 / n.sum() + (integration_ms - mean) * deviation / float(n @ deviation**2)
            return np.asarray(n * share, dtype=np.float64)
        group = self.group(integration_ms)
        if group is None:
            raise ValueError(f"no dark with an integration time of {integration_ms:g} ms")
        weights = np.zeros(len(self.integration_ms))
        weights[group] = 1.0
        return weights

    def at(self, integration_ms: float) -> Floats:
        """Return the dark at an integration time, shape ``(n_pixels,)``, counts."""
        level: Floats = self.weights(integration_ms) @ self.counts
        return level

    def variance(self, of_one_dark: Floats) -> Floats:
        """Return the noise variance of each pooled level, shape ``(n_times,)``, counts squared.

        Parameters
        ----------
        of_one_dark
            Noise variance of each dark, by position, counts squared.
        """
        return np.array(
            [centre_variance_factor(len(m)) * of_one_dark[list(m)].mean() for m in self.members]
        )


def pool_darks(counts: Floats, integration_ms: Floats, *, scaled: bool) -> Darks:
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


def by_time(integration_ms: Floats) -> tuple[tuple[int, ...], ...]:
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


def level_spread(levels: Sequence[float] | Floats) -> float:
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


def scan_levels(repeats: Floats) -> Floats:
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


def centre(values: Floats) -> Floats:
    """Return the median of three or more repeats, the mean of two, or the one there is.

    Parameters
    ----------
    values
        Shape ``(n_repeats, ...)``, at least one repeat.
    """
    middle: Floats = np.median(values, axis=0)
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


def trimmed_mean(variances: Floats, freedom: int) -> float:
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
Repeats = tuple[Floats, Floats, Floats]
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
        signal: Floats,
        slope: Floats,
        averages: Floats | float,
    ) -> Floats:
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
        both: Floats = (shot + slope**2 * self.read_counts**2) / averages
        return both + slope**2 * self.rounding**2 / 12

    def dark_variance(self, averages: Floats) -> Floats:
        """Return the noise variance of dark scans, counts squared (zeros if unknown)."""
        zero = np.zeros_like(averages, dtype=np.float64)
        return self.variance(zero, np.ones_like(zero), averages)


def rounding_of(counts: Floats) -> float:
    """Return 1 if all counts are whole numbers, else 0."""
    return float(np.array_equal(counts, np.rint(counts)))


def estimate_read_counts(
    darks: Floats,
    groups: Sequence[Sequence[int]],
    averages: Floats,
    rounding: float,
) -> float | None:
    """Estimate the noise of a single dark reading from repeated darks.

    Within darks of one integration time, the pixel's own mean and the scan's own level are taken
    out, and darks unlike all others are left out (:func:`agreeing`); the
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
        See :class:`Noise`.

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


def _single_variance(scans: Floats, averages: Floats, rounding: float) -> Floats:
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
        See :class:`Noise`.
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


def _one_level(signal: Floats, slope: Floats, averages: Floats) -> Repeats:
    """Keep the whites within 10 % of their median level: their shot noise is alike."""
    level = signal.mean(axis=1)
    near = np.abs(level - np.median(level)) <= _SAME_LEVEL * np.median(level)
    return signal[near], slope[near], averages[near]


def _usable(signal: Floats, brightest: float) -> NDArray[np.bool_]:
    """Pixels bright enough for shot noise to show, and not near full scale."""
    mean = signal.mean(axis=0)
    bright = (mean > _BRIGHT * mean.max()) & (mean > 0)
    return np.asarray(bright & (signal.max(axis=0) < _NEAR_FULL * brightest), dtype=bool)


def without_drift(signal: Floats) -> Floats:
    """Divide repeats by the smooth part (a cubic in pixel number) of their ratio to the mean.

    Parameters
    ----------
    signal
        Shape ``(n_repeats, n_pixels)``, above zero on average.
    """
    mean = signal.mean(axis=0)
    pixel = np.linspace(-1.0, 1.0, signal.shape[1])
    order = _drift_order(signal.shape[1])
    from numpy.polynomial import polynomial

    terms = polynomial.polyfit(pixel, (signal / mean).T, order, w=np.sqrt(mean))
    out: Floats = signal / polynomial.polyval(pixel, terms)
    return out


def _drift_order(n_pixels: int) -> int:
    return min(_DRIFT_ORDER, n_pixels // _PIXELS_PER_TERM)


def _line(
    mean: Floats,
    variance: Floats,
    square: Floats,
    freedom: Floats,
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


def _far_point(freedom: Floats) -> Floats:
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


def agreeing(sets: Sequence[Floats], averages: Sequence[Floats]) -> list[NDArray[np.intp]]:
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


def _nearest(repeats: Floats, averages: Floats) -> Floats:
    n = len(repeats)
    out = np.full(n, np.inf)
    for first in range(n):
        for other in range(first + 1, min(n, first + 1 + _REACH)):
            squares = (repeats[first] - repeats[other]) ** 2
            variance = trimmed_mean(squares, 1) / (1 / averages[first] + 1 / averages[other])
            out[first] = min(out[first], variance)
            out[other] = min(out[other], variance)
    return out
