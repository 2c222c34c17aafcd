"""Is each leaf scan a usable measurement of a leaf, and did the clip or the fibre move?

It has signal above its noise, as many counts as the other leaf scans, reflectance between 0 and 1
within its uncertainty, and a red edge. Constants without a source are common practice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.reference_checks import on_faulty_whites
from leafledger.quality.replicates import log_bands, replicate
from leafledger.quality.room_light import lamp_lines
from leafledger.quality.session import (
    Findings,
    Flag,
    Session,
    combined_uncertainty,
    dark_for,
    usable_pixels,
)
from leafledger.records.record import Metric
from leafledger.resampling.intervals import Residuals, residuals, robust_sd

# Scans without enough light, without a leaf, or with an impossible reflectance
# ----------------------------------------------------------------------

Floats = NDArray[np.float64]


def check_leaves(session: Session, checks: Mapping[str, Any], signal: Floats | None) -> Findings:
    """Check the reflectance of every leaf scan by itself.

    Parameters
    ----------
    session
        The session.
    checks
        Settings ``quality.checks``.
    signal
        Signal-to-noise of the white on the axis of the reflectance, shape ``(n_wavelengths,)``;
        ``None`` if unknown.

    Returns
    -------
    Findings
        With the smallest room light that could be seen.
    """
    if not session.leaf_ids:
        return Findings()
    ids, axis = session.leaf_ids, session.leaves.wavelength_nm
    values = session.leaves.spectra["reflectance"]
    uncertainty = combined_uncertainty(session.leaves, session.reflectance_file)
    u_scan, u = uncertainty if uncertainty is not None else (None, None)
    usable = usable_pixels(signal, len(axis))
    flags = no_leaf(ids, axis, values)
    findings = Findings(flags)
    if u_scan is not None:
        flags += low_signal(ids, axis, values, u_scan, float(checks["low_signal_to_noise"]))
    else:
        findings.warnings.append(
            "The signal of the leaves is not judged: their uncertainty is unknown."
        )
    if session.in_counts:
        weak = {flag.scan for flag in flags if flag.check == "low_signal"}
        flags += [flag for flag in _less_exposed(session) if flag.scan not in weak]
    flags += impossible_reflectance(ids, axis, values, u, usable)
    if checks["lamp_lines"]:
        findings += lamp_lines(session, uncertainty, usable, float(checks["ambient_share"]))
    return findings


def _less_exposed(session: Session) -> list[Flag]:
    """Compare the counts of the leaf scans above their dark, where leaves give most."""
    leaves = session.of_role("sample")
    darks = session.of_role("dark")
    if len(leaves) < FEWEST_EXPOSED or not len(darks):
        return []
    typical = np.median(session.raw[leaves[:: max(1, len(leaves) // 200)]], axis=0)
    bright = np.argsort(typical, kind="stable")[-max(1, len(typical) // 10) :]
    dark, times = session.raw[np.ix_(darks, bright)], session.integration_ms
    # Leaf by leaf: a copy of all bright pixels would be half as large as the session.
    level = np.array([session.raw[leaf, bright].mean() for leaf in leaves])
    leaf_ms = np.nan_to_num(times[leaves], nan=-1.0)
    for ms in np.unique(leaf_ms):
        time_ms = float(ms) if ms >= 0 else np.nan
        level[leaf_ms == ms] -= dark_for(time_ms, dark, times[darks], len(bright)).mean()
    return less_exposed([session.ids[i] for i in leaves], level)


def check_replicates(
    session: Session,
    places: Mapping[str, tuple[str, str]],
    faulty: set[str],
    signal: Floats | None,
    limit: float,
) -> list[Flag]:
    """Compare the leaf scans without a fault with the others of their leaf and unit.

    Parameters
    ----------
    session, signal
        As in :func:`check_leaves`.
    places
        Scan -> (unit, leaf); without a leaf id a scan is a leaf of its own, as in the unit means.
    faulty
        Scans with a fault.
    limit
        Robust distance from which a scan stands apart.
    """
    ids, axis = session.leaf_ids, session.leaves.wavelength_nm
    keep = [i for i, scan in enumerate(ids) if scan not in faulty and scan in places]
    usable = usable_pixels(signal, len(axis))
    if not keep or not usable.any():
        return []
    bands = log_bands(axis, session.leaves.spectra["reflectance"][keep], usable)
    leaf_of = {scan: (unit, leaf or scan) for scan, (unit, leaf) in places.items()}
    return replicate([ids[i] for i in keep], leaf_of, bands, limit)


# Single checks of a leaf scan: signal, possible values, red edge
# ----------------------------------------------------------------------

BEYOND_U = 3.0
"""Standard uncertainties beyond 0 or 1 that are not noise any more."""
CONTIGUOUS_NM = 5.0
"""Narrower than this it is noise or a hot pixel, not a reference that does not fit."""
PLAIN_LOWEST, PLAIN_HIGHEST = -0.02, 1.2
"""Limits of possible reflectance where the uncertainty is not known."""
SIGNAL_NM = (550.0, 750.0)
NEAR_INFRARED_NM = (750.0, 800.0)
RED_NM = (665.0, 685.0)
"""Around the absorption of chlorophyll in a leaf at about 675 nm (common practice, no source)."""
LEAST_RED_EDGE = 0.10
"""Any green or yellowing leaf is above it; panel, paper and an empty clip are not."""
_PANEL = 0.8
"""No leaf reflects so much at 675 nm (common practice, no source)."""
LEAST_EXPOSURE = 0.1
"""Leaves differ by far less than tenfold where they reflect most (common practice, no source)."""
FEWEST_EXPOSED = 4
"""Fewer leaf scans do not tell what is usual."""
LEAST_NEAR_INFRARED = 0.05
"""A leaf reflects more than this at 750-800 nm (common practice, no source)."""


def low_signal(
    scans: Sequence[str],
    wavelength_nm: Floats,
    reflectance: Floats,
    u_scan: Floats,
    least: float,
) -> list[Flag]:
    """Flag scans whose signal-to-noise in 550-750 nm is too low (a fault).

    Parameters
    ----------
    scans, wavelength_nm
        Ids; axis (nm), shape ``(n_wavelengths,)``.
    reflectance, u_scan
        Values and their standard uncertainty, shape ``(n_scans, n_wavelengths)``.
    least
        Ratio that is wanted: the median of reflectance / u_scan over 550-750 nm, or over the
        middle half of an axis that does not reach there.
    """
    inside = _within(wavelength_nm, SIGNAL_NM)
    if inside.sum() < 3:
        quarter = len(wavelength_nm) // 4
        inside = np.zeros(len(wavelength_nm), dtype=bool)
        inside[quarter : len(wavelength_nm) - quarter] = True
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.array(
            [np.median(v[inside] / u[inside]) for v, u in zip(reflectance, u_scan, strict=True)]
        )
    first, last = wavelength_nm[inside][[0, -1]]
    return [
        Flag(
            scans[i],
            "low_signal",
            "fault",
            float(ratio[i]),
            least,
            "1",
            f"Signal is only {ratio[i]:.3g} times its noise from {first:.0f} to {last:.0f} nm "
            f"(at least {least:g} wanted): the lamp was weak or off, or the integration time too "
            "short.",
            float((first + last) / 2),
        )
        for i in np.flatnonzero(ratio < least).tolist()
    ]


def _within(wavelength_nm: Floats, ends_nm: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((wavelength_nm >= ends_nm[0]) & (wavelength_nm <= ends_nm[1]), dtype=bool)


def less_exposed(scans: Sequence[str], level: Floats) -> list[Flag]:
    """Flag scans with far fewer counts than the leaf scans of the session have (an outlier).

    Such a scan may still be above the signal-to-noise that is asked for, and of the right
    reflectance if a short integration time made it: it is noisier than the others by far, and
    rests on a dark that is as large as itself.

    Parameters
    ----------
    scans
        Ids of the leaf scans.
    level
        Counts above dark where leaves give most, shape ``(n_scans,)``.
    """
    usual = float(np.median(level))
    if usual <= 0:
        return []
    return [
        Flag(
            scans[i],
            "low_signal",
            "outlier",
            float(level[i]) / usual,
            LEAST_EXPOSURE,
            "1",
            f"It holds {100 * level[i] / usual:.2g} % of the counts that leaf scans of this "
            f"session usually have (at least {100 * LEAST_EXPOSURE:g} % wanted): the integration "
            "time was too short, the shutter or the lamp failed, or the clip was open.",
        )
        for i in np.flatnonzero(level < LEAST_EXPOSURE * usual).tolist()
    ]


def impossible_reflectance(
    scans: Sequence[str],
    wavelength_nm: Floats,
    reflectance: Floats,
    u: Floats | None,
    usable: NDArray[np.bool_],
) -> list[Flag]:
    """Flag reflectance below 0 or above 1 that its uncertainty does not explain (a fault).

    Parameters
    ----------
    scans, wavelength_nm, reflectance
        Ids; axis (nm); values, shape ``(n_scans, n_wavelengths)``.
    u
        Combined standard uncertainty, same shape; ``None`` if unknown, then the plain limits
        -0.02 and 1.2 are used.
    usable
        Wavelengths at which the white had signal, shape ``(n_wavelengths,)``.
    """
    if u is None:
        limit, words = 0.0, f"outside {PLAIN_LOWEST} to {PLAIN_HIGHEST}"
    else:
        limit, words = BEYOND_U, f"outside 0 to 1 by more than {BEYOND_U:g} standard uncertainties"
    flags = []
    for word in ("below 0", "above 1"):
        # Each scan by itself: a table of all ratios would be as large as the session.
        for i, values in enumerate(reflectance):
            beyond = _beyond(values, None if u is None else u[i], word == "below 0")
            bad = (beyond > limit) & usable
            run = _longest_run(bad, wavelength_nm) if bad.any() else None
            if run is None:
                continue
            worst = run[int(np.argmax(beyond[run]))]
            flags.append(
                Flag(
                    scans[i],
                    "impossible_reflectance",
                    "fault",
                    float(beyond[worst]),
                    limit,
                    "1",
                    f"Reflectance is {words} ({word}) over {wavelength_nm[run[0]]:.0f}-"
                    f"{wavelength_nm[run[-1]]:.0f} nm: {reflectance[i, worst]:.3f} at "
                    f"{wavelength_nm[worst]:.0f} nm.",
                    float(wavelength_nm[worst]),
                )
            )
    return flags


def _longest_run(bad: NDArray[np.bool_], wavelength_nm: Floats) -> NDArray[np.intp] | None:
    """Return the indices of the widest run, if it covers at least 5 nm."""
    pixels = np.flatnonzero(bad)
    runs = np.split(pixels, np.flatnonzero(np.diff(pixels) > 1) + 1)
    spacing = float(np.median(np.diff(wavelength_nm)))
    width = [wavelength_nm[run[-1]] - wavelength_nm[run[0]] + spacing for run in runs]
    widest = int(np.argmax(width))
    return runs[widest] if width[widest] >= CONTIGUOUS_NM else None


def _beyond(values: Floats, u: Floats | None, below: bool) -> Floats:
    """Return how far reflectance lies beyond its limit, in uncertainties where they are known."""
    if u is None:
        return PLAIN_LOWEST - values if below else values - PLAIN_HIGHEST
    floor = np.maximum(u, 1e-9)
    return np.asarray(-values / floor if below else (values - 1) / floor, dtype=np.float64)


def no_leaf(scans: Sequence[str], wavelength_nm: Floats, reflectance: Floats) -> list[Flag]:
    """Flag spectra without a red edge: panel, background or nothing in the clip (a fault).

    The red edge is (infrared - red) / (infrared + red), the means at 750-800 nm and 665-685 nm. An
    albino or straw-dry leaf may stay below 0.1: decide `keep` for those. Returns nothing if the
    axis does not reach both bands.

    Parameters
    ----------
    scans, wavelength_nm, reflectance
        Ids; axis (nm); values, shape ``(n_scans, n_wavelengths)``.
    """
    near, deep = _within(wavelength_nm, NEAR_INFRARED_NM), _within(wavelength_nm, RED_NM)
    if not near.any() or not deep.any():
        return []
    infrared, red = reflectance[:, near].mean(axis=1), reflectance[:, deep].mean(axis=1)
    edge = (infrared - red) / np.maximum(np.abs(infrared) + np.abs(red), 1e-9)
    flags = []
    for i in np.flatnonzero((edge < LEAST_RED_EDGE) | (infrared < LEAST_NEAR_INFRARED)).tolist():
        dark = infrared[i] < LEAST_NEAR_INFRARED
        flags.append(
            Flag(
                scans[i],
                "no_leaf",
                "fault",
                float(infrared[i] if dark else edge[i]),
                LEAST_NEAR_INFRARED if dark else LEAST_RED_EDGE,
                "1",
                f"No leaf: reflectance is {red[i]:.3f} at 675 nm and {infrared[i]:.3f} at "
                f"750-800 nm, {_instead(float(red[i]), float(infrared[i]))}",
                720.0,
            )
        )
    return flags


def _instead(red: float, infrared: float) -> str:
    """Say what was measured in place of a leaf."""
    if infrared < LEAST_NEAR_INFRARED:
        return "so hardly any light came back: the clip was empty, or the lamp was off."
    if min(red, infrared) > _PANEL:
        return "as bright as a panel in both: no red edge, so the white was measured again."
    return "so there is no red edge: background, paper or nothing green was in the clip."


# Clip or fibre moved, for one scan or from one scan on
# ----------------------------------------------------------------------
# A clip that slips adds the same to all wavelengths. Pigments cannot do that: what a leaf reflects
# where chlorophyll absorbs most (the floors at 450-480 and 670-680 nm) follows from how far its
# spectrum rises between the floors, and a constant does not change those rises. The floor is
# predicted from the rises by a robust regression over the leaves of the session. The residual is
# the offset of a scan. Steps of the offset, or of the near infrared, show what moved and stayed
# moved.

_DARKEST = 0.005
"""Reflectance below this is noise; its logarithm would drown the rest."""


def check_clip(
    session: Session,
    places: Mapping[str, tuple[str, str]],
    signal: Floats | None,
    earlier_flags: Sequence[Flag],
) -> Findings:
    """Look for scans, and runs of scans, that are lifted, lowered or dimmed as a whole.

    Parameters
    ----------
    session
        The session.
    places
        Scan -> (unit, leaf).
    signal
        Signal-to-noise of the white on the axis of the reflectance; ``None`` if unknown.
    earlier_flags
        Flags so far: a scan with a fault of its own, or on a white at fault, is not explained a
        second time.

    Returns
    -------
    Findings
        With how many scans have a reliable prediction, and the spread of the offsets.
    """
    ids, axis = session.leaf_ids, session.leaves.wavelength_nm
    values = session.leaves.spectra["reflectance"]
    usable = usable_pixels(signal, len(axis))
    already = {flag.scan for flag in earlier_flags if flag.severity == "fault"}
    already |= on_faulty_whites(session, earlier_flags)
    keep = np.array([scan not in already for scan in ids], dtype=bool)
    offsets = baseline_offset(axis, values[keep], usable)
    n_compared = 0 if offsets is None else int(offsets.reliable.sum())
    metrics = [Metric("n_scans_baseline_judged", float(n_compared))]
    flags: list[Flag] = []
    series: dict[str, Floats] = {}
    sound = [scan for scan, kept in zip(ids, keep, strict=True) if kept]
    if offsets is not None:
        metrics.append(Metric("baseline_offset_sd", offsets.scale))
        flags = clip_moved(sound, offsets)
        series["offset"] = offsets.left
    plateau = usable & (axis >= PLATEAU_NM[0]) & (axis <= PLATEAU_NM[1])
    if plateau.any() and sound:
        level = values[keep][:, plateau].mean(axis=1)
        series["gain"] = np.log(np.maximum(level, _DARKEST))
    moved = {flag.scan for flag in flags}
    if np.isnan(session.seconds).any():
        # The order of a sheet without times is not that of measuring: it has no steps.
        return Findings(flags, metrics=metrics)
    times = _times(session, sound)
    order = [k for k in np.argsort(times, kind="stable").tolist() if sound[k] not in moved]
    names = [sound[k] for k in order]
    units = [places.get(name, (name, ""))[0] for name in names]
    whites = _times(session, [session.ids[i] for i in session.of_role("white")])
    measured = times[order]
    before = sorted({int((measured < white).sum()) for white in whites})
    for kind, values_of in series.items():
        flags += clip_steps(names, units, values_of[order], before, kind)
    return Findings(flags, metrics=metrics)


def _times(session: Session, names: Sequence[str]) -> Floats:
    """Return when scans were measured, s."""
    index_of = {scan: k for k, scan in enumerate(session.ids)}
    return np.array([session.seconds[index_of[name]] for name in names], dtype=np.float64)


# One scan lifted or lowered against the other leaves of the session
# ----------------------------------------------------------------------

OFFSET_Z = 5.5
"""Robust standard deviations of the session's own offsets; clean leaves are called about never."""
LEAST_OFFSET = 0.015
"""Reflectance; less moves few indices, and clips that are closed anew differ by some 0.002."""
FEWEST_SCANS = 30
"""Leaves of a session needed to predict the floor from the rises."""
_WINDOWS_NM = (
    (450.0, 480.0), (495.0, 510.0), (540.0, 560.0), (600.0, 620.0),
    (670.0, 680.0), (700.0, 710.0), (760.0, 800.0),
)  # fmt: skip
_FLOORS = (0, 4)
_BENT = (3, 4)
"""Rises beside the red floor, whose squares count too: pale leaves do not follow a straight line.
"""


def baseline_offset(
    wavelength_nm: Floats, reflectance: Floats, usable: NDArray[np.bool_]
) -> Residuals | None:
    """Return the offset of every leaf scan of a session.

    Parameters
    ----------
    wavelength_nm, usable
        Axis (nm), and where the white had signal, shape ``(n_wavelengths,)``.
    reflectance
        Leaf scans of one session, shape ``(n_scans, n_wavelengths)``.

    Returns
    -------
    Residuals or None
        Reflectance added to all wavelengths, against the prediction from its rises; ``None``
        with fewer than 30 scans, or an axis that misses one of the seven windows.

    Notes
    -----
    The mean of the two floors is regressed on the six rises from window to window, and with 48
    scans or more on two of their squares too
    (:func:`leafledger.resampling.intervals.residuals`).

    References
    ----------
    Saturated absorption of chlorophyll near 470 and 675 nm: common practice, no source.
    """
    windows = [usable & (wavelength_nm >= a) & (wavelength_nm <= b) for a, b in _WINDOWS_NM]
    if len(reflectance) < FEWEST_SCANS or not all(w.any() for w in windows):
        return None
    means = np.column_stack([reflectance[:, w].mean(axis=1) for w in windows])
    return residuals(means[:, _FLOORS].mean(axis=1), np.diff(means, axis=1), _BENT)


def clip_moved(scans: Sequence[str], offsets: Residuals) -> list[Flag]:
    """Flag scans whose whole spectrum is lifted or lowered (an outlier).

    What is expected comes from the other leaves of the session. A leaf may be unlike them, so that
    this suggests and never excludes by itself.

    Parameters
    ----------
    scans
        Ids, length ``n_scans``.
    offsets
        From :func:`baseline_offset`.
    """
    flags, limit = [], offset_limit(offsets)
    over = offsets.reliable & (np.abs(offsets.left) > limit)
    for i in np.flatnonzero(over).tolist():
        offset = float(offsets.left[i])
        word, cause = ("above", "light without lines leaked in") if offset > 0 else (
            "below", "the leaf did not fill the clip"
        )  # fmt: skip
        flags.append(
            Flag(
                scans[i],
                "clip_moved",
                "outlier",
                abs(offset),
                limit,
                "1",
                f"The whole spectrum lies {abs(offset):.3f} reflectance {word} what its own shape "
                f"makes expect from the other leaves of the session (tolerance "
                f"{limit:.3f}): the clip or the fibre moved, or {cause}. "
                "Measure this leaf again.",
            )
        )
    return flags


def offset_limit(offsets: Residuals) -> float:
    """Return the offset (reflectance) from which the clip is said to have moved."""
    return max(LEAST_OFFSET, OFFSET_Z * offsets.scale)


# A jump that lasts from one scan to the next white or the end
# ----------------------------------------------------------------------

STEP_Z = 5.0
"""Standard deviations of a jump over all places it may have; clean sessions do not reach it."""
LEAST_OFFSET_STEP = 0.006
"""A third of what is asked of one scan: many scans say it together."""
LEAST_GAIN_STEP = 0.05
"""Share of the near infrared; leaves of one session differ by less from half to half."""
_FEWEST = 3
"""Groups (of scans of one unit) on either side."""
PLATEAU_NM = (760.0, 850.0)
"""Where a leaf's reflectance depends on its structure alone (common practice, no source)."""


@dataclass(frozen=True)
class Step:
    """A jump of a series.

    Attributes
    ----------
    first, stop
        Groups ``first`` to ``stop - 1`` are shifted.
    size
        By how much, in the unit of the series.
    z
        Over its standard deviation.
    """

    first: int
    stop: int
    size: float
    z: float


def clip_steps(
    scans: Sequence[str],
    groups: Sequence[str],
    series: Floats,
    whites_before: Sequence[int],
    kind: str,
) -> list[Flag]:
    """Tell of a jump of the level, on every scan it touches (a notice).

    Parameters
    ----------
    scans, groups
        Leaf scans in the order of measuring, and the unit of each: scans of a unit are not
        independent; while they follow each other their median stands for them, so that one odd
        leaf moves nothing.
    series
        Offset (reflectance) or logarithm of the near infrared, shape ``(n_scans,)``.
    whites_before
        How many leaf scans were measured before each block of whites.
    kind
        ``offset`` or ``gain``.
    """
    start = [0, *(i for i in range(1, len(scans)) if groups[i] != groups[i - 1])]
    bounds = [*start, len(scans)]
    levels = np.array([np.median(series[a:b]) for a, b in pairwise(bounds)])
    ends = {int(np.searchsorted(start, w)) for w in whites_before if 0 < w < len(scans)}
    step = find_step(levels, sorted(ends))
    least = LEAST_OFFSET_STEP if kind == "offset" else np.log1p(LEAST_GAIN_STEP)
    if step is None or step.z <= STEP_Z or abs(step.size) <= least:
        return []
    first, stop = bounds[step.first], bounds[step.stop]
    change = _step_words(kind, step.size)
    return [
        Flag(
            scan,
            "clip_moved",
            "notice",
            step.z,
            STEP_Z,
            "1",
            f"From {scans[first]} to {scans[stop - 1]} {change} ({step.z:.1f} standard "
            "deviations). The clip or the fibre may have moved there, or other plants begin there: "
            "look at the order of measuring.",
        )
        for scan in scans[first:stop]
    ]


def find_step(values: Floats, ends: Sequence[int]) -> Step | None:
    """Return the largest jump of a series that lasts to one of the given ends.

    Parameters
    ----------
    values
        One per group in the order of measuring, shape ``(n_groups,)``.
    ends
        Places at which a jump may end (the next references; the end of the session).

    Returns
    -------
    Step or None
        ``None`` if the series is too short to have one.

    Examples
    --------
    >>> series = np.array([0.1, -0.1, 0.0, 0.1, -0.1, 5.1, 4.9, 5.0, 5.1])
    >>> step = find_step(series, [9])
    >>> step.first, step.stop, round(step.size, 2)
    (5, 9, 5.03)
    """
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values)])
    best: Step | None = None
    for stop in sorted({*ends, n}):
        first = np.arange(1, stop - _FEWEST + 1)
        inside = stop - first
        first, inside = first[n - inside >= _FEWEST], inside[n - inside >= _FEWEST]
        if not len(first):
            continue
        sums = total[stop] - total[first]
        size = sums / inside - (total[n] - sums) / (n - inside)
        z = np.abs(size) * np.sqrt(inside * (n - inside) / n)
        k = int(np.argmax(z))
        if best is None or z[k] > best.z:
            best = Step(int(first[k]), stop, float(size[k]), float(z[k]))
    if best is None:
        return None
    shifted = np.zeros(n)
    shifted[best.first : best.stop] = 1.0
    residual = values - best.size * shifted
    # The scale of what is left: a step must not widen the measure it is held against.
    scale = max(float(robust_sd(residual)), float(np.std(residual)) / 2, 1e-9)
    return Step(best.first, best.stop, best.size, best.z / scale)


def _step_words(kind: str, size: float) -> str:
    if kind == "offset":
        word = "above" if size > 0 else "below"
        return f"all spectra lie {abs(size):.3f} reflectance {word} those of the other scans"
    share = np.expm1(size)
    word = "more" if share > 0 else "less"
    return (
        f"the leaves reflect {100 * abs(share):.2g} % {word} in the near infrared than the others"
    )
