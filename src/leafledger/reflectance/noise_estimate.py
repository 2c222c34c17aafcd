"""Noise of the counts, estimated from repeated references (the mean-variance line)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.centre import centre, scan_levels, trimmed_mean
from leafledger.reflectance.odd_repeats import agreeing

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


def estimate_read_counts(
    darks: NDArray[np.float64],
    groups: Sequence[Sequence[int]],
    averages: NDArray[np.float64],
    rounding: float,
) -> float | None:
    """Estimate the noise of a single dark reading from repeated darks.

    Within darks of one integration time, the pixel's own mean and the scan's own level are taken
    out, and darks unlike all others are left out (:mod:`leafledger.reflectance.odd_repeats`); the
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
        See :class:`leafledger.reflectance.noise.Noise`.

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
        See :class:`leafledger.reflectance.noise.Noise`.
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


def _usable(signal: NDArray[np.float64], brightest: float) -> NDArray[np.bool_]:
    """Pixels bright enough for shot noise to show, and not near full scale."""
    mean = signal.mean(axis=0)
    bright = (mean > _BRIGHT * mean.max()) & (mean > 0)
    return np.asarray(bright & (signal.max(axis=0) < _NEAR_FULL * brightest), dtype=bool)


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


def without_drift(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Divide repeats by the smooth part (a cubic in pixel number) of their ratio to the mean.

    Parameters
    ----------
    signal
        Shape ``(n_repeats, n_pixels)``, above zero on average.
    """
    mean = signal.mean(axis=0)
    at = np.linspace(-1.0, 1.0, signal.shape[1])
    order = _drift_order(signal.shape[1])
    from numpy.polynomial import polynomial

    terms = polynomial.polyfit(at, (signal / mean).T, order, w=np.sqrt(mean))
    out: NDArray[np.float64] = signal / polynomial.polyval(at, terms)
    return out


def _drift_order(n_pixels: int) -> int:
    return min(_DRIFT_ORDER, n_pixels // _PIXELS_PER_TERM)


def _single_variance(
    scans: NDArray[np.float64], averages: NDArray[np.float64], rounding: float
) -> NDArray[np.float64]:
    """Variance of single readings, per pixel, from scans that are means of readings."""
    weight = averages[:, None]
    mean = (weight * scans).sum(axis=0) / weight.sum()
    variance = (weight * (scans - mean) ** 2).sum(axis=0) / (len(scans) - 1)
    return np.asarray(variance - rounding**2 / 12 * averages.mean(), dtype=np.float64)


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
