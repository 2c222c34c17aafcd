"""Decisions that a person took about scans, with the reason and the name."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from leafledger.errors import Problem, nearest, quoted
from leafledger.study.sheets import Row, Sheet

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


def decisions_of(sheet: Sheet, scans: Collection[str]) -> tuple[list[Decision], list[Problem]]:
    """Return the decisions of a sheet in file order, and every problem of its rows."""
    problems: list[Problem] = []
    decisions: list[Decision] = []
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
                    nearest(decision.scan, sorted(scans)),
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
