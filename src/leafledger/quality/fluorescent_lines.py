"""Do the lines of fluorescent lamps stand in a spectrum? A matched filter.

A leak adds counts, so in reflectance it stands as (leak counts) / (white counts): narrow lines on
a smooth leaf. The lines are measured one by one and weighed together, so that neither one noisy
pixel nor the broad green peak of a leaf, an LED or daylight is called a fluorescent lamp.

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
little for what it costs. Where noise hides 1 %, :mod:`leafledger.quality.room_light` says what
could have been seen. Shares: 4,000 simulated leaves each, all with the leak.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import MAD_TO_SD

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
        Index into :data:`LAMPS`.
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
        and len(line_free_windows(axis, width)) >= _FEWEST_PLACES
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
                # The height of the strongest line from 500 nm up at a joint score of 1.
                main = lamp.shapes[:, lamp.strongest].max()
                unit = main / np.sqrt((per_factor**2).sum(axis=1))
                np.maximum(best.unit_leak, unit, out=best.unit_leak)
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


def threshold(u_scan: Floats | None) -> float:
    """Return the score above which a lamp is called."""
    noise_known = u_scan is not None and bool(np.all(u_scan > 0))
    return THRESHOLD if noise_known else THRESHOLD_UNKNOWN_NOISE


def _heights(
    axis: Floats, values: Floats, variance: Floats, width_nm: float
) -> Iterator[tuple[Template, Floats, Floats]]:
    """Yield every lamp with the heights of its line groups over chance, ``(n_scans, n_groups)``.

    The third of each is what a group of height 1 would give there.
    """
    spacing = float(np.median(np.diff(axis)))
    clear = line_free_windows(axis, width_nm)
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
        groups = slice(first, first + len(lamp.centre_nm))
        first = groups.stop
        yield lamp, height[:, groups], per_factor[:, groups]


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
    score = combined_line_score(height, expected, limit)
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


def _measure_peaks(leak: Leak, wavelength_nm: Floats, reflectance: Floats) -> None:
    """Measure the tallest line of every called scan above a cubic through its surroundings.

    The filter's own height holds for lines of its own width only. Light adds: where the pixels show
    a dip and no line, the shape of the leaf was taken for a lamp, and nothing is called.
    """
    for i in np.flatnonzero(leak.called).tolist():
        distance = np.abs(wavelength_nm - leak.wavelength_nm[i])
        near, beside = distance <= _PEAK_NM, (distance > _PEAK_NM) & (distance <= _BESIDE_NM)
        if near.sum() < 1 or beside.sum() < 8:
            continue
        axis = (wavelength_nm - leak.wavelength_nm[i]) / _BESIDE_NM
        baseline = np.polynomial.Polynomial.fit(axis[beside], reflectance[i, beside], 3)
        above = reflectance[i, near] - baseline(axis[near])
        k = int(np.argmax(above))
        leak.height[i] = above[k]
        leak.wavelength_nm[i] = wavelength_nm[near][k]
    leak.called[leak.called & (leak.height <= 0)] = False


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
            rows = (leak.lamp[scans] == template.lamp) & (leak.width_nm[scans] == width_nm)
            strength = tungsten(template.centre_nm) ** _TOWARDS_TUNGSTEN
            k = template.strongest
            shape = template.shapes @ (strength / strength[k]) / template.shapes[:, k].max()
            out[np.ix_(rows, band)] = leak.size[scans][rows, None] * shape
    return out


# The lamps: their lines, and how an instrument shows them
# ----------------------------------------------------------------------

_FWHM_TO_SIGMA = 1 / np.sqrt(8 * np.log(2))
_CLEAR_IN_WIDTHS = 1.5
"""Closer than this to a line, a filter would still see it."""
_FAR_NM = 500.0
"""From here up the source is strong enough for the height of a line to mean something."""


@dataclass(frozen=True)
class Line:
    """An emission line or narrow band: air wavelength, own width and area relative to the lamp."""

    wavelength_nm: float
    fwhm_nm: float
    area: float


@dataclass(frozen=True)
class Lamp:
    """A kind of lamp: groups of lines that no leaf clip can separate, from blue to red."""

    name: str
    groups: tuple[tuple[Line, ...], ...]


@dataclass(frozen=True)
class Template:
    """A lamp as an instrument shows it.

    Attributes
    ----------
    lamp
        Index into :data:`LAMPS`.
    shapes
        Its groups of lines for a factor of 1, shape ``(n_wavelengths, n_groups)``.
    centre_nm
        Shape ``(n_groups,)``.
    """

    lamp: int
    shapes: Floats
    centre_nm: Floats

    @property
    def strongest(self) -> int:
        """The tallest group from 500 nm up."""
        tall = self.shapes.max(axis=0)
        return max(range(len(tall)), key=lambda k: (self.centre_nm[k] >= _FAR_NM, tall[k]))


MERCURY = Lamp(
    "mercury lines",
    (
        (Line(404.6565, 0.0, 0.8),),
        (Line(435.8335, 0.0, 2.0),),
        (Line(546.0750, 0.0, 1.0),),
        (Line(576.9610, 0.0, 0.25), Line(579.0670, 0.0, 0.25)),
    ),
)
TRI_BAND = Lamp(
    "mercury and tri-band phosphor lines",
    (
        (Line(404.6565, 0.0, 0.10),),
        (Line(435.8335, 0.0, 0.30),),
        (Line(487.7, 5.0, 0.20),),
        (Line(542.4, 0.5, 0.55), Line(546.0750, 0.0, 0.45)),
        (Line(587.0, 3.0, 0.12), Line(593.0, 3.0, 0.06)),
        (Line(611.6, 0.5, 0.65),),
        (Line(631.0, 1.0, 0.06),),
    ),
)
LAMPS = (MERCURY, TRI_BAND)


def tungsten(wavelength_nm: Floats) -> Floats:
    """Return the relative power of a tungsten source, 1 at 546 nm.

    References
    ----------
    CIE standard illuminant A (CIE 15:2018): Planck's law at 2,856 K; its second radiation constant
    is 1.4388e-2 m K to the digits used here (CODATA 2018: 1.438777e-2).
    """

    def power(x: Floats) -> Floats:
        return np.asarray(x**-5.0 / np.expm1(1.4388e7 / (x * 2856.0)), dtype=np.float64)

    return power(wavelength_nm) / power(np.array([546.0]))


def templates(axis: Floats, width_nm: float) -> list[Template]:
    """Return the lamps of which the axis holds at least two groups: one line proves no lamp."""
    spacing, far = float(np.median(np.diff(axis))), _CLEAR_IN_WIDTHS * width_nm
    shown_lamps = []
    for number, lamp in enumerate(LAMPS):
        groups = [
            group
            for group in lamp.groups
            if axis[0] + far <= group[0].wavelength_nm and group[-1].wavelength_nm <= axis[-1] - far
        ]
        if len(groups) >= 2:
            shapes = [line_shape(axis, group, width_nm, spacing) for group in groups]
            centres = [
                np.average([x.wavelength_nm for x in group], weights=[x.area for x in group])
                for group in groups
            ]
            shown_lamps.append(Template(number, np.stack(shapes, axis=1), np.array(centres)))
    return shown_lamps


def line_shape(axis: Floats, group: Sequence[Line], width_nm: float, spacing_nm: float) -> Floats:
    """Return the lines as the instrument shows them: Gaussians, spread over the width of a pixel.

    A pixel adds the variance of a rectangular distribution, its width squared / 12 (GUM 4.3.7).
    """
    shape = np.zeros(len(axis))
    for line in group:
        sigma = np.hypot(line.fwhm_nm, width_nm) * _FWHM_TO_SIGMA
        sigma = np.hypot(sigma, spacing_nm / np.sqrt(12))
        shape += line.area / sigma * np.exp(-0.5 * ((axis - line.wavelength_nm) / sigma) ** 2)
    return shape


def line_free_windows(axis: Floats, width_nm: float) -> Floats:
    """Return wavelengths, about a line's width apart, where no lamp has a line."""
    spacing = float(np.median(np.diff(axis)))
    places = axis[:: max(1, round(width_nm / 2 / spacing))]
    far = _CLEAR_IN_WIDTHS * width_nm
    clear = (places - axis[0] >= far) & (axis[-1] - places >= far)
    for line in (x for lamp in LAMPS for group in lamp.groups for x in group):
        clearance = _CLEAR_IN_WIDTHS * (np.hypot(line.fwhm_nm, width_nm))
        clear &= np.abs(places - line.wavelength_nm) > clearance
    return np.asarray(places[clear])


# Heights of lines on a leaf: generalised least squares
# ----------------------------------------------------------------------
# The leaf under the lines is taken for a smooth random curve and the noise for independent; the
# filter is then the generalised least-squares estimate of the height of a line. It adapts: in
# strong noise it looks for its baseline far to both sides, in weak noise only near by.

LEAF_SD, LEAF_LENGTH_NM, LEAF_GRAIN = 0.1, 48.0, 5e-5
"""The random curve: its standard deviation (reflectance), over what distance it changes, and what
is not smooth in it. Most likely values for 300 leaves of PROSPECT-D, pale to dark, 400-670 nm."""
_STRETCH_NM = 40.0
"""Over such a stretch the noise of a scan is taken for even, where it must be estimated."""


def line_heights(
    wavelength_nm: Floats,
    reflectance: Floats,
    variance: Floats,
    shapes: Floats,
    unseen: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Measure lines, each by itself.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    reflectance, variance
        Shape ``(n_scans, n_wavelengths)``. The filters are made for the median noise of the scans,
        the deviations for that of each scan.
    shapes
        Shape ``(n_wavelengths, n_lines)``.
    unseen
        Shapes that may stand there in any height without changing what is measured,
        ``(n_wavelengths, n_unseen)``.

    Returns
    -------
    heights, per_factor
        Height over its standard deviation, and what that is for a line as high as its shape;
        ``(n_scans, n_lines)``.
    """
    leaf = leaf_covariance(wavelength_nm)
    total = leaf + np.diag(np.median(variance, axis=0))
    weights = np.linalg.solve(total, shapes)
    if unseen is not None:
        beside = np.linalg.solve(total, unseen)
        # Two lamps share lines: least squares finds one of the many equal answers.
        weights -= beside @ np.linalg.lstsq(unseen.T @ beside, unseen.T @ weights, rcond=1e-9)[0]
    height_variance = variance @ weights**2 + (weights * (leaf @ weights)).sum(axis=0)
    deviation = np.sqrt(height_variance)
    return reflectance @ weights / deviation, (shapes * weights).sum(axis=0) / deviation


def leaf_covariance(wavelength_nm: Floats) -> Floats:
    """Return the covariance of the reflectance of a leaf, shape ``(n_wavelengths,) * 2``.

    Notes
    -----
    A Matern covariance of order 7/2: curves that can be differentiated three times. No leaf
    changes faster below the red edge, at about 675 nm.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.14 and 4.15.
    """
    distance = np.abs(wavelength_nm[:, None] - wavelength_nm)
    x = np.sqrt(7.0) * distance / LEAF_LENGTH_NM
    smooth = (1 + x + 2 * x**2 / 5 + x**3 / 15) * np.exp(-x)
    return np.asarray(LEAF_SD**2 * smooth + LEAF_GRAIN**2 * (distance == 0))


def noise_of(reflectance: Floats, spacing_nm: float) -> Floats:
    """Return the variance of every pixel, told from the scan itself; shape as ``reflectance``.

    Second differences do not see a smooth leaf; three independent values give them 3/2 of the
    variance of one.
    """
    bend = np.abs(reflectance[:, 1:-1] - (reflectance[:, :-2] + reflectance[:, 2:]) / 2)
    n_stretches = max(1, round(bend.shape[1] * spacing_nm / _STRETCH_NM))
    stretches = np.array_split(np.arange(bend.shape[1]), n_stretches)
    sd = np.stack([np.median(bend[:, s], axis=1) for s in stretches], axis=1)
    sd *= MAD_TO_SD / np.sqrt(1.5)
    middle = np.array([s.mean() + 1 for s in stretches])
    pixels = np.arange(reflectance.shape[1])
    between = np.stack(
        [np.interp(pixels, middle, unit_vector) for unit_vector in np.eye(n_stretches)]
    )
    return np.asarray((sd @ between) ** 2)


# Scores: heights over chance, lines of one lamp together
# ----------------------------------------------------------------------

_CONSISTENCY, _SHORT_BY_CHANCE = 0.55, 1.28
"""The lines besides the strongest must show at least this share of what it makes expect, or fall
short of that by so many standard deviations at most, as nine in ten lamps do."""
_NEAR_NM, _NEAR_SHARE = 50.0, 0.6
"""Chance heights so near a group count where this share of them is above those of the session."""
_CHANCE_QUANTILE, _NORMAL_QUANTILE = 0.75, 1.1503
"""Share of chance heights (either sign) below this many standard deviations (normal)."""


def chance_deviation(height: Floats, clear_nm: Floats, centre_nm: Floats) -> Floats:
    """Return the standard deviation of chance heights at every group, ``(n_scans, n_groups)``.

    They are heights over what the stated noise makes expect. What that is wrong by is the same
    for all scans of a session, so that all together tell it. Only where a scan is clearly rougher
    near a group, as on the flank of a diode's peak, does it stand for itself.

    Parameters
    ----------
    height
        Heights over their stated standard deviation at places without a lamp's line, shape
        ``(n_scans, n_places)``.
    clear_nm, centre_nm
        Those places, and the groups of lines, nm.
    """
    absolute = np.abs(height)
    out = np.empty((len(height), len(centre_nm)))
    typical = float(np.median(np.quantile(absolute, _CHANCE_QUANTILE, axis=1)))
    for k, centre in enumerate(centre_nm):
        near = absolute[:, np.abs(clear_nm - centre) <= _NEAR_NM]
        near_quantile = np.quantile(near, _CHANCE_QUANTILE, axis=1)
        out[:, k] = np.maximum(typical, _NEAR_SHARE * near_quantile)
    return np.asarray(out / _NORMAL_QUANTILE)


def combined_line_score(height: Floats, expected: Floats, limit: float) -> Floats:
    """Return the joint height of the lines over its standard deviation, shape ``(n_scans,)``.

    At most ``limit`` where one line alone carries it.

    Parameters
    ----------
    height, expected
        Height of every group of lines over its standard deviation, and what a leak of this lamp
        would give, in any unit; shape ``(n_scans, n_groups)``.
    limit
        Score above which a lamp is called.
    """
    rows = np.arange(len(height))
    norm2 = (expected**2).sum(axis=1)
    parts = expected * height
    score = parts.sum(axis=1) / np.sqrt(norm2)
    strongest = np.argmax(parts, axis=1)
    rest_norm2 = norm2 - expected[rows, strongest] ** 2
    rest = (parts.sum(axis=1) - parts[rows, strongest]) / np.sqrt(rest_norm2)
    due = score * np.sqrt(rest_norm2 / norm2)
    shared = rest >= np.minimum(_CONSISTENCY * due, due - _SHORT_BY_CHANCE)
    return np.asarray(np.where(shared, score, np.minimum(score, limit)), dtype=np.float64)
