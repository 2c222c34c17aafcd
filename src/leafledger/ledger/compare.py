"""Two runs side by side: what differs, what came of it, and which can have caused which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from leafledger.ledger.differing import Difference, differing
from leafledger.ledger.result_changes import ResultChanges, result_changes
from leafledger.ledger.view import BookView, in_data_order
from leafledger.records.record import Record

Records = Mapping[str, Record]


@dataclass
class Comparison:
    """Two runs side by side.

    Attributes
    ----------
    before, after
        Ids of the runs.
    differences
        What differs in what went in.
    results
        What differs in what came out.
    causes
        Task with other results -> the differences, by place in ``differences``, that can have
        caused them: only what is upstream can, by outputs that differ.
    unexplained
        Tasks with other results that no recorded difference can have caused.
    without_effect
        Places of the differences that changed no result at all.
    notes
        What is not known, such as a record whose copy is gone.
    """

    before: str
    after: str
    differences: list[Difference]
    results: ResultChanges
    causes: dict[str, list[int]] = field(default_factory=dict)
    unexplained: list[str] = field(default_factory=list)
    without_effect: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def compare(folder: Path, first: str, second: str) -> Comparison:
    """Compare two runs of a study.

    Raises
    ------
    InputFault
        If one of them is not in the book.
    """
    book = BookView(folder)
    one, other = book.run(first), book.run(second)
    before, after = book.records_of(one), book.records_of(other)
    found = Comparison(
        before=one["run"],
        after=other["run"],
        differences=differing(book, one, other),
        results=result_changes(book, before, after),
    )
    _explain(found, before, after)
    for run, records in ((one, before), (other, after)):
        if run.get("variant"):
            found.notes.append(f"run {run['run']} is of the variant {run['variant']}")
        if run["outcome"] != "done":
            found.notes.append(f"run {run['run']} ended as {run['outcome']}: {run['message']}")
        for task in sorted(set(run["records"]) - set(records)):
            found.notes.append(f"the record of {task} in run {run['run']} is no longer kept whole")
    return found


def _explain(found: Comparison, before: Records, after: Records) -> None:
    """Tell which differences can have caused which results.

    A stage's outputs follow from its inputs, settings and code alone. A difference therefore
    reaches a task only on a way along which every output (or record, where that is what is read)
    differs too.
    """
    own: dict[str, set[int]] = {}
    for place, difference in enumerate(found.differences):
        for task in difference.tasks:
            own.setdefault(task, set()).add(place)
    lone = set(before) ^ set(after)
    changed = set(found.results.tasks) | lone
    reached: dict[str, set[int]] = {}
    for task in in_data_order([*{*before, *after}]):
        reached[task] = set(own.get(task, set()))
        for source, by_record in _read_by(task, before, after):
            if source in changed or (by_record and before.get(source) != after.get(source)):
                reached[task] |= reached.get(source, set())
    machine = {p for p, d in enumerate(found.differences) if d.kind == "machine"}
    for task in in_data_order(found.results.tasks):
        if reached[task]:
            found.causes[task] = sorted(reached[task])
        else:
            found.unexplained.append(task)
            found.causes[task] = sorted(machine)
    used = {place for causes in found.causes.values() for place in causes}
    found.without_effect = [
        place for place in range(len(found.differences)) if place not in used | machine
    ]


def _read_by(task: str, before: Records, after: Records) -> set[tuple[str, bool]]:
    """Return the tasks that a task reads in either run, and whether it reads their record."""
    found: set[tuple[str, bool]] = set()
    for records in (before, after):
        if task not in records:
            continue
        read = {given["path"] for given in records[task]["inputs"]}
        for other, record in records.items():
            if any(output["path"] in read for output in record["outputs"]):
                found.add((other, False))
            if f"records/{other}.json" in read:
                found.add((other, True))
    return found


def as_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison as plain JSON values, each difference with its words."""
    told = [asdict(d) | {"sentence": d.sentence()} for d in found.differences]
    numbers = [asdict(n) | {"change": n.change} for n in found.results.numbers]
    results = asdict(found.results) | {"numbers": numbers}
    return asdict(found) | {"differences": told, "results": results}
