"""What in the counts is no light on its own pixel: hot pixels and stray light?

Hot pixels stand out of their neighbours in dark after dark; they are interpolated in every scan.
Stray light is light of other wavelengths that adds the same signal to all pixels of a scan; it is
taken off as a weighted sum of the scan's own signal, with an uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.reflectance.detector import rounding_of
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]


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
