"""Does the white reference hold still over the session?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag, Severity

Floats = NDArray[np.float64]

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


def _slow_change(
    scans: Sequence[str],
    bands: Floats,
    centres: Sequence[float],
    limit: float,
    known: Sequence[Flag],
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
    reached: tuple[float, Severity] | None = None
    if ratio[worst] > limit:
        reached = (limit, "fault")
    elif ratio[worst] > NOTICE_DRIFT:
        reached = (NOTICE_DRIFT, "notice")
    if reached is None or any(f.severity in ("fault", reached[1]) for f in known):
        return []
    threshold, severity = reached
    flag = _flag(scans[later], scans[earlier], change, threshold, severity, centres[worst])
    return [replace(flag, sentence=flag.sentence.replace("the neighbouring white", "white"))]


def _differ(bands: Floats, i: int, j: int) -> float:
    return float(np.max(np.abs(bands[i] / bands[j] - 1)))


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
        Counts at full scale; nothing is judged if it is not known.
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
