"""The dark level that belongs to an integration time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.centre import centre, centre_variance_factor, scan_levels
from leafledger.resampling.intervals import robust_sd

_SAME_TIME = 1e-6


def same_time(one_ms: float, other_ms: float) -> bool:
    """Say whether two integration times are the same (relative tolerance 1e-6)."""
    return abs(one_ms - other_ms) <= _SAME_TIME * max(one_ms, other_ms)


@dataclass(frozen=True)
class Darks:
    """Dark levels of a session, one for each integration time at which darks were taken.

    All darks of one integration time are pooled over the session: the median of three or more,
    the mean of two. Under the rule ``per_integration_time`` a scan gets the level of its own
    time; under ``scaled`` the straight line offset + rate * time, fitted per pixel through the
    levels (weighted by the number of darks), gives it.

    Attributes
    ----------
    integration_ms
        Distinct times, rising, shape ``(n_times,)``, ms.
    members
        Positions of the darks of each time.
    counts
        Pooled levels, shape ``(n_times, n_pixels)``, counts.
    spread
        Standard uncertainty from the darks' disagreement as a whole, shape ``(n_times,)``,
        counts: range / sqrt(12) of the level of two, 1.4826 x the median absolute deviation of
        more (one bad dark does not count). Shared by all pixels.
    scaled
        Which rule holds.
    """

    integration_ms: NDArray[np.float64]
    members: tuple[tuple[int, ...], ...]
    counts: NDArray[np.float64]
    spread: NDArray[np.float64]
    scaled: bool

    def group(self, integration_ms: float) -> int | None:
        """Return the position of the darks taken with this integration time, if there are any."""
        for position, time in enumerate(self.integration_ms):
            if same_time(float(time), integration_ms):
                return position
        return None

    def weights(self, integration_ms: float) -> NDArray[np.float64]:
        """Return the weight of each pooled level in the dark at an integration time.

        Returns
        -------
        ndarray
            Shape ``(n_times,)``; the dark is ``weights @ counts``.

        Raises
        ------
        ValueError
            If the rule is ``per_integration_time`` and no dark has this time.
        """
        if self.scaled:
            n = np.array([len(m) for m in self.members], dtype=np.float64)
            mean = float(n @ self.integration_ms / n.sum())
            away = self.integration_ms - mean
            share = 1 / n.sum() + (integration_ms - mean) * away / float(n @ away**2)
            return np.asarray(n * share, dtype=np.float64)
        group = self.group(integration_ms)
        if group is None:
            raise ValueError(f"no dark with an integration time of {integration_ms:g} ms")
        weights = np.zeros(len(self.integration_ms))
        weights[group] = 1.0
        return weights

    def at(self, integration_ms: float) -> NDArray[np.float64]:
        """Return the dark at an integration time, shape ``(n_pixels,)``, counts."""
        level: NDArray[np.float64] = self.weights(integration_ms) @ self.counts
        return level

    def variance(self, of_one_dark: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the noise variance of each pooled level, shape ``(n_times,)``, counts squared.

        Parameters
        ----------
        of_one_dark
            Noise variance of each dark, by position, counts squared.
        """
        return np.array(
            [centre_variance_factor(len(m)) * of_one_dark[list(m)].mean() for m in self.members]
        )


def by_time(integration_ms: NDArray[np.float64]) -> tuple[tuple[int, ...], ...]:
    """Return the positions of the scans of each integration time, the times rising."""
    members: list[list[int]] = []
    for position in np.argsort(integration_ms, kind="stable"):
        if members and same_time(integration_ms[members[-1][0]], integration_ms[position]):
            members[-1].append(int(position))
        else:
            members.append([int(position)])
    return tuple(tuple(m) for m in members)


def pool_darks(
    counts: NDArray[np.float64], integration_ms: NDArray[np.float64], *, scaled: bool
) -> Darks:
    """Pool the darks of a session by integration time.

    Parameters
    ----------
    counts
        Darks, shape ``(n_darks, n_pixels)``, at least one.
    integration_ms
        Their integration times, shape ``(n_darks,)``, ms.
    scaled
        Whether the level at other times comes from a straight line in time.
    """
    members = by_time(integration_ms)
    return Darks(
        integration_ms=np.array([integration_ms[m[0]] for m in members]),
        members=members,
        counts=np.stack([centre(counts[list(m)]) for m in members]),
        spread=np.array([level_spread(scan_levels(counts[list(m)])) for m in members]),
        scaled=scaled,
    )


def level_spread(levels: Sequence[float] | NDArray[np.float64]) -> float:
    """Return the standard uncertainty that the disagreement of repeated levels leaves.

    Examples
    --------
    >>> round(level_spread([100.0, 112.0]), 4), level_spread([100.0])
    (3.4641, 0.0)
    """
    values = np.asarray(levels, dtype=np.float64)
    if len(values) < 3:
        return float(np.ptp(values) / np.sqrt(12))
    return float(robust_sd(values))
