"""Rule ``unit_means``: accepted index values become one mean per unit, session and index."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING

from leafledger.effects.unit_means import Key, Place, UnitMean, means_of_sessions
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import read_csv, write_csv
from leafledger.study.tables import UNIT_INDICES

if TYPE_CHECKING:
    import pandas as pd


def run(job: Job) -> Outcome:
    """Write ``unit_indices.csv`` (see :mod:`leafledger.effects.unit_means` for the arithmetic)."""
    places = _places(job.settings["scans"])
    accepted = read_csv(job.inputs["accepted"])
    chosen = set(accepted.loc[accepted["accepted"], "scan"])
    means = means_of_sessions(job.by_session("indices"), places, chosen)
    excluded = Counter(
        (unit, session) for scan, (unit, session, _) in places.items() if scan not in chosen
    )
    write_csv(job.outputs["unit_indices"], _frame(means, excluded), UNIT_INDICES)
    return Outcome(
        metrics=[
            Metric("n_units", len({unit for unit, _, _ in means})),
            Metric("n_scans_accepted", len(chosen & set(places))),
            Metric("n_scans_excluded", sum(excluded.values())),
        ],
        warnings=_warnings(means, excluded),
    )


def _places(scans: Mapping[str, Mapping[str, str | None]]) -> dict[str, Place]:
    """Return where each scan belongs; a scan without a unit stands alone under its own id."""
    return {
        scan: (of.get("unit") or scan, of.get("session") or "all", of.get("leaf") or "")
        for scan, of in scans.items()
    }


def _frame(means: Mapping[Key, UnitMean], excluded: Mapping[tuple[str, str], int]) -> pd.DataFrame:
    import pandas as pd

    rows = [
        (*key, m.mean, m.sd_leaves, m.u, m.n_leaves, m.n_scans, excluded.get(key[:2], 0))
        for key, m in means.items()
    ]
    return pd.DataFrame(rows, columns=list(UNIT_INDICES))


def _warnings(means: Mapping[Key, UnitMean], excluded: Mapping[tuple[str, str], int]) -> list[str]:
    lost = sorted({*excluded} - {key[:2] for key in means})
    out = [f"every scan of {unit} on {session} is excluded" for unit, session in lost]
    if means and all(math.isnan(m.u) for m in means.values()):
        out.append("the measurement uncertainty is unknown: column u is empty")
    return out
