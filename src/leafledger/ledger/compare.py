"""What differs between two runs, what came of it, and what changed from run to run?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.ledger.view import BookView, in_data_order
from leafledger.records import events
from leafledger.records.digests import sha256_of_file
from leafledger.records.record import Record
from leafledger.records.settings_differ import ABSENT as _ABSENT
from leafledger.records.settings_differ import settings_differ
from leafledger.study.columns import EFFECTS_KEY, FLAGS, TEXT
from leafledger.study.rules import PLAN_HISTORY
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision, standing
from leafledger.study.tables import read_csv

if TYPE_CHECKING:
    import pandas as pd


# What differs between two runs in what went in: settings, files, decisions, code, libraries.
# ----------------------------------------------------------------------

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


# What two runs found, side by side: indices, effects, accuracy, with the size of the change.
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
    found = ResultChanges()
    for task in in_data_order(list(after)):
        if task in before and _outputs(before[task]) != _outputs(after[task]):
            found.tasks.append(task)
    found.numbers = _numbers(before, after)
    tables = _both(book, before, after, "unit_means", _UNITS, found)
    if tables:
        found.indices = _index_changes(*tables)
    tables = _both(book, before, after, "effects", _EFFECTS, found)
    if tables:
        changes = _effect_changes(*tables)
        found.n_effects = len(changes)
        found.n_verdicts = sum(c.verdict_before != c.verdict_after for c in changes)
        found.effects = changes[:_MOST]
        found.other_columns = _other_columns(*tables)
        then, now = _outputs(before["effects"]), _outputs(after["effects"])
        found.other_files = [f for f in now if f != _EFFECTS and then.get(f) != now[f]]
    return found


def _outputs(record: Record) -> dict[str, str]:
    return {output["path"]: output["sha256"] for output in record["outputs"]}


def _numbers(before: Records, after: Records) -> list[NumberChange]:
    then, now = headline(before), headline(after)
    return [
        NumberChange(name, then.get(name), now.get(name))
        for name in dict.fromkeys([*then, *now])
        if then.get(name) != now.get(name)
    ]


def headline(records: Records) -> dict[str, float]:
    """Return the numbers that the records tell of: ``effects.primary_estimate`` and so on."""
    return {
        f"{task}.{metric['name']}": float(metric["value"])
        for task, record in records.items()
        for metric in record["metrics"]
    }


def _both(
    book: BookView, before: Records, after: Records, task: str, path: str, found: ResultChanges
) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Return both versions of a table; ``None`` if they are equal or one is gone."""
    if task not in before or task not in after or task not in found.tasks:
        return None
    places = [book.content_at(records[task], path) for records in (before, after)]
    one, other = places
    if one is None or other is None:
        which = " and ".join(
            name for name, place in zip(("first", "second"), places, strict=True) if place is None
        )
        found.gone.append(f"{path} of the {which} run is no longer kept: headline numbers only")
        return None
    tables = _read(one), _read(other)
    wanted = {*_INDEX_KEY, "mean"} if path == _UNITS else {*EFFECTS_KEY, *_KEPT}
    if all(wanted <= set(table.columns) for table in tables):
        return tables
    found.gone.append(f"{path} had other columns in one of the runs: headline numbers only")
    return None


def _read(place: Path) -> pd.DataFrame:
    return read_csv(place, text=tuple(TEXT), flags=tuple(FLAGS))


def _index_changes(before: pd.DataFrame, after: pd.DataFrame) -> list[IndexChange]:
    key = list(_INDEX_KEY)
    both = before[[*key, "mean"]].merge(after[[*key, "mean"]], on=key, how="outer")
    moved = (both["mean_y"] - both["mean_x"]).abs()
    there = both["mean_x"].isna() != both["mean_y"].isna()
    both["moved"], both["differs"] = moved.fillna(0.0), (moved > 0) | there
    found = []
    for index, group in both.groupby("index", sort=True):
        if not group["differs"].any():
            continue
        most = group.sort_values("moved", kind="stable").to_dict(orient="records")[-1]
        found.append(
            IndexChange(
                index=str(index),
                n_changed=int(group["differs"].sum()),
                n_means=len(group),
                largest=float(most["mean_y"] - most["mean_x"]) if most["moved"] > 0 else 0.0,
                where=f"{most['unit']} {most['session']}",
            )
        )
    return found


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
    told = {*key, "estimate", "p", "verdict"}
    wanted = [c for c in after.columns if c in set(before.columns) - told]
    both = before[[*key, *wanted]].merge(after[[*key, *wanted]], on=key)
    then, now = both[[f"{c}_x" for c in wanted]], both[[f"{c}_y" for c in wanted]]
    moved = [c for c, x, y in zip(wanted, then, now, strict=True) if not both[x].equals(both[y])]
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


# Two runs side by side: what differs, what came of it, and which can have caused which.
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


# Two runs side by side as lines for a person to read.
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
    "machine": "Machine",
}

_KINDS = {"sheet": "row of"}


def comparison_lines(found: Comparison) -> Iterator[str]:
    """Yield a comparison line by line: what went in, what came out, which caused which."""
    yield f"{found.before} -> {found.after}"
    yield from (f"  note: {note}" for note in found.notes)
    if not found.differences:
        yield "Nothing differs in settings, files, decisions, code and libraries."
    for kind, title in _TITLES.items():
        some = [d for d in found.differences if d.kind == kind]
        if some:
            yield f"{title}:"
            yield from (f"  {d.sentence()}" for d in some[:_MOST_LINES])
            if len(some) > _MOST_LINES:
                yield f"  and {len(some) - _MOST_LINES} more (all with --json)"
    yield from _results(found)
    yield from _causes(found)


def _results(found: Comparison) -> Iterator[str]:
    results = found.results
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
    count, shown = results.n_effects, len(results.effects or [])
    rows = "1 row" if count == 1 else f"{count} rows"
    text = f"{rows} of effects moved, {results.n_verdicts} with another verdict"
    if count > shown:
        text += f"; {shown} shown: the primary one, other verdicts, then the largest moves"
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


def _causes(found: Comparison) -> Iterator[str]:
    by_cause: dict[tuple[int, ...], list[str]] = {}
    for task, causes in found.causes.items():
        by_cause.setdefault(tuple(causes), []).append(task)
    if any(by_cause):
        yield "What can have caused it (only what is upstream can):"
    for places, tasks in by_cause.items():
        if not places:
            continue
        some = [found.differences[place] for place in places]
        yield f"  {', '.join(tasks)}"
        yield f"    from {_named(some)}"
    if found.unexplained:
        yield (
            "  Not explained by any recorded setting, file, decision, code or library: "
            + ", ".join(found.unexplained)
        )
    if found.without_effect:
        some = [found.differences[place] for place in found.without_effect]
        yield f"Without effect on any result: {_named(some)}"


def _named(some: list[Difference]) -> str:
    names = list(dict.fromkeys(f"{_KINDS.get(d.kind, d.kind)} {d.name}" for d in some))
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return "; ".join(names[:4]) + more


# The runs in time: what changed from one to the next, and the headline results.
# ----------------------------------------------------------------------

HEADLINE = (
    "effects.primary_estimate",
    "effects.primary_p",
    "classes.accuracy",
    "classes.n_components",
)
_MOST_CHANGES = 3


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


def history_lines(entry: Mapping[str, Any]) -> list[str]:
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
        more = f"; and {len(changed) - _MOST_CHANGES} more" if len(changed) > _MOST_CHANGES else ""
        found.append("    changed: " + "; ".join(changed[:_MOST_CHANGES]) + more)
    if entry["headline"]:
        words = [
            f"{name.split('.')[1].replace('_', ' ')} {value:.4g}"
            for name, value in entry["headline"].items()
        ]
        found.append("    " + ", ".join(words))
    return found
