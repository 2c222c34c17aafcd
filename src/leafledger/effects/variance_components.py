"""Where do values vary: between units, sessions, leaves or scans?

The variance components of each index, from analyses of variance of the accepted scans.

References
----------
Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components, chapters 3 and 5.
Wiley (analysis of variance estimators of nested and unbalanced layouts).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.design import Layout
from leafledger.effects.two_sample_tests import finite
from leafledger.effects.unit_means import (
    Place,
    UnitTable,
    index_columns,
    means_of_sessions,
    unit_table,
)
from leafledger.records.record import Job
from leafledger.study.table_files import read_csv

# Where the variation sits: between units, unit by session, leaves, scans, and sessions.
# ----------------------------------------------------------------------

Array = NDArray[np.float64]

UNIT, UNIT_SESSION, LEAF, SCAN = "unit", "unit_x_session", "leaf", "scan"
SESSION = "session"
HELD = "the estimate was below zero and is held at zero"


@dataclass(frozen=True)
class Anova:
    """One-way analysis of variance of values in groups.

    Attributes
    ----------
    size
        What the between-group variance is multiplied by in the expected mean square between.
    """

    df_between: int
    ss_between: float
    df_within: int
    ss_within: float
    size: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups; ``NaN`` without degrees of freedom."""
        return self.ss_between / self.df_between if self.df_between else math.nan

    @property
    def ms_within(self) -> float:
        """Mean square within groups; ``NaN`` without degrees of freedom."""
        return self.ss_within / self.df_within if self.df_within else math.nan

    @property
    def f(self) -> float:
        """Ratio of the two mean squares."""
        return self.ms_between / self.ms_within


def one_way(groups: Sequence[Sequence[float]]) -> Anova:
    """Return the one-way analysis of variance, stable for values with a large common part.

    Parameters
    ----------
    groups
        Values of each group, at least one each.

    Examples
    --------
    >>> one_way([[1.0, 3.0], [5.0, 7.0]]).f
    8.0
    """
    first = groups[0][0]
    moved = [[float(value - first) for value in group] for group in groups]
    n = sum(len(group) for group in moved)
    grand = math.fsum(v for group in moved for v in group) / n
    means = [math.fsum(group) / len(group) for group in moved]
    between = math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(moved, means, strict=True))
    within = math.fsum((v - m) ** 2 for g, m in zip(moved, means, strict=True) for v in g)
    df = len(groups) - 1
    size = (n - sum(len(g) ** 2 for g in groups) / n) / df if df else math.nan
    return Anova(df, between, n - len(groups), within, size)


@dataclass(frozen=True)
class Component:
    """One variance component of one index.

    Attributes
    ----------
    variance
        In the squared unit of the index; ``NaN`` if the data cannot tell it.
    df
        Degrees of freedom of the mean square it comes from.
    n_groups
        How many of them were seen (units, leaves, scans).
    """

    name: str
    variance: float
    df: float
    n_groups: int
    reason: str = ""


Leaves = Mapping[str, Sequence[float]]
"""Leaf -> values of its scans."""


def components(layout: Layout, cells: Mapping[tuple[str, str], Leaves]) -> list[Component]:
    """Estimate the components of one index.

    Parameters
    ----------
    layout
        Treatments and sessions: their means are taken out, so no effect counts as variation.
    cells
        Unit and session -> leaf -> values of the accepted scans.
    """
    scan = _scans(cells)
    leaf = _leaves(cells, scan)
    unit, unit_session, session = _units(layout, cells, leaf, scan)
    return [unit, unit_session, leaf, scan, session]


def _named(name: str, value: float, df: float, n: int, reason: str = "") -> Component:
    if value < 0:
        return Component(name, 0.0, df, n, HELD)
    return Component(name, value, df, n, reason)


def _scans(cells: Mapping[tuple[str, str], Leaves]) -> Component:
    groups = [list(values) for leaves in cells.values() for values in leaves.values()]
    n = sum(len(group) for group in groups)
    anova = one_way(groups)
    if anova.df_within == 0:
        why = "every leaf was scanned once: what scans add is part of the leaves"
        return Component(SCAN, math.nan, 0, n, why)
    return _named(SCAN, anova.ms_within, anova.df_within, n)


def _leaves(cells: Mapping[tuple[str, str], Leaves], scan: Component) -> Component:
    df = n_leaves = 0
    squares = coefficient = 0.0
    for leaves in cells.values():
        anova = one_way([list(values) for values in leaves.values()])
        n_leaves += len(leaves)
        df += anova.df_between
        squares += anova.ss_between
        coefficient += anova.df_between * anova.size if anova.df_between else 0.0
    if df == 0:
        why = "one leaf per unit and session: what leaves add is part of unit x session"
        return Component(LEAF, math.nan, 0, n_leaves, why)
    below = 0.0 if math.isnan(scan.variance) else scan.variance
    return _named(LEAF, (squares / df - below) / (coefficient / df), df, n_leaves)


def _units(
    layout: Layout,
    cells: Mapping[tuple[str, str], Leaves],
    leaf: Component,
    scan: Component,
) -> tuple[Component, Component, Component]:
    level_of = layout.level_of
    keys = sorted(key for key in cells if key[0] in level_of)
    y = np.array([_mean_of_leaves(cells[key]) for key in keys])
    put_in = [leaf_and_scan_variance(cells[key], leaf.variance, scan.variance) for key in keys]
    below = float(np.mean(put_in)) if keys else 0.0
    units = [unit for unit, _ in keys]
    sessions = [session for _, session in keys]
    arms, of_unit = tuple(f"{level_of[u]}\n{s}" for u, s in keys), tuple(units)
    rest, df_rest = _residual_sum_of_squares((arms, of_unit), y)
    total, df_total = _residual_sum_of_squares((arms,), y)
    n_units = len(set(units))
    within = rest / df_rest if df_rest else math.nan
    both = _named(UNIT_SESSION, within - below, df_rest, len(keys))
    if not df_rest:
        why = "no unit was measured in more sessions than one: part of the units"
        both = Component(UNIT_SESSION, math.nan, 0, len(keys), why)
    df_unit = df_total - df_rest
    if df_unit == 0:
        return Component(UNIT, math.nan, 0, n_units, "one unit per treatment"), both, _no_session()
    k = _random_effect_multiplier(arms, of_unit) / df_unit
    noise = below if math.isnan(within) else within
    unit = _named(UNIT, ((total - rest) / df_unit - noise) / k, df_unit, n_units)
    return unit, both, _session(layout, units, sessions, y)


def _session(layout: Layout, units: Sequence[str], sessions: Sequence[str], y: Array) -> Component:
    """Return the variance between sessions in the control: growth and instrument together."""
    arm = layout.levels.get(layout.control, ())
    rows = [i for i, unit in enumerate(units) if unit in arm]
    if not rows or len({sessions[i] for i in rows}) < 2:
        return _no_session()
    of_unit, days = tuple(units[i] for i in rows), tuple(sessions[i] for i in rows)
    rest, df_rest = _residual_sum_of_squares((of_unit, days), y[rows])
    total, df_total = _residual_sum_of_squares((of_unit,), y[rows])
    df = df_total - df_rest
    if not df_rest or not df:
        return _no_session()
    k = _random_effect_multiplier(of_unit, days) / df
    why = "growth and drift of the instrument together, which nothing here can tell apart"
    return _named(SESSION, ((total - rest) / df - rest / df_rest) / k, df, len(set(days)), why)


def _no_session() -> Component:
    return Component(SESSION, math.nan, 0, 0, "no control was measured in two sessions or more")


def _mean_of_leaves(leaves: Leaves) -> float:
    means = sorted(math.fsum(sorted(v)) / len(v) for v in leaves.values())
    return math.fsum(means) / len(means)


def leaf_and_scan_variance(leaves: Leaves, leaf: float, scan: float) -> float:
    """Return the variance that leaves and scans put into a unit's mean.

    Parameters
    ----------
    leaves
        Scans of each leaf.
    leaf, scan
        Their variance components; ``NaN`` if unknown, then part of what stands above.
    """
    n = len(leaves)
    out = 0.0 if math.isnan(leaf) else leaf / n
    if not math.isnan(scan):
        out += scan * sum(1.0 / len(values) for values in leaves.values()) / n**2
    return out


def _indicator(labels: Sequence[str]) -> Array:
    level = np.asarray(labels, dtype=str)
    return np.column_stack([(level == name).astype(float) for name in sorted(set(labels))])


Labels = tuple[str, ...]


def _residual_sum_of_squares(factors: tuple[Labels, ...], y: Array) -> tuple[float, int]:
    """Return the residual sum of squares and its degrees of freedom."""
    base = _span(factors)
    moved = y - y.mean()
    residuals = moved - base @ (base.T @ moved)
    return float(residuals @ residuals), len(y) - base.shape[1]


@lru_cache(maxsize=32)
def _span(factors: tuple[Labels, ...]) -> Array:
    """Return an orthonormal basis of the means of factors; most indices share their layout."""
    u, s, _ = np.linalg.svd(np.column_stack([_indicator(f) for f in factors]), full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s[0]], dtype=np.float64)


@lru_cache(maxsize=32)
def _random_effect_multiplier(fixed: Labels, random: Labels) -> float:
    base, columns = _span((fixed,)), _indicator(random)
    residuals = columns - base @ (base.T @ columns)
    return float(np.sum(residuals**2))


# Scans grouped for the variance components, and the components as rows of a table.
# ----------------------------------------------------------------------


def component_rows(
    components_of: Mapping[str, Sequence[Component]], units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the rows of ``variance_components.csv``.

    Parameters
    ----------
    components_of
        Index -> its components.
    units
        Index -> its unit; variances are in its square.

    Returns
    -------
    list of dict
        ``share`` is of the sum of all known components but that between sessions.
    """
    out = []
    for index, parts in components_of.items():
        total = math.fsum(
            p.variance for p in parts if p.name != SESSION and not math.isnan(p.variance)
        )
        for part in parts:
            shared = part.name != SESSION and total > 0
            values = {
                "index": index,
                "component": part.name,
                "variance": part.variance,
                "sd": math.sqrt(part.variance),
                "share": part.variance / total if shared else math.nan,
                "df": part.df,
                "n_groups": part.n_groups,
                "unit": units.get(index, ""),
                "reason": part.reason,
            }
            out.append({name: finite(value) for name, value in values.items()})
    return out


def cells_of_units(
    layout: Layout, cells: Mapping[tuple[str, str], Mapping[str, Sequence[float]]]
) -> dict[tuple[str, str], dict[str, Sequence[float]]]:
    """Return the scans of the experimental units in the sessions that take part.

    Where whole plots are the experimental units, the leaves of all their plants are leaves of the
    plot.

    Parameters
    ----------
    layout
        The design.
    cells
        Unit of the sheet and session -> leaf -> values, of one index.
    """
    owner = layout.owner
    out: dict[tuple[str, str], dict[str, Sequence[float]]] = {}
    for (part, session), leaves in cells.items():
        unit = owner.get(part)
        if unit is None or session not in layout.sessions:
            continue
        cell = out.setdefault((unit, session), {})
        for leaf, values in leaves.items():
            cell[f"{part}\n{leaf}" if layout.parts else leaf] = values
    return {key: out[key] for key in sorted(out)}


Rows = dict[tuple[str, str], dict[str, list[int]]]
"""Unit and session -> leaf -> numbers of its scans."""


def rows_of_leaves(places: Mapping[str, Place], scans: Sequence[str]) -> Rows:
    """Return which of the scans are of each leaf, all sorted; a scan without leaf is its own.

    Parameters
    ----------
    places
        Scan -> unit, session, leaf.
    scans
        Scans in the order by which they are numbered, sorted.
    """
    out: Rows = {}
    for row, scan in enumerate(scans):
        unit, session, leaf = places[scan]
        name = f"leaf {leaf}" if leaf else f"scan {scan}"
        out.setdefault((unit, session), {}).setdefault(name, []).append(row)
    return {key: {leaf: out[key][leaf] for leaf in sorted(out[key])} for key in sorted(out)}


def values_of_leaves(rows: Rows, values: Array) -> dict[tuple[str, str], dict[str, list[float]]]:
    """Return unit and session -> leaf -> values of its scans; those that are ``NaN`` are left out.

    Parameters
    ----------
    rows
        From :func:`rows_of_leaves`.
    values
        Of the scans, shape ``(n_scans,)``.
    """
    numbers = values.tolist()
    out = {}
    for key, leaves in rows.items():
        cell = {}
        for leaf, at in leaves.items():
            # A NaN is what differs from itself.
            if held := [value for value in (numbers[i] for i in at) if value == value]:
                cell[leaf] = held
        if cell:
            out[key] = cell
    return out


# Tables of scans as the effects see them: accepted or all, by unit.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Scans:
    """Where every sample scan belongs, and which are left out.

    Attributes
    ----------
    places
        Scan -> unit, session, leaf.
    dropped
        Scans that are not accepted.
    """

    places: Mapping[str, Place]
    dropped: frozenset[str]

    @property
    def excluded(self) -> dict[str, tuple[str, str]]:
        """Excluded scan -> its unit and session."""
        return {scan: self.places[scan][:2] for scan in sorted(self.dropped)}


def scans_of(job: Job) -> Scans:
    """Read ``accepted.csv``."""
    table = read_csv(job.inputs["accepted"])
    columns = (table[name].tolist() for name in ("scan", "unit", "session", "leaf"))
    places = {scan: (unit, day, leaf) for scan, unit, day, leaf in zip(*columns, strict=True)}
    return Scans(places, frozenset(table.loc[~table["accepted"], "scan"].tolist()))


def all_scans_table(job: Job, scans: Scans, layout: Layout, indices: Iterable[str]) -> UnitTable:
    """Return unit means over all scans, excluded ones too."""
    import pandas as pd

    means = means_of_sessions(job.by_session("indices"), scans.places, scans.places)
    rows = [(*key, value.mean, value.u) for key, value in means.items()]
    frame = pd.DataFrame(rows, columns=["unit", "session", "index", "mean", "u"])
    return unit_table(layout, frame, indices)


_HELD = 10_000_000
"""Index values in memory at once: 80 MB."""


def accepted_cells(
    job: Job, scans: Scans, indices: Sequence[str]
) -> Iterator[tuple[str, dict[tuple[str, str], dict[str, list[float]]]]]:
    """Yield each index, with unit and session -> leaf -> values of its accepted scans.

    Parameters
    ----------
    job, scans
        Which tables of indices, and where their scans belong.
    indices
        The indices, in the order in which they are wanted. As many are read at once as fit into
        memory; the files are read again for further ones.
    """
    order = sorted(set(scans.places) - scans.dropped)
    number_of = {scan: row for row, scan in enumerate(order)}
    rows = rows_of_leaves(scans.places, order)
    at_once = max(1, _HELD // max(1, len(order)))
    for start in range(0, len(indices), at_once):
        names = indices[start : start + at_once]
        values = {name: np.full(len(order), np.nan) for name in names}
        for path in job.by_session("indices").values():
            for column in index_columns(path, number_of, ("value",), names):
                at = np.array([number_of[scan] for scan in column.scans], dtype=np.intp)
                values[column.index][at] = column.numbers[0]
        for name in names:
            yield name, values_of_leaves(rows, values.pop(name))
