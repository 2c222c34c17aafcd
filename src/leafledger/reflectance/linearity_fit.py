"""Detector linearity estimated from whites of one lamp at several integration times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.reflectance.linearity import Linearity

FEWEST_TIMES = 4
_MOST_TERMS = 3
_LEAST_RANGE = 3.0
_NEAR_FULL = 0.98
_BRIGHT = 0.02
_REACH = 0.9
_ODD_RESIDUAL = 0.01

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LinearityFit:
    """The polynomial and how well it fits.

    Attributes
    ----------
    linearity
        ``c0`` is 1: the detector is taken as true at small signals.
    n_times
        Distinct integration times.
    residual
        Relative standard deviation, over the scans, of the scan's level about a straight line in
        integration time after correction.
    residual_before
        The same without correction (``c0`` alone).
    brightest
        Largest counts above dark that were fitted.
    """

    linearity: Linearity
    n_times: int
    residual: float
    residual_before: float
    brightest: float

    @property
    def told(self) -> dict[str, Any]:
        """As metadata of the reflectance table."""
        return {
            "coefficients": list(self.linearity.coefficients),
            "n_times": self.n_times,
            "residual": self.residual,
            "residual_before": self.residual_before,
            "brightest_counts": self.brightest,
        }

    def sentences(self, session: str, largest: float) -> list[str]:
        """Return what the user should know of the fit; ``largest`` is in counts above dark."""
        shown = ", ".join(f"{c:.4g}" for c in self.linearity.coefficients)
        said = [
            f"Session {session}: linearity estimated from whites at {self.n_times} integration "
            f"times, coefficients [{shown}]; their levels lie off a straight line by "
            f"{100 * self.residual_before:.2g} % before and {100 * self.residual:.2g} % after "
            "correction (standard deviation)."
        ]
        if self.residual > _ODD_RESIDUAL:
            said.append(
                f"Session {session}: after the linearity correction more than "
                f"{100 * _ODD_RESIDUAL:g} % is left: did the lamp change between these whites?"
            )
        if _REACH * largest > self.brightest:
            said.append(
                f"Session {session}: scans reach {largest:.0f} counts above dark, the whites for "
                f"the linearity only {self.brightest:.0f}: beyond that it is extrapolated."
            )
        return said


def fit_linearity(
    above_dark: Floats,
    integration_ms: Floats,
    averages: Floats,
    full_scale_above_dark: float | None,
    session: str,
) -> LinearityFit:
    """Fit ``x (1 + c1 x + c2 x^2 ...) = rate * time`` to all bright pixels at once.

    Each pixel has a rate of its own; the coefficients are common. Least squares with weights for
    shot noise, in which the rates are eliminated. One coefficient beside ``c0`` for every two
    integration times beyond two, at most three.

    Parameters
    ----------
    above_dark
        Whites above dark as recorded, shape ``(n_whites, n_pixels)``.
    integration_ms, averages
        Shape ``(n_whites,)``.
    full_scale_above_dark
        Counts above dark at which the detector is full; values within 2 % are left out.
    session
        Session id, for messages.

    Raises
    ------
    InputFault
        If full scale is not known, there are fewer than four distinct times, or the longest is
        less than three times the shortest.
    """
    if full_scale_above_dark is None:
        raise InputFault(_no_full_scale())
    sound = above_dark < _NEAR_FULL * full_scale_above_dark
    # A pixel counts up to the time at which it fills; a white counts if half its pixels do.
    kept = np.flatnonzero(sound.mean(axis=1) > 0.5)
    times = np.unique(integration_ms[kept])
    if len(times) < FEWEST_TIMES or times[-1] < _LEAST_RANGE * times[0]:
        raise InputFault(_too_few(times, session))
    x, ok, time = above_dark[kept], sound[kept], integration_ms[kept]
    bright = np.median(x / time[:, None], axis=0)
    used = bright > _BRIGHT * bright.max()
    x, ok = x[:, used], ok[:, used]
    # Weight 1 / variance of the shot noise: each scan's level tells less where it is low.
    weight = np.where(ok, averages[kept][:, None] / np.maximum(x, 1.0), 0.0)
    scale = float(x[ok].max())
    n_terms = min(_MOST_TERMS, max(1, (len(times) - 2) // 2))
    terms = _solve(x / scale, time, weight, n_terms)
    linearity = Linearity((1.0, *(float(c / scale ** (k + 1)) for k, c in enumerate(terms))))
    return LinearityFit(
        linearity,
        len(times),
        _residual(linearity.value(x), time, weight),
        _residual(x, time, weight),
        scale,
    )


def _solve(x: Floats, time: Floats, weight: Floats, n_terms: int) -> Floats:
    """Return c1, c2 ...: least squares of x + sum c_k x^(k+1) - rate time, rates eliminated."""
    columns = [_without_rate(x ** (k + 1), time, weight) for k in range(n_terms + 1)]
    flat = np.stack([(np.sqrt(weight) * c).ravel() for c in columns])
    found: Floats = np.linalg.lstsq(flat[1:].T, -flat[0], rcond=None)[0]
    return found


def _without_rate(values: Floats, time: Floats, weight: Floats) -> Floats:
    """Take the weighted best multiple of the integration time off each pixel."""
    return np.asarray(values - _rate(values, time, weight) * time[:, None])


def _rate(values: Floats, time: Floats, weight: Floats) -> Floats:
    square = (weight * time[:, None] ** 2).sum(axis=0)
    sums = (weight * values * time[:, None]).sum(axis=0)
    return np.asarray(np.divide(sums, square, out=np.zeros_like(sums), where=square > 0))


def _residual(signal: Floats, time: Floats, weight: Floats) -> float:
    """Relative standard deviation of the scans' levels about the straight line in time."""
    line = _rate(signal, time, weight) * time[:, None]
    known = (weight > 0) & (line > 0)
    ratio = np.divide(signal, line, out=np.ones_like(signal), where=known)
    level = np.array([np.median(r[k]) - 1 for r, k in zip(ratio, known, strict=True)])
    return float(np.sqrt((level**2).sum() / max(len(level) - 1, 1)))


def _no_full_scale() -> Problem:
    return Problem(
        file="study.yaml",
        column="instrument.full_scale_counts",
        found="linearity: estimate without it",
        expected="the counts at which the detector is full, so that full pixels are not fitted",
        mend="State it, such as 65535 for 16 bit.",
    )


def _too_few(times: Sequence[float] | Floats, session: str) -> Problem:
    have = ", ".join(f"{t:g}" for t in times) or "none"
    word = "time" if len(times) == 1 else "times"
    return Problem(
        file="scans.csv",
        column="integration_ms",
        found=f"whites below full scale at {len(times)} integration {word} in session {session} "
        f"({have} ms)",
        expected=f"at least {FEWEST_TIMES}, the longest {_LEAST_RANGE:g} times the shortest, as "
        "instrument.linearity: estimate asks",
        mend="Measure the white panel at more times, or state the coefficients found in another "
        "session.",
    )
