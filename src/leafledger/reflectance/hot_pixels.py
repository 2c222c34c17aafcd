"""Hot pixels: pixels that stand out of their neighbours in the darks, time after time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.noise import rounding_of
from leafledger.resampling.intervals import robust_sd

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

Floats = NDArray[np.float64]


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
        found = _narrow(_standing_out(darks[group]))
        if found.mean() <= _MOST:
            hot |= found
    return hot if hot.mean() <= _MOST else np.zeros(n_pixels, dtype=bool)


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


def _narrow(found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out rows of more than three pixels."""
    out = found.copy()
    edges = np.flatnonzero(np.diff(np.r_[False, found, False].astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start > _WIDEST:
            out[start:stop] = False
    return out


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
    at = np.flatnonzero(hot)
    if not len(at):
        return counts
    sound = np.flatnonzero(~hot)
    place = np.searchsorted(sound, at)
    before = sound[np.maximum(place - 1, 0)]
    after = sound[np.minimum(place, len(sound) - 1)]
    # At an end of the array there is a neighbour on one side only.
    before, after = (
        np.where(place == 0, after, before),
        np.where(place == len(sound), before, after),
    )
    span = wavelength_nm[after] - wavelength_nm[before]
    share = np.where(
        span > 0, (wavelength_nm[at] - wavelength_nm[before]) / np.where(span > 0, span, 1), 0
    )
    out = counts.copy()
    out[:, at] = (1 - share) * counts[:, before] + share * counts[:, after]
    return out


def hot_sentence(wavelength_nm: Floats, hot: NDArray[np.bool_], session: str) -> list[str]:
    """Return a warning that names the hot pixels, or nothing."""
    named = [f"{w:.1f}" for w in wavelength_nm[hot]]
    if not named:
        return []
    shown = ", ".join(named[:12]) + (f" and {len(named) - 12} more" if len(named) > 12 else "")
    pixels = "1 pixel stands" if len(named) == 1 else f"{len(named)} pixels stand"
    return [
        f"Session {session}: {pixels} out in its darks (hot pixels, at {shown} nm); there dark, "
        "white and leaf are interpolated from the neighbours."
    ]
