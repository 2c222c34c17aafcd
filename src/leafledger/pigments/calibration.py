"""How does an index follow an assay, how well does it predict it, and in which range?

What counts is the experimental unit: leaves of one plant share its chance differences. So every
unit has the same weight, errors are those of units left out whole, and degrees of freedom count
units.

References
----------
York D, Evensen NM, Lopez Martinez M, De Basabe Delgado J (2004) American Journal of Physics 72:
367-375. Pearson K (1901) Philosophical Magazine 2: 559-572; York D (1966) Canadian Journal of
Physics 44: 1079-1086 (example values).
Cook RD, Weisberg S (1982) Residuals and Influence in Regression, 2.2.3 (a group left out).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Form = Literal["linear", "quadratic", "power"]
FORMS: Final[tuple[Form, ...]] = ("linear", "quadratic", "power")
"""From the simplest on: of two that predict equally well the first is taken."""
FEWEST_UNITS: Final = 5
"""Units that a calibration needs; with fewer there is no error worth stating."""
USEFUL: Final = 0.85
"""Share of the error of the mean at which a calibration begins to estimate anything."""
_SPARE_UNITS: Final = 2
_SAME: Final = 1e-9

# The leaves that were assayed: index, content and unit of each.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Pairs:
    """Index and assay of the same leaves.

    Attributes
    ----------
    x, y
        Index and content of each leaf.
    unit
        Experimental unit of each leaf.
    u_x, u_y
        Standard uncertainties; ``NaN`` where unknown.
    """

    x: Array
    y: Array
    unit: tuple[str, ...]
    u_x: Array
    u_y: Array

    @cached_property
    def units(self) -> tuple[str, ...]:
        """The units, sorted."""
        return tuple(sorted(set(self.unit)))

    @property
    def n_leaves(self) -> int:
        """Number of leaves."""
        return len(self.unit)

    @cached_property
    def code(self) -> NDArray[np.intp]:
        """Place of the unit of each leaf among the units."""
        return np.searchsorted(np.array(self.units, dtype=str), np.array(self.unit, dtype=str))

    @cached_property
    def weights(self) -> Array:
        """Weight of each leaf: those of one unit sum to 1."""
        return np.asarray(1.0 / np.bincount(self.code)[self.code])

    def without(self, unit: str) -> Pairs:
        """Return the leaves of all other units."""
        kept = np.array([unit_of_leaf != unit for unit_of_leaf in self.unit])
        names = tuple(unit_of_leaf for unit_of_leaf in self.unit if unit_of_leaf != unit)
        return Pairs(self.x[kept], self.y[kept], names, self.u_x[kept], self.u_y[kept])


def uncalibrated_reason(pairs: Pairs, word: str = "unit") -> str:
    """Return why these leaves cannot carry a calibration; ``""`` if they can."""
    n = len(pairs.units)
    if n == 0:
        return f"no assayed leaf has both the index and the content ({word} by {word})"
    if n == 1 and pairs.n_leaves > 1:
        return (
            f"all {pairs.n_leaves} assayed leaves are of one {word} ({pairs.units[0]}): they say "
            f"nothing of other {word}s, so that no calibration is made"
        )
    if n < FEWEST_UNITS:
        return f"{n} {word}{'' if n == 1 else 's'} assayed; at least {FEWEST_UNITS} are needed"
    spread = float(np.ptp(pairs.x))
    if spread <= _SAME * max(1.0, float(np.abs(pairs.x).max())):
        return "the index is the same in all assayed leaves"
    if float(np.ptp(pairs.y)) <= _SAME * max(1.0, float(np.abs(pairs.y).max())):
        return "the content is the same in all assayed leaves"
    return ""


# Fits: linear, quadratic, power.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Fit:
    """A fitted form.

    Attributes
    ----------
    form
        ``linear``: y = b0 + b1 x. ``quadratic``: y = b0 + b1 x + b2 x^2. ``power``: ln y = b0 + b1
        ln x, so that y = exp(b0) x^b1 is the median.
    coefficients
        b0, b1 (and b2).
    inverse
        ``(X' W X)^-1`` on the centred scale of the fit; for the width of intervals.
    centre, scale
        By which x (its logarithm, for ``power``) is centred and scaled in ``inverse``.
    """

    form: Form
    coefficients: Array
    inverse: Array
    centre: float
    scale: float

    @property
    def n_coefficients(self) -> int:
        """Number of coefficients."""
        return len(self.coefficients)

    def predict(self, x: Array) -> Array:
        """Return the predicted content; ``NaN`` where a power has no value."""
        line = self._design(x) @ self._scaled
        return np.asarray(np.exp(line) if self.form == "power" else line)

    def leverage(self, x: Array) -> Array:
        """Return the part of the variance of a prediction that comes from the coefficients."""
        design = self._design(x)
        return np.asarray(np.einsum("ij,jk,ik->i", design, self.inverse, design))

    @property
    def _scaled(self) -> Array:
        return _to_scaled(self.coefficients, self.centre, self.scale)

    def _design(self, x: Array) -> Array:
        with np.errstate(invalid="ignore", divide="ignore"):
            transformed = np.log(np.where(x > 0, x, np.nan)) if self.form == "power" else x
        return _powers((transformed - self.centre) / self.scale, self.n_coefficients)


def _powers(z: Array, n: int) -> Array:
    return np.stack([z**k for k in range(n)], axis=1)


def _to_scaled(b: Array, centre: float, scale: float) -> Array:
    """Return the coefficients of (x - centre) / scale that equal those of x."""
    if len(b) == 2:
        return np.array([b[0] + b[1] * centre, b[1] * scale])
    slope = b[1] + 2.0 * b[2] * centre
    return np.array([b[0] + b[1] * centre + b[2] * centre**2, slope * scale, b[2] * scale**2])


def _from_scaled(c: Array, centre: float, scale: float) -> Array:
    if len(c) == 2:
        return np.array([c[0] - c[1] * centre / scale, c[1] / scale])
    curve = c[2] / scale**2
    slope = c[1] / scale - 2.0 * curve * centre
    return np.array([c[0] - slope * centre - curve * centre**2, slope, curve])


def form_problem(form: Form, pairs: Pairs) -> str:
    """Return why a form cannot be fitted to these leaves; ``""`` if it can."""
    if form == "power" and not (np.all(pairs.x > 0) and np.all(pairs.y > 0)):
        return "a power needs index and content above zero in every leaf"
    n = 3 if form == "quadratic" else 2
    # One unit is left out; the rest must carry the coefficients and some freedom besides.
    if len(pairs.units) < n + 1 + _SPARE_UNITS or len(set(pairs.x.tolist())) < n + 1:
        return f"a {form} form needs at least {n + 1 + _SPARE_UNITS} units"
    return ""


def fit(form: Form, pairs: Pairs) -> Fit:
    """Fit a form by least squares; each unit has the same weight.

    A power is fitted to the logarithms: its scatter is held to be proportional to the content.
    """
    x = np.log(pairs.x) if form == "power" else pairs.x
    y = np.log(pairs.y) if form == "power" else pairs.y
    w = pairs.weights
    centre = float(np.average(x, weights=w))
    scale = float(np.sqrt(np.average((x - centre) ** 2, weights=w)))
    scale = scale if scale > 0 else 1.0
    design = _powers((x - centre) / scale, 3 if form == "quadratic" else 2)
    inverse: Array = np.linalg.inv(design.T @ (design * w[:, None])).astype(np.float64)
    scaled = inverse @ (design.T @ (w * y))
    return Fit(form, _from_scaled(scaled, centre, scale), inverse, centre, scale)


def left_out_predictions(form: Form, pairs: Pairs) -> tuple[Array, Array]:
    """Return the prediction of each leaf by the fit without its unit, and its leverage there.

    Returns
    -------
    predicted
        In the unit of the content.
    leverage
        ``x' (X' W X)^-1 x`` of the fit to the other units.
    """
    whole = fit(form, pairs)
    logs = form == "power"
    x, y = (np.log(pairs.x), np.log(pairs.y)) if logs else (pairs.x, pairs.y)
    design = _powers((x - whole.centre) / whole.scale, whole.n_coefficients)
    w = pairs.weights
    code = pairs.code
    # 1. X' W X and X' W y of each unit; the fit without it has the sums of all less its own.
    squares = np.zeros((len(pairs.units), whole.n_coefficients, whole.n_coefficients))
    products = np.zeros((len(pairs.units), whole.n_coefficients))
    np.add.at(squares, code, w[:, None, None] * design[:, :, None] * design[:, None, :])
    np.add.at(products, code, (w * y)[:, None] * design)
    inverse = np.linalg.inv(squares.sum(axis=0) - squares)
    scaled = np.einsum("ujk,uk->uj", inverse, products.sum(axis=0) - products)
    # 2. Each leaf by the fit without its unit.
    line = np.einsum("ij,ij->i", design, scaled[code])
    leverage = np.einsum("ij,ijk,ik->i", design, inverse[code], design)
    return np.asarray(np.exp(line) if logs else line), np.asarray(leverage)


def unit_rms(errors: Array, pairs: Pairs) -> float:
    """Return the root mean square over units of the mean square over the leaves of each."""
    w = pairs.weights
    return float(np.sqrt(np.sum(w * np.square(errors)) / np.sum(w)))


# A calibration: the fit with its errors of units left out, interval and range.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Calibration:
    """One index calibrated to one assay in one form.

    Attributes
    ----------
    rmse_cv, bias_cv, r2_cv
        Of units left out: root mean square error, mean error (predicted minus assayed), and share
        of the spread about the mean of the others that is predicted.
    scale_of_interval
        Standard deviation of a new leaf about the true curve: of contents, or of their logarithms
        for a power. From the errors of units left out.
    df
        Units less coefficients.
    low, high
        Range of the index over the assayed leaves, in which it may be used.
    """

    fit: Fit
    pairs: Pairs
    rmse_cv: float
    bias_cv: float
    r2_cv: float
    scale_of_interval: float
    df: int
    low: float
    high: float

    @property
    def form(self) -> Form:
        """The form that was fitted."""
        return self.fit.form

    def within(self, x: Array) -> NDArray[np.bool_]:
        """Return which index values lie in the range of the assayed leaves."""
        return np.asarray((x >= self.low) & (x <= self.high))

    def interval(self, x: Array, level: float) -> tuple[Array, Array, Array]:
        """Return prediction and the interval in which the content of a new leaf lies.

        The interval is for a leaf of a new unit, as the assay would find it. Outside the range of
        the assayed leaves all three are ``NaN``: the calibration says nothing there.

        Parameters
        ----------
        x
            Index values.
        level
            Such as 0.95.
        """
        from scipy.special import stdtrit

        t = float(stdtrit(self.df, 0.5 + level / 2.0))
        half = t * self.scale_of_interval * np.sqrt(1.0 + self.fit.leverage(x))
        middle = self.fit.predict(x)
        if self.form == "power":
            low, high = middle * np.exp(-half), middle * np.exp(half)
        else:
            low, high = middle - half, middle + half
        inside = self.within(x)
        none = np.full_like(middle, np.nan)
        return (
            np.where(inside, middle, none),
            np.where(inside, low, none),
            np.where(inside, high, none),
        )


def calibrate(form: Form, pairs: Pairs) -> Calibration | None:
    """Calibrate in one form; ``None`` if these leaves cannot carry it, or it turns back.

    A curve that rises and falls within the range gives one content for two values of the index the
    wrong way round: it follows the scatter, not the pigment.
    """
    if form_problem(form, pairs):
        return None
    whole = fit(form, pairs)
    low, high = float(pairs.x.min()), float(pairs.x.max())
    if form == "quadratic":
        ends = whole.coefficients[1] + 2.0 * whole.coefficients[2] * np.array([low, high])
        if ends[0] * ends[1] <= 0:
            return None
    predicted, leverage = left_out_predictions(form, pairs)
    if not np.all(np.isfinite(predicted)):
        return None
    errors = predicted - pairs.y
    on_scale = np.log(predicted / pairs.y) if form == "power" else errors
    # The square of an error of a unit left out is expected to be sigma^2 (1 + leverage).
    sigma = unit_rms(on_scale / np.sqrt(1.0 + leverage), pairs)
    w = pairs.weights
    return Calibration(
        fit=whole,
        pairs=pairs,
        rmse_cv=unit_rms(errors, pairs),
        bias_cv=float(np.average(errors, weights=w)),
        r2_cv=1.0 - float(np.sum(w * errors**2) / np.sum(w * _errors_of_mean(pairs) ** 2)),
        scale_of_interval=sigma,
        df=len(pairs.units) - whole.n_coefficients,
        low=low,
        high=high,
    )


def _errors_of_mean(pairs: Pairs) -> Array:
    """Return what the mean of all other units misses each leaf by."""
    total = np.bincount(pairs.code, weights=pairs.weights * pairs.y)
    rest = (total.sum() - total) / (len(total) - 1)  # each unit weighs 1
    return np.asarray(rest[pairs.code] - pairs.y)


def best_form(pairs: Pairs) -> Calibration | None:
    """Return the form with the smallest error of units left out; the simpler one of equals."""
    calibrations = [
        candidate for form in FORMS if (candidate := calibrate(form, pairs)) is not None
    ]
    return min(
        calibrations,
        key=lambda candidate: round(candidate.rmse_cv / (_SAME + _size(pairs)), 9),
        default=None,
    )


def _size(pairs: Pairs) -> float:
    return float(np.abs(pairs.y).max())


@dataclass(frozen=True)
class Choice:
    """The index and form that predict an assay best, and what the choice itself costs.

    Attributes
    ----------
    index, calibration
        The choice.
    rmse_nested
        Error of units left out when index and form are chosen anew without each of them; over the
        leaves inside the range of the others, because no estimate is made outside.
    rmse_of_mean
        Error of the mean of the other units on the same leaves: a calibration that does no better
        estimates nothing.
    n_outside
        Leaves that lay outside the range of the others.
    n_tried
        Number of indices that were tried.
    """

    index: str
    calibration: Calibration
    rmse_nested: float
    rmse_of_mean: float
    n_outside: int
    n_tried: int

    @property
    def is_useful(self) -> bool:
        """Whether it does clearly better on units left out than the mean of the others."""
        return self.rmse_nested <= USEFUL * self.rmse_of_mean


def choose(by_index: Mapping[str, Pairs]) -> Choice | None:
    """Choose index and form by the error of units left out, and estimate that error honestly.

    The smallest of many errors is too small. So the whole choice is repeated without each unit, and
    that unit is predicted by what was chosen without it.

    Parameters
    ----------
    by_index
        Index -> its pairs; the same leaves in each, in the same order.
    """
    best = _best_index_and_form(by_index)
    if best is None:
        return None
    index, calibration = best
    pairs = by_index[index]
    errors = np.full(pairs.n_leaves, np.nan)
    inside = np.zeros(pairs.n_leaves, dtype=bool)
    for unit_code, unit in enumerate(pairs.units):
        inner = _best_index_and_form(
            {name: index_pairs.without(unit) for name, index_pairs in by_index.items()}
        )
        if inner is None:
            continue
        name, inner_calibration = inner
        left_out = pairs.code == unit_code
        x = by_index[name].x[left_out]
        errors[left_out], inside[left_out] = (
            inner_calibration.fit.predict(x) - pairs.y[left_out],
            inner_calibration.within(x),
        )
    inside &= np.isfinite(errors)
    w, n_outside = pairs.weights[inside], int(np.count_nonzero(~inside))
    if not len(w):
        return Choice(index, calibration, math.nan, math.nan, n_outside, len(by_index))
    nested, of_mean = (
        float(np.sqrt(np.average(np.square(leaf_errors[inside]), weights=w)))
        for leaf_errors in (errors, _errors_of_mean(pairs))
    )
    return Choice(index, calibration, nested, of_mean, n_outside, len(by_index))


def _best_index_and_form(by_index: Mapping[str, Pairs]) -> tuple[str, Calibration] | None:
    calibrations = [
        (name, candidate)
        for name, pairs in by_index.items()
        if (candidate := best_form(pairs)) is not None
    ]
    if not calibrations:
        return None
    size = max(_size(candidate.pairs) for _, candidate in calibrations) + _SAME
    return min(calibrations, key=lambda pair: round(pair[1].rmse_cv / size, 9))


# A straight line with errors in both variables (York; Deming is its special case).
# ----------------------------------------------------------------------
# scipy.odr is deprecated, and statsmodels has none: so these lines are our own. A test holds them
# to the published example.


@dataclass(frozen=True)
class YorkLine:
    """A straight line through points that both have a standard uncertainty.

    Attributes
    ----------
    intercept, slope, u_intercept, u_slope
        With their standard uncertainties, from those of the points alone.
    covariance
        Of intercept and slope.
    chi_square, df
        Weighted sum of squared distances, and points less two. Far above ``df`` the points scatter
        more than their uncertainties explain.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    chi_square: float
    df: int


_MOST_STEPS = 500
_TOLERANCE = 1e-15


def york_line(x: Array, y: Array, u_x: Array, u_y: Array) -> YorkLine | None:
    """Fit a straight line with independent errors in both variables.

    Parameters
    ----------
    x, y
        The points, at least three.
    u_x, u_y
        Their standard uncertainties, above zero. Of one ratio in all points: Deming's line.

    Returns
    -------
    YorkLine or None
        ``None`` if the iteration does not converge, or x does not vary.
    """
    w_x, w_y = 1.0 / u_x**2, 1.0 / u_y**2
    centred = x - x.mean()
    if not np.any(centred):
        return None
    # 1. An approximate slope by least squares.
    b = float(np.sum(centred * (y - y.mean())) / np.sum(centred**2))
    for _ in range(_MOST_STEPS):
        # 2. W_i = w(x) w(y) / (w(x) + b^2 w(y)), without correlation of the errors.
        w = w_x * w_y / (w_x + b**2 * w_y)
        # 3. Deviations U, V from the weighted means; beta_i = W (U / w(y) + b V / w(x)).
        x_bar, y_bar = float(np.sum(w * x) / np.sum(w)), float(np.sum(w * y) / np.sum(w))
        u, v = x - x_bar, y - y_bar
        beta = w * (u / w_y + b * v / w_x)
        below = float(np.sum(w * beta * u))
        if below == 0.0 or not math.isfinite(below):
            return None
        # 4. The new slope b = sum W beta V / sum W beta U, until it stays.
        new = float(np.sum(w * beta * v) / below)
        done = abs(new - b) <= _TOLERANCE * max(1.0, abs(new))
        b = new
        if done:
            break
    else:
        if abs(new - b) > 1e-9 * max(1.0, abs(b)):
            return None
    w = w_x * w_y / (w_x + b**2 * w_y)
    x_bar, y_bar = float(np.sum(w * x) / np.sum(w)), float(np.sum(w * y) / np.sum(w))
    a = y_bar - b * x_bar
    # 5. Uncertainties from the adjusted points x_i = x_bar + beta_i.
    beta = w * ((x - x_bar) / w_y + b * (y - y_bar) / w_x)
    adjusted = x_bar + beta
    mean = float(np.sum(w * adjusted) / np.sum(w))
    var_b = 1.0 / float(np.sum(w * (adjusted - mean) ** 2))
    var_a = 1.0 / float(np.sum(w)) + mean**2 * var_b
    chi = float(np.sum(w * (y - b * x - a) ** 2))
    return YorkLine(a, b, math.sqrt(var_a), math.sqrt(var_b), -mean * var_b, chi, len(x) - 2)


def york_of(pairs: Pairs) -> YorkLine | None:
    """Return the line through the leaves if both variables have a known uncertainty in each."""
    all_known = (
        np.all(np.isfinite(pairs.u_x))
        and np.all(np.isfinite(pairs.u_y))
        and np.all(pairs.u_x > 0)
        and np.all(pairs.u_y > 0)
    )
    if not all_known or pairs.n_leaves < 3:
        return None
    return york_line(pairs.x, pairs.y, pairs.u_x, pairs.u_y)


def formula_text(fitted: Fit, content: str, index: str) -> str:
    """Return the fitted form as a formula.

    Examples
    --------
    >>> line = Fit("linear", np.array([2.0, -10.5]), np.eye(2), 0.0, 1.0)
    >>> formula_text(line, "chlorophyll", "CI_rededge")
    'chlorophyll = 2 - 10.5 CI_rededge'
    """
    b: Sequence[float] = fitted.coefficients.tolist()
    if fitted.form == "power":
        return f"{content} = {math.exp(b[0]):.4g} {index}^{b[1]:.4g}"
    text = f"{content} = {b[0]:.4g}"
    for power, value in enumerate(b[1:], start=1):
        sign = "-" if value < 0 else "+"
        text += f" {sign} {abs(value):.4g} {index}" + (f"^{power}" if power > 1 else "")
    return text
