"""Rule ``classes``: train, validate and save the discriminant classifier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.classes.class_tables import (
    confused_pairs_table,
    confusion_table,
    path_table,
    per_class_table,
    prediction_columns,
    prediction_tables,
    reliability_table,
    summary,
    terms_table,
)
from leafledger.classes.cross_validation import Validated, validate
from leafledger.classes.explanation import explain
from leafledger.classes.fold_assignment import Plan, planned
from leafledger.classes.fold_fit import (
    DISCRIMINANT,
    FoldFit,
    nested_predictors,
    procedure_of,
)
from leafledger.classes.labelled_scans import BY_SCAN, Labelled, Sample, labelled_spectra, sampled
from leafledger.classes.model import model_card
from leafledger.classes.negative_controls import (
    MOST_REDEALT,
    HeldOutSessions,
    PermutationTest,
    held_out_sessions,
    permutation_test,
)
from leafledger.classes.streaming import StreamedValidation, final_pass, streamed_validation
from leafledger.errors import InputFault
from leafledger.records.record import Job, Metric, Outcome
from leafledger.records.store import canonical_archive, sealed, types_to_trust
from leafledger.resampling.permutation import generator
from leafledger.spectra.applicability import steps_of
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


MOST_PERMUTED = 800
"""Scans of the permutation test and of held-out sessions at most; beyond, a sample of units. The
products of so many scans with each other serve all labellings at once."""


def run(job: Job) -> Outcome:
    """Read accepted spectra, validate the classifier, write its tables and the final model."""
    settings = job.settings["classes"]
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    steps = steps_of(settings["preprocessing"], data.wavelength_nm)
    procedure = procedure_of(len(data.classes), plan.widths[-1], settings)
    streamed = None
    if data.files is None:
        validated = validate(data, plan, steps, procedure)
    else:
        streamed = streamed_validation(data, plan, steps, procedure)
        validated = streamed.validated
    controls = _controls(data, plan, steps, job.settings)
    _write_tables(job, data, plan, validated)
    _write_permutation(job, controls.test)
    facts = _write_model(job, data, plan, validated, streamed, controls)
    return Outcome(
        metrics=_metrics(facts),
        warnings=list(facts["warnings"]),
        seeds={"classes": int(settings["seed"])},
    )


@dataclass(frozen=True)
class Controls:
    """What stands beside the accuracy: chance, and sessions that were not trained on.

    ``sample`` says on which scans, if not on all; ``refused`` why these allow neither.
    """

    plan: Plan
    test: PermutationTest | None = None
    sessions: HeldOutSessions | None = None
    sample: Sample | None = None
    refused: str = ""


def _controls(
    data: Labelled, plan: Plan, steps: Sequence[str], job_settings: Mapping[str, Any]
) -> Controls:
    """Test against permuted labels and held-out sessions, on a sample where scans are many."""
    settings = job_settings["classes"]
    subset, sample = sampled(data, MOST_PERMUTED, int(settings["seed"]))
    if sample is not None:
        if not settings["n_permutations"] and plan.unseen_days is None:
            return Controls(plan)
        try:
            plan = planned(subset, job_settings)
        except InputFault as fault:
            return Controls(plan, sample=sample, refused=fault.problems[0].found)
    procedure = procedure_of(len(subset.classes), plan.widths[-1], settings)
    test, sessions = None, None
    n_draws = int(settings["n_permutations"])
    n_draws = n_draws if sample is None else min(n_draws, MOST_REDEALT)
    if n_draws and subset.labels_by != BY_SCAN:
        test = permutation_test(
            nested_predictors(subset, steps, procedure, plan.schemes[0]), subset, plan,
            n_draws, generator(settings["seed"], "permutation"),
        )  # fmt: skip
    if plan.unseen_days is not None:
        predictors = nested_predictors(subset, steps, procedure, plan.unseen_days[0])
        sessions = held_out_sessions(subset, plan, predictors, float(settings["margin"]))
    return Controls(plan, test, sessions, sample)


def _write_tables(job: Job, data: Labelled, plan: Plan, validated: Validated) -> None:
    write_csv(job.outputs["path"], path_table(data, plan, validated), PATH)
    predictions = prediction_tables(data, plan, validated)
    write_csv(job.outputs["predictions"], predictions, prediction_columns(data))
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
    streamed: StreamedValidation | None,
    controls: Controls,
) -> dict[str, Any]:
    """Write terms, summary, final model and card; return the summary."""
    settings = job.settings["classes"]
    described = None if streamed is None else final_pass(data, plan, streamed, settings["seed"])
    final = (
        explain(data, validated, settings["seed"]) if described is None else described.explanation
    )
    write_parquet(job.outputs["terms"], terms_table(data, final), {}, ("term", "class"))
    pairs = confused_pairs_table(data, plan, validated, final)
    write_csv(job.outputs["confused_pairs"], pairs, CONFUSED_PAIRS)
    facts = summary(
        data, plan, validated, controls.test, controls.sessions, final, job.settings,
        control_plan=controls.plan, sample=controls.sample, refused=controls.refused,
    )  # fmt: skip
    write_json(job.outputs["summary"], facts)
    model = final_model(data, validated, None if described is None else final.fit)
    plain = canonical_archive(model)
    limits = read_json(job.inputs["range"])
    card = model_card(
        model, data, plan, settings, limits, types_to_trust(plain),
        None if described is None else described.domain,
        None if described is None else described.spectra_sha256,
    )  # fmt: skip
    archive, card = sealed(plain, card)
    write_bytes(job.outputs["model"], archive)
    write_json(job.outputs["model_card"], card)
    return facts


def final_model(
    data: Labelled, validated: Validated, fit: FoldFit | None = None
) -> DiscriminantModel:
    """Fit the chosen model to all scans; its probabilities are those of scans held out.

    ``fit`` is that of all scans where it is known from their sums.
    """
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
    if fit is None:
        return model.fit(data.spectra, np.array(data.classes)[data.codes])
    model.classes_ = np.array(data.classes)
    model.n_features_in_ = len(data.wavelength_nm)
    one_rule = fit if decision == DISCRIMINANT else replace(fit, discriminant=None)
    return model.take(one_rule.first(chosen))


def _metrics(facts: dict[str, Any]) -> list[Metric]:
    names = ("accuracy", "balanced_accuracy", "kappa", "mcc", "n_components", "n_units",
             "majority_accuracy", "p_permutation", "stable_components", "brier",
             "unit_accuracy")  # fmt: skip
    return [
        Metric(name, float(value))
        for name in names
        if isinstance(value := facts[name], int | float)
    ]
