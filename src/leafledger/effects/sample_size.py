"""How many units must the next study have, and which difference would it detect?

Two steps: what the linear model of the present study leaves unexplained between units; and the
difference that so many units, leaves and scans find with a power of 0.8, tested as the present
study is.

References
----------
Cochran, W. G. (1957). Analysis of covariance: its nature and uses. Biometrics 13, 261-281 (what a
value before that differs by chance costs).
Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
Johnson, N. L., Kotz, S. and Balakrishnan, N. (1995). Continuous Univariate Distributions, vol. 2,
chapter 31 (noncentral t).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.design import CHANGE, Contrast, Layout, Plan
from leafledger.effects.linear_model import FEWEST_DF, Terms, columns_of, factor_columns, terms_of
from leafledger.effects.two_sample_tests import finite
from leafledger.effects.unit_means import Sample, UnitTable, change_sample, left_out
from leafledger.effects.variance_components import (
    LEAF,
    SCAN,
    Component,
    Leaves,
    leaf_and_scan_variance,
)
from leafledger.resampling.permutation import generator
from leafledger.words import counted, listed

Array = NDArray[np.float64]

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
    variance_of = {part.name: part.variance for part in parts}
    leaf, scan = variance_of.get(LEAF, math.nan), variance_of.get(SCAN, math.nan)
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
        pair = change_sample(layout, table, contrast, index, fill_before=True)
        if not terms_of(pair, layout.factors)[1].before:
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
    arm_of = np.asarray(arms, dtype=str)
    scatter = {}
    for arm in sorted(set(arms)):
        units = (free > _SPANNED) & (arm_of == arm)  # a unit that is fitted exactly says nothing
        if units.sum() >= 2:
            scatter[arm] = math.fsum((e[units] ** 2 / free[units]).tolist()) / int(units.sum())
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
    return _upper_tail(limit, noncentrality, df) + _upper_tail(limit, -noncentrality, df)


def _upper_tail(limit: float, noncentrality: float, df: float) -> float:
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
    blocks = [block == b for b in range(1, design.n_blocks)]
    alike = [np.ones(n), *blocks, *rng.standard_normal((design.n_columns, n))]
    fixed = np.column_stack([np.repeat([1.0, 0.0], n), *(np.tile(c, 2) for c in alike)])
    x = np.broadcast_to(fixed, (n_draws, *fixed.shape))
    if design.before:
        x = np.concatenate([x, rng.standard_normal((n_draws, 2 * n, 1))], axis=2)
    # 2. X = QR; the coefficient of the treatment is a'y, leverages h, residuals (I - H) y.
    q, r = np.linalg.qr(x)
    first = np.zeros((x.shape[2], 1))
    first[0] = 1.0
    a = (q @ np.linalg.solve(r.transpose(0, 2, 1), first))[:, :, 0]
    annihilator = np.eye(2 * n) - q @ q.transpose(0, 2, 1)
    free = np.einsum("dii->di", annihilator)
    y = rng.standard_normal((n_draws, 2 * n, _SIMULATED // n_draws))
    y[:, :n] += noncentrality * design.error_factor
    e2 = (annihilator @ y) ** 2
    # 3. Working variances omega, of each group the mean of e^2 / (1 - h); the squared error is
    #    sum a^2 e^2 / s with s = [(I - H) Omega (I - H)]_ii / omega.
    omega = (e2 / free[:, :, None]).reshape(n_draws, 2, n, -1).mean(axis=2)
    of_group = (annihilator**2).reshape(n_draws, 2 * n, 2, n).sum(axis=3)
    share = np.einsum("dig,dgs->dis", of_group, omega) / np.repeat(omega, n, axis=1)
    error = np.sqrt(np.einsum("di,dis->ds", a**2, e2 / share))
    estimate = np.einsum("di,dis->ds", a, y)
    # 4. Satterthwaite under omega, by G = (I - H) D (I - H) with D = a^2 / (1 - h): the s of every
    #    study would move the degrees of freedom by a few hundredths and cost a thousand times more.
    d = a**2 / free
    g2 = (annihilator * d[:, None, :] @ annihilator) ** 2
    diagonal = np.einsum("dij,dj->di", annihilator**2, d)
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
                    row = _detectable(design, sd, plan, margin)
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


def _detectable(design: Design, sd: float, plan: Plan, margin: float) -> dict[str, Any]:
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
