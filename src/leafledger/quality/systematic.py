"""Systematic error in one place: shifts of sessions, order within sessions, and what to say."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.quality.leaf_position import position_effects
from leafledger.quality.order_effects import (
    OrderEffect,
    leaves_of,
    order_effects,
)
from leafledger.quality.reference_course import reference_course
from leafledger.quality.reference_shifts import dark_shifts, looks, tile_shifts, white_shifts
from leafledger.quality.session_effects import SessionEffect

if TYPE_CHECKING:
    import pandas as pd


def sessions_of(design: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (session, phase) in study order."""
    return [(str(s["session"]), str(s["phase"])) for s in design["sessions"]]


def without_bad_references(
    levels: Mapping[str, pd.DataFrame], bad: Collection[str]
) -> dict[str, pd.DataFrame]:
    """Return the tables of levels without references at fault; leaves stay, whatever they are."""
    return {
        session: table[(table["role"] == "sample") | ~table["scan"].isin(list(bad))]
        for session, table in levels.items()
    }


def reference_effects(
    sessions: Sequence[tuple[str, str]],
    levels: Mapping[str, pd.DataFrame],
    wavelength_nm: Sequence[float],
) -> list[SessionEffect]:
    """Return the shifts of tile, white and dark, session by session."""
    if not wavelength_nm:
        return []
    return [
        *tile_shifts(sessions, looks(levels, "check", wavelength_nm), wavelength_nm),
        *white_shifts(sessions, looks(levels, "white", wavelength_nm), wavelength_nm),
        *dark_shifts(sessions, looks(levels, "dark", wavelength_nm), wavelength_nm),
    ]


def orders_of(
    design: Mapping[str, Any],
    accepted: pd.DataFrame,
    levels: Mapping[str, pd.DataFrame],
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    """Return order, position and reference effects within sessions.

    Without known units the leaves are left out: what varies is not known.
    """
    if not wavelength_nm:
        return []
    rows: list[OrderEffect] = []
    if design.get("unit") is not None:
        kept = accepted[accepted["accepted"]]
        places = {
            str(scan): (str(unit), str(leaf))
            for scan, unit, leaf in zip(kept["scan"], kept["unit"], kept["leaf"], strict=True)
        }
        leaves = {s: leaves_of(table, places, wavelength_nm) for s, table in levels.items()}
        rows += order_effects(leaves, design["treatments"], wavelength_nm)
        rows += position_effects(leaves, wavelength_nm)
    for role in ("white", "dark"):
        rows += reference_course(levels, role, wavelength_nm)
    return rows


def shift_warnings(effects: Sequence[SessionEffect]) -> list[str]:
    """Say which sessions shifted, and what the stable tile tells of it."""
    out = []
    outside = [
        row
        for row in effects
        if row.group == "check"
        and row.estimate is not None
        and row.limit_high is not None
        and abs(row.estimate) > row.limit_high
    ]
    for session in dict.fromkeys(row.session for row in outside):
        out.append(
            f"Session {session}: the stable tile left its control limits "
            f"({_told(outside, session)}, reflectance): the instrument or the panel changed, and "
            "leaves of this session carry it too."
        )
    clear = [
        row
        for row in effects
        if row.group == "control" and row.p_holm is not None and row.p_holm < 1 - row.ci_level
    ]
    has_tile = {row.session for row in effects if row.group == "check"}
    for session in dict.fromkeys(row.session for row in clear):
        out.append(
            f"Session {session}: the untreated units shifted together "
            f"({_told(clear, session)}, reflectance). {_meaning(session, has_tile, outside)}; "
            "the difference in change cancels additive shifts only."
        )
    return out


def _told(rows: Sequence[SessionEffect], session: str) -> str:
    return ", ".join(
        f"{row.estimate:+.4f} at {row.wavelength_nm:.0f} nm"
        for row in rows
        if row.session == session
    )


def _meaning(session: str, has_tile: set[str], outside: Sequence[SessionEffect]) -> str:
    if session not in has_tile:
        return "Without a stable tile (role check) an instrument shift cannot be told from growth"
    if any(row.session == session for row in outside):
        return "The stable tile shifted as well: part of it is the instrument's"
    return "The stable tile stayed within its limits: growth or weather, not the instrument"


def order_warnings(effects: Sequence[OrderEffect]) -> list[str]:
    """Say in which sessions reflectance changes clearly with the order of measuring."""
    clear = [
        row
        for row in effects
        if row.term == "order" and row.p_holm is not None and row.p_holm < 1 - row.ci_level
    ]
    out = []
    for session in dict.fromkeys(row.session for row in clear):
        own = [row for row in clear if row.session == session]
        told = ", ".join(f"{100 * (row.estimate or 0):+.2g} % at {row.wavelength_nm:.0f} nm"
                         for row in own)  # fmt: skip
        out.append(
            f"Session {session}: reflectance changes with the order of measuring ({told} from the "
            f"first leaf to the last; {own[0].reason}): leaf clip, lamp or the plants themselves "
            "through the day."
        )
    return out
