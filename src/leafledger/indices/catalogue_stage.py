"""The rule ``catalogue``: what the indices of a study are, from the settings alone."""

from __future__ import annotations

from leafledger.indices.check import chosen
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.tables import write_json


def run(job: Job) -> Outcome:
    """Write ``indices/catalogue.json``: the indices in the order they were asked for.

    Raises
    ------
    InputFault
        If an index is unknown or a formula cannot be read.
    """
    entries = chosen(job.settings["indices"])
    write_json(job.outputs["catalogue"], {"indices": [entry.as_dict() for entry in entries]})
    doubtful = [entry.index for entry in entries if entry.domain == "canopy"]
    warnings = []
    if doubtful:
        warnings.append(
            f"{', '.join(doubtful)}: made for a canopy over soil; of doubtful meaning for a leaf "
            "in a clip."
        )
    return Outcome(metrics=[Metric("n_indices", len(entries))], warnings=warnings)
