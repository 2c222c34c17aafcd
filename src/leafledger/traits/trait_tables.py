"""What is written of the trait models: rows of tables, sentences, and what the models rest on."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.splits import unit_shares
from leafledger.spectra.grid import component_words
from leafledger.spectra.pls import importance
from leafledger.spectra.preprocessing import preprocessed
from leafledger.traits.model import INSIDE, Domain, TraitRegression
from leafledger.traits.prediction_error import LEVEL, MODEL, Comparison, Conformal, Measure
from leafledger.traits.regression import (
    Fitted,
    PermutationTest,
    Splits,
    Validated,
    fit_regression,
    unit_rms,
)
from leafledger.traits.samples import Known, LeafSpectra
from leafledger.words import counted, listed, plural

Array = NDArray[np.float64]
Row = dict[str, Any]


@dataclass(frozen=True)
class TrainedTrait:
    """All that was found of one target.

    Attributes
    ----------
    known, spectra
        Leaves with a known trait, and their reflectance.
    splits, validated, intervals, test
        Splits, validation, what intervals are made of, permutation test.
    measures, rivals
        Errors of units left out, and other procedures on the same splits.
    model, domain
        The model of all known leaves, and the limits of its domain.
    refits
        The final procedure fitted without every outer fold.
    """

    known: Known
    spectra: Array
    splits: Splits
    validated: Validated
    intervals: Conformal
    test: PermutationTest
    measures: tuple[Measure, ...]
    rivals: tuple[Comparison, ...]
    model: TraitRegression
    domain: Domain
    refits: tuple[Fitted, ...]

    @property
    def coefficient_sd(self) -> Array:
        """Standard deviation of the coefficients, shape ``(n_wavelengths,)``."""
        return jackknifed_sd(np.array([one.coefficients for one in self.refits]))

    def measure(self, name: str) -> Measure:
        """Return a measure by its name."""
        return next(one for one in self.measures if one.name == name)


def refitted(
    known: Known, spectra: Array, wavelength_nm: Array, splits: Splits, validated: Validated
) -> tuple[Fitted, ...]:
    """Return the final procedure fitted without every outer fold of the first repeat."""
    step, n = validated.chosen
    scheme = splits.schemes[0]
    parts = [scheme.training[outer] for outer in scheme.outer]
    return tuple(
        fit_regression(spectra[part], known.y[part], step, n, wavelength_nm) for part in parts
    )


def jackknifed_sd(values: Array) -> Array:
    """Return the standard deviation of a figure from its values without each group of units.

    ``sqrt((g - 1) / g sum (b_k - mean b)^2)`` over g groups, along the first axis.

    References
    ----------
    Martens & Martens 2000, Food Qual. Prefer. 11:5-16 (jackknifed coefficients in PLSR).

    Examples
    --------
    >>> float(jackknifed_sd(np.array([1.0, 2.0, 3.0])).round(6))
    1.154701
    """
    g = len(values)
    return np.asarray(np.sqrt((g - 1) / g * ((values - values.mean(axis=0)) ** 2).sum(axis=0)))


# Rows of the tables.
# ----------------------------------------------------------------------


def prediction_rows(one: TrainedTrait) -> Iterator[Row]:
    """Yield every known leaf of every repeat, estimated while its unit was held out."""
    known = one.known
    for repeat, (scheme, nested) in enumerate(
        zip(one.splits.schemes, one.validated.repeats, strict=True), start=1
    ):
        for row, (unit, session, leaf) in enumerate(known.leaves):
            choice = nested.choices[int(scheme.fold[row])]
            yield {
                "target": known.target,
                "repeat": repeat,
                "fold": int(scheme.fold[row]) + 1,
                "unit": unit,
                "session": session,
                "leaf": leaf,
                "value": known.y[row],
                "u": known.u[row],
                "estimate": nested.predicted[0, row],
                "unit_of_value": known.unit_of_value,
                "preprocessing": one.validated.steps[int(choice.candidate[0])],
                "n_components": int(choice.n_components[0]),
            }


def path_rows(one: TrainedTrait, wavelength_nm: Array) -> Iterator[Row]:
    """Yield the error of units left out, and of the fit, by preprocessing and latent variables."""
    known, validated = one.known, one.validated
    squares = np.mean(
        [unit_shares((r.every[:, 0] - known.y) ** 2, known.unit_of) for r in validated.repeats],
        axis=0,
    ).mean(axis=-1)
    width = int(validated.final.width[0])
    for step, of_step in zip(validated.steps, np.sqrt(squares), strict=True):
        path = fit_regression(one.spectra, known.y, step, width, wavelength_nm).path
        own = preprocessed(one.spectra, step, wavelength_nm)
        ready = fit_regression(one.spectra, known.y, step, 1, wavelength_nm).learned.apply(own)
        fits = unit_rms(path.membership(ready)[..., 0] - known.y, known.unit_of)
        for n in range(1, min(width, len(fits)) + 1):
            yield {
                "target": known.target,
                "preprocessing": step,
                "n_components": n,
                "rmse": of_step[n - 1],
                "rmse_fit": fits[n - 1],
                "chosen": validated.chosen == (step, n),
            }


def measure_rows(one: TrainedTrait) -> Iterator[Row]:
    """Yield every measure with its interval over units."""
    for measure in one.measures:
        yield {
            "target": one.known.target,
            "unit_of_value": _unit_of(measure.name, one.known.unit_of_value),
            "measure": measure.name,
            "estimate": measure.value,
            "ci_low": measure.low,
            "ci_high": measure.high,
            "ci_level": LEVEL,
            "n_units": len(one.known.units),
            "n_leaves": one.known.n_leaves,
            "reason": measure.reason,
        }


def _unit_of(measure: str, unit: str) -> str:
    return unit if measure.startswith(("rmsep", "bias")) else "1"


def rival_rows(one: TrainedTrait, word: str) -> Iterator[Row]:
    """Yield every procedure beside the trait model."""
    suffix = unit_suffix(one.known.unit_of_value)
    for rival in one.rivals:
        yield {
            "target": one.known.target,
            "procedure": rival.procedure,
            "n_units": len(one.known.units),
            "rmsep": rival.rmsep,
            "difference": rival.difference,
            "difference_low": rival.low,
            "difference_high": rival.high,
            "ci_level": LEVEL,
            "unit_of_value": one.known.unit_of_value,
            "sentence": rival.sentence(word, suffix),
        }


def permutation_rows(one: TrainedTrait) -> Iterator[Row]:
    """Yield the error of every draw."""
    for draw, error in enumerate(one.test.drawn):
        yield {"target": one.known.target, "draw": draw, "rmsep": error}


def term_rows(one: TrainedTrait, wavelength_nm: Array) -> Iterator[Row]:
    """Yield coefficients, importance and loadings of the model of all, wavelength by wavelength."""
    path, n = one.validated.model.path, one.model.n_components_
    nothing = np.full(len(wavelength_nm), np.nan)
    terms = [
        ("coefficient", 0, one.validated.model.coefficients, one.coefficient_sd),
        ("importance", 0, importance(path, n), nothing),
        *(("loading", a + 1, path.loadings[:, a], nothing) for a in range(n)),
    ]
    for term, component, values, sds in terms:
        for nm, value, sd in zip(wavelength_nm, values, sds, strict=True):
            yield {
                "target": one.known.target,
                "term": term,
                "component": component,
                "wavelength_nm": float(nm),
                "value": float(value),
                "sd": float(sd),
            }


def estimate_rows(one: TrainedTrait, spectra: LeafSpectra, level: float) -> Iterator[Row]:
    """Yield the estimate of every leaf, never by a model that saw its unit."""
    known, axis = one.known, spectra.wavelength_nm
    folds = one.splits.schemes[0].fold
    fold_of = {leaf[0]: int(fold) for leaf, fold in zip(known.leaves, folds, strict=True)}
    assayed = {*known.leaves}
    # 1. Units without any known leaf: the model of all, and the interval over all folds.
    value = one.validated.model.predict(spectra.spectra, axis)
    low, high = one.intervals.interval(spectra.spectra, axis, level)
    # 2. Units with known leaves: the model of the fold that holds them out.
    by_fold = {k: one.validated.fold_models[k].predict(spectra.spectra, axis)
               for k in sorted(set(fold_of.values()))}  # fmt: skip
    half = {k: one.intervals.half_width(k, level) for k in by_fold}
    words = one.domain.words(one.model, spectra.spectra)
    reached = one.intervals.reached(level)
    for row, leaf in enumerate(spectra.leaves):
        fold = fold_of.get(leaf[0])
        middle = value[row] if fold is None else by_fold[fold][row]
        yield {
            "target": known.target,
            "unit": leaf[0],
            "session": leaf[1],
            "leaf": leaf[2],
            "estimate": middle,
            "estimate_low": low[row] if fold is None else middle - half[fold],
            "estimate_high": high[row] if fold is None else middle + half[fold],
            "interval_level": reached,
            "unit_of_value": known.unit_of_value,
            "model": "all" if fold is None else "without its unit",
            "assayed": leaf in assayed,
            "inside": words[row] == INSIDE,
            "reason": "" if words[row] == INSIDE else words[row],
        }


def unit_mean_rows(one: TrainedTrait, spectra: LeafSpectra, level: float) -> Iterator[Row]:
    """Yield unit means of the estimates that never saw the unit, then of every refit."""
    cross_fitted = np.array([row["estimate"] for row in estimate_rows(one, spectra, level)])
    places: dict[tuple[str, str], list[int]] = {}
    for row, (unit, session, _) in enumerate(spectra.leaves):
        places.setdefault((unit, session), []).append(row)
    every = [
        cross_fitted,
        *(fit.predict(spectra.spectra, spectra.wavelength_nm) for fit in one.refits),
    ]
    for refit, values in enumerate(every):
        for (unit, session), rows in places.items():
            yield {
                "target": one.known.target,
                "refit": refit,
                "unit": unit,
                "session": session,
                "mean": float(values[rows].mean()),
                "n_leaves": len(rows),
                "unit_of_value": one.known.unit_of_value,
            }


# What is said of a model.
# ----------------------------------------------------------------------

_WORDS: Final = {
    "chlorophyll": "total chlorophyll",
    "chlorophyll_a_to_b": "the ratio of chlorophyll a to b",
}
_MOST_WAVELENGTHS: Final = 4
ALPHA: Final = 0.05
"""Level of the permutation test."""
CLEARLY: Final = 0.85
"""A model is clearly better if its error is at most this share of that of the mean of others."""
_APART_NM: Final = 20.0


def target_words(target: str) -> str:
    """Return a target in words.

    Examples
    --------
    >>> target_words("chlorophyll"), target_words("chlorophyll_a")
    ('total chlorophyll', 'chlorophyll a')
    """
    return _WORDS.get(target, target.replace("_", " "))


def unit_suffix(unit: str) -> str:
    """Return a unit as it follows a number: nothing for a plain number."""
    return "" if unit == "1" else f" {unit}"


def file_name(target: str, taken: Sequence[str] = ()) -> str:
    """Return the name of the files of a target's model: plain letters, digits and underscores.

    Examples
    --------
    >>> file_name("chlorophyll"), file_name("N (%)"), file_name("N [%]", ["N"])
    ('chlorophyll', 'N', 'N_2')
    """
    plain = re.sub(r"[^A-Za-z0-9.]+", "_", target).strip("_.") or "trait"
    name, n = plain, 1
    while name in taken:
        n += 1
        name = f"{plain}_{n}"
    return name


def untrained_summary(known: Known, reason: str) -> Row:
    """Return what is said of a target without a model."""
    words = target_words(known.target)
    return {
        "target": known.target,
        "unit_of_value": known.unit_of_value,
        "trained": False,
        "reason": reason,
        "sentence": f"{words[0].upper()}{words[1:]} is not estimated from the spectra: {reason}.",
    }


def summary(one: TrainedTrait, level: float, word: str, axis: Array, model_file: str) -> Row:
    """Return what is said of a trained model, with its figures."""
    known = one.known
    step, n = one.validated.chosen
    return {
        "target": known.target,
        "unit_of_value": known.unit_of_value,
        "source": known.source,
        "trained": True,
        "n_leaves": known.n_leaves,
        "n_units": len(known.units),
        "n_sessions": len(known.sessions),
        "value_range": [float(known.y.min()), float(known.y.max())],
        "preprocessing": step,
        "n_components": n,
        "split": one.splits.rule,
        "interval": level,
        "interval_reached": one.intervals.reached(level),
        "measures": {m.name: [_number(m.value), _number(m.low), _number(m.high)]
                     for m in one.measures},
        "p_permutation": _number(one.test.p),
        "n_permutations": len(one.test.drawn),
        "no_permutation": one.test.reason,
        "unclear": unclear_reason(one, word),
        "no_sessions": one.splits.no_unseen_days,
        "components": component_sentences(one, axis),
        "wavelengths": important_wavelengths(one, axis),
        "sentence": answer(one, word),
        "error_sentence": error_sentence(one, word),
        "interval_sentence": interval_sentence(one, level, word),
        "wavelength_sentence": wavelength_sentence(one, axis),
        "rivals": [r.sentence(word, unit_suffix(known.unit_of_value)) for r in one.rivals
                   if r.procedure != MODEL],
        "model": model_file,
    }  # fmt: skip


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def answer(one: TrainedTrait, word: str) -> str:
    """Return how well the trait is estimated, in one sentence."""
    known, rmsep, r2 = one.known, one.measure("rmsep"), one.measure("r2")
    suffix, words = unit_suffix(known.unit_of_value), target_words(known.target)
    step, n = one.validated.chosen
    unclear = unclear_reason(one, word)
    return (
        f"{words[0].upper()}{words[1:]} is estimated from the whole spectrum with an error of "
        f"{rmsep.value:.3g}{suffix} on {plural(word)} left out (95 % interval {rmsep.low:.3g} to "
        f"{rmsep.high:.3g}; R2 {r2.value:.2f}), by {counted(n, 'latent variable')} "
        f"({step.replace('_', ' ')}) of {counted(known.n_leaves, 'leaf')} of "
        f"{counted(len(known.units), word)}."
    ) + (f" Treatments are not compared by it: {unclear}." if unclear else "")


def unclear_reason(one: TrainedTrait, word: str) -> str:
    """Return why estimates are not clearly better than the mean of the others; ``""`` if they are.

    The rule is that of calibrations: the error is at most 0.85 of that of the mean of the other
    units; and exchanged values are not estimated as well, p <= 0.05, where there were draws enough.
    """
    of = {rival.procedure: rival.rmsep for rival in one.rivals}
    suffix, others = unit_suffix(one.known.unit_of_value), f"the mean of the other {plural(word)}"
    if of[MODEL] > CLEARLY * of["mean"]:
        return (
            f"the spectrum does not estimate {plural(word)} left out clearly better than {others} "
            f"does (error {of[MODEL]:.3g}{suffix}, of the mean {of['mean']:.3g}{suffix}; it should "
            f"be below {CLEARLY:g} of that)"
        )
    if exchanged_do_as_well(one.test):
        return f"values exchanged between {plural(word)} are estimated as well ({_draws(one.test)})"
    return ""


def exchanged_do_as_well(test: PermutationTest) -> bool:
    """Return whether p is above 0.05 in a test whose draws could reach it."""
    return len(test.drawn) + 1 >= 1 / ALPHA and math.isfinite(test.p) and test.p > ALPHA


def _draws(test: PermutationTest) -> str:
    """Return how many draws have an error as small, with p.

    Examples
    --------
    >>> _draws(PermutationTest(1.0, np.array([0.5, 2.0, 3.0]), 0.5))
    'in 1 of 3 draws, p = 0.5'
    """
    n = len(test.drawn)
    k = round(test.p * (n + 1)) - 1
    return f"in {k} of {n} draws, p = {test.p:.2g}"


def error_sentence(one: TrainedTrait, word: str) -> str:
    """Return bias, slope, the share of the assay and the permutation test, in words."""
    suffix = unit_suffix(one.known.unit_of_value)
    bias, slope, rpd = (one.measure(name) for name in ("bias", "slope", "rpd"))
    text = (
        f"Estimates lie {abs(bias.value):.2g}{suffix} too {'high' if bias.value > 0 else 'low'} on "
        f"average ({bias.low:+.2g} to {bias.high:+.2g}); the slope of the known on the estimated "
        f"is {slope.value:.2f} ({slope.low:.2f} to {slope.high:.2f}); the known values spread "
        f"{rpd.value:.2g} times as far as the error ({rpd.low:.2g} to {rpd.high:.2g})."
    )
    own = one.measure("rmsep_without_assay")
    if math.isfinite(own.value):
        text += (
            f" The error holds that of the assay. Without the assay's own error, "
            f"{own.value:.3g}{suffix} remain (root of RMSEP^2 - u^2)."
            + (f" Here {own.reason}." if own.reason else "")
        )
    else:
        text += f" The error of the known values cannot be taken off: {own.reason}."
    if math.isfinite(one.test.p):
        text += (
            f" With values exchanged between {plural(word)} the error is as small "
            f"{_draws(one.test)} (permutation test)."
        )
        if len(one.test.drawn) + 1 < 1 / ALPHA:
            text += f" So few draws cannot reach p = {ALPHA:g}."
    else:
        text += f" There is no permutation test: {one.test.reason}."
    sessions = one.measure("rmsep_sessions")
    if math.isfinite(sessions.value):
        text += (
            f" On sessions that the model has not seen the error is {sessions.value:.3g}{suffix} "
            f"({sessions.low:.3g} to {sessions.high:.3g})."
        )
    elif len(one.known.sessions) < 2:
        text += (
            f" All known leaves are of one session ({one.known.sessions[0]}): how large the error "
            "is on other days is not known."
        )
    else:
        text += f" No session was held out: {sessions.reason}."
    return text


def interval_sentence(one: TrainedTrait, level: float, word: str) -> str:
    """Return what the intervals of single leaves hold."""
    reached = one.intervals.reached(level)
    text = (
        f"Intervals are for one leaf of a {word} that the model has not seen (jackknife+ over "
        f"{plural(word)}): they hold the known value of about {100 * reached:.3g} % of leaves"
    )
    if reached < level - 1e-9:
        text += f", because {counted(len(one.known.units), word)} cannot carry {100 * level:g} %"
    return text + "."


def component_sentences(one: TrainedTrait, axis: Array) -> list[str]:
    """Return what each latent variable compares, in words."""
    loadings = one.validated.model.path.loadings
    return [component_words(loadings[:, a], axis) for a in range(one.model.n_components_)]


def important_wavelengths(one: TrainedTrait, axis: Array) -> list[float]:
    """Return the wavelengths of largest importance, at least 20 nm apart, with steady sign.

    Importance is above 1, the mean square of all, and the coefficient differs from zero by twice
    its standard deviation.
    """
    values = importance(one.validated.model.path, one.model.n_components_)
    steady = np.abs(one.validated.model.coefficients) > 2 * one.coefficient_sd
    found: list[float] = []
    for i in np.argsort(-values, kind="stable"):
        if values[i] <= 1 or len(found) == _MOST_WAVELENGTHS:
            break
        if steady[i] and all(abs(axis[i] - nm) >= _APART_NM for nm in found):
            found.append(float(axis[i]))
    return found


def wavelength_sentence(one: TrainedTrait, axis: Array) -> str:
    """Return which wavelengths the estimate rests on."""
    found = important_wavelengths(one, axis)
    if not found:
        return "No wavelength stands out whose coefficient keeps its sign without some units."
    names = listed([f"{nm:g}" for nm in sorted(found)])
    return f"The estimate rests most on wavelengths about {names} nm."


def warnings_of(one: TrainedTrait, word: str) -> list[str]:
    """Return what should be heeded before the estimates are used."""
    found = []
    r2 = one.measure("r2")
    if not r2.value > 0:
        found.append(
            f"{one.known.target}: the spectrum estimates {plural(word)} left out no better than "
            "the mean of all does"
        )
    if exchanged_do_as_well(one.test):
        found.append(
            f"{one.known.target}: exchanged values are estimated as well (permutation test: "
            f"{_draws(one.test)})"
        )
    return found


def per_target(rows: Mapping[str, float]) -> dict[str, float]:
    """Return numbers without those that are none."""
    return {name: value for name, value in rows.items() if math.isfinite(value)}
