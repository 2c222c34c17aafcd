"""The measurement equation of reflectance, and the law of propagation of uncertainty for it.

R = R_panel * (linear(S - D_s) - s) / t_s / rate
rate = sum of weight * (linear(W - D_w) - s) / t_w

with leaf S, white W, darks D of their integration times t, stray light s of each scan (0 if it is
not corrected), and R_panel the panel's reflectance.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.linearity import Linearity
from leafledger.reflectance.noise import Noise
from leafledger.reflectance.stray_light import StrayLight


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

    counts: NDArray[np.float64]
    weights: NDArray[np.float64]
    variance: NDArray[np.float64]
    spread: NDArray[np.float64]


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
        Standard uncertainty from drift of the lamp, shared by all pixels; same shape.
    dark_slope
        How the rate falls with each pooled dark, ``(n_dark_times, n_scans or 1, n_pixels)``.
    stray
        Stray light taken off the rate, linear counts per ms, ``(n_scans or 1, 1)`` or a number.
    bends
        How the rate changes with an estimated linearity, ``(n_modes, n_scans or 1, n_pixels)``.
    """

    rate: NDArray[np.float64]
    variance: NDArray[np.float64]
    drift: NDArray[np.float64]
    dark_slope: NDArray[np.float64]
    stray: NDArray[np.float64] | float = 0.0
    bends: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 1, 1)))


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
    drift
        Standard uncertainty (not variance) from drift of lamp and dark, from stray light and from
        an estimated linearity: shared by pixels.
    """

    reflectance: NDArray[np.float64]
    scan: NDArray[np.float64]
    reference: NDArray[np.float64]
    drift: NDArray[np.float64]


def interpolate(
    blocks_rate: tuple[NDArray[np.float64], NDArray[np.float64]],
    blocks_variance: tuple[NDArray[np.float64], NDArray[np.float64]],
    blocks_dark_slope: tuple[NDArray[np.float64], NDArray[np.float64]],
    after_weight: NDArray[np.float64],
    blocks_stray: tuple[float, float] = (0.0, 0.0),
    blocks_bends: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> WhitePart:
    """Interpolate the white rate in time between the block before and the block after.

    What the lamp did in between is not known better than the two ends allow: the change between
    the blocks counts as the full width of a rectangular distribution, (W2 - W1)^2 / 12.

    Parameters
    ----------
    blocks_rate, blocks_variance
        Of the block before and the block after, each ``(n_pixels,)``.
    blocks_dark_slope
        Likewise, each ``(n_dark_times, n_pixels)``.
    after_weight
        Share of the block after, shape ``(n_scans,)``.
    blocks_stray
        Stray light taken off each rate, linear counts per ms.
    blocks_bends
        How each rate changes with an estimated linearity, each ``(n_modes, n_pixels)``.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 for the rectangular distribution.
    """
    late = after_weight[:, None]
    early = 1.0 - late
    change = np.abs(blocks_rate[1] - blocks_rate[0])
    return WhitePart(
        rate=early * blocks_rate[0] + late * blocks_rate[1],
        variance=early**2 * blocks_variance[0] + late**2 * blocks_variance[1],
        drift=np.broadcast_to(change / np.sqrt(12), (len(late), len(change))),
        dark_slope=_between(early, late, blocks_dark_slope),
        stray=early * blocks_stray[0] + late * blocks_stray[1],
        bends=np.zeros((0, 1, 1)) if blocks_bends is None else _between(early, late, blocks_bends),
    )


def _between(
    early: NDArray[np.float64],
    late: NDArray[np.float64],
    blocks: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Interpolate several spectra at once, ``(n, n_pixels)`` to ``(n, n_scans, n_pixels)``."""
    return np.asarray(early * blocks[0][:, None, :] + late * blocks[1][:, None, :])


def reflect(
    counts: NDArray[np.float64],
    integration_ms: float,
    averages: NDArray[np.float64],
    dark: DarkPart,
    white: WhitePart,
    panel: float | NDArray[np.float64],
    linearity: Linearity,
    noise: Noise,
    stray: StrayLight | None = None,
) -> Part:
    """Return reflectance and its uncertainty, parts kept apart by what they share.

    Sensitivities (R over S - D and so on) with the linearity slope in each; a dark that enters
    both leaf and white enters with the sum of its two sensitivities, and so does the error of an
    estimated linearity, which cancels where leaf and white have equal counts.

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

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 13.
    """
    raw = counts - dark.counts
    signal, slope = linearity.value(raw), linearity.slope(raw)
    factor = panel / (integration_ms * white.rate)
    own = noise.variance(signal, slope, averages[:, None])
    level: NDArray[np.float64] | float = 0.0
    if stray is not None:
        level = stray.level(signal)
        own += stray.variance(own)
    own *= factor**2
    value = factor * (signal - level)
    relative = value / white.rate
    shared = relative**2 * white.variance
    drift = (relative * white.drift) ** 2
    if stray is not None:
        drift += (stray.u_relative * (relative * white.stray - factor * level)) ** 2
    for leaf_bend, white_bend in zip(linearity.bends(raw), white.bends, strict=True):
        own_bend = leaf_bend if stray is None else leaf_bend - stray.level(leaf_bend)
        drift += (factor * own_bend - relative * white_bend) ** 2
    kept = 1.0 if stray is None else stray.kept_offset
    by_leaf = factor * slope
    for weight, variance, spread, fall in zip(
        dark.weights, dark.variance, dark.spread, white.dark_slope, strict=True
    ):
        if variance > 0 or spread > 0:
            squared = (relative * fall - weight * by_leaf) ** 2
            shared += squared * variance
            drift += squared * (kept * spread) ** 2
    return Part(value, own, shared, np.sqrt(drift))
