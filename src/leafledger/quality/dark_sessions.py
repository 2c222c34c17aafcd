"""Darks of one integration time that are off together, told by the other sessions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from leafledger.chance.spread import MAD_TO_SD
from leafledger.quality.darks import LEAST_SHIFT, LEVEL_Z
from leafledger.quality.flags import Flag

if TYPE_CHECKING:
    import pandas as pd

FEWEST_OTHERS = 2
"""Sessions that must agree with each other before a third is called."""


def darks_against_sessions(
    levels: Mapping[str, pd.DataFrame], named: Collection[str] = ()
) -> tuple[list[Flag], list[str]]:
    """Hold the darks of each session and integration time against those of the other sessions.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.
    named
        Darks at fault by themselves; they say nothing of the others.

    Returns
    -------
    tuple
        Faults on all darks of an integration time that lie off what the other sessions agree on,
        while the session's darks of another integration time do not; warnings where all darks of
        a session moved, which a warmer or cooler detector does too.
    """
    levels = {name: of[~of["scan"].isin(list(named))] for name, of in levels.items()}
    table = _session_levels(levels)
    flags: list[Flag] = []
    warnings: list[str] = []
    for session in levels:
        moved: list[tuple[float, float, float]] = []
        still: list[tuple[float, float, float]] = []
        for ms in sorted({ms for name, ms in table if name == session}):
            found = _shift(table, session, ms, _tolerance(levels))
            if found is not None:
                (moved if abs(found[0]) > found[1] else still).append((ms, *found))
        if moved and still:
            flags += [flag for ms, *of in moved for flag in _flags(levels[session], ms, *of)]
        elif moved:
            told = ", ".join(f"{shift:+.4g} counts{_at(ms)}" for ms, shift, _ in moved)
            warnings.append(
                f"session {session}: all its darks differ from those of the other sessions "
                f"({told}): a warmer or cooler detector, or light in every dark; nothing in this "
                "session tells which"
            )
    return flags, warnings


def _at(ms: float) -> str:
    return f" at {ms:g} ms" if ms >= 0 else ""


def _session_levels(levels: Mapping[str, pd.DataFrame]) -> dict[tuple[str, float], float]:
    out: dict[tuple[str, float], float] = {}
    for session, table in levels.items():
        darks = table[table["role"] == "dark"]
        for ms, own in darks.groupby(darks["integration_ms"].fillna(-1.0), sort=True):
            out[session, float(ms)] = float(np.median(own["value"]))
    return out


def _tolerance(levels: Mapping[str, pd.DataFrame]) -> float:
    """Return the shift that matters, counts: 0.2 % of the usual white signal."""
    signal = []
    for table in levels.values():
        whites = table[table["role"] == "white"]
        if len(whites):
            signal.append(float(np.median(whites["value"] * whites["integration_ms"].fillna(1.0))))
    return LEAST_SHIFT * float(np.median(signal)) if signal else 0.0


def _shift(
    table: Mapping[tuple[str, float], float], session: str, ms: float, tolerance: float
) -> tuple[float, float] | None:
    """Return shift and tolerance in counts; ``None`` if the other sessions do not tell."""
    others = [level for (name, at), level in table.items() if at == ms and name != session]
    if len(others) < FEWEST_OTHERS:
        return None
    middle = float(np.median(others))
    spread = float(np.median(np.abs(np.array(others) - middle))) * MAD_TO_SD
    limit = max(tolerance, LEVEL_Z * spread)
    if len(others) == FEWEST_OTHERS and abs(others[0] - others[1]) > tolerance:
        return None
    return table[session, ms] - middle, limit


def _flags(table: pd.DataFrame, ms: float, shift: float, limit: float) -> Sequence[Flag]:
    darks = table[table["role"] == "dark"]
    own = darks.loc[darks["integration_ms"].fillna(-1.0) == ms, "scan"].unique()
    return [
        Flag(
            str(scan),
            "dark_against_sessions",
            "fault",
            abs(shift),
            limit,
            "count",
            f"All {len(own)} darks{_at(ms)} of this session lie {abs(shift):.4g} counts "
            f"{'above' if shift > 0 else 'below'} what the other sessions agree on (tolerance "
            f"{limit:.3g}), and the darks of another integration time do not: light reached the "
            "detector, or a setting was wrong.",
        )
        for scan in sorted(own)
    ]
