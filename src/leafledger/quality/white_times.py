"""Was every leaf measured near enough in time to a white reference?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.blocks import reference_blocks
from leafledger.quality.flags import Flag
from leafledger.quality.session import Session

Floats = NDArray[np.float64]

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
    at = np.sort([float(np.median(seconds[whites[block[whites] == n]])) for n in numbers]) / 60
    flags = [
        flag
        for i in leaves[np.argsort(seconds[leaves], kind="stable")]
        for flag in _judged(session.ids[i], float(seconds[i]) / 60, at)
    ]
    minutes = np.sort(seconds[leaves]) / 60
    return flags, [*_summary(flags), *_missing_block(at, minutes)]


def _judged(scan: str, minute: float, at: Floats) -> list[Flag]:
    after = int(np.searchsorted(at, minute))
    if 0 < after < len(at):
        gap = float(at[after] - at[after - 1])
        told = f"The whites before and after it are {gap:.3g} min apart"
        limit = BRACKET_MIN
    else:
        gap = float(np.abs(at - minute).min())
        told = f"Its only whites are {gap:.3g} min {'before' if after else 'after'} it"
        limit = ONE_SIDED_MIN
    if gap <= limit:
        return []
    sentence = f"{told} (limit {limit:g} min): what the lamp did meanwhile is not known."
    return [Flag(scan, "far_from_white", "notice", gap, limit, "min", sentence)]


def _summary(flags: Sequence[Flag]) -> list[str]:
    if not flags:
        return []
    return [
        f"{len(flags)} leaf scans are far in time from any white, from {flags[0].scan} to "
        f"{flags[-1].scan}: measure whites at least every {BRACKET_MIN:g} min, the first before "
        "and the last after the leaves."
    ]


def _missing_block(at: Floats, leaves: Floats) -> list[str]:
    """Tell where a block of whites seems to be missing.

    Parameters
    ----------
    at, leaves
        Minutes of the blocks of whites and of the leaf scans, rising.

    Notes
    -----
    Where a block is left out, time passes and leaves are measured: about twice as many as usual lie
    between two blocks. A pause, or darks taken half way, makes the gap longer and not fuller.
    """
    gaps = np.diff(at)
    if len(gaps) < 3:
        return []
    between = np.diff(np.searchsorted(leaves, at))
    usual, usual_leaves = float(np.median(gaps)), float(np.median(between))
    odd = np.flatnonzero((gaps > ODD_GAP * usual) & (between > ODD_GAP * usual_leaves))
    return [
        f"No white for {gaps[k]:.3g} min and {between[k]} leaf scans from minute "
        f"{at[k] - at[0]:.3g} of the whites on, where {usual:.3g} min and {usual_leaves:g} leaf "
        "scans are usual: a block of whites seems to be missing."
        for k in odd
    ]
