"""Rule ``classes``: train, validate and save the discriminant classifier."""

from __future__ import annotations

from typing import Any

import numpy as np

from leafledger.chance.seeds import generator
from leafledger.classes.archive import canonical_archive, types_to_trust
from leafledger.classes.card import model_card
from leafledger.classes.labelled import Labelled, labelled_spectra
from leafledger.classes.latent import fit_path, membership_of
from leafledger.classes.permutation import PermutationTest, permutation_test
from leafledger.classes.plan import Plan, planned
from leafledger.classes.predictors import batched_predictor, fitted_predictor
from leafledger.classes.preprocessing import preprocessed
from leafledger.classes.stability import resampled_terms
from leafledger.classes.summary import summary
from leafledger.classes.tables import confusion_table, path_table, prediction_table, terms_table
from leafledger.classes.validated import Validated, fitted_terms_digest, validate
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.columns import CONFUSION, PATH, PERMUTATION, PREDICTIONS
from leafledger.study.tables import read_json, write_bytes, write_csv, write_json, write_parquet

_MOST_SCANS_IN_ONE_PRODUCT = 4000
"""Above this the products of all scans with each other would not fit in 1 GB beside the rest."""


def run(job: Job) -> Outcome:
    """Read accepted spectra, validate the classifier, write its tables and the final model."""
    design, settings = job.settings["design"], job.settings["classes"]
    data = labelled_spectra(job)
    plan = planned(data, design, settings)
    steps = list(dict.fromkeys(settings["preprocessing"]))
    validated = validate(data, plan, steps)
    test = _permuted(data, plan, steps, settings["n_permutations"], settings["seed"])
    write_csv(job.outputs["path"], path_table(data, plan, validated), PATH)
    write_csv(job.outputs["predictions"], prediction_table(data, plan, validated), PREDICTIONS)
    write_csv(job.outputs["confusion"], confusion_table(data, plan, validated), CONFUSION)
    _write_permutation(job, test)
    told = _write_model(job, data, plan, validated, test)
    return Outcome(
        metrics=_metrics(told),
        warnings=list(told["warnings"]),
        seeds={"classes": int(settings["seed"])},
    )


def _permuted(
    data: Labelled, plan: Plan, steps: list[str], n_draws: int, seed: int
) -> PermutationTest | None:
    if n_draws == 0:
        return None
    few = len(data.codes) <= _MOST_SCANS_IN_ONE_PRODUCT
    predictor = batched_predictor if few else fitted_predictor
    return permutation_test(
        [
            predictor(preprocessed(data.spectra, step), len(data.classes), plan.n_components)
            for step in steps
        ],
        plan.schemes[0],
        data.unit_codes,
        data.unit_of,
        plan.cells,
        n_draws,
        generator(seed, "permutation"),
    )


def _write_permutation(job: Job, test: PermutationTest | None) -> None:
    import pandas as pd

    reached = np.empty(0) if test is None else test.accuracy
    frame = pd.DataFrame({"draw": np.arange(len(reached)), "accuracy": reached})
    write_csv(job.outputs["permutation"], frame, PERMUTATION)


def _write_model(
    job: Job, data: Labelled, plan: Plan, validated: Validated, test: PermutationTest | None
) -> dict[str, Any]:
    """Fit all scans, write terms, summary, model and card; return the summary."""
    from leafledger.classes.model import DiscriminantModel

    settings = job.settings["classes"]
    step = validated.steps[int(validated.final.step[0])]
    chosen = int(validated.final.n_components[0])
    ready = preprocessed(data.spectra, step)
    fit = fit_path(ready, membership_of(data.codes, len(data.classes)), plan.n_components)
    rng = generator(settings["seed"], "resampled terms")
    spread = resampled_terms(ready, data.codes, data.unit_of, fit, chosen, rng)
    terms = terms_table(data.wavelength_nm, ready, data.classes, fit, spread, chosen)
    write_parquet(job.outputs["terms"], terms, {}, ("term", "class"))
    told = summary(data, plan, validated, test, spread, job.settings)
    told["fitted_terms_sha256"] = fitted_terms_digest(data, plan, validated)
    write_json(job.outputs["summary"], told)
    labels = np.array(data.classes)[data.codes]
    model = DiscriminantModel(chosen, step).fit(data.spectra, labels)
    archive = canonical_archive(model)
    write_bytes(job.outputs["model"], archive)
    card = model_card(
        model, data, settings, read_json(job.inputs["range"]), archive, types_to_trust(archive)
    )
    write_json(job.outputs["model_card"], card)
    return told


def _metrics(told: dict[str, Any]) -> list[Metric]:
    names = ("accuracy", "balanced_accuracy", "kappa", "mcc", "n_components", "n_units",
             "majority_accuracy", "p_permutation", "stable_components")  # fmt: skip
    return [
        Metric(name, float(value)) for name in names if isinstance(value := told[name], int | float)
    ]
