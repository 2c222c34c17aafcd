"""Darks of one integration time that are off together, told by the other sessions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from leafledger.quality.dark_scale import common_factor
from leafledger.quality.darks import LEAST_SHIFT, LEVEL_Z
from leafledger.quality.flags import Flag
from leafledger.resampling.intervals import MAD_TO_SD

if TYPE_CHECKING:
    import pandas as pd

FEWEST_OTHERS = 2
"""Sessions that must agree with each other before a third is called."""


def darks_against_sessions(
    levels: Mapping[str, pd.DataFrame],
    named: Collection[str] = (),
    noise: Mapping[str, float] | None = None,
) -> tuple[list[Flag], list[str]]:
    """Hold the darks of each session and integration time against those of the other sessions.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.
    named
        Darks at fault by themselves; they say nothing of the others.
    noise
        Session -> noise of one dark from scan to scan, counts, where it is known.

    Returns
    -------
    tuple
        Faults on all darks of an integration time that lie off what the other sessions agree on,
        while the session's darks of another integration time do not, and on all darks of a session
        whose level and noise are those of the others times one factor; warnings where all darks
        of a session moved, which a warmer or cooler detector does too.
    """
    noise = noise or {}
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
            ratios = [_ratio(table[session, ms], shift) for ms, shift, _ in moved]
            factor = common_factor(ratios, _noise_ratio(noise, session))
            if factor is None:
                warnings.append(_all_moved(session, moved))
            else:
                of = levels[session]
                flags += [f for ms, by, limit in moved for f in _flags(of, ms, by, limit, factor)]
    return flags, warnings + _of_two(table, noise)


def _all_moved(session: str, moved: Sequence[tuple[float, float, float]]) -> str:
    told = ", ".join(f"{shift:+.4g} counts{_at(ms)}" for ms, shift, _ in moved)
    return (
        f"Session {session}: all its darks differ from those of the other sessions ({told}): a "
        "warmer or cooler detector, or light in every dark; nothing in this session tells which."
    )


def _ratio(level: float, shift: float) -> float:
    """Return the level over what the other sessions agree on; 0 if one of them is not positive."""
    usual = level - shift
    return level / usual if min(level, usual) > 0 else 0.0


def _noise_ratio(noise: Mapping[str, float], session: str) -> float | None:
    """Return the noise of a session's darks over the usual noise of the others."""
    others = [value for name, value in noise.items() if name != session]
    if session not in noise or not others or min(others) <= 0:
        return None
    return noise[session] / float(np.median(others))


def _of_two(table: Mapping[tuple[str, float], float], noise: Mapping[str, float]) -> list[str]:
    """Warn where a study has two sessions and the darks of one are a multiple of the other's."""
    sessions = list(dict.fromkeys(name for name, _ in table))
    if len(sessions) != 2:
        return []
    first, second = sessions
    shared = [ms for name, ms in table if name == first and (second, ms) in table]
    ratios = [_ratio(table[second, ms], table[second, ms] - table[first, ms]) for ms in shared]
    factor = common_factor(ratios, _noise_ratio(noise, second))
    if factor is None:
        return []
    return [
        f"The darks of session {second} are those of session {first} times {factor:.2g}, noise "
        "included: one of them was recorded with other averages, sums or gain. Nothing tells which."
    ]


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


def _flags(
    table: pd.DataFrame, ms: float, shift: float, limit: float, factor: float | None = None
) -> Sequence[Flag]:
    darks = table[table["role"] == "dark"]
    own = darks.loc[darks["integration_ms"].fillna(-1.0) == ms, "scan"].unique()
    told = (
        "and the darks of another integration time do not: light reached the detector, or a "
        "setting was wrong."
        if factor is None
        else f"and all darks of the session are {factor:.2g} times as large, noise included: they "
        "were recorded with other averages, sums or gain, not by a warmer or cooler detector."
    )
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
            f"{limit:.3g}), {told}",
        )
        for scan in sorted(own)
    ]
