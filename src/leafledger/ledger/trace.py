"""Where does a result come from: which files, settings, code, whose decision?

A target (a file, a digest, one value of a table) is followed from record to record by the digests
of what each task read, back to the files that a person wrote.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, input_fault, nearest, quoted
from leafledger.ledger.view import BookView, changed_settings, in_data_order, task_name
from leafledger.records import events
from leafledger.records.digests import FileDigests, code_of
from leafledger.records.record import Record
from leafledger.study.rules import BY_NAME, VARIANTS
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision
from leafledger.study.settings import Setting, settings_of_record
from leafledger.study.sheets import UNITS
from leafledger.study.study import Task, outputs
from leafledger.study.tables import STATED

if TYPE_CHECKING:
    import pandas as pd


# The target: a file, a digest, or one value of a table
# ----------------------------------------------------------------------

_DIGEST = re.compile(r"(sha256:)?[0-9a-f]{8,64}")
_MOST_ROWS = 20


@dataclass(frozen=True)
class Target:
    """A file of the study at one content.

    Attributes
    ----------
    path
        Path in the study folder.
    sha256
        The content asked for.
    record
        Digest of the record that made it; ``None`` for a file that a person wrote.
    now
        Digest of what is at ``path`` now, ``None`` if nothing is.
    rows
        The rows asked for, if it was a value of a table.
    """

    path: str
    sha256: str
    record: str | None
    now: str | None
    rows: tuple[Mapping[str, Any], ...] = ()


def find_target(book: BookView, query: str) -> Target:
    """Return what was asked for.

    Raises
    ------
    InputFault
        If no run of the book knows it, or the table has no such row.
    """
    name, _, row_query = query.partition("#")
    if _DIGEST.fullmatch(name) and not (book.folder / name).exists():
        return _by_digest(book, name.removeprefix("sha256:"))
    target = _by_path(book, name)
    return replace(target, rows=_rows(book, target, row_query)) if row_query else target


def _target(book: BookView, path: str, sha256: str, record: str | None) -> Target:
    return Target(path, sha256, record, book.sha256_now(path))


def _by_path(book: BookView, name: str) -> Target:
    versions: dict[str, tuple[str, str | None]] = {}
    output_versions: dict[str, tuple[str, str | None]] = {}
    for task, (_run, digest) in book.standing.items():
        record = book.record(digest)
        for given in record["inputs"] if record else []:
            versions.setdefault(given["path"], (given["sha256"], None))
        output_versions[f"records/{task}.json"] = (digest, digest)
        for output in record["outputs"] if record else []:
            output_versions[output["path"]] = (output["sha256"], digest)
    versions |= output_versions
    for sheet, (_run, digest) in book.sheets.items():
        versions.setdefault(sheet, (digest, None))
    plain, absolute = Path(name).as_posix(), Path(name).resolve()
    possible = [plain, f"results/{plain}"]
    if absolute.is_relative_to(book.folder):
        possible.insert(0, absolute.relative_to(book.folder).as_posix())
    path = next((path for path in possible if path in versions), None)
    if path is None:
        short = {path.removeprefix("results/"): path for path in versions}
        close = get_close_matches(plain.removeprefix("results/"), short, n=3)
        raise input_fault(
            file=name or "TARGET",
            found="a file that no run of the book knows",
            expected="a result, a raw file, a sheet, a record, or a digest",
            mend=f"Is it {' or '.join(short[close_name] for close_name in close)}?"
            if close
            else "Name it by its path in the study folder, such as results/effects.csv.",
        )
    return _target(book, path, *versions[path])


def _by_digest(book: BookView, start: str) -> Target:
    """Return the newest content whose digest begins so: of an output, a record or an input."""
    for digest, path, sha256, record in _contents(book):
        if digest.startswith(start):
            return _target(book, path, sha256, record)
    raise input_fault(
        file=start,
        found="a digest that no record of the book holds",
        expected="the SHA-256 of a result, raw file, sheet or record, or its first 8 digits",
        mend="`sha256sum FILE` prints the digest of a file.",
    )


def _contents(book: BookView) -> Iterator[tuple[str, str, str, str | None]]:
    """Yield a digest that names it, path, content and record of all in the book, newest first."""
    for digest in reversed(list(book.versions)):
        record = book.record(digest)
        if record is None:
            continue
        yield digest, f"records/{task_name(record)}.json", digest, digest
        for output in record["outputs"]:
            yield output["sha256"], output["path"], output["sha256"], digest
        first = record["outputs"][0]
        yield record["key"].removeprefix("sha256:"), first["path"], first["sha256"], digest
        for given in record["inputs"]:
            if not given["path"].startswith(("results/", "records/")):
                yield given["sha256"], given["path"], given["sha256"], None
    for run in reversed(book.runs):
        for name, digest in run["study"].items():
            yield digest, name, digest, None


def _rows(book: BookView, target: Target, row_query: str) -> tuple[Mapping[str, Any], ...]:
    """Return the rows that ``column=value,column=value`` names; a value may hold commas."""
    path, suffix = target.path, Path(target.path).suffix
    record = book.record(target.record) if target.record else None
    file = book.content_at(record, path) if record else book.kept_file(target.sha256)
    if file is None or suffix not in {".csv", ".parquet"}:
        raise input_fault(
            file=path,
            found="no table, or one whose recorded content is gone",
            expected="a CSV or Parquet table of results/, or a CSV sheet, as it was recorded",
            mend="Run the study again, or ask for the file without `#`.",
        )
    table = _table(file, suffix)
    parts = re.split(r",(?=[A-Za-z_][A-Za-z_0-9]*=)", row_query)
    if any("=" not in part for part in parts):
        raise _no_such(path, None, row_query, "Write column=value, parted by commas.")
    for name, value in (part.split("=", 1) for part in parts):
        if name not in table.columns:
            raise _no_such(path, name, name, nearest(name, list(table.columns)))
        values = table[name].astype(str)
        if not (values == value).any():
            raise _no_such(path, name, value, nearest(value, sorted(set(values))))
        table = table.loc[values == value]
    rows = table.head(_MOST_ROWS).to_dict(orient="records")
    return tuple({str(k): v for k, v in row.items() if v not in {"", None}} for row in rows)


def _no_such(path: str, column: str | None, found: str, mend: str) -> InputFault:
    expected = "column=value of rows that the table has"
    mend = mend or "Look into the table for its columns and values."
    return input_fault(path, quoted(found), expected, mend, column)


def _table(path: Path, suffix: str) -> pd.DataFrame:
    """Return a table as text: what is written in the file, not a number read from it."""
    import pandas as pd

    if suffix == ".csv":
        return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
    from leafledger.study.table_files import read_parquet

    return read_parquet(path, with_spectra=False)


# What a result rests on besides files: sheets, treatments, formulas of indices
# ----------------------------------------------------------------------
# A stage is given settings, not sheets. Which sheets those were cut from, each run's entry says.

_CATALOGUE = outputs(Task("catalogue"))["catalogue"]


@dataclass(frozen=True)
class SheetRead:
    """One of the study's own sheets as a run read it.

    Attributes
    ----------
    path, sha256
        The sheet and its content then.
    now
        Digest of its content now, ``None`` if it is gone.
    change
        Empty if the sheet is as it was; else what its change does, in words.
    matters
        Whether a setting that the result rests on is another one now.
    """

    path: str
    sha256: str
    now: str | None
    change: str = ""
    matters: bool = False


def sheets_read(book: BookView, run: str, tasks: Mapping[str, Record]) -> list[SheetRead]:
    """Return the sheets that a run read, each with what has become of it.

    Decisions are left out: acceptance reads that file, and its lineage tells of it. So are sheets
    that only tasks besides these read as files, such as assays for a result without pigments.

    Parameters
    ----------
    book
        The book of runs.
    run
        The run in which the result stood last.
    tasks
        Task -> record of all that the result rests on.
    """
    entry = book.run(run)
    standing = [record for name, record in tasks.items() if name in entry["records"]]
    elsewhere = _paths_read(book.records_of(entry).values()) - _paths_read(tasks.values())
    sheets: list[SheetRead] = []
    reason: str | None = None
    for path, sha256 in entry["study"].items():
        if path == DECISIONS or path in elsewhere:
            continue
        now = book.sha256_now(path)
        if now == sha256:
            sheets.append(SheetRead(path, sha256, now))
            continue
        if reason is None:
            reason = changed_settings(book.folder, standing, entry.get("variant")) or ""
        what = "is missing" if now is None else f"has another content now than run {run} read"
        change = f"{path} {what}" + (f"; {reason}" if reason else ", in nothing that this rests on")
        matters = bool(reason) or now is None
        sheets.append(SheetRead(path, sha256, now, change, matters))
    return sheets


def _paths_read(records: Iterable[Record]) -> set[str]:
    return {entry["path"] for record in records for entry in record["inputs"]}


def treatment_groups(records: Iterable[Record]) -> dict[str, list[str]]:
    """Return treatment -> its units, as the first task that was given them knew them.

    Empty if none was, or the design names no treatment.
    """
    for record in records:
        settings = record["settings"]
        treatment = settings.get("design", {}).get("treatment")
        if "units" in settings and treatment:
            groups: dict[str, list[str]] = {}
            for unit, labels in settings["units"].items():
                groups.setdefault(str(labels.get(treatment, "")), []).append(str(unit))
            if groups.keys() - {""}:
                return groups  # the classifier is given the labels of its target only
    return {}


def index_definitions(
    book: BookView, run: str, rows: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return what the run's catalogue says of the indices in the rows asked for.

    Parameters
    ----------
    book, run
        The book and the run in which the rows stood last.
    rows
        Rows of a table; those with a column ``index`` name one.

    Returns
    -------
    list of dict
        index, name, formula, published_formula, unit, source and more, as in
        ``indices/catalogue.json``.
    """
    names = list(dict.fromkeys(str(row["index"]) for row in rows if "index" in row))
    if not names:
        return []
    path = book.content_at(book.records_of(book.run(run)).get("catalogue"), _CATALOGUE)
    catalogue = (events.readable(path) if path is not None else None) or {}
    entries = {str(entry["index"]): dict(entry) for entry in catalogue.get("indices", [])}
    return [entries[index] for index in names if index in entries]


def tasks_using_sheet(records: Mapping[str, Record], sheet: str) -> list[str]:
    """Return the tasks whose settings are cut from a sheet, then those that rest on them.

    Parameters
    ----------
    records
        Task -> record of a run.
    sheet
        ``study.yaml``, the sheet of units, or any other: the scan sheet.
    """
    first = {name for name, record in records.items() if _uses(record["settings"], sheet)}
    return [*in_data_order([*first]), *in_data_order([*_resting_on(records, first)])]


def _uses(settings: Mapping[str, Any], sheet: str) -> bool:
    if sheet == "study.yaml":
        return True
    if sheet in UNITS:
        return "units" in settings or "treatments" in settings.get("design", {})
    return "scans" in settings


def _resting_on(records: Mapping[str, Record], first: Collection[str]) -> set[str]:
    reached = {*first}
    while True:
        paths = {o["path"] for name in reached for o in records[name]["outputs"]}
        paths |= {f"records/{name}.json" for name in reached}
        more = {
            name
            for name, record in records.items()
            if name not in reached and any(given["path"] in paths for given in record["inputs"])
        }
        if not more:
            return reached - {*first}
        reached |= more


# The lineage: from record to record, back to what a person wrote
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class RawFile:
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
    files: list[RawFile] = field(default_factory=list)
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
        Treatment -> its units, as the task nearest to the target knew them.
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


def trace(folder: Path, query: str) -> Lineage:
    """Return what a result rests on, back to raw files and decisions.

    Parameters
    ----------
    folder
        The study folder.
    query
        A path (``results/effects.csv``), a digest, or a value
        (``effects.csv#index=PRI,method=paired_t``).

    Raises
    ------
    InputFault
        If no run of the book knows what was asked for.
    """
    book = BookView(folder)
    return _Tracer(book).lineage(find_target(book, query))


class _Tracer:
    def __init__(self, book: BookView) -> None:
        self.book = book
        self.digests = FileDigests(book.folder)
        self.broken: list[str] = []
        self.nodes: dict[str, Node] = {}
        self.records: dict[str, Record] = {}

    def lineage(self, target: Target) -> Lineage:
        if target.now != target.sha256:
            state = "is missing" if target.now is None else "has another content now"
            self._add_broken(
                f"{target.path} {state}; this is the lineage of the content {target.sha256}"
            )
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
                self._add_broken(sheet.change)
        groups = treatment_groups(self.records[name] for name in order)
        indices = index_definitions(self.book, run, target.rows)
        return Lineage(target, self.broken, nodes, [], run, sheets, groups, indices)

    def _reading(self, target: Target) -> tuple[str | None, list[str]]:
        """Return the last run that read a file of a person's hand, and the tasks it reached."""
        tasks = self._readers(target)
        for run in reversed(self.book.runs):
            if run["study"].get(target.path) == target.sha256 and not tasks:
                return run["run"], tasks_using_sheet(self.book.records_of(run), target.path)
        return None, tasks

    def _add_broken(self, text: str) -> None:
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
                    tasks.add(task_name(record))
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
                self._add_broken(f"the record {digest} was not kept, or its copy was changed")
                continue
            node = self._node(record, digest)
            name = node.task if node.task not in self.nodes else f"{node.task} ({digest[:8]})"
            self.nodes[name] = node
            self.records[name] = record
            self._check_code(record)
            stated, of_variants = _by_place(record)
            waiting += self._sources(stated, node, run, in_place)
            elsewhere += self._sources(of_variants, node, run, False)

    def _node(self, record: Record, digest: str) -> Node:
        event = self.book.made.get(record["key"], {})
        return Node(
            task=task_name(record),
            rule=record["rule"],
            session=record["session"],
            record=digest,
            run=event.get("run") or self.book.first_run_of(digest),
            when=event.get("started"),
            seconds=event.get("seconds"),
            settings=settings_of_record(record),
            package=record["code"]["package"],
            code=record["code"]["sha256"],
            libraries=record["libraries"],
            outputs={output["path"]: output["sha256"] for output in record["outputs"]},
            seeds=record["seeds"],
        )

    def _check_code(self, record: Record) -> None:
        if record["rule"] not in BY_NAME:
            self._add_broken(f"the installed version knows no stage {record['rule']}")
            return
        now = code_of(BY_NAME[record["rule"]].module)
        if now.sha256 != record["code"]["sha256"]:
            recorded_code = (
                f"version {record['code']['package']}, {record['code']['sha256'][:12]}..."
            )
            self._add_broken(
                f"{record['rule']} was made by other code ({recorded_code}) than is installed"
            )
        for name in sorted({*now.libraries, *record["libraries"]}):
            then, today = record["libraries"].get(name), now.libraries.get(name)
            if then != today and now.sha256 == record["code"]["sha256"]:
                self._add_broken(
                    f"{record['rule']} was made with {name} {then}; {today} is installed"
                )

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
                maker_record = self.book.record(maker)
                if maker_record is not None and task_name(maker_record) not in node.reads:
                    node.reads.append(task_name(maker_record))
                yield maker
            elif path.startswith("results/"):
                self._add_broken(
                    f"no record tells who made {path} with the content {sha256[:12]}..."
                )
            else:
                self._check_file(path, sha256)
                node.files.append(RawFile(path, sha256, node.task))
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
            self._add_broken(f"{path} is missing")
        elif now != sha256:
            self._add_broken(f"{path} has another content now than was read")

    def _decisions(self, sha256: str) -> list[Decision]:
        decisions = self.book.decisions(sha256)
        if decisions is None:
            self._add_broken(f"the decisions that were applied ({sha256[:12]}...) were not kept")
        return decisions or []


def _by_place(record: Record) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the inputs that stand in place, and those that a table has of runs of variants."""
    if record["rule"] != VARIANTS.name:
        return record["inputs"], []
    in_place = [given for given in record["inputs"] if given["role"].endswith(f"/{STATED}")]
    return in_place, [given for given in record["inputs"] if given not in in_place]


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
