"""Did the whites of a session grow or fall as a whole against the other sessions?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

TOLERANCE = 1.25
"""Lamps age and fibres are plugged anew: less than this ratio is everyday (common practice, no
source)."""
_LEAVES_NM = 800.0
"""Leaves change least from day to day on the near-infrared plateau."""
_FEWEST = 3
"""From three sessions the median tells which one is odd."""


def whites_against_sessions(levels: Mapping[str, pd.DataFrame]) -> list[str]:
    """Warn of sessions whose whites are brighter or dimmer as a whole.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``, references at fault left out.

    Returns
    -------
    list of str
        A change of the lamp divides out of reflectance if the leaves saw it too; the level of the
        leaves tells whether they did.
    """
    white = {name: _level(table, "white", None) for name, table in levels.items()}
    known = {name: value for name, value in white.items() if value is not None}
    leaf = {name: _level(levels[name], "sample", _LEAVES_NM) for name in known}
    said = []
    for session in known:
        ratio = _ratio(known, session)
        if ratio is None or 1 / TOLERANCE <= ratio <= TOLERANCE:
            continue
        leaves = _ratio({n: v for n, v in leaf.items() if v is not None}, session)
        said.append(
            f"Session {session}: its whites give {ratio:.2g} times the signal per millisecond of "
            f"the other sessions (tolerance {1 / TOLERANCE:g} to {TOLERANCE:g})"
            f"{_told(ratio, leaves)}"
        )
    return said


def _told(ratio: float, leaves: float | None) -> str:
    if leaves is None:
        return ": lamp, fibre, panel or settings changed."
    if 1 / TOLERANCE <= leaves * ratio <= TOLERANCE:
        return (
            f", and its leaves come out {leaves:.2g} times as bright at {_LEAVES_NM:g} nm: whites "
            "and leaves were not measured alike (settings, panel or geometry), and the reflectance "
            "of the session is off by about that factor."
        )
    return (
        f"; the reflectance of its leaves does not follow ({leaves:.2g} times the usual at "
        f"{_LEAVES_NM:g} nm), so they saw the change too: lamp, fibre or clip. It divides out."
    )


def _level(table: pd.DataFrame, role: str, at_nm: float | None) -> float | None:
    own = table[table["role"] == role]
    if at_nm is not None:
        own = own[own["wavelength_nm"] == at_nm]
    elif len(own) and (own["unit"] != "count/ms").any():
        return None
    value = float(np.median(own["value"])) if len(own) else 0.0
    return value if value > 0 else None


def _ratio(levels: Mapping[str, float], session: str) -> float | None:
    """Return a session over the usual one: the median of three or more, else the first."""
    if session not in levels or len(levels) < 2:
        return None
    values = list(levels.values())
    usual = float(np.median(values)) if len(values) >= _FEWEST else values[0]
    return levels[session] / usual
