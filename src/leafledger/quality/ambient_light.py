"""Does room light leak into the clip? A matched filter for the lines of fluorescent lamps.

A leak adds counts, so in reflectance it stands as (leak counts) / (white counts): narrow lines on
a smooth leaf. The lines are weighed together (:mod:`leafledger.quality.line_filter` measures
each), so that neither one noisy pixel nor the broad green peak of a leaf, an LED or daylight is
called a fluorescent lamp.

What can be seen
----------------
A leak of 1 % at its strongest line from 500 nm up, resolution 1.5 nm, pixels of 1 nm, a flat
source. The best any filter can do knows the lamp, its width and its line ratios, and is called by
chance once in a thousand: it sees a share Phi(d - 3.09), with d the height of the lines (less
what a smooth leaf may explain) over the noise. This filter knows neither and searches.

=========  ========  ====  ==========  ===========
noise      lamp      d     best share  this filter
=========  ========  ====  ==========  ===========
0.3 %      mercury   8.1   > 0.999     0.98
0.3 %      tri-band  6.4   > 0.999     0.95
0.5 %      mercury   4.9   0.96        0.65
0.5 %      tri-band  3.9   0.78        0.37
=========  ========  ====  ==========  ===========

So nine in ten cannot be had for a tri-band lamp at 0.5 % per nm by any filter (it could up to
0.44 %). At 0.5 % per *pixel* of 0.4 nm this filter sees 0.96 (mercury) and 0.67 (tri-band), and
under tungsten, which raises the blue lines, 0.9 of the tri-band leaks at 1 nm. Where noise hides
1 %, :func:`smallest_leak` says what could have been seen. Shares: 500 to 1,000 simulated leaves.
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

THRESHOLD = 3.6
"""Joint height of the lines over its standard deviation; set on simulated clean leaves.

Clean leaves (10,000 of PROSPECT-D for each of nine pairs of pixel, 0.4 to 2.5 nm, and noise, 0.03
to 0.5 %) were called 0 to 5 times in 10,000; 0 to 6 times where the noise was unknown.
"""
THRESHOLD_UNKNOWN_NOISE = 3.8
"""The same where no uncertainty came with the spectra and the scan alone must tell its noise."""
COARSEST_NM = 3.0
"""Above this spacing the lines cannot be told from the leaf."""
OPERATING_LEAK = 0.01
"""A leak of 1 % reflectance at the strongest line from 500 nm up must be seen."""

_WIDTHS_NM = (1.5, 2.8, 5.0)
"""Full widths at half maximum that the instrument may give a line: of fine to coarse clips."""
_FAR_NM = 500.0
"""From here up the source is strong enough for the height of a line to mean something."""
_CONSISTENCY = 0.5
"""The lines besides the strongest must show at least this share of what it makes expect ..."""
_LEAST_REST = 1.0
"""... and stand at least so many standard deviations above chance."""
_LINE_LIKE = 0.5
"""Lines must explain so much of what departs from a smooth leaf."""
_PEAK_NM, _BESIDE_NM = 8.0, 22.0
"""The tallest line is looked for so near, above a baseline through what lies beside."""
_PIXELS_A_LINE = 2.0
"""Instruments spread a line over about two pixels (sampling theorem)."""
_LOST = 0.1
"""Standard deviations lost to a width and ratios of lines that are not the lamp's own."""
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
    unit_leak
        Leak (height of the strongest line from 500 nm up) whose joint score would be 1 in this
        scan's noise: of the lamp that is hardest to see, before a source as strong in the blue.
    wavelength_nm
        Where the tallest line stands.
    lamp
        Index into :data:`leafledger.quality.lamps.LAMPS`.
    """

    score: Floats
    called: NDArray[np.bool_]
    height: Floats
    unit_leak: Floats
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
    two_pixels = _PIXELS_A_LINE * float(np.median(np.diff(wavelength_nm)))
    own_width = min(_WIDTHS_NM, key=lambda width: abs(width - two_pixels))
    for width_nm in _WIDTHS_NM:
        for number, lamp in enumerate(LAMPS):
            measured = group_heights(wavelength_nm, reflectance, variance, lamp, width_nm)
            if measured is not None:
                _keep_better(best, limit, number, measured)
                if width_nm == own_width:
                    np.maximum(best.unit_leak, _unit_leak(measured), out=best.unit_leak)
    _measure_peaks(best, wavelength_nm, reflectance)
    return best


def _measure_peaks(leak: Leak, wavelength_nm: Floats, reflectance: Floats) -> None:
    """Measure the tallest line of every called scan above a cubic through its surroundings.

    The filter's own height holds for lines of its own width only.
    """
    for i in np.flatnonzero(leak.called).tolist():
        away = np.abs(wavelength_nm - leak.wavelength_nm[i])
        near, beside = away <= _PEAK_NM, (away > _PEAK_NM) & (away <= _BESIDE_NM)
        if near.sum() < 1 or beside.sum() < 8:
            continue
        axis = (wavelength_nm - leak.wavelength_nm[i]) / _BESIDE_NM
        baseline = np.polynomial.Polynomial.fit(axis[beside], reflectance[i, beside], 3)
        above = reflectance[i, near] - baseline(axis[near])
        k = int(np.argmax(above))
        leak.height[i] = above[k]
        leak.wavelength_nm[i] = wavelength_nm[near][k]


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
    for expected in (np.ones(len(centre_nm)), 1.0 / tungsten(centre_nm)):
        score = _joint_score(factor, deviation, expected, limit)
        score = np.where(measured.line_like >= _LINE_LIKE, score, np.minimum(score, limit))
        better = score > best.score
        best.score[better] = score[better]
        best.called[better] = score[better] > limit
        best.height[better] = (factor[rows, tallest] * height[tallest])[better]
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


def _unit_leak(measured: GroupHeights) -> Floats:
    """Return the height of the strongest line >= 500 nm at a joint score of 1, ``(n_scans,)``."""
    height, centre_nm = measured.height, measured.centre_nm
    main = min(range(len(height)), key=lambda k: (centre_nm[k] < _FAR_NM, -height[k]))
    per_factor = np.sqrt((measured.deviation**-2).sum(axis=1))
    return np.asarray(height[main] / per_factor, dtype=np.float64)


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
                f"{leak.score[i]:.1f} standard deviations above chance and add about "
                f"{100 * height:.2g} % reflectance near {at:.0f} nm. The clip was probably open.",
                at,
            )
        )
    return flags


def smallest_leak(leak: Leak, limit: float) -> Floats:
    """Return per scan the leak (as reflectance, strongest line >= 500 nm) seen 9 times in 10.

    It is meant for the lamp that is hardest to see. On pixels of 2.5 nm, where the lines of a
    tri-band lamp run together, it is seen 7 times in 10.

    Parameters
    ----------
    leak
        What :func:`find_leak` saw.
    limit
        From :func:`threshold`.
    """
    return np.asarray((limit + _NINE_IN_TEN + _LOST) * leak.unit_leak)
