"""Unit means as an array, and the change of every unit, with those that lack a pair by name."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.layout import Contrast, Layout
from leafledger.effects.words import listed

if TYPE_CHECKING:
    import pandas as pd

_RESOLUTION = 1e-12


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
    sessions = layout.sessions
    names = tuple(sorted({*indices, *rows["index"]}))
    place = [{name: i for i, name in enumerate(axis)} for axis in (units, sessions, names)]
    shape = (len(units), len(sessions), len(names))
    mean, u = np.full(shape, np.nan), np.full(shape, np.nan)
    columns = ("unit", "session", "index", "mean", "u")
    for unit, session, index, value, spread in zip(
        *(rows[c].tolist() for c in columns), strict=True
    ):
        if unit in place[0] and session in place[1]:
            where = place[0][unit], place[1][session], place[2][index]
            mean[where], u[where] = value, spread
    return UnitTable(units, sessions, names, mean, u)


@dataclass(frozen=True)
class Sample:
    """The changes that one contrast tests, units in the order of their id.

    Attributes
    ----------
    units
        Units that have the pair.
    change, before
        After minus before, and before; shape ``(n_units,)``, in the unit of the index.
    treated
        Whether a unit belongs to the contrast's level; shape ``(n_units,)``.
    u
        Measurement uncertainty of each change (k = 1), ``NaN`` if unknown.
    sessions
        The sessions of the contrast, before ones first.
    missing
        Session -> units without an accepted value there.
    n_missing
        Units without the pair.
    resolution
        Differences up to this size are rounding.
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

    @property
    def arms(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Changes of the treated units and of the reference units."""
        return self.change[self.treated], self.change[~self.treated]

    @property
    def bare(self) -> list[str]:
        """Sessions in which no unit at all has an accepted value."""
        n_units = len(self.units) + self.n_missing
        return [s for s, units in self.missing.items() if len(units) == n_units]

    @property
    def valueless(self) -> bool:
        """Whether no unit has an accepted value in any of the sessions."""
        return len(self.bare) == len(self.sessions)


def sample(layout: Layout, table: UnitTable, contrast: Contrast, index: str) -> Sample:
    """Return the changes of one contrast and index.

    A unit has the pair if it has an accepted value in the after session and in every before
    session (several are averaged). A unit without it is left out of this contrast and named; the
    test stays the same.
    """
    layout = layout.within(contrast.stratum)
    wanted = {*layout.levels[contrast.level], *layout.levels.get(contrast.reference, ())}
    rows = np.array([i for i, unit in enumerate(table.units) if unit in wanted], dtype=int)
    return _weighed(layout, table, contrast, index, rows, {contrast.after: 1.0})


def weighted_sample(
    layout: Layout, table: UnitTable, contrast: Contrast, index: str, weights: Mapping[str, float]
) -> Sample:
    """Return, for each unit, a weighted sum of its changes in several after sessions.

    Parameters
    ----------
    layout, table, contrast, index
        As in :func:`sample`; the contrast's own session is not used.
    weights
        After session -> weight of the change from before to it. A unit needs a value in every
        session with a weight and in every before session.
    """
    layout = layout.within(contrast.stratum)
    wanted = {*layout.levels[contrast.level], *layout.levels.get(contrast.reference, ())}
    rows = np.array([i for i, unit in enumerate(table.units) if unit in wanted], dtype=int)
    return _weighed(layout, table, contrast, index, rows, weights)


def _weighed(
    layout: Layout,
    table: UnitTable,
    contrast: Contrast,
    index: str,
    rows: NDArray[np.intp],
    weights: Mapping[str, float],
) -> Sample:
    at = {session: i for i, session in enumerate(table.sessions)}
    k = table.indices.index(index)
    early, late = [at[s] for s in layout.before], [at[s] for s in weights]
    w = np.array(list(weights.values()))
    start, end = table.mean[rows][:, early, k], table.mean[rows][:, late, k]
    paired = np.asarray(np.isfinite(np.column_stack([start, end])).all(axis=1), dtype=bool)
    before = start.mean(axis=1)[paired]
    # Shared references and panel do not average out between before sessions either.
    u_before = table.u[rows][:, early, k].mean(axis=1) * abs(w.sum())
    u = np.sqrt(((table.u[rows][:, late, k] * w) ** 2).sum(axis=1) + u_before**2)[paired]
    names = [table.units[i] for i in rows]
    inside = [unit in layout.levels[contrast.level] for unit in names]
    largest = max(np.abs(before).max(initial=0.0), np.abs(end[paired]).max(initial=0.0))
    sessions = [*layout.before, *weights]
    return Sample(
        units=tuple(name for name, has in zip(names, paired.tolist(), strict=True) if has),
        change=np.array([_added(w, row) for row in end[paired] - before[:, None]]),
        before=before,
        treated=np.array(inside, dtype=bool)[paired],
        u=u,
        sessions=tuple(sessions),
        missing=_absent(sessions, np.column_stack([start, end]), names),
        n_missing=int((~paired).sum()),
        resolution=float(_RESOLUTION * largest * max(1.0, np.abs(w).max(initial=0.0))),
    )


def _added(weights: NDArray[np.float64], changes: NDArray[np.float64]) -> float:
    return math.fsum((weights * changes).tolist())


def _absent(
    sessions: Sequence[str], values: NDArray[np.float64], names: Sequence[str]
) -> dict[str, list[str]]:
    gone = {
        session: [name for name, v in zip(names, values[:, i], strict=True) if np.isnan(v)]
        for i, session in enumerate(sessions)
    }
    return {session: units for session, units in gone.items() if units}


def left_out(found: Sample) -> str:
    """Say why units lack the pair, by session and name; ``""`` if none does."""
    if not found.missing:
        return ""
    if found.valueless:
        return (
            "no unit has a defined value: the index lies outside the trusted range or is undefined"
        )
    if found.bare:
        return f"no unit of this contrast has an accepted value in {listed(found.bare)}"
    parts = [f"no {s} value for {', '.join(units)}" for s, units in found.missing.items()]
    return f"{'; '.join(parts)}: left out of this contrast, the test stays the same"
