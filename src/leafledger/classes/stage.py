"""Rule ``classes``: train, validate and save the discriminant classifier."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.classes.class_tables import (
    confused_pairs_table,
    confusion_table,
    path_table,
    per_class_table,
    prediction_columns,
    prediction_table,
    reliability_table,
    summary,
    terms_table,
)
from leafledger.classes.explanation import explain
from leafledger.classes.fold_assignment import Plan, planned
from leafledger.classes.fold_fit import nested_predictors, procedure_of
from leafledger.classes.model import model_card
from leafledger.classes.negative_controls import (
    HeldOutSessions,
    PermutationTest,
    held_out_sessions,
    permutation_test,
)
from leafledger.classes.splits import BY_SCAN, Labelled, labelled_spectra
from leafledger.classes.validation import Validated, validate
from leafledger.records.model_archive import canonical_archive, sealed, types_to_trust
from leafledger.records.record import Job, Metric, Outcome
from leafledger.resampling.permutation import generator
from leafledger.spectra.preprocessing import steps_of
from leafledger.study.table_files import (
    read_json,
    write_bytes,
    write_csv,
    write_json,
    write_parquet,
)
from leafledger.study.tables import (
    CONFUSED_PAIRS,
    CONFUSION,
    PATH,
    PER_CLASS,
    PERMUTATION,
    RELIABILITY,
)

if TYPE_CHECKING:
    from leafledger.classes.model import DiscriminantModel


def run(job: Job) -> Outcome:
    """Read accepted spectra, validate the classifier, write its tables and the final model."""
    settings = job.settings["classes"]
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    steps = steps_of(settings["preprocessing"], data.wavelength_nm)
    procedure = procedure_of(len(data.classes), plan.widths[-1], settings)
    validated = validate(data, plan, steps, procedure)
    test = _permuted(data, plan, validated, settings["n_permutations"], settings["seed"])
    sessions = _sessions(data, plan, validated, float(settings["margin"]))
    _write_tables(job, data, plan, validated)
    _write_permutation(job, test)
    facts = _write_model(job, data, plan, validated, test, sessions)
    return Outcome(
        metrics=_metrics(facts),
        warnings=list(facts["warnings"]),
        seeds={"classes": int(settings["seed"])},
    )


def _permuted(
    data: Labelled, plan: Plan, validated: Validated, n_draws: int, seed: int
) -> PermutationTest | None:
    if n_draws == 0 or data.labels_by == BY_SCAN:
        return None
    return permutation_test(
        nested_predictors(data, validated.steps, validated.procedure, plan.schemes[0]),
        data,
        plan,
        n_draws,
        generator(seed, "permutation"),
    )


def _sessions(
    data: Labelled, plan: Plan, validated: Validated, margin: float
) -> HeldOutSessions | None:
    if plan.unseen_days is None:
        return None
    first, _ = plan.unseen_days
    predictors = nested_predictors(data, validated.steps, validated.procedure, first)
    return held_out_sessions(data, plan, predictors, margin)


def _write_tables(job: Job, data: Labelled, plan: Plan, validated: Validated) -> None:
    write_csv(job.outputs["path"], path_table(data, plan, validated), PATH)
    said = prediction_table(data, plan, validated)
    write_csv(job.outputs["predictions"], said, prediction_columns(data))
    write_csv(job.outputs["confusion"], confusion_table(data, plan, validated), CONFUSION)
    write_csv(job.outputs["reliability"], reliability_table(data, plan, validated), RELIABILITY)
    write_csv(job.outputs["per_class"], per_class_table(data, plan, validated), PER_CLASS)


def _write_permutation(job: Job, test: PermutationTest | None) -> None:
    import pandas as pd

    reached = np.empty(0) if test is None else test.accuracy
    frame = pd.DataFrame({"draw": np.arange(len(reached)), "accuracy": reached})
    write_csv(job.outputs["permutation"], frame, PERMUTATION)


def _write_model(
    job: Job,
    data: Labelled,
    plan: Plan,
    validated: Validated,
    test: PermutationTest | None,
    sessions: HeldOutSessions | None,
) -> dict[str, Any]:
    """Fit all scans, write terms, summary, model and card; return the summary."""
    settings = job.settings["classes"]
    final = explain(data, validated, settings["seed"])
    write_parquet(job.outputs["terms"], terms_table(data, final), {}, ("term", "class"))
    pairs = confused_pairs_table(data, plan, validated, final)
    write_csv(job.outputs["confused_pairs"], pairs, CONFUSED_PAIRS)
    facts = summary(data, plan, validated, test, sessions, final, job.settings)
    write_json(job.outputs["summary"], facts)
    model = final_model(data, validated)
    plain = canonical_archive(model)
    limits = read_json(job.inputs["range"])
    card = model_card(model, data, plan, settings, limits, types_to_trust(plain))
    archive, card = sealed(plain, card)
    write_bytes(job.outputs["model"], archive)
    write_json(job.outputs["model_card"], card)
    return facts


def final_model(data: Labelled, validated: Validated) -> DiscriminantModel:
    """Fit the chosen model to all scans; its probabilities are those of scans held out."""
    from leafledger.classes.model import DiscriminantModel

    step, decision, chosen = validated.chosen
    span = float(data.wavelength_nm[-1] - data.wavelength_nm[0])
    model = DiscriminantModel(
        n_components=chosen,
        preprocessing=step,
        decision=decision,
        balanced=validated.procedure.balanced,
        sharpness=validated.sharpness,
        step_nm=span / max(len(data.wavelength_nm) - 1, 1) or 1.0,
    )
    return model.fit(data.spectra, np.array(data.classes)[data.codes])


def _metrics(facts: dict[str, Any]) -> list[Metric]:
    names = ("accuracy", "balanced_accuracy", "kappa", "mcc", "n_components", "n_units",
             "majority_accuracy", "p_permutation", "stable_components", "brier",
             "unit_accuracy")  # fmt: skip
    return [
        Metric(name, float(value))
        for name in names
        if isinstance(value := facts[name], int | float)
    ]
