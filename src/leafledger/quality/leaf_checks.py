"""All checks of the reflectance of the leaves: red edge, signal, possible values, room light."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.darks import dark_for
from leafledger.quality.flags import Flag
from leafledger.quality.leaf_signal import (
    FEWEST_EXPOSED,
    impossible_reflectance,
    less_exposed,
    low_signal,
    no_leaf,
)
from leafledger.quality.replicates import log_bands, replicate
from leafledger.quality.room_light import lamp_lines
from leafledger.quality.session import Session, combined_uncertainty
from leafledger.quality.white_signal import usable_pixels
from leafledger.records.record import Outcome

Floats = NDArray[np.float64]


def check_leaves(
    session: Session, checks: Mapping[str, Any], signal: Floats | None, outcome: Outcome
) -> list[Flag]:
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
    outcome
        Gets the warnings, and the smallest room light that could be seen.
    """
    if not session.leaf_ids:
        return []
    ids, axis = session.leaf_ids, session.leaves.wavelength_nm
    values = session.leaves.spectra["reflectance"]
    known = combined_uncertainty(session.leaves)
    u_scan, u = known if known is not None else (None, None)
    usable = usable_pixels(signal, len(axis))
    flags = no_leaf(ids, axis, values)
    if u_scan is not None:
        flags += low_signal(ids, axis, values, u_scan, float(checks["low_signal_to_noise"]))
    else:
        outcome.warnings.append(
            "The signal of the leaves is not judged: their uncertainty is unknown."
        )
    if session.in_counts:
        weak = {flag.scan for flag in flags if flag.check == "low_signal"}
        flags += [flag for flag in _less_exposed(session) if flag.scan not in weak]
    flags += impossible_reflectance(ids, axis, values, u, usable)
    if checks["lamp_lines"]:
        flags += lamp_lines(session, known, usable, float(checks["ambient_share"]), outcome)
    return flags


def _less_exposed(session: Session) -> list[Flag]:
    """Compare the counts of the leaf scans above their dark, where leaves give most."""
    at = session.of_role("sample")
    darks = session.of_role("dark")
    if len(at) < FEWEST_EXPOSED or not len(darks):
        return []
    typical = np.median(session.raw[at[:: max(1, len(at) // 200)]], axis=0)
    bright = np.argsort(typical, kind="stable")[-max(1, len(typical) // 10) :]
    dark, times = session.raw[np.ix_(darks, bright)], session.integration_ms
    level = session.raw[np.ix_(at, bright)].mean(axis=1)
    own = np.nan_to_num(times[at], nan=-1.0)
    for ms in np.unique(own):
        known = float(ms) if ms >= 0 else np.nan
        level[own == ms] -= dark_for(known, dark, times[darks], len(bright)).mean()
    return less_exposed([session.ids[i] for i in at], level)


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
    own = {scan: (unit, leaf or scan) for scan, (unit, leaf) in places.items()}
    return replicate([ids[i] for i in keep], own, bands, limit)
