"""How large is the error of a trait model, how sure is that, and where does a new leaf lie?

Intervals count units: the measures are functions of sums over units, so each unit is left out in
turn (jackknife). Prediction intervals of a leaf of a new unit are those of the jackknife+ and of
cross-validation+ (CV+), with whole units as what is exchangeable.

References
----------
Efron & Stein 1981, Ann. Stat. 9:586-596 (jackknife); Barber, Candes, Ramdas & Tibshirani 2021,
Ann. Stat. 49:486-507 (jackknife+ and CV+); Dunn, Wasserman & Ramdas 2023, J. Am. Stat. Assoc.
118:2491-2502 (units as clusters: one member of each is drawn, again and again).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import t_quantile
from leafledger.resampling.splits import members_of, unit_shares
from leafledger.traits.regression import Fitted

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
LEVEL: Final = 0.95
_TINY: Final = 1e-300

# Measures of agreement, with intervals over units.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Measure:
    """One measure and its interval over units; ``NaN`` with a reason where there is none."""

    name: str
    value: float
    low: float
    high: float
    reason: str = ""


def measures(y: Array, predicted: Array, units: Codes, u: Array) -> list[Measure]:
    """Return how well held-out predictions agree with the known trait.

    Every unit has the same weight; with several repeats a squared error is the mean over repeats.

    Parameters
    ----------
    y
        Known trait of each leaf, shape ``(n,)``.
    predicted
        Held-out predictions, shape ``(n_repeats, n)``.
    units
        Unit of each leaf.
    u
        Standard uncertainty of the known trait; ``NaN`` where it is not stated.

    Returns
    -------
    list of Measure
        ``rmsep``: root mean square error of prediction. ``rmsep_without_assay``: root of RMSEP^2
        less the mean of u^2, the error that is not the assay's own. ``bias``: mean of predicted
        minus known. ``slope``: of known on predicted (1 if predictions are neither too wide nor too
        narrow). ``r2``: 1 - RMSEP^2 over the mean squared deviation from the mean, as in R's pls.
        ``rpd``: standard deviation of the known trait over RMSEP. Intervals are Student's with one
        less than the number of units, about the jackknife's standard error; those of ``rmsep``,
        ``r2`` and ``rpd`` are made on a logarithmic scale.

    References
    ----------
    Pineiro et al. 2008, Ecol. Model. 216:316-322 (known on predicted); Williams 1987, in:
    Near-Infrared Technology in the Agricultural and Food Industries, 143-167 (RPD).
    """
    sums = _unit_sums(y, predicted, units)
    n = len(sums)
    # 1. Every measure as a function of the sums over units, on the scale of its interval.
    whole = _on_scale(sums.sum(axis=0)[None], n)[0]
    left_out = _on_scale(sums.sum(axis=0) - sums, n - 1)
    # 2. The jackknife's standard error, and Student's t over units.
    se = np.sqrt((n - 1) / n * ((left_out - left_out.mean(axis=0)) ** 2).sum(axis=0))
    half = t_quantile(LEVEL, n - 1) * se
    low, high = whole - half, whole + half
    log_mse, bias, slope, log_left, log_rpd = range(5)
    mse, mse_low, mse_high = (float(np.exp(one[log_mse])) for one in (whole, low, high))
    left, left_low, left_high = (float(np.exp(one[log_left])) for one in (whole, low, high))
    rpd, rpd_low, rpd_high = (float(np.exp(one[log_rpd])) for one in (whole, low, high))
    return [
        Measure("rmsep", math.sqrt(mse), math.sqrt(mse_low), math.sqrt(mse_high)),
        _without_assay(mse, mse_low, mse_high, units, u),
        Measure("bias", float(whole[bias]), float(low[bias]), float(high[bias])),
        Measure("slope", float(whole[slope]), float(low[slope]), float(high[slope])),
        Measure("r2", 1.0 - left, 1.0 - left_high, 1.0 - left_low),
        Measure("rpd", rpd, rpd_low, rpd_high),
    ]


def _unit_sums(y: Array, predicted: Array, units: Codes) -> Array:
    """Return of every unit its means of: error^2, error, y, y^2, and of p, p^2, p y (repeats)."""
    error = predicted - y
    columns = [
        (error**2).mean(axis=0),
        error.mean(axis=0),
        y,
        y**2,
        *predicted,
        *predicted**2,
        *(predicted * y),
    ]
    return unit_shares(np.array(columns), units).T


def _on_scale(sums: Array, n: int) -> Array:
    """Return log MSE, bias, slope, log(1 - R2) and log RPD from sums over ``n`` units."""
    mean = sums / n
    mse, bias, m, m2 = mean[:, 0], mean[:, 1], mean[:, 2], mean[:, 3]
    p, p2, py = np.split(mean[:, 4:], 3, axis=1)
    spread = np.maximum(m2 - m**2, _TINY)
    wide = np.maximum(p2 - p**2, _TINY)
    slope = ((py - p * m[:, None]) / wide).mean(axis=1)
    log_mse = np.log(np.maximum(mse, _TINY))
    log_spread = np.log(spread)
    log_rpd = 0.5 * (log_spread + np.log(n / (n - 1)) - log_mse)
    return np.stack([log_mse, bias, slope, log_mse - log_spread, log_rpd], axis=1)


def _without_assay(mse: float, low: float, high: float, units: Codes, u: Array) -> Measure:
    """Return the error less that of the assay; none where the assay's is not known."""
    nothing = float("nan")
    name = "rmsep_without_assay"
    if not np.isfinite(u).all():
        return Measure(name, nothing, nothing, nothing, "the known values have no stated error")
    own = float(unit_shares(u**2, units).mean())
    reason = "" if mse > own else "the error is no larger than that of the assay itself"
    value, bottom, top = (float(np.sqrt(max(0.0, one - own))) for one in (mse, low, high))
    return Measure(name, value, bottom, top, reason)


def difference_of_errors(first: Array, second: Array, units: Codes) -> tuple[float, float, float]:
    """Return the RMSEP of the first minus that of the second, with its interval over units.

    Parameters
    ----------
    first, second
        Errors of two procedures on the same leaves, shape ``(n_repeats, n)``.
    units
        Unit of each leaf.
    """
    squares = np.stack([unit_shares((e**2).mean(axis=0), units) for e in (first, second)])
    n, total = squares.shape[1], squares.sum(axis=1, keepdims=True)
    left_out = np.sqrt((total - squares) / (n - 1))
    each = left_out[0] - left_out[1]
    whole = np.sqrt(total[:, 0] / n)
    se = float(np.sqrt((n - 1) / n * ((each - each.mean()) ** 2).sum()))
    value, half = float(whole[0] - whole[1]), t_quantile(LEVEL, n - 1) * se
    return value, value - half, value + half


# Where does a leaf of a new unit lie?
# ----------------------------------------------------------------------
# The jackknife+ needs values that are exchangeable: those of units are, those of leaves are not. So
# one leaf is drawn of every unit, and the bounds are averaged over draws.

N_DRAWS: Final = 100
"""Draws of one leaf of every unit; one where every unit has one leaf."""


@dataclass(frozen=True)
class Conformal:
    """What intervals are made of: sizes of held-out errors, and the models that made them.

    Attributes
    ----------
    models
        The model of every outer fold.
    fold
        Outer fold of every known leaf, shape ``(n,)``.
    size
        Absolute held-out error of every known leaf.
    draws
        Row of the leaf that is drawn of every unit, shape ``(n_draws, n_units)``.
    """

    models: tuple[Fitted, ...]
    fold: Codes
    size: Array
    draws: NDArray[np.int64]

    def reached(self, level: float) -> float:
        """Return the level of the intervals: that asked for, or the highest there is."""
        return reached_level(self.draws.shape[1], level)

    def interval(self, spectra: Array, wavelength_nm: Array, level: float) -> tuple[Array, Array]:
        """Return the interval of leaves of units that no model has seen.

        The trait as it would be measured lies inside with about ``level``; never less than
        ``2 level - 1`` if units are exchangeable.

        Parameters
        ----------
        spectra
            Reflectance, shape ``(m, n_wavelengths)``.
        wavelength_nm
            Shape ``(n_wavelengths,)``.
        level
            Such as 0.95; see :meth:`reached`.
        """
        by_fold = np.array([model.predict(spectra, wavelength_nm) for model in self.models])
        return jackknife_plus(by_fold[self.fold], self.size, self.draws, level)

    def half_width(self, fold: int, level: float) -> float:
        """Return the half width about the model of one fold, by the errors of the other units."""
        others = self.draws[:, self.fold[self.draws[0]] != fold]
        return float(_upper_bound(self.size[:, None], others, level)[0])


def reached_level(n_units: int, level: float) -> float:
    """Return the level that intervals by the errors of so many units have: at most n / (n + 1).

    Examples
    --------
    >>> reached_level(20, 0.95), round(reached_level(9, 0.95), 3)
    (0.95, 0.9)
    """
    return min(level, n_units / (n_units + 1))


def jackknife_plus(
    middle: Array, size: Array, draws: NDArray[np.int64], level: float
) -> tuple[Array, Array]:
    """Return lower and upper bounds of new leaves.

    Parameters
    ----------
    middle
        Estimate of each new leaf by the model that held out each known leaf, ``(n, m)``.
    size
        Absolute error of each known leaf while it was held out, shape ``(n,)``.
    draws
        Row of the leaf that is drawn of every unit, shape ``(n_draws, n_units)``.
    level
        Such as 0.95.
    """
    # The quantiles of mu_{-k(i)}(x) - R_i and mu_{-k(i)}(x) + R_i, one leaf i of every unit.
    high = _upper_bound(middle + size[:, None], draws, level)
    low = -_upper_bound(size[:, None] - middle, draws, level)
    return low, high


def _upper_bound(values: Array, draws: NDArray[np.int64], level: float) -> Array:
    """Return the ceil(level (n + 1))-th smallest of n values, averaged over the draws."""
    n = draws.shape[1]
    place = min(math.ceil(reached_level(n, level) * (n + 1) - 1e-9), n) - 1
    total = np.zeros(values.shape[1])
    for rows in draws:
        total += np.partition(values[rows], place, axis=0)[place]
    return np.asarray(total / len(draws))


def conformal(
    models: Sequence[Fitted],
    fold: Codes,
    y: Array,
    predicted: Array,
    units: Codes,
    rng: np.random.Generator,
) -> Conformal:
    """Return what prediction intervals are made of, from one repeat of held-out predictions."""
    members = members_of(units)
    n_draws = 1 if max(len(rows) for rows in members) == 1 else N_DRAWS
    draws = [[rng.choice(rows) for rows in members] for _ in range(n_draws)]
    return Conformal(tuple(models), fold, np.abs(y - predicted), np.array(draws, dtype=np.int64))
