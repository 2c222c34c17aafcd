"""What light leaks in with the lamp off? The `ambient` scans of a session, measured and told.

An ambient scan is taken as a leaf scan is (leaf in the clip, the same place and hands), but with
the lamp off. Above its dark stands what leaks in, of any lamp or of the sun, lines or none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.ambient_light import assessable, find_leak
from leafledger.quality.flags import Flag
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]

VISIBLE_NM = (400.0, 700.0)
MEAN_OVER_NM = 5.0
"""The largest share is a mean over so much: noise falls, no line is lost."""
BEYOND_NOISE = 5.0
"""Standard deviations that a share must stand above chance at its best place to be a leak."""
LAMP_ON = 0.2
"""A share of the white that no leak has: the lamp was on."""
_BLUE_DIODE_NM, _GAP_NM = (445.0, 465.0), (478.0, 492.0)
_SODIUM_NM, _BESIDE_SODIUM_NM = (582.0, 597.0), ((540.0, 560.0), (625.0, 650.0))
"""The D lines at 589.0 and 589.6 nm, broadened in a lamp of high pressure, and what lies beside."""
_SODIUM_OVER_BESIDE = 3.0
"""Light at the D lines over that beside them; daylight, filaments and diodes have about 1."""
_DIODE_OVER_GAP = 1.3
"""Light of a white diode at its blue peak over that in the gap beside it; daylight has about 1."""


@dataclass(frozen=True)
class AmbientScan:
    """What one ambient scan measured.

    Attributes
    ----------
    scan
        Its id.
    share
        Light with the lamp off as a share of the white at equal integration time, shape
        ``(n_pixels,)``; 0 where the white has no signal.
    u
        Standard deviation of the share by the noise of the scan, same shape.
    largest, at_nm
        Largest mean over 5 nm of the share in 400-700 nm that stands above its noise (the largest
        that noise could hide, if none does), and where.
    seen
        Whether any stands above its noise.
    light
        Which light it is, in words; empty if none was seen.
    """

    scan: str
    share: Floats
    u: Floats
    largest: float
    at_nm: float
    seen: bool
    light: str


def ambient_share(
    scan: str,
    wavelength_nm: Floats,
    net_per_ms: Floats,
    white_per_ms: Floats,
    usable: NDArray[np.bool_],
) -> AmbientScan | None:
    """Measure one ambient scan against the white.

    Parameters
    ----------
    scan
        Id.
    wavelength_nm
        Shape ``(n_pixels,)``, nm.
    net_per_ms, white_per_ms
        Ambient minus dark, and white minus dark, counts per ms of integration time (any common
        scale), shape ``(n_pixels,)``.
    usable
        Where the white has signal, shape ``(n_pixels,)``, bool.

    Returns
    -------
    AmbientScan or None
        ``None`` if the usable axis holds nothing of 400-700 nm.
    """
    good = usable & (white_per_ms > 0)
    white = np.where(good, white_per_ms, 1.0)
    share = np.where(good, net_per_ms / white, 0.0)
    u = np.where(good, _pixel_noise(net_per_ms) / white, 0.0)
    spacing = float(np.median(np.diff(wavelength_nm)))
    n_mean = max(1, round(MEAN_OVER_NM / spacing))
    window = np.ones(n_mean) / n_mean
    whole = np.convolve(good, window, mode="same") > 1 - 1e-9
    inside = whole & (wavelength_nm >= VISIBLE_NM[0]) & (wavelength_nm <= VISIBLE_NM[1])
    if not inside.any():
        return None
    mean = np.convolve(share, window, mode="same")[inside]
    noise = np.sqrt(np.convolve(u**2, window**2, mode="same")[inside])
    above = mean > BEYOND_NOISE * noise
    told = np.where(above, mean, -np.inf) if above.any() else np.maximum(mean, 0) + noise
    k = int(np.argmax(told))
    seen, at = bool(above.any()), float(wavelength_nm[inside][k])
    light = _which_light(wavelength_nm[good], net_per_ms[good], share[good]) if seen else ""
    return AmbientScan(scan, share, u, float(told[k]), at, seen, light)


def _pixel_noise(net: Floats) -> float:
    """Return the pixel-to-pixel noise: second differences do not see smooth light."""
    bend = net[1:-1] - (net[:-2] + net[2:]) / 2
    return float(robust_sd(bend) / np.sqrt(1.5))


def _which_light(wavelength_nm: Floats, net: Floats, share: Floats) -> str:
    """Name the light by what tells lamps apart: lines, the gap beside a diode's blue peak."""
    if len(share) < 3:
        return "light without lines"
    if assessable(wavelength_nm) and bool(find_leak(wavelength_nm, share[None, :]).called[0]):
        return "lines of a fluorescent lamp"
    if _is_sodium(wavelength_nm, net):
        return "the yellow lines of a sodium lamp"
    peak, gap = (
        net[(wavelength_nm >= a) & (wavelength_nm <= b)] for a, b in (_BLUE_DIODE_NM, _GAP_NM)
    )
    if len(peak) and len(gap):
        over = float(peak.mean()) - _DIODE_OVER_GAP * max(float(gap.mean()), 0.0)
        noise = _pixel_noise(net) * np.sqrt(1 / len(peak) + _DIODE_OVER_GAP**2 / len(gap))
        if over > BEYOND_NOISE * noise:
            return "no lines but the blue peak and gap of a white LED"
    return "no lines, as daylight, a filament lamp or some LEDs"


def _is_sodium(wavelength_nm: Floats, net: Floats) -> bool:
    """Return whether most of the light stands at the D lines of sodium."""
    ends = (_SODIUM_NM, *_BESIDE_SODIUM_NM)
    line, *beside = (net[(wavelength_nm >= a) & (wavelength_nm <= b)] for a, b in ends)
    if not len(line) or not any(len(part) for part in beside):
        return False
    rest = max(float(np.concatenate(beside).mean()), 0.0)
    n_beside = sum(len(part) for part in beside)
    over = float(line.mean()) - _SODIUM_OVER_BESIDE * rest
    noise = _pixel_noise(net) * np.sqrt(1 / len(line) + _SODIUM_OVER_BESIDE**2 / n_beside)
    return bool(over > BEYOND_NOISE * noise)


def ambient_rows(found: Sequence[AmbientScan], limit: float) -> list[Flag]:
    """Tabulate every ambient scan: a fault above the limit, a notice below it.

    Parameters
    ----------
    found
        From :func:`ambient_share`.
    limit
        Share of the white that is tolerated.
    """
    flags = []
    for one in found:
        over = one.seen and one.largest > limit
        flags.append(
            Flag(
                one.scan,
                "ambient_scan",
                "fault" if over else "notice",
                one.largest,
                limit,
                "1",
                _sentence(one, limit, over=over),
                one.at_nm,
            )
        )
    return flags


def _sentence(one: AmbientScan, limit: float, *, over: bool) -> str:
    if not one.seen:
        return (
            "With the lamp off nothing stands above the noise in 400-700 nm; a leak of "
            f"{100 * one.largest:.2g} % of the white near {one.at_nm:.0f} nm could hide in it."
        )
    size = (
        f"With the lamp off the detector still sees up to {100 * one.largest:.2g} % of the white "
        f"(near {one.at_nm:.0f} nm; tolerated {100 * limit:.2g} %)"
    )
    if one.largest > LAMP_ON:
        return f"{size}: more than any leak, so the lamp was probably on during this scan."
    told = f"{size}; the light has {one.light}."
    if over:
        told += " Leaves measured like this one are read too high by so much: shade the clip."
    return told


def on_leaves(scans: Sequence[str], nearest: Sequence[AmbientScan], limit: float) -> list[Flag]:
    """Tell every leaf scan whose nearest ambient scan shows a leak (a notice).

    Parameters
    ----------
    scans
        Leaf scans.
    nearest
        The ambient scan that belongs to each.
    limit
        Share of the white that is tolerated.
    """
    return [
        Flag(
            scan,
            "ambient_light",
            "notice",
            one.largest,
            limit,
            "1",
            f"The ambient scan {one.scan} of this session shows a leak of up to "
            f"{100 * one.largest:.2g} % of the white ({one.light}): if the clip sat as it did "
            "there, this leaf is read too high by so much.",
            one.at_nm,
        )
        for scan, one in zip(scans, nearest, strict=True)
        if one.seen and limit < one.largest <= LAMP_ON
    ]
