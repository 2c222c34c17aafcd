"""Unit means as an array, and the change of every unit, with those that lack a pair by name."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.layout import Contrast, Layout
from leafledger.effects.words import listed

if TYPE_CHECKING:
    import pandas as pd

_RESOLUTION = 1e-12
_SAME = 1e-9


@dataclass(frozen=True)
class UnitTable:
    """Means of units as arrays; ``NaN`` where a unit has no accepted value.

    Attributes
    ----------
    units, sessions, indices
        Names along the three axes.
    mean, u
        Shape ``(n_units, n_sessions, n_indices)``, in the unit of each index.
    """

    units: tuple[str, ...]
    sessions: tuple[str, ...]
    indices: tuple[str, ...]
    mean: NDArray[np.float64]
    u: NDArray[np.float64]


def unit_table(layout: Layout, rows: pd.DataFrame, indices: Iterable[str]) -> UnitTable:
    """Arrange ``unit_indices.csv`` by unit, session and index; the order of its rows is nothing.

    A whole plot that is the experimental unit has the mean of its units.

    Parameters
    ----------
    layout
        Gives the units and sessions that take part.
    rows
        Columns unit, session, index, mean, u.
    indices
        Indices that must appear even without a value.
    """
    units = tuple(sorted(unit for arm in layout.levels.values() for unit in arm))
    sessions, owner = layout.sessions, layout.owner
    names = tuple(sorted({*indices, *rows["index"]}))
    place = [{name: i for i, name in enumerate(axis)} for axis in (units, sessions, names)]
    shape = (len(units), len(sessions), len(names))
    total, total_u, count = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    columns = ("unit", "session", "index", "mean", "u")
    ordered = rows.sort_values("unit", kind="stable")
    for part, session, index, value, spread in zip(
        *(ordered[c].tolist() for c in columns), strict=True
    ):
        unit = owner.get(part)
        if unit is not None and session in place[1] and math.isfinite(value):
            where = place[0][unit], place[1][session], place[2][index]
            total[where] += value
            total_u[where] += spread  # references are shared: their part does not average out
            count[where] += 1.0
    n = np.where(count > 0, count, np.nan)
    mean, u = total / n, total_u / n
    return UnitTable(units, sessions, names, mean, u)


def same_numbers(table: UnitTable) -> dict[str, str]:
    """Return index -> the first index that is the same number in every unit and session.

    Two formulas may be one: ``(R(750) - R(705)) / (R(750) + R(705))`` is ND705. They are held to be
    the same where no value differs by more than 1e-9 of the largest.
    """
    found: dict[str, str] = {}
    for k, name in enumerate(table.indices):
        own = table.mean[:, :, k]
        if not np.isfinite(own).any():
            continue
        limit = _SAME * float(np.nanmax(np.abs(own)))
        for j, first in enumerate(table.indices[:k]):
            other = table.mean[:, :, j]
            if first not in found and np.allclose(own, other, rtol=0, atol=limit, equal_nan=True):
                found[name] = first
                break
    return found


@dataclass(frozen=True)
class Sample:
    """The values that one contrast tests, units in the order of their id.

    Attributes
    ----------
    units
        Units that take part.
    change, before
        After minus before, and before; shape ``(n_units,)``, in the unit of the index. Without a
        session before, ``change`` is the value after and ``before`` is ``NaN``.
    treated
        Whether a unit belongs to the contrast's level; shape ``(n_units,)``.
    u
        Measurement uncertainty of each change (k = 1), ``NaN`` if unknown.
    sessions
        The sessions of the contrast, before ones first.
    missing
        Session -> units left out because they have no accepted value there.
    n_missing
        Units left out.
    resolution
        Differences up to this size are rounding.
    n_before
        Sessions before.
    partial
        Unit that takes part -> before sessions that it lacks.
    """

    units: tuple[str, ...]
    change: NDArray[np.float64]
    before: NDArray[np.float64]
    treated: NDArray[np.bool_]
    u: NDArray[np.float64]
    sessions: tuple[str, ...]
    missing: dict[str, list[str]]
    n_missing: int
    resolution: float
    n_before: int = 1
    partial: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def arms(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Changes of the treated units and of the reference units."""
        return self.change[self.treated], self.change[~self.treated]

    @property
    def has_before(self) -> bool:
        """Whether the study has sessions before."""
        return self.n_before > 0

    @property
    def filled(self) -> list[str]:
        """Units without any value before, for which the mean of the others stands in."""
        return [unit for unit, lacks in self.partial.items() if len(lacks) == self.n_before]

    @property
    def bare(self) -> list[str]:
        """Sessions in which no unit at all has an accepted value."""
        n_units = len(self.units) + self.n_missing
        return [s for s, units in self.missing.items() if len(units) == n_units]

    @property
    def valueless(self) -> bool:
        """Whether no unit has an accepted value in any of the sessions."""
        return len(self.bare) == len(self.sessions)

    def only(self, keep: NDArray[np.bool_]) -> Sample:
        """Return the sample of these units alone; the others count as missing."""
        units = tuple(unit for unit, stays in zip(self.units, keep.tolist(), strict=True) if stays)
        return replace(
            self,
            units=units,
            change=self.change[keep],
            before=self.before[keep],
            treated=self.treated[keep],
            u=self.u[keep],
            n_missing=self.n_missing + int((~keep).sum()),
            partial={unit: lacks for unit, lacks in self.partial.items() if unit in units},
        )


def sample(
    layout: Layout,
    table: UnitTable,
    contrast: Contrast,
    index: str,
    *,
    fill_before: bool = False,
    weights: Mapping[str, float] | None = None,
) -> Sample:
    """Return the values of one contrast and index.

    A unit takes part if it has an accepted value after and in at least one session before. A unit
    without them is left out of this contrast and named; the test stays the same. One that lacks
    some of several before sessions takes the mean of those it has, each less what its session
    differs from the mean of all (estimated from the units that have them all).

    Parameters
    ----------
    layout, table, contrast, index
        Design, unit means, and what is asked of which index.
    fill_before
        Keep units without any value before, with the mean of the others in its place. Sound where
        the value before is a covariate and treatments were allotted at random (White and Thompson
        2005), and nowhere else.
    weights
        After session -> weight of the change from before to it; left out, the contrast's session
        alone. A unit needs a value in every session with a weight.

    References
    ----------
    White, I. R. and Thompson, S. G. (2005). Adjusting for partially missing baseline measurements
    in randomized trials. Statistics in Medicine 24, 993-1007.
    """
    layout = layout.within(contrast.stratum)
    wanted = {*layout.levels[contrast.level], *layout.levels.get(contrast.reference, ())}
    rows = np.array([i for i, unit in enumerate(table.units) if unit in wanted], dtype=int)
    weights = weights or {contrast.after: 1.0}
    at = {session: i for i, session in enumerate(table.sessions)}
    k = table.indices.index(index)
    early, late = [at[s] for s in layout.before], [at[s] for s in weights]
    w = np.array(list(weights.values()))
    start, end = table.mean[rows][:, early, k], table.mean[rows][:, late, k]
    measured = np.asarray(np.isfinite(end).all(axis=1), dtype=bool)
    before, u_before = np.zeros(len(rows)), np.zeros(len(rows))
    if early:
        before, u_before = _before(start, table.u[rows][:, early, k], measured, fill_before)
    keep = np.asarray(measured & np.isfinite(before), dtype=bool)
    # Shared references and panel do not average out between before sessions either.
    u = np.sqrt(((table.u[rows][:, late, k] * w) ** 2).sum(axis=1) + (u_before * w.sum()) ** 2)
    names = [table.units[i] for i in rows]
    inside = [unit in layout.levels[contrast.level] for unit in names]
    sizes = np.abs(np.concatenate([before[keep], end[keep].ravel()]))
    sessions = [*layout.before, *weights]
    values = np.column_stack([start, end])
    return Sample(
        units=tuple(name for name, stays in zip(names, keep.tolist(), strict=True) if stays),
        change=np.array([_added(w, row) for row in end[keep] - before[keep, None]]),
        before=before[keep] if early else np.full(int(keep.sum()), np.nan),
        treated=np.array(inside, dtype=bool)[keep],
        u=u[keep],
        sessions=tuple(sessions),
        missing=_absent(sessions, values, names, keep),
        n_missing=int((~keep).sum()),
        resolution=float(_RESOLUTION * sizes.max(initial=0.0) * max(1.0, np.abs(w).max())),
        n_before=len(early),
        partial=_partial(layout.before, start, names, keep),
    )


def _before(
    start: NDArray[np.float64], u: NDArray[np.float64], measured: NDArray[np.bool_], fill: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mean before of each unit and its uncertainty; ``NaN`` where there is none."""
    here = np.asarray(np.isfinite(start), dtype=bool)
    full = np.asarray(here.all(axis=1), dtype=bool)
    whole = full & measured
    # 1. What each session differs from the mean of all, by the units that have every session.
    known = start[whole] if whole.any() else start
    count = np.maximum(np.isfinite(known).sum(axis=0), 1)
    level = np.where(np.isfinite(known), known, 0.0).sum(axis=0) / count
    shift = level - level.mean()
    # 2. The mean of the sessions that a unit has, each less its shift; complete units need none.
    n = here.sum(axis=1)
    moved = np.where(here, start - np.where(full[:, None], 0.0, shift), 0.0)
    before = np.where(n > 0, moved.sum(axis=1) / np.maximum(n, 1), np.nan)
    u_before = np.where(n > 0, np.where(here, u, 0.0).sum(axis=1) / np.maximum(n, 1), np.nan)
    # 3. Where asked for, the mean of the others stands in.
    gone = measured & (n == 0)
    others = measured & (n > 0)
    if fill and gone.any() and others.any():
        before[gone], u_before[gone] = before[others].mean(), u_before[others].mean()
    return before, u_before


def _added(weights: NDArray[np.float64], changes: NDArray[np.float64]) -> float:
    return math.fsum((weights * changes).tolist())


def _absent(
    sessions: Sequence[str],
    values: NDArray[np.float64],
    names: Sequence[str],
    keep: NDArray[np.bool_],
) -> dict[str, list[str]]:
    gone = {
        session: [names[j] for j in np.flatnonzero(~keep & np.isnan(values[:, i])).tolist()]
        for i, session in enumerate(sessions)
    }
    return {session: units for session, units in gone.items() if units}


def _partial(
    before: Sequence[str],
    start: NDArray[np.float64],
    names: Sequence[str],
    keep: NDArray[np.bool_],
) -> dict[str, tuple[str, ...]]:
    lacks = {
        names[j]: tuple(s for i, s in enumerate(before) if np.isnan(start[j, i]))
        for j in np.flatnonzero(keep).tolist()
    }
    return {unit: sessions for unit, sessions in lacks.items() if sessions}


def left_out(found: Sample) -> str:
    """Say which units are left out and why, and which take part without a value; ``""`` if none."""
    parts = []
    if found.missing:
        if found.valueless:
            return (
                "no unit has a defined value: the index lies outside the trusted range or is "
                "undefined"
            )
        if found.bare:
            return f"no unit of this contrast has an accepted value in {listed(found.bare)}"
        gone = [f"no {s} value for {', '.join(units)}" for s, units in found.missing.items()]
        parts.append(f"{'; '.join(gone)}: left out of this contrast, the test stays the same")
    filled = found.filled
    some = {unit: lacks for unit, lacks in found.partial.items() if unit not in filled}
    if some:
        lacks = "; ".join(f"{unit} lacks {listed(list(days))}" for unit, days in some.items())
        parts.append(f"{lacks}: the value before is the mean of the other before sessions")
    if filled:
        parts.append(
            f"no value before for {', '.join(filled)}: as covariate the mean of the others "
            "stands in"
        )
    return "; ".join(parts)
