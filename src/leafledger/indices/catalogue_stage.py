"""The rule ``catalogue``: what the indices of a study are, from the settings alone."""

from __future__ import annotations

from leafledger.indices.catalogue import formulas_as_json
from leafledger.indices.check import chosen
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.tables import write_json


def run(job: Job) -> Outcome:
    """Write ``indices/catalogue.json``: the indices in the order they were asked for.

    ``indices/formulas.json`` holds what their values rest on: ids and formulas as they are
    computed. A change of a source or a unit leaves it, and with it the values, as they were.

    Raises
    ------
    InputFault
        If an index is unknown or a formula cannot be read.
    """
    entries = chosen(job.settings["indices"])
    write_json(job.outputs["catalogue"], {"indices": [entry.as_dict() for entry in entries]})
    write_json(job.outputs["formulas"], formulas_as_json(entries))
    doubtful = [entry.index for entry in entries if entry.domain == "canopy"]
    warnings = []
    if doubtful:
        warnings.append(
            f"{', '.join(doubtful)}: made for a canopy over soil; of doubtful meaning for a leaf "
            "in a clip."
        )
    return Outcome(metrics=[Metric("n_indices", len(entries))], warnings=warnings)
