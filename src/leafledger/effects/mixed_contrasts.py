"""Tests of contrasts in a fitted mixed model: Satterthwaite, and Kenward and Roger.

References
----------
Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components.
Biometrics Bulletin 2, 110-114.
Kenward, M. G. and Roger, J. H. (1997). Biometrics 53, 983-997, equations for a covariance that is
linear in its parameters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from leafledger.effects.restricted_likelihood import Array, Fit
from leafledger.effects.result import Result, t_result
from leafledger.resampling.intervals import two_sided_t


@dataclass(frozen=True)
class Line:
    """One contrast: estimate, standard error (NaN if there is none) and degrees of freedom."""

    estimate: float
    error: float
    df: float


def satterthwaite(found: Fit, contrast: Array) -> Line:
    """Return a contrast with Satterthwaite's degrees of freedom (observed information).

    Parameters
    ----------
    found
        The fitted model.
    contrast
        Weights of the coefficients, shape ``(p,)``.
    """
    variance = float(contrast @ found.phi @ contrast)
    df = _df(found, contrast, _inverse(found.observed))
    return Line(float(contrast @ found.beta), _root(variance), df)


def kenward_roger(found: Fit, contrast: Array) -> Line:
    """Return a contrast with Kenward and Roger's standard error and degrees of freedom.

    Parameters
    ----------
    found
        The fitted model.
    contrast
        Weights of the coefficients, shape ``(p,)``.
    """
    spread = _inverse(found.expected)
    variance = float(contrast @ adjusted_covariance(found, spread) @ contrast)
    return Line(float(contrast @ found.beta), _root(variance), _df(found, contrast, spread))


def _root(variance: float) -> float:
    """Return a standard error; NaN where a singular fit leaves no positive variance."""
    return math.sqrt(variance) if variance > 0 else math.nan


def _inverse(information: Array) -> Array:
    return np.asarray(np.linalg.pinv(information), dtype=np.float64)


def _df(found: Fit, contrast: Array, spread: Array) -> float:
    to = found.phi @ contrast
    variance = float(contrast @ to)
    slope = np.array([to @ part @ to for part in found.slopes])
    below = float(slope @ spread @ slope)
    return 2.0 * variance**2 / below if below > 0 else math.nan


def adjusted_covariance(found: Fit, spread: Array) -> Array:
    """Return the covariance of the coefficients, enlarged for the estimated variances.

    Parameters
    ----------
    found
        The fitted model.
    spread
        Covariance of the variance parameters, shape ``(n_parts, n_parts)``.
    """
    between = np.einsum("kpq,qr,lrs->klps", found.slopes, found.phi, found.slopes, optimize=True)
    inner = np.einsum("kl,klps->ps", spread, found.curves - between)
    return np.asarray(found.phi + 2.0 * found.phi @ inner @ found.phi)


def line_result(line: Line, level: float) -> Result:
    """Return the t test of a contrast."""
    statistic = line.estimate / line.error
    p = two_sided_t(statistic, line.df)
    return t_result(line.estimate, line.error, line.df, level, statistic, p)


def joint_f(found: Fit, contrasts: Array) -> Result:
    """Test several contrasts at once by Kenward and Roger's scaled F.

    Parameters
    ----------
    found
        The fitted model.
    contrasts
        Independent rows of weights, shape ``(q, p)``.

    Returns
    -------
    Result
        With p NaN where the fit is too singular for a test.
    """
    try:
        return _joint_f(found, contrasts)
    except (np.linalg.LinAlgError, ZeroDivisionError):
        return Result(math.nan, statistic_name="F")


def _joint_f(found: Fit, contrasts: Array) -> Result:
    from scipy.special import fdtrc

    spread = _inverse(found.expected)
    q = len(contrasts)
    middle = np.linalg.inv(contrasts @ found.phi @ contrasts.T)
    theta = contrasts.T @ middle @ contrasts
    parts = [theta @ found.phi @ slope @ found.phi for slope in found.slopes]
    traces = np.array([np.trace(part) for part in parts])
    products = np.array([[np.trace(a @ b) for b in parts] for a in parts])
    scale, df2 = _scale_and_df(q, float(traces @ spread @ traces), float(np.sum(spread * products)))
    estimate = contrasts @ found.beta
    within = contrasts @ adjusted_covariance(found, spread) @ contrasts.T
    statistic = scale * float(estimate @ np.linalg.solve(within, estimate)) / q
    return Result(
        math.nan,
        statistic=statistic,
        statistic_name="F",
        df=float(q),
        p=float(fdtrc(q, df2, statistic)),
        df2=df2,
    )


def _scale_and_df(q: int, a1: float, a2: float) -> tuple[float, float]:
    b = (a1 + 6.0 * a2) / (2.0 * q)
    g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2)
    below = 3.0 * q + 2.0 * (1.0 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2.0 - g) / below
    expected = 1.0 / (1.0 - a2 / q)
    variance = 2.0 / q * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))
    rho = variance / (2.0 * expected**2)
    df2 = 4.0 + (q + 2.0) / (q * rho - 1.0)
    return df2 / (expected * (df2 - 2.0)), df2
