"""What only shows when sessions are held against each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.quality.copied_scans import copies_between_sessions
from leafledger.quality.dark_sessions import darks_against_sessions
from leafledger.quality.flags import Flag
from leafledger.quality.systematic import without_bad_references
from leafledger.quality.wavelength_sessions import axes_against_sessions
from leafledger.quality.white_scale import whites_against_sessions
from leafledger.quality.white_structure import whites_moved
from leafledger.records.record import Metric, Outcome

if TYPE_CHECKING:
    import pandas as pd

DARK_NOISE = "dark_noise_counts"
"""Metadata of the table of flags: noise of one dark from scan to scan, counts."""


def between_sessions(
    levels: Mapping[str, pd.DataFrame],
    flags: Sequence[Flag],
    noise: Mapping[str, float],
    outcome: Outcome,
) -> list[Flag]:
    """Return flags on scans that the other sessions accuse; warnings go to the outcome.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.
    flags
        What the sessions found by themselves.
    noise
        Session -> noise of one dark, counts, where it is known.
    outcome
        Takes the warnings.
    """
    named = {flag.scan for flag in flags if flag.severity == "fault"}
    shared, told = darks_against_sessions(levels, named, noise)
    copies, copied = copies_between_sessions(levels)
    whites = whites_against_sessions(without_bad_references(levels, named))
    outcome.warnings += [*told, *copied, *whites]
    return [*shared, *copies]


def compare_axes(
    told: Mapping[str, Mapping[str, Any]], signals: Mapping[str, pd.DataFrame], outcome: Outcome
) -> None:
    """Tell how far the axes of the sessions stand apart, by their lamps or else their whites."""
    warnings, largest = axes_against_sessions(told)
    # The whites stand on the axis as it was read: nothing to compare with one that was put right.
    as_read = {s: t for s, t in signals.items() if told.get(s, {}).get("axis") != "from_lamp"}
    by_lamp = [s for s, of in told.items() if of.get("lamp") and largest is not None]
    lamps = {s: bool(of.get("lamp")) for s, of in told.items() if of}
    moved = whites_moved(as_read, by_lamp, lamps)
    outcome.warnings += [*warnings, *moved.warnings]
    largest = moved.largest_nm if largest is None else largest
    if largest is not None:
        outcome.metrics.append(Metric("wavelength_shift_between_sessions", largest, "nm"))


def dark_noises(paths: Mapping[str, Path]) -> dict[str, float]:
    """Return session -> noise of its darks, from the metadata of ``quality/<session>.parquet``."""
    import json

    import pyarrow.parquet as pq

    out = {}
    for session, path in paths.items():
        value = (pq.read_schema(path).metadata or {}).get(DARK_NOISE.encode())
        if value is not None:
            out[session] = float(json.loads(value))
    return out
