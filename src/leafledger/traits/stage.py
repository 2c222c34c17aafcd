"""Rule ``traits``: train, validate and save models that estimate traits from spectra."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.records.record import Job, Metric, Outcome
from leafledger.resampling.permutation import generator
from leafledger.spectra.applicability import steps_of
from leafledger.study.table_files import read_json, write_bytes, write_csv, write_json
from leafledger.study.table_files import write_parquet as write_table
from leafledger.study.tables import names_of
from leafledger.traits.prediction_error import (
    Measure,
    compare,
    conformal,
    index_values,
    indices_of,
    measures,
)
from leafledger.traits.regression import (
    Splits,
    held_out_sessions,
    permutation_test,
    splits_of,
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
from leafledger.traits.trait_model import archive_and_card, domain_of, trained_model
from leafledger.traits.trait_tables import (
    Row,
    TrainedTrait,
    estimate_rows,
    file_name,
    measure_rows,
    path_rows,
    per_target,
    permutation_rows,
    prediction_rows,
    refitted,
    rival_rows,
    summary,
    term_rows,
    unit_mean_rows,
    untrained_summary,
    warnings_of,
)

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]


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
