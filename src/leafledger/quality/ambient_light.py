"""Does room light leak into the clip? A matched filter for the lines of fluorescent lamps.

A leak adds counts, so in reflectance it stands as (leak counts) / (white counts): narrow lines on
a smooth leaf. The height of every line is measured against a local cubic baseline; the same
measurement a few nanometres beside the lines shows how large it gets by chance on this very scan.
The lines are then weighed together, so that neither one noisy pixel nor the broad green peak of a
leaf, an LED or daylight is called a fluorescent lamp.

References
----------
Line positions (nm in air): Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77 (mercury);
terbium and europium bands of tri-band phosphors as commonly labelled (common practice, no
source). Relative strengths: excess over the neighbouring samples in CIE illuminants FL2 and FL3.1
(mercury) and FL11 and FL12 (tri-band).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag

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
_FWHM_TO_SIGMA = 1 / np.sqrt(8 * np.log(2))
_REACH_NM = 60.0
_CONSISTENCY = 0.5
_LEAST_REST = 1.2


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
        (Line(611.6, 0.5, 0.75),),
    ),
)
LAMPS = (MERCURY, TRI_BAND)


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
        Index into :data:`LAMPS`.
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
    inside = [_filter(wavelength_nm, group, _WIDTHS_NM[0]) for group in MERCURY.groups]
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
    limit = _threshold(u_scan)
    for width_nm in _WIDTHS_NM:
        for number, lamp in enumerate(LAMPS):
            heights = _heights(wavelength_nm, reflectance, variance, lamp, width_nm)
            if heights is not None:
                _keep_better(best, limit, number, *heights)
    return best


def _threshold(u_scan: Floats | None) -> float:
    known = u_scan is not None and bool(np.all(u_scan > 0))
    return THRESHOLD if known else THRESHOLD_UNKNOWN_NOISE


@dataclass(frozen=True)
class _Filter:
    first: int
    weights: Floats
    shifts: NDArray[np.intp]
    centre_nm: float
    height: float


def _filter(wavelength_nm: Floats, group: Sequence[Line], width_nm: float) -> _Filter | None:
    """Return the least-squares weights that give the area factor of a group of lines."""
    spacing = float(np.median(np.diff(wavelength_nm)))
    centre = float(np.average([x.wavelength_nm for x in group], weights=[x.area for x in group]))
    spread = max(abs(x.wavelength_nm - centre) for x in group)
    broadest = max(np.hypot(x.fwhm_nm, width_nm) for x in group)
    half = spread + max(12.0, 2.2 * broadest)
    inside = np.flatnonzero(np.abs(wavelength_nm - centre) <= half)
    if (
        len(inside) < 9
        or wavelength_nm[0] > centre - 0.9 * half
        or wavelength_nm[-1] < centre + 0.9 * half
    ):
        return None
    axis = wavelength_nm[inside]
    shape = np.zeros(len(axis))
    for line in group:
        sigma = np.hypot(line.fwhm_nm, width_nm) * _FWHM_TO_SIGMA
        sigma = np.hypot(sigma, spacing / np.sqrt(12))
        shape += line.area / sigma * np.exp(-0.5 * ((axis - line.wavelength_nm) / sigma) ** 2)
    baseline = np.vander((axis - centre) / half, 4)
    weights = np.linalg.pinv(np.column_stack([shape, baseline]))[0]
    reach = int(_REACH_NM / spacing)
    shifts = np.arange(-reach, reach + 1)
    lowest, highest = -int(inside[0]), len(wavelength_nm) - 1 - int(inside[-1])
    moved = centre + shifts * spacing
    clear = np.all(
        [
            np.abs(moved - x.wavelength_nm) > 1.5 * broadest + spread
            for lamp in LAMPS
            for lines in lamp.groups
            for x in lines
        ],
        axis=0,
    )
    shifts = shifts[clear & (shifts >= lowest) & (shifts <= highest)]
    if len(shifts) < 12:
        return None
    return _Filter(int(inside[0]), weights, shifts, centre, float(shape.max()))


def _heights(
    wavelength_nm: Floats,
    reflectance: Floats,
    variance: Floats | None,
    lamp: Lamp,
    width_nm: float,
) -> tuple[Floats, Floats, Floats, Floats, Floats] | None:
    """Return factor, deviation (n_scans, n_groups), relative area, height and centre of groups."""
    found = [(g, _filter(wavelength_nm, g, width_nm)) for g in lamp.groups]
    usable = [(g, f) for g, f in found if f is not None]
    if len(usable) < 2:
        return None
    factor = np.empty((len(reflectance), len(usable)))
    deviation = np.empty_like(factor)
    beside: list[Floats] = []
    for k, (_, f) in enumerate(usable):
        size = len(f.weights)
        factor[:, k] = reflectance[:, f.first : f.first + size] @ f.weights
        bank = np.zeros((reflectance.shape[1], len(f.shifts)))
        for column, shift in enumerate(f.shifts):
            bank[f.first + shift : f.first + shift + size, column] = f.weights
        moved = np.abs(reflectance @ bank)
        deviation[:, k] = 1.0
        if variance is not None:
            own = variance[:, f.first : f.first + size] @ f.weights**2
            moved /= np.sqrt(variance @ bank**2)
            deviation[:, k] = np.sqrt(own)
        beside.append(moved)
    if variance is not None:
        # Known relative noise: the chance heights of all groups tell of one and the same scale.
        pooled = np.median(np.concatenate(beside, axis=1), axis=1)
        for k, moved in enumerate(beside):
            deviation[:, k] *= 1.4826 * np.maximum(pooled, np.median(moved, axis=1) * 0.8)
    else:
        for k, moved in enumerate(beside):
            deviation[:, k] = 1.4826 * np.median(moved, axis=1)
    heights = np.array([f.height for _, f in usable])
    centres = np.array([f.centre_nm for _, f in usable])
    return factor, np.maximum(deviation, 1e-12), np.ones(len(usable)), heights, centres


def _keep_better(
    best: Leak,
    limit: float,
    lamp: int,
    factor: Floats,
    deviation: Floats,
    area: Floats,
    height: Floats,
    centre_nm: Floats,
) -> None:
    """Replace in ``best`` what this lamp and width explain better, for two kinds of source."""
    at = _main_group(factor.shape[1], height, centre_nm)
    far = np.flatnonzero(centre_nm >= 500)
    far = far if len(far) else np.arange(len(centre_nm))
    for source in (area, area / _tungsten(centre_nm)):
        signal = source / deviation
        norm2 = (signal**2).sum(axis=1)
        parts = signal * factor / deviation
        score = parts.sum(axis=1) / np.sqrt(norm2)
        strongest = np.argmax(parts, axis=1)
        rows = np.arange(len(factor))
        rest_norm2 = np.maximum(norm2 - signal[rows, strongest] ** 2, 1e-300)
        rest = (parts.sum(axis=1) - parts[rows, strongest]) / np.sqrt(rest_norm2)
        expected_rest = score * np.sqrt(rest_norm2 / norm2)
        shared = rest >= np.maximum(_LEAST_REST, _CONSISTENCY * expected_rest)
        score = np.where(shared, score, np.minimum(score, limit))
        better = score > best.score
        best.score[better] = score[better]
        best.called[better] = score[better] > limit
        tallest = far[np.argmax(factor[:, far] * height[far], axis=1)]
        best.height[better] = (factor[rows, tallest] * height[tallest])[better]
        best.height_u[better] = (deviation[:, at] * height[at])[better]
        best.wavelength_nm[better] = centre_nm[tallest][better]
        best.lamp[better] = lamp


def _main_group(n_groups: int, height: Floats, centre_nm: Floats) -> int:
    """Return the strongest group at or above 500 nm (the strongest of all if there is none)."""
    order = sorted(range(n_groups), key=lambda k: (centre_nm[k] < 500, -height[k]))
    return order[0]


def _tungsten(wavelength_nm: Floats) -> Floats:
    """Return the relative power of a tungsten source at 2,856 K (CIE illuminant A), 1 at 546 nm."""

    def power(x: Floats) -> Floats:
        return np.asarray(x**-5.0 / np.expm1(1.4388e7 / (x * 2856.0)), dtype=np.float64)

    return power(wavelength_nm) / power(np.array([546.0]))


def ambient_light(
    scans: Sequence[str], wavelength_nm: Floats, reflectance: Floats, u_scan: Floats | None = None
) -> list[Flag]:
    """Flag the scans in which a fluorescent room lamp shows (a fault)."""
    leak = find_leak(wavelength_nm, reflectance, u_scan)
    flags = []
    for i in np.flatnonzero(leak.called).tolist():
        at, height = float(leak.wavelength_nm[i]), float(leak.height[i])
        flags.append(
            Flag(
                scans[i],
                "ambient_light",
                "fault",
                float(leak.score[i]),
                _threshold(u_scan),
                "1",
                f"Room light reached the detector: {LAMPS[leak.lamp[i]].name} stand "
                f"{leak.score[i]:.1f} standard deviations above chance and add "
                f"{100 * height:.2g} % reflectance near {at:.0f} nm. The clip was probably open.",
                at,
            )
        )
    return flags


def smallest_leak(wavelength_nm: Floats, reflectance: Floats, u_scan: Floats | None) -> Floats:
    """Return per scan the leak (as reflectance, strongest line >= 500 nm) seen 9 times in 10."""
    leak = find_leak(wavelength_nm, reflectance, u_scan)
    # The joint score gains about 1.6 over the strongest line alone; 1.28 is the 90 % quantile.
    return np.asarray((_threshold(u_scan) + 1.28) / 1.6 * leak.height_u, dtype=np.float64)
