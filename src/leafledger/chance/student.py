"""Student's t distribution: the p of a statistic, and the width of an interval."""

from __future__ import annotations


def two_sided_t(statistic: float, df: float) -> float:
    """Return the two-sided p of a t statistic.

    Parameters
    ----------
    statistic
        Estimate over its standard error.
    df
        Degrees of freedom, above 0; may be a fraction (Welch).

    References
    ----------
    Student (1908). The probable error of a mean. Biometrika 6, 1-25.

    Examples
    --------
    >>> round(two_sided_t(2.228, 10), 4)
    0.05
    """
    from scipy.special import stdtr

    return min(1.0, 2.0 * float(stdtr(df, -abs(statistic))))


def t_quantile(level: float, df: float) -> float:
    """Return the t quantile of a central interval: its half width in standard errors.

    Parameters
    ----------
    level
        Confidence, such as 0.95.
    df
        Degrees of freedom, above 0.

    Examples
    --------
    >>> round(t_quantile(0.95, 10), 3)
    2.228
    """
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + level / 2.0))
