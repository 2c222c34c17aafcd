"""Where does a result come from: which files, which settings, which code, whose decision?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from leafledger.ledger.target import Target, find_target
from leafledger.ledger.trace_inputs import (
    SheetRead,
    groups_of,
    indices_asked,
    sheets_read,
    tasks_told_of,
)
from leafledger.ledger.view import BookView, in_data_order, task_of
from leafledger.records.code import code_of
from leafledger.records.digests import FileDigests
from leafledger.records.record import Record
from leafledger.study.columns import STATED
from leafledger.study.defaults import Setting, settings_told
from leafledger.study.layout import BY_NAME, VARIANTS
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision


@dataclass(frozen=True)
class GivenFile:
    """A file that a person wrote, at the content that was read."""

    path: str
    sha256: str
    read_by: str


@dataclass
class Node:
    """One task that a result rests on.

    Attributes
    ----------
    task, rule, session
        The task.
    record
        Digest of its record.
    run, when, seconds
        The run that computed it, and when; ``None`` where no event was kept.
    settings
        Its settings, those that differ from the defaults first.
    package, code, libraries
        The code that did it.
    reads
        The tasks before it.
    files
        The files of a person's hand that it read.
    outputs
        Path -> digest of what it wrote.
    decisions
        The decisions that it applied.
    seeds
        Its seeds of chance.
    """

    task: str
    rule: str
    session: str | None
    record: str
    run: str | None
    when: str | None
    seconds: float | None
    settings: list[Setting]
    package: str
    code: str
    libraries: dict[str, str]
    reads: list[str] = field(default_factory=list)
    files: list[GivenFile] = field(default_factory=list)
    outputs: dict[str, str] = field(default_factory=dict)
    decisions: list[Decision] = field(default_factory=list)
    seeds: dict[str, int] = field(default_factory=dict)


@dataclass
class Lineage:
    """All that a target rests on.

    Attributes
    ----------
    target
        What was asked for.
    broken
        Links that no longer hold, in words; empty if the target can be believed.
    nodes
        The tasks, the last first; empty for a file of a person's hand.
    used_by
        For a file of a person's hand: the tasks that read it or rest on what came of it.
    run
        The last run in which the target stood.
    sheets
        The study's own sheets as that run read them.
    groups
        Treatment -> its units, as the task nearest to the target was told of them.
    indices
        What the catalogue says of the indices in the rows asked for: formula, source, unit.
    """

    target: Target
    broken: list[str]
    nodes: dict[str, Node]
    used_by: list[str]
    run: str | None
    sheets: list[SheetRead] = field(default_factory=list)
    groups: dict[str, list[str]] = field(default_factory=dict)
    indices: list[dict[str, Any]] = field(default_factory=list)


def trace(folder: Path, asked: str) -> Lineage:
    """Return what a result rests on, back to raw files and decisions.

    Parameters
    ----------
    folder
        The study folder.
    asked
        A path (``results/effects.csv``), a digest, or a value
        (``effects.csv#index=PRI,method=paired_t``).

    Raises
    ------
    InputFault
        If no run of the book knows what was asked for.
    """
    book = BookView(folder)
    return _Tracer(book).lineage(find_target(book, asked))


class _Tracer:
    def __init__(self, book: BookView) -> None:
        self.book = book
        self.digests = FileDigests(book.folder)
        self.broken: list[str] = []
        self.nodes: dict[str, Node] = {}
        self.records: dict[str, Record] = {}

    def lineage(self, target: Target) -> Lineage:
        if target.now != target.sha256:
            gone = "is missing" if target.now is None else "has another content now"
            self._tell(f"{target.path} {gone}; this is the lineage of the content {target.sha256}")
        run = self.book.versions.get(target.record) if target.record else None
        if target.record is not None:
            self._follow(target.record, run)
        order = list(reversed(in_data_order(list(self.nodes))))
        nodes = {name: self.nodes[name] for name in order}
        if target.record is None or run is None:
            run, used_by = self._reading(target)
            return Lineage(target, self.broken, nodes, used_by, run)
        sheets = sheets_read(self.book, run, self.records)
        for sheet in sheets:
            if sheet.matters:
                self._tell(sheet.change)
        groups = groups_of(self.records[name] for name in order)
        indices = indices_asked(self.book, run, target.rows)
        return Lineage(target, self.broken, nodes, [], run, sheets, groups, indices)

    def _reading(self, target: Target) -> tuple[str | None, list[str]]:
        """Return the last run that read a file of a person's hand, and the tasks it reached."""
        tasks = self._readers(target)
        for run in reversed(self.book.runs):
            if run["study"].get(target.path) == target.sha256 and not tasks:
                return run["run"], tasks_told_of(self.book.records_of(run), target.path)
        return None, tasks

    def _tell(self, text: str) -> None:
        if text not in self.broken:
            self.broken.append(text)

    def _readers(self, target: Target) -> list[str]:
        """Return the tasks that read a file at this content, or rest on what came of it."""
        records = {digest: self.book.record(digest) for digest in self.book.versions}
        reached: set[str] = set()
        new = {(target.path, target.sha256)}
        tasks: set[str] = set()
        while new:
            given, new = new, set()
            for digest, record in records.items():
                if record is None or digest in reached:
                    continue
                if any((i["path"], i["sha256"]) in given for i in record["inputs"]):
                    reached.add(digest)
                    tasks.add(task_of(record))
                    new |= {(o["path"], o["sha256"]) for o in record["outputs"]}
        return in_data_order(list(tasks))

    def _follow(self, start: str, run: str | None) -> None:
        waiting, elsewhere, in_place = [start], list[str](), True
        done: set[str] = set()
        while waiting or elsewhere:
            if not waiting:
                # The results of variants stood in place during their runs and no longer do.
                waiting, elsewhere, in_place = elsewhere, [], False
            digest = waiting.pop()
            if digest in done:
                continue
            done.add(digest)
            record = self.book.record(digest)
            if record is None:
                self._tell(f"the record {digest} was not kept, or its copy was changed")
                continue
            node = self._node(record, digest)
            name = node.task if node.task not in self.nodes else f"{node.task} ({digest[:8]})"
            self.nodes[name] = node
            self.records[name] = record
            self._check_code(record)
            own, of_variants = _by_place(record)
            waiting += self._sources(own, node, run, in_place)
            elsewhere += self._sources(of_variants, node, run, False)

    def _node(self, record: Record, digest: str) -> Node:
        event = self.book.made.get(record["key"], {})
        return Node(
            task=task_of(record),
            rule=record["rule"],
            session=record["session"],
            record=digest,
            run=event.get("run") or self.book.first_run_of(digest),
            when=event.get("started"),
            seconds=event.get("seconds"),
            settings=settings_told(record),
            package=record["code"]["package"],
            code=record["code"]["sha256"],
            libraries=record["libraries"],
            outputs={output["path"]: output["sha256"] for output in record["outputs"]},
            seeds=record["seeds"],
        )

    def _check_code(self, record: Record) -> None:
        if record["rule"] not in BY_NAME:
            self._tell(f"the installed version knows no stage {record['rule']}")
            return
        now = code_of(BY_NAME[record["rule"]].module)
        if now.sha256 != record["code"]["sha256"]:
            made = record["code"]["sha256"][:12]
            told = f"(version {record['code']['package']}, {made}...)"
            self._tell(f"{record['rule']} was made by other code {told} than is installed")
        for name in sorted({*now.libraries, *record["libraries"]}):
            then, today = record["libraries"].get(name), now.libraries.get(name)
            if then != today and now.sha256 == record["code"]["sha256"]:
                self._tell(f"{record['rule']} was made with {name} {then}; {today} is installed")

    def _sources(
        self, inputs: list[dict[str, Any]], node: Node, run: str | None, in_place: bool
    ) -> Iterator[str]:
        for given in inputs:
            path, sha256 = given["path"], given["sha256"]
            if path.startswith("records/"):
                self._check_file(path, sha256)
                yield sha256
                if self.book.record(sha256) is not None:
                    node.reads.append(path.removeprefix("records/").removesuffix(".json"))
                continue
            makers = self.book.makers.get((path, sha256), [])
            if makers:
                if in_place:
                    self._check_file(path, sha256)
                maker = self._of_the_run(makers, run)
                made = self.book.record(maker)
                if made is not None and task_of(made) not in node.reads:
                    node.reads.append(task_of(made))
                yield maker
            elif path.startswith("results/"):
                self._tell(f"no record tells who made {path} with the content {sha256[:12]}...")
            else:
                self._check_file(path, sha256)
                node.files.append(GivenFile(path, sha256, node.task))
                if path == DECISIONS:
                    node.decisions = self._decisions(sha256)

    def _of_the_run(self, makers: list[str], run: str | None) -> str:
        """Of several records with equal outputs, return the one that stood in the same run."""
        if len(makers) > 1 and run is not None:
            stood = set(self.book.run(run)["records"].values())
            return next((maker for maker in makers if maker in stood), makers[-1])
        return makers[-1]

    def _check_file(self, path: str, sha256: str) -> None:
        now = self.digests.of(path)
        if now is None:
            self._tell(f"{path} is missing")
        elif now != sha256:
            self._tell(f"{path} has another content now than was read")

    def _decisions(self, sha256: str) -> list[Decision]:
        decisions = self.book.decisions(sha256)
        if decisions is None:
            self._tell(f"the decisions that were applied ({sha256[:12]}...) were not kept")
        return decisions or []


def _by_place(record: Record) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the inputs that stand in place, and those that a table has of runs of variants."""
    if record["rule"] != VARIANTS.name:
        return record["inputs"], []
    own = [given for given in record["inputs"] if given["role"].endswith(f"/{STATED}")]
    return own, [given for given in record["inputs"] if given not in own]


def as_json(lineage: Lineage) -> dict[str, Any]:
    """Return a lineage as plain JSON values."""
    target = lineage.target
    return {
        "target": {
            "path": target.path,
            "sha256": target.sha256,
            "sha256_now": target.now,
            "rows": [{k: _plain(v) for k, v in row.items()} for row in target.rows],
        },
        "run": lineage.run,
        "broken": lineage.broken,
        "used_by": lineage.used_by,
        "sheets": [asdict(sheet) for sheet in lineage.sheets],
        "groups": lineage.groups,
        "indices": lineage.indices,
        "tasks": [
            asdict(node) | {"settings": [asdict(s) | {"changed": s.changed} for s in node.settings]}
            for node in lineage.nodes.values()
        ],
        "files": [asdict(given) for node in lineage.nodes.values() for given in node.files],
    }


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool | int):
        return value
    return float(value) if value == value else None
