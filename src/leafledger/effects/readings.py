"""Index values of chosen scans, with the unit, session and leaf that each belongs to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from leafledger.effects.unit_means import Key, Reading
from leafledger.study.tables import read_parquet

Place = tuple[str, str, str]
"""Unit, session, leaf of a scan."""


def readings(
    indices: Mapping[str, Path], places: Mapping[str, Place], chosen: set[str]
) -> Iterator[tuple[Key, str, Reading]]:
    """Yield every defined index value of the chosen scans.

    Parameters
    ----------
    indices
        Session -> path of ``indices/<session>.parquet``.
    places
        Scan -> unit, session, leaf.
    chosen
        The scans to take.
    """
    for path in indices.values():
        table = read_parquet(path)
        table = table[(table["status"] == "ok") & table["scan"].isin(chosen)]
        columns = ("scan", "index", "value", "u_scan", "u_reference", "u_panel")
        for scan, index, *numbers in zip(*(table[c].tolist() for c in columns), strict=True):
            if scan in places:
                unit, session, leaf = places[scan]
                yield (unit, session, index), leaf, Reading(scan, *numbers)
