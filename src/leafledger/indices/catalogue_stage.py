"""The rule ``catalogue``: what the indices of a study are, from the settings alone."""

from __future__ import annotations

from leafledger.indices.catalogue import chosen, formulas_as_json
from leafledger.records.record import Job, Metric, Outcome
from leafledger.spectra.formula import written
from leafledger.spectra.grid import Band
from leafledger.study.table_files import write_json

_VISIBLE_NM = (385.0, 700.0)
"""Lines of room lamps, and the light of a room that is measured, lie here."""


def run(job: Job) -> Outcome:
    """Write which indices were asked for, in that order.

    ``indices/catalogue.json`` holds them all. ``indices/visible.json`` holds id and formula of
    those that read a band in 385 to 700 nm: the checks of room light read these, and nothing else
    of an index can make them run again.

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
    visible = [entry for entry in entries if any(map(_is_visible, entry.bands))]
    write_json(
        job.outputs["visible_indices"],
        {"indices": [{"index": e.index, "formula": written(e.tree)} for e in visible]},
    )
    doubtful = [entry.index for entry in entries if entry.domain == "canopy"]
    warnings = []
    if doubtful:
        warnings.append(
            f"{', '.join(doubtful)}: made for a canopy over soil; of doubtful meaning for a leaf "
            "in a clip."
        )
    return Outcome(metrics=[Metric("n_indices", len(entries))], warnings=warnings)


def _is_visible(band: Band) -> bool:
    return band.stop_nm >= _VISIBLE_NM[0] and band.start_nm <= _VISIBLE_NM[1]
