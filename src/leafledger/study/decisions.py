"""Decisions that a person took about scans, with the reason and the name."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import MOST_PROBLEMS, InputFault, Problem, bounded, nearest, quoted
from leafledger.study.sheets import Row, Sheet, read_sheet

FILE = "decisions.csv"
COLUMNS = ("scan", "action", "reason", "by", "when")
ACTIONS = ("exclude", "keep")
SCAN_DIGEST = "scan_sha256"
"""Column that the review writes: the raw values that were judged. Rows by hand may leave it out."""
_DIGEST = re.compile(r"[0-9a-f]{64}")
_MOST_NAMED = 6


def is_digest(text: str) -> bool:
    """Tell whether a text can be the digest of a scan."""
    return _DIGEST.fullmatch(text) is not None


@dataclass(frozen=True)
class Decision:
    """One row of ``decisions.csv``; where a scan has several, the last one holds.

    Attributes
    ----------
    scan, action, reason, by, when
        As in the file.
    scan_sha256
        Digest of the raw values that were judged; empty where it was not noted.
    """

    scan: str
    action: str
    reason: str
    by: str
    when: str
    scan_sha256: str = ""


def read_decisions(path: Path, shown: str, samples: Collection[str]) -> list[Decision]:
    """Read a decisions file; lines that begin with ``#`` and unknown columns are passed over.

    Parameters
    ----------
    path, shown
        The file and its path in messages.
    samples
        Ids of the leaf scans of the study.

    Returns
    -------
    list of Decision
        In file order.

    Raises
    ------
    InputFault
        With every row at fault: unknown scan, unknown action, no reason, no name.
    """
    decisions, problems = decisions_of(
        read_sheet(path, shown, required=COLUMNS, known=(SCAN_DIGEST,), comment="#"), samples
    )
    if problems:
        raise InputFault(bounded(problems))
    return decisions


def standing(decisions: Iterable[Decision]) -> dict[str, Decision]:
    """Return scan -> the decision that holds: of several for one scan, the last."""
    return {decision.scan: decision for decision in decisions}


def judged_otherwise(decisions: Iterable[Decision], digests: Mapping[str, str]) -> list[Decision]:
    """Return the decisions whose scan has changed since it was judged.

    Parameters
    ----------
    decisions
        Decisions that hold.
    digests
        Scan -> digest of its raw values now; about a scan that is not there nothing is told.
    """
    return [
        decision
        for decision in decisions
        if decision.scan_sha256
        and digests.get(decision.scan, decision.scan_sha256) != decision.scan_sha256
    ]


def change_told(changed: Sequence[Decision]) -> list[str]:
    """Return a warning about scans that changed after their decision; none if none did.

    Examples
    --------
    >>> change_told([Decision("p1-2", "exclude", "clip open", "A. Grower", "2026-05-08")])[0]
    'p1-2 has changed since A. Grower decided to exclude it (2026-05-08); the decision still \
holds, so look again: leafledger review'
    """
    if not changed:
        return []
    if len(changed) == 1:
        (one,) = changed
        when = f" ({one.when})" if one.when else ""
        return [
            f"{one.scan} has changed since {one.by} decided to {one.action} it{when}; the decision "
            "still holds, so look again: leafledger review"
        ]
    named = ", ".join(f"{d.scan} ({d.action}, {d.by})" for d in changed[:_MOST_NAMED])
    more = f" and {len(changed) - _MOST_NAMED} more" if len(changed) > _MOST_NAMED else ""
    return [
        f"{len(changed)} scans have changed since a person decided about them: {named}{more}; the "
        "decisions still hold, so look again: leafledger review"
    ]


def decisions_of(sheet: Sheet, scans: Collection[str]) -> tuple[list[Decision], list[Problem]]:
    """Return the decisions of a sheet in file order, and every problem of its rows."""
    problems: list[Problem] = []
    decisions: list[Decision] = []
    valid = sorted(scans)
    for row in sheet.rows:
        decision = Decision(*(row.get(name) for name in (*COLUMNS, SCAN_DIGEST)))
        decisions.append(decision)
        if decision.scan not in scans:
            problems.append(
                _problem(
                    row,
                    "scan",
                    quoted(decision.scan),
                    "a leaf scan of the scan sheet",
                    nearest(decision.scan, valid) if len(problems) < MOST_PROBLEMS else "",
                )
            )
        if decision.action not in ACTIONS:
            problems.append(
                _problem(
                    row,
                    "action",
                    quoted(decision.action),
                    "exclude or keep",
                    nearest(decision.action, ACTIONS),
                )
            )
        if decision.scan_sha256 and not is_digest(decision.scan_sha256):
            problems.append(
                _problem(
                    row,
                    SCAN_DIGEST,
                    quoted(decision.scan_sha256),
                    "64 hexadecimal digits, as the review writes them, or an empty cell",
                    "Leave the cell empty in a row made by hand.",
                )
            )
        for column in ("reason", "by"):
            if not row.get(column):
                problems.append(
                    _problem(
                        row,
                        column,
                        "an empty cell",
                        "a reason and a name for every decision",
                        "A decision without them cannot be defended later; fill it in.",
                    )
                )
    return decisions, problems


def _problem(row: Row, column: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(
        file=FILE, row=row.line, column=column, found=found, expected=expected, mend=mend
    )
