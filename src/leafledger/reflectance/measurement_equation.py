"""What is the reflectance of a leaf from counts, and how uncertain is it, source by source?

The measurement equation, and the law of propagation of uncertainty for it (GUM, JCGM 100:2008)::

    R = R_panel * (linear(S - D_s) - s) / t_s / rate
    rate = sum of weight * (linear(W - D_w) - s) / t_w

with leaf S, white W, darks D of their integration times t, stray light s of each scan (0 if it is
not corrected), and R_panel the panel's reflectance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.count_corrections import Linearity, StrayLight
from leafledger.reflectance.detector import Noise, same_time

Floats = NDArray[np.float64]

_ROUNDING = 1e-12


@dataclass(frozen=True)
class DarkPart:
    """Dark of leaf scans that share an integration time.

    Attributes
    ----------
    counts
        The dark, shape ``(n_pixels,)``.
    weights
        Weight of each pooled dark in it, ``(n_dark_times,)``.
    variance
        Noise variance of each pooled dark, ``(n_dark_times,)``, counts squared.
    spread
        Standard uncertainty of each pooled dark as a whole, ``(n_dark_times,)``, counts.
    """

    counts: Floats
    weights: Floats
    variance: Floats
    spread: Floats


@dataclass(frozen=True)
class WhitePart:
    """White rate of leaf scans that share their blocks.

    Attributes
    ----------
    rate
        ``(n_scans or 1, n_pixels)``, linear counts per ms, above zero.
    variance
        Its noise variance, independent over pixels; same shape.
    drift
        Change of the rate for one standard uncertainty of the lamp's drift, with its sign at every
        pixel; same shape.
    dark_slope
        How the rate falls with each pooled dark, ``(n_dark_times, n_scans or 1, n_pixels)``.
    stray
        Stray light taken off the rate, linear counts per ms, ``(n_scans or 1, 1)`` or a number.
    bends
        How the rate changes with an estimated linearity, ``(n_modes, n_scans or 1, n_pixels)``.
    time_shares
        Share of the rate that rests on whites of each integration time, ``(n_times, n_scans or 1,
        n_pixels)``; empty where integration times are taken as exact.
    """

    rate: Floats
    variance: Floats
    drift: Floats
    dark_slope: Floats
    stray: Floats | float = 0.0
    bends: Floats = field(default_factory=lambda: np.zeros((0, 1, 1)))
    time_shares: Floats = field(default_factory=lambda: np.zeros((0, 1, 1)))


@dataclass(frozen=True)
class IntegrationTimes:
    """Integration times of the whites of a session, and how well any of them is known.

    Attributes
    ----------
    white_ms
        Distinct times, rising, shape ``(n_times,)``, ms.
    u_ms
        Standard uncertainty of every time, ms. Scans of one time share its error, so that it
        cancels where leaf and white have the same; different times err independently.
    """

    white_ms: Floats = field(default_factory=lambda: np.zeros(0))
    u_ms: float = 0.0


@dataclass(frozen=True)
class Part:
    """Reflectance of some scans and the parts of its variance, all ``(n_scans, n_pixels)``.

    Attributes
    ----------
    reflectance
        A fraction.
    scan
        Variance from the leaf scan alone: shot and read noise; independent over scans and pixels.
    reference
        Variance from noise in darks and whites: shared by scans, independent over pixels.
    shared
        Source -> change of reflectance for one standard uncertainty of a source that moves all
        pixels together, with its sign at every pixel (:func:`source_name`): drift of the lamp,
        darks that disagree, stray light, an estimated linearity, integration times.
    """

    reflectance: Floats
    scan: Floats
    reference: Floats
    shared: Mapping[str, Floats]

    @property
    def drift(self) -> Floats:
        """Standard uncertainty (not variance) of all sources in :attr:`shared` together."""
        total = np.zeros_like(self.reflectance)
        for change in self.shared.values():
            total += change**2
        return np.asarray(np.sqrt(total), dtype=np.float64)


def reflect(
    counts: Floats,
    integration_ms: float,
    averages: Floats,
    dark: DarkPart,
    white: WhitePart,
    panel: float | Floats,
    linearity: Linearity,
    noise: Noise,
    stray: StrayLight | None = None,
    times: IntegrationTimes | None = None,
) -> Part:
    """Return reflectance and its uncertainty, parts kept apart by what they share.

    Sensitivities (R over S - D and so on) with the linearity slope in each; a dark that enters
    both leaf and white enters with the sum of its two sensitivities, and so does the error of an
    estimated linearity, which cancels where leaf and white have equal counts, and that of an
    integration time, which cancels where leaf and white have the same.

    Parameters
    ----------
    counts
        Leaf scans, shape ``(n_scans, n_pixels)``.
    integration_ms
        Their integration time, ms.
    averages
        Readings per scan, shape ``(n_scans,)``.
    dark, white
        Their references.
    panel
        Reflectance of the white panel, a number or ``(n_pixels,)``. Its uncertainty is carried
        apart, as ``panel_u_relative``.
    linearity, noise
        Of the detector.
    stray
        Correction of stray light. An error of its level is common to leaf and white, and so
        cancels in part.
    times
        Integration times of the whites, as ``white.time_shares`` has them; None for exact times.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 13.
    """
    raw = counts - dark.counts
    signal, slope = linearity.value(raw), linearity.slope(raw)
    factor = panel / (integration_ms * white.rate)
    by_scan = noise.variance(signal, slope, averages[:, None])
    level: Floats | float = 0.0
    if stray is not None:
        level = stray.level(signal)
        by_scan += stray.variance(by_scan)
    by_scan *= factor**2
    value = factor * (signal - level)
    relative = value / white.rate
    reference = relative**2 * white.variance
    shared: dict[str, Floats] = {}
    if white.drift.any():
        shared[source_name("drift")] = -relative * white.drift
    if stray is not None:
        by_stray = relative * white.stray - factor * level
        shared[source_name("stray")] = stray.u_relative * by_stray
    bends = zip(linearity.bends(raw), white.bends, strict=True)
    for place, (leaf_bend, white_bend) in enumerate(bends):
        own_bend = leaf_bend if stray is None else leaf_bend - stray.level(leaf_bend)
        shared[source_name("linearity", place)] = factor * own_bend - relative * white_bend
    kept = 1.0 if stray is None else stray.kept_offset
    by_leaf = factor * slope
    place = 0
    for weight, variance, spread, fall in zip(
        dark.weights, dark.variance, dark.spread, white.dark_slope, strict=True
    ):
        if not (variance > 0 or spread > 0) or (weight == 0 and not fall.any()):
            continue
        by_dark = relative * fall - weight * by_leaf
        reference += by_dark**2 * variance
        if spread > 0:
            shared[source_name("dark", place)] = kept * spread * by_dark
            place += 1
    if times is not None:
        shared |= _by_times(value, integration_ms, white.time_shares, times)
    return Part(value, by_scan, reference, shared)


def _by_times(
    value: Floats,
    leaf_ms: float,
    shares: Floats,
    times: IntegrationTimes,
) -> dict[str, Floats]:
    """Return what one standard uncertainty of each integration time does to reflectance.

    R is proportional to the leaf's 1 / t_s and, by way of the rate of the white, to a mean of its
    t_w; the error of a time that both have enters with the sum of the two.
    """
    sources: dict[str, Floats] = {}
    left = 1.0 / leaf_ms
    for white_ms, share in zip(times.white_ms, shares, strict=True):
        by_time = share / white_ms
        if same_time(float(white_ms), leaf_ms):
            by_time, left = by_time - left, 0.0
        if np.abs(by_time).max() > _ROUNDING / leaf_ms:
            sources[source_name("integration", len(sources))] = times.u_ms * by_time * value
    if left:
        sources[source_name("integration", len(sources))] = -times.u_ms * left * value
    return sources


def source_name(source: str, place: int = 0) -> str:
    """Return the column of a shared source, the second and later of a kind with their number.

    Examples
    --------
    >>> source_name("dark"), source_name("dark", 1)
    ('u_dark', 'u_dark_2')
    """
    return f"u_{source}" if place == 0 else f"u_{source}_{place + 1}"


_SOURCES = ("drift", "stray", "linearity", "dark", "integration", "axis")


def source_order(column: str) -> tuple[int, int]:
    """Return the place of a shared source among all, by its column, whatever scan had it first.

    A sum over sources taken in this order has the same last digit for every split of the scans.

    Examples
    --------
    >>> sorted(["u_axis", "u_dark_2", "u_drift", "u_dark"], key=source_order)
    ['u_drift', 'u_dark', 'u_dark_2', 'u_axis']
    """
    source, _, number = column.removeprefix("u_").partition("_")
    return _SOURCES.index(source), int(number or 1)


def interpolate(before: WhitePart, after: WhitePart, after_weight: Floats) -> WhitePart:
    """Interpolate the white rate in time between the block before and the block after.

    What the lamp did in between is not known better than the two ends allow: the change between
    the blocks counts as the full width of a rectangular distribution, (W2 - W1)^2 / 12.

    Parameters
    ----------
    before, after
        The blocks, each of one scan (shapes ``(1, n_pixels)``).
    after_weight
        Share of the block after, shape ``(n_scans,)``.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 for the rectangular distribution.
    """
    late = after_weight[:, None]
    early = 1.0 - late
    rate = early * before.rate + late * after.rate
    weighted = early * (before.time_shares * before.rate) + late * (after.time_shares * after.rate)
    return WhitePart(
        rate=rate,
        variance=early**2 * before.variance + late**2 * after.variance,
        drift=np.broadcast_to((after.rate - before.rate) / np.sqrt(12), rate.shape),
        dark_slope=early * before.dark_slope + late * after.dark_slope,
        stray=early * before.stray + late * after.stray,
        bends=early * before.bends + late * after.bends,
        time_shares=np.divide(weighted, rate, out=np.zeros_like(weighted), where=rate > 0),
    )
