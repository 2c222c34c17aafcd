"""What a person decided about single scans: `decisions.csv`."""

from __future__ import annotations

import csv
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem, nearest, quoted

COLUMNS = ("scan", "action", "reason", "by", "when")
ACTIONS = ("exclude", "keep")


@dataclass(frozen=True)
class Decision:
    """One decision: exclude or keep this scan, why, who, when."""

    scan: str
    action: str
    reason: str
    by: str
    when: str


def read_decisions(path: Path, shown: str, samples: Collection[str]) -> dict[str, Decision]:
    """Return scan -> its decision; of several rows for one scan the last wins.

    Parameters
    ----------
    path
        The file; lines that begin with ``#`` and unknown columns are passed over.
    shown
        Its path in messages.
    samples
        Ids of the leaf scans of the study.

    Raises
    ------
    InputFault
        With every row at fault: unknown scan, unknown action, no reason, no name.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputFault(
            Problem(shown, "bytes that are not UTF-8", "UTF-8 text", "Save the file as UTF-8.")
        ) from None
    records = list(_records(text))
    if not records:
        return {}
    head = [name.strip() for name in records[0][1]]
    problems = [
        Problem(
            shown,
            f"no column {quoted(name)}",
            ", ".join(COLUMNS),
            "Add the column to the heading.",
            row=records[0][0],
        )
        for name in COLUMNS
        if name not in head
    ]
    if problems:
        raise InputFault(problems)
    decisions: dict[str, Decision] = {}
    for number, record in records[1:]:
        cells = [cell.strip() for cell in record]
        row = dict(zip(head, [*cells, *[""] * len(head)], strict=False))
        decision = Decision(*(row[name] for name in COLUMNS))
        problems += _problems(decision, shown, number, samples)
        decisions[decision.scan] = decision
    if problems:
        raise InputFault(problems)
    return decisions


def _records(text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield (line number, cells) of every record; comments and empty lines are passed over."""
    pending: list[str] = []
    start = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if not pending and (not line.strip() or line.lstrip().startswith("#")):
            continue
        start = start if pending else number
        pending.append(line)
        # An odd number of quotes: a cell goes on in the next line.
        if "\n".join(pending).count('"') % 2 == 0:
            yield start, next(csv.reader(["\n".join(pending)]))
            pending = []
    if pending:
        yield start, next(csv.reader(["\n".join(pending)]))


def _problems(
    decision: Decision, shown: str, number: int, samples: Collection[str]
) -> list[Problem]:
    found: list[Problem] = []
    if decision.scan not in samples:
        found.append(
            Problem(
                shown,
                f"scan {quoted(decision.scan)}",
                "the id of a leaf scan of the study",
                f"{nearest(decision.scan, sorted(samples))} A reference scan is left out by "
                "removing its row from the scan sheet.",
                row=number,
                column="scan",
            )
        )
    if decision.action not in ACTIONS:
        found.append(
            Problem(
                shown,
                quoted(decision.action),
                "exclude or keep",
                nearest(decision.action, ACTIONS),
                row=number,
                column="action",
            )
        )
    for name, value in (("reason", decision.reason), ("by", decision.by)):
        if not value:
            found.append(
                Problem(
                    shown,
                    "nothing",
                    "why the decision was made" if name == "reason" else "who decided",
                    f"Every decision needs a {'reason' if name == 'reason' else 'name'}.",
                    row=number,
                    column=name,
                )
            )
    return found
