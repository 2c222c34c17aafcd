"""Does room light leak into the clip? A matched filter for the lines of fluorescent lamps.

A leak adds counts, so in reflectance it stands as (leak counts) / (white counts): narrow lines on
a smooth leaf. The lines are weighed together (:mod:`leafledger.quality.line_filter` measures
each), so that neither one noisy pixel nor the broad green peak of a leaf, an LED or daylight is
called a fluorescent lamp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag
from leafledger.quality.lamps import LAMPS, MERCURY, tungsten
from leafledger.quality.line_filter import GroupHeights, group_heights, line_filter

Floats = NDArray[np.float64]

THRESHOLD = 3.9
"""Joint height of the lines over its standard deviation; set on simulated clean leaves."""
THRESHOLD_UNKNOWN_NOISE = 4.2
"""The same where no uncertainty came with the spectra and the scan alone must tell its noise."""
COARSEST_NM = 3.0
"""Above this spacing the lines cannot be told from the leaf."""
OPERATING_LEAK = 0.01
"""A leak of 1 % reflectance at the strongest line from 500 nm up must be seen."""

_WIDTHS_NM = (1.3, 2.0, 4.0)
"""Full widths at half maximum that the instrument may give a line: of fine to coarse clips."""
_FAR_NM = 500.0
"""From here up the source is strong enough for the height of a line to mean something."""
_CONSISTENCY = 0.5
"""The lines besides the strongest must show at least this share of what it makes expect ..."""
_LEAST_REST = 1.2
"""... and stand at least so many standard deviations above chance."""
_GAIN_OF_ALL_LINES = 1.6
"""By how much the joint height exceeds that of the strongest line alone, in simulated leaks."""
_NINE_IN_TEN = 1.28
"""90 % quantile of the standard normal distribution."""


@dataclass(frozen=True)
class Leak:
    """What the filter saw, per scan, shapes ``(n_scans,)``.

    Attributes
    ----------
    score
        Joint height of the lines over its standard deviation, for the best fitting lamp.
    called
        Whether the score is above the threshold and more than one line takes part.
    height
        Height of the tallest line at or above 500 nm, as reflectance.
    height_u
        What chance alone gives at the line that should be the strongest: a standard deviation.
    wavelength_nm
        Where the tallest line stands.
    lamp
        Index into :data:`leafledger.quality.lamps.LAMPS`.
    """

    score: Floats
    called: NDArray[np.bool_]
    height: Floats
    height_u: Floats
    wavelength_nm: Floats
    lamp: NDArray[np.intp]


def assessable(wavelength_nm: Floats) -> bool:
    """Return whether this axis can show lamp lines: fine enough, and over at least two groups."""
    spacing = float(np.median(np.diff(wavelength_nm)))
    inside = [line_filter(wavelength_nm, group, _WIDTHS_NM[0]) for group in MERCURY.groups]
    return spacing <= COARSEST_NM and sum(found is not None for found in inside) >= 2


def find_leak(wavelength_nm: Floats, reflectance: Floats, u_scan: Floats | None = None) -> Leak:
    """Look for the lines of fluorescent lamps.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    reflectance
        Shape ``(n_scans, n_wavelengths)``.
    u_scan
        Standard uncertainty per wavelength, same shape; used for the relative noise along the
        axis only, the size of the noise is taken from the scan itself.

    Returns
    -------
    Leak
    """
    n_scans = len(reflectance)
    best = Leak(
        np.full(n_scans, -np.inf),
        np.zeros(n_scans, dtype=bool),
        np.zeros(n_scans),
        np.zeros(n_scans),
        np.full(n_scans, np.nan),
        np.zeros(n_scans, dtype=np.intp),
    )
    variance = None if u_scan is None or not np.all(u_scan > 0) else u_scan**2
    limit = threshold(u_scan)
    for width_nm in _WIDTHS_NM:
        for number, lamp in enumerate(LAMPS):
            measured = group_heights(wavelength_nm, reflectance, variance, lamp, width_nm)
            if measured is not None:
                _keep_better(best, limit, number, measured)
    return best


def threshold(u_scan: Floats | None) -> float:
    """Return the score above which a lamp is called."""
    known = u_scan is not None and bool(np.all(u_scan > 0))
    return THRESHOLD if known else THRESHOLD_UNKNOWN_NOISE


def _keep_better(best: Leak, limit: float, lamp: int, measured: GroupHeights) -> None:
    """Replace in ``best`` what this lamp and width explain better, for two kinds of source.

    A leak is divided by the white: under a flat source the lines keep their relative heights,
    under tungsten the blue ones grow.
    """
    factor, deviation = measured.factor, measured.deviation
    height, centre_nm = measured.height, measured.centre_nm
    rows = np.arange(len(factor))
    far = np.flatnonzero(centre_nm >= _FAR_NM)
    far = far if len(far) else np.arange(len(centre_nm))
    tallest = far[np.argmax(factor[:, far] * height[far], axis=1)]
    main = _main_group(height, centre_nm)
    for expected in (np.ones(len(centre_nm)), 1.0 / tungsten(centre_nm)):
        score = _joint_score(factor, deviation, expected, limit)
        better = score > best.score
        best.score[better] = score[better]
        best.called[better] = score[better] > limit
        best.height[better] = (factor[rows, tallest] * height[tallest])[better]
        best.height_u[better] = (deviation[:, main] * height[main])[better]
        best.wavelength_nm[better] = centre_nm[tallest][better]
        best.lamp[better] = lamp


def _joint_score(factor: Floats, deviation: Floats, expected: Floats, limit: float) -> Floats:
    """Return the joint height of the lines over its standard deviation, shape ``(n_scans,)``.

    At most ``limit`` where one line alone carries it.

    Parameters
    ----------
    factor, deviation
        Shape ``(n_scans, n_groups)``.
    expected
        Factors that a leak of this lamp would have, relative to each other, ``(n_groups,)``.
    limit
        Score above which a lamp is called.
    """
    rows = np.arange(len(factor))
    signal = expected / deviation
    norm2 = (signal**2).sum(axis=1)
    parts = signal * factor / deviation
    score = parts.sum(axis=1) / np.sqrt(norm2)
    strongest = np.argmax(parts, axis=1)
    rest_norm2 = np.maximum(norm2 - signal[rows, strongest] ** 2, 1e-300)
    rest = (parts.sum(axis=1) - parts[rows, strongest]) / np.sqrt(rest_norm2)
    expected_rest = score * np.sqrt(rest_norm2 / norm2)
    shared = rest >= np.maximum(_LEAST_REST, _CONSISTENCY * expected_rest)
    return np.asarray(np.where(shared, score, np.minimum(score, limit)), dtype=np.float64)


def _main_group(height: Floats, centre_nm: Floats) -> int:
    """Return the strongest group at or above 500 nm (the strongest of all if there is none)."""
    return min(range(len(height)), key=lambda k: (centre_nm[k] < _FAR_NM, -height[k]))


def ambient_light(scans: Sequence[str], leak: Leak, limit: float) -> list[Flag]:
    """Flag the scans in which a fluorescent room lamp shows (a fault).

    Parameters
    ----------
    scans
        Ids, length ``n_scans``.
    leak
        What :func:`find_leak` saw in them.
    limit
        From :func:`threshold`.
    """
    flags = []
    for i in np.flatnonzero(leak.called).tolist():
        at, height = float(leak.wavelength_nm[i]), float(leak.height[i])
        flags.append(
            Flag(
                scans[i],
                "ambient_light",
                "fault",
                float(leak.score[i]),
                limit,
                "1",
                f"Room light reached the detector: {LAMPS[leak.lamp[i]].name} stand "
                f"{leak.score[i]:.1f} standard deviations above chance and add "
                f"{100 * height:.2g} % reflectance near {at:.0f} nm. The clip was probably open.",
                at,
            )
        )
    return flags


def smallest_leak(leak: Leak, limit: float) -> Floats:
    """Return per scan the leak (as reflectance, strongest line >= 500 nm) seen 9 times in 10.

    Parameters
    ----------
    leak
        What :func:`find_leak` saw.
    limit
        From :func:`threshold`.
    """
    return np.asarray((limit + _NINE_IN_TEN) / _GAIN_OF_ALL_LINES * leak.height_u)
