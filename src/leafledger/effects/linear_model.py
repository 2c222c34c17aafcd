"""What did the treatment do, by a linear model that allows unequal variances?

The model of one contrast is ``y = treatment + value before + block + stated factors``, one row per
unit. ``y`` is the change of the unit, or its value after where there is no session before. With the
value before on the right, the coefficient of the treatment is the same, digit for digit, whether
the change or the value after stands on the left.

Standard errors are HC2 (MacKinnon and White 1985), unbiased under the working variances. Degrees
of freedom are Satterthwaite's under working variances: one for all units (Bell and McCaffrey
2002), or one for each treatment as estimated from its own residuals. The second kind is Welch's
test where there are no covariates; in pairs both are the paired t test. statsmodels has HC2 errors
and no such degrees of freedom, so the model is fitted here; the tests hold the errors against
statsmodels and the degrees of freedom against R.

References
----------
MacKinnon, J. G. and White, H. (1985). Some heteroskedasticity-consistent covariance matrix
estimators with improved finite sample properties. Journal of Econometrics 29, 305-325. Bell, R. M.
and McCaffrey, D. F. (2002). Bias reduction in standard errors for linear regression with
multi-stage samples. Survey Methodology 28, 169-181. Pustejovsky, J. E. and Tipton, E. (2018).
Small-sample methods for cluster-robust variance estimation and hypothesis testing in fixed effects
models. Journal of Business and Economic Statistics 36, 672-683 (errors that are unbiased under
working variances). Imbens, G. W. and Kolesar, M. (2016). Robust standard errors in small samples:
some practical advice. Review of Economics and Statistics 98, 701-712. Lin, W. (2013). Agnostic
notes on regression adjustments to experimental data. Annals of Applied Statistics 7, 295-318.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.two_sample_tests import (
    EffectSize,
    Result,
    mean,
    noncentrality_interval,
    small_sample_factor,
    t_test,
)
from leafledger.effects.unit_means import Sample
from leafledger.resampling.permutation import permuted_group
from leafledger.words import counted, listed

Array = NDArray[np.float64]

BY_ARM, EQUAL, LEAST_SQUARES = "by_arm", "equal", "least_squares"
"""Standard error and degrees of freedom: HC2 with working variances by arm, HC2 with one working
variance, or the classical ones, which take the variance of all units as equal."""

FEWEST_DF = 6
"""With fewer residual degrees of freedom than this the value before is not spent one on: the change
itself is compared (project's rule; it looks at counts, never at values)."""
_LEVER = 1e-9
"""A unit whose leverage is this close to 1 is fitted exactly and says nothing of the scatter."""
_ALIASED = 1e-9
_SMALLEST = 1e-12
"""Least share of the largest working variance: an arm without any scatter has that of rounding."""
_CHUNK = 2000

NO_VARIATION = "the model leaves no variation between units: there is no t"
NO_VARIATION_F = "the model leaves no variation between units: there is no F"
ONE_DECIDES = "one unit alone decides a coefficient of the model, so its scatter is not known"
_NO_SIZE = EffectSize("hedges_g_adjusted")


@dataclass(frozen=True)
class Fit:
    """The first coefficient of a linear model and what is known of its error.

    Attributes
    ----------
    estimate, error
        In the unit of ``y``, and by that of the first column.
    df
        Degrees of freedom of the error.
    spread
        Residual standard deviation, divisor ``n - p``.
    """

    estimate: float
    error: float
    df: float
    spread: float


def fit(y: Array, x: Array, arms: NDArray[np.intp], kind: str = BY_ARM) -> Fit:
    """Return the least-squares coefficient of the first column, its HC2 error and its df.

    Parameters
    ----------
    y
        Shape ``(n,)``.
    x
        Full-rank columns, shape ``(n, p)``, ``n > p``; the first one is tested. No unit may have
        leverage 1.
    arms
        Arm of each unit as 0, 1, 2 ..., shape ``(n,)``: units that share a working variance.
    kind
        ``by_arm``, ``equal`` or ``least_squares``.
    """
    n, p = x.shape
    # 1. Least squares by X = Q R: the hat matrix is H = Q Q', its diagonal holds the leverages h.
    q, r = np.linalg.qr(x)
    h = np.einsum("ij,ij->i", q, q)
    # 2. The first coefficient is a'y, with a the first row of (X'X)^-1 X' = R^-1 Q'.
    first = np.zeros(p)
    first[0] = 1.0
    a = q @ np.linalg.solve(r.T, first)
    e = y - q @ (q.T @ y)
    squares = math.fsum((e**2).tolist())
    spread, estimate = math.sqrt(squares / (n - p)), math.fsum((a * y).tolist())
    if kind == LEAST_SQUARES:
        error = spread * math.sqrt(math.fsum((a**2).tolist()))
        return Fit(estimate, error, float(n - p), spread)
    # 3. Working variances omega, and by which factor s_i e_i^2 falls short of omega_i under them.
    omega, share = _working(q, h, e, arms) if kind == BY_ARM else (np.ones(n), 1.0 - h)
    # 4. HC2: the squared error is sum a_i^2 e_i^2 / s_i, a quadratic form y'G y with
    #    G = (I - H) D (I - H), D = diag(a_i^2 / s_i).
    d = a**2 / share
    error = math.sqrt(math.fsum((d * e**2).tolist()))
    # 5. Satterthwaite: df = tr(G Omega)^2 / tr(G Omega G Omega).
    return Fit(estimate, error, _satterthwaite(q, d, omega), spread)


def _working(q: Array, h: Array, e: Array, arms: NDArray[np.intp]) -> tuple[Array, Array]:
    """Return a working variance for each unit, that of its arm, and what residuals have of it.

    The variance of an arm is the mean of its ``e_i^2 / (1 - h_i)``, given as a share of the
    largest. A squared residual is expected to be ``s_i omega_i`` with ``s_i = [(I - H) Omega (I -
    H)]_ii / omega_i``, which is ``1 - h_i`` for equal variances.
    """
    omega, share = np.ones(len(e)), 1.0 - h
    for arm in range(int(arms.max()) + 1):
        if (arms == arm).any():
            omega[arms == arm] = mean((e**2 / share)[arms == arm])
    if not omega.max() > 0:
        return np.ones(len(e)), share
    omega = np.maximum(omega / omega.max(), _SMALLEST)
    inner = q.T @ (omega[:, None] * q)
    return omega, 1.0 - 2.0 * h + np.einsum("ij,jk,ik->i", q, inner, q) / omega


def _satterthwaite(q: Array, d: Array, omega: Array) -> float:
    """Return ``tr(G Omega)^2 / tr(G Omega G Omega)`` for ``G = (I - QQ') diag(d) (I - QQ')``."""
    middle = q.T @ (d[:, None] * q)
    trace, square = 0.0, 0.0
    for start in range(0, len(q), _CHUNK):  # rows of G: memory stays small with many units
        rows = slice(start, start + _CHUNK)
        g = -(q[rows] @ q.T) * (d[rows, None] + d[None, :]) + q[rows] @ middle @ q.T
        diagonal = np.arange(start, start + len(g))
        g[np.arange(len(g)), diagonal] += d[rows]
        trace += float(omega[rows] @ g[np.arange(len(g)), diagonal])
        square += float(omega[rows] @ g**2 @ omega)
    return trace**2 / square if square > 0 else math.nan


@dataclass(frozen=True)
class Terms:
    """What stands beside the treatment in the model of one contrast.

    Attributes
    ----------
    factors
        Name of a factor -> its level for each unit, the block first where there is one; factors
        that do not vary among these units are left out.
    before
        Whether the value before is a covariate.
    why
        Why the value before is none although the units have one; ``""`` if it is, or they have
        none.
    alone
        Unit that takes no part -> why: the only one of its level of a factor, or without a value
        before.
    held
        Factors that the ones before them hold already, such as a cultivar that is the same in every
        unit of a block: they add nothing.
    """

    factors: Mapping[str, Sequence[str]]
    before: bool
    why: str = ""
    alone: Mapping[str, str] = field(default_factory=dict)
    held: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The covariates in the order of the model."""
        return (*(("value before",) if self.before else ()), *self.factors)


def terms_of(sample: Sample, factors: Mapping[str, Mapping[str, str]]) -> tuple[Sample, Terms]:
    """Return the units that take part in the model of a contrast, and its covariates.

    The rule looks at which units have values, never at the values, but that values before which are
    all equal adjust for nothing:

    1. Block and stated factors stand in the model where they vary.
    2. A unit that is the only one of its block, or of a level of a factor, says nothing of the
       treatment and is left out.
    3. The value before stands in the model where there is one, unless fewer than 6 residual degrees
       of freedom would be left. The change of each unit is compared then, without it.

    Parameters
    ----------
    sample
        Values of the contrast.
    factors
        Name of a factor -> unit -> its level.
    """
    kept = sample
    alone: dict[str, str] = {}
    while True:  # leaving one unit out may leave another one alone
        levels = {
            name: [label_of.get(unit, "") for unit in kept.units]
            for name, label_of in factors.items()
        }
        keep = np.ones(len(kept.units), dtype=bool)
        for name, labels in levels.items():
            if len(set(labels)) < 2:
                continue
            single = np.array([labels.count(level) == 1 for level in labels], dtype=bool)
            for i in np.flatnonzero(single & keep).tolist():
                alone[kept.units[i]] = f"the only one of its {name}"
            keep &= ~single
        if keep.all():
            break
        kept = kept.only(keep)
    varying, held, columns = _independent(levels)
    n, p = len(kept.units) - len(kept.filled), 2 + columns
    why = ""
    if kept.has_before and n and np.ptp(kept.before) <= kept.resolution:
        why = "all values before are equal"
    elif kept.has_before and n - p - 1 < FEWEST_DF:
        why = f"{counted(max(0, n - p - 1), 'residual degree')} of freedom would be left"
    if why and kept.filled:  # nothing stands in for a value that a change needs
        measured = np.array([unit not in kept.filled for unit in kept.units], dtype=bool)
        again, terms = terms_of(kept.only(measured), factors)
        reasons = dict.fromkeys(kept.filled, "no value before")
        return again, replace(terms, alone={**alone, **reasons, **terms.alone})
    return kept, Terms(varying, kept.has_before and not why, why, alone, held)


def _independent(
    levels: Mapping[str, Sequence[str]],
) -> tuple[dict[str, Sequence[str]], tuple[str, ...], int]:
    """Return the factors that vary and are not held by the ones before them, those that are, and
    how many columns the first ones have.
    """
    varying: dict[str, Sequence[str]] = {}
    held: list[str] = []
    basis: list[Array] = []
    for name, labels in levels.items():
        if len(set(labels)) < 2:
            continue
        more = independent_columns([np.ones(len(labels)), *basis], factor_columns(labels))
        if more:
            varying[name] = labels
            basis += more
        else:
            held.append(name)
    return varying, tuple(held), len(basis)


def independent_columns(base: Sequence[Array], columns: Sequence[Array]) -> list[Array]:
    """Return the columns that the ones before them do not hold already, in their order.

    Examples
    --------
    >>> one, two = np.array([1.0, 1.0, 1.0]), np.array([1.0, 0.0, 0.0])
    >>> [c.tolist() for c in independent_columns([one], [two, one - two])]
    [[1.0, 0.0, 0.0]]
    """
    kept: list[Array] = []
    span = [c / max(float(np.linalg.norm(c)), 1e-300) for c in base]
    q = np.linalg.qr(np.column_stack(span))[0] if span else np.zeros((len(columns[0]), 0))
    for column in columns:
        size = float(np.linalg.norm(column))
        remainder = column - q @ (q.T @ column)
        remainder = remainder - q @ (
            q.T @ remainder
        )  # twice: the first remainder is not quite orthogonal
        if size > 0 and float(np.linalg.norm(remainder)) > _ALIASED * size * 100:
            kept.append(column)
            q = np.column_stack([q, remainder / np.linalg.norm(remainder)])
    return kept


def treatment_test(
    sample: Sample, terms: Terms, level: float, kind: str = BY_ARM
) -> tuple[Result, EffectSize, float]:
    """Test the difference between two arms, adjusted for the covariates.

    Parameters
    ----------
    sample
        Values of the units that take part, in the order of their id.
    terms
        The covariates, see :func:`terms_of`.
    level
        Confidence of the intervals.
    kind
        ``by_arm``, ``equal`` or ``least_squares``, see :func:`fit`.

    Returns
    -------
    tuple
        The t test of the treatment coefficient; Hedges g, whose denominator is the residual
        standard deviation; the standard error (``NaN`` where there is no t).
    """
    group, sign = permuted_group(sample.treated)
    column = group.astype(float)
    arms = (~group).astype(np.intp)
    tested, size, error = coefficient_test(sample, column, terms, arms, level, kind)
    if sign > 0:
        return tested, size, error
    turned = replace(
        tested,
        estimate=-tested.estimate,
        ci_low=-tested.ci_high,
        ci_high=-tested.ci_low,
        statistic=-tested.statistic,
    )
    return turned, replace(size, g=-size.g, low=-size.high, high=-size.low), error


def coefficient_test(
    sample: Sample, column: Array, terms: Terms, arms: NDArray[np.intp], level: float, kind: str
) -> tuple[Result, EffectSize, float]:
    """Test the coefficient of one column, such as the dose, beside the covariates.

    Parameters
    ----------
    sample, terms, level, kind
        As in :func:`treatment_test`.
    column
        Shape ``(n_units,)``.
    arms
        Arm of each unit as 0, 1, 2 ...: units that share a working variance.
    """
    x = np.column_stack([column, *columns_of(sample, terms)])
    nothing = Result(math.nan, ci_level=level, statistic_name="t")
    if why := unfittable_reason(x, list(terms.factors)):
        return replace(nothing, remark=why), _NO_SIZE, math.nan
    model = fit(sample.change, x, arms, kind)
    if model.spread <= sample.resolution or not math.isfinite(model.df):
        return (
            replace(nothing, estimate=model.estimate, remark=NO_VARIATION),
            _NO_SIZE,
            math.nan,
        )
    tested = t_test(model.estimate, model.error, model.df, level)
    return tested, _size(model, tested.statistic, level), model.error


def covariate_residuals(sample: Sample, terms: Terms) -> Array:
    """Return what the covariates do not foresee of the values, the treatment left out of the model.

    If the treatment does nothing, these residuals do not depend on who was treated: labels may be
    dealt out anew among them. Blocks stay with the permutation.
    """
    x = np.column_stack(columns_of(sample, terms))
    foreseen = np.linalg.lstsq(x, sample.change, rcond=None)[0]
    return np.asarray(sample.change - x @ foreseen, dtype=np.float64)


def columns_of(sample: Sample, terms: Terms) -> list[Array]:
    """Return the columns beside the tested one: intercept, value before, factors."""
    out = [np.ones(len(sample.units))]
    if terms.before:
        out.append(sample.before - mean(sample.before))
    for held in terms.factors.values():
        out += independent_columns(out, factor_columns(held))
    return out


def factor_columns(labels: Sequence[str]) -> list[Array]:
    """Return a column of 0 and 1 for every level but the first.

    Examples
    --------
    >>> [c.tolist() for c in factor_columns(["A", "B", "A"])]
    [[0.0, 1.0, 0.0]]
    """
    level = np.asarray(labels, dtype=str)
    return [(level == name).astype(float) for name in sorted(set(labels))[1:]]


def unfittable_reason(x: Array, factors: Sequence[str]) -> str:
    """Return why a model cannot be fitted; ``""`` if it can.

    Parameters
    ----------
    x
        Its columns, shape ``(n, p)``; the first one is tested.
    factors
        Names of the factors among the columns, for the sentence.
    """
    n, p = x.shape
    if n <= p:
        return f"{counted(n, 'unit')} are too few for the {p} coefficients of the model"
    scaled = x / np.maximum(np.abs(x).max(axis=0), 1e-300)
    if not independent_columns([*scaled[:, 1:].T], [scaled[:, 0]]):
        others = listed(list(factors)) if factors else "the covariates"
        return f"the treatment cannot be told from {others}"
    q, _ = np.linalg.qr(scaled)
    if float(np.einsum("ij,ij->i", q, q).max()) > 1.0 - _LEVER:
        return ONE_DECIDES
    return ""


def _size(model: Fit, statistic: float, level: float) -> EffectSize:
    """Return Hedges g over the residual standard deviation, with a noncentral-t interval."""
    if model.df < 2:
        return _NO_SIZE
    factor, root = small_sample_factor(model.df), model.error / model.spread
    low, high = noncentrality_interval(statistic, model.df, level)
    g = factor * model.estimate / model.spread
    return EffectSize(_NO_SIZE.name, g, factor * root * low, factor * root * high)


def trend_test(sample: Sample, dose: Array, terms: Terms, level: float) -> Result:
    """Test whether the units' values rise or fall with the dose, along a straight line.

    Parameters
    ----------
    sample, terms, level
        As in :func:`treatment_test`.
    dose
        One per unit, shape ``(n_units,)``. All units share a working variance: with few units at
        each dose those of single doses would be too poorly known.

    References
    ----------
    Draper, N. R. and Smith, H. (1998). Applied Regression Analysis, 3rd ed., chapter 1. Wiley.
    """
    arms = np.zeros(len(dose), dtype=np.intp)
    return coefficient_test(sample, dose - mean(dose), terms, arms, level, EQUAL)[0]


def effect_coded(labels: Sequence[str]) -> list[Array]:
    """Return a column for every level but the last, -1 for the last: columns that sum to zero.

    Levels stand in the order of the first unit that bears them, so that exchanging two names
    changes no digit.

    Examples
    --------
    >>> [c.tolist() for c in effect_coded(["A", "B", "A"])]
    [[1.0, -1.0, 1.0]]
    """
    level, names = np.asarray(labels, dtype=str), list(dict.fromkeys(labels))
    last = (level == names[-1]).astype(float)
    return [(level == name).astype(float) - last for name in names[:-1]]


def products(columns: Sequence[Array], other_columns: Sequence[Array]) -> list[Array]:
    """Return the products of the columns of two factors: their interaction."""
    return [a * b for a in columns for b in other_columns]


NO_F = Result(math.nan, statistic_name="F")


@dataclass(frozen=True)
class Joint:
    """Several columns of a model that are tested at once.

    Attributes
    ----------
    tested, beside
        Columns that are tested, and columns of other factors beside them; shape ``(n_units,)``
        each.
    groups
        Treatment of each unit: units that share a working variance.
    aliased
        What to say where the tested columns are combinations of the others.
    """

    tested: Sequence[Array]
    beside: Sequence[Array]
    groups: Sequence[str]
    aliased: str

    def matrix(self, sample: Sample, terms: Terms) -> tuple[Array, str]:
        """Return the columns of the model, those tested first, and why it cannot be fitted."""
        base = columns_of(sample, terms)
        # Blocks may hold a factor that stands on them.
        plain = [*base, *independent_columns(base, self.beside)]
        x = np.column_stack([*self.tested, *plain])
        n, p = x.shape
        if n <= p:
            return x, f"{counted(n, 'unit')} are too few for the {p} coefficients of the model"
        alike = len(independent_columns(plain, self.tested)) < len(self.tested)
        return x, self.aliased if alike else ""


def joint_test(sample: Sample, joint: Joint, terms: Terms) -> Result:
    """Test several columns at once by the F of least squares.

    Parameters
    ----------
    sample, terms
        As in :func:`treatment_test`.
    joint
        The columns.

    Returns
    -------
    Result
        F of the model with and without the tested columns; no estimate, since there may be several.

    References
    ----------
    Scheffe, H. (1959). The Analysis of Variance, chapter 4. Wiley.
    """
    from statsmodels.regression.linear_model import OLS

    x, why = joint.matrix(sample, terms)
    if why:
        return replace(NO_F, remark=why)
    whole = OLS(sample.change, x).fit(method="qr")
    if math.sqrt(float(whole.scale)) <= sample.resolution:
        return replace(NO_F, remark=NO_VARIATION_F)
    less = OLS(sample.change, x[:, len(joint.tested) :]).fit(method="qr")
    statistic, p_value, df = whole.compare_f_test(less)
    return replace(
        NO_F,
        statistic=float(statistic),
        df=float(df),
        p=float(p_value),
        df2=float(whole.df_resid),
    )


def robust_joint_test(sample: Sample, joint: Joint, terms: Terms) -> Result:
    """Test several columns at once by an F that stands unequal variances of the treatments.

    Parameters
    ----------
    sample, joint, terms
        As in :func:`joint_test`.

    Returns
    -------
    Result
        Hotelling's T2 of the coefficients under their HC2 covariance as an F. Its degrees of
        freedom match the spread of that covariance under the working variances.

    References
    ----------
    Pustejovsky, J. E. and Tipton, E. (2018). Journal of Business and Economic Statistics 36,
    672-683, section 3 (approximate Hotelling T2 test).
    """
    x, why = joint.matrix(sample, terms)
    if why:
        return replace(NO_F, remark=why)
    n, p, k = len(x), x.shape[1], len(joint.tested)
    q, r = np.linalg.qr(x)
    h = np.einsum("ij,ij->i", q, q)
    if float(h.max()) > 1.0 - _LEVER:
        return replace(NO_F, remark=ONE_DECIDES)
    e = sample.change - q @ (q.T @ sample.change)
    if math.sqrt(math.fsum((e**2).tolist()) / (n - p)) <= sample.resolution:
        return replace(NO_F, remark=NO_VARIATION_F)
    names = list(dict.fromkeys(joint.groups))
    arms = np.array([names.index(name) for name in joint.groups], dtype=np.intp)
    # 1. Coefficients c = A'y of the tested columns; working variances as in the test of one.
    a = np.linalg.solve(r, q.T)[:k].T
    c = a.T @ sample.change
    omega, share = _working(q, h, e, arms)
    # 2. Their HC2 covariance V = sum a_i a_i' e_i^2 / s_i, and what it is under Omega.
    v = (a * (e**2 / share)[:, None]).T @ a
    true = (a * omega[:, None]).T @ a
    # 3. eta matches the total variance of the elements of V, in units where its mean is the
    # identity.
    root = np.linalg.cholesky(np.linalg.inv(true))
    g = a @ root
    hat = q @ q.T
    spread = np.diag(omega) - hat * omega[None, :] - omega[:, None] * hat
    spread += q @ ((q.T * omega) @ q) @ q.T
    inner = (g @ g.T) / np.sqrt(np.outer(share, share))
    eta = k * (k + 1) / (2.0 * float(np.sum(spread**2 * inner**2)))
    df2 = eta - k + 1.0
    if not df2 > 0:
        return replace(NO_F, remark="too few units for an F of so many columns at once")
    # 4. T2 = c' V^-1 c; F = (eta - k + 1) / (eta k) T2 on k and eta - k + 1 degrees of freedom.
    from scipy.special import fdtrc

    f = float(c @ np.linalg.solve(v, c)) * df2 / (eta * k)
    p_value = float(fdtrc(k, df2, f))
    return replace(NO_F, statistic=f, df=float(k), df2=df2, p=p_value)
