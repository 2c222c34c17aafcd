"""What differs between two runs in what went in: settings, files, decisions, code, libraries."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from leafledger.ledger.view import BookView, in_data_order
from leafledger.records.record import Record
from leafledger.records.settings_differ import ABSENT as _ABSENT
from leafledger.records.settings_differ import settings_differ
from leafledger.study.layout import PLAN_HISTORY
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision, standing

Run = Mapping[str, Any]


@dataclass
class Difference:
    """One thing that is not the same in two runs.

    Attributes
    ----------
    kind
        ``setting``, ``sheet``, ``file``, ``decision``, ``code``, ``library``, ``task`` or
        ``machine``.
    name
        What it is: a setting's name, a path, a scan, a stage, a library.
    before, after
        What it was and what it is.
    tasks
        The tasks that see it.
    """

    kind: str
    name: str
    before: str
    after: str
    tasks: list[str] = field(default_factory=list)

    def sentence(self) -> str:
        """Return the difference in words."""
        if self.kind in {"setting", "sheet", "task"}:
            return f"{self.name}: {self.before} -> {self.after}"
        if self.kind == "file":
            return f"file {self.name}: {_content_words(self.before, self.after)}"
        if self.kind == "code":
            return f"code of {self.name}: {self.before[:12]} -> {self.after[:12]}"
        return f"{self.kind} {self.name}: {self.before} -> {self.after}"


def _content_words(before: str, after: str) -> str:
    if _ABSENT in {before, after}:
        return "added" if before == _ABSENT else "no longer read"
    return f"another content ({before[:12]}... -> {after[:12]}...)"


def differing(book: BookView, one: Run, other: Run) -> list[Difference]:
    """Return all that differs in what went into two runs, in the order of the data.

    Tasks that only one of them has are told as such and their settings left out.
    """
    before, after = book.records_of(one), book.records_of(other)
    treatment = _treatment(after)
    merged: dict[tuple[str, str, str, str], Difference] = {}
    for task in in_data_order([*{*before, *after}]):
        if before.get(task) == after.get(task) or task == PLAN_HISTORY.name:
            continue  # what the book says of the plan follows from the plans, told as settings
        for found in _of_a_task(book, task, before.get(task), after.get(task), treatment):
            known = merged.setdefault((found.kind, found.name, found.before, found.after), found)
            if task not in known.tasks:
                known.tasks.append(task)
    return [*merged.values(), *_machine(book, one, other)]


def _of_a_task(
    book: BookView, task: str, before: Record | None, after: Record | None, treatment: str
) -> Iterator[Difference]:
    if before is None or after is None:
        there = "stood" if before else "stands"
        yield Difference("task", task, *(("stood", "not run") if before else ("not run", there)))
        return
    yield from _settings(before, after, treatment)
    yield from _files(book, before, after)
    if before["code"]["sha256"] != after["code"]["sha256"]:
        yield Difference("code", after["rule"], before["code"]["sha256"], after["code"]["sha256"])
    for name in sorted({*before["libraries"], *after["libraries"]}):
        then, now = before["libraries"].get(name), after["libraries"].get(name)
        if then != now:
            yield Difference("library", name, then or _ABSENT, now or _ABSENT)


def _settings(before: Record, after: Record, treatment: str) -> Iterator[Difference]:
    for found in settings_differ(before, after, treatment):
        kind = "sheet" if found.of_sheet else "setting"
        yield Difference(kind, found.name, found.before, found.after)


def _treatment(records: Mapping[str, Record]) -> str:
    """Return the column of units.csv with the treatment: only some tasks are told its name."""
    designs = (record["settings"].get("design") or {} for record in records.values())
    return next((str(d["treatment"]) for d in designs if d.get("treatment")), "treatment")


def _files(book: BookView, before: Record, after: Record) -> Iterator[Difference]:
    then, now = _by_hand(before), _by_hand(after)
    for path in sorted({*then, *now}):
        if then.get(path) == now.get(path):
            continue
        if path == DECISIONS:
            yield from _decisions(book, then.get(path), now.get(path))
        else:
            yield Difference("file", path, then.get(path, _ABSENT), now.get(path, _ABSENT))


def _by_hand(record: Record) -> dict[str, str]:
    """Return path -> digest of the inputs that a person wrote."""
    made = ("results/", "records/")
    return {i["path"]: i["sha256"] for i in record["inputs"] if not i["path"].startswith(made)}


def _decisions(book: BookView, before: str | None, after: str | None) -> Iterator[Difference]:
    then = standing(book.decisions(before) or []) if before else {}
    now = standing(book.decisions(after) or []) if after else {}
    changed = [scan for scan in sorted({*then, *now}) if then.get(scan) != now.get(scan)]
    for scan in changed:
        yield Difference("decision", scan, _words(then.get(scan)), _words(now.get(scan)))
    if not changed:
        yield Difference("file", DECISIONS, before or _ABSENT, after or _ABSENT)


def _words(decision: Decision | None) -> str:
    if decision is None:
        return "none"
    return f"{decision.action} ({decision.reason}; {decision.by})"


def _machine(book: BookView, one: Run, other: Run) -> Iterator[Difference]:
    for name in ("package", "python"):
        if one[name] != other[name]:
            yield Difference("machine", name, str(one[name]), str(other[name]))
    kernels = [_kernels(book, run) for run in (one, other)]
    # Of a run that was ended before it computed anything none is known: nothing has changed then.
    if all(kernels) and kernels[0] != kernels[1]:
        yield Difference("machine", "linear algebra kernel", kernels[0], kernels[1])


def _kernels(book: BookView, run: Run) -> str:
    """Return the kernels by which the results of a run were computed; empty if none is known."""
    made = [book.made.get(record["key"], {}) for record in book.records_of(run).values()]
    found = sorted({str(event["kernel"]) for event in made if event.get("kernel")})
    return ", ".join(found)
