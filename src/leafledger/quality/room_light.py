"""Everything that tells of room light in one session: lamp lines, ambient scans, their fit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.ambient_fit import leak_amounts, leaks_like
from leafledger.quality.ambient_flags import SURE, ambient_light, smallest_leak
from leafledger.quality.ambient_light import (
    COARSEST_NM,
    OPERATING_LEAK,
    assessable,
    find_leak,
    leak_spectra,
    threshold,
)
from leafledger.quality.ambient_scan import (
    LAMP_ON,
    AmbientScan,
    ambient_rows,
    ambient_share,
    on_leaves,
)
from leafledger.quality.flags import Flag
from leafledger.quality.index_shift import IndexShifts, largest_shifts
from leafledger.quality.lamps import LAMPS
from leafledger.quality.session import Session, combined_uncertainty
from leafledger.quality.white_signal import usable_pixels
from leafledger.records.record import Metric, Outcome

Floats = NDArray[np.float64]

_LINE_PIXEL_NM = 0.8
"""Lines are 1.5 nm wide and more: finer pixels cost time and show no more."""


def lamp_lines(
    session: Session,
    uncertainty: tuple[Floats, Floats] | None,
    usable: NDArray[np.bool_],
    share: float,
    outcome: Outcome,
) -> list[Flag]:
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
    outcome
        Gets the smallest leak that could have been seen, and a warning where it is above 1 %.
    """
    at = np.flatnonzero(usable)
    inside = slice(int(at[0]), int(at[-1]) + 1) if len(at) else slice(0, 0)
    axis = session.leaves.wavelength_nm[inside]
    if len(at) < 2 or not assessable(axis):
        outcome.warnings.append(
            "room light not assessable: the usable wavelengths hold too few lamp lines or are "
            f"more than {COARSEST_NM:g} nm apart"
        )
        return []
    values = session.leaves.spectra["reflectance"][:, inside]
    noise = None if uncertainty is None else uncertainty[0][:, inside]
    leak, limit = find_leak(axis, values, noise), threshold(noise)
    least = smallest_leak(leak, limit)
    # A leak that was found stands in its own way: only scans without one tell what was missed.
    least = least[~leak.called] if not leak.called.all() else least
    blind = int((least > OPERATING_LEAK).sum())
    outcome.metrics.append(Metric("smallest_room_light_seen", float(np.median(least))))
    if blind:
        outcome.warnings.append(
            f"in {blind} of {len(values)} scans the noise hides room light of 1 % reflectance; the "
            f"smallest that could be seen is {100 * float(least.max()):.2g} %"
        )
    u, moved = None, None
    if uncertainty is not None:
        called = np.flatnonzero(leak.called)
        light = leak_spectra(axis, leak, called)
        moved = _shifts(session, called, light, inside)
        place = np.searchsorted(axis, np.nan_to_num(leak.wavelength_nm)).clip(0, len(axis) - 1)
        u = uncertainty[1][:, inside][np.arange(len(values)), place]
    return ambient_light(session.leaf_ids, leak, limit, share, u, moved)


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
    at = np.flatnonzero(usable_pixels(signal, len(session.scans.wavelength_nm)))
    if not checks["lamp_lines"] or len(whites) < 2 or len(at) < 2:
        return []
    inside = slice(int(at[0]), int(at[-1]) + 1)
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


def check_ambient(
    session: Session, checks: Mapping[str, Any], signal: Floats | None, outcome: Outcome
) -> list[Flag]:
    """Measure the ambient scans of a session and look for their light in the leaves.

    Parameters
    ----------
    session, outcome
        The session; gets the largest leak as a metric, and why one could not be measured.
    checks
        Settings ``quality.checks``.
    signal
        Signal-to-noise of the white per pixel of the raw axis, ``None`` if unknown.
    """
    limit = float(checks["ambient_share"])
    usable = usable_pixels(signal, len(session.scans.wavelength_nm))
    found = _measured(session, usable, outcome)
    if not found:
        return []
    largest = max(one.largest for _, one in found)
    outcome.metrics.append(Metric("ambient_light_share", largest))
    flags = ambient_rows([one for _, one in found], limit)
    if not session.leaf_ids:
        return flags
    nearest = _nearest(session, found)
    flags += on_leaves(session.leaf_ids, nearest, limit)
    return flags + _fitted(session, found, usable, limit)


def _measured(
    session: Session, usable: NDArray[np.bool_], outcome: Outcome
) -> list[tuple[int, AmbientScan]]:
    """Return (place, what it measured) of every ambient scan that could be measured."""
    found = []
    for i in session.of_role("ambient").tolist():
        pair, why = _against_white(session, i)
        one = None
        if pair is not None:
            one = ambient_share(session.ids[i], session.scans.wavelength_nm, *pair, usable)
            why = "the white has no signal in 400-700 nm"
        if one is None:
            outcome.warnings.append(f"ambient scan {session.ids[i]} not measured: {why}")
        else:
            found.append((i, one))
    return found


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
    known = np.unique(times_ms)
    medians = {float(t): np.median(darks[times_ms == t], axis=0) for t in known}
    if integration_ms in medians:
        return np.asarray(medians[integration_ms], dtype=np.float64)
    if len(known) < 2:
        return None
    # Dark current adds the same in every millisecond.
    near = known[np.argsort(np.abs(known - integration_ms), kind="stable")[:2]]
    first, other = float(near[0]), float(near[1])
    share = (integration_ms - first) / (other - first)
    return np.asarray(medians[first] + share * (medians[other] - medians[first]), dtype=np.float64)


def _nearest(session: Session, found: list[tuple[int, AmbientScan]]) -> list[AmbientScan]:
    """Return the ambient scan nearest to each leaf scan in time (in sheet order without times)."""
    place = {scan: k for k, scan in enumerate(session.ids)}
    leaves = [place[scan] for scan in session.leaf_ids]
    when = session.seconds
    if np.isnan(when[[*leaves, *(i for i, _ in found)]]).any():
        when = np.arange(len(when), dtype=np.float64)
    return [min(found, key=lambda pair: abs(when[pair[0]] - when[k]))[1] for k in leaves]


def _fitted(
    session: Session,
    found: list[tuple[int, AmbientScan]],
    usable: NDArray[np.bool_],
    limit: float,
) -> list[Flag]:
    """Fit the strongest ambient light into every leaf scan."""
    leaks = [one for _, one in found if one.seen and one.largest <= LAMP_ON]
    if not leaks:
        return []
    one = max(leaks, key=lambda leak: leak.largest)
    raw_nm, axis = session.scans.wavelength_nm, session.leaves.wavelength_nm
    template = np.interp(axis, raw_nm, one.share)
    on_axis = np.interp(axis, raw_nm, usable.astype(np.float64)) > 1 - 1e-9
    amounts = leak_amounts(axis, session.leaves.spectra["reflectance"], template, on_axis)
    if amounts is None:
        return []
    every = np.arange(len(session.leaf_ids))
    light = np.outer(amounts.left, np.where(on_axis, template, 0.0))
    moved = _shifts(session, every, light, slice(None))
    u = combined_uncertainty(session.leaves)
    at = int(np.argmin(np.abs(axis - one.at_nm)))
    return leaks_like(
        session.leaf_ids,
        amounts,
        one.scan,
        one.largest,
        one.at_nm,
        limit,
        one.light,
        None if u is None else u[1][:, at],
        moved,
    )
