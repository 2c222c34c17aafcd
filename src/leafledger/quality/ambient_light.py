"""Does room light leak into the clip? A matched filter for the lines of fluorescent lamps.

A leak adds counts, so in reflectance it stands as (leak counts) / (white counts): narrow lines on
a smooth leaf. The lines are weighed together (:mod:`leafledger.quality.line_filter` measures
each), so that neither one noisy pixel nor the broad green peak of a leaf, an LED or daylight is
called a fluorescent lamp.

What can be seen
----------------
A leak of 1 % at its strongest line from 500 nm up, resolution 1.5 nm, a flat source; each pixel
reads the mean of the light that falls on it. "Read": the pixel that shows the line highest reads
1 %. "Shone": the line is 1 % high before the pixels, the same light for all rows. The best any
filter can do knows the lamp, its width, its line ratios and the noise, takes the leaf for the same
smooth random curve as this filter, and is called by chance once in a thousand: it sees a share
Phi(d - 3.09), d being the height of the lines over noise and leaf together. This filter knows
neither lamp nor width and asks for more than one line, lest a hot pixel be called a lamp.

=====  =======  ========  ====  ==========  ===========  =====  ===========  ============
noise  pixel    lamp      d     best, read  this filter  d      best, shone  this filter
=====  =======  ========  ====  ==========  ===========  =====  ===========  ============
0.3 %  1 nm     mercury   8.1   > 0.999     > 0.99       7.3    > 0.999      0.99
0.3 %  1 nm     tri-band  6.1   0.999       0.99         4.7    0.95         0.84
0.5 %  1 nm     mercury   4.9   0.97        0.91         4.4    0.91         0.83
0.5 %  1 nm     tri-band  3.8   0.75        0.55         2.9    0.43         0.24
0.5 %  0.7 nm   mercury   6.0   0.998       0.97         5.4    0.99         0.95
0.5 %  0.7 nm   tri-band  3.9   0.79        0.60         3.6    0.68         0.46
0.5 %  0.35 nm  mercury   8.0   > 0.999     > 0.99       7.7    > 0.999      0.99
0.5 %  0.35 nm  tri-band  5.3   0.99        0.93         5.1    0.98         0.90
=====  =======  ========  ====  ==========  ===========  =====  ===========  ============

So nine in ten cannot be had for a tri-band lamp at 0.5 % and 0.7 nm or more by such a filter. One
that knew how leaves differ better than a smooth curve tells (the covariance of 2,000 simulated
leaves) would see at most 0.85 of the tri-band leaks as read at 0.5 % and 1 nm. In a trial, learning
it from the 72 leaves of a session added 0.02 (mercury) to 0.05 (tri-band) to the shares there, too
little for what it costs. Where noise hides 1 %, :mod:`leafledger.quality.ambient_flags` says what
could have been seen. Shares: 4,000 simulated leaves each, all with the leak.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.lamp_templates import Template, clear_places, line_shape, templates
from leafledger.quality.lamps import LAMPS, Line, tungsten
from leafledger.quality.line_filter import line_heights, noise_of
from leafledger.quality.line_scores import chance_deviation, joint_score

Floats = NDArray[np.float64]

THRESHOLD = 3.3
"""Joint height of the lines over its standard deviation; set on simulated clean leaves.

Clean leaves (12,000 of PROSPECT-D for each of eight pairs of pixel, 0.4 to 2.5 nm, and noise, 0.02
or 0.5 %) were called 3 to 10 times in 12,000; 0 to 7 times where the noise was unknown.
At 0.02 % noise it is always the same few leaves that are called: of 2,000 others, each with noise
drawn 12 times, 31 of 24,000 on pixels of 0.4 nm, more than one in a thousand.
"""
THRESHOLD_UNKNOWN_NOISE = 3.8
"""The same where no uncertainty came with the spectra and the scan alone must tell its noise."""
COARSEST_NM = 3.0
"""Above this spacing the lines cannot be told from the leaf."""
OPERATING_LEAK = 0.01
"""A leak of 1 % reflectance at the strongest line from 500 nm up must be seen."""

_BAND_NM = (385.0, 675.0)
"""All lines that are used lie here; the red edge, the least smooth part of a leaf, does not."""
_WIDTHS_NM = (1.5, 3.5)
"""Full widths at half maximum that the instrument may give a line: of fine and of coarse clips."""
_TOWARDS_TUNGSTEN = -0.25
"""Power of the spectrum of tungsten in the expected lines: 0 for a flat source, -1 for tungsten."""
_FEWEST_PLACES = 12
"""Fewer places beside the lines do not tell a standard deviation."""
_PEAK_NM, _BESIDE_NM = 8.0, 22.0
"""The tallest line is looked for so near, above a baseline through what lies beside."""
_PIXELS_A_LINE = 2.0
"""Instruments spread a line over about two pixels (sampling theorem)."""


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
        Height of the tallest line at or above 500 nm, as reflectance, as the pixels show it.
    size
        The same as the filter measures it, from the whole line: what is held against a limit.
    unit_leak
        Leak (height of the strongest line from 500 nm up) whose joint score would be 1 in this
        scan's noise: of the lamp that is hardest to see, before a source as strong in the blue.
    wavelength_nm
        Where the tallest line stands.
    lamp
        Index into :data:`leafledger.quality.lamps.LAMPS`.
    width_nm
        Full width at half maximum of the lines that fit best.
    """

    score: Floats
    called: NDArray[np.bool_]
    height: Floats
    size: Floats
    unit_leak: Floats
    wavelength_nm: Floats
    lamp: NDArray[np.intp]
    width_nm: Floats


def assessable(wavelength_nm: Floats) -> bool:
    """Return whether this axis can show lamp lines: fine enough, and over at least two groups."""
    axis = wavelength_nm[_in_band(wavelength_nm)]
    if len(axis) < 2 or float(np.median(np.diff(axis))) > COARSEST_NM:
        return False
    return all(
        len(templates(axis, width)) == len(LAMPS)
        and len(clear_places(axis, width)) >= _FEWEST_PLACES
        for width in _WIDTHS_NM
    )


def _in_band(wavelength_nm: Floats) -> NDArray[np.bool_]:
    return np.asarray((wavelength_nm >= _BAND_NM[0]) & (wavelength_nm <= _BAND_NM[1]))


def find_leak(wavelength_nm: Floats, reflectance: Floats, u_scan: Floats | None = None) -> Leak:
    """Look for the lines of fluorescent lamps.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    reflectance
        Scans of a session, shape ``(n_scans, n_wavelengths)``.
    u_scan
        Standard uncertainty per wavelength, same shape. How it runs along the axis and from scan
        to scan is believed, its size is taken from the scans themselves.

    Returns
    -------
    Leak
    """
    best = _nothing_seen(len(reflectance))
    band = _in_band(wavelength_nm)
    axis, values = wavelength_nm[band], reflectance[:, band]
    spacing = float(np.median(np.diff(axis)))
    limit = threshold(u_scan)
    if u_scan is not None and bool(np.all(u_scan > 0)):
        variance = u_scan[:, band] ** 2
    else:
        variance = noise_of(values, spacing)
    own_width = min(_WIDTHS_NM, key=lambda width: abs(width - _PIXELS_A_LINE * spacing))
    for width_nm in _WIDTHS_NM:
        for lamp, height, per_factor in _heights(axis, values, variance, width_nm):
            _keep_better(best, limit, lamp, height, per_factor, width_nm)
            if width_nm == own_width:
                np.maximum(best.unit_leak, _unit_leak(lamp, per_factor), out=best.unit_leak)
    _measure_peaks(best, wavelength_nm, reflectance)
    return best


def _nothing_seen(n_scans: int) -> Leak:
    return Leak(
        np.full(n_scans, -np.inf),
        np.zeros(n_scans, dtype=bool),
        np.zeros(n_scans),
        np.zeros(n_scans),
        np.zeros(n_scans),
        np.full(n_scans, np.nan),
        np.zeros(n_scans, dtype=np.intp),
        np.full(n_scans, _WIDTHS_NM[0]),
    )


def _heights(
    axis: Floats, values: Floats, variance: Floats, width_nm: float
) -> Iterator[tuple[Template, Floats, Floats]]:
    """Yield every lamp with the heights of its line groups over chance, ``(n_scans, n_groups)``.

    The third of each is what a group of height 1 would give there.
    """
    spacing = float(np.median(np.diff(axis)))
    clear = clear_places(axis, width_nm)
    lamps = templates(axis, width_nm)
    places = np.column_stack(
        [line_shape(axis, (Line(x, 0.0, 1.0),), width_nm, spacing) for x in clear]
    )
    lines = np.column_stack([lamp.shapes for lamp in lamps])
    height, per_factor = line_heights(axis, values, variance, lines)
    # Beside a line the filter dips: a leak in every scan must not pass for chance.
    by_chance = line_heights(axis, values, variance, places, unseen=lines)[0]
    chance = chance_deviation(by_chance, clear, np.concatenate([lamp.centre_nm for lamp in lamps]))
    height, per_factor = height / chance, per_factor / chance
    first = 0
    for lamp in lamps:
        own = slice(first, first + len(lamp.centre_nm))
        first = own.stop
        yield lamp, height[:, own], per_factor[:, own]


def _measure_peaks(leak: Leak, wavelength_nm: Floats, reflectance: Floats) -> None:
    """Measure the tallest line of every called scan above a cubic through its surroundings.

    The filter's own height holds for lines of its own width only. Light adds: where the pixels show
    a dip and no line, the shape of the leaf was taken for a lamp, and nothing is called.
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
    leak.called[leak.called & (leak.height <= 0)] = False


def threshold(u_scan: Floats | None) -> float:
    """Return the score above which a lamp is called."""
    known = u_scan is not None and bool(np.all(u_scan > 0))
    return THRESHOLD if known else THRESHOLD_UNKNOWN_NOISE


def _keep_better(
    best: Leak,
    limit: float,
    template: Template,
    height: Floats,
    per_factor: Floats,
    width_nm: float,
) -> None:
    """Replace in ``best`` what this lamp explains better.

    A leak is divided by the white: under a flat source the lines keep their relative heights,
    under tungsten the blue ones grow. What is expected lies between, nearer to the flat source,
    under which a leak is hardest to see.
    """
    expected = tungsten(template.centre_nm) ** _TOWARDS_TUNGSTEN * per_factor
    score = joint_score(height, expected, limit)
    k = template.strongest
    better = score > best.score
    best.score[better] = score[better]
    best.called[better] = score[better] > limit
    tall = height[:, k] / per_factor[:, k] * template.shapes[:, k].max()
    best.height[better] = tall[better]
    best.size[better] = tall[better]
    best.wavelength_nm[better] = template.centre_nm[k]
    best.lamp[better] = template.lamp
    best.width_nm[better] = width_nm


def leak_spectra(wavelength_nm: Floats, leak: Leak, scans: NDArray[np.intp]) -> Floats:
    """Return what the lines that were found add to reflectance.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    leak
        From :func:`find_leak` on that axis.
    scans
        Which scans, shape ``(n,)``.

    Returns
    -------
    ndarray
        Shape ``(n, n_wavelengths)``: the lamp of each scan with the strengths of its lines that
        the filter expects, as high at its strongest line from 500 nm up as ``leak.size`` says.
        Only lines: the continuum between them is not known, so that a change of an index worked
        out from these spectra is the least that the lamp can have made.
    """
    band = _in_band(wavelength_nm)
    out = np.zeros((len(scans), len(wavelength_nm)))
    for width_nm in _WIDTHS_NM:
        for template in templates(wavelength_nm[band], width_nm):
            own = (leak.lamp[scans] == template.lamp) & (leak.width_nm[scans] == width_nm)
            strength = tungsten(template.centre_nm) ** _TOWARDS_TUNGSTEN
            k = template.strongest
            shape = template.shapes @ (strength / strength[k]) / template.shapes[:, k].max()
            out[np.ix_(own, band)] = leak.size[scans][own, None] * shape
    return out


def _unit_leak(template: Template, per_factor: Floats) -> Floats:
    """Return the height of the strongest line >= 500 nm at a joint score of 1, ``(n_scans,)``."""
    main = template.shapes[:, template.strongest].max()
    return np.asarray(main / np.sqrt((per_factor**2).sum(axis=1)), dtype=np.float64)
