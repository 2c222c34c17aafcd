"""How large must the next study be: where do values vary, and which difference would it find?

Three steps: the variance components of each index; what the linear model of the present study
leaves unexplained between units; and the difference that so many units, leaves and scans find with
a power of 0.8, tested as the present study is.

References
----------
Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components, chapters 3 and 5.
Wiley (analysis of variance estimators of nested and unbalanced layouts).
Cochran, W. G. (1957). Analysis of covariance: its nature and uses. Biometrics 13, 261-281 (what a
value before that differs by chance costs).
Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
Johnson, N. L., Kotz, S. and Balakrishnan, N. (1995). Continuous Univariate Distributions, vol. 2,
chapter 31 (noncentral t).
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

from leafledger.effects.design import CHANGE, Contrast, Layout, Plan
from leafledger.effects.linear_model import FEWEST_DF, Terms, columns_of, factor_columns, terms_of
from leafledger.effects.two_sample_tests import finite
from leafledger.effects.unit_means import (
    IndexValue,
    Key,
    Place,
    Sample,
    UnitTable,
    change_sample,
    index_values,
    left_out,
    unit_means,
    unit_table,
)
from leafledger.records.record import Job
from leafledger.resampling.permutation import generator
from leafledger.study.table_files import read_csv
from leafledger.words import counted, listed

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
        here = out.setdefault((unit, session), {})
        for leaf, values in leaves.items():
            here[f"{part}\n{leaf}" if layout.parts else leaf] = values
    return {key: out[key] for key in sorted(out)}


def grouped(
    values: Iterable[tuple[Key, str, IndexValue]],
) -> dict[str, dict[tuple[str, str], dict[str, list[float]]]]:
    """Return index -> unit and session -> leaf -> values, sorted; a scan without leaf is its own.

    Parameters
    ----------
    values
        Unit, session and index; leaf; and reading of each scan.
    """
    out: dict[str, dict[tuple[str, str], dict[str, list[tuple[str, float]]]]] = {}
    for (unit, session, index), leaf, reading in values:
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
    table = read_csv(job.inputs["accepted"])
    columns = (table[name].tolist() for name in ("scan", "unit", "session", "leaf"))
    places = {scan: (unit, day, leaf) for scan, unit, day, leaf in zip(*columns, strict=True)}
    return Scans(places, frozenset(table.loc[~table["accepted"], "scan"].tolist()))


def all_scans_table(job: Job, scans: Scans, layout: Layout, indices: Iterable[str]) -> UnitTable:
    """Return unit means over all scans, excluded ones too."""
    import pandas as pd

    means = unit_means(index_values(job.by_session("indices"), scans.places, set(scans.places)))
    rows = [(*key, found.mean, found.u) for key, found in means.items()]
    frame = pd.DataFrame(rows, columns=["unit", "session", "index", "mean", "u"])
    return unit_table(layout, frame, indices)


def accepted_cells(
    job: Job, scans: Scans
) -> dict[str, dict[tuple[str, str], dict[str, list[float]]]]:
    """Return index -> unit and session -> leaf -> values of the accepted scans."""
    chosen = set(scans.places) - scans.dropped
    return grouped(index_values(job.by_session("indices"), scans.places, chosen))


# How far units of one treatment differ: what the linear model of the study leaves unexplained.
# ----------------------------------------------------------------------
# The next study is planned with the residual standard deviation of the model that the present one
# is tested with, at the session that matters. So it holds whatever that model leaves: units that
# respond differently, more so in later sessions; and it does not hold what the model takes out,
# such as shifts of a whole block.
#
# All treatments that are compared stand in one model here, each with a mean of its own, so that
# every one of them tells of the scatter. With two treatments it is the model that is tested.

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
    sample = _sample(layout, table, index, session, levels)
    if not sample.units:
        return Variation(session, reason=left_out(sample) or "no unit has a value")
    sample, terms = terms_of(sample, layout.factors)
    with_before = terms.before and _pairs_have_before(layout, table, index, session)
    models, reason = [], ""
    for before in (True, False) if with_before else (False,):
        model = _residual(sample, replace(terms, before=before), levels, cells, leaf, scan)
        if isinstance(model, str):
            reason = model
        else:
            models.append(model)
    counts = [len(held) for (unit, day), held in cells.items() if day in sample.sessions and unit]
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
    return change_sample(together, table, Contrast(CHANGE, _ALL, session, _ALL, "", ""), index)


def _pairs_have_before(layout: Layout, table: UnitTable, index: str, session: str) -> bool:
    """Return whether the value before stands in the model of every pair of treatments."""
    for level, reference in layout.pairs:
        contrast = Contrast(layout.difference, "", session, level, reference, "")
        own = change_sample(layout, table, contrast, index, fill_before=True)
        if not terms_of(own, layout.factors)[1].before:
            return False
    return True


def _residual(
    sample: Sample,
    terms: Terms,
    levels: Mapping[str, tuple[str, ...]],
    cells: Cells,
    leaf: float,
    scan: float,
) -> Residual | str:
    """Fit one model; return a sentence instead where it leaves no residual variance."""
    level_of = {unit: level for level, arm in levels.items() for unit in arm}
    arms = [level_of[unit] for unit in sample.units]
    order = list(dict.fromkeys(arms))  # by their first unit: names change no digit
    means = factor_columns([f"{order.index(arm):04d}" for arm in arms])
    plain = np.column_stack([*means, *columns_of(sample, replace(terms, before=False))])
    x = np.column_stack([sample.before - sample.before.mean(), plain]) if terms.before else plain
    n, rank = len(sample.units), int(np.linalg.matrix_rank(x, tol=_tolerance(x)))
    if n <= rank:
        model = counted(rank, "coefficient")
        return f"{counted(n, 'unit')} are too few for the {model} of the model"
    if terms.before and rank == int(np.linalg.matrix_rank(plain, tol=_tolerance(plain))):
        return "the value before cannot be told from the treatments and blocks"
    b, *_ = np.linalg.lstsq(x, sample.change, rcond=None)
    e = sample.change - x @ b
    variance = math.fsum((e**2).tolist()) / (n - rank)
    if math.sqrt(variance) <= sample.resolution:
        return NO_SCATTER
    # The change on the left gives the slope less one.
    slope = (1.0 + float(b[0]) if terms.before else 1.0) if sample.has_before else 0.0
    blocks = terms.factors.get("block", ())
    others = [held for name, held in terms.factors.items() if name != "block"]
    return Residual(
        terms.before,
        tuple(terms.factors),
        variance,
        n - rank,
        slope,
        _measured(sample, cells, leaf, scan, slope),
        n / (len(set(arms)) * len(set(blocks))) if blocks else math.nan,
        sum(len(set(held)) - 1 for held in others),
        _unequal(e, x, arms),
    )


def _tolerance(x: Array) -> float:
    return _SPANNED * max(1.0, float(np.abs(x).max())) * math.sqrt(len(x))


def _measured(sample: Sample, cells: Cells, leaf: float, scan: float, slope: float) -> float:
    """Return what leaves and scans put in: after, plus the squared slope times before."""
    after, before = [], []
    for unit in sample.units:
        lacks = sample.partial.get(unit, ())
        early = [s for s in sample.sessions[: sample.n_before] if s not in lacks]
        put_in = [
            leaf_and_scan_variance(cells[unit, session], leaf, scan)
            for session in (*early, sample.sessions[-1])
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


# Which difference so many units, leaves and scans would find.
# ----------------------------------------------------------------------

UNITS = (4, 6, 8, 10, 12, 16, 24, 32)
LEAVES = (1, 2, 3, 5)
SCANS = (1, 2)
POWER = 0.8
_SIMULATED = 4000
_DRAWS_OF_BEFORE = 100


def two_sample_power(noncentrality: float, df: float, alpha: float) -> float:
    """Return the probability that a two-sided t test finds a difference.

    Parameters
    ----------
    noncentrality
        True difference over its standard error.
    df
        Degrees of freedom.
    alpha
        Level of the test.

    Examples
    --------
    >>> round(two_sample_power(0.5 * (64 / 2) ** 0.5, 126, 0.05), 6)
    0.80146
    """
    # statsmodels' ttest_power is the same sum, but gives no number far in a tail.
    from scipy.special import stdtrit

    limit = float(stdtrit(df, 1.0 - alpha / 2.0))
    return _above(limit, noncentrality, df) + _above(limit, -noncentrality, df)


def _above(limit: float, noncentrality: float, df: float) -> float:
    from scipy.special import nctdtr

    below = float(nctdtr(df, noncentrality, limit))
    if math.isfinite(below):
        return 1.0 - below
    return 1.0 if noncentrality > limit else 0.0  # far in a tail the library gives no number


@lru_cache(maxsize=256)
def needed_noncentrality(df: float, alpha: float, power: float) -> float:
    """Return the noncentrality at which a two-sided t test has this power."""
    from scipy.optimize import brentq

    return float(brentq(lambda c: two_sample_power(c, df, alpha) - power, 0.0, 60.0, xtol=1e-10))


@dataclass(frozen=True)
class Design:
    """The model of a planned study of two groups with ``n`` units each.

    Attributes
    ----------
    n
        Units in each group.
    before
        Whether the value before is a covariate.
    n_blocks
        Blocks, each with as many units of one group as of the other.
    n_columns
        Columns of stated factors.
    """

    n: int
    before: bool = False
    n_blocks: int = 1
    n_columns: int = 0

    @property
    def df(self) -> int:
        """Residual degrees of freedom."""
        return 2 * self.n - 2 - self.before - (self.n_blocks - 1) - self.n_columns

    @property
    def error_factor(self) -> float:
        """Standard error of the difference over the residual standard deviation.

        Groups differ in the mean of their values before by chance. To adjust for it multiplies the
        variance by ``1 + 1 / (df - 1)`` on average, for values that follow a normal distribution.
        """
        chance = 1.0 + 1.0 / (self.df - 1) if self.before else 1.0
        return math.sqrt(2.0 / self.n * chance)


@lru_cache(maxsize=1024)
def simulated_power(design: Design, noncentrality: float, alpha: float, seed: int) -> float:
    """Return the share of 4,000 simulated studies in which the linear model finds the difference.

    The test is that of the study: HC2 errors with Satterthwaite degrees of freedom under working
    variances by treatment, see :func:`leafledger.effects.linear_model.fit`. Values before are
    drawn 100 times, and the values after 40 times for each of these.

    Parameters
    ----------
    design
        The planned model. Columns of stated factors are drawn, alike in both groups.
    noncentrality
        True difference over its standard error.
    alpha
        Level of the test.
    seed
        Seed of the draw.
    """
    from scipy.special import stdtr

    n = design.n
    rng = generator(seed, "power", n)
    n_draws = _DRAWS_OF_BEFORE if design.before else 1
    # 1. The columns X, shape (n_draws, 2n, p); the treatment first.
    block = np.arange(n) * design.n_blocks // n
    own = [block == b for b in range(1, design.n_blocks)]
    alike = [np.ones(n), *own, *rng.standard_normal((design.n_columns, n))]
    fixed = np.column_stack([np.repeat([1.0, 0.0], n), *(np.tile(c, 2) for c in alike)])
    x = np.broadcast_to(fixed, (n_draws, *fixed.shape))
    if design.before:
        x = np.concatenate([x, rng.standard_normal((n_draws, 2 * n, 1))], axis=2)
    # 2. X = QR; the coefficient of the treatment is a'y, leverages h, residuals (I - H) y.
    q, r = np.linalg.qr(x)
    first = np.zeros((x.shape[2], 1))
    first[0] = 1.0
    a = (q @ np.linalg.solve(r.transpose(0, 2, 1), first))[:, :, 0]
    left = np.eye(2 * n) - q @ q.transpose(0, 2, 1)
    free = np.einsum("dii->di", left)
    y = rng.standard_normal((n_draws, 2 * n, _SIMULATED // n_draws))
    y[:, :n] += noncentrality * design.error_factor
    e2 = (left @ y) ** 2
    # 3. Working variances omega, of each group the mean of e^2 / (1 - h); the squared error is
    #    sum a^2 e^2 / s with s = [(I - H) Omega (I - H)]_ii / omega.
    omega = (e2 / free[:, :, None]).reshape(n_draws, 2, n, -1).mean(axis=2)
    of_group = (left**2).reshape(n_draws, 2 * n, 2, n).sum(axis=3)
    share = np.einsum("dig,dgs->dis", of_group, omega) / np.repeat(omega, n, axis=1)
    error = np.sqrt(np.einsum("di,dis->ds", a**2, e2 / share))
    estimate = np.einsum("di,dis->ds", a, y)
    # 4. Satterthwaite under omega, by G = (I - H) D (I - H) with D = a^2 / (1 - h): the s of every
    #    study would move the degrees of freedom by a few hundredths and cost a thousand times more.
    d = a**2 / free
    g2 = (left * d[:, None, :] @ left) ** 2
    diagonal = np.einsum("dij,dj->di", left**2, d)
    trace = np.einsum("dk,dks->ds", diagonal.reshape(n_draws, 2, n).sum(axis=2), omega)
    pairs = g2.reshape(n_draws, 2, n, 2, n).sum(axis=(2, 4))
    df = trace**2 / np.einsum("dkl,dks,dls->ds", pairs, omega, omega)
    p = 2.0 * stdtr(df, -np.abs(estimate / error))
    return float(np.mean(p < alpha))


def planned(n: int, variation: Variation) -> tuple[Design, Residual]:
    """Return the model of a next study with ``n`` units in each group, and what it would leave.

    The rules are those of the tests: blocks of the same size as now, the stated factors, and the
    value before unless fewer than 6 residual degrees of freedom would be left.

    Parameters
    ----------
    n
        Units in each group.
    variation
        What is known of the index, with at least one model.
    """
    for model in variation.models:
        per_block = model.per_block
        n_blocks = 1 if math.isnan(per_block) else min(n, max(1, math.ceil(n / per_block - 1e-9)))
        design = Design(n, model.before, n_blocks, model.n_columns)
        if not model.before or design.df >= FEWEST_DF:
            break
    return design, model


def design_table(
    variations: Mapping[str, Variation], plan: Plan, units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the rows of ``power.csv``: the difference that is found with a power of 0.8.

    Only leaves and scans whose own variation is known are varied. An index whose scatter is not
    known has one row, which says why.

    Parameters
    ----------
    variations
        Index -> how far its units differ.
    plan
        The plan of the analysis: level of the two-sided test, margins, and the seed of the
        simulation that checks the power.
    units
        Index -> unit.
    """
    out = []
    for index in sorted(variations):
        variation = variations[index]
        named = {"index": index, "session": variation.session, "unit": units.get(index, "")}
        margin = plan.margin.get(index, math.nan)
        if not variation.models:
            out.append({**named, "margin": finite(margin), "reason": variation.reason})
            continue
        leaves = sorted(
            {*LEAVES, *([variation.typical_leaves] * (variation.typical_leaves > LEAVES[-1]))}
        )
        for n in UNITS:
            design, model = planned(n, variation)
            for n_leaves in (1,) if math.isnan(variation.leaf) else leaves:
                for n_scans in (1,) if math.isnan(variation.scan) else SCANS:
                    sd, remark = variation.sd(model, n_leaves, n_scans)
                    row = _found_difference(design, sd, plan, margin)
                    numbers = {"n_units": n, "n_leaves": n_leaves, "n_scans": n_scans}
                    words = _words(design, model, remark)
                    out.append({**named, **numbers, **row, **words, "residual_df": model.df})
    return out


def _words(design: Design, model: Residual, remark: str) -> dict[str, str]:
    """Return the covariates of the planned model, and what must be known of the row."""
    factors = [name for name in model.factors if name != "block" or design.n_blocks > 1]
    names = [*(["value before"] if design.before else []), *factors]
    remarks = [remark, model.remark]
    if design.df < 1 or design.n_columns + design.n_blocks > design.n:
        few = f"{design.n} units in each group are too few for a model with {listed(names)}"
        remarks = [few]
    return {"covariates": ", ".join(names), "reason": "; ".join(r for r in remarks if r)}


def _found_difference(design: Design, sd: float, plan: Plan, margin: float) -> dict[str, Any]:
    values: dict[str, Any] = {
        "sd_residual": sd,
        "alpha": plan.alpha,
        "power": POWER,
        "margin": margin,
    }
    if design.df >= 1 and design.n_columns + design.n_blocks <= design.n:
        df, error = float(design.df), sd * design.error_factor
        needed = needed_noncentrality(df, plan.alpha, POWER)
        values |= {
            "df": df,
            "detectable": needed * error,
            "power_simulated": simulated_power(design, needed, plan.alpha, plan.seed),
        }
        if error > 0 and not math.isnan(margin):
            values["power_at_margin"] = two_sample_power(min(margin / error, 100.0), df, plan.alpha)
    return {name: finite(value) for name, value in values.items()}
