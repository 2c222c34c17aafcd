"""Does the white reference hold still over the session?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag, Severity

Floats = NDArray[np.float64]

NOTICE_DRIFT = 0.01
"""Change of the white signal worth a notice (relative); above it drift enters the budget."""
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
    whites that differ and nothing else to go by, both are named.
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
                flags.append(
                    _flag(scans[i], scans[j], change[worst], threshold, severity, centres[worst])
                )
    return flags


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
    scan: str, other: str, change: float, threshold: float, severity: Severity, wavelength_nm: float
) -> Flag:
    return Flag(
        scan,
        "reference_drift",
        severity,
        abs(float(change)),
        threshold,
        "1",
        f"The white signal differs by {100 * change:+.2g} % from the neighbouring white {other} "
        f"near {wavelength_nm:.0f} nm (limit {100 * threshold:g} %): lamp, panel or geometry "
        "changed.",
        wavelength_nm,
    )
