"""White references as count rates, with what is uncertain about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.centre import centre, centre_variance_factor
from leafledger.reflectance.dark import Darks, by_time
from leafledger.reflectance.linearity import Linearity
from leafledger.reflectance.noise import Noise
from leafledger.reflectance.stray_light import StrayLight

_LIT_SIGMA = 3.0
_LIT_SHARE = 1e-5


@dataclass(frozen=True)
class Whites:
    """The whites of a session, above dark.

    Attributes
    ----------
    signal, slope
        Linear counts above dark and slope of the linearity polynomial, ``(n_whites, n_pixels)``.
    integration_ms, averages
        Shape ``(n_whites,)``.
    bends
        How ``signal`` changes with an estimated linearity (:meth:`Linearity.bends`), shape
        ``(n_modes, n_whites, n_pixels)``.
    stray
        Correction of stray light, if any; ``signal`` still holds it (its shot noise is there).
    """

    signal: NDArray[np.float64]
    slope: NDArray[np.float64]
    integration_ms: NDArray[np.float64]
    averages: NDArray[np.float64]
    bends: NDArray[np.float64]
    stray: StrayLight | None = None

    @property
    def stray_rate(self) -> NDArray[np.float64]:
        """Stray light in linear counts per ms, shape ``(n_whites, 1)``."""
        if self.stray is None:
            return np.zeros((len(self.signal), 1))
        return self.stray.level(self.signal) / self.integration_ms[:, None]

    @cached_property
    def rate(self) -> NDArray[np.float64]:
        """Linear counts per ms without stray light, shape ``(n_whites, n_pixels)``."""
        rate = self.signal / self.integration_ms[:, None]
        return rate if self.stray is None else rate - self.stray_rate


@dataclass(frozen=True)
class Blocks:
    """White blocks, each boiled down to one count rate.

    Attributes
    ----------
    rate
        Linear counts per ms, shape ``(n_blocks, n_pixels)``.
    variance
        Noise variance of the rate, independent over pixels, same shape.
    dark_slope
        How the rate falls with each pooled dark, ``(n_blocks, n_dark_times, n_pixels)``.
    time_s
        Time of each block, shape ``(n_blocks,)``, s: the middle time of three or more whites
        (or mean of the two middle ones), so that a steady drift is met exactly.
    stray_rate
        Stray light that was taken off, linear counts per ms, shape ``(n_blocks,)``.
    bends
        How the rate changes with an estimated linearity, ``(n_blocks, n_modes, n_pixels)``.
    time_shares
        Share of the rate that rests on whites of each integration time of the session's whites
        (rising), ``(n_blocks, n_times, n_pixels)``.
    """

    rate: NDArray[np.float64]
    variance: NDArray[np.float64]
    dark_slope: NDArray[np.float64]
    time_s: NDArray[np.float64]
    stray_rate: NDArray[np.float64]
    bends: NDArray[np.float64]
    time_shares: NDArray[np.float64]

    @property
    def lit(self) -> NDArray[np.bool_]:
        """Pixels at which every block stands above its noise, shape ``(n_pixels,)``.

        The rate must exceed 3 standard uncertainties and 1e-5 of the brightest pixel. Elsewhere
        the division means nothing.
        """
        floor = _LIT_SHARE * self.rate.max(axis=1, keepdims=True)
        above = self.rate > np.maximum(floor, _LIT_SIGMA * np.sqrt(self.variance))
        return np.asarray(above.all(axis=0), dtype=bool)


def above_dark(
    counts: NDArray[np.float64],
    integration_ms: NDArray[np.float64],
    averages: NDArray[np.float64],
    darks: Darks,
    linearity: Linearity,
    stray: StrayLight | None = None,
) -> Whites:
    """Take the dark of each white's own integration time off it and make it linear."""
    raw = np.stack([c - darks.at(float(t)) for c, t in zip(counts, integration_ms, strict=True)])
    return Whites(
        linearity.value(raw),
        linearity.slope(raw),
        integration_ms,
        averages,
        linearity.bends(raw),
        stray,
    )


def boil_down(
    whites: Whites,
    members: Sequence[NDArray[np.intp]],
    time_s: NDArray[np.float64],
    darks: Darks,
    noise: Noise,
    *,
    mean: bool = False,
) -> Blocks:
    """Reduce each block of whites to one rate: median of three or more, mean of two.

    Parameters
    ----------
    whites
        All whites of the session.
    members
        Positions of the whites of each block.
    time_s
        Times of the whites, shape ``(n_whites,)``, s.
    darks, noise
        Darks and noise of the session.
    mean
        Take the mean whatever the number (rule ``mean``).

    Notes
    -----
    A median moves as the white in the middle (or the two there) at each pixel moves: where the
    whites of a block have several integration times, its sensitivities are those of that white.
    """
    rate = whites.rate
    variance = noise.variance(whites.signal, whites.slope, whites.averages[:, None])
    if whites.stray is not None:
        variance = variance + whites.stray.variance(variance)
    variance = variance / whites.integration_ms[:, None] ** 2
    stray_rate = whites.stray_rate[:, 0]
    weights = np.stack([darks.weights(float(t)) for t in whites.integration_ms])
    per_time = whites.slope / whites.integration_ms[:, None]
    bends = _bends_per_ms(whites)
    taken = _taken_with(whites.integration_ms)
    rates, variances, slopes, times, strays = [], [], [], [], []
    bent, shares = [], []
    for block in members:
        share = 1.0 / len(block) if mean else centre_variance_factor(len(block))
        rates.append(rate[block].mean(axis=0) if mean else centre(rate[block]))
        variances.append(share * variance[block].mean(axis=0))
        counted = _counted(rate[block], mean=mean)
        slopes.append(weights[block].T @ (counted * per_time[block]))
        bent.append((bends[:, block] * counted).sum(axis=1))
        shares.append(taken[:, block] @ counted)
        times.append(float(np.median(time_s[block])))
        strays.append(float(np.median(stray_rate[block])))
    return Blocks(
        np.stack(rates),
        np.stack(variances),
        np.stack(slopes),
        np.array(times),
        np.array(strays),
        np.stack(bent),
        np.stack(shares),
    )


def _taken_with(integration_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1 where a white was taken with an integration time, ``(n_times, n_whites)``."""
    members = by_time(integration_ms)
    taken = np.zeros((len(members), len(integration_ms)))
    for place, of_time in enumerate(members):
        taken[place, list(of_time)] = 1.0
    return taken


def _counted(rates: NDArray[np.float64], *, mean: bool) -> NDArray[np.float64]:
    """Return the share of each white in the rate of its block, same shape; columns sum to 1."""
    n = len(rates)
    if mean or n < 3:
        return np.full(rates.shape, 1.0 / n)
    order = np.argsort(rates, axis=0, kind="stable")
    counted = np.zeros(rates.shape)
    for middle in ((n - 1) // 2, n // 2):
        at = order[middle][None]
        np.put_along_axis(counted, at, np.take_along_axis(counted, at, axis=0) + 0.5, axis=0)
    return counted


def _bends_per_ms(whites: Whites) -> NDArray[np.float64]:
    """Return how the rates change with an estimated linearity, stray light taken off alike."""
    bends = whites.bends
    if whites.stray is not None and len(bends):
        bends = np.stack([bend - whites.stray.level(bend) for bend in bends])
    return bends / whites.integration_ms[:, None]


def levels(rate: NDArray[np.float64], wavelength_nm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the level of each white or block relative to their mean, shape ``(n,)``.

    The median of the ratio over 500-800 nm, or over the middle half of the axis if it does not
    hold 10 points of that range.

    Parameters
    ----------
    rate
        Shape ``(n, n_pixels)``.
    wavelength_nm
        Axis, nm.
    """
    used = (wavelength_nm >= 500) & (wavelength_nm <= 800)
    if used.sum() < 10:
        used = middle_half(len(wavelength_nm))
    mean = rate[:, used].mean(axis=0)
    ratio = np.divide(rate[:, used], mean, out=np.ones_like(rate[:, used]), where=mean > 0)
    return np.asarray(np.median(ratio, axis=1), dtype=np.float64)


def middle_half(n_pixels: int) -> NDArray[np.bool_]:
    """Return the pixels of the middle half of an axis, shape ``(n_pixels,)``."""
    at = np.arange(n_pixels)
    return np.asarray((at >= n_pixels // 4) & (at < n_pixels - n_pixels // 4), dtype=bool)
