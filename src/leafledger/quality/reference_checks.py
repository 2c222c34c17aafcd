"""Can the references of a session be trusted, and which leaves rest on one that cannot?

Raw counts are checked in this order: full scale of the detector, darks, whites, and the time from
each leaf to its whites. References come in blocks: scans of one role without a leaf between them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.darks import bad_dark, dark_drift, dark_spikes, hot_pixels
from leafledger.quality.session import Flag, Session, Severity, usable_pixels
from leafledger.words import minutes_text

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
    flags, more = _saturated(session, full, float(checks["saturated_share"]))
    warnings += more
    usable = usable_pixels(signal, len(session.scans.wavelength_nm))
    flags += _darks(session, usable)
    flags += _whites(session, usable, float(checks["reference_drift"]))
    far, gaps = far_from_white(session)
    return flags + far, [*warnings, *gaps]


def _full_scale(session: Session) -> tuple[Floats, list[str]]:
    """Return the count at which each scan is full, and a warning of every one that is proposed.

    Shape ``(n_scans,)``, infinite where it is not known. A detector may be full below the count
    that was stated, and scans recorded with other averages or another gain below the others of
    their session: where spectra are cut flat, the lower count holds.
    """
    stated, warnings = _stated_full_scale(session), []
    full = stated
    if stated is None:
        full = proposed_full_scale(session.raw)
        if full is not None:
            warnings.append(
                f"Full scale was not stated; {full:g} counts is proposed from spectra cut flat at "
                "this count: state instrument.full_scale_counts."
            )
    else:
        flat = proposed_full_scale(session.raw, 2 * PLATEAU_PIXELS)
        if flat is not None and flat < stated:
            full = flat
            warnings.append(
                f"Spectra are cut flat at {flat:g} counts, below the full scale of {stated:g} that "
                "was stated: scans that reach it count as saturated; correct "
                "instrument.full_scale_counts."
            )
    usual = np.inf if full is None else full
    of_scan = np.minimum(shared_ceilings(session.raw, session.roles), usual)
    for level in np.unique(of_scan[of_scan < usual]):
        cut = [scan for scan, count in zip(session.ids, of_scan, strict=True) if count == level]
        warnings.append(
            f"{len(cut)} scans ({cut[0]} to {cut[-1]}) are cut flat at {level:g} counts, which "
            "other scans of this session exceed: it is taken as their full scale, and they count "
            "as saturated. Were they recorded with another gain, range or number of averages? "
            "Measure them again, all scans of the session alike."
        )
    return of_scan, warnings


def _stated_full_scale(session: Session) -> float | None:
    stated = session.leaves.metadata.get("full_scale_counts")
    if stated is None:
        stated = session.scans.metadata.get("full_scale_counts")
    return None if stated is None else float(stated)


def _saturated(
    session: Session, full: Floats, tolerated_share: float
) -> tuple[list[Flag], list[str]]:
    """Flag every scan at full scale, and the leaves whose white is full."""
    flags = saturated(
        session.ids,
        session.scans.wavelength_nm,
        session.raw,
        full,
        tolerated_share,
        stated=full == (_stated_full_scale(session) or np.nan),
        lamps={session.ids[i] for i in session.of_role("lamp")},
    )
    on_full = _on_full_white(session, full, max(tolerated_share, _FEW_PIXELS))
    lost = sum(flag.severity == "fault" for flag in on_full)
    if not lost:
        return flags + on_full, []
    reached = full[session.of_role("white")]
    counts = " or ".join(f"{level:g}" for level in np.unique(reached[np.isfinite(reached)]))
    return flags + on_full, [
        f"{lost} of {len(session.leaf_ids)} leaf scans rest on whites at which the detector was "
        f"full ({counts} counts): their reflectance is not known, and they are faults. Measure "
        "the white again with a shorter integration time."
    ]


def _on_full_white(session: Session, full: Floats, limit: float) -> list[Flag]:
    """Flag leaf scans whose white level is that of a full detector.

    A white that is full reads too low, and the leaf too high by an unknown factor. The level of a
    block of three or more whites is their median: it is full at a pixel where half of them are; a
    mean of fewer is wrong where one is. More pixels than the limit (a share) are a fault, fewer a
    notice.
    """
    whites = session.of_role("white")
    is_at_full = session.raw[whites] >= full[whites, None]
    full_pixels = dict(zip((session.ids[i] for i in whites), is_at_full, strict=True))
    blocks, axis = _white_blocks(session), session.scans.wavelength_nm
    everything = tuple(full_pixels)
    full_of: dict[tuple[str, ...], NDArray[np.bool_]] = {}
    flags = []
    for row in session.leaves.rows.to_dict("records"):
        named = [str(row.get(name) or "") for name in _WHITES]
        used = [blocks[name] for name in named if name in blocks] or [everything]
        is_full = np.zeros(len(axis), dtype=bool)
        for block in used:
            if block and block not in full_of:
                enough = (len(block) / 2) if len(block) > 2 and any(named) else 1
                full_of[block] = np.sum([full_pixels[name] for name in block], axis=0) >= enough
            is_full |= full_of.get(block, False)
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


def _white_blocks(session: Session) -> dict[str, tuple[str, ...]]:
    """Return white -> all whites of its block, in the order of measuring."""
    block = reference_blocks(session)
    members: dict[int, list[str]] = {}
    for i in session.of_role("white"):
        members.setdefault(int(block[i]), []).append(session.ids[i])
    return {name: tuple(names) for names in members.values() for name in names}


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
            listed = ", ".join(f"{name} ({faulty[name]})" for name in bad)
            out.append(
                Flag(
                    str(row["scan"]),
                    "reference_at_fault",
                    "notice",
                    float(len(bad)),
                    0.0,
                    "scan",
                    f"Its reflectance rests on a reference at fault: {listed}.",
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
    leaves = set()
    for row in session.leaves.rows.to_dict("records"):
        used = [str(row.get(name) or "") for name in _WHITES]
        whole = {member for name in used for member in blocks.get(name, ())}
        if whole & faulty or not whole:
            leaves.add(str(row["scan"]))
    return leaves


# Full scale of the detector
# ----------------------------------------------------------------------

PLATEAU_PIXELS = 5
"""Neighbouring pixels at exactly the same highest count that no noisy spectrum shows by chance."""
SHARED_PLATEAU = 0.05
"""Share of the pixels, side by side, at a ceiling that other scans exceed: the top of a smooth
white of 100 counts without any noise is flat over less (a parabola over 620 nm, by calculation)."""
_PROPOSED = " (full scale proposed from the data: the spectra are cut flat)"
_LAMP = (
    "Lines of the lamp there are not used for the wavelengths; a shorter integration time would "
    "show them."
)


def proposed_full_scale(counts: Floats, pixels: int = PLATEAU_PIXELS) -> float | None:
    """Propose the full scale from the data: the highest count, if a spectrum is cut flat at it.

    Parameters
    ----------
    counts
        Shape ``(n_scans, n_pixels)``.
    pixels
        How many neighbouring pixels have to be cut flat.

    Returns
    -------
    float or None
        The highest count of all, if at least ``pixels`` neighbouring pixels of one scan have
        exactly this count.

    Examples
    --------
    >>> proposed_full_scale(np.array([[3.0, 9, 9, 9, 9, 9, 4], [1, 2, 3, 4, 3, 2, 1]]))
    9.0
    >>> proposed_full_scale(np.array([[3.0, 9, 8, 9, 7, 9, 4]])) is None
    True
    """
    if counts.size == 0 or counts.shape[1] < pixels:
        return None
    highest = float(counts.max())
    if highest <= 0:
        return None
    return highest if _has_run(counts == highest, pixels).any() else None


def _has_run(full: NDArray[np.bool_], pixels: int) -> NDArray[np.bool_]:
    """Return in which scans so many neighbouring pixels are full, shape ``(n_scans,)``."""
    before = np.pad(np.cumsum(full, axis=1, dtype=np.int32), ((0, 0), (1, 0)))
    return np.asarray((before[:, pixels:] - before[:, :-pixels] == pixels).any(axis=1))


def shared_ceilings(counts: Floats, roles: Sequence[str]) -> Floats:
    """Return the count at which each scan with light is cut flat, though others exceed it.

    Parameters
    ----------
    counts
        Shape ``(n_scans, n_pixels)``.
    roles
        Role of each scan.

    Returns
    -------
    ndarray
        Shape ``(n_scans,)``; infinite where a scan is not cut flat. A ceiling is the highest count
        of a white or leaf scan, above all darks, at exactly which at least 5 % of the pixels stand
        side by side, and which two scans share (or the only white has).
    """
    role = np.asarray(roles)
    top = counts.max(axis=1)
    lit = np.isin(role, ("white", "sample")) & (top > counts[role == "dark"].max(initial=0.0))
    rows = np.flatnonzero(lit)
    pixels = max(2 * PLATEAU_PIXELS, round(SHARED_PLATEAU * counts.shape[1]))
    rows = rows[_has_run(counts[rows] == top[rows, None], pixels)]
    out = np.full(len(counts), np.inf)
    whites = top[role == "white"]
    for level in np.unique(top[rows]):
        same = rows[top[rows] == level]
        if len(same) > 1 or (role[same] == "white").sum() == len(whites):
            out[same] = level
    return out


def saturated(
    scans: Sequence[str],
    wavelength_nm: Floats,
    counts: Floats,
    full_scale: float | Floats,
    tolerated_share: float,
    *,
    stated: bool | NDArray[np.bool_],
    lamps: Collection[str] = (),
) -> list[Flag]:
    """Flag scans with more pixels at or above full scale than are tolerated (a fault).

    A lamp scan gets a notice: its strongest lines fill the detector easily, the wavelengths rest
    on the others, and a lamp whose lines do not serve is refused by the reflectance rule.

    Parameters
    ----------
    scans
        Scan ids, length ``n_scans``.
    wavelength_nm
        Shape ``(n_pixels,)``, nm.
    counts
        Shape ``(n_scans, n_pixels)``.
    full_scale
        Count at which the detector is full, one number or one for each scan.
    tolerated_share
        Share of the pixels, 0 to 1.
    stated
        Whether the full scale was stated, or proposed from the data; likewise.
    lamps
        Ids of lamp scans.
    """
    full = np.broadcast_to(full_scale, len(counts))
    is_stated = np.broadcast_to(stated, len(counts))
    full_at = counts >= full[:, None]
    share = full_at.mean(axis=1)
    flags = []
    for i in np.flatnonzero(share > tolerated_share).tolist():
        where = wavelength_nm[full_at[i]]
        lamp = scans[i] in lamps
        origin = "" if is_stated[i] else _PROPOSED
        mend = _LAMP if lamp else "Shorten the integration time and measure again."
        flags.append(
            Flag(
                scans[i],
                "saturated",
                "notice" if lamp else "fault",
                float(share[i]),
                tolerated_share,
                "1",
                f"{len(where)} of {full_at.shape[1]} pixels ({where.min():.0f} to "
                f"{where.max():.0f} nm) are at or above full scale, {full[i]:g} "
                f"counts{origin}. {mend}",
                float(where[len(where) // 2]),
            )
        )
    return flags


# Level and colour of the whites over the session
# ----------------------------------------------------------------------

NOTICE_DRIFT = 0.01
"""Change of the white signal worth a notice (relative); above it drift enters the budget."""
WEAK_SHARE = 0.1
"""Whites below this share of the detector's range waste it (common practice, no source)."""
_BANDS = 8
"""Broad enough that noise averages out, narrow enough that a change of colour shows."""


def white_drift(
    scans: Sequence[str],
    wavelength_nm: Floats,
    signal: Floats,
    usable: NDArray[np.bool_],
    limit: float,
) -> list[Flag]:
    """Flag changes of the white signal from one white to the next.

    Parameters
    ----------
    scans
        Ids of the whites in the order of measuring.
    wavelength_nm
        Shape ``(n_pixels,)``, nm.
    signal
        White minus dark per millisecond, shape ``(n_whites, n_pixels)``.
    usable
        Pixels with enough signal, shape ``(n_pixels,)``.
    limit
        Relative change that is a fault; a change above 1 % is a notice.

    Notes
    -----
    The change is the largest over eight broad bands, so that a lamp that changes colour counts
    too. A white that differs from its neighbours while they agree is named alone; where the
    signal stays changed, the first white after the change is named with the one before; of two
    whites that differ and nothing else to go by, both are named. Changes too slow to show from
    one white to the next are found over the whole session (running median of three whites): the
    later of the two whites that differ most is named.
    """
    if len(scans) < 2 or usable.sum() < _BANDS:
        return []
    parts = np.array_split(np.flatnonzero(usable), _BANDS)
    bands = np.column_stack([signal[:, part].mean(axis=1) for part in parts])
    bands = np.maximum(bands, 1e-12)
    centres = [float(np.mean(wavelength_nm[part])) for part in parts]
    flags: list[Flag] = []
    levels: tuple[tuple[float, Severity], ...] = (
        (limit, "fault"),
        (min(NOTICE_DRIFT, limit), "notice"),
    )
    for threshold, severity in levels:
        named = {flag.scan for flag in flags}
        for i, j in _changes(bands, threshold):
            change = bands[i] / bands[j] - 1
            worst = int(np.argmax(np.abs(change)))
            if scans[i] not in named:
                flags.append(_flag(scans[i], scans[j], change, threshold, severity, centres[worst]))
    return flags + _slow_change(scans, bands, centres, limit, flags)


def _changes(bands: Floats, threshold: float) -> list[tuple[int, int]]:
    """Return (white, the one it is compared with) for every white to be named."""
    n = len(bands)
    steps = [k for k in range(1, n) if _differ(bands, k, k - 1) > threshold]
    runs = np.split(np.arange(n), steps)
    if len(runs) < 2:
        return []
    if n == 2:
        return [(0, 1), (1, 0)]
    named: list[tuple[int, int]] = []
    if len(runs[0]) == 1 and len(runs[1]) > 1:
        named.append((0, int(runs[1][0])))
    for position in range(1, len(runs)):
        before, run = int(runs[position - 1][-1]), runs[position]
        last = position + 1 == len(runs)
        returns = not last and _differ(bands, before, int(runs[position + 1][0])) <= threshold
        alone = len(run) == 1 and returns
        if alone or not _explained(runs, position, bands, threshold):
            named.append((int(run[0]), before))
    return named


def _differ(bands: Floats, i: int, j: int) -> float:
    return float(np.max(np.abs(bands[i] / bands[j] - 1)))


def _explained(
    runs: Sequence[NDArray[np.intp]], position: int, bands: Floats, threshold: float
) -> bool:
    """Return whether a single odd white before this run already explains the change."""
    before = runs[position - 1]
    if len(before) > 1:
        return False
    if position == 1:
        return len(runs[position]) > 1
    return _differ(bands, int(runs[position - 2][-1]), int(runs[position][0])) <= threshold


def _flag(
    scan: str,
    other: str,
    change: Floats,
    threshold: float,
    severity: Severity,
    wavelength_nm: float,
) -> Flag:
    worst = float(change[np.argmax(np.abs(change))])
    level = float(change.mean())
    colour = float(np.abs(change - level).max())
    return Flag(
        scan,
        "reference_drift",
        severity,
        abs(worst),
        threshold,
        "1",
        f"The white signal differs by {100 * worst:+.2g} % from the neighbouring white {other} "
        f"near {wavelength_nm:.0f} nm (limit {100 * threshold:g} %), by {100 * level:+.2g} % in "
        f"level and up to {100 * colour:.2g} % in colour: lamp, panel or geometry changed.",
        wavelength_nm,
    )


def _slow_change(
    scans: Sequence[str],
    bands: Floats,
    centres: Sequence[float],
    limit: float,
    step_flags: Sequence[Flag],
) -> list[Flag]:
    """Flag a change over the session that no step between neighbours has shown."""
    n = len(scans)
    if n < 4:
        return []
    middle = np.array([np.median(bands[max(k - 1, 0) : k + 2], axis=0) for k in range(n)])
    middle[0], middle[-1] = np.median(bands[:3], axis=0), np.median(bands[-3:], axis=0)
    low, high = middle.argmin(axis=0), middle.argmax(axis=0)
    ratio = middle.max(axis=0) / middle.min(axis=0) - 1
    worst = int(np.argmax(ratio))
    earlier, later = sorted((int(low[worst]), int(high[worst])))
    change = middle[later] / middle[earlier] - 1
    severity: Severity = "fault"
    threshold = limit
    if ratio[worst] <= limit:
        threshold, severity = NOTICE_DRIFT, "notice"
    if ratio[worst] <= threshold or any(f.severity in ("fault", severity) for f in step_flags):
        return []
    flag = _flag(scans[later], scans[earlier], change, threshold, severity, centres[worst])
    return [replace(flag, sentence=flag.sentence.replace("the neighbouring white", "white"))]


def weak_white(
    scans: Sequence[str], counts: Floats, signal: Floats, full_scale: float | None
) -> list[Flag]:
    """Give one notice if the whites use little of the detector's range.

    Parameters
    ----------
    scans
        Ids of the whites.
    counts, signal
        Raw counts, and counts above dark, shape ``(n_whites, n_pixels)``.
    full_scale
        Counts at full scale; no notice if it is not known.
    """
    if full_scale is None or not len(scans):
        return []
    room = full_scale - np.median(counts - signal, axis=1)
    share = np.percentile(signal, 99, axis=1) / np.maximum(room, 1.0)
    typical = float(np.median(share))
    if typical >= WEAK_SHARE:
        return []
    return [
        Flag(
            scans[0],
            "weak_white",
            "notice",
            typical,
            WEAK_SHARE,
            "1",
            f"The whites of this session reach {100 * typical:.2g} % of the detector's range "
            f"(advice: at least {100 * WEAK_SHARE:g} %): a longer integration time would lower "
            "the noise.",
        )
    ]


# Order of measuring, and references measured together
# ----------------------------------------------------------------------

NO_BLOCK = -1
PAUSE_S = 10 * 60.0
"""A longer pause between two references of a kind also ends a block."""


def reference_blocks(session: Session) -> NDArray[np.int32]:
    """Number the blocks of references, kind by kind, shape ``(n_scans,)``; -1 for leaves.

    A block holds references of one role with no leaf between them and no pause above 10 minutes:
    they are repeats, not independent looks at the session.
    """
    block = np.full(len(session.ids), NO_BLOCK, dtype=np.int32)
    order = np.argsort(measuring_order(session), kind="stable")
    for role in sorted(set(session.roles) - {"sample"}):
        block[order] = np.where(
            np.array([session.roles[i] == role for i in order]),
            _block_numbers([session.roles[i] for i in order], role, session.seconds[order]),
            block[order],
        )
    return block


def measuring_order(session: Session) -> NDArray[np.int32]:
    """Return the place of each scan in the order of measuring, from 0, shape ``(n_scans,)``.

    By time if every scan states one, else as in the sheet.
    """
    seconds = session.seconds
    if np.isnan(seconds).any():
        return np.arange(len(seconds), dtype=np.int32)
    rank = np.empty(len(seconds), dtype=np.int32)
    rank[np.argsort(seconds, kind="stable")] = np.arange(len(seconds))
    return rank


def _block_numbers(
    roles: Sequence[str], role: str, seconds: NDArray[np.float64]
) -> NDArray[np.int32]:
    out = np.full(len(roles), NO_BLOCK, dtype=np.int32)
    number, last = NO_BLOCK, -1
    leaf_between = True
    for k, kind in enumerate(roles):
        if kind == "sample":
            leaf_between = True
        if kind != role:
            continue
        pause = float(seconds[k] - seconds[last]) if last >= 0 else 0.0
        if leaf_between or pause > PAUSE_S:
            number += 1
        out[k], last, leaf_between = number, k, False
    return out


# Leaves far in time from their whites
# ----------------------------------------------------------------------

BRACKET_MIN = 30.0
"""Whites on both sides of a leaf should be no farther apart, min (common practice, no source)."""
ONE_SIDED_MIN = 10.0
"""A leaf with whites on one side only should be no farther from them, min (the same)."""
ODD_GAP = 1.5
"""A gap between white blocks this many times the usual one: a block seems to be missing."""


def far_from_white(session: Session) -> tuple[list[Flag], list[str]]:
    """Give a notice on leaf scans whose whites are far away in time.

    Returns
    -------
    tuple
        The notices, and warnings: the leaves without a white on both sides, and gaps that look
        as if a whole block of whites were missing.

    Notes
    -----
    A leaf between two blocks of whites is far if they are more than 30 min apart; a leaf with
    whites on one side only, if they are more than 10 min away. Scans without a time are not
    judged.
    """
    seconds = session.seconds
    block = reference_blocks(session)
    whites = np.flatnonzero((np.array(session.roles) == "white") & np.isfinite(seconds))
    leaves = np.flatnonzero((np.array(session.roles) == "sample") & np.isfinite(seconds))
    if not len(whites) or not len(leaves):
        return [], []
    numbers = np.unique(block[whites])
    block_min = (
        np.sort([float(np.median(seconds[whites[block[whites] == n]])) for n in numbers]) / 60
    )
    flags = [
        flag
        for i in leaves[np.argsort(seconds[leaves], kind="stable")]
        for flag in _distance_flag(session.ids[i], float(seconds[i]) / 60, block_min)
    ]
    minutes = np.sort(seconds[leaves]) / 60
    return flags, [*_far_warnings(flags), *_missing_block(block_min, minutes)]


def _distance_flag(scan: str, minute: float, block_min: Floats) -> list[Flag]:
    after = int(np.searchsorted(block_min, minute))
    if 0 < after < len(block_min):
        gap = float(block_min[after] - block_min[after - 1])
        distance = f"The whites before and after it are {minutes_text(gap)} apart"
        limit = BRACKET_MIN
    else:
        gap = float(np.abs(block_min - minute).min())
        side = "before" if after else "after"
        distance = f"Its only whites are {minutes_text(gap)} {side} it"
        limit = ONE_SIDED_MIN
    if gap <= limit:
        return []
    sentence = f"{distance} (limit {limit:g} min): what the lamp did meanwhile is not known."
    return [Flag(scan, "far_from_white", "notice", gap, limit, "min", sentence)]


def _far_warnings(flags: Sequence[Flag]) -> list[str]:
    if not flags:
        return []
    return [
        f"{len(flags)} leaf scans are far in time from any white, from {flags[0].scan} to "
        f"{flags[-1].scan}: measure whites at least every {BRACKET_MIN:g} min, the first before "
        "and the last after the leaves."
    ]


def _missing_block(block_min: Floats, leaves: Floats) -> list[str]:
    """Tell where a block of whites seems to be missing.

    Parameters
    ----------
    block_min, leaves
        Minutes of the blocks of whites and of the leaf scans, rising.

    Notes
    -----
    Where a block is left out, time passes and leaves are measured: about twice as many as usual lie
    between two blocks. A pause, or darks taken half way, makes the gap longer and not fuller.
    """
    gaps = np.diff(block_min)
    if len(gaps) < 3:
        return []
    between = np.diff(np.searchsorted(leaves, block_min))
    usual, usual_leaves = float(np.median(gaps)), float(np.median(between))
    odd = np.flatnonzero((gaps > ODD_GAP * usual) & (between > ODD_GAP * usual_leaves))
    return [
        f"No white for {minutes_text(gaps[k])} and {between[k]} leaf scans from minute "
        f"{block_min[k] - block_min[0]:.3g} of the whites on, where {minutes_text(usual)} and "
        f"{usual_leaves:g} leaf scans are usual: a block of whites seems to be missing."
        for k in odd
    ]
