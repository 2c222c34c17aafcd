"""Rule ``traits``: train, validate, describe and save models that estimate traits from spectra."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.records.record import Job, Metric, Outcome
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import unit_shares
from leafledger.spectra.applicability import preprocessed, steps_of
from leafledger.spectra.grid import component_words
from leafledger.spectra.pls import importance
from leafledger.study.table_files import read_json, write_bytes, write_csv, write_json
from leafledger.study.table_files import write_parquet as write_table
from leafledger.study.tables import names_of
from leafledger.traits.prediction_error import (
    LEVEL,
    MODEL,
    Comparison,
    Conformal,
    Measure,
    compare,
    conformal,
    index_values,
    indices_of,
    measures,
)
from leafledger.traits.regression import (
    Fitted,
    PermutationTest,
    Splits,
    Validated,
    fit_regression,
    held_out_sessions,
    permutation_test,
    splits_of,
    unit_rms,
    validate,
)
from leafledger.traits.samples import (
    LeafSpectra,
    TraitValues,
    known_traits,
    leaf_spectra,
    lost_sentence,
    untrained_reason,
)
from leafledger.traits.trait_model import (
    INSIDE,
    Domain,
    TraitRegression,
    archive_and_card,
    domain_of,
    trained_model,
)
from leafledger.words import counted, listed, plural

if TYPE_CHECKING:
    import pandas as pd


# Rows of tables, sentences, and what the models rest on
# ----------------------------------------------------------------------

Array = NDArray[np.float64]
Row = dict[str, Any]


@dataclass(frozen=True)
class TrainedTrait:
    """All that was found of one target.

    Attributes
    ----------
    trait, spectra
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

    trait: TraitValues
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
        return jackknifed_sd(np.array([refit.coefficients for refit in self.refits]))

    def measure(self, name: str) -> Measure:
        """Return a measure by its name."""
        return next(measure for measure in self.measures if measure.name == name)


def refitted(
    trait: TraitValues, spectra: Array, wavelength_nm: Array, splits: Splits, validated: Validated
) -> tuple[Fitted, ...]:
    """Return the final procedure fitted without every outer fold of the first repeat."""
    step, n = validated.chosen
    scheme = splits.schemes[0]
    parts = [scheme.training[outer] for outer in scheme.outer]
    return tuple(
        fit_regression(spectra[part], trait.y[part], step, n, wavelength_nm) for part in parts
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


def prediction_rows(trained: TrainedTrait) -> Iterator[Row]:
    """Yield every known leaf of every repeat, estimated while its unit was held out."""
    trait = trained.trait
    for repeat, (scheme, nested) in enumerate(
        zip(trained.splits.schemes, trained.validated.repeats, strict=True), start=1
    ):
        for row, (unit, session, leaf) in enumerate(trait.leaves):
            choice = nested.choices[int(scheme.fold[row])]
            yield {
                "target": trait.target,
                "repeat": repeat,
                "fold": int(scheme.fold[row]) + 1,
                "unit": unit,
                "session": session,
                "leaf": leaf,
                "value": trait.y[row],
                "u": trait.u[row],
                "estimate": nested.predicted[0, row],
                "unit_of_value": trait.unit_of_value,
                "preprocessing": trained.validated.steps[int(choice.candidate[0])],
                "n_components": int(choice.n_components[0]),
            }


def path_rows(trained: TrainedTrait, wavelength_nm: Array) -> Iterator[Row]:
    """Yield the error of units left out, and of the fit, by preprocessing and latent variables."""
    trait, validated = trained.trait, trained.validated
    squares = np.mean(
        [unit_shares((r.every[:, 0] - trait.y) ** 2, trait.unit_of) for r in validated.repeats],
        axis=0,
    ).mean(axis=-1)
    width = int(validated.final.width[0])
    for step, of_step in zip(validated.steps, np.sqrt(squares), strict=True):
        path = fit_regression(trained.spectra, trait.y, step, width, wavelength_nm).path
        prepared = preprocessed(trained.spectra, step, wavelength_nm)
        ready = fit_regression(trained.spectra, trait.y, step, 1, wavelength_nm).learned.apply(
            prepared
        )
        fits = unit_rms(path.membership(ready)[..., 0] - trait.y, trait.unit_of)
        for n in range(1, min(width, len(fits)) + 1):
            yield {
                "target": trait.target,
                "preprocessing": step,
                "n_components": n,
                "rmse": of_step[n - 1],
                "rmse_fit": fits[n - 1],
                "chosen": validated.chosen == (step, n),
            }


def measure_rows(trained: TrainedTrait) -> Iterator[Row]:
    """Yield every measure with its interval over units."""
    for measure in trained.measures:
        yield {
            "target": trained.trait.target,
            "unit_of_value": _unit_of(measure.name, trained.trait.unit_of_value),
            "measure": measure.name,
            "estimate": measure.value,
            "ci_low": measure.low,
            "ci_high": measure.high,
            "ci_level": LEVEL,
            "n_units": len(trained.trait.units),
            "n_leaves": trained.trait.n_leaves,
            "reason": measure.reason,
        }


def _unit_of(measure: str, unit: str) -> str:
    return unit if measure.startswith(("rmsep", "bias")) else "1"


def rival_rows(trained: TrainedTrait, word: str) -> Iterator[Row]:
    """Yield every procedure beside the trait model."""
    suffix = unit_suffix(trained.trait.unit_of_value)
    for rival in trained.rivals:
        yield {
            "target": trained.trait.target,
            "procedure": rival.procedure,
            "n_units": len(trained.trait.units),
            "rmsep": rival.rmsep,
            "difference": rival.difference,
            "difference_low": rival.low,
            "difference_high": rival.high,
            "ci_level": LEVEL,
            "unit_of_value": trained.trait.unit_of_value,
            "sentence": rival.sentence(word, suffix),
        }


def permutation_rows(trained: TrainedTrait) -> Iterator[Row]:
    """Yield the error of every draw."""
    for draw, error in enumerate(trained.test.drawn):
        yield {"target": trained.trait.target, "draw": draw, "rmsep": error}


def term_rows(trained: TrainedTrait, wavelength_nm: Array) -> Iterator[Row]:
    """Yield coefficients, importance and loadings of the model of all, wavelength by wavelength."""
    path, n = trained.validated.model.path, trained.model.n_components_
    nothing = np.full(len(wavelength_nm), np.nan)
    terms = [
        ("coefficient", 0, trained.validated.model.coefficients, trained.coefficient_sd),
        ("importance", 0, importance(path, n), nothing),
        *(("loading", a + 1, path.loadings[:, a], nothing) for a in range(n)),
    ]
    for term, component, values, sds in terms:
        for nm, value, sd in zip(wavelength_nm, values, sds, strict=True):
            yield {
                "target": trained.trait.target,
                "term": term,
                "component": component,
                "wavelength_nm": float(nm),
                "value": float(value),
                "sd": float(sd),
            }


def estimate_rows(trained: TrainedTrait, spectra: LeafSpectra, level: float) -> Iterator[Row]:
    """Yield the estimate of every leaf, never by a model that saw its unit."""
    trait, axis = trained.trait, spectra.wavelength_nm
    folds = trained.splits.schemes[0].fold
    fold_of = {leaf[0]: int(fold) for leaf, fold in zip(trait.leaves, folds, strict=True)}
    assayed = {*trait.leaves}
    # 1. Units without any known leaf: the model of all, and the interval over all folds.
    value = trained.validated.model.predict(spectra.spectra, axis)
    low, high = trained.intervals.interval(spectra.spectra, axis, level)
    # 2. Units with known leaves: the model of the fold that holds them out.
    by_fold = {k: trained.validated.fold_models[k].predict(spectra.spectra, axis)
               for k in sorted(set(fold_of.values()))}  # fmt: skip
    half = {k: trained.intervals.half_width(k, level) for k in by_fold}
    words = trained.domain.words(trained.model, spectra.spectra)
    reached = trained.intervals.reached(level)
    for row, leaf in enumerate(spectra.leaves):
        fold = fold_of.get(leaf[0])
        middle = value[row] if fold is None else by_fold[fold][row]
        yield {
            "target": trait.target,
            "unit": leaf[0],
            "session": leaf[1],
            "leaf": leaf[2],
            "estimate": middle,
            "estimate_low": low[row] if fold is None else middle - half[fold],
            "estimate_high": high[row] if fold is None else middle + half[fold],
            "interval_level": reached,
            "unit_of_value": trait.unit_of_value,
            "model": "all" if fold is None else "without its unit",
            "assayed": leaf in assayed,
            "inside": words[row] == INSIDE,
            "reason": "" if words[row] == INSIDE else words[row],
        }


def unit_mean_rows(trained: TrainedTrait, spectra: LeafSpectra, level: float) -> Iterator[Row]:
    """Yield unit means of the estimates that never saw the unit, then of every refit."""
    cross_fitted = np.array([row["estimate"] for row in estimate_rows(trained, spectra, level)])
    places: dict[tuple[str, str], list[int]] = {}
    for row, (unit, session, _) in enumerate(spectra.leaves):
        places.setdefault((unit, session), []).append(row)
    every = [
        cross_fitted,
        *(fit.predict(spectra.spectra, spectra.wavelength_nm) for fit in trained.refits),
    ]
    for refit, values in enumerate(every):
        for (unit, session), rows in places.items():
            yield {
                "target": trained.trait.target,
                "refit": refit,
                "unit": unit,
                "session": session,
                "mean": float(values[rows].mean()),
                "n_leaves": len(rows),
                "unit_of_value": trained.trait.unit_of_value,
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


def untrained_summary(trait: TraitValues, reason: str) -> Row:
    """Return the summary of a target without a model."""
    words = target_words(trait.target)
    return {
        "target": trait.target,
        "unit_of_value": trait.unit_of_value,
        "trained": False,
        "reason": reason,
        "sentence": f"{words[0].upper()}{words[1:]} is not estimated from the spectra: {reason}.",
    }


def summary(trained: TrainedTrait, level: float, word: str, axis: Array, model_file: str) -> Row:
    """Return the summary of a trained model: figures and sentences."""
    trait = trained.trait
    step, n = trained.validated.chosen
    return {
        "target": trait.target,
        "unit_of_value": trait.unit_of_value,
        "source": trait.source,
        "trained": True,
        "n_leaves": trait.n_leaves,
        "n_units": len(trait.units),
        "n_sessions": len(trait.sessions),
        "value_range": [float(trait.y.min()), float(trait.y.max())],
        "preprocessing": step,
        "n_components": n,
        "split": trained.splits.rule,
        "interval": level,
        "interval_reached": trained.intervals.reached(level),
        "measures": {m.name: [_number(m.value), _number(m.low), _number(m.high)]
                     for m in trained.measures},
        "p_permutation": _number(trained.test.p),
        "n_permutations": len(trained.test.drawn),
        "no_permutation": trained.test.reason,
        "unclear": unclear_reason(trained, word),
        "no_sessions": trained.splits.no_unseen_days,
        "components": component_sentences(trained, axis),
        "wavelengths": important_wavelengths(trained, axis),
        "sentence": answer(trained, word),
        "error_sentence": error_sentence(trained, word),
        "interval_sentence": interval_sentence(trained, level, word),
        "wavelength_sentence": wavelength_sentence(trained, axis),
        "rivals": [r.sentence(word, unit_suffix(trait.unit_of_value)) for r in trained.rivals
                   if r.procedure != MODEL],
        "model": model_file,
    }  # fmt: skip


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def answer(trained: TrainedTrait, word: str) -> str:
    """Return how well the trait is estimated, in one sentence."""
    trait, rmsep, r2 = trained.trait, trained.measure("rmsep"), trained.measure("r2")
    suffix, words = unit_suffix(trait.unit_of_value), target_words(trait.target)
    step, n = trained.validated.chosen
    unclear = unclear_reason(trained, word)
    return (
        f"{words[0].upper()}{words[1:]} is estimated from the whole spectrum with an error of "
        f"{rmsep.value:.3g}{suffix} on {plural(word)} left out (95 % interval {rmsep.low:.3g} to "
        f"{rmsep.high:.3g}; R2 {r2.value:.2f}), by {counted(n, 'latent variable')} "
        f"({step.replace('_', ' ')}) of {counted(trait.n_leaves, 'leaf')} of "
        f"{counted(len(trait.units), word)}."
    ) + (f" Treatments are not compared by it: {unclear}." if unclear else "")


def unclear_reason(trained: TrainedTrait, word: str) -> str:
    """Return why estimates are not clearly better than the mean of the others; ``""`` if they are.

    The rule is that of calibrations: the error is at most 0.85 of that of the mean of the other
    units; and exchanged values are not estimated as well, p <= 0.05, where there were draws enough.
    """
    rmsep_of = {rival.procedure: rival.rmsep for rival in trained.rivals}
    suffix, others = (
        unit_suffix(trained.trait.unit_of_value),
        f"the mean of the other {plural(word)}",
    )
    if rmsep_of[MODEL] > CLEARLY * rmsep_of["mean"]:
        return (
            f"the spectrum does not estimate {plural(word)} left out clearly better than {others} "
            f"does (error {rmsep_of[MODEL]:.3g}{suffix}, of the mean "
            f"{rmsep_of['mean']:.3g}{suffix}; it should "
            f"be below {CLEARLY:g} of that)"
        )
    if exchanged_do_as_well(trained.test):
        return (
            f"values exchanged between {plural(word)} are estimated as well "
            f"({_draws(trained.test)})"
        )
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


def error_sentence(trained: TrainedTrait, word: str) -> str:
    """Return bias, slope, the share of the assay and the permutation test, in words."""
    suffix = unit_suffix(trained.trait.unit_of_value)
    bias, slope, rpd = (trained.measure(name) for name in ("bias", "slope", "rpd"))
    text = (
        f"Estimates lie {abs(bias.value):.2g}{suffix} too {'high' if bias.value > 0 else 'low'} on "
        f"average ({bias.low:+.2g} to {bias.high:+.2g}); the slope of the known on the estimated "
        f"is {slope.value:.2f} ({slope.low:.2f} to {slope.high:.2f}); the known values spread "
        f"{rpd.value:.2g} times as far as the error ({rpd.low:.2g} to {rpd.high:.2g})."
    )
    without_assay = trained.measure("rmsep_without_assay")
    if math.isfinite(without_assay.value):
        text += (
            f" The error holds that of the assay. Without the assay's own error, "
            f"{without_assay.value:.3g}{suffix} remain (root of RMSEP^2 - u^2)."
            + (f" Here {without_assay.reason}." if without_assay.reason else "")
        )
    else:
        text += f" The error of the known values cannot be taken off: {without_assay.reason}."
    if math.isfinite(trained.test.p):
        text += (
            f" With values exchanged between {plural(word)} the error is as small "
            f"{_draws(trained.test)} (permutation test)."
        )
        if len(trained.test.drawn) + 1 < 1 / ALPHA:
            text += f" So few draws cannot reach p = {ALPHA:g}."
    else:
        text += f" There is no permutation test: {trained.test.reason}."
    sessions = trained.measure("rmsep_sessions")
    if math.isfinite(sessions.value):
        text += (
            f" On sessions that the model has not seen the error is {sessions.value:.3g}{suffix} "
            f"({sessions.low:.3g} to {sessions.high:.3g})."
        )
    elif len(trained.trait.sessions) < 2:
        text += (
            f" All known leaves are of one session ({trained.trait.sessions[0]}): how large the "
            "error is on other days is not known."
        )
    else:
        text += f" No session was held out: {sessions.reason}."
    return text


def interval_sentence(trained: TrainedTrait, level: float, word: str) -> str:
    """Return what the intervals of single leaves hold."""
    reached = trained.intervals.reached(level)
    text = (
        f"Intervals are for one leaf of a {word} that the model has not seen (jackknife+ over "
        f"{plural(word)}): they hold the known value of about {100 * reached:.3g} % of leaves"
    )
    if reached < level - 1e-9:
        text += (
            f", because {counted(len(trained.trait.units), word)} cannot carry {100 * level:g} %"
        )
    return text + "."


def component_sentences(trained: TrainedTrait, axis: Array) -> list[str]:
    """Return what each latent variable compares, in words."""
    loadings = trained.validated.model.path.loadings
    return [component_words(loadings[:, a], axis) for a in range(trained.model.n_components_)]


def important_wavelengths(trained: TrainedTrait, axis: Array) -> list[float]:
    """Return the wavelengths of largest importance, at least 20 nm apart, with steady sign.

    Importance is above 1, the mean square of all, and the coefficient differs from zero by twice
    its standard deviation.
    """
    values = importance(trained.validated.model.path, trained.model.n_components_)
    steady = np.abs(trained.validated.model.coefficients) > 2 * trained.coefficient_sd
    chosen_nm: list[float] = []
    for i in np.argsort(-values, kind="stable"):
        if values[i] <= 1 or len(chosen_nm) == _MOST_WAVELENGTHS:
            break
        if steady[i] and all(abs(axis[i] - nm) >= _APART_NM for nm in chosen_nm):
            chosen_nm.append(float(axis[i]))
    return chosen_nm


def wavelength_sentence(trained: TrainedTrait, axis: Array) -> str:
    """Return which wavelengths the estimate rests on."""
    chosen_nm = important_wavelengths(trained, axis)
    if not chosen_nm:
        return "No wavelength stands out whose coefficient keeps its sign without some units."
    names = listed([f"{nm:g}" for nm in sorted(chosen_nm)])
    return f"The estimate rests most on wavelengths about {names} nm."


def warnings_of(trained: TrainedTrait, word: str) -> list[str]:
    """Return what should be heeded before the estimates are used."""
    warnings = []
    r2 = trained.measure("r2")
    if not r2.value > 0:
        warnings.append(
            f"{trained.trait.target}: the spectrum estimates {plural(word)} left out no better "
            "than the mean of all does"
        )
    if exchanged_do_as_well(trained.test):
        warnings.append(
            f"{trained.trait.target}: exchanged values are estimated as well (permutation test: "
            f"{_draws(trained.test)})"
        )
    return warnings


def per_target(rows: Mapping[str, float]) -> dict[str, float]:
    """Return numbers without those that are none."""
    return {name: value for name, value in rows.items() if math.isfinite(value)}


# The rule
# ----------------------------------------------------------------------


def run(job: Job) -> Outcome:
    """Train and validate a model for every target; write tables, sentences and models."""
    settings, word = job.settings["traits"], str(job.settings["design"]["unit"] or "scan")
    spectra = leaf_spectra(job)
    indices = index_values(job, spectra)
    warnings: list[str] = []
    trained: list[TrainedTrait] = []
    summaries: list[Row] = []
    names: list[str] = []
    level = float(settings["interval"])
    for trait in known_traits(job, spectra):
        warnings += [text for text in (trait.remark, lost_sentence(trait)) if text]
        reason = untrained_reason(trait, word)
        if reason:
            warnings.append(f"no model of {trait.target}: {reason}")
            summaries.append(untrained_summary(trait, reason))
            continue
        target = train(trait, spectra, indices, settings, word, warnings)
        warnings += warnings_of(target, word)
        names.append(file_name(trait.target, names))
        summaries.append(summary(target, level, word, spectra.wavelength_nm, f"{names[-1]}.skops"))
        trained.append(target)
    _write_tables(job, trained, spectra, level, word)
    write_json(job.outputs["traits_summary"], {"targets": summaries})
    _write_models(job, trained, names, spectra, level)
    return Outcome(
        metrics=[metric for target in trained for metric in _metrics(target)],
        warnings=warnings,
        seeds={"traits": int(settings["seed"])},
    )


def train(
    trait: TraitValues,
    spectra: LeafSpectra,
    indices: Mapping[str, Array],
    settings: Mapping[str, Any],
    word: str,
    warnings: list[str],
) -> TrainedTrait:
    """Validate and fit the model of one target.

    Parameters
    ----------
    trait, spectra
        Leaves with a known trait, and the spectra of all leaves.
    indices
        Index -> value of every leaf of ``spectra``.
    settings
        Section ``traits``.
    word
        What a unit is called.
    warnings
        What is not as asked is appended.
    """
    trait_spectra, axis = spectra.spectra[trait.rows], spectra.wavelength_nm
    splits = splits_of(trait, len(axis), settings, word, warnings)
    steps = steps_of(settings["preprocessing"], axis, "traits.preprocessing")
    validated = validate(trait, trait_spectra, axis, splits, steps)
    scheme, first = splits.schemes[0], validated.predicted[0]
    all_measures = measures(trait.y, validated.predicted, trait.unit_of, trait.u)
    all_measures.append(_error_on_unseen_sessions(trait, trait_spectra, axis, splits, steps))
    intervals = conformal(
        validated.fold_models,
        scheme.fold,
        trait.y,
        first,
        trait.unit_of,
        generator(int(settings["seed"]), "trait intervals", trait.target),
    )
    model = trained_model(validated.model, intervals, trait_spectra, trait.y, axis)
    return TrainedTrait(
        trait=trait,
        spectra=trait_spectra,
        splits=splits,
        validated=validated,
        intervals=intervals,
        test=permutation_test(
            trait, trait_spectra, axis, splits, steps, int(settings["n_permutations"]),
            generator(int(settings["seed"]), "trait permutation", trait.target),
        ),
        measures=tuple(all_measures),
        rivals=tuple(
            compare(trait, trait_spectra, indices_of(trait, indices), scheme, first, warnings)
        ),
        model=model,
        domain=domain_of(model, trait_spectra, trait.y, scheme.fold, scheme.n_folds),
        refits=refitted(trait, trait_spectra, axis, splits, validated),
    )  # fmt: skip


def _error_on_unseen_sessions(
    trait: TraitValues, trait_spectra: Array, axis: Array, splits: Splits, steps: list[str]
) -> Measure:
    """Return the error on leaves whose unit and session are both unseen."""
    name, nothing = "rmsep_sessions", float("nan")
    if splits.unseen_days is None:
        return Measure(name, nothing, nothing, nothing, splits.no_unseen_days)
    predicted = held_out_sessions(
        trait, trait_spectra, axis, splits.unseen_days, steps, splits.widths
    )
    rmsep = measures(trait.y, predicted[None], trait.unit_of, trait.u)[0]
    return Measure(name, rmsep.value, rmsep.low, rmsep.high)


def _write_tables(
    job: Job, trained: list[TrainedTrait], spectra: LeafSpectra, level: float, word: str
) -> None:
    axis = spectra.wavelength_nm
    tables: dict[str, Iterator[Row]] = {
        "trait_predictions": (row for target in trained for row in prediction_rows(target)),
        "trait_path": (row for target in trained for row in path_rows(target, axis)),
        "trait_measures": (row for target in trained for row in measure_rows(target)),
        "trait_rivals": (row for target in trained for row in rival_rows(target, word)),
        "trait_permutation": (row for target in trained for row in permutation_rows(target)),
        "trait_unit_means": (
            row for target in trained for row in unit_mean_rows(target, spectra, level)
        ),
        "trait_estimates": (
            row for target in trained for row in estimate_rows(target, spectra, level)
        ),
    }
    for name, rows in tables.items():
        write_csv(job.outputs[name], _frame(list(rows), name), names_of(name))
    _write_terms(job, trained, axis)


def _write_terms(job: Job, trained: list[TrainedTrait], axis: Array) -> None:
    import pyarrow as pa

    frame = _frame([row for target in trained for row in term_rows(target, axis)], "trait_terms")
    kinds = {"target": pa.string(), "term": pa.string(), "component": pa.int64()}
    schema = pa.schema([(name, kinds.get(str(name), pa.float64())) for name in frame.columns])
    table = pa.Table.from_pandas(frame, schema=schema, preserve_index=False)
    write_table(job.outputs["trait_terms"], table, {}, ("target", "term"))


def _write_models(
    job: Job, trained: list[TrainedTrait], names: list[str], spectra: LeafSpectra, level: float
) -> None:
    folder = job.outputs["trait_models"]
    folder.mkdir(parents=True, exist_ok=True)
    limits = read_json(job.inputs["range"])
    for name, target in zip(names, trained, strict=True):
        figures = {"rmsep": target.measure("rmsep").value, "interval": level}
        archive, card = archive_and_card(
            target.model,
            target.domain,
            target.trait,
            target.spectra,
            spectra.wavelength_nm,
            limits,
            figures,
        )
        write_bytes(folder / f"{name}.skops", archive)
        write_json(folder / f"{name}.json", card)


def _frame(rows: list[Row], name: str) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(rows, columns=list(names_of(name)))


def _metrics(trained: TrainedTrait) -> list[Metric]:
    """Return what is worth following from run to run, named with the target."""
    target, unit = file_name(trained.trait.target), trained.trait.unit_of_value
    measure_values = {m.name: m.value for m in trained.measures}
    values = per_target(
        {
            "n_leaves": float(trained.trait.n_leaves),
            "n_units": float(len(trained.trait.units)),
            "n_components": float(trained.model.n_components_),
            "p_permutation": trained.test.p,
            **measure_values,
        }
    )
    return [
        Metric(f"{name}_{target}", value, unit if name.startswith(("rmsep", "bias")) else "1")
        for name, value in values.items()
    ]
