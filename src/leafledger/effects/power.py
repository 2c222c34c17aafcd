"""The next study: which difference so many units, leaves and scans would find.

The next study is tested as the present one is: by the linear model with value before, block and
stated factors. Its scatter is that of :mod:`leafledger.effects.variance_components`.

References
----------
Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
Johnson, N. L., Kotz, S. and Balakrishnan, N. (1995). Continuous Univariate Distributions, vol. 2,
chapter 31 (noncentral t). Cochran, W. G. (1957). Analysis of covariance: its nature and uses.
Biometrics 13, 261-281 (what a value before that differs by chance costs).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from leafledger.effects.families import finite
from leafledger.effects.linear_model import FEWEST_DF
from leafledger.effects.variance_components import Residual, Variation
from leafledger.resampling.permutation import generator
from leafledger.words import listed

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
    found: Mapping[str, Variation],
    alpha: float,
    margin: Mapping[str, float],
    units: Mapping[str, str],
    seed: int,
) -> list[dict[str, Any]]:
    """Return the rows of ``power.csv``: the difference that is found with a power of 0.8.

    Only leaves and scans whose own variation is known are varied. An index whose scatter is not
    known has one row, which says why.

    Parameters
    ----------
    found
        Index -> how far its units differ.
    alpha
        Level of the two-sided test.
    margin, units
        Index -> smallest difference that would matter; index -> unit.
    seed
        Seed of the simulation that checks the power.
    """
    out = []
    for index in sorted(found):
        known = found[index]
        named = {"index": index, "session": known.session, "unit": units.get(index, "")}
        limit = margin.get(index, math.nan)
        if not known.models:
            out.append({**named, "margin": finite(limit), "reason": known.reason})
            continue
        leaves = sorted({*LEAVES, *([known.typical_leaves] * (known.typical_leaves > LEAVES[-1]))})
        for n in UNITS:
            design, model = planned(n, known)
            for n_leaves in (1,) if math.isnan(known.leaf) else leaves:
                for n_scans in (1,) if math.isnan(known.scan) else SCANS:
                    sd, remark = known.sd(model, n_leaves, n_scans)
                    row = _design(design, sd, alpha, limit, seed)
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


def _design(design: Design, sd: float, alpha: float, margin: float, seed: int) -> dict[str, Any]:
    values: dict[str, Any] = {
        "sd_residual": sd,
        "alpha": alpha,
        "power": POWER,
        "margin": margin,
    }
    if design.df >= 1 and design.n_columns + design.n_blocks <= design.n:
        df, error = float(design.df), sd * design.error_factor
        needed = needed_noncentrality(df, alpha, POWER)
        values |= {
            "df": df,
            "detectable": needed * error,
            "power_simulated": simulated_power(design, needed, alpha, seed),
        }
        if error > 0 and not math.isnan(margin):
            values["power_at_margin"] = two_sample_power(min(margin / error, 100.0), df, alpha)
    return {name: finite(value) for name, value in values.items()}
