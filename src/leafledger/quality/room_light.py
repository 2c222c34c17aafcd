"""Did light of the room reach the detector?

Three ways to tell: lines of fluorescent lamps in leaf scans and whites, scans of role `ambient`
(lamp off, leaf in the clip), and the spectrum of such a scan fitted into every leaf scan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.fluorescent_lines import (
    COARSEST_NM,
    LAMPS,
    OPERATING_LEAK,
    Leak,
    assessable,
    find_leak,
    leak_spectra,
    threshold,
)
from leafledger.quality.session import (
    Findings,
    Flag,
    IndexShifts,
    Session,
    combined_uncertainty,
    largest_shifts,
    tolerated_leak,
    usable_pixels,
)
from leafledger.records.record import Metric
from leafledger.resampling.intervals import Residuals, residuals, robust_sd

Floats = NDArray[np.float64]

_LINE_PIXEL_NM = 0.8
"""Lines are 1.5 nm wide and more: finer pixels cost time and show no more."""


def lamp_lines(
    session: Session,
    uncertainty: tuple[Floats, Floats] | None,
    usable: NDArray[np.bool_],
    share: float,
) -> Findings:
    """Look for the lines of room lamps between the first and the last usable wavelength.

    Parameters
    ----------
    session
        The session.
    uncertainty
        Standard uncertainty of the leaves' reflectance by the scan alone, and all of it; ``None``
        if unknown.
    usable
        Where the white had signal, on the axis of the reflectance.
    share
        Reflectance that room light may add and still be tolerated.

    Returns
    -------
    Findings
        With the smallest leak that could have been seen, and a warning where it is above 1 %.
    """
    findings = Findings()
    pixels = np.flatnonzero(usable)
    inside = slice(int(pixels[0]), int(pixels[-1]) + 1) if len(pixels) else slice(0, 0)
    axis = session.leaves.wavelength_nm[inside]
    if len(pixels) < 2 or not assessable(axis):
        findings.warnings.append(
            "room light not assessable: the usable wavelengths hold too few lamp lines or are "
            f"more than {COARSEST_NM:g} nm apart"
        )
        return findings
    values = session.leaves.spectra["reflectance"][:, inside]
    noise = None if uncertainty is None else uncertainty[0][:, inside]
    leak, limit = find_leak(axis, values, noise), threshold(noise)
    least = smallest_leak(leak, limit)
    # A leak that was found stands in its own way: only scans without one tell what was missed.
    least = least[~leak.called] if not leak.called.all() else least
    blind = int((least > OPERATING_LEAK).sum())
    findings.metrics.append(Metric("smallest_room_light_seen", float(np.median(least))))
    if blind:
        findings.warnings.append(
            f"in {blind} of {len(values)} scans the noise hides room light of 1 % reflectance; the "
            f"smallest that could be seen is {100 * float(least.max()):.2g} %"
        )
    u, moved = None, None
    if uncertainty is not None:
        called = np.flatnonzero(leak.called)
        light = leak_spectra(axis, leak, called)
        moved = _shifts(session, called, light, inside)
        pixel = np.searchsorted(axis, np.nan_to_num(leak.wavelength_nm)).clip(0, len(axis) - 1)
        u = uncertainty[1][:, inside][np.arange(len(values)), pixel]
    findings.flags += ambient_light(session.leaf_ids, leak, limit, share, u, moved)
    return findings


def _shifts(
    session: Session, rows: NDArray[np.intp], light: Floats, usable: slice
) -> IndexShifts | None:
    source = session.uncertainty_source
    return largest_shifts(session.indices, session.leaves, source, rows, light, usable)


def lines_in_whites(
    session: Session, checks: Mapping[str, Any], signal: Floats | None
) -> list[Flag]:
    """Look for the lines of room lamps in each white, against the other whites of the session.

    What the lamp of the instrument and the panel give divides out; a tube that burnt during one
    white is left. With it in most whites nothing shows.

    Parameters
    ----------
    session
        The session, in counts.
    checks
        Settings ``quality.checks``.
    signal
        Signal-to-noise of the white per pixel of the raw axis, ``None`` if unknown.
    """
    whites = session.of_role("white")
    pixels = np.flatnonzero(usable_pixels(signal, len(session.scans.wavelength_nm)))
    if not checks["lamp_lines"] or len(whites) < 2 or len(pixels) < 2:
        return []
    inside = slice(int(pixels[0]), int(pixels[-1]) + 1)
    axis, rate = _binned(session.scans.wavelength_nm[inside], session.white_per_ms[:, inside])
    if not assessable(axis) or (rate <= 0).any():
        return []
    # The median of three or more stands for the others; of two each stands for the other.
    usual = np.median(rate, axis=0) if len(whites) > 2 else rate[::-1]
    leak, limit = find_leak(axis, rate / usual), threshold(None)
    share = float(checks["ambient_share"])
    flags = []
    for i in np.flatnonzero(leak.called & (leak.score > max(limit, SURE))).tolist():
        size, where = float(leak.size[i]), float(leak.wavelength_nm[i])
        flags.append(
            Flag(
                session.ids[int(whites[i])],
                "ambient_light",
                "fault" if size > share else "notice",
                size,
                share,
                "1",
                f"Room light reached the detector during this white: "
                f"{LAMPS[leak.lamp[i]].name} add about {100 * size:.2g} % near {where:.0f} nm "
                f"to what the other whites show (tolerated {100 * share:.2g} %).",
                where,
            )
        )
    return flags


def _binned(axis: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """Take the mean over neighbouring pixels where they are much finer than a line is wide."""
    n_mean = max(1, int(_LINE_PIXEL_NM / float(np.median(np.diff(axis)))))
    n = len(axis) // n_mean
    used = slice(0, n * n_mean)
    return (
        axis[used].reshape(n, n_mean).mean(axis=1),
        rate[:, used].reshape(len(rate), n, n_mean).mean(axis=2),
    )


def check_ambient(session: Session, checks: Mapping[str, Any], signal: Floats | None) -> Findings:
    """Measure the ambient scans of a session and look for their light in the leaves.

    Parameters
    ----------
    session
        The session.
    checks
        Settings ``quality.checks``.
    signal
        Signal-to-noise of the white per pixel of the raw axis, ``None`` if unknown.

    Returns
    -------
    Findings
        With the largest leak, and why an ambient scan could not be measured.
    """
    limit = float(checks["ambient_share"])
    usable = usable_pixels(signal, len(session.scans.wavelength_nm))
    measured, warnings = _measured(session, usable)
    if not measured:
        return Findings(warnings=warnings)
    largest = max(scan.largest for _, scan in measured)
    flags = ambient_rows([scan for _, scan in measured], limit)
    if session.leaf_ids:
        flags += on_leaves(session.leaf_ids, _nearest(session, measured), limit)
        flags += _fitted(session, measured, usable, limit)
    return Findings(flags, warnings, [Metric("ambient_light_share", largest)])


def _measured(
    session: Session, usable: NDArray[np.bool_]
) -> tuple[list[tuple[int, AmbientScan]], list[str]]:
    """Return (place, what it measured) of every ambient scan, and why one was not measured."""
    measured, warnings = [], []
    for i in session.of_role("ambient").tolist():
        pair, why = _against_white(session, i)
        ambient = None
        if pair is not None:
            ambient = ambient_share(session.ids[i], session.scans.wavelength_nm, *pair, usable)
            why = "the white has no signal in 400-700 nm"
        if ambient is None:
            warnings.append(f"ambient scan {session.ids[i]} not measured: {why}")
        else:
            measured.append((i, ambient))
    return measured, warnings


def _against_white(session: Session, i: int) -> tuple[tuple[Floats, Floats] | None, str]:
    """Return ambient minus dark and white minus dark at one integration time, or why not."""
    raw = session.sound(np.array([i]))[0]
    if not session.in_counts:
        return (raw, np.ones_like(raw)), ""
    whites, darks = session.of_role("white"), session.of_role("dark")
    if not len(whites) or not len(darks):
        return None, "the session has no white or no dark"
    times = session.integration_ms
    if np.isnan(times[[i, *whites, *darks]]).any():
        return None, "an integration time is missing"
    dark = _dark_at(float(times[i]), session.sound(darks), times[darks])
    if dark is None:
        return None, f"no dark at its integration time, {times[i]:g} ms, nor at two other times"
    white = np.median(session.white_per_ms, axis=0)
    return (session.linear(raw - dark) / times[i], np.asarray(white, dtype=np.float64)), ""


def _dark_at(integration_ms: float, darks: Floats, times_ms: Floats) -> Floats | None:
    """Return the median dark of a time, or the straight line through those of two other times."""
    known_ms = np.unique(times_ms)
    medians = {float(t): np.median(darks[times_ms == t], axis=0) for t in known_ms}
    if integration_ms in medians:
        return np.asarray(medians[integration_ms], dtype=np.float64)
    if len(known_ms) < 2:
        return None
    # Dark current adds the same in every millisecond.
    near = known_ms[np.argsort(np.abs(known_ms - integration_ms), kind="stable")[:2]]
    first, other = float(near[0]), float(near[1])
    share = (integration_ms - first) / (other - first)
    return np.asarray(medians[first] + share * (medians[other] - medians[first]), dtype=np.float64)


def _nearest(session: Session, ambients: list[tuple[int, AmbientScan]]) -> list[AmbientScan]:
    """Return the ambient scan nearest to each leaf scan in time (in sheet order without times)."""
    index_of = {scan: k for k, scan in enumerate(session.ids)}
    leaves = [index_of[scan] for scan in session.leaf_ids]
    when = session.seconds
    if np.isnan(when[[*leaves, *(i for i, _ in ambients)]]).any():
        when = np.arange(len(when), dtype=np.float64)
    return [min(ambients, key=lambda pair: abs(when[pair[0]] - when[k]))[1] for k in leaves]


def _fitted(
    session: Session,
    ambients: list[tuple[int, AmbientScan]],
    usable: NDArray[np.bool_],
    limit: float,
) -> list[Flag]:
    """Fit the strongest ambient light into every leaf scan."""
    leaks = [
        strongest for _, strongest in ambients if strongest.seen and strongest.largest <= LAMP_ON
    ]
    if not leaks:
        return []
    strongest = max(leaks, key=lambda leak: leak.largest)
    raw_nm, axis = session.scans.wavelength_nm, session.leaves.wavelength_nm
    template = np.interp(axis, raw_nm, strongest.share)
    on_axis = np.interp(axis, raw_nm, usable.astype(np.float64)) > 1 - 1e-9
    amounts = leak_amounts(axis, session.leaves.spectra["reflectance"], template, on_axis)
    if amounts is None:
        return []
    every = np.arange(len(session.leaf_ids))
    light = np.outer(amounts.left, np.where(on_axis, template, 0.0))
    moved = _shifts(session, every, light, slice(None))
    u = combined_uncertainty(session.leaves, session.reflectance_file)
    pixel = int(np.argmin(np.abs(axis - strongest.at_nm)))
    return leaks_like(
        session.leaf_ids,
        amounts,
        strongest.scan,
        strongest.largest,
        strongest.at_nm,
        limit,
        strongest.light,
        None if u is None else u[1][:, pixel],
        moved,
    )


# Lines of fluorescent lamps in leaf scans
# ----------------------------------------------------------------------

SURE = 4.3
"""Joint height of the lines over its standard deviation from which a scan may be lost: of 20,000
clean leaves about none reach it."""
LEAST_LINE = 0.0005
"""Reflectance; the shapes of leaves themselves stand up to 0.04 % high as lines where nearly no
noise hides them (of 6,000 model leaves), so that less is never a fault, whatever it moves."""
_LOST = 0.25
"""Standard deviations lost to a width and ratios of lines that are not the lamp's own."""
_NINE_IN_TEN = 1.28
"""90 % quantile of the standard normal distribution."""


def ambient_light(
    scans: Sequence[str],
    leak: Leak,
    limit: float,
    share: float,
    u: Floats | None,
    moved: IndexShifts | None = None,
) -> list[Flag]:
    """Flag the scans in which a fluorescent room lamp shows: a fault if it matters.

    Parameters
    ----------
    scans
        Ids, length ``n_scans``.
    leak
        What :func:`find_leak` saw in them.
    limit
        From :func:`threshold`.
    share
        Reflectance that room light may add and still be tolerated.
    u
        Combined standard uncertainty of reflectance at the tallest line, shape ``(n_scans,)``;
        ``None`` if unknown.
    moved
        Which index the lines move most in the scans where they were called; ``None`` if the
        uncertainty of the indices is unknown.

    Notes
    -----
    Lines that stand above chance are told; a scan is lost only by lines that chance does not make
    in one of many thousand scans (:data:`SURE`) and that either add more than is tolerated, and
    more than the uncertainty of reflectance there, or move an index in use by more than its own
    uncertainty. A very quiet scan shows a leak that moves nothing.
    """
    called = np.flatnonzero(leak.called)
    limits = tolerated_leak(leak.size[called], share, None if u is None else u[called], moved)
    limits = np.maximum(limits, min(share, LEAST_LINE))
    flags = []
    for row, i in enumerate(called.tolist()):
        at_nm, height = float(leak.wavelength_nm[i]), float(leak.height[i])
        tolerated = float(limits[row])
        fault = leak.size[i] > tolerated and leak.score[i] > max(limit, SURE)
        stands = f"{leak.score[i]:.1f} standard deviations above chance"
        if fault:
            effect = f"add about {100 * height:.2g} % reflectance near {at_nm:.0f} nm"
            if moved is not None and moved.ratio[row] > 1:
                effect += f"; {moved.words(row)}"
            sentence = (
                f"Room light reached the detector: {LAMPS[leak.lamp[i]].name} stand {stands} and "
                f"{effect} (tolerated {100 * tolerated:.2g} %). The clip was probably open."
            )
        else:
            sentence = (
                f"{LAMPS[leak.lamp[i]].name.capitalize()} of about {100 * leak.size[i]:.2g} % "
                f"reflectance near {at_nm:.0f} nm stand {stands}: little room light, or chance "
                f"(a fault from {100 * tolerated:.2g} % and {max(limit, SURE):g} standard "
                "deviations on)."
            )
        flags.append(
            Flag(
                scans[i],
                "ambient_light",
                "fault" if fault else "notice",
                float(leak.size[i]),
                tolerated,
                "1",
                sentence,
                at_nm,
            )
        )
    return flags


def smallest_leak(leak: Leak, limit: float) -> Floats:
    """Return per scan the leak (as reflectance, strongest line >= 500 nm) seen 9 times in 10.

    It is meant for the lamp that is hardest to see: of 1,000 simulated tri-band leaks of this size
    0.91 to 0.92 were seen on pixels of 0.35 and 1 nm, of mercury 0.99. On pixels of 2.5 nm, where
    the lines of a tri-band lamp run together, three in four.

    Parameters
    ----------
    leak
        What :func:`find_leak` saw.
    limit
        From :func:`threshold`.
    """
    return np.asarray((limit + _NINE_IN_TEN + _LOST) * leak.unit_leak)


# Ambient scans: size and kind of the light
# ----------------------------------------------------------------------
# An ambient scan is taken as a leaf scan is (leaf in the clip, the same place and hands), but with
# the lamp off. Above its dark stands what leaks in, of any lamp or of the sun, lines or none.

VISIBLE_NM = (400.0, 700.0)
MEAN_OVER_NM = 5.0
"""The largest share is a mean over so much: noise falls, no line is lost."""
BEYOND_NOISE = 5.0
"""Standard deviations that a share must stand above chance at its best place to be a leak."""
LAMP_ON = 0.2
"""A share of the white that no leak has: the lamp was on."""
_BLUE_DIODE_NM, _GAP_NM = (445.0, 465.0), (478.0, 492.0)
_DIODE_OVER_GAP = 1.3
"""Light of a white diode at its blue peak over that in the gap beside it; daylight has about 1."""
_PHOSPHOR_NM, _PHOSPHOR_WIDTH_NM = (492.0, 700.0), 60.0
"""The phosphor of a white diode is wider (80 to 180 nm in the LED illuminants of CIE 15:2018); a
green, amber or red diode is 15 to 40 nm wide (common practice, no source)."""
_LEAST_PHOSPHOR = 0.1
"""Light of the phosphor at its highest over that of the blue peak (project's own rule)."""
_SODIUM_NM, _BESIDE_SODIUM_NM = (582.0, 597.0), ((540.0, 560.0), (625.0, 650.0))
"""The D lines at 589.0 and 589.6 nm, broadened in a lamp of high pressure, and what lies beside."""
_SODIUM_OVER_BESIDE = 3.0
"""Light at the D lines over that beside them; daylight, filaments and diodes have about 1."""
_D_LINES_NM, _NEAR_D_NM, _LINE_WIDTH_NM = 589.3, 3.0, 10.0
"""The lines of a lamp of low pressure are as wide as the instrument shows a line, after a mean over
5 nm; an amber diode is 14 nm wide and more (common practice, no source)."""
_REVERSAL = 0.85
"""A lamp of high pressure takes its own light away at the D lines: what is left there, over the
lower of the two humps beside (project's own rule)."""
_LEAST_PEAK = 0.2
"""Peaks that stand less high above their feet than this share of the highest are not named."""
_WIDEST_PEAK_NM = 120.0
"""Light that is spread over more has no peak: daylight, a filament, a white diode's phosphor."""


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
    largest = np.where(above, mean, -np.inf) if above.any() else np.maximum(mean, 0) + noise
    k = int(np.argmax(largest))
    seen, at_nm = bool(above.any()), float(wavelength_nm[inside][k])
    light = _which_light(wavelength_nm[good], net_per_ms[good], share[good]) if seen else ""
    return AmbientScan(scan, share, u, float(largest[k]), at_nm, seen, light)


def _pixel_noise(net: Floats) -> float:
    """Return the pixel-to-pixel noise: second differences do not see smooth light."""
    bend = net[1:-1] - (net[:-2] + net[2:]) / 2
    return float(robust_sd(bend) / np.sqrt(1.5))


def _which_light(wavelength_nm: Floats, net: Floats, share: Floats) -> str:
    """Name the lamp whose spectrum fits; of any other light say where and how wide its peaks are.

    Parameters
    ----------
    wavelength_nm, net, share
        Usable pixels: axis (nm), counts per ms above dark, and as a share of the white.
    """
    if len(share) < 3:
        return "light without lines"
    if assessable(wavelength_nm) and bool(find_leak(wavelength_nm, share[None, :]).called[0]):
        return "lines of a fluorescent lamp"
    spacing = float(np.median(np.diff(wavelength_nm)))
    noise = _pixel_noise(net)
    n_mean = max(1, round(MEAN_OVER_NM / spacing))
    even = np.arange(wavelength_nm[0], wavelength_nm[-1], spacing)
    smooth = np.convolve(np.interp(even, wavelength_nm, net), np.ones(n_mean) / n_mean, "same")
    # A peak stands above its feet: the noise of a difference.
    peaks = _peaks(even, smooth, BEYOND_NOISE * noise * np.sqrt(2 / n_mean))
    if _is_sodium(wavelength_nm, net, noise) and (
        _is_narrow(peaks) or _is_reversed(even, smooth, noise / np.sqrt(n_mean))
    ):
        return "the yellow lines of a sodium lamp"
    if _is_white_diode(wavelength_nm, net, noise) and _has_phosphor(even, smooth):
        return "no lines but the blue peak and gap of a white LED"
    if not peaks or peaks[0][1] > _WIDEST_PEAK_NM:
        return "no lines, as daylight, a filament lamp or some LEDs"
    listed = [f"peak at {at_nm:.0f} nm, width {width:.0f} nm" for at_nm, width in peaks]
    return f"light of the room, {'; '.join(listed)}"


def _peaks(axis: Floats, smooth: Floats, least: float) -> list[tuple[float, float]]:
    """Return place and full width at half height (above its feet) of up to three peaks, nm.

    The highest first; none lower than ``least`` (counts per ms) or a fifth of the highest.
    """
    from scipy.signal import find_peaks, peak_widths

    least = max(least, _LEAST_PEAK * float(smooth.max()))
    places, _ = find_peaks(smooth, prominence=least)
    if not len(places):
        return []
    spacing = float(axis[1] - axis[0])
    widths = peak_widths(smooth, places, rel_height=0.5)[0] * spacing
    highest = np.argsort(-smooth[places], kind="stable")[:3]
    return [(float(axis[places[k]]), float(widths[k])) for k in highest]


def _is_sodium(wavelength_nm: Floats, net: Floats, noise: float) -> bool:
    """Return whether most of the light stands at the D lines of sodium."""
    line, *beside = _parts(wavelength_nm, net, _SODIUM_NM, *_BESIDE_SODIUM_NM)
    if not len(line) or not any(len(part) for part in beside):
        return False
    return _stands_over(line, np.concatenate(beside), _SODIUM_OVER_BESIDE, noise)


def _parts(axis: Floats, values: Floats, *ends_nm: tuple[float, float]) -> list[Floats]:
    return [values[(axis >= first) & (axis <= last)] for first, last in ends_nm]


def _stands_over(peak: Floats, beside: Floats, times: float, noise: float) -> bool:
    """Return whether the mean of a peak is so many times that beside it, beyond noise."""
    over = float(peak.mean()) - times * max(float(beside.mean()), 0.0)
    return bool(over > BEYOND_NOISE * noise * np.sqrt(1 / len(peak) + times**2 / len(beside)))


def _is_narrow(peaks: Sequence[tuple[float, float]]) -> bool:
    """Return whether the highest peak is a line at the D lines: a lamp of low pressure."""
    return any(
        abs(at_nm - _D_LINES_NM) <= _NEAR_D_NM and width < _LINE_WIDTH_NM
        for at_nm, width in peaks[:1]
    )


def _is_reversed(axis: Floats, smooth: Floats, noise: float) -> bool:
    """Return whether light is missing at the D lines between two humps: a lamp of high pressure."""
    first, last = _SODIUM_NM
    here, below, above = _parts(
        axis,
        smooth,
        (_D_LINES_NM - _NEAR_D_NM, _D_LINES_NM + _NEAR_D_NM),
        (first, _D_LINES_NM - _NEAR_D_NM),
        (_D_LINES_NM + _NEAR_D_NM, last),
    )
    if not min(len(here), len(below), len(above)):
        return False
    hump, dip = float(min(below.max(), above.max())), float(here.min())
    return dip < _REVERSAL * hump and hump - dip > BEYOND_NOISE * noise * np.sqrt(2)


def _is_white_diode(wavelength_nm: Floats, net: Floats, noise: float) -> bool:
    """Return whether a blue diode's peak stands over the gap between it and a phosphor."""
    peak, gap = _parts(wavelength_nm, net, _BLUE_DIODE_NM, _GAP_NM)
    return bool(len(peak) and len(gap)) and _stands_over(peak, gap, _DIODE_OVER_GAP, noise)


def _has_phosphor(axis: Floats, smooth: Floats) -> bool:
    """Return whether the light beyond the gap is one broad hump, not a diode's peak or nothing."""
    (blue,) = _parts(axis, smooth, _BLUE_DIODE_NM)
    inside = np.flatnonzero((axis >= _PHOSPHOR_NM[0]) & (axis <= _PHOSPHOR_NM[1]))
    if not len(inside):
        return False
    hump = smooth[inside]
    top = int(np.argmax(hump))
    low = np.flatnonzero(hump < hump[top] / 2)
    ends = np.r_[-1, low, len(hump)]
    after = int(np.searchsorted(ends, top))
    width = (ends[after] - ends[after - 1] - 1) * float(axis[1] - axis[0])
    return bool(width >= _PHOSPHOR_WIDTH_NM and hump[top] >= _LEAST_PHOSPHOR * blue.max())


def ambient_rows(ambients: Sequence[AmbientScan], limit: float) -> list[Flag]:
    """Tabulate every ambient scan: a fault above the limit, a notice below it.

    Parameters
    ----------
    ambients
        From :func:`ambient_share`.
    limit
        Share of the white that is tolerated.
    """
    flags = []
    for ambient in ambients:
        over = ambient.seen and ambient.largest > limit
        flags.append(
            Flag(
                ambient.scan,
                "ambient_scan",
                "fault" if over else "notice",
                ambient.largest,
                limit,
                "1",
                _sentence(ambient, limit, over=over),
                ambient.at_nm,
            )
        )
    return flags


def _sentence(ambient: AmbientScan, limit: float, *, over: bool) -> str:
    if not ambient.seen:
        return (
            "With the lamp off nothing stands above the noise in 400-700 nm; a leak of "
            f"{100 * ambient.largest:.2g} % of the white near {ambient.at_nm:.0f} nm could hide in "
            "it."
        )
    size = (
        f"With the lamp off the detector still sees up to {100 * ambient.largest:.2g} % of the "
        f"white (near {ambient.at_nm:.0f} nm; tolerated {100 * limit:.2g} %)"
    )
    if ambient.largest > LAMP_ON:
        return f"{size}: more than any leak, so the lamp was probably on during this scan."
    text = f"{size}: {ambient.light}."
    if over:
        text += " Leaves measured like this one are read too high by so much: shade the clip."
    return text


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
            ambient.largest,
            limit,
            "1",
            f"The ambient scan {ambient.scan} of this session shows a leak of up to "
            f"{100 * ambient.largest:.2g} % of the white ({ambient.light}): if the clip sat as "
            "it did there, this leaf is read too high by so much.",
            ambient.at_nm,
        )
        for scan, ambient in zip(scans, nearest, strict=True)
        if ambient.seen and limit < ambient.largest <= LAMP_ON
    ]


# Light of an ambient scan in the leaf scans
# ----------------------------------------------------------------------
# Lines need no template. Light of an LED or of the day is smooth, and a leaf is smooth too: only
# the scans of a session held against each other, with the leak's own spectrum known, can show it.

FIT_NM = (420.0, 700.0)
"""Where leaves are dark and a leak is large beside them."""
FIT_Z = 8.0
"""Robust standard deviations of the amounts of the session's own leaves."""
LEAST_LEAK = 0.01
"""Reflectance; less is not told from the differences of leaves."""
FEWEST_SCANS = 30
_N_LEAF_SHAPES = 5
_BENT = (0, 1)
"""Shapes whose squares count too: pale leaves do not follow a straight line."""
_MEAN_OVER_NM = 4.0


def leak_amounts(
    wavelength_nm: Floats, reflectance: Floats, template: Floats, usable: NDArray[np.bool_]
) -> Residuals | None:
    """Fit the ambient light into every leaf scan by least squares.

    Parameters
    ----------
    wavelength_nm, usable
        Axis (nm), and where the white had signal, shape ``(n_wavelengths,)``.
    reflectance
        Leaf scans of a session, shape ``(n_scans, n_wavelengths)``.
    template
        Share of the white that the ambient scan saw, shape ``(n_wavelengths,)``.

    Returns
    -------
    Residuals or None
        Amount of the ambient light in each scan, in units of the ambient scan and against the
        other leaves; ``None`` with fewer than 30 scans or without the axis.

    Notes
    -----
    1. Amount a = (x t) / (t t) of the template t in the scan x, by least squares.
    2. Scores of x - a t on the principal components of all scans without the template: they
       describe the leaf and not the leak.
    3. Robust regression of a on the scores (:func:`residuals`); the residual is the leak.

    A leak that all leaves of the session share does not show here: the ambient scan shows it.
    """
    inside = usable & (wavelength_nm >= FIT_NM[0]) & (wavelength_nm <= FIT_NM[1])
    spacing = float(np.median(np.diff(wavelength_nm)))
    n_means = int(inside.sum()) // max(1, round(_MEAN_OVER_NM / spacing))
    if len(reflectance) < FEWEST_SCANS or n_means < 4 * _N_LEAF_SHAPES:
        return None
    leaves = _means(reflectance[:, inside], n_means)
    leak = _means(template[None, inside], n_means)[0]
    size = float(leak @ leak)
    if size <= 0:
        return None
    # 1
    amount = leaves @ leak / size
    # 2
    without = leaves - np.outer(amount, leak)
    without = without - np.median(without, axis=0)
    shapes = np.linalg.svd(without, full_matrices=False)[2][:_N_LEAF_SHAPES]
    # 3
    return residuals(amount, without @ shapes.T, _BENT)


def _means(spectra: Floats, n_means: int) -> Floats:
    parts = np.array_split(np.arange(spectra.shape[1]), n_means)
    return np.column_stack([spectra[:, part].mean(axis=1) for part in parts])


def leaks_like(
    scans: Sequence[str],
    amounts: Residuals,
    name: str,
    largest: float,
    at_nm: float,
    limit: float,
    light: str,
    u: Floats | None = None,
    moved: IndexShifts | None = None,
) -> list[Flag]:
    """Flag leaf scans with more of the ambient light than the leaves around them (a fault).

    Parameters
    ----------
    scans
        Leaf scans, length ``n_scans``.
    amounts
        From :func:`leak_amounts`.
    name, largest, at_nm, light
        The ambient scan: id, its largest share of the white, where, and its light in words.
    limit
        Share of the white that is tolerated.
    u
        Combined standard uncertainty of reflectance at ``at_nm``, shape ``(n_scans,)``; ``None``
        if unknown.
    moved
        Which index the light moves most in each scan; ``None`` if not known.
    """
    share, z = amounts.left * largest, amounts.left / amounts.scale
    tolerated = np.maximum(tolerated_leak(share, limit, u, moved), LEAST_LEAK)
    over = amounts.reliable & (share > tolerated) & (z > FIT_Z)
    return [
        Flag(
            scans[i],
            "ambient_light",
            "fault",
            float(share[i]),
            float(tolerated[i]),
            "1",
            f"Light like that of the ambient scan {name} ({light}) reached the detector: it adds "
            f"{100 * share[i]:.2g} % reflectance near {at_nm:.0f} nm to this leaf, "
            f"{z[i]:.1f} standard deviations above the other leaves of the session"
            + (f"; {moved.words(i)}" if moved is not None and moved.ratio[i] > 1 else "")
            + ". The clip was probably open.",
            at_nm,
        )
        for i in np.flatnonzero(over).tolist()
    ]
