"""Detector linearity estimated from whites of one lamp at several integration times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.reflectance.linearity import Linearity
from leafledger.reflectance.linearity_spread import modes, rate_of, without_rate

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
        ``c0`` is 1: the detector is taken as true at small signals. With the directions in which
        its coefficients are uncertain.
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
    def u_coefficients(self) -> Floats:
        """Standard uncertainties of the coefficients after ``c0``, shape ``(n_terms,)``."""
        return np.asarray(np.sqrt(np.square(np.array(self.linearity.modes)[:, 1:]).sum(axis=0)))

    def u_relative(self) -> float:
        """Relative standard uncertainty of the linear counts at the brightest counts fitted."""
        at = np.array([self.brightest])
        return float(np.sqrt(np.square(self.linearity.bends(at)).sum()) / self.brightest)

    @property
    def told(self) -> dict[str, Any]:
        """As metadata of the reflectance table."""
        return {
            "coefficients": list(self.linearity.coefficients),
            "u_coefficients": [0.0, *(float(u) for u in self.u_coefficients)],
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
            "correction (standard deviation). The correction is uncertain by "
            f"{100 * self.u_relative():.2g} % at {self.brightest:.0f} counts; what that makes of "
            "reflectance is part of its uncertainty."
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
    terms, spread = _solve(x / scale, time, weight, n_terms)
    powers = scale ** np.arange(1, n_terms + 1)
    linearity = Linearity(
        (1.0, *(float(c) for c in terms / powers)),
        tuple((0.0, *(float(c) for c in mode)) for mode in spread / powers),
    )
    return LinearityFit(
        linearity,
        len(times),
        _scatter(_levels(linearity.value(x), time, weight)),
        _scatter(_levels(x, time, weight)),
        scale,
    )


def _solve(x: Floats, time: Floats, weight: Floats, n_terms: int) -> tuple[Floats, Floats]:
    """Return c1, c2 ... and their modes (:func:`~.linearity_spread.modes`).

    Least squares of x + sum c_k x^(k+1) - rate time, rates eliminated.
    """
    columns = np.stack([without_rate(x ** (k + 1), time, weight) for k in range(n_terms + 1)])
    flat = np.stack([(np.sqrt(weight) * c).ravel() for c in columns])
    found: Floats = np.linalg.lstsq(flat[1:].T, -flat[0], rcond=None)[0]
    signal = Linearity((1.0, *(float(c) for c in found))).value(x)
    left = columns[0] + np.tensordot(found, columns[1:], axes=1)
    levels = _levels(signal, time, weight)
    return found, modes(columns[1:], signal, left, weight, time, levels)


def _levels(signal: Floats, time: Floats, weight: Floats) -> Floats:
    """Return how far each scan as a whole lies off the straight line in time, relative."""
    line = rate_of(signal, time, weight) * time[:, None]
    known = (weight > 0) & (line > 0)
    ratio = np.divide(signal, line, out=np.ones_like(signal), where=known)
    return np.array([np.median(r[k]) - 1 for r, k in zip(ratio, known, strict=True)])


def _scatter(levels: Floats) -> float:
    """Return the standard deviation of levels about zero, one of them spent on the rates."""
    return float(np.sqrt((levels**2).sum() / max(len(levels) - 1, 1)))


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
