"""Scans of one session whose raw values are those of a scan of another session."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from leafledger.quality.flags import Flag

if TYPE_CHECKING:
    import pandas as pd


def copies_between_sessions(levels: Mapping[str, pd.DataFrame]) -> tuple[list[Flag], list[str]]:
    """Find copies between sessions; those within one are found by the checks of the session.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.

    Returns
    -------
    tuple
        Faults on leaf scans (one of the two was not measured when it says, and nothing tells
        which), and a warning for each session whose references came from another.
    """
    owners: dict[str, list[tuple[str, str, str]]] = {}
    for session, table in levels.items():
        for row in table.drop_duplicates("scan").to_dict("records"):
            one = (session, str(row["scan"]), str(row["role"]))
            owners.setdefault(str(row["digest"]), []).append(one)
    flags: list[Flag] = []
    references: dict[tuple[str, str], list[str]] = {}
    for same in owners.values():
        for session, scan, role in same:
            other = next((of for of in same if of[0] != session), None)
            if other is None:
                continue
            if role == "sample":
                flags.append(_copy(scan, other[1], other[0]))
            elif list(levels).index(other[0]) < list(levels).index(session):
                references.setdefault((session, other[0]), []).append(scan)
    warnings = [
        f"Session {session}: {_number(len(scans))} the very values of references of "
        f"session {other} ({', '.join(sorted(scans)[:6])}{' ...' if len(scans) > 6 else ''}): "
        "they do not show what the instrument did on this day."
        for (session, other), scans in sorted(references.items())
    ]
    return sorted(flags, key=lambda flag: flag.scan), warnings


def _number(n: int) -> str:
    return "1 reference holds" if n == 1 else f"{n} references hold"


def _copy(scan: str, other: str, session: str) -> Flag:
    return Flag(
        scan,
        "duplicate",
        "fault",
        1.0,
        0.0,
        "scan",
        f"All raw values equal those of scan {other} of session {session}: one of the two was not "
        "measured when it says.",
    )
