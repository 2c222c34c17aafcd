"""Detector linearity: counts above dark into the counts a linear detector would give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem


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

    def value(self, above_dark: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return linear counts; same shape as ``above_dark``."""
        if self.coefficients == (1.0,):
            return above_dark
        factor = np.full_like(above_dark, self.coefficients[-1])
        for coefficient in self.coefficients[-2::-1]:
            factor = factor * above_dark + coefficient
        return above_dark * factor

    def bends(self, above_dark: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how linear counts change along each of :attr:`modes`.

        Returns
        -------
        ndarray
            Shape ``(n_modes, *above_dark.shape)``; none for a polynomial that was stated.
        """
        if not self.modes:
            return np.zeros((0, *above_dark.shape))
        return np.stack([Linearity(mode).value(above_dark) for mode in self.modes])

    def slope(self, above_dark: NDArray[np.float64]) -> NDArray[np.float64]:
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
    at = np.linspace(0.0, max(largest, 1.0), 1001)
    falling = at[linearity.slope(at) <= 0]
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
