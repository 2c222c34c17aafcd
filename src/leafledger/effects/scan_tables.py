"""Tables of scans as the effects see them: accepted or all, by unit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from leafledger.effects.changes import UnitTable, unit_table
from leafledger.effects.layout import Layout
from leafledger.effects.readings import Place, readings
from leafledger.effects.unit_means import unit_means
from leafledger.effects.variation_tables import grouped
from leafledger.records.job import Job
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.tables import read_csv


@dataclass(frozen=True)
class Scans:
    """Where every sample scan belongs, and which are left out.

    Attributes
    ----------
    places
        Scan -> unit, session, leaf.
    dropped
        Scans that are not accepted.
    """

    places: Mapping[str, Place]
    dropped: frozenset[str]

    @property
    def excluded(self) -> dict[str, tuple[str, str]]:
        """Excluded scan -> its unit and session."""
        return {scan: self.places[scan][:2] for scan in sorted(self.dropped)}


def scans_of(job: Job) -> Scans:
    """Read ``accepted.csv``."""
    table = read_csv(job.inputs["accepted"], text=tuple(TEXT), flags=tuple(FLAGS))
    columns = (table[name].tolist() for name in ("scan", "unit", "session", "leaf"))
    places = {scan: (unit, day, leaf) for scan, unit, day, leaf in zip(*columns, strict=True)}
    return Scans(places, frozenset(table.loc[~table["accepted"], "scan"].tolist()))


def table_of_all(job: Job, scans: Scans, layout: Layout, indices: Iterable[str]) -> UnitTable:
    """Return unit means over all scans, excluded ones too."""
    import pandas as pd

    means = unit_means(readings(job.by_session("indices"), scans.places, set(scans.places)))
    rows = [(*key, found.mean, found.u) for key, found in means.items()]
    frame = pd.DataFrame(rows, columns=["unit", "session", "index", "mean", "u"])
    return unit_table(layout, frame, indices)


def accepted_cells(
    job: Job, scans: Scans
) -> dict[str, dict[tuple[str, str], dict[str, list[float]]]]:
    """Return index -> unit and session -> leaf -> values of the accepted scans."""
    chosen = set(scans.places) - scans.dropped
    return grouped(readings(job.by_session("indices"), scans.places, chosen))
