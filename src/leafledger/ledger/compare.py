"""What differs between two runs, what came of it, and what changed from run to run?

Two runs are compared by their records: first what went in, then what came out, then which of the
differences can have caused which other results.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.ledger.book import why_said_otherwise
from leafledger.ledger.view import BookView, in_data_order
from leafledger.records import events
from leafledger.records.digests import sha256_of_file
from leafledger.records.record import ABSENT as _ABSENT
from leafledger.records.record import Record, settings_differ
from leafledger.study.rules import PLAN_HISTORY
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision, standing
from leafledger.study.table_files import read_csv
from leafledger.study.tables import EFFECTS_KEY

if TYPE_CHECKING:
    import pandas as pd


# What went in: settings, files, decisions, code, libraries
# ----------------------------------------------------------------------

Run = Mapping[str, Any]


@dataclass
class Difference:
    """One thing that is not the same in two runs.

    Attributes
    ----------
    kind
        ``setting``, ``sheet``, ``file``, ``decision``, ``code``, ``library``, ``task``, ``book``
        or ``machine``.
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
        if self.kind == "book":
            return f"what the book says of the plan: {self.before} -> {self.after} ({self.name})"
        return f"{self.kind} {self.name}: {self.before} -> {self.after}"


def _content_words(before: str, after: str) -> str:
    if _ABSENT in {before, after}:
        return "added" if before == _ABSENT else "no longer read"
    return f"another content ({before[:12]}... -> {after[:12]}...)"


def differences_of(book: BookView, first: Run, second: Run) -> list[Difference]:
    """Return all that differs in what went into two runs, in the order of the data.

    Tasks that only one of them has are named as such and their settings left out.
    """
    before, after = book.records_of(first), book.records_of(second)
    # Only some tasks are given the name of the column with the treatment.
    designs = (record["settings"].get("design") or {} for record in after.values())
    treatment = next((str(d["treatment"]) for d in designs if d.get("treatment")), "treatment")
    merged: dict[tuple[str, str, str, str], Difference] = {}
    for task in in_data_order([*{*before, *after}]):
        if before.get(task) == after.get(task):
            continue
        if task == PLAN_HISTORY.name:  # it is made of the book alone
            said = why_said_otherwise(book, (first, second), (before.get(task), after.get(task)))
            new = Difference("book", *said, tasks=[task])
            merged[new.kind, new.name, new.before, new.after] = new
            continue
        for new in _of_a_task(book, task, before.get(task), after.get(task), treatment):
            difference = merged.setdefault((new.kind, new.name, new.before, new.after), new)
            if task not in difference.tasks:
                difference.tasks.append(task)
    return [*merged.values(), *_machine(book, first, second)]


def _of_a_task(
    book: BookView, task: str, before: Record | None, after: Record | None, treatment: str
) -> Iterator[Difference]:
    if before is None or after is None:
        states = ("stood", "not run") if before else ("not run", "stands")
        yield Difference("task", task, *states)
        return
    for setting in settings_differ(before, after, treatment):
        kind = "sheet" if setting.of_sheet else "setting"
        yield Difference(kind, setting.name, setting.before, setting.after)
    for path, then, now in _changes(_by_hand(before), _by_hand(after)):
        if path == DECISIONS:
            yield from _decisions(book, then, now)
        else:
            yield Difference("file", path, then, now)
    if before["code"]["sha256"] != after["code"]["sha256"]:
        yield Difference("code", after["rule"], before["code"]["sha256"], after["code"]["sha256"])
    for library, then, now in _changes(before["libraries"], after["libraries"]):
        yield Difference("library", library, then, now)


def _changes(before: Mapping[str, str], after: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Return name, value before and value after of all that is not the same."""
    pairs = ((n, before.get(n), after.get(n)) for n in sorted({*before, *after}))
    return [(n, then or _ABSENT, now or _ABSENT) for n, then, now in pairs if then != now]


def _by_hand(record: Record) -> dict[str, str]:
    """Return path -> digest of the inputs that a person wrote."""
    result_folders = ("results/", "records/")
    return {
        i["path"]: i["sha256"] for i in record["inputs"] if not i["path"].startswith(result_folders)
    }


def _decisions(book: BookView, before: str, after: str) -> Iterator[Difference]:
    then, now = (standing(book.decisions(digest) or []) for digest in (before, after))
    changed = [scan for scan in sorted({*then, *now}) if then.get(scan) != now.get(scan)]
    for scan in changed:
        yield Difference("decision", scan, _words(then.get(scan)), _words(now.get(scan)))
    if not changed:
        yield Difference("file", DECISIONS, before, after)


def _words(decision: Decision | None) -> str:
    if decision is None:
        return "none"
    return f"{decision.action} ({decision.reason}; {decision.by})"


def _machine(book: BookView, first: Run, second: Run) -> Iterator[Difference]:
    for name in ("package", "python"):
        if first[name] != second[name]:
            yield Difference("machine", name, str(first[name]), str(second[name]))
    before, after = (_kernels(book, run) for run in (first, second))
    # Of a run that was ended before it computed anything none is known: nothing has changed then.
    if before and after and before != after:
        yield Difference("machine", "linear algebra kernel", before, after)


def _kernels(book: BookView, run: Run) -> str:
    """Return the kernels by which the results of a run were computed; empty if none is known."""
    task_events = [book.made.get(record["key"], {}) for record in book.records_of(run).values()]
    return ", ".join(sorted({str(event["kernel"]) for event in task_events if event.get("kernel")}))


# What came out: indices, effects, accuracy, with the size of the change
# ----------------------------------------------------------------------

Records = Mapping[str, Record]
_UNITS = "results/unit_indices.csv"
_EFFECTS = "results/effects.csv"
_INDEX_KEY = ("unit", "session", "index")
_KEPT = ("primary", "estimate", "p", "verdict", "unit")
_MOST = 10


@dataclass(frozen=True)
class NumberChange:
    """A number that is not the same in two runs; ``None`` where a run does not have it."""

    name: str
    before: float | None
    after: float | None

    @property
    def change(self) -> float | None:
        """After minus before."""
        return None if self.before is None or self.after is None else self.after - self.before


@dataclass(frozen=True)
class IndexChange:
    """How far the unit means of one index moved."""

    index: str
    n_changed: int
    n_means: int
    largest: float
    where: str


@dataclass(frozen=True)
class EffectChange:
    """How one row of the effects moved."""

    key: str
    primary: bool
    before: float | None
    after: float | None
    change: float | None
    unit: str
    p_before: float | None
    p_after: float | None
    verdict_before: str
    verdict_after: str


@dataclass
class ResultChanges:
    """All that differs in the results of two runs.

    Attributes
    ----------
    tasks
        Tasks whose outputs are not the same bytes.
    numbers
        Headline numbers of the records that differ.
    indices
        Per index that moved; ``None`` where the tables are no longer kept.
    effects
        Rows that moved most, the primary one first; ``None`` where the tables are gone.
    n_effects, n_verdicts
        How many rows moved, and how many changed their verdict.
    other_columns
        Columns of the effects, besides what `effects` shows, with values that moved.
    other_files
        Other files of the effects that are not the same bytes.
    gone
        What could not be compared, in words.
    """

    tasks: list[str] = field(default_factory=list)
    numbers: list[NumberChange] = field(default_factory=list)
    indices: list[IndexChange] | None = None
    effects: list[EffectChange] | None = None
    n_effects: int = 0
    n_verdicts: int = 0
    other_columns: list[str] = field(default_factory=list)
    other_files: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)


def result_changes(book: BookView, before: Records, after: Records) -> ResultChanges:
    """Return what differs in the results of two runs, each given by its records."""
    changes = ResultChanges(
        tasks=[
            task
            for task in in_data_order(list(after))
            if task in before and _outputs(before[task]) != _outputs(after[task])
        ]
    )
    then, now = headline(before), headline(after)
    changes.numbers = [
        NumberChange(name, then.get(name), now.get(name))
        for name in dict.fromkeys([*then, *now])
        if then.get(name) != now.get(name)
    ]
    if "unit_means" in changes.tasks:
        tables = _tables(book, before["unit_means"], after["unit_means"], _UNITS)
        if isinstance(tables, str):
            changes.gone.append(tables)
        else:
            changes.indices = _index_changes(*tables)
    if "effects" in changes.tasks:
        tables = _tables(book, before["effects"], after["effects"], _EFFECTS)
        if isinstance(tables, str):
            changes.gone.append(tables)
        else:
            effects = _effect_changes(*tables)
            changes.n_effects = len(effects)
            changes.n_verdicts = sum(c.verdict_before != c.verdict_after for c in effects)
            changes.effects = effects[:_MOST]
            changes.other_columns = _other_columns(*tables)
            files, files_now = _outputs(before["effects"]), _outputs(after["effects"])
            changes.other_files = [
                path
                for path, digest in files_now.items()
                if path != _EFFECTS and files.get(path) != digest
            ]
    return changes


def _outputs(record: Record) -> dict[str, str]:
    return {output["path"]: output["sha256"] for output in record["outputs"]}


def headline(records: Records) -> dict[str, float]:
    """Return the numbers that the records tell of: ``effects.primary_estimate`` and so on."""
    return {
        f"{task}.{metric['name']}": float(metric["value"])
        for task, record in records.items()
        for metric in record["metrics"]
    }


def _tables(
    book: BookView, before: Record, after: Record, path: str
) -> tuple[pd.DataFrame, pd.DataFrame] | str:
    """Return both versions of a table, or why they cannot be compared."""
    places = {
        name: book.content_at(record, path)
        for name, record in (("first", before), ("second", after))
    }
    missing = " and ".join(name for name, file in places.items() if file is None)
    if missing:
        return f"{path} of the {missing} run is no longer kept: headline numbers only"
    before_table, after_table = (read_csv(file) for file in places.values() if file)
    needed = {*_INDEX_KEY, "mean"} if path == _UNITS else {*EFFECTS_KEY, *_KEPT}
    if needed <= set(before_table.columns) and needed <= set(after_table.columns):
        return before_table, after_table
    return f"{path} had other columns in one of the runs: headline numbers only"


def _index_changes(before: pd.DataFrame, after: pd.DataFrame) -> list[IndexChange]:
    key = list(_INDEX_KEY)
    both = before[[*key, "mean"]].merge(after[[*key, "mean"]], on=key, how="outer")
    moved = (both["mean_y"] - both["mean_x"]).abs()
    in_one_only = both["mean_x"].isna() != both["mean_y"].isna()
    both["moved"], both["differs"] = moved.fillna(0.0), (moved > 0) | in_one_only
    changes = []
    for index, group in both.groupby("index", sort=True):
        if not group["differs"].any():
            continue
        most = group.sort_values("moved", kind="stable").to_dict(orient="records")[-1]
        changes.append(
            IndexChange(
                index=str(index),
                n_changed=int(group["differs"].sum()),
                n_means=len(group),
                largest=float(most["mean_y"] - most["mean_x"]) if most["moved"] > 0 else 0.0,
                where=f"{most['unit']} {most['session']}",
            )
        )
    return changes


def _effect_changes(before: pd.DataFrame, after: pd.DataFrame) -> list[EffectChange]:
    """Return the rows that differ: the primary first, then other verdicts, then the largest."""
    key = list(EFFECTS_KEY)
    both = before[[*key, *_KEPT]].merge(after[[*key, *_KEPT]], on=key, how="outer")
    changes = []
    for row in both.to_dict(orient="records"):
        then, now = _number(row["estimate_x"]), _number(row["estimate_y"])
        p = _number(row["p_x"]), _number(row["p_y"])
        verdicts = _word(row["verdict_x"]), _word(row["verdict_y"])
        if then == now and p[0] == p[1] and verdicts[0] == verdicts[1]:
            continue
        changes.append(
            EffectChange(
                key=", ".join(f"{name}={row[name]}" for name in key),
                primary=row["primary_x"] is True or row["primary_y"] is True,
                before=then,
                after=now,
                change=None if then is None or now is None else now - then,
                unit=_word(row["unit_y"]) or _word(row["unit_x"]),
                p_before=p[0],
                p_after=p[1],
                verdict_before=verdicts[0],
                verdict_after=verdicts[1],
            )
        )
    return sorted(changes, key=_weight)


def _other_columns(before: pd.DataFrame, after: pd.DataFrame) -> list[str]:
    """Return the columns that moved in rows which both tables have, and those of one table only."""
    key = list(EFFECTS_KEY)
    compared = {*key, "estimate", "p", "verdict"}
    columns = [c for c in after.columns if c in set(before.columns) - compared]
    both = before[[*key, *columns]].merge(after[[*key, *columns]], on=key)
    then, now = both[[f"{c}_x" for c in columns]], both[[f"{c}_y" for c in columns]]
    moved = [c for c, x, y in zip(columns, then, now, strict=True) if not both[x].equals(both[y])]
    return [*moved, *sorted(set(before.columns) ^ set(after.columns))]


def _weight(change: EffectChange) -> tuple[bool, bool, float, str]:
    scale = max(abs(change.before or 0.0), abs(change.after or 0.0)) or 1.0
    relative = abs(change.change or 0.0) / scale
    other_verdict = change.verdict_before != change.verdict_after
    return (not change.primary, not other_verdict, -relative, change.key)


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and value == value else None


def _word(value: Any) -> str:
    return value if isinstance(value, str) else ""


# Which difference can have caused which other result
# ----------------------------------------------------------------------


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
    runs = book.run(first), book.run(second)
    before, after = (book.records_of(run) for run in runs)
    comparison = Comparison(
        before=runs[0]["run"],
        after=runs[1]["run"],
        differences=differences_of(book, *runs),
        results=result_changes(book, before, after),
    )
    _explain(comparison, before, after)
    for run, records in zip(runs, (before, after), strict=True):
        what, notes = f"run {run['run']}", comparison.notes
        if run.get("variant"):
            notes.append(f"{what} is of the variant {run['variant']}")
        if run["outcome"] != "done":
            how = "is at work" if run["outcome"] == "running" else f"ended as {run['outcome']}"
            notes.append(f"{what} {how}" + (f": {run['message']}" if run["message"] else ""))
        for task in sorted(set(run["records"]) - set(records)):
            notes.append(f"the record of {task} in {what} is no longer kept whole")
    return comparison


def _explain(comparison: Comparison, before: Records, after: Records) -> None:
    """Fill in which differences can have caused which results.

    A stage's outputs follow from its inputs, settings and code alone. A difference therefore
    reaches a task only on a way along which every output (or record, where that is what is read)
    differs too.
    """
    changed = set(comparison.results.tasks) | (set(before) ^ set(after))
    reached: dict[str, set[int]] = {}
    for task in in_data_order([*{*before, *after}]):
        reached[task] = {n for n, d in enumerate(comparison.differences) if task in d.tasks}
        for source, by_record in _read_by(task, before, after):
            if source in changed or (by_record and before.get(source) != after.get(source)):
                reached[task] |= reached.get(source, set())
    machine = {n for n, d in enumerate(comparison.differences) if d.kind == "machine"}
    for task in in_data_order(comparison.results.tasks):
        if reached[task]:
            comparison.causes[task] = sorted(reached[task])
        else:
            comparison.unexplained.append(task)
            comparison.causes[task] = sorted(machine)
    used = machine.union(*comparison.causes.values())
    comparison.without_effect = [n for n in range(len(comparison.differences)) if n not in used]


def _read_by(task: str, before: Records, after: Records) -> set[tuple[str, bool]]:
    """Return the tasks that a task reads in either run, and whether it reads their record."""
    sources: set[tuple[str, bool]] = set()
    for records in (before, after):
        if task not in records:
            continue
        read = {given["path"] for given in records[task]["inputs"]}
        for other, record in records.items():
            if any(output["path"] in read for output in record["outputs"]):
                sources.add((other, False))
            if f"records/{other}.json" in read:
                sources.add((other, True))
    return sources


def as_json(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as plain JSON values, each difference with its words."""
    differences = [asdict(d) | {"sentence": d.sentence()} for d in comparison.differences]
    numbers = [asdict(n) | {"change": n.change} for n in comparison.results.numbers]
    results = asdict(comparison.results) | {"numbers": numbers}
    return asdict(comparison) | {"differences": differences, "results": results}


# The comparison as lines for a person to read
# ----------------------------------------------------------------------

_MOST_LINES = 12
_COUNTS = 1e15  # below it a whole number is shown whole, as bytes and scans are counted
_TITLES = {
    "setting": "Settings",
    "sheet": "Rows of the sheets",
    "file": "Files",
    "decision": "Decisions",
    "code": "Code",
    "library": "Libraries",
    "task": "Tasks",
    "book": "Book",
    "machine": "Machine",
}

_KINDS = {"sheet": "row of", "book": "the book:"}


def comparison_lines(comparison: Comparison) -> Iterator[str]:
    """Yield a comparison line by line: what went in, what came out, which caused which."""
    yield f"{comparison.before} -> {comparison.after}"
    yield from (f"  note: {note}" for note in comparison.notes)
    if not comparison.differences:
        yield "Nothing differs in settings, files, decisions, code and libraries."
    for kind, title in _TITLES.items():
        of_kind = [d for d in comparison.differences if d.kind == kind]
        if of_kind:
            yield f"{title}:"
            yield from (f"  {d.sentence()}" for d in of_kind[:_MOST_LINES])
            if len(of_kind) > _MOST_LINES:
                yield f"  and {len(of_kind) - _MOST_LINES} more (all with --json)"
    yield from _results(comparison)
    yield from _causes(comparison)


def _results(comparison: Comparison) -> Iterator[str]:
    results = comparison.results
    if not results.tasks:
        yield "The results are the same, byte for byte."
        return
    yield "Results that differ: " + ", ".join(results.tasks)
    for number in results.numbers[:_MOST_LINES]:
        change = "" if number.change is None else f"   ({_signed(number.change)})"
        yield f"  {number.name}: {_shown(number.before)} -> {_shown(number.after)}{change}"
    if len(results.numbers) > _MOST_LINES:
        yield f"  and {len(results.numbers) - _MOST_LINES} more numbers (all with --json)"
    for index in results.indices or []:
        yield (
            f"  {index.index}: {index.n_changed} of {index.n_means} unit means moved, "
            f"at most by {index.largest:+.4g} ({index.where})"
        )
    if results.effects:
        yield f"  {_moved(results)}:"
        for effect in results.effects:
            yield from _effect(effect)
    elif results.effects is not None:
        moved = results.other_columns or results.other_files or ["the order of rows or columns"]
        yield f"  no estimate, p or verdict of the effects moved, but {', '.join(moved)} did"
    yield from (f"  {text}" for text in results.gone)


def _moved(results: ResultChanges) -> str:
    """Return how many effects moved, and which of them are shown."""
    count, n_shown = results.n_effects, len(results.effects or [])
    rows = "1 row" if count == 1 else f"{count} rows"
    text = f"{rows} of effects moved, {results.n_verdicts} with another verdict"
    if count > n_shown:
        text += f"; {n_shown} shown: the primary one, other verdicts, then the largest moves"
    return text


def _effect(effect: EffectChange) -> Iterator[str]:
    yield f"    {effect.key}" + ("   (primary)" if effect.primary else "")
    change = "" if effect.change is None else f" ({effect.change:+.4g})"
    verdict = effect.verdict_after or "not there"
    if effect.verdict_before != effect.verdict_after:
        verdict = f"{effect.verdict_before or 'not there'} -> {verdict}"
    yield (
        f"      {_shown(effect.before)} -> {_shown(effect.after)}{change}, "
        f"p {_shown(effect.p_before)} -> {_shown(effect.p_after)}, {verdict}"
    )


def _shown(value: float | None) -> str:
    if value is None:
        return "none"
    return f"{value:.0f}" if value == int(value) and abs(value) < _COUNTS else f"{value:.6g}"


def _signed(change: float) -> str:
    if change == int(change) and abs(change) < _COUNTS:
        return f"{change:+.0f}"
    return f"{change:+.4g}"


def _causes(comparison: Comparison) -> Iterator[str]:
    by_cause: dict[tuple[int, ...], list[str]] = {}
    for task, causes in comparison.causes.items():
        by_cause.setdefault(tuple(causes), []).append(task)
    if any(by_cause):
        yield "What can have caused it (only what is upstream can):"
    for indices, tasks in by_cause.items():
        if not indices:
            continue
        responsible = [comparison.differences[index] for index in indices]
        yield f"  {', '.join(tasks)}"
        yield f"    from {_named(responsible)}"
    if comparison.unexplained:
        yield (
            "  Not explained by any recorded setting, file, decision, code or library: "
            + ", ".join(comparison.unexplained)
        )
    if comparison.without_effect:
        responsible = [comparison.differences[index] for index in comparison.without_effect]
        yield f"Without effect on any result: {_named(responsible)}"


def _named(differences: list[Difference]) -> str:
    names = list(dict.fromkeys(f"{_KINDS.get(d.kind, d.kind)} {d.name}" for d in differences))
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return "; ".join(names[:4]) + more


# The runs in time: what changed from one to the next, and the headline results
# ----------------------------------------------------------------------

HEADLINE = (
    "effects.primary_estimate",
    "effects.primary_p",
    "classes.accuracy",
    "classes.n_components",
)
_MOST_CHANGES = 3


def run_history(folder: Path, book: BookView | None = None) -> list[dict[str, Any]]:
    """Return the runs in the order of the chain, each with what changed since the one before.

    A run that was interrupted is compared with none, and none with it: it may hold a part only.
    The run of a variant is compared with the run before it of the study as stated, and none with
    it.
    """
    book = book or BookView(folder)
    history: list[dict[str, Any]] = []
    before: Run | None = None
    for run in book.runs:
        numbers, done = headline(book.records_of(run)), run["outcome"] == "done"
        changed = [] if before is None else differences_of(book, before, run)
        history.append(
            {
                **{name: run[name] for name in ("run", "started", "ended", "outcome", "message")},
                "variant": run.get("variant"),
                "person": run.get("about", {}).get("person"),
                "tasks": [
                    {name: event[name] for name in ("task", "outcome", "seconds")}
                    for event in book.events(run["run"])
                ],
                # A run that did not end well says only what its finished tasks say.
                "changed": [d.sentence() for d in changed if done or d.kind != "task"],
                "headline": {name: numbers[name] for name in HEADLINE if name in numbers},
            }
        )
        if run["records"] and done and not run.get("variant"):
            before = run
    return history


def chain_head(folder: Path) -> str:
    """Return the digest of the newest run's file, which stands for the whole chain.

    Raises
    ------
    InputFault
        If there is no run.
    """
    newest = BookView(folder).run("latest")["run"]
    return sha256_of_file(folder / events.RUNS / f"{newest}.json")


def tasks_ran(outcomes: Iterable[str]) -> str:
    """Return how many tasks of a run were computed and how many put back, as a run lists them.

    Examples
    --------
    >>> tasks_ran(["done", "restored", "restored"]), tasks_ran([])
    ('1 task ran, 2 restored', '0 tasks ran')
    """
    counts = Counter(outcomes)
    ran = f"{counts['done']} task{'s' * (counts['done'] != 1)} ran"
    return f"{ran}, {counts['restored']} restored" if counts["restored"] else ran


def history_lines(entry: Mapping[str, Any]) -> list[str]:
    """Return one run as lines for a person to read."""
    words = [f"variant {entry['variant']}"] if entry["variant"] else []
    words += [f"by {entry['person']}"] if entry["person"] else []
    words += [entry["message"]] if entry["message"] else []
    ran = tasks_ran(task["outcome"] for task in entry["tasks"])
    first = f"{entry['run']}  {entry['outcome']:<11} {ran}  {', '.join(words)}".rstrip()
    lines = [first]
    changed = entry["changed"]
    if changed:
        more = f"; and {len(changed) - _MOST_CHANGES} more" if len(changed) > _MOST_CHANGES else ""
        lines.append("    changed: " + "; ".join(changed[:_MOST_CHANGES]) + more)
    if entry["headline"]:
        numbers = [
            f"{name.split('.')[1].replace('_', ' ')} {value:.4g}"
            for name, value in entry["headline"].items()
        ]
        lines.append("    " + ", ".join(numbers))
    return lines
