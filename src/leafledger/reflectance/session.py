"""A session in counts, with its references checked, pooled and assigned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault
from leafledger.reflectance import refusals
from leafledger.reflectance.assign import assign
from leafledger.reflectance.blocks import Choice, white_blocks
from leafledger.reflectance.dark import Darks, by_time, pool_darks
from leafledger.reflectance.detector import session_noise, settle_linearity
from leafledger.reflectance.hot_pixels import find_hot, hot_sentence, mend_hot
from leafledger.reflectance.linearity import Linearity
from leafledger.reflectance.linearity_fit import LinearityFit
from leafledger.reflectance.noise import Noise
from leafledger.reflectance.ratio import IntegrationTimes
from leafledger.reflectance.references import Blocks, Whites, above_dark, boil_down, middle_half
from leafledger.reflectance.stray_light import StrayLight, refuse_lit_region, stray_of

_ROLES = ("sample", "white", "dark")


@dataclass(frozen=True)
class Scans:
    """Scans of one session, in sheet order.

    Attributes
    ----------
    session
        Session id.
    scan, role, file
        Shape ``(n_scans,)``, text.
    time_s, integration_ms, averages
        Shape ``(n_scans,)``, s, ms and 1; NaN where not stated.
    counts
        Shape ``(n_scans, n_pixels)``.
    wavelength_nm
        Shape ``(n_pixels,)``, nm.
    full_scale_counts
        Counts at which the detector is full; None if not known.
    """

    session: str
    scan: NDArray[np.str_]
    role: NDArray[np.str_]
    file: NDArray[np.str_]
    time_s: NDArray[np.float64]
    integration_ms: NDArray[np.float64]
    averages: NDArray[np.float64]
    counts: NDArray[np.float64]
    wavelength_nm: NDArray[np.float64]
    full_scale_counts: float | None = None

    def where(self, role: str) -> NDArray[np.intp]:
        """Return the positions of scans of a role."""
        return np.flatnonzero(self.role == role)


@dataclass(frozen=True)
class References:
    """What the leaf scans of a session are divided by.

    Attributes
    ----------
    darks, whites
        As measured, pooled (darks) and above dark (whites).
    members
        Positions, among the whites, of each block.
    blocks
        One count rate for each block.
    choice
        Which blocks each leaf scan gets.
    noise, linearity
        Of the detector.
    averaged
        Whether all whites were averaged (rule ``mean``).
    stray
        Correction of stray light, None if the study asks for none.
    fit
        How ``linearity`` was estimated, None if it was stated.
    times
        Integration times of the whites with their uncertainty; None if they are exact, or the
        session has one, so that it cancels.
    """

    darks: Darks
    whites: Whites
    members: tuple[NDArray[np.intp], ...]
    blocks: Blocks
    choice: Choice
    noise: Noise
    linearity: Linearity
    averaged: bool
    stray: StrayLight | None = None
    fit: LinearityFit | None = None
    times: IntegrationTimes | None = None


def without_hot_pixels(scans: Scans) -> tuple[Scans, NDArray[np.intp], list[str]]:
    """Find the hot pixels of a session in its darks and interpolate them in every scan.

    Returns
    -------
    tuple
        The scans, the places of the hot pixels, and a warning that names them.
    """
    dark = scans.where("dark")
    hot = find_hot(scans.counts[dark], by_time(scans.integration_ms[dark]))
    mended = mend_hot(scans.counts, scans.wavelength_nm, hot)
    said = hot_sentence(scans.wavelength_nm, hot, scans.session)
    return replace(scans, counts=mended), np.flatnonzero(hot), said


def settle(scans: Scans) -> tuple[Scans, list[str]]:
    """Fill what the sheet leaves out for a whole session, and say so.

    Integration times that no leaf scan, white or dark states are taken as equal; so are averages
    (1). Averages stated for some only count as 1 for the others, which overstates their noise.

    Raises
    ------
    InputFault
        If integration times are stated for some scans only, a value is not above zero, or a white
        or dark is missing altogether.
    """
    used = np.isin(scans.role, _ROLES)
    names = [str(s) for s in scans.scan[used]]
    blank = np.isnan(scans.integration_ms[used])
    problems = refusals.missing_references(
        scans.session, len(scans.where("white")), len(scans.where("dark"))
    )
    problems += refusals.half_stated(names, blank, "integration_ms", scans.session)
    said = []
    integration = np.where(np.isnan(scans.integration_ms), 1.0, scans.integration_ms)
    averages = np.where(np.isnan(scans.averages), 1.0, scans.averages)
    problems += refusals.bad_times(names, integration[used], averages[used])
    if problems:
        raise InputFault(problems)
    if blank.all():
        said.append(
            "No scan states its integration time: all are taken as equal, so that leaf, white and "
            "dark must have been measured with the same one."
        )
    n_blank = int(np.isnan(scans.averages[used]).sum())
    if 0 < n_blank < used.sum():
        said.append(
            f"{n_blank} of {used.sum()} scans do not state their averages: taken as single "
            "readings in the uncertainty."
        )
    return replace(scans, integration_ms=integration, averages=averages), said


def refer(
    scans: Scans, instrument: Mapping[str, Any], settings: Mapping[str, Any]
) -> tuple[References, list[str]]:
    """Check, pool and assign the references of a session.

    Parameters
    ----------
    scans
        As :func:`settle` returns them.
    instrument, settings
        Sections ``instrument`` and ``reflectance`` of the study.

    Returns
    -------
    tuple
        The references and warnings.

    Raises
    ------
    InputFault
        With every problem found: see :mod:`leafledger.reflectance.refusals`.
    """
    white, dark, sample = (scans.where(role) for role in ("white", "dark", "sample"))
    time_ms = scans.integration_ms
    darks = pool_darks(scans.counts[dark], time_ms[dark], scaled=settings["dark"] == "scaled")
    _refuse(scans, darks)
    linearity, fit, said_linear = settle_linearity(scans, darks, instrument)
    stray = stray_of(settings.get("stray_light"), scans.wavelength_nm)
    whites = above_dark(
        scans.counts[white], time_ms[white], scans.averages[white], darks, linearity, stray
    )
    if stray is not None:
        refuse_lit_region(stray, whites.signal, scans.session)
    names = ([str(s) for s in scans.scan[white]], [str(s) for s in scans.scan[sample]])
    members, choice, averaged, said = assign(
        settings["references"], scans.time_s[white], scans.time_s[sample], names, scans.session
    )
    repeats = members
    if averaged and not np.isnan(scans.time_s[white]).any():
        timed = sample[~np.isnan(scans.time_s[sample])]
        both = np.r_[white, timed]
        repeats = white_blocks(scans.time_s[both], np.arange(len(both)) < len(white))
    noise, more = session_noise(scans, darks, whites, repeats, linearity, instrument)
    blocks = boil_down(whites, members, scans.time_s[white], darks, noise, mean=averaged)
    times = _times_of(scans, float(instrument.get("integration_u_ms", 0.0)))
    out = References(
        darks, whites, tuple(members), blocks, choice, noise, linearity, averaged, stray, fit, times
    )
    return out, said_linear + said + more


def _times_of(scans: Scans, u_ms: float) -> IntegrationTimes | None:
    """Return the times of the whites, or None where their errors are zero or cancel."""
    used = np.isin(scans.role, ("sample", "white"))
    if u_ms == 0 or len(by_time(scans.integration_ms[used])) < 2:
        return None
    time_ms = scans.integration_ms[scans.where("white")]
    return IntegrationTimes(np.array([time_ms[m[0]] for m in by_time(time_ms)]), u_ms)


def _refuse(scans: Scans, darks: Darks) -> None:
    """Raise every problem of the session's darks and whites."""
    lit = np.flatnonzero(np.isin(scans.role, ("sample", "white")))
    middle = middle_half(scans.counts.shape[1])
    dark, white = scans.where("dark"), scans.where("white")
    bright = scans.counts[white][:, middle]
    dim = np.median(scans.counts[dark][:, middle], axis=1)
    leaves = np.median(scans.counts[scans.where("sample")][:, middle], axis=1)
    problems = refusals.swapped_roles(scans.session, np.median(bright, axis=1), dim, leaves)
    if problems:
        raise InputFault(problems)
    problems = refusals.darks_missing(
        [str(s) for s in scans.scan[lit]], scans.integration_ms[lit], darks
    )
    if problems:
        raise InputFault(problems)
    problems = refusals.bright_darks(
        [str(s) for s in scans.scan[dark]],
        [str(f) for f in scans.file[dark]],
        dim,
        darks,
        float(np.median(bright)),
    )
    below = np.stack([darks.at(float(t))[middle] for t in scans.integration_ms[white]])
    problems += refusals.dim_whites(
        [str(s) for s in scans.scan[white]], [str(f) for f in scans.file[white]], bright, below
    )
    if problems:
        raise InputFault(problems)
