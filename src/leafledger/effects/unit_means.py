"""What value has each unit in each session, and by how much did it change? Rule ``unit_means``."""

from __future__ import annotations

import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.design import CHANGE, Contrast, Layout, Plan, contrasts
from leafledger.effects.two_sample_tests import finite, mean, variance
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import read_csv, write_csv
from leafledger.study.tables import UNIT_INDICES
from leafledger.words import counted, listed

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


# Means of units: scans are averaged within leaf, leaves within unit.
# ----------------------------------------------------------------------
# Means are taken exactly and rounded once. So neither the order of the rows nor copies of the same
# scans can change a digit.


@dataclass(frozen=True, slots=True)
class IndexValue:
    """One index of one accepted scan, with its three parts of measurement uncertainty (k = 1).

    A part that is not known is ``NaN``.
    """

    scan: str
    value: float
    u_scan: float = math.nan
    u_reference: float = math.nan
    u_panel: float = math.nan


@dataclass(frozen=True, slots=True)
class UnitMean:
    """Mean of one index on one unit in one session.

    Attributes
    ----------
    mean
        Mean of the leaf means, in the unit of the index.
    sd_leaves
        Standard deviation of the leaf means, ``NaN`` with one leaf.
    u
        Standard measurement uncertainty (k = 1) of ``mean``, ``NaN`` if a part is unknown.
    n_leaves, n_scans
        What was averaged.
    """

    mean: float
    sd_leaves: float
    u: float
    n_leaves: int
    n_scans: int


def unit_mean(leaves: Mapping[str, Iterable[IndexValue]]) -> UnitMean:
    """Average scans within leaf and leaves within unit.

    Parameters
    ----------
    leaves
        Leaf -> its readings, at least one each.

    Notes
    -----
    The uncertainty of a scan by itself (shot, read) is independent between scans and shrinks with
    averaging. The white and dark references and the panel are shared within a session: their parts
    are averaged as fully correlated and do not shrink.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.2 and 5.2.2.

    Examples
    --------
    >>> leaves = {"1": [IndexValue("a", 1.0), IndexValue("b", 2.0)], "2": [IndexValue("c", 3.5)]}
    >>> unit_mean(leaves).mean
    2.5
    """
    groups = [sorted(leaves[leaf], key=lambda r: (r.value, r.scan)) for leaf in sorted(leaves)]
    means = sorted(exact_mean([r.value for r in group]) for group in groups)
    return UnitMean(
        exact_mean(means),
        statistics.stdev(means) if len(means) > 1 else math.nan,
        _uncertainty(groups),
        len(groups),
        sum(len(group) for group in groups),
    )


def exact_mean(values: Sequence[float]) -> float:
    """Return the mean of some numbers, taken exactly and rounded once.

    The same float as `statistics.mean`, which computes in fractions and takes ten times as long.

    Notes
    -----
    1. q = fsum(x) / n is within two roundings of the mean m.
    2. d = fsum(x - q) = n (m - q), exact but for its own rounding, says how far.
    3. If m lies nearer to q than half way to either neighbour, q is the mean rounded once; else
       (near a tie) the fractions decide.

    Examples
    --------
    >>> exact_mean([0.1, 0.2, 0.7]) == statistics.mean([0.1, 0.2, 0.7])
    True
    """
    n = len(values)
    if n == 1:
        return values[0]
    q = math.fsum(values) / n
    if math.isfinite(q):
        d = math.fsum((*values, *([-q] * n)))
        gap = min(math.nextafter(q, math.inf) - q, q - math.nextafter(q, -math.inf))
        if abs(d) < 0.499 * n * gap:
            return q
    return statistics.mean(values)


def _uncertainty(groups: list[list[IndexValue]]) -> float:
    n = len(groups)
    weighted = [(1.0 / (n * len(group)), reading) for group in groups for reading in group]
    alone = math.sqrt(math.fsum((w * r.u_scan) ** 2 for w, r in weighted))
    references = math.fsum(w * abs(r.u_reference) for w, r in weighted)
    panel = math.fsum(w * abs(r.u_panel) for w, r in weighted)
    return math.sqrt(alone**2 + references**2 + panel**2)


Key = tuple[str, str, str]
"""Unit, session, index."""


def unit_means(readings: Iterable[tuple[Key, str, IndexValue]]) -> dict[Key, UnitMean]:
    """Return the means of all units.

    Parameters
    ----------
    readings
        (unit, session, index), leaf and reading of every accepted scan; a scan without a leaf id
        (``""``) is a leaf of its own.

    Returns
    -------
    dict
        Sorted by key. A unit without an accepted scan in a session does not occur.
    """
    grouped: dict[Key, dict[tuple[str, str], list[IndexValue]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for key, leaf, reading in readings:
        leaf_or_scan = (leaf, "") if leaf else ("", reading.scan)
        grouped[key][leaf_or_scan].append(reading)
    return {
        key: unit_mean({f"{a}\n{b}": readings for (a, b), readings in grouped[key].items()})
        for key in sorted(grouped)
    }


# Index values of chosen scans, with the unit, session and leaf that each belongs to.
# ----------------------------------------------------------------------

Place = tuple[str, str, str]
"""Unit, session, leaf of a scan."""


_NUMBERS = ("value", "u_scan", "u_reference", "u_panel")


@dataclass(frozen=True)
class IndexColumn:
    """One index on those chosen scans of a session on which it is defined.

    Attributes
    ----------
    index
        The index.
    scans
        The scans, shape ``(n_scans,)``.
    numbers
        The columns that were asked for, one a row: shape ``(n_columns, n_scans)``.
    """

    index: str
    scans: NDArray[np.object_]
    numbers: NDArray[np.float64]


def index_columns(
    path: Path,
    chosen: Collection[str],
    columns: Sequence[str] = _NUMBERS,
    only: Collection[str] | None = None,
) -> Iterator[IndexColumn]:
    """Yield a session's table of indices an index at a time, each a column of numbers.

    The file is read a row group at a time. What is held are numbers, for each chosen scan and index
    once: 32 MB for 20,000 scans of 50 indices and four columns.

    Parameters
    ----------
    path
        ``indices/<session>.parquet``.
    chosen
        The scans to take.
    columns
        Which numbers are read.
    only
        Indices to take; all if left out.
    """
    import pyarrow.parquet as pq

    words = ["scan", "index", "status"]
    with pq.ParquetFile(path, read_dictionary=words) as source:
        groups = range(source.num_row_groups)
        # 1. The scans and indices that the file holds, by which the array is laid out.
        seen: tuple[dict[str, None], dict[str, None]] = {}, {}
        for group in groups:
            table = source.read_row_group(group, columns=words[:2], use_threads=False)
            for name, found in zip(words, seen, strict=False):
                found.update(dict.fromkeys(table.column(name).unique().to_pylist()))
        places = {scan: i for i, scan in enumerate(s for s in seen[0] if s in chosen)}
        names = {name: i for i, name in enumerate(n for n in seen[1] if only is None or n in only)}
        # 2. Its numbers; where the index is not defined they stay out.
        numbers = np.full((len(names), len(columns), len(places)), np.nan)
        defined = np.zeros((len(names), len(places)), dtype=bool)
        for group in groups:
            table = source.read_row_group(group, columns=[*words, *columns], use_threads=False)
            scan, index, ok = (
                _looked_up(table.column(name), where)
                for name, where in zip(words, (places, names, {"ok": 0}), strict=True)
            )
            rows = np.flatnonzero((scan >= 0) & (index >= 0) & (ok >= 0))
            scan, index = scan[rows], index[rows]
            defined[index, scan] = True
            for k, name in enumerate(columns):
                numbers[index, k, scan] = table.column(name).to_numpy()[rows]
    scans = np.array([*places], dtype=object)
    for name, i in names.items():
        yield IndexColumn(name, scans[defined[i]], numbers[i][:, defined[i]])


def _looked_up(column: pa.ChunkedArray, where: Mapping[str, int]) -> NDArray[np.int64]:
    """Return the number of each word of a column stored by dictionary, -1 where it has none."""
    parts = [np.zeros(0, dtype=np.int64)]
    for chunk in column.chunks:
        numbers = np.array([where.get(word, -1) for word in chunk.dictionary.to_pylist()], np.int64)
        parts.append(numbers[chunk.indices.to_numpy()])
    return np.concatenate(parts)


def index_values(
    path: Path, places: Mapping[str, Place], chosen: Collection[str]
) -> Iterator[tuple[Key, str, IndexValue]]:
    """Yield every defined index value of the chosen scans of a session, index by index.

    Parameters
    ----------
    path
        ``indices/<session>.parquet``.
    places
        Scan -> unit, session, leaf.
    chosen
        The scans to take.
    """
    for column in index_columns(path, chosen):
        for scan, *numbers in zip(column.scans, *column.numbers.tolist(), strict=True):
            if scan in places:
                unit, session, leaf = places[scan]
                yield (unit, session, column.index), leaf, IndexValue(scan, *numbers)


def means_of_sessions(
    indices: Mapping[str, Path], places: Mapping[str, Place], chosen: Collection[str]
) -> dict[Key, UnitMean]:
    """Return the means of all units; only one index of one session is held scan by scan.

    Parameters
    ----------
    indices
        Session -> path of ``indices/<session>.parquet``.
    places, chosen
        As of :func:`index_values`.

    Returns
    -------
    dict
        As of :func:`unit_means`.
    """
    found: dict[Key, UnitMean] = {}
    for path in indices.values():
        for _, readings in groupby(index_values(path, places, chosen), lambda r: r[0][2]):
            found |= unit_means(readings)
    return {key: found[key] for key in sorted(found)}


# Unit means as an array, and the change of every unit, with those that lack a pair by name.
# ----------------------------------------------------------------------

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
    positions = [{name: i for i, name in enumerate(axis)} for axis in (units, sessions, names)]
    shape = (len(units), len(sessions), len(names))
    total, total_u, count = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    columns = ("unit", "session", "index", "mean", "u")
    ordered = rows.sort_values("unit", kind="stable")
    for part, session, index, value, spread in zip(
        *(ordered[c].tolist() for c in columns), strict=True
    ):
        unit = owner.get(part)
        if unit is not None and session in positions[1] and math.isfinite(value):
            where = positions[0][unit], positions[1][session], positions[2][index]
            total[where] += value
            total_u[where] += spread  # references are shared: their part does not average out
            count[where] += 1.0
    n = np.where(count > 0, count, np.nan)
    mean, u = total / n, total_u / n
    return UnitTable(units, sessions, names, mean, u)


@dataclass(frozen=True)
class StudyData:
    """What every test rests on: the design, the unit means and the plan of the analysis."""

    layout: Layout
    table: UnitTable
    plan: Plan


def same_numbers(table: UnitTable) -> dict[str, str]:
    """Return index -> the first index that is the same number in every unit and session.

    Two formulas may be one: ``(R(750) - R(705)) / (R(750) + R(705))`` is ND705. They are held to be
    the same where no value differs by more than 1e-9 of the largest.
    """
    twins: dict[str, str] = {}
    for k, name in enumerate(table.indices):
        values = table.mean[:, :, k]
        if not np.isfinite(values).any():
            continue
        limit = _SAME * float(np.nanmax(np.abs(values)))
        for j, first in enumerate(table.indices[:k]):
            other = table.mean[:, :, j]
            if first not in twins and np.allclose(
                values, other, rtol=0, atol=limit, equal_nan=True
            ):
                twins[name] = first
                break
    return twins


def group_means(
    data: StudyData, rows: pd.DataFrame, units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Describe every index by treatment and session.

    Parameters
    ----------
    data
        Design, unit means and plan. Where units are not known every scan stands for itself.
    rows
        ``unit_indices.csv``, for the numbers of leaves and scans.
    units
        Index -> its unit.

    Returns
    -------
    list of dict
        Rows of ``group_means.csv``, sorted by index and treatment, sessions in study order.
        ``mean`` is that of the unit means; ``sd`` lies between units, or between scans where units
        are unknown; ``se`` is ``sd / sqrt(n)``; the interval is Student's with ``n - 1`` degrees of
        freedom. One unit has no spread. Where units are unknown ``n_units``, ``n_missing``,
        ``n_leaves``, ``se`` and the interval are ``None``: scans of one plant are not independent.
    """
    layout, table, plan = data.layout, data.table, data.plan
    row_of = {unit: i for i, unit in enumerate(table.units)}
    counts = _leaves_and_scans(layout, rows)
    out = []
    for k, index in enumerate(table.indices):
        for treatment, arm in layout.levels.items():
            arm_rows = [row_of[unit] for unit in arm]
            for j, session in enumerate(table.sessions):
                values = table.mean[arm_rows, j, k]
                values = values[np.isfinite(values)]
                named = {"index": index, "treatment": treatment, "session": session}
                numbers = _group_numbers(
                    values, len(arm), plan.level, units_known=bool(layout.word)
                )
                leaves, scans = counts.get((index, treatment, session), (0, 0))
                counted = {"n_leaves": leaves if layout.word else None, "n_scans": scans}
                out.append({**named, **numbers, **counted, "unit": units.get(index, "")})
    return out


def _group_numbers(
    values: NDArray[np.float64], n_arm: int, level: float, *, units_known: bool
) -> dict[str, Any]:
    from scipy.special import stdtrit

    n = len(values)
    centre = mean(values) if n else math.nan
    spread = math.sqrt(variance(values)) if n > 1 else math.nan
    error = spread / math.sqrt(n) if n > 1 and units_known else math.nan
    half = float(stdtrit(n - 1, 0.5 + level / 2.0)) * error if n > 1 else math.nan
    numbers = {
        "mean": centre,
        "sd": spread,
        "se": error,
        "ci_low": centre - half,
        "ci_high": centre + half,
        "ci_level": math.nan if math.isnan(half) else level,
    }
    return {
        "n_units": n if units_known else None,
        "n_missing": n_arm - n if units_known else None,
        **{name: finite(value) for name, value in numbers.items()},
    }


def _leaves_and_scans(
    layout: Layout, rows: pd.DataFrame
) -> dict[tuple[str, str, str], tuple[int, int]]:
    """Return index, treatment and session -> leaves and accepted scans behind the means."""
    level_of, owner = layout.level_of, layout.owner
    out: dict[tuple[str, str, str], tuple[int, int]] = {}
    columns = ("unit", "session", "index", "n_leaves", "n_scans")
    for part, session, index, *n in zip(*(rows[c].tolist() for c in columns), strict=True):
        unit = owner.get(part)
        if unit is not None and session in layout.sessions:
            key = index, level_of[unit], session
            leaves, scans = out.get(key, (0, 0))
            out[key] = leaves + int(n[0]), scans + int(n[1])
    return out


# The values that one contrast tests, with the units that lack some by name.
# ----------------------------------------------------------------------


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
    filled
        Units without any value before, for which the mean of the others stands in.
    unused
        Before sessions left out for all units, because a treatment has no value in them.
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
    filled: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()

    @property
    def arms(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Changes of the treated units and of the reference units."""
        return self.change[self.treated], self.change[~self.treated]

    @property
    def has_before(self) -> bool:
        """Whether the study has sessions before."""
        return self.n_before > 0

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
            filled=tuple(unit for unit in self.filled if unit in units),
        )


def change_sample(
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
    without them is left out of this contrast and named; the test stays the same. A before session
    in which a treatment has no value at all is left out for all units.

    Between treatments, a unit that lacks some of several before sessions takes the mean of those it
    has, each less what its session differs from the mean of all (estimated from the units that have
    them all). Its error is the same in both arms. In a change within one
    treatment it would not cancel, so such a unit is left out there.

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
    arms = [layout.levels[contrast.level], layout.levels.get(contrast.reference, ())]
    compared_units = {unit for arm in arms for unit in arm}
    rows = np.array([i for i, unit in enumerate(table.units) if unit in compared_units], dtype=int)
    weights = weights or {contrast.after: 1.0}
    column_of = {session: i for i, session in enumerate(table.sessions)}
    k = table.indices.index(index)
    early, late = [column_of[s] for s in layout.before], [column_of[s] for s in weights]
    w = np.array(list(weights.values()))
    start, end = table.mean[rows][:, early, k], table.mean[rows][:, late, k]
    measured = np.asarray(np.isfinite(end).all(axis=1), dtype=bool)
    names = [table.units[i] for i in rows]
    inside = np.array([unit in layout.levels[contrast.level] for unit in names], dtype=bool)
    before, u_before = np.zeros(len(rows)), np.zeros(len(rows))
    used = np.zeros(len(early), dtype=bool)
    if early:
        groups = [inside, ~inside] if contrast.reference else [inside]
        before, u_before, used = _before(
            *(start, table.u[rows][:, early, k], measured),
            groups,
            partial=bool(contrast.reference),
            fill=fill_before,
        )
    keep = np.asarray(measured & np.isfinite(before), dtype=bool)
    # Shared references and panel do not average out between before sessions either.
    u = np.sqrt(((table.u[rows][:, late, k] * w) ** 2).sum(axis=1) + (u_before * w.sum()) ** 2)
    sizes = np.abs(np.concatenate([before[keep], end[keep].ravel()]))
    sessions = [*layout.before, *weights]
    values = np.column_stack([start, end])
    return Sample(
        units=tuple(name for name, stays in zip(names, keep.tolist(), strict=True) if stays),
        change=np.array([_weighted_sum(w, row) for row in end[keep] - before[keep, None]]),
        before=before[keep] if early else np.full(int(keep.sum()), np.nan),
        treated=inside[keep],
        u=u[keep],
        sessions=tuple(sessions),
        missing=_units_without_value(sessions, values, names, keep),
        n_missing=int((~keep).sum()),
        resolution=float(_RESOLUTION * sizes.max(initial=0.0) * max(1.0, np.abs(w).max())),
        n_before=len(early),
        **_gaps(layout.before, start, used, names, keep),
    )


def _before(
    start: NDArray[np.float64],
    u: NDArray[np.float64],
    measured: NDArray[np.bool_],
    groups: Sequence[NDArray[np.bool_]],
    *,
    partial: bool,
    fill: bool,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return the mean before of each unit (``NaN`` where there is none), its uncertainty, and
    which sessions are used.
    """
    has_value = np.asarray(np.isfinite(start), dtype=bool)
    # 1. Sessions in which every arm has a value; the others tell nothing that can be compared.
    #    An arm without any value before is named by :func:`untestable_reason`.
    arms = [has_value[g & measured] for g in groups if has_value[g & measured].any()]
    shared = np.array([all(arm[:, j].any() for arm in arms) for j in range(has_value.shape[1])])
    has_value, n_shared = has_value & shared, int(shared.sum())
    n = has_value.sum(axis=1)
    whole: NDArray[np.bool_] = np.asarray((n == n_shared) & measured, dtype=bool)
    # 2. What each session differs from the mean of all, by the units that have every session.
    shift = np.zeros(has_value.shape[1])
    if n_shared and whole.any():
        level = start[whole].mean(axis=0)
        shift[shared] = (level - level[shared].mean())[shared]
    # 3. The mean of the sessions that a unit has, each less its shift; complete units need none.
    #    Without any complete unit the shift is not known, and no unit with gaps is kept.
    enough = n > 0 if partial and whole.any() else (n == n_shared) & (n > 0)
    moved = np.where(has_value, start - np.where((n == n_shared)[:, None], 0.0, shift), 0.0)
    before = np.where(enough, moved.sum(axis=1) / np.maximum(n, 1), np.nan)
    u_before = np.where(enough, np.where(has_value, u, 0.0).sum(axis=1) / np.maximum(n, 1), np.nan)
    # 4. Where asked for, the mean of the others stands in, if each arm has units of its own.
    has_before = measured & np.isfinite(before)
    to_fill = measured & ~has_before
    if fill and to_fill.any() and all((has_before & g).sum() >= 2 for g in groups):
        before[to_fill], u_before[to_fill] = before[has_before].mean(), u_before[has_before].mean()
    return before, u_before, shared


def _weighted_sum(weights: NDArray[np.float64], changes: NDArray[np.float64]) -> float:
    return math.fsum((weights * changes).tolist())


def _units_without_value(
    sessions: Sequence[str],
    values: NDArray[np.float64],
    names: Sequence[str],
    keep: NDArray[np.bool_],
) -> dict[str, list[str]]:
    missing = {
        session: [names[j] for j in np.flatnonzero(~keep & np.isnan(values[:, i])).tolist()]
        for i, session in enumerate(sessions)
    }
    return {session: units for session, units in missing.items() if units}


def _gaps(
    sessions: Sequence[str],
    start: NDArray[np.float64],
    used: NDArray[np.bool_],
    names: Sequence[str],
    keep: NDArray[np.bool_],
) -> dict[str, Any]:
    """Return which units take part without some or any value before, and unused sessions."""
    places = np.flatnonzero(used).tolist()
    lacks = {
        names[j]: tuple(sessions[i] for i in places if np.isnan(start[j, i]))
        for j in np.flatnonzero(keep).tolist()
    }
    filled = tuple(u for u, lacking in lacks.items() if places and len(lacking) == len(places))
    return {
        "partial": {u: lacking for u, lacking in lacks.items() if lacking and u not in filled},
        "filled": filled,
        "unused": tuple(s for s, takes in zip(sessions, used.tolist(), strict=True) if not takes)
        if places
        else (),
    }


def left_out(sample: Sample) -> str:
    """Say which units are left out and why, and which take part without a value; ``""`` if none."""
    parts = []
    if sample.missing:
        if sample.valueless:
            return (
                "no unit has a defined value: the index lies outside the trusted range or is "
                "undefined"
            )
        if sample.bare:
            return f"no unit of this contrast has an accepted value in {listed(sample.bare)}"
        reasons = [f"no {s} value for {', '.join(units)}" for s, units in sample.missing.items()]
        parts.append(f"{'; '.join(reasons)}: left out of this contrast, the test stays the same")
    if sample.unused:
        parts.append(
            f"{listed(list(sample.unused))} left out for all: not every treatment has a value there"
        )
    if sample.partial:
        lacks = "; ".join(f"{u} lacks {listed(list(days))}" for u, days in sample.partial.items())
        parts.append(f"{lacks}: the value before is the mean of the other before sessions")
    if sample.filled:
        parts.append(
            f"no value before for {', '.join(sample.filled)}: as covariate the mean of the others "
            "stands in"
        )
    return "; ".join(parts)


def unit_changes(data: StudyData) -> list[dict[str, Any]]:
    """List the change of every unit: the numbers that a test of the change within groups rests on.

    Returns
    -------
    list of dict
        Rows of ``unit_changes.csv``, by index, after session, treatment and unit. Empty where the
        study has no session before, or no units. A unit that lacks a session before or the session
        after has no row (see :func:`change_sample`).
    """
    layout, table = data.layout, data.table
    possible = [c for c in contrasts(layout) if c.question == CHANGE and not c.untestable]
    return [
        {
            "index": index,
            "session": contrast.after,
            "treatment": contrast.level,
            "unit": unit,
            "before": before,
            "after": before + change,
            "change": change,
            "u": finite(u),
        }
        for index in table.indices
        for contrast in (possible if layout.word else [])
        for sample in [change_sample(layout, table, contrast, index)]
        for unit, before, change, u in zip(
            sample.units,
            sample.before.tolist(),
            sample.change.tolist(),
            sample.u.tolist(),
            strict=True,
        )
    ]


# What hinders the test of a contrast once it is known which units have values.
# ----------------------------------------------------------------------


def untestable_reason(layout: Layout, contrast: Contrast, sample: Sample) -> str:
    """Return why the units of a contrast are too few for a test; ``""`` if they are not."""
    treated, reference = sample.arms
    if not contrast.reference:
        if len(treated) >= 2:
            return ""
        have = counted(len(treated), layout.word)
        return f"{have} with the pair in {contrast.level}; at least 2 are needed: description only"
    if text := _session_confounded(layout, contrast, sample):
        return text
    short = [
        f"{level} has {counted(len(arm), layout.word)} with the pair"
        for level, arm in ((contrast.level, treated), (contrast.reference, reference))
        if len(arm) < 2
    ]
    return f"{', '.join(short)}; at least 2 are needed: description only" if short else ""


def _session_confounded(layout: Layout, contrast: Contrast, sample: Sample) -> str:
    """Say where one arm was never measured in a session that the other one has."""
    arms = layout.within(contrast.stratum).levels
    level, reference = contrast.level, contrast.reference
    never = [name for name in (level, reference) if _valueless(sample, arms.get(name, ()))]
    if never:
        return ""  # an index that an arm lacks throughout says nothing of when it was measured
    for session, missing_units in sample.missing.items():
        without = [
            name for name in (level, reference) if set(arms.get(name, ())) <= set(missing_units)
        ]
        if len(without) == 1 and arms.get(without[0]):
            other = reference if without[0] == level else level
            return (
                f"no {layout.word or 'unit'} of {without[0]} has a value in {session} and those of "
                f"{other} have: the treatment cannot be told from the session"
            )
    return ""


def _valueless(sample: Sample, arm: Sequence[str]) -> bool:
    """Return whether no unit of an arm has a value in any session of the contrast."""
    return all(set(arm) <= set(sample.missing.get(session, ())) for session in sample.sessions)


def described(contrast: Contrast, sample: Sample) -> float:
    """Return the estimate alone, where the units allow no test."""
    treated, reference = sample.arms
    if len(treated) == 0 or (contrast.reference and len(reference) == 0):
        return math.nan
    return mean(treated) - (mean(reference) if contrast.reference else 0.0)


# The rule
# ----------------------------------------------------------------------


def run(job: Job) -> Outcome:
    """Write ``unit_indices.csv``."""
    places = _places(job.settings["scans"])
    accepted = read_csv(job.inputs["accepted"])
    chosen = set(accepted.loc[accepted["accepted"], "scan"])
    means = means_of_sessions(job.by_session("indices"), places, chosen)
    excluded = Counter(
        (unit, session) for scan, (unit, session, _) in places.items() if scan not in chosen
    )
    write_csv(job.outputs["unit_indices"], _frame(means, excluded), UNIT_INDICES)
    return Outcome(
        metrics=[
            Metric("n_units", len({unit for unit, _, _ in means})),
            Metric("n_scans_accepted", len(chosen & set(places))),
            Metric("n_scans_excluded", sum(excluded.values())),
        ],
        warnings=_warnings(means, excluded),
    )


def _places(scans: Mapping[str, Mapping[str, str | None]]) -> dict[str, Place]:
    """Return where each scan belongs; a scan without a unit stands alone under its own id."""
    return {
        scan: (sample.get("unit") or scan, sample.get("session") or "all", sample.get("leaf") or "")
        for scan, sample in scans.items()
    }


def _frame(means: Mapping[Key, UnitMean], excluded: Mapping[tuple[str, str], int]) -> pd.DataFrame:
    import pandas as pd

    rows = [
        (*key, m.mean, m.sd_leaves, m.u, m.n_leaves, m.n_scans, excluded.get(key[:2], 0))
        for key, m in means.items()
    ]
    return pd.DataFrame(rows, columns=list(UNIT_INDICES))


def _warnings(means: Mapping[Key, UnitMean], excluded: Mapping[tuple[str, str], int]) -> list[str]:
    lost = sorted({*excluded} - {key[:2] for key in means})
    out = [f"every scan of {unit} on {session} is excluded" for unit, session in lost]
    if means and all(math.isnan(m.u) for m in means.values()):
        out.append("the measurement uncertainty is unknown: column u is empty")
    return out
