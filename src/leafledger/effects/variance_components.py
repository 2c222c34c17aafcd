"""Where the variation sits: between units, unit by session, leaves, scans, and sessions.

References
----------
Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components, chapters 3 and 5.
Wiley (analysis of variance estimators of nested and unbalanced layouts).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.design import CHANGE, Contrast, Layout
from leafledger.effects.families import finite
from leafledger.effects.linear_model import Terms, columns_of, factor_columns, terms_of
from leafledger.effects.unit_means import (
    Key,
    Place,
    Reading,
    Sample,
    UnitTable,
    left_out,
    readings,
    sample,
    unit_means,
    unit_table,
)
from leafledger.records.record import Job
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.tables import read_csv
from leafledger.words import counted

# Where the variation sits: between units, unit by session, leaves, scans, and sessions.
# ----------------------------------------------------------------------
# References
# ----------
# Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components, chapters 3 and 5.
# Wiley (analysis of variance estimators of nested and unbalanced layouts).

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
    found = one_way(groups)
    if found.df_within == 0:
        why = "every leaf was scanned once: what scans add is part of the leaves"
        return Component(SCAN, math.nan, 0, n, why)
    return _named(SCAN, found.ms_within, found.df_within, n)


def _leaves(cells: Mapping[tuple[str, str], Leaves], scan: Component) -> Component:
    df = n_leaves = 0
    squares = coefficient = 0.0
    for leaves in cells.values():
        found = one_way([list(values) for values in leaves.values()])
        n_leaves += len(leaves)
        df += found.df_between
        squares += found.ss_between
        coefficient += found.df_between * found.size if found.df_between else 0.0
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
    level_of = {unit: level for level, arm in layout.levels.items() for unit in arm}
    keys = sorted(key for key in cells if key[0] in level_of)
    y = np.array([_mean_of_leaves(cells[key]) for key in keys])
    put_in = [leaf_and_scan_variance(cells[key], leaf.variance, scan.variance) for key in keys]
    below = float(np.mean(put_in)) if keys else 0.0
    units = [unit for unit, _ in keys]
    sessions = [session for _, session in keys]
    arms, own = tuple(f"{level_of[u]}\n{s}" for u, s in keys), tuple(units)
    rest, df_rest = _left((arms, own), y)
    total, df_total = _left((arms,), y)
    n_units = len(set(units))
    within = rest / df_rest if df_rest else math.nan
    both = _named(UNIT_SESSION, within - below, df_rest, len(keys))
    if not df_rest:
        why = "no unit was measured in more sessions than one: part of the units"
        both = Component(UNIT_SESSION, math.nan, 0, len(keys), why)
    df_unit = df_total - df_rest
    if df_unit == 0:
        return Component(UNIT, math.nan, 0, n_units, "one unit per treatment"), both, _no_session()
    k = _multiplier(arms, own) / df_unit
    noise = below if math.isnan(within) else within
    unit = _named(UNIT, ((total - rest) / df_unit - noise) / k, df_unit, n_units)
    return unit, both, _session(layout, units, sessions, y)


def _session(layout: Layout, units: Sequence[str], sessions: Sequence[str], y: Array) -> Component:
    """Return the variance between sessions in the control: growth and instrument together."""
    arm = layout.levels.get(layout.control, ())
    rows = [i for i, unit in enumerate(units) if unit in arm]
    if not rows or len({sessions[i] for i in rows}) < 2:
        return _no_session()
    own, days = tuple(units[i] for i in rows), tuple(sessions[i] for i in rows)
    rest, df_rest = _left((own, days), y[rows])
    total, df_total = _left((own,), y[rows])
    df = df_total - df_rest
    if not df_rest or not df:
        return _no_session()
    k = _multiplier(own, days) / df
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
    held = np.asarray(labels, dtype=str)
    return np.column_stack([(held == name).astype(float) for name in sorted(set(labels))])


Labels = tuple[str, ...]


def _left(factors: tuple[Labels, ...], y: Array) -> tuple[float, int]:
    """Return the residual sum of squares and its degrees of freedom."""
    base = _span(factors)
    moved = y - y.mean()
    left = moved - base @ (base.T @ moved)
    return float(left @ left), len(y) - base.shape[1]


@lru_cache(maxsize=32)
def _span(factors: tuple[Labels, ...]) -> Array:
    """Return an orthonormal basis of the means of factors; most indices share their layout."""
    u, s, _ = np.linalg.svd(np.column_stack([_indicator(f) for f in factors]), full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s[0]], dtype=np.float64)


@lru_cache(maxsize=32)
def _multiplier(fixed: Labels, random: Labels) -> float:
    base, columns = _span((fixed,)), _indicator(random)
    left = columns - base @ (base.T @ columns)
    return float(np.sum(left**2))


# Scans grouped for the variance components, and the components as rows of a table.
# ----------------------------------------------------------------------


def component_rows(
    found: Mapping[str, Sequence[Component]], units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the rows of ``variance_components.csv``.

    Parameters
    ----------
    found
        Index -> its components.
    units
        Index -> its unit; variances are in its square.

    Returns
    -------
    list of dict
        ``share`` is of the sum of all known components but that between sessions.
    """
    out = []
    for index, parts in found.items():
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
        here = out.setdefault((unit, session), {})
        for leaf, values in leaves.items():
            here[f"{part}\n{leaf}" if layout.parts else leaf] = values
    return {key: out[key] for key in sorted(out)}


def grouped(
    found: Iterable[tuple[Key, str, Reading]],
) -> dict[str, dict[tuple[str, str], dict[str, list[float]]]]:
    """Return index -> unit and session -> leaf -> values, sorted; a scan without leaf is its own.

    Parameters
    ----------
    found
        Unit, session and index; leaf; and reading of each scan.
    """
    out: dict[str, dict[tuple[str, str], dict[str, list[tuple[str, float]]]]] = {}
    for (unit, session, index), leaf, reading in found:
        own = f"leaf {leaf}" if leaf else f"scan {reading.scan}"
        here = out.setdefault(index, {}).setdefault((unit, session), {})
        here.setdefault(own, []).append((reading.scan, reading.value))
    return {
        index: {
            key: {
                leaf: [v for _, v in sorted(out[index][key][leaf])]
                for leaf in sorted(out[index][key])
            }
            for key in sorted(out[index])
        }
        for index in sorted(out)
    }


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
    table = read_csv(job.inputs["accepted"], text=tuple(TEXT), flags=tuple(FLAGS))
    columns = (table[name].tolist() for name in ("scan", "unit", "session", "leaf"))
    places = {scan: (unit, day, leaf) for scan, unit, day, leaf in zip(*columns, strict=True)}
    return Scans(places, frozenset(table.loc[~table["accepted"], "scan"].tolist()))


def table_of_all(job: Job, scans: Scans, layout: Layout, indices: Iterable[str]) -> UnitTable:
    """Return unit means over all scans, excluded ones too."""
    import pandas as pd

    means = unit_means(readings(job.by_session("indices"), scans.places, set(scans.places)))
    rows = [(*key, found.mean, found.u) for key, found in means.items()]
    frame = pd.DataFrame(rows, columns=["unit", "session", "index", "mean", "u"])
    return unit_table(layout, frame, indices)


def accepted_cells(
    job: Job, scans: Scans
) -> dict[str, dict[tuple[str, str], dict[str, list[float]]]]:
    """Return index -> unit and session -> leaf -> values of the accepted scans."""
    chosen = set(scans.places) - scans.dropped
    return grouped(readings(job.by_session("indices"), scans.places, chosen))


# How far units of one treatment differ: what the linear model of the study leaves unexplained.
# ----------------------------------------------------------------------
# The next study is planned with the residual standard deviation of the model that the present one
# is tested with, at the session that matters. So it holds whatever that model leaves: units that
# respond differently, more so in later sessions; and it does not hold what the model takes out,
# such as shifts of a whole block.
#
# All treatments that are compared stand in one model here, each with a mean of its own, so that
# every one of them tells of the scatter. With two treatments it is the model that is tested.
#
# References
# ----------
# Cochran, W. G. (1957). Analysis of covariance: its nature and uses. Biometrics 13, 261-281.

Cells = Mapping[tuple[str, str], Leaves]
"""Unit and session -> leaf -> values of the accepted scans."""

NOTABLE_RATIO = 2.0
"""Variances of treatments that differ by more than this factor are named (project's rule)."""
_ALL = "all units"
_SPANNED = 1e-9
FLOORED = (
    "leaves and scans alone account for all of the scatter: the part of the units is held at zero"
)
NO_SCATTER = "the values leave no variation between units"


@dataclass(frozen=True)
class Residual:
    """What one linear model leaves of the variation between units.

    Attributes
    ----------
    before
        Whether the value before is a covariate.
    factors
        Names of the factors, the block first.
    variance
        Residual mean square, in the squared unit of the index.
    df
        Residual degrees of freedom.
    slope
        Coefficient of the value before if the value after stands on the left: 1 where the change
        itself is compared, 0 without a session before.
    measured
        What leaves and scans put into ``variance`` as they were measured.
    per_block
        Units of one treatment in one block, on average; ``NaN`` without blocks.
    n_columns
        Columns of the stated factors, without the blocks.
    remark
        What must be known of it: variances that differ between the treatments.
    """

    before: bool
    factors: tuple[str, ...]
    variance: float
    df: int
    slope: float
    measured: float
    per_block: float = math.nan
    n_columns: int = 0
    remark: str = ""


@dataclass(frozen=True)
class Variation:
    """What the design of a next study rests on, for one index.

    Attributes
    ----------
    session
        The after-session that it holds for; ``""`` if the study has none.
    models
        The model with the value before, if the study's own has it, then the one without it.
    leaf, scan
        Variance of leaves and of scans; ``NaN`` if unknown.
    n_before
        Sessions before that are averaged.
    typical_leaves
        Leaves of a unit in a session, the median.
    reason
        Why there is no residual variance; ``""`` if there is one.
    """

    session: str
    models: tuple[Residual, ...] = ()
    leaf: float = math.nan
    scan: float = math.nan
    n_before: int = 0
    typical_leaves: int = 1
    reason: str = ""

    def sd(self, model: Residual, n_leaves: int, n_scans: int) -> tuple[float, str]:
        """Return the residual standard deviation with so many leaves and scans, and a remark.

        The slope of the value before is taken as it is: with more leaves it would be steeper and
        the scatter a little less.

        Parameters
        ----------
        model
            One of ``models``.
        n_leaves, n_scans
            Leaves per unit and session, scans per leaf.
        """
        leaf = 0.0 if math.isnan(self.leaf) else self.leaf
        scan = 0.0 if math.isnan(self.scan) else self.scan
        once = leaf / n_leaves + scan / (n_leaves * n_scans)
        # 1. What is not leaves and scans stays as it is, and is never below zero.
        rest = model.variance - model.measured
        # 2. Leaves and scans of the session after, and by the slope those of the sessions before.
        weight = 1.0 + (model.slope**2 / self.n_before if self.n_before else 0.0)
        return math.sqrt(max(0.0, rest) + once * weight), FLOORED if rest < 0 else ""


def variation(
    layout: Layout,
    table: UnitTable,
    index: str,
    session: str,
    cells: Cells,
    parts: Sequence[Component],
) -> Variation:
    """Return what the next study would have to reckon with.

    Units without any value before are left out: the next study is planned with all of them
    measured.

    Parameters
    ----------
    layout
        The design.
    table
        Means of the experimental units.
    index
        The index.
    session
        The after-session that the next study aims at; ``""`` if there is none.
    cells
        Scans of the index, of the experimental units.
    parts
        Its variance components.
    """
    if not session:
        return Variation("", reason="the study has no after session")
    of = {part.name: part.variance for part in parts}
    leaf, scan = of.get(LEAF, math.nan), of.get(SCAN, math.nan)
    compared = {level for pair in layout.pairs for level in pair} or set(layout.levels)
    levels = {level: arm for level, arm in layout.levels.items() if level in compared}
    found = _sample(layout, table, index, session, levels)
    if not found.units:
        return Variation(session, reason=left_out(found) or "no unit has a value")
    found, terms = terms_of(found, layout.factors)
    with_before = terms.before and _pairs_have_before(layout, table, index, session)
    models, reason = [], ""
    for before in (True, False) if with_before else (False,):
        model = _residual(found, replace(terms, before=before), levels, cells, leaf, scan)
        if isinstance(model, str):
            reason = model
        else:
            models.append(model)
    counts = [len(held) for (unit, day), held in cells.items() if day in found.sessions and unit]
    typical = round(statistics.median(counts)) if counts else 1
    n_before = len(layout.before)
    return Variation(
        session, tuple(models), leaf, scan, n_before, typical, "" if models else reason
    )


def _sample(
    layout: Layout,
    table: UnitTable,
    index: str,
    session: str,
    levels: Mapping[str, tuple[str, ...]],
) -> Sample:
    """Return the values of all units of these treatments together."""
    every = tuple(sorted(unit for arm in levels.values() for unit in arm))
    together = replace(layout, levels={_ALL: every})
    return sample(together, table, Contrast(CHANGE, _ALL, session, _ALL, "", ""), index)


def _pairs_have_before(layout: Layout, table: UnitTable, index: str, session: str) -> bool:
    """Return whether the value before stands in the model of every pair of treatments."""
    for level, reference in layout.pairs:
        contrast = Contrast(layout.difference, "", session, level, reference, "")
        own = sample(layout, table, contrast, index, fill_before=True)
        if not terms_of(own, layout.factors)[1].before:
            return False
    return True


def _residual(
    found: Sample,
    terms: Terms,
    levels: Mapping[str, tuple[str, ...]],
    cells: Cells,
    leaf: float,
    scan: float,
) -> Residual | str:
    """Fit one model; return a sentence instead where it leaves no residual variance."""
    level_of = {unit: level for level, arm in levels.items() for unit in arm}
    arms = [level_of[unit] for unit in found.units]
    order = list(dict.fromkeys(arms))  # by their first unit: names change no digit
    means = factor_columns([f"{order.index(arm):04d}" for arm in arms])
    plain = np.column_stack([*means, *columns_of(found, replace(terms, before=False))])
    x = np.column_stack([found.before - found.before.mean(), plain]) if terms.before else plain
    n, rank = len(found.units), int(np.linalg.matrix_rank(x, tol=_tolerance(x)))
    if n <= rank:
        model = counted(rank, "coefficient")
        return f"{counted(n, 'unit')} are too few for the {model} of the model"
    if terms.before and rank == int(np.linalg.matrix_rank(plain, tol=_tolerance(plain))):
        return "the value before cannot be told from the treatments and blocks"
    b, *_ = np.linalg.lstsq(x, found.change, rcond=None)
    e = found.change - x @ b
    variance = math.fsum((e**2).tolist()) / (n - rank)
    if math.sqrt(variance) <= found.resolution:
        return NO_SCATTER
    # The change on the left gives the slope less one.
    slope = (1.0 + float(b[0]) if terms.before else 1.0) if found.has_before else 0.0
    blocks = terms.factors.get("block", ())
    others = [held for name, held in terms.factors.items() if name != "block"]
    return Residual(
        terms.before,
        tuple(terms.factors),
        variance,
        n - rank,
        slope,
        _measured(found, cells, leaf, scan, slope),
        n / (len(set(arms)) * len(set(blocks))) if blocks else math.nan,
        sum(len(set(held)) - 1 for held in others),
        _unequal(e, x, arms),
    )


def _tolerance(x: Array) -> float:
    return _SPANNED * max(1.0, float(np.abs(x).max())) * math.sqrt(len(x))


def _measured(found: Sample, cells: Cells, leaf: float, scan: float, slope: float) -> float:
    """Return what leaves and scans put in: after, plus the squared slope times before."""
    after, before = [], []
    for unit in found.units:
        lacks = found.partial.get(unit, ())
        early = [s for s in found.sessions[: found.n_before] if s not in lacks]
        put_in = [
            leaf_and_scan_variance(cells[unit, session], leaf, scan)
            for session in (*early, found.sessions[-1])
        ]
        after.append(put_in[-1])
        if early:
            before.append(math.fsum(put_in[:-1]) / len(early) ** 2)
    out = math.fsum(after) / len(after)
    return out + slope**2 * math.fsum(before) / len(before) if before else out


def _unequal(e: Array, x: Array, arms: Sequence[str]) -> str:
    """Name variances of treatments that differ by more than a factor of two."""
    u, s, _ = np.linalg.svd(x, full_matrices=False)
    base = u[:, s > _SPANNED * s[0]]
    free = 1.0 - np.einsum("ij,ij->i", base, base)
    held = np.asarray(arms, dtype=str)
    known = free > _SPANNED  # a unit that is fitted exactly tells nothing
    scatter = {}
    for arm in sorted(set(arms)):
        own = known & (held == arm)
        if own.sum() >= 2:
            scatter[arm] = math.fsum((e[own] ** 2 / free[own]).tolist()) / int(own.sum())
    if len(scatter) < 2:
        return ""
    most = max(scatter, key=lambda arm: (scatter[arm], arm))
    least = min(scatter, key=lambda arm: (scatter[arm], arm))
    if scatter[most] <= NOTABLE_RATIO * scatter[least]:
        return ""
    if scatter[least] <= 0:
        return f"the units of {least} do not vary, those of {most} do: one variance is taken here"
    return (
        f"the variance of {most} is {scatter[most] / scatter[least]:.2g} times that of {least}: "
        "one for both is taken here"
    )
