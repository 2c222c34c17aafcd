"""Means, spreads and extremes that the figures show, with the unit as the one that counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import t_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SpectrumSummary:
    """One group of spectra.

    Attributes
    ----------
    mean
        Mean of the unit means, shape ``(n_wavelengths,)``.
    sd
        Standard deviation between unit means; ``None`` with fewer than two units.
    low, high
        Lowest and highest single scan at each wavelength.
    n_units, n_scans
        How many.
    """

    mean: Floats
    sd: Floats | None
    low: Floats
    high: Floats
    n_units: int
    n_scans: int


def means_of(values: Floats, labels: Sequence[str]) -> tuple[list[str], Floats]:
    """Average rows that share a label.

    Parameters
    ----------
    values
        Shape ``(n_rows, n_columns)``.
    labels
        One per row.

    Returns
    -------
    names, means
        The labels, sorted, and the mean of each, shape ``(n_labels, n_columns)``.

    Examples
    --------
    >>> means_of(np.array([[1.0], [3.0], [5.0]]), ["b", "b", "a"])
    (['a', 'b'], array([[5.],
           [2.]]))
    """
    names, codes = np.unique(np.asarray(labels, dtype=str), return_inverse=True)
    sums = np.zeros((len(names), values.shape[1]))
    np.add.at(sums, codes, values)
    return [str(n) for n in names], sums / np.bincount(codes)[:, None]


def summarise_spectra(
    reflectance: Floats, units: Sequence[str], leaves: Sequence[str]
) -> SpectrumSummary:
    """Summarise scans of one group: scans are averaged within leaf, leaves within unit.

    Parameters
    ----------
    reflectance
        Shape ``(n_scans, n_wavelengths)``, at least one scan.
    units, leaves
        Unit and leaf of every scan.
    """
    pairs = [f"{unit}\t{leaf}" for unit, leaf in zip(units, leaves, strict=True)]
    names, leaf_means = means_of(reflectance, pairs)
    owners, unit_means = means_of(leaf_means, [name.split("\t")[0] for name in names])
    return SpectrumSummary(
        mean=unit_means.mean(axis=0),
        sd=unit_means.std(axis=0, ddof=1) if len(owners) > 1 else None,
        low=reflectance.min(axis=0),
        high=reflectance.max(axis=0),
        n_units=len(owners),
        n_scans=len(reflectance),
    )


@dataclass(frozen=True)
class MeanInterval:
    """Mean of unit means with its two-sided t interval; ``half`` is ``None`` for one unit."""

    mean: float
    half: float | None
    n: int


def mean_interval(values: Floats, level: float = 0.95) -> MeanInterval:
    """Return the mean and the half width of its t interval.

    Parameters
    ----------
    values
        One value per unit, finite, at least one.
    level
        Confidence level.

    References
    ----------
    Student's t interval, e.g. NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.2.
    """
    n = len(values)
    if n < 2:
        return MeanInterval(float(values.mean()), None, n)
    quantile = t_quantile(level, n - 1)
    return MeanInterval(
        float(values.mean()), quantile * float(values.std(ddof=1)) / float(np.sqrt(n)), n
    )


def thinned(wavelength_nm: Floats, at_most: int = 250) -> slice:
    """Return the step that leaves at most so many points to draw; numbers are never thinned."""
    return slice(None, None, max(1, -(-len(wavelength_nm) // at_most)))
