"""Does reflectance drift within a session, and what do all systematic errors mean for the reader?

Effects of the order of measuring, of the position of a leaf on its plant, and of white and dark
from the first to the last block, each with an interval over units or repeats; then the warnings on
these and on the shifts between sessions (:mod:`leafledger.quality.session_levels`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.session_levels import (
    LEVEL,
    OrderEffect,
    SessionEffect,
    dark_shifts,
    looks,
    tile_shifts,
    welch,
    white_shifts,
    with_holm,
)
from leafledger.resampling.intervals import huber_fit, t_quantile, two_sided_t

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


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
            f"({_changes(outside, session)}, reflectance): the instrument or the panel changed, "
            "and leaves of this session carry it too."
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
            f"({_changes(clear, session)}, reflectance). {_by_tile(session, has_tile, outside)}; "
            "the difference in change cancels additive shifts only."
        )
    return out


def _changes(rows: Sequence[SessionEffect], session: str) -> str:
    return ", ".join(
        f"{row.estimate:+.4f} at {row.wavelength_nm:.0f} nm"
        for row in rows
        if row.session == session
    )


def _by_tile(session: str, has_tile: set[str], outside: Sequence[SessionEffect]) -> str:
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
        effects_here = [row for row in clear if row.session == session]
        changes = ", ".join(f"{100 * (row.estimate or 0):+.2g} % at {row.wavelength_nm:.0f} nm"
                         for row in effects_here)  # fmt: skip
        out.append(
            f"Session {session}: reflectance changes with the order of measuring ({changes} from "
            f"the first leaf to the last; {effects_here[0].reason}): leaf clip, lamp or the plants "
            "themselves through the day."
        )
    return out


# Order of measuring
# ----------------------------------------------------------------------
# Both as estimates with an interval over units. The order of measuring holds leaf-clip drift and
# everything else that creeps through a session; the white and the dark are followed beside it.

FEWEST_UNITS = 12
"""Fewer units give an interval that holds less often than it says."""
FEWEST_AT_POSITION = 3
_DARKEST = 0.005
"""Reflectance below this is noise; its logarithm would drown the rest."""
_LEAST_SPREAD = 0.02
"""Order must differ by this share of the session between days, or it says nothing."""
ACROSS = "each unit against itself in the other sessions"
BETWEEN = (
    "from unit to unit of this session alone: units differ by themselves, and a layout that was "
    "measured in its own order looks the same"
)
_Means = Mapping[str, tuple[float, Floats]]


@dataclass(frozen=True)
class Leaves:
    """The accepted leaf scans of one session.

    Attributes
    ----------
    unit, leaf
        Of each scan; the leaf is its position on the unit, empty if not named.
    place
        Order of measuring as a share of the session: 0 the first leaf, 1 the last.
    value
        Log reflectance, shape ``(n_scans, n_wavelengths)``.
    """

    unit: tuple[str, ...]
    leaf: tuple[str, ...]
    place: Floats
    value: Floats


def leaves_of(
    table: pd.DataFrame, places: Mapping[str, tuple[str, str]], wavelength_nm: Sequence[float]
) -> Leaves:
    """Return the accepted leaf scans of a table of levels.

    Parameters
    ----------
    table
        ``quality/<session>.levels.parquet``.
    places
        Accepted scan -> (unit, leaf).
    wavelength_nm
        Wavelengths wanted, nm.
    """
    rows = table[(table["role"] == "sample") & table["wavelength_nm"].isin(list(wavelength_nm))]
    wide = rows.pivot_table(index="scan", columns="wavelength_nm", values="value", sort=True)
    first = rows.groupby("scan", sort=True)["place"].first().to_numpy(dtype=np.float64)
    span = float(np.ptp(first)) if len(first) else 0.0
    share = (first - first.min()) / span if span > 0 else np.zeros(len(first))
    ids = [str(scan) for scan in wide.index]
    keep = [k for k, scan in enumerate(ids) if scan in places]
    value = np.log(np.maximum(wide.to_numpy(dtype=np.float64)[keep], _DARKEST))
    return Leaves(
        tuple(places[ids[k]][0] for k in keep),
        tuple(places[ids[k]][1] for k in keep),
        share[keep],
        value.reshape(len(keep), len(wavelength_nm)),
    )


def order_effects(
    sessions: Mapping[str, Leaves],
    groups: Mapping[str, str],
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    """Estimate how reflectance changes from the first to the last leaf of every session.

    Parameters
    ----------
    sessions
        Accepted leaf scans by session, in study order.
    groups
        Unit -> treatment; a difference between treatments is no order effect and is taken out.
    wavelength_nm
        Wavelengths, nm.

    Notes
    -----
    Leaf positions are brought to their common median first; then the scans of a unit are
    averaged. Where units occur in other sessions and were measured in another order there, the
    unit's mean in the others is taken off value and order, so that units may differ; else units
    are compared with each other. The line is fitted with Huber's weights, with a level for each
    treatment, and Student's t over units. Holm over all rows.
    """
    means = {name: _unit_means(leaves) for name, leaves in sessions.items()}
    rows: list[OrderEffect] = []
    for session, means_here in means.items():
        others = [other_means for name, other_means in means.items() if name != session]
        position, value, units, reason = _response(means_here, others)
        rows += _line(session, position, value, [groups.get(u, "") for u in units], reason,
                      wavelength_nm)  # fmt: skip
    return with_holm(rows)


def _unit_means(leaves: Leaves) -> dict[str, tuple[float, Floats]]:
    """Return unit -> mean place and mean log reflectance, leaf positions evened out."""
    value = leaves.value.copy()
    middle = np.median(value, axis=0) if len(value) else np.empty(0)
    for rows in _places(leaves.leaf).values():
        if len({leaves.unit[k] for k in rows}) >= FEWEST_AT_POSITION:
            value[rows] += middle - np.median(value[rows], axis=0)
    return {
        unit: (float(leaves.place[rows].mean()), value[rows].mean(axis=0))
        for unit, rows in sorted(_places(leaves.unit).items())
    }


def _places(names: Sequence[str]) -> dict[str, list[int]]:
    """Return name -> where it stands."""
    out: dict[str, list[int]] = {}
    for k, name in enumerate(names):
        out.setdefault(name, []).append(k)
    return out


def _response(here: _Means, others: Sequence[_Means]) -> tuple[Floats, Floats, list[str], str]:
    """Return place and value of each unit, less those of its other sessions where that tells."""
    both = [unit for unit in here if any(unit in other for other in others)]
    if len(both) >= FEWEST_UNITS:
        position, value = [], []
        for unit in both:
            rest = [other[unit] for other in others if unit in other]
            position.append(here[unit][0] - np.mean([r[0] for r in rest]))
            value.append(here[unit][1] - np.mean([r[1] for r in rest], axis=0))
        if float(np.std(position)) > _LEAST_SPREAD:
            return np.array(position), np.array(value), both, ACROSS
    units = list(here)
    return (
        np.array([here[u][0] for u in units]),
        np.array([here[u][1] for u in units]),
        units,
        BETWEEN,
    )


def _line(
    session: str,
    position: Floats,
    value: Floats,
    groups: Sequence[str],
    rests_on: str,
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    n = len(position)
    levels = sorted(set(groups))
    terms = np.column_stack(
        [position, *[np.array([g == level for g in groups], dtype=np.float64) for level in levels]]
    ) if n else np.empty((0, 1))  # fmt: skip
    reason = f"{n} units, at least {FEWEST_UNITS} are needed" if n < FEWEST_UNITS else ""
    rows = []
    for k, at_nm in enumerate(wavelength_nm):
        fit = None if reason else huber_fit(terms, value[:, k])
        if fit is None:
            why = reason or "the order follows the treatment: the two cannot be told apart"
            rows.append(_undefined(session, "order", "", at_nm, n, "1", why))
            continue
        slope, error = float(fit.coefficient[0]), float(fit.error[0])
        rows.append(relative_row(session, "order", "", at_nm, slope, error, fit.df, n, rests_on))
    return rows


def _undefined(
    session: str, term: str, position: str, at_nm: float, n: int, unit: str, why: str
) -> OrderEffect:
    return OrderEffect(
        session, term, position, float(at_nm), None, None, None, LEVEL, n, None, None, unit, why
    )


def relative_row(
    session: str,
    term: str,
    position: str,
    at_nm: float,
    change: float,
    error: float,
    df: float,
    n: int,
    reason: str,
) -> OrderEffect:
    """Return a row from a change of the logarithm, as a relative change."""
    if error <= 0:
        reason = "; ".join(filter(None, [reason, "no spread: no interval"]))
        row = _undefined(session, term, position, at_nm, n, "1", reason)
        return replace(row, estimate=float(np.expm1(change)))
    half = t_quantile(LEVEL, df) * error
    low, high = float(np.expm1(change - half)), float(np.expm1(change + half))
    p = two_sided_t(change / error, df)
    return OrderEffect(
        session, term, position, float(at_nm), float(np.expm1(change)), low, high, LEVEL, n, p,
        None, "1", reason,
    )  # fmt: skip


# Position of the leaf on the plant
# ----------------------------------------------------------------------

_MOST_POSITIONS = 12


def position_effects(
    sessions: Mapping[str, Leaves], wavelength_nm: Sequence[float]
) -> list[OrderEffect]:
    """Estimate how the leaf positions differ from the first, within units.

    Only where at least three units have both positions. Position and order cannot be told apart
    if the positions were always measured in the same order; the row says so.
    """
    rows: list[OrderEffect] = []
    for session, leaves in sessions.items():
        of_unit = _by_position(leaves)
        names = sorted({leaf for leaf in leaves.leaf if leaf}, key=lambda leaf: (len(leaf), leaf))
        if not 2 <= len(names) <= _MOST_POSITIONS:
            continue
        for name in names[1:]:
            pairs = [
                by_position[name]
                for by_position in of_unit.values()
                if name in by_position and names[0] in by_position
            ]
            base = [
                by_position[names[0]]
                for by_position in of_unit.values()
                if name in by_position and names[0] in by_position
            ]
            if len(pairs) >= FEWEST_AT_POSITION:
                rows += _position(session, name, names[0], pairs, base, wavelength_nm)
    return with_holm(rows)


def _by_position(leaves: Leaves) -> dict[str, dict[str, tuple[float, Floats]]]:
    groups: dict[str, dict[str, list[int]]] = {}
    for k, (unit, leaf) in enumerate(zip(leaves.unit, leaves.leaf, strict=True)):
        groups.setdefault(unit, {}).setdefault(leaf, []).append(k)
    return {
        unit: {
            leaf: (float(leaves.place[rows].mean()), leaves.value[rows].mean(axis=0))
            for leaf, rows in by_leaf.items()
        }
        for unit, by_leaf in sorted(groups.items())
    }


def _position(
    session: str,
    name: str,
    first: str,
    pairs: Sequence[tuple[float, Floats]],
    base: Sequence[tuple[float, Floats]],
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    change = np.array([a[1] - b[1] for a, b in zip(pairs, base, strict=True)])
    later = np.array([a[0] - b[0] for a, b in zip(pairs, base, strict=True)])
    n = len(change)
    reason = f"against position {first}"
    if (later > 0).all() or (later < 0).all():
        when = "after" if later[0] > 0 else "before"
        reason += f", always measured {when} it: order and position cannot be told apart"
    return [
        relative_row(
            session, "leaf_position", name, at_nm, float(change[:, k].mean()),
            float(change[:, k].std(ddof=1) / np.sqrt(n)), n - 1, n, reason,
        )
        for k, at_nm in enumerate(wavelength_nm)
    ]  # fmt: skip


# White and dark within a session
# ----------------------------------------------------------------------


def reference_course(
    levels: Mapping[str, pd.DataFrame], role: str, wavelength_nm: Sequence[float]
) -> list[OrderEffect]:
    """Estimate the change from the first to the last block of whites or darks.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``, in study order.
    role
        ``white`` (relative change of the signal per ms) or ``dark`` (counts, at the longest
        integration time that has the most darks).
    wavelength_nm
        Wavelengths, nm.

    Returns
    -------
    list of OrderEffect
        With Welch's interval from the repeats within the two blocks; ``n_units`` counts those
        scans. Holm over all rows of the role.
    """
    rows = [
        row
        for session, table in levels.items()
        for at_nm in wavelength_nm
        for row in _course(session, table, role, float(at_nm))
    ]
    return with_holm(rows)


def _course(session: str, table: pd.DataFrame, role: str, at_nm: float) -> list[OrderEffect]:
    scans = table[(table["role"] == role) & (table["wavelength_nm"] == at_nm)].sort_values("place")
    if role == "dark" and len(scans):
        times = scans["integration_ms"].fillna(-1.0)
        counts = times.value_counts()
        scans = scans[times == max(counts[counts == counts.max()].index)]
    if not len(scans):
        return []
    value = scans["value"].to_numpy(dtype=np.float64)
    block = scans["block"].to_numpy()
    first, last = value[block == block[0]], value[block == block[-1]]
    term, unit = ("white_signal", "1") if role == "white" else ("dark_level", "count")
    row = OrderEffect(
        session, term, "", at_nm, None, None, None, LEVEL, len(value), None, None, unit, ""
    )
    if block[0] == block[-1]:
        return [replace(row, reason="one block only: no course")]
    row = replace(row, n_units=len(first) + len(last))
    if role == "white":
        if min(first.min(), last.min()) <= 0:
            return [replace(row, reason="a white without signal")]
        first, last = np.log(first), np.log(last)
    return [_compared(row, first, last, relative=role == "white")]


def _compared(row: OrderEffect, first: Floats, last: Floats, *, relative: bool) -> OrderEffect:
    """Return the row with the change from the first to the last block of references."""
    change, low, high, p, _ = welch(last, first)
    reason = "means of the first and the last block; interval from repeats within blocks"
    if p is None:
        change = float(np.median(last) - np.median(first))
        repeated = min(len(first), len(last)) > 1
        reason = f"no {'spread' if repeated else 'repeats in a block'}: no interval"
    ends: tuple[float | None, ...] = (change, low, high)
    if relative:
        ends = tuple(None if end is None else float(np.expm1(end)) for end in ends)
    return replace(row, estimate=ends[0], ci_low=ends[1], ci_high=ends[2], p=p, reason=reason)
