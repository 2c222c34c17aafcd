"""The order of measuring, and references that were measured together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.session import Session

NO_BLOCK = -1
PAUSE_S = 10 * 60.0
"""A longer pause between two references of a kind also ends a block."""


def measuring_order(session: Session) -> NDArray[np.int32]:
    """Return the place of each scan in the order of measuring, from 0, shape ``(n_scans,)``.

    By time if every scan states one, else as in the sheet.
    """
    seconds = session.seconds
    if np.isnan(seconds).any():
        return np.arange(len(seconds), dtype=np.int32)
    place = np.empty(len(seconds), dtype=np.int32)
    place[np.argsort(seconds, kind="stable")] = np.arange(len(seconds))
    return place


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
            _numbers([session.roles[i] for i in order], role, session.seconds[order]),
            block[order],
        )
    return block


def _numbers(roles: Sequence[str], role: str, seconds: NDArray[np.float64]) -> NDArray[np.int32]:
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
