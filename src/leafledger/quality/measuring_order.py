"""Is a scan in the study twice, or its time out of order?

Duplicates are found by a digest of the raw values, within a session and between sessions; single
wrong times by an order of the sheet that all other scans keep.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag, Severity
from leafledger.words import minutes_text

if TYPE_CHECKING:
    import pandas as pd


# Within a session
# ----------------------------------------------------------------------

MOST_OUT_OF_ORDER = 0.05


def raw_digest(values: NDArray[np.float64]) -> str:
    """Return a digest of the raw values of one scan, equal only if all of them are."""
    return hashlib.sha256(np.ascontiguousarray(values, dtype=np.float64).data).hexdigest()


def duplicate(
    scans: Sequence[str],
    roles: Sequence[str],
    leaves: Mapping[str, tuple[str, str]],
    digests: Sequence[str],
    n_pixels: int,
) -> list[Flag]:
    """Flag scans whose raw values all equal another scan's.

    Parameters
    ----------
    scans, roles
        Ids and roles, length ``n_scans``.
    leaves
        Scan -> (unit, leaf) of the samples.
    digests
        Of the raw values of each scan (:func:`raw_digest`).
    n_pixels
        How many values a scan has.

    Notes
    -----
    Two measurements never agree in every digit: one file was saved or listed twice. Of one leaf
    (or one kind of reference) that costs a replicate but not the mean, so it is a notice. Under
    two leaves or two roles one of the labels is wrong and nothing tells which, so both are faults.
    """
    groups: dict[str, list[int]] = {}
    for i in range(len(scans)):
        groups.setdefault(digests[i], []).append(i)
    flags = []
    for members in groups.values():
        for i in members:
            for j in members:
                if i == j:
                    continue
                same = (roles[i], leaves.get(scans[i])) == (roles[j], leaves.get(scans[j]))
                if same and i < j:
                    continue
                kind: Severity = "notice" if same else "fault"
                flags.append(_duplicate_flag(scans[i], scans[j], kind, n_pixels))
                break
    return flags


def _duplicate_flag(scan: str, other: str, severity: Severity, n_pixels: int) -> Flag:
    meaning = (
        "it is no second measurement"
        if severity == "notice"
        else "one of the two labels must be wrong"
    )
    return Flag(
        scan,
        "duplicate",
        severity,
        float(n_pixels),
        float(n_pixels),
        "pixel",
        f"All {n_pixels} values equal those of scan {other}: {meaning}.",
    )


def time_order(scans: Sequence[str], seconds: NDArray[np.float64]) -> tuple[list[Flag], int]:
    """Flag scans whose time does not fit their place in the sheet (a notice).

    Parameters
    ----------
    scans
        Ids in sheet order.
    seconds
        Time of each, s; NaN if unknown.

    Returns
    -------
    tuple
        The flags, and how many scans are out of order. If that is more than 5 % (and more than
        two), the sheet simply has another order: then no scan is flagged.
    """
    known = np.flatnonzero(~np.isnan(seconds))
    kept = set(_longest_rising(seconds[known]))
    odd = [int(known[k]) for k in range(len(known)) if k not in kept]
    if len(odd) > max(2, MOST_OUT_OF_ORDER * len(known)):
        return [], len(odd)
    flags = []
    for i in odd:
        before = [j for j in known if j < i]
        other = int(before[-1]) if before else int(known[known > i][0])
        gap = (seconds[i] - seconds[other]) / 60
        flags.append(
            Flag(
                scans[i],
                "time_order",
                "notice",
                float(gap),
                0.0,
                "min",
                f"Its time is {minutes_text(abs(gap))} {'before' if gap < 0 else 'after'} that of "
                f"scan {scans[other]}, its neighbour in the sheet: check the time and the label.",
            )
        )
    return flags, len(odd)


def _longest_rising(values: NDArray[np.float64]) -> list[int]:
    """Return the places of the longest subsequence that never falls."""
    tails: list[float] = []
    ends: list[int] = []
    previous = [-1] * len(values)
    for k, value in enumerate(values):
        place = bisect_right(tails, float(value))
        previous[k] = ends[place - 1] if place else -1
        tails[place : place + 1] = [float(value)]
        ends[place : place + 1] = [k]
    out: list[int] = []
    k = ends[-1] if ends else -1
    while k >= 0:
        out.append(k)
        k = previous[k]
    return out[::-1]


# Between sessions
# ----------------------------------------------------------------------


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
            owner = (session, str(row["scan"]), str(row["role"]))
            owners.setdefault(str(row["digest"]), []).append(owner)
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
        f"Session {session}: {len(scans)} reference{'s hold' if len(scans) > 1 else ' holds'} "
        "the very values of references of "
        f"session {other} ({', '.join(sorted(scans)[:6])}{' ...' if len(scans) > 6 else ''}): "
        "they do not show what the instrument did on this day."
        for (session, other), scans in sorted(references.items())
    ]
    return sorted(flags, key=lambda flag: flag.scan), warnings


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
