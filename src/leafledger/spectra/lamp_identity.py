"""Whether peaks are those of a mercury-argon lamp, and where its lines should stand.

The local maxima are laid over the published lines, over all shifts and stretches that an
instrument may have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from leafledger.spectra.lamp_lines import MERCURY_ARGON, Feature
from leafledger.spectra.lamp_refusals import LampRefusal
from leafledger.spectra.line_peaks import Flags, Floats, Peaks

LARGEST_SHIFT_NM = 6.0
"""An axis further off is not a shifted one: it is another instrument's."""
_LARGEST_STRETCH = 0.008
_STRETCH_STEPS = 17
_MIDDLE_NM = 600.0
_EXPLAINED = 0.7
"""Share of the height of all peaks that the lines of the lamp must account for."""
_STRONG = 0.4
_FEWEST_ARGON = 4


@dataclass(frozen=True)
class Placement:
    """As read = published + shift + stretch x (published - 600 nm)."""

    shift_nm: float
    stretch: float

    def place(self, published_nm: Floats) -> Floats:
        """Return where published wavelengths stand on the axis as read, nm."""
        return np.asarray(
            published_nm + self.shift_nm + self.stretch * (published_nm - _MIDDLE_NM),
            dtype=np.float64,
        )


def identify(peaks: Peaks, wanted: Sequence[Feature], near_nm: float) -> Placement:
    """Return the shift and stretch under which most peaks meet most published lines.

    A peak met counts by the root of its share of the highest, a line met by the root of its
    strength; of equals the nearest wins, and then the smallest shift and stretch.
    """
    at = peaks.at_nm
    weight = np.sqrt(peaks.height / peaks.height.max()) if len(at) else np.zeros(0)
    centres = np.array([f.centre_nm for f in wanted])
    strength = np.sqrt([f.strength for f in wanted])
    best, most = Placement(0.0, 0.0), -np.inf
    if not len(at) or not len(centres):
        return best
    shifts = np.arange(-LARGEST_SHIFT_NM, LARGEST_SHIFT_NM + 1e-9, near_nm / 3)
    for stretch in np.linspace(-_LARGEST_STRETCH, _LARGEST_STRETCH, _STRETCH_STEPS):
        for shift in shifts:
            fit = Placement(float(shift), float(stretch))
            away = np.abs(at[:, None] - fit.place(centres)) / near_nm
            met = 1 - 0.5 * np.minimum(away, 1.0) ** 2
            met[away > 1] = 0.0
            score = float(weight @ met.max(axis=1) + strength @ met.max(axis=0))
            score -= 0.02 * (abs(shift) / LARGEST_SHIFT_NM + abs(stretch) / _LARGEST_STRETCH)
            if score > most:
                best, most = fit, score
    return best


def settled(fit: Placement, peaks: Peaks, wanted: Sequence[Feature], width: float) -> Placement:
    """Return the shift and stretch by least squares over the strong peaks that meet a line."""
    centres = np.array([f.centre_nm for f in wanted if f.strength >= 0.05])
    if not len(centres):
        return fit
    away = np.abs(peaks.at_nm[:, None] - fit.place(centres))
    nearest = away.argmin(axis=1)
    good = away.min(axis=1) <= 0.5 * width
    if good.sum() < 3:
        return fit
    x = centres[nearest[good]] - _MIDDLE_NM
    off = peaks.at_nm[good] - centres[nearest[good]]
    weight = np.sqrt(peaks.height[good])
    design = np.column_stack([np.ones(len(x)), x]) * weight[:, None]
    shift, stretch = np.linalg.lstsq(design, off * weight, rcond=None)[0]
    if abs(stretch) > 2 * _LARGEST_STRETCH:
        return fit
    return Placement(float(shift), float(stretch))


def _met(peaks: Peaks, fit: Placement, near_nm: float) -> tuple[Flags, set[float]]:
    """Return which peaks are lines of the lamp, and the published lines that were met."""
    published = np.array([line.air_nm for line in MERCURY_ARGON])
    away = np.abs(peaks.at_nm[:, None] - fit.place(published))
    met = away <= near_nm
    return np.asarray(met.any(axis=1)), {float(nm) for nm in published[met.any(axis=0)]}


def not_this_lamp(
    peaks: Peaks, fit: Placement, width: float, step: float, wavelength_nm: Floats
) -> LampRefusal | None:
    """Return why the peaks are not those of a mercury-argon lamp; ``None`` if they are.

    Its lines must account for most of the height of all peaks. Of the strong mercury lines on the
    axis two must be there, or all of fewer; on an axis without them, four argon lines.

    Parameters
    ----------
    peaks, fit
        The peaks, and where the lines are taken to stand.
    width, step
        Width of a peak and distance of the wavelengths, nm.
    wavelength_nm
        Axis as read, nm.
    """
    near = max(0.7 * width, 1.5 * step)
    explained, met = _met(peaks, fit, near)
    share = float(peaks.height[explained].sum() / peaks.height.sum())
    first, last = wavelength_nm[0] + 2 * width, wavelength_nm[-1] - 2 * width
    # Below 400 nm many fibres and detectors see nothing.
    main = [
        line.air_nm
        for line in MERCURY_ARGON
        if line.element == "Hg" and line.strength >= _STRONG and line.air_nm > 400
        if first <= line.air_nm <= last
    ]
    missing = [nm for nm in main if nm not in met]
    argon = [line.air_nm for line in MERCURY_ARGON if line.element == "Ar" and line.air_nm in met]
    enough = len(missing) <= max(len(main) - 2, 0) if main else len(argon) >= _FEWEST_ARGON
    if len(main) == 1:
        enough = not missing and (len(argon) >= _FEWEST_ARGON or 576.961 in met or 579.067 in met)
    if share >= _EXPLAINED and enough:
        return None
    top = peaks.at_nm[np.argsort(peaks.height)[::-1][:5]]
    lacking = f"; without {', '.join(f'{nm:.1f}' for nm in missing)} nm" if missing else ""
    return LampRefusal(
        f"peaks near {', '.join(f'{nm:.1f}' for nm in np.sort(top))} nm of which the lines of "
        f"mercury and argon account for {100 * share:.0f} %{lacking}",
        "the spectrum of a mercury-argon lamp",
        "Measure a mercury-argon lamp, or take the scan out of role lamp; an axis more than "
        f"{LARGEST_SHIFT_NM:g} nm off is not recognised either.",
    )
