"""Rule ``rivals``: what simple procedures achieve in the splits of the classifier."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.baselines import (
    MODEL,
    N_REPEATS,
    NEEDS_MORE,
    ON_INDICES,
    ON_SPECTRA,
    WORDS,
    Codes,
    comparison_table,
    fold_table,
    model_predictions,
    rival_predictions,
    units_right,
)
from leafledger.classes.fold_fit import procedure_of
from leafledger.classes.labelled import Labelled, labelled_spectra
from leafledger.classes.negative_controls import question_table
from leafledger.classes.preprocessing import steps_of
from leafledger.classes.splits import Plan, planned
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.columns import COMPARISON, QUESTIONS, RIVALS
from leafledger.study.tables import read_parquet, write_csv

if TYPE_CHECKING:
    import pandas as pd


ALPHA = 0.05
"""Level at which the session is said to be told apart."""


def run(job: Job) -> Outcome:
    """Hold out the same scans as the classifier; write every rival and the other questions."""
    import pandas as pd

    settings = job.settings["classes"]
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    warnings: list[str] = []
    steps = steps_of(settings["preprocessing"], data.wavelength_nm)
    said = _everyone(job, data, plan, steps, warnings)
    folds = [fold_table(data, plan, name, codes) for name, codes in sorted(said.items())]
    write_csv(job.outputs["rivals"], pd.concat(folds, ignore_index=True), RIVALS)
    right = {name: units_right(data, plan, codes) for name, codes in said.items()}
    scans = np.unique(data.unit_of[plan.tested], return_counts=True)[1].astype(np.float64)
    table = comparison_table(right, scans, MODEL, WORDS, float(settings["margin"]))
    write_csv(job.outputs["comparison"], table, COMPARISON)
    questions = question_table(job, data, plan, steps)
    write_csv(job.outputs["questions"], questions, QUESTIONS)
    return Outcome(
        metrics=_metrics(said, data, plan),
        warnings=[*warnings, *_findings(table, questions)],
        seeds={"classes": int(settings["seed"])},
    )


def _everyone(
    job: Job, data: Labelled, plan: Plan, steps: list[str], warnings: list[str]
) -> dict[str, list[Codes]]:
    """Return what the classifier and every rival say of the scans held out."""
    settings = job.settings["classes"]
    seed = int(settings["seed"])
    procedure = procedure_of(len(data.classes), plan.widths[-1], settings)
    said = {MODEL: model_predictions(data, plan, steps, procedure)}
    smallest = min(
        int(s.training[outer].sum()) for s in plan.schemes[:N_REPEATS] for outer in s.outer
    )
    for name, rival in ON_SPECTRA.items():
        if name == NEEDS_MORE and smallest <= len(data.classes):
            warnings.append(
                f"no {name.replace('_', ' ')}: {smallest} scans train {len(data.classes)} classes"
            )
            continue
        said[name] = rival_predictions(data, plan, name, rival, data.spectra, seed)
    table = _index_table(job, data, warnings)
    if table is not None:
        for name, rival in ON_INDICES.items():
            said[name] = rival_predictions(data, plan, name, rival, table, seed)
    return said


def _findings(table: pd.DataFrame, questions: pd.DataFrame) -> list[str]:
    """Say which rival does better, if indices alone are as good, and if sessions are told apart."""
    better = table[table["better"] == True]  # noqa: E712
    few = table[table["procedure"].isin(list(ON_INDICES)) & (table["as_good"] == True)]  # noqa: E712
    found = [str(sentence) for sentence in better["sentence"]]
    found += [
        f"{row['sentence']} A handful of indices may be enough."
        for row in few.to_dict("records")
        if row["sentence"] not in found
    ]
    told = questions[(questions["asked"] == "session") & (questions["p"] <= ALPHA)]
    for row in told.to_dict("records"):
        if row["accuracy"] > row["majority_accuracy"]:
            found.append(
                f"the spectra tell the session: {100 * row['accuracy']:.0f} % of the scans are put "
                f"in the right one of {row['n_classes']} (always naming the largest: "
                f"{100 * row['majority_accuracy']:.0f} %, p = {row['p']:.2g}); compare groups "
                "within a session, or split by session"
            )
    return found


def _metrics(said: dict[str, list[Codes]], data: Labelled, plan: Plan) -> list[Metric]:
    held = plan.tested
    return [
        Metric(
            f"accuracy_{name}",
            float(np.mean([(codes == data.codes)[held].mean() for codes in said[name]])),
        )
        for name in sorted(said)
    ]


def _index_table(job: Job, data: Labelled, warnings: list[str]) -> NDArray[np.float64] | None:
    """Return the indices that have a value for every scan, shape ``(n_scans, n_indices)``."""
    import pandas as pd

    there = set(data.rows["session"])
    parts = [
        read_parquet(path)
        for session, path in job.by_session("indices").items()
        if session in there
    ]
    long = pd.concat(parts, ignore_index=True)
    wide = long.pivot(index="scan", columns="index", values="value").reindex(data.rows["scan"])
    missing = [str(name) for name in wide.columns if wide[name].isna().any()]
    kept = wide.drop(columns=missing)
    if missing:
        warnings.append(
            f"left out of the logistic regression, without a value for every scan: "
            f"{', '.join(missing)}"
        )
    if kept.shape[1] == 0:
        warnings.append("no logistic regression: no index has a value for every scan")
        return None
    return np.asarray(kept.to_numpy(dtype=np.float64))
