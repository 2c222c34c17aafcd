"""The runs in time: what changed from one to the next, and the headline results."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from leafledger.ledger.differing import Difference, differing
from leafledger.ledger.result_changes import headline
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import sha256_of_file
from leafledger.study.rules import PLAN_HISTORY

HEADLINE = (
    "effects.primary_estimate",
    "effects.primary_p",
    "classes.accuracy",
    "classes.n_components",
)
_MOST = 3


def course(folder: Path) -> list[dict[str, Any]]:
    """Return the runs in the order of the chain, each with what changed since the one before.

    A run that was interrupted is compared with none, and none with it: it may hold a part only.
    The run of a variant is compared with the run before it of the study as stated, and none with
    it.
    """
    book = BookView(folder)
    told: list[dict[str, Any]] = []
    before: Mapping[str, Any] | None = None
    for run in book.runs:
        numbers = headline(book.records_of(run))
        changed = [] if before is None else _common(book, before, run)
        told.append(
            {
                "run": run["run"],
                "started": run["started"],
                "ended": run["ended"],
                "outcome": run["outcome"],
                "variant": run.get("variant"),
                "message": run["message"],
                "tasks": [
                    {"task": e["task"], "outcome": e["outcome"], "seconds": e["seconds"]}
                    for e in book.events(run["run"])
                ],
                "changed": [difference.sentence() for difference in changed],
                "headline": {name: numbers[name] for name in HEADLINE if name in numbers},
            }
        )
        if run["records"] and run["outcome"] == "done" and not run.get("variant"):
            before = run
    return told


def head_of(folder: Path) -> str:
    """Return the digest of the newest run's file, which stands for the whole chain.

    Raises
    ------
    InputFault
        If there is no run.
    """
    newest = BookView(folder).run("latest")["run"]
    return sha256_of_file(folder / events.RUNS / f"{newest}.json")


def _common(book: BookView, before: Mapping[str, Any], run: Mapping[str, Any]) -> list[Difference]:
    """Return what changed; of a run that did not end well only what its finished tasks tell."""
    found = differing(book, before, run)
    return found if run["outcome"] == "done" else [d for d in found if d.kind != "task"]


def lines(entry: Mapping[str, Any]) -> list[str]:
    """Return one run as lines for a person to read."""
    stages = [task for task in entry["tasks"] if task["task"] != PLAN_HISTORY.name]
    counts = [task["outcome"] for task in stages]
    done, restored = counts.count("done"), counts.count("restored")
    said = [f"variant {entry['variant']}"] if entry["variant"] else []
    said += [entry["message"]] if entry["message"] else []
    first = (
        f"{entry['run']}  {entry['outcome']:<11} {done:>3} ran {restored:>3} restored"
        f"  {': '.join(said)}"
    ).rstrip()
    found = [first]
    changed = entry["changed"]
    if changed:
        more = f"; and {len(changed) - _MOST} more" if len(changed) > _MOST else ""
        found.append("    changed: " + "; ".join(changed[:_MOST]) + more)
    if entry["headline"]:
        words = [
            f"{name.split('.')[1].replace('_', ' ')} {value:.4g}"
            for name, value in entry["headline"].items()
        ]
        found.append("    " + ", ".join(words))
    return found
