"""Rule ``rivals``: what simple procedures achieve in the splits of the classifier."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled import Labelled, labelled_spectra
from leafledger.classes.plan import planned
from leafledger.classes.rivals import ON_INDICES, ON_SPECTRA, rival_table
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.columns import RIVALS
from leafledger.study.tables import read_parquet, write_csv


def run(job: Job) -> Outcome:
    """Hold out the same scans as the classifier and write the accuracy of every rival."""
    design, settings = job.settings["design"], job.settings["classes"]
    data = labelled_spectra(job)
    plan = planned(data, design, settings)
    warnings: list[str] = []
    table = _index_table(job, data, warnings)
    seed = int(settings["seed"])
    frame = rival_table(data, plan, ON_SPECTRA, data.spectra, seed)
    if table is not None:
        import pandas as pd

        frame = pd.concat([frame, rival_table(data, plan, ON_INDICES, table, seed)])
    frame = frame.sort_values(["procedure", "repeat", "fold"], ignore_index=True)
    write_csv(job.outputs["rivals"], frame, RIVALS)
    right = frame.groupby("procedure")[["n_correct", "n_scans"]].sum()
    share = right["n_correct"] / right["n_scans"]
    return Outcome(
        metrics=[Metric(f"accuracy_{name}", float(value)) for name, value in share.items()],
        warnings=warnings,
        seeds={"classes": seed},
    )


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
