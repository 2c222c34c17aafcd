"""Has a scan changed since a person decided about it? Told before a run and in the review."""

from __future__ import annotations

from typing import TYPE_CHECKING

from leafledger.runner.step import job_of
from leafledger.study.scan_sheet import change_told, judged_otherwise, standing
from leafledger.study.study import Study
from leafledger.study.tasks import Task, outputs

if TYPE_CHECKING:
    from leafledger.intake.stage import SessionScans


def digests_taken_in(study: Study, session: str) -> dict[str, str]:
    """Return scan -> digest of its raw values, as the last run took them in; of every role."""
    from leafledger.quality.sheet_order import raw_digest
    from leafledger.study.tables import read_spectra

    table = read_spectra(
        study.folder / outputs(Task("intake", session))["scans"], ("counts", "reflectance")
    )
    (values,) = table.spectra.values()
    return {str(s): raw_digest(v) for s, v in zip(table.rows["scan"], values, strict=True)}


def digests_read(study: Study, session: str, read: SessionScans) -> dict[str, str]:
    """Return scan -> digest that its raw values would have if a run took them in now."""
    import numpy as np

    from leafledger.quality.sheet_order import raw_digest

    settings = job_of(study, Task("intake", session)).settings
    # Counts are kept as float32; reflectance is kept as it came.
    kept = np.float32 if settings["form"]["quantity"] == "counts" else np.float64
    ids = [str(row["scan"]) for row in settings["scans"]]
    return {
        scan: raw_digest(v.astype(kept).astype(np.float64))
        for scan, v in zip(ids, read.values, strict=True)
    }


def sessions_judged(study: Study) -> set[str]:
    """Return the sessions with a decision that notes which raw values it judged."""
    noted = {d.scan for d in standing(study.decisions).values() if d.scan_sha256}
    return {scan.session for scan in study.samples() if scan.scan in noted}


def told_of_changes(study: Study, digests: dict[str, str]) -> list[str]:
    """Return a warning if scans have changed since the decisions that hold about them."""
    return change_told(judged_otherwise(standing(study.decisions).values(), digests))
