"""Stray light: light of other wavelengths that adds the same signal to every pixel of a scan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem

_FEWEST_PIXELS = 5
_NOT_DARK = 0.05

Floats = NDArray[np.float64]


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
    if inside.sum() < _FEWEST_PIXELS:
        raise InputFault(
            _problem(
                f"{first:g} to {last:g} nm, which hold {inside.sum()} pixels",
                f"at least {_FEWEST_PIXELS} pixels, between {wavelength_nm[0]:g} and "
                f"{wavelength_nm[-1]:g} nm",
                "State the first and the last wavelength of the part that no light reaches.",
            )
        )
    return StrayLight(inside / inside.sum(), u_relative)


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


def _problem(found: str, expected: str, mend: str) -> Problem:
    return Problem(
        file="study.yaml",
        column="reflectance.stray_light",
        found=found,
        expected=expected,
        mend=mend,
    )
