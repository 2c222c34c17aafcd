"""Noise of the counts: what shot, read and rounding noise add up to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


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
