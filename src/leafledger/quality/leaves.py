"""Is each leaf scan a usable measurement of a leaf?

It has signal above its noise, as many counts as the other leaf scans, reflectance between 0 and 1
within its uncertainty, and a red edge. Constants without a source are common practice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.darks import dark_for
from leafledger.quality.flags import Findings, Flag
from leafledger.quality.replicates import log_bands, replicate
from leafledger.quality.room_light import lamp_lines
from leafledger.quality.session import Session, combined_uncertainty, usable_pixels

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
    known = combined_uncertainty(session.leaves, session.reflectance_file)
    u_scan, u = known if known is not None else (None, None)
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
        findings += lamp_lines(session, known, usable, float(checks["ambient_share"]))
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
        known = float(ms) if ms >= 0 else np.nan
        level[leaf_ms == ms] -= dark_for(known, dark, times[darks], len(bright)).mean()
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
