"""Does the treatment change the time course: mixed models by REML, Kenward and Roger's tests?

Values of one unit are correlated, those of different units are not. The covariance of a unit is a
sum of known matrices times unknown numbers, so one fitting routine serves a random intercept, a
random slope and an unstructured covariance, and the second derivatives that Kenward and Roger's
formula needs are zero. statsmodels fits mixed models too, but has neither an unstructured
covariance nor Kenward and Roger's errors and degrees of freedom: so the models are fitted here.

References
----------
Patterson, H. D. and Thompson, R. (1971). Recovery of inter-block information when block sizes are
unequal. Biometrika 58, 545-554.
Kenward, M. G. and Roger, J. H. (1997). Small sample inference for fixed effects from restricted
maximum likelihood. Biometrics 53, 983-997.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import Effect, Percent
from leafledger.effects.design import (
    COURSE,
    METHODS,
    Contrast,
    Layout,
    by_instrument,
    confounding,
    no_change,
)
from leafledger.effects.linear_model import factor_columns
from leafledger.effects.two_sample_tests import EffectSize, Result, t_test
from leafledger.effects.unit_means import StudyData, UnitTable
from leafledger.words import listed, plural

# Restricted maximum likelihood of repeated values, maximised over the parts of a covariance.
# ----------------------------------------------------------------------

Array = NDArray[np.float64]

_ROUNDS = 200
_CLOSE = 1e-11


@dataclass(frozen=True)
class Repeated:
    """Values of units on several occasions, and the columns that explain them.

    Attributes
    ----------
    y
        Shape ``(n_units, n_occasions)``; ``NaN`` where a unit has no value.
    x
        Shape ``(n_units, n_occasions, n_columns)``, of full column rank over all values.
    """

    y: Array
    x: Array


@dataclass(frozen=True)
class Fit:
    """A fitted model.

    Attributes
    ----------
    theta
        Numbers that multiply the basis of the covariance, shape ``(n_parts,)``.
    beta, phi
        Coefficients and their estimated covariance, shapes ``(p,)`` and ``(p, p)``.
    P
        Kenward and Roger's P: the derivative of ``inverse(phi)`` by each part, ``(n_parts, p, p)``.
    Q
        Kenward and Roger's Q, shape ``(n_parts, n_parts, p, p)``.
    expected
        Expected information on ``theta``, shape ``(n_parts, n_parts)``.
    log_likelihood
        Restricted log-likelihood.
    singular
        A variance was estimated as zero (or below) and is held at zero.
    """

    theta: Array
    beta: Array
    phi: Array
    P: Array
    Q: Array
    expected: Array
    score: Array
    log_likelihood: float
    singular: bool = False

    @cached_property
    def spread(self) -> Array:
        """Covariance of the variance parameters, shape ``(n_parts, n_parts)``."""
        return np.asarray(np.linalg.pinv(self.expected), dtype=np.float64)

    @cached_property
    def adjusted(self) -> Array:
        """Covariance of the coefficients, enlarged for the estimated variances, ``(p, p)``."""
        between = np.einsum("kpq,qr,lrs->klps", self.P, self.phi, self.P, optimize=True)
        inner = np.einsum("kl,klps->ps", self.spread, self.Q - between)
        return np.asarray(self.phi + 2.0 * self.phi @ inner @ self.phi)


class NotFitted(Exception):
    """The model has no usable estimate; the text says why."""


def padded(data: Repeated) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return values and columns with zeros where a unit has no value, and where it has one."""
    measured = np.isfinite(data.y)
    return np.where(measured, data.y, 0.0), np.where(measured[:, :, None], data.x, 0.0), measured


def fit(data: Repeated, basis: Array, start: Array) -> Fit:
    """Maximise the restricted likelihood by Fisher scoring with step halving.

    Parameters
    ----------
    data
        Values and columns.
    basis
        Matrices that add up to the covariance of a unit, shape ``(n_parts, t, t)``.
    start
        First guess of their multipliers, as shares of the residual variance of least squares.

    Raises
    ------
    NotFitted
        If the values do not vary or the search does not converge.
    """
    y, x, measured = padded(data)
    flat = x.reshape(-1, x.shape[2])
    residuals = y.ravel() - flat @ np.linalg.lstsq(flat, y.ravel(), rcond=None)[0]
    scale = math.sqrt(float(residuals @ residuals) / max(int(measured.sum()) - x.shape[2], 1))
    if not scale > 1e-12 * max(float(np.abs(y).max()), 1e-300):
        raise NotFitted("the model leaves no variation between values")
    pair = measured[:, :, None] & measured[:, None, :]
    parts = np.where(pair[:, None], basis[None], 0.0)
    filler = np.eye(y.shape[1])[None] * ~measured[:, :, None]
    theta = start.astype(np.float64)
    now = _state(theta, y / scale, x, parts, filler)
    if now is None:
        raise NotFitted("the first guess of the covariance is not a covariance")
    for _ in range(_ROUNDS):
        step = np.asarray(np.linalg.lstsq(now.expected, now.score, rcond=None)[0], dtype=np.float64)
        after = _halved_step(now, step, y / scale, x, parts, filler)
        moved = float(np.abs(after.theta - now.theta).max())
        now = after
        if moved <= _CLOSE * max(1.0, float(np.abs(now.theta).max())):
            return _unscaled(now, scale, int(measured.sum()) - x.shape[2])
    raise NotFitted("the search for the variances did not settle")


def _halved_step(now: Fit, step: Array, y: Array, x: Array, parts: Array, filler: Array) -> Fit:
    size = 1.0
    for _ in range(60):
        trial = _state(now.theta + size * step, y, x, parts, filler)
        if trial is not None and trial.log_likelihood >= now.log_likelihood - 1e-12:
            return trial
        size /= 2.0
    return now


def _state(theta: Array, y: Array, x: Array, parts: Array, filler: Array) -> Fit | None:
    """Return likelihood, score and information at ``theta``; ``None`` if it is no covariance."""
    v = np.einsum("k,nkab->nab", theta, parts) + filler
    try:
        lower = np.linalg.cholesky(v)
        w = np.linalg.inv(v)
        wx = w @ x
        cross = np.einsum("nap,naq->pq", x, wx)
        phi = np.linalg.inv(cross)
    except np.linalg.LinAlgError:
        return None
    beta = phi @ np.einsum("nap,na->p", wx, y)
    residuals = y - x @ beta
    wr = np.einsum("nab,nb->na", w, residuals)
    wg = w[:, None] @ parts
    gx = parts @ wx[:, None]
    P = -np.einsum("nap,nkaq->kpq", wx, gx)
    Q = np.einsum("nkap,nlaq->klpq", gx, w[:, None] @ gx, optimize=True)
    gr = np.einsum("nkab,nb->nka", parts, wr)
    score = 0.5 * (
        np.einsum("na,nka->k", wr, gr) - np.einsum("nkaa->k", wg) - np.einsum("pq,kqp->k", phi, P)
    )
    scaled = phi @ P
    expected = 0.5 * (
        np.einsum("nkab,nlba->kl", wg, wg, optimize=True)
        - 2.0 * np.einsum("pq,klqp->kl", phi, Q)
        + np.einsum("kpq,lqp->kl", scaled, scaled)
    )
    fits = float(np.einsum("na,na->", residuals, wr))
    sizes = 2.0 * float(np.log(np.einsum("naa->na", lower)).sum())
    log_likelihood = -0.5 * (sizes + float(np.linalg.slogdet(cross)[1]) + fits)
    return Fit(theta, beta, phi, P, Q, expected, score, log_likelihood)


def _unscaled(model: Fit, scale: float, free: int) -> Fit:
    """Return the fit in the unit of the values (they were divided by ``scale``)."""
    square = scale**2
    constant = 0.5 * free * math.log(2.0 * math.pi) + free * math.log(scale)
    return Fit(
        theta=model.theta * square,
        beta=model.beta * scale,
        phi=model.phi * square,
        P=model.P / square**2,
        Q=model.Q / square**3,
        expected=model.expected / square**2,
        score=model.score / square,
        log_likelihood=model.log_likelihood - constant,
        singular=model.singular,
    )


# The linear mixed models of a course: what the values of one unit share, fitted by REML.
# ----------------------------------------------------------------------
# A random intercept, a random intercept and slope, or a covariance of its own between any two
# occasions; each is a basis whose multipliers :func:`fit` finds.

_ZERO = 1e-9
"""A variance below this share of the residual one is zero."""


def random_intercept(n_occasions: int) -> Array:
    """Return the basis: every value of a unit shares one variance; and a residual."""
    return np.stack([np.ones((n_occasions, n_occasions)), np.eye(n_occasions)])


def random_slope(times: Array) -> Array:
    """Return the basis of a random intercept and slope over time, correlated; and a residual.

    Time is centred and scaled to unit spread: only the unit of the slope depends on it.
    """
    t = (times - times.mean()) / max(float(times.std()), 1e-300)
    cross = np.outer(np.ones(len(t)), t)
    return np.stack([np.ones_like(cross), cross + cross.T, np.outer(t, t), np.eye(len(t))])


def unstructured(n_occasions: int) -> Array:
    """Return the basis in which every variance and covariance is free."""
    out = []
    for i in range(n_occasions):
        for j in range(i, n_occasions):
            part = np.zeros((n_occasions, n_occasions))
            part[i, j] = part[j, i] = 1.0
            out.append(part)
    return np.stack(out)


def fit_random_intercept(data: Repeated) -> Fit:
    """Fit a random intercept per unit; a variance that would be negative is held at zero."""
    basis = random_intercept(data.y.shape[1])
    try:
        model = fit(data, basis, np.array([0.5, 0.5]))
    except NotFitted:
        model = None
    if model is not None and model.theta[0] > _ZERO * model.theta[1]:
        return model
    alone = fit(data, basis[1:], np.array([1.0]))
    return replace(alone, singular=True)


def fit_random_slope(data: Repeated, times: Array) -> Fit:
    """Fit a random intercept and slope per unit.

    Raises
    ------
    NotFitted
        If the covariance of intercept and slope lies at the edge of what is possible.
    """
    model = fit(data, random_slope(times), np.array([0.4, 0.0, 0.2, 0.4]))
    a, b, c, residual = model.theta
    smallest = float(np.linalg.eigvalsh(np.array([[a, b], [b, c]]))[0])
    if smallest <= _ZERO * residual or residual <= 0:
        raise NotFitted(
            "singular fit: the data hold no measurable variation of the slopes between units"
        )
    return model


_MOST_NUMBERS = 25_000_000
"""Numbers of Kenward and Roger's Q at most (200 MB): it grows as the sixth power of the sessions.
Two treatments may have 16 sessions."""


def fit_unstructured(data: Repeated) -> Fit:
    """Fit a covariance in which every variance and covariance is free.

    Raises
    ------
    NotFitted
        If there are too few complete units, or too many sessions.
    """
    n, occasions, p = data.x.shape
    complete = int(np.isfinite(data.y).all(axis=1).sum())
    columns = int(np.linalg.matrix_rank(data.x[:, :1].reshape(n, -1)))
    if complete - columns < occasions:
        raise NotFitted(
            f"{complete} units with a value in every session are too few for a free covariance of "
            f"{occasions} sessions"
        )
    n_free = occasions * (occasions + 1) // 2
    if n_free**2 * p**2 > _MOST_NUMBERS:
        raise NotFitted(
            f"a free covariance of {occasions} sessions has {n_free:,} variances and covariances, "
            "more than are estimated here"
        )
    basis = unstructured(occasions)
    return fit(data, basis, _free_start(data, basis))


def _free_start(data: Repeated, basis: Array) -> Array:
    """Return the covariance of the residuals of least squares, in units of their variance."""
    y, x, _ = padded(data)
    flat = x.reshape(-1, x.shape[2])
    beta = np.linalg.lstsq(flat, y.ravel(), rcond=None)[0]
    residuals = y - x @ beta
    whole = np.isfinite(data.y).all(axis=1)
    spread = residuals[whole].T @ residuals[whole] / whole.sum()
    total = float(np.trace(spread))
    if total > 0:  # else no value varies, which the fit itself says
        spread = spread / total * len(spread)
    spread = 0.9 * spread + 0.1 * np.eye(len(spread))
    return np.array([np.sum(spread * part) / np.sum(part) for part in basis])


# Tests of contrasts in a fitted mixed model (Kenward and Roger 1997).
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """One contrast: estimate, standard error (NaN if there is none) and degrees of freedom."""

    estimate: float
    error: float
    df: float


def kenward_roger(model: Fit, contrast: Array) -> Line:
    """Return a contrast with Kenward and Roger's standard error and degrees of freedom.

    Parameters
    ----------
    model
        The fitted model.
    contrast
        Weights of the coefficients, shape ``(p,)``.
    """
    variance = float(contrast @ model.adjusted @ contrast)
    # A singular fit may leave no positive variance: then there is no standard error.
    error = math.sqrt(variance) if variance > 0 else math.nan
    return Line(float(contrast @ model.beta), error, _df(model, contrast))


def _df(model: Fit, contrast: Array) -> float:
    to = model.phi @ contrast
    variance = float(contrast @ to)
    slope = np.array([to @ part @ to for part in model.P])
    below = float(slope @ model.spread @ slope)
    return 2.0 * variance**2 / below if below > 0 else math.nan


def joint_f(model: Fit, contrasts: Array) -> Result:
    """Test several contrasts at once by Kenward and Roger's scaled F.

    Parameters
    ----------
    model
        The fitted model.
    contrasts
        Independent rows of weights, shape ``(q, p)``.

    Returns
    -------
    Result
        With p NaN where the fit is too singular for a test.
    """
    try:
        return _joint_f(model, contrasts)
    except (np.linalg.LinAlgError, ZeroDivisionError):
        return Result(math.nan, statistic_name="F")


def _joint_f(model: Fit, contrasts: Array) -> Result:
    from scipy.special import fdtrc

    spread, q = model.spread, len(contrasts)
    middle = np.linalg.inv(contrasts @ model.phi @ contrasts.T)
    theta = contrasts.T @ middle @ contrasts
    parts = [theta @ model.phi @ P @ model.phi for P in model.P]
    traces = np.array([np.trace(part) for part in parts])
    products = np.array([[np.trace(a @ b) for b in parts] for a in parts])
    scale, df2 = _scale_and_df(q, float(traces @ spread @ traces), float(np.sum(spread * products)))
    estimate = contrasts @ model.beta
    within = contrasts @ model.adjusted @ contrasts.T
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


# Treatment x session by a linear mixed model: one model per index, all sessions together.
# ----------------------------------------------------------------------

MODELS = ("mixed_model", "mixed_model_slope", "mixed_model_unstructured")
SINGULAR = (
    "singular fit: no variation between units was left beside that within them, so the variance "
    "between units is held at zero"
)


@dataclass(frozen=True)
class Cells:
    """One model's data and what its columns mean.

    Attributes
    ----------
    column
        Treatment and session -> column of its mean.
    n_units
        Treatment -> units with any value.
    partial
        Unit -> sessions without a value; these units stay in the model.
    absent
        Treatment -> units without any value; the model knows nothing of them.
    """

    data: Repeated
    column: Mapping[tuple[str, str], int]
    n_units: Mapping[str, int]
    partial: Mapping[str, list[str]]
    absent: Mapping[str, list[str]]


def mixed_model_tests(data: StudyData) -> list[Effect]:
    """Return the contrasts of the mixed models that the plan asks for, and the joint test."""
    layout, table, plan = data.layout, data.table, data.plan
    methods = [m for m in METHODS[COURSE] if m in plan.methods and m in MODELS]
    if not methods or not layout.pairs or len(layout.after) < 2 or not layout.before:
        return []
    if layout.course_waits:
        return []  # the course is not whole yet
    out = []
    for index in table.indices:
        cells = cells_of(layout, table, index)
        for method in methods:
            out += _effects(data, cells, index, method)
    return out


def _effects(data: StudyData, cells: Cells, index: str, method: str) -> list[Effect]:
    layout = data.layout
    model, why = _fitted(layout, cells, method)
    out = []
    for after in layout.after:
        for level, reference in layout.pairs:
            name = f"({after}-{layout.before_name})@{level}-{reference}"
            contrast = Contrast(COURSE, name, after, level, reference, "")
            reason = no_change(layout) or confounding(layout, level, reference, [after]) or why
            tested = _contrast_test(data, cells, model, contrast, reason)
            out.append(_effect(contrast, index, method, tested, cells, model))
    joint = Contrast(COURSE, "treatment x session", "", "", layout.control, "")
    reason = no_change(layout) or by_instrument(layout, [*layout.levels], layout.after) or why
    tested = _joint_test(layout, cells, model, reason)
    out.append(_effect(joint, index, f"{method}_f", tested, cells, model))
    return out


def cells_of(layout: Layout, table: UnitTable, index: str) -> Cells:
    """Arrange one index for the model: a mean for every treatment and session, blocks fixed.

    Levels stand in the order of their first unit, so that exchanging two names of treatments
    changes no digit.
    """
    level_of = layout.level_of
    y = table.mean[:, :, table.indices.index(index)]
    rows = [i for i in range(len(table.units)) if np.isfinite(y[i]).any()]
    units = [table.units[i] for i in rows]
    y = y[rows]
    levels = list(dict.fromkeys(level_of[unit] for unit in units))
    pairs = [
        (level, session)
        for level in levels
        for j, session in enumerate(table.sessions)
        if any(np.isfinite(y[i, j]) for i, u in enumerate(units) if level_of[u] == level)
    ]
    column = {pair: k for k, pair in enumerate(pairs)}
    blocks = factor_columns([layout.blocks.get(unit, "") for unit in units])
    x = np.zeros((len(units), len(table.sessions), len(pairs) + len(blocks)))
    for i, unit in enumerate(units):
        for j, session in enumerate(table.sessions):
            if (level_of[unit], session) in column:
                x[i, j, column[level_of[unit], session]] = 1.0
        for k, block in enumerate(blocks):
            x[i, :, len(pairs) + k] = block[i]
    missing = {
        unit: [s for s, v in zip(table.sessions, y[i], strict=True) if np.isnan(v)]
        for i, unit in enumerate(units)
    }
    everyone = sorted({*layout.levels, *([layout.control] if layout.control else [])})
    counts = {level: sum(level_of[u] == level for u in units) for level in everyone}
    absent = {
        level: [u for u in layout.levels.get(level, ()) if u not in missing] for level in everyone
    }
    partial = {u: s for u, s in missing.items() if s}
    return Cells(Repeated(y, x), column, counts, partial, absent)


def _fitted(layout: Layout, cells: Cells, method: str) -> tuple[Fit | None, str]:
    if not layout.before:
        return None, no_change(layout)
    if small := [lv for lv, n in cells.n_units.items() if n < 2]:
        return None, f"fewer than 2 {plural(layout.word)} in {listed(small)}: description only"
    flat = cells.data.x[np.isfinite(cells.data.y)]
    n, p = flat.shape
    if n <= p:
        return None, f"{n} values are too few for the {p} coefficients of the model"
    if int(np.linalg.matrix_rank(flat)) < p:
        return None, "the treatment cannot be told from the block"
    try:
        if method == "mixed_model":
            return fit_random_intercept(cells.data), ""
        if method == "mixed_model_slope":
            times = np.array([layout.times[s] for s in layout.sessions])
            return fit_random_slope(cells.data, times), ""
        return fit_unstructured(cells.data), ""
    except NotFitted as reason:
        return None, str(reason)


def _cells_without_values(layout: Layout, cells: Cells, corners: Iterable[tuple[str, str]]) -> str:
    """Say in which sessions a treatment has no value, so that the model has no mean there."""
    empty_cells = [pair for pair in dict.fromkeys(corners) if pair not in cells.column]
    return ", ".join(
        f"no {layout.word} of {arm} has a value in {session}" for arm, session in empty_cells
    )


def _weights(layout: Layout, cells: Cells, level: str, reference: str, after: str) -> Array:
    """Return the contrast (after - before) of a level against its reference."""
    out = np.zeros(cells.data.x.shape[2])
    for sign, arm in ((1.0, level), (-1.0, reference)):
        for session, w in ((after, 1.0), *((s, -1.0 / len(layout.before)) for s in layout.before)):
            out[cells.column[arm, session]] += sign * w
    return out


def _contrast_test(
    data: StudyData, cells: Cells, model: Fit | None, contrast: Contrast, reason: str
) -> Result:
    layout, level = data.layout, data.plan.level
    nothing = Result(math.nan, ci_level=level, statistic_name="t", remark=reason)
    if reason or model is None:
        return nothing
    corners = [
        (arm, session)
        for arm in (contrast.level, contrast.reference)
        for session in (*layout.before, contrast.after)
    ]
    if remark := _cells_without_values(layout, cells, corners):
        return replace(nothing, remark=remark)
    weights = _weights(layout, cells, contrast.level, contrast.reference, contrast.after)
    line = kenward_roger(model, weights)
    if not (line.df > 0 and math.isfinite(line.df) and line.error > 0):
        remark = "the model gives no standard error or no degrees of freedom for this contrast"
        return replace(nothing, estimate=line.estimate, remark=remark)
    return t_test(line.estimate, line.error, line.df, level)


def _joint_test(layout: Layout, cells: Cells, model: Fit | None, reason: str) -> Result:
    """Return the test of the differences in change at all after-sessions at once.

    Each is a treatment's change from the mean of the before-sessions less that of its reference:
    arms that differ between two before-sessions are no effect of the treatment.
    """
    if reason or model is None:
        return Result(math.nan, statistic_name="F", remark=reason)
    if remark := _cells_without_values(
        layout, cells, [(arm, s) for arm in layout.levels for s in layout.sessions]
    ):
        return Result(math.nan, statistic_name="F", remark=remark)
    first = next(iter(cells.n_units)) if not layout.control else layout.control
    others = [level for level in layout.levels if level != first]
    rows = [_weights(layout, cells, lv, first, after) for lv in others for after in layout.after]
    tested = joint_f(model, np.array(rows))
    if math.isfinite(tested.p):
        return tested
    return Result(math.nan, statistic_name="F", remark="the model gives no degrees of freedom")


def _effect(
    contrast: Contrast, index: str, method: str, tested: Result, cells: Cells, model: Fit | None
) -> Effect:
    arms = [contrast.level] if contrast.level else list(cells.n_units)
    remarks = [tested.remark] if tested.remark else []
    if model is not None and model.singular:
        remarks.append(SINGULAR)
    if model is not None and cells.partial:
        remarks.append(_partial(cells.partial))
    lost = [unit for arm in cells.absent.values() for unit in arm]
    if model is not None and lost:
        remarks.append(f"no value at all for {', '.join(lost)}: not part of the model")
    if contrast.level:
        lost = [*cells.absent[contrast.level], *cells.absent[contrast.reference]]
        n, n_reference = cells.n_units[contrast.level], cells.n_units[contrast.reference]
    else:
        n_reference = cells.n_units.get(contrast.reference, 0)
        n = sum(cells.n_units[level] for level in arms) - n_reference
    return Effect(
        contrast,
        index,
        method,
        tested,
        EffectSize(""),
        n,
        n_reference,
        len(lost),
        Percent(),
        math.nan,
        math.nan,
        False,
        tuple(remarks),
    )


def _partial(partial: Mapping[str, Sequence[str]]) -> str:
    parts = [f"{unit} lacks {listed(list(days))}" for unit, days in partial.items()]
    whose = "its" if len(partial) == 1 else "their"
    return f"{'; '.join(parts)}: {whose} other sessions stay in the model"
