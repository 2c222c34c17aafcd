"""Would something simpler, or something else, estimate the trait as well?

On the splits of the trait model: the mean of the other units, the index that follows the trait best
(chosen anew in every training part), ridge regression and a Gaussian process (scikit-learn).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leafledger.records.record import Job
from leafledger.resampling.splits import Scheme
from leafledger.study.table_files import read_csv, read_parquet
from leafledger.traits.measures import difference_of_errors
from leafledger.traits.regression import unit_rms
from leafledger.traits.samples import Known, LeafSpectra
from leafledger.words import plural

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
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

# The procedures.
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


# On the splits of the model.
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


def held_out_estimates(rival: Rival, table: Array, known: Known, scheme: Scheme) -> Array:
    """Return what a rival estimates of every leaf while its unit is held out."""
    found = np.full(known.n_leaves, np.nan)
    for i, outer in enumerate(scheme.outer):
        part, test = scheme.training[outer], scheme.fold == i
        found[test] = rival(table[part], known.y[part], known.unit_of[part], table[test])
    return found


def compare(
    known: Known,
    spectra: Array,
    indices: Array | None,
    scheme: Scheme,
    predicted: Array,
    told: list[str],
) -> list[Comparison]:
    """Compare the trait model with every rival on the splits of its first repeat.

    Parameters
    ----------
    known, spectra
        Leaves with a known trait, and their reflectance.
    indices
        Indices of these leaves, shape ``(n, n_indices)``; none if no index has a value on all.
    scheme
        The splits.
    predicted
        Held-out estimates of the trait model on them, shape ``(n,)``.
    told
        Rivals that are left out are named here.
    """
    rivals: dict[str, tuple[Rival, Array]] = {"mean": (mean_of_others, spectra)}
    if indices is not None:
        rivals["best_index"] = (best_index, indices)
    else:
        told.append(f"{known.target}: no best index, because none has a value on all known leaves")
    rivals["ridge"] = (ridge, spectra)
    if known.n_leaves <= MOST_LEAVES_OF_PROCESS:
        rivals["gaussian_process"] = (gaussian_process, spectra)
    else:
        told.append(f"{known.target}: no Gaussian process on {known.n_leaves} leaves")
    own = (predicted - known.y)[None]
    nothing = float("nan")
    found = [Comparison(MODEL, float(unit_rms(own[0], known.unit_of)), nothing, nothing, nothing)]
    for name, (rival, table) in rivals.items():
        error = (held_out_estimates(rival, table, known, scheme) - known.y)[None]
        difference = difference_of_errors(error, own, known.unit_of)
        found.append(Comparison(name, float(unit_rms(error[0], known.unit_of)), *difference))
    return found


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
    return {index: _leaf_means(of, spectra.scans) for index, of in sorted(values.items())}


def _leaf_means(of: Mapping[str, float], scans: Sequence[Sequence[str]]) -> Array:
    means = []
    for names in scans:
        values = [of[scan] for scan in names if scan in of]
        means.append(float(np.mean(values)) if values else np.nan)
    return np.array(means, dtype=np.float64)


def indices_of(known: Known, values: Mapping[str, Array]) -> Array | None:
    """Return the indices with a value on every known leaf, shape ``(n, n_indices)``, or none."""
    whole = [of[known.rows] for of in values.values() if np.isfinite(of[known.rows]).all()]
    return np.stack(whole, axis=1) if whole else None
