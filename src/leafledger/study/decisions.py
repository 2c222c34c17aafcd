"""Decisions that a person took about scans, with the reason and the name."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import MOST_PROBLEMS, InputFault, Problem, bounded, nearest, quoted
from leafledger.study.sheets import Row, Sheet, read_sheet

FILE = "decisions.csv"
COLUMNS = ("scan", "action", "reason", "by", "when")
ACTIONS = ("exclude", "keep")


@dataclass(frozen=True)
class Decision:
    """One row of ``decisions.csv``; where a scan has several, the last one holds."""

    scan: str
    action: str
    reason: str
    by: str
    when: str


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
        read_sheet(path, shown, required=COLUMNS, comments=True), samples
    )
    if problems:
        raise InputFault(bounded(problems))
    return decisions


def standing(decisions: Iterable[Decision]) -> dict[str, Decision]:
    """Return scan -> the decision that holds: of several for one scan, the last."""
    return {decision.scan: decision for decision in decisions}


def decisions_of(sheet: Sheet, scans: Collection[str]) -> tuple[list[Decision], list[Problem]]:
    """Return the decisions of a sheet in file order, and every problem of its rows."""
    problems: list[Problem] = []
    decisions: list[Decision] = []
    valid = sorted(scans)
    for row in sheet.rows:
        decision = Decision(*(row.get(name) for name in COLUMNS))
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
