"""How far units of one treatment differ: what the linear model of the study leaves unexplained.

The next study is planned with the residual standard deviation of the model that the present one is
tested with, at the session that matters. So it holds whatever that model leaves: units that respond
differently, more so in later sessions; and it does not hold what the model takes out, such as
shifts of a whole block.

All treatments that are compared stand in one model here, each with a mean of its own, so that every
one of them tells of the scatter. With two treatments it is the model that is tested.

References
----------
Cochran, W. G. (1957). Analysis of covariance: its nature and uses. Biometrics 13, 261-281.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.changes import Sample, UnitTable, left_out, sample
from leafledger.effects.layout import CHANGE, Contrast, Layout
from leafledger.effects.linear_model import Terms, columns_of, factor_columns, terms_of
from leafledger.effects.variance_components import (
    LEAF,
    SCAN,
    Component,
    Leaves,
    leaf_and_scan_variance,
)
from leafledger.effects.words import counted

Array = NDArray[np.float64]
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
