"""All checks of raw counts: full scale, darks, whites; and which leaves rest on a bad reference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.blocks import reference_blocks
from leafledger.quality.dark_course import dark_drift, dark_spikes, hot_pixels
from leafledger.quality.darks import bad_dark
from leafledger.quality.flags import Flag
from leafledger.quality.full_scale import proposed_full_scale, saturated
from leafledger.quality.session import Session
from leafledger.quality.white_signal import usable_pixels
from leafledger.quality.white_times import far_from_white
from leafledger.quality.whites import weak_white, white_drift

Floats = NDArray[np.float64]
_WHITES = ("white_before", "white_after")
_REFERENCES = (*_WHITES, "dark_before", "dark_after")
_FEW_PIXELS = 0.01
"""Full in the white at so few pixels (a line of the lamp), a leaf is told and kept."""


def check_counts(
    session: Session, checks: Mapping[str, Any], signal: Floats | None
) -> tuple[list[Flag], list[str]]:
    """Check the raw scans of a session in counts.

    Parameters
    ----------
    session
        The session, in counts.
    checks
        Settings ``quality.checks``.
    signal
        Signal-to-noise of the white, shape ``(n_pixels,)``; ``None`` if unknown.

    Returns
    -------
    tuple
        Flags and warnings.
    """
    full, warnings = _full_scale(session)
    flags: list[Flag] = []
    if full is not None:
        tolerated = float(checks["saturated_share"])
        flags, more = _saturated(session, full, tolerated)
        warnings += more
    usable = usable_pixels(signal, len(session.scans.wavelength_nm))
    flags += _darks(session, usable)
    flags += _whites(session, usable, float(checks["reference_drift"]))
    far, told = far_from_white(session)
    return flags + far, [*warnings, *told]


def _stated_full_scale(session: Session) -> float | None:
    stated = session.leaves.metadata.get("full_scale_counts")
    if stated is None:
        stated = session.scans.metadata.get("full_scale_counts")
    return None if stated is None else float(stated)


def _full_scale(session: Session) -> tuple[float | None, list[str]]:
    """Return the full scale, stated or proposed from the data, and a warning if it is proposed."""
    stated = _stated_full_scale(session)
    full = stated if stated is not None else proposed_full_scale(session.raw)
    if full is None or stated is not None:
        return full, []
    return full, [
        f"Full scale was not stated; {full:g} counts is proposed from spectra cut flat at this "
        "count: state instrument.full_scale_counts."
    ]


def _saturated(
    session: Session, full: float, tolerated_share: float
) -> tuple[list[Flag], list[str]]:
    """Flag every scan at full scale, and the leaves whose white is full."""
    flags = saturated(
        session.ids,
        session.scans.wavelength_nm,
        session.raw,
        full,
        tolerated_share,
        stated=_stated_full_scale(session) is not None,
        lamps={session.ids[i] for i in session.of_role("lamp")},
    )
    on_full = _on_full_white(session, full, max(tolerated_share, _FEW_PIXELS))
    lost = sum(flag.severity == "fault" for flag in on_full)
    if not lost:
        return flags + on_full, []
    return flags + on_full, [
        f"{lost} of {len(session.leaf_ids)} leaf scans rest on whites at which the detector was "
        f"full ({full:g} counts): their reflectance is not known, and they are faults. Measure "
        "the white again with a shorter integration time."
    ]


def _on_full_white(session: Session, full: float, limit: float) -> list[Flag]:
    """Flag leaf scans whose white level is that of a full detector.

    A white that is full reads too low, and the leaf too high by an unknown factor. The level of a
    block of three or more whites is their median: it is full at a pixel where half of them are; a
    mean of fewer is wrong where one is. More pixels than the limit (a share) are a fault, fewer a
    notice.
    """
    whites = session.of_role("white")
    at = dict(zip((session.ids[i] for i in whites), session.raw[whites] >= full, strict=True))
    blocks, axis = _white_blocks(session), session.scans.wavelength_nm
    everything = tuple(at)
    known: dict[tuple[str, ...], NDArray[np.bool_]] = {}
    flags = []
    for row in session.leaves.rows.to_dict("records"):
        named = [str(row.get(name) or "") for name in _WHITES]
        used = [blocks[name] for name in named if name in blocks] or [everything]
        is_full = np.zeros(len(axis), dtype=bool)
        for block in used:
            if block and block not in known:
                enough = (len(block) / 2) if len(block) > 2 and any(named) else 1
                known[block] = np.sum([at[name] for name in block], axis=0) >= enough
            is_full |= known.get(block, False)
        share = float(is_full.mean())
        if not share:
            continue
        where = axis[is_full]
        fault = share > limit
        flags.append(
            Flag(
                str(row["scan"]),
                "white_saturated",
                "fault" if fault else "notice",
                share,
                limit,
                "1",
                f"The detector was full in its white at {is_full.sum()} of {len(axis)} pixels "
                f"({where.min():.0f} to {where.max():.0f} nm): the reflectance is too high there "
                "by an unknown factor. Measure the white again with a shorter integration time.",
                float(where[len(where) // 2]),
            )
        )
    return flags


def _darks(session: Session, usable: NDArray[np.bool_]) -> list[Flag]:
    darks = session.of_role("dark")
    if not len(darks):
        return []
    lit = np.flatnonzero(np.isin(session.roles, ["white", "sample"]))
    strong = session.white_minus_dark[:, usable]
    white_signal = float(np.median(strong)) if strong.size else None
    ids, times = [session.ids[i] for i in darks], session.integration_ms[darks]
    flags = bad_dark(
        ids, session.raw[darks], times, white_signal, session.raw[lit], session.integration_ms[lit]
    )
    bad = {flag.scan for flag in flags}
    sound = np.array([scan not in bad for scan in ids])
    kept = darks[sound]
    if len(kept):
        names, block = [session.ids[i] for i in kept], reference_blocks(session)[kept]
        flags += dark_drift(names, session.raw[kept], times[sound], block, white_signal)
        axis = session.scans.wavelength_nm
        hot = session.leaves.metadata.get("hot_pixels") or []
        flags += dark_spikes(names, axis, session.raw[kept], times[sound], hot)
    return flags + hot_pixels(ids[0], session.leaves.metadata.get("hot_pixels_nm") or [])


def _whites(session: Session, usable: NDArray[np.bool_], limit: float) -> list[Flag]:
    whites = session.of_role("white")
    if not len(whites):
        return []
    ids = [session.ids[i] for i in whites]
    flags = white_drift(ids, session.scans.wavelength_nm, session.white_per_ms, usable, limit)
    full = _stated_full_scale(session)
    return flags + weak_white(ids, session.raw[whites], session.white_minus_dark, full)


def leaves_on_faults(session: Session, flags: Sequence[Flag]) -> list[Flag]:
    """Return a notice on every leaf scan that rests on a reference at fault.

    Parameters
    ----------
    session
        Its reflectance names the references of every leaf scan, a block of whites by its middle
        one.
    flags
        What was found so far.
    """
    roles = dict(zip(session.ids, session.roles, strict=True))
    faulty = {f.scan: f.check for f in flags if f.severity == "fault" and roles[f.scan] != "sample"}
    if not faulty:
        return []
    blocks = _white_blocks(session)
    out = []
    for row in session.leaves.rows.to_dict("records"):
        used = [str(row.get(name)) for name in _REFERENCES]
        whole = {member for name in used for member in blocks.get(name, (name,))}
        bad = sorted(whole & set(faulty))
        if bad:
            told = ", ".join(f"{name} ({faulty[name]})" for name in bad)
            out.append(
                Flag(
                    str(row["scan"]),
                    "reference_at_fault",
                    "notice",
                    float(len(bad)),
                    0.0,
                    "scan",
                    f"Its reflectance rests on a reference at fault: {told}.",
                )
            )
    return out


def on_faulty_whites(session: Session, flags: Sequence[Flag]) -> set[str]:
    """Return the leaf scans whose block of whites holds one at fault."""
    whites = {session.ids[i] for i in session.of_role("white")}
    faulty = whites & {flag.scan for flag in flags if flag.severity == "fault"}
    if not faulty:
        return set()
    blocks = _white_blocks(session)
    found = set()
    for row in session.leaves.rows.to_dict("records"):
        used = [str(row.get(name) or "") for name in _WHITES]
        whole = {member for name in used for member in blocks.get(name, ())}
        if whole & faulty or not whole:
            found.add(str(row["scan"]))
    return found


def _white_blocks(session: Session) -> dict[str, tuple[str, ...]]:
    """Return white -> all whites measured with it, no leaf between; references come in blocks."""
    when = session.seconds
    if np.isnan(when).any():
        when = np.arange(len(when), dtype=np.float64)
    blocks: list[list[str]] = []
    open_block = False
    for i in np.argsort(when, kind="stable"):
        role = session.roles[i]
        if role == "white":
            if not open_block:
                blocks.append([])
            blocks[-1].append(session.ids[i])
        if role in ("white", "sample"):
            open_block = role == "white"
    return {name: tuple(block) for block in blocks for name in block}
