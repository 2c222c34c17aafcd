"""How large is the error of a trait model, how sure is that, and would something simpler do?

Intervals count units: the measures are functions of sums over units, so each unit is left out in
turn (jackknife). Prediction intervals of a leaf of a new unit are those of the jackknife+ and of
cross-validation+ (CV+), with whole units as what is exchangeable.

Rivals are held against the trait model on its own splits: the mean of the other units, the index
that follows the trait best (chosen anew in every training part), ridge regression and a Gaussian
process (scikit-learn).

References
----------
Barber, Candes, Ramdas & Tibshirani 2021, Ann. Stat. 49:486-507 (jackknife+ and CV+); Dunn,
Wasserman & Ramdas 2023, J. Am. Stat. Assoc. 118:2491-2502 (units as clusters: one member of each is
drawn, again and again); Efron & Stein 1981, Ann. Stat. 9:586-596 (jackknife).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leafledger.records.record import Job
from leafledger.resampling.intervals import t_quantile
from leafledger.resampling.splits import Scheme, members_of, unit_shares
from leafledger.study.table_files import read_csv, read_parquet
from leafledger.traits.regression import Fitted, unit_rms
from leafledger.traits.samples import LeafSpectra, TraitValues
from leafledger.words import plural

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
    log_mse, bias, slope, log_unexplained, log_rpd = range(5)
    mse, mse_low, mse_high = (float(np.exp(bound[log_mse])) for bound in (whole, low, high))
    unexplained, unexplained_low, unexplained_high = (
        float(np.exp(bound[log_unexplained])) for bound in (whole, low, high)
    )
    rpd, rpd_low, rpd_high = (float(np.exp(bound[log_rpd])) for bound in (whole, low, high))
    return [
        Measure("rmsep", math.sqrt(mse), math.sqrt(mse_low), math.sqrt(mse_high)),
        _without_assay(mse, mse_low, mse_high, units, u),
        Measure("bias", float(whole[bias]), float(low[bias]), float(high[bias])),
        Measure("slope", float(whole[slope]), float(low[slope]), float(high[slope])),
        Measure("r2", 1.0 - unexplained, 1.0 - unexplained_high, 1.0 - unexplained_low),
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
    assay_mse = float(unit_shares(u**2, units).mean())
    reason = "" if mse > assay_mse else "the error is no larger than that of the assay itself"
    value, bottom, top = (float(np.sqrt(max(0.0, bound - assay_mse))) for bound in (mse, low, high))
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
    rank = min(math.ceil(reached_level(n, level) * (n + 1) - 1e-9), n) - 1
    total = np.zeros(values.shape[1])
    for rows in draws:
        total += np.partition(values[rows], rank, axis=0)[rank]
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


Rival = Callable[[Array, Array, Codes, Array], Array]
"""Training table, trait, units and table held out -> estimates."""
MOST_LEAVES_OF_PROCESS: Final = 500
"""A Gaussian process takes time with the cube of the leaves."""
INNER_FOLDS: Final = 5
PENALTIES: Final = np.logspace(-2, 6, 17)
"""Ridge penalties that are tried, for wavelengths of unit variance."""
MODEL: Final = "plsr"
WORDS: Final = {
    MODEL: "partial least squares regression",
    "mean": "the mean of the other units",
    "best_index": "the best single index",
    "ridge": "ridge regression",
    "gaussian_process": "a Gaussian process",
}

# Rivals: the procedures.
# ----------------------------------------------------------------------


def mean_of_others(_training: Array, y: Array, units: Codes, held_out: Array) -> Array:
    """Estimate every leaf by the mean of the training units."""
    weights = 1.0 / np.bincount(units)[units]
    return np.full(len(held_out), float(np.average(y, weights=weights)))


def best_index(training: Array, y: Array, units: Codes, held_out: Array) -> Array:
    """Estimate by a straight line on the index with the smallest error of units left out.

    Parameters
    ----------
    training, held_out
        Indices of leaves, shapes ``(n, n_indices)`` and ``(m, n_indices)``.
    y, units
        Trait and unit of the training leaves.
    """
    codes = np.unique(units, return_inverse=True)[1].reshape(-1)
    w = 1.0 / np.bincount(codes)[codes]
    # 1. Centre and scale, so that sums keep their digits.
    mean, sd = training.mean(axis=0), training.std(axis=0)
    x = (training - mean) / np.where(sd > 0, sd, 1.0)
    # 2. Weighted sums of every unit; the line without a unit has all sums less its own.
    columns = [np.ones_like(x), x, x**2, np.broadcast_to(y[:, None], x.shape), x * y[:, None]]
    sums = np.stack([_by_code(w[:, None] * column, codes) for column in columns])
    s0, s1, s2, sy, sxy = sums.sum(axis=1, keepdims=True) - sums
    below = s0 * s2 - s1**2
    flat = below <= 1e-12 * np.maximum(s0 * s2, 1e-300)
    slope = np.where(flat, 0.0, (s0 * sxy - s1 * sy) / np.where(flat, 1.0, below))
    intercept = (sy - slope * s1) / s0
    error = y[:, None] - intercept[codes] - slope[codes] * x
    loss = (w[:, None] * error**2).sum(axis=0)
    # 3. The line of the best index on all training units.
    best = int(np.argmin(np.round(loss / max(float(loss.max()), 1e-300), 12)))
    if sd[best] <= 0:
        return mean_of_others(training, y, units, held_out)
    b1, b0 = np.polyfit(x[:, best], y, 1, w=np.sqrt(w))
    return np.asarray(b0 + b1 * (held_out[:, best] - mean[best]) / sd[best])


def _by_code(values: Array, codes: Codes) -> Array:
    out = np.zeros((int(codes.max()) + 1, values.shape[1]))
    np.add.at(out, codes, values)
    return out


def ridge(training: Array, y: Array, units: Codes, held_out: Array) -> Array:
    """Ridge regression on wavelengths of unit variance; penalty by units left out.

    References
    ----------
    Hoerl & Kennard 1970, Technometrics 12:55-67.
    """
    from sklearn.linear_model import RidgeCV
    from sklearn.model_selection import GroupKFold

    train, new = _standardised(training, held_out)
    n_units = len(np.unique(units))
    folds = None  # leaves by themselves, in closed form
    if n_units < len(units):
        folds = list(GroupKFold(min(INNER_FOLDS, n_units)).split(train, y, units))
    model = RidgeCV(alphas=PENALTIES, cv=folds)
    return np.asarray(model.fit(train, y).predict(new), dtype=np.float64)


def gaussian_process(training: Array, y: Array, _units: Codes, held_out: Array) -> Array:
    """Gaussian process with a squared exponential kernel and noise; likelihood maximised.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, ch. 2 and 5.
    """
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    train, new = _standardised(training, held_out)
    length = float(np.sqrt(train.shape[1]))
    kernel = ConstantKernel(1.0, (1e-3, 1e3)) * RBF(length, (0.1 * length, 100 * length))
    model = GaussianProcessRegressor(
        kernel + WhiteKernel(0.1, (1e-5, 10.0)), normalize_y=True, random_state=0
    )
    with warnings.catch_warnings():
        # An optimum at the bound of the kernel is an answer like any other here.
        warnings.simplefilter("ignore", ConvergenceWarning)
        return np.asarray(model.fit(train, y).predict(new), dtype=np.float64)


def _standardised(training: Array, held_out: Array) -> tuple[Array, Array]:
    """Return both with mean 0 and standard deviation 1 of the training part."""
    mean, sd = training.mean(axis=0), training.std(axis=0)
    varies = sd > 1e-12 * np.maximum(np.abs(training).max(axis=0), 1e-300)
    return (training - mean)[:, varies] / sd[varies], (held_out - mean)[:, varies] / sd[varies]


# Rivals: on the splits of the trait model.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Comparison:
    """One procedure beside the trait model.

    Attributes
    ----------
    procedure
        ``plsr`` or a key of ``WORDS``.
    rmsep
        Error of units left out.
    difference, low, high
        Its error less that of the model, with interval over units; ``NaN`` for the model itself.
    """

    procedure: str
    rmsep: float
    difference: float
    low: float
    high: float

    def sentence(self, word: str, suffix: str) -> str:
        """Return the comparison in words."""
        if self.procedure == MODEL:
            return ""
        name = WORDS[self.procedure].replace("units", plural(word))
        verdict = "cannot be told apart from"
        if self.low > 0:
            verdict = "does worse than"
        elif self.high < 0:
            verdict = "does better than"
        return (
            f"{name[0].upper()}{name[1:]} {verdict} {WORDS[MODEL]}: error {self.rmsep:.3g}{suffix},"
            f" {self.difference:+.3g}{suffix} (95 % interval {self.low:+.3g} to {self.high:+.3g})."
        )


def held_out_estimates(rival: Rival, table: Array, trait: TraitValues, scheme: Scheme) -> Array:
    """Return what a rival estimates of every leaf while its unit is held out."""
    estimates = np.full(trait.n_leaves, np.nan)
    for i, outer in enumerate(scheme.outer):
        part, test = scheme.training[outer], scheme.fold == i
        estimates[test] = rival(table[part], trait.y[part], trait.unit_of[part], table[test])
    return estimates


def compare(
    trait: TraitValues,
    spectra: Array,
    indices: Array | None,
    scheme: Scheme,
    predicted: Array,
    warning_texts: list[str],
) -> list[Comparison]:
    """Compare the trait model with every rival on the splits of its first repeat.

    Parameters
    ----------
    trait, spectra
        Leaves with a known trait, and their reflectance.
    indices
        Indices of these leaves, shape ``(n, n_indices)``; none if no index has a value on all.
    scheme
        The splits.
    predicted
        Held-out estimates of the trait model on them, shape ``(n,)``.
    warning_texts
        Rivals that are left out are named here.
    """
    rivals: dict[str, tuple[Rival, Array]] = {"mean": (mean_of_others, spectra)}
    if indices is not None:
        rivals["best_index"] = (best_index, indices)
    else:
        warning_texts.append(
            f"{trait.target}: no best index, because none has a value on all known leaves"
        )
    rivals["ridge"] = (ridge, spectra)
    if trait.n_leaves <= MOST_LEAVES_OF_PROCESS:
        rivals["gaussian_process"] = (gaussian_process, spectra)
    else:
        warning_texts.append(f"{trait.target}: no Gaussian process on {trait.n_leaves} leaves")
    model_error = (predicted - trait.y)[None]
    nothing = float("nan")
    comparisons = [
        Comparison(MODEL, float(unit_rms(model_error[0], trait.unit_of)), nothing, nothing, nothing)
    ]
    for name, (rival, table) in rivals.items():
        error = (held_out_estimates(rival, table, trait, scheme) - trait.y)[None]
        difference = difference_of_errors(error, model_error, trait.unit_of)
        comparisons.append(Comparison(name, float(unit_rms(error[0], trait.unit_of)), *difference))
    return comparisons


def index_values(job: Job, spectra: LeafSpectra) -> dict[str, Array]:
    """Return index -> mean over the accepted scans of every leaf; ``NaN`` where it has none."""
    accepted = read_csv(job.inputs["accepted"])
    chosen = set(accepted.loc[accepted["accepted"].astype(bool), "scan"])
    values: dict[str, dict[str, float]] = {}
    for path in job.by_session("indices").values():
        table = read_parquet(path)
        table = table[(table["status"] == "ok") & table["scan"].isin(chosen)]
        columns = (table[name].tolist() for name in ("scan", "index", "value"))
        for scan, index, value in zip(*columns, strict=True):
            values.setdefault(str(index), {})[str(scan)] = float(value)
    return {
        index: _leaf_means(value_of, spectra.scans) for index, value_of in sorted(values.items())
    }


def _leaf_means(value_of: Mapping[str, float], scans: Sequence[Sequence[str]]) -> Array:
    means = []
    for names in scans:
        values = [value_of[scan] for scan in names if scan in value_of]
        means.append(float(np.mean(values)) if values else np.nan)
    return np.array(means, dtype=np.float64)


def indices_of(trait: TraitValues, values: Mapping[str, Array]) -> Array | None:
    """Return the indices with a value on every known leaf, shape ``(n, n_indices)``, or none."""
    whole = [
        column[trait.rows] for column in values.values() if np.isfinite(column[trait.rows]).all()
    ]
    return np.stack(whole, axis=1) if whole else None
