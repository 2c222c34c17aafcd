"""How do a run and a lineage read: the name, answer and description of a run, a result traced back?

A list of ids and 140 numbers answers nobody. A run is named by what changed since the run before;
a handful of numbers and three tags say what it found; its description holds the findings in words.
All of it follows from the book of runs: ``leafledger verify`` holds the store against it.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from leafledger.ledger.compare import Difference, differences_of
from leafledger.ledger.trace import Lineage, Node
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.record import ABSENT, Record
from leafledger.study.rules import PLAN_HISTORY, PLAN_HISTORY_FILE
from leafledger.study.settings import Setting, name_of
from leafledger.study.table_files import read_csv, read_json
from leafledger.study.written_plan import mark_of
from leafledger.words import counted, decimals, number, p_text

# A run in the list of runs
# ----------------------------------------------------------------------

LONGEST_TAG = 5000
"""Characters that MLflow takes of a tag."""
_LONGEST_SHOWN = 200
"""Of a run's name."""
MetricValue = tuple[str, float, int]
"""Name, value and step."""

# Its answer
# ----------------------------------------------------------------------

ANSWER = "answer/"
"""Numbers under this name come before all others in MLflow, in a section of their own."""
PRIMARY_TAG, VERDICT_TAG, CHANGED_TAG = "primary contrast", "verdict", "what changed"
INTERVAL = f"{ANSWER}interval_low"
_OF_RECORDS = (
    ("effects", "primary_estimate"),
    ("effects", "primary_p"),
    ("classes", "accuracy"),
    ("acceptance", "n_scans_excluded"),
)
_EFFECTS_TABLE, _EFFECTS_WORDS = "results/effects.csv", "results/effects.json"
_CLASSES_WORDS = "results/classes/summary.json"
_FIRST_RUN, _NOTHING = "first run", "nothing changed"
_UNALLOCATED = "design.unallocated"
_MOST_IN_NAME = 2
_MOST_IN_NOTE = 12


@dataclass(frozen=True)
class Answer:
    """The few numbers and words that say what a run found."""

    metrics: list[MetricValue] = field(default_factory=list)
    tags: dict[str, str] = field(default_factory=dict)


def answer_of(book: BookView, records: Mapping[str, Record], with_interval: bool = True) -> Answer:
    """Return the answer of a run: estimate, interval, p, verdict, accuracy, scans excluded.

    Parameters
    ----------
    book, records
        The book of runs, and the records of one run.
    with_interval
        Whether interval and verdict are read from the table of effects, if it is still kept.
    """
    answer = Answer()
    for task, name in _OF_RECORDS:
        for metric in records[task]["metrics"] if task in records else []:
            if metric["name"].split(".")[0] == name:
                headed = name_of(f"{ANSWER}{metric['name']}")
                answer.metrics.append((headed, float(metric["value"]), 0))
    table = book.content_at(records.get("effects"), _EFFECTS_TABLE) if with_interval else None
    if table is not None:
        _add_primary(answer, table, _mark(book, records))
    return answer


def _mark(book: BookView, records: Mapping[str, Record]) -> str:
    """Return the mark of the verdict on the primary contrast by the book; empty for none."""
    path = book.content_at(records.get(PLAN_HISTORY.name), PLAN_HISTORY_FILE)
    return "" if path is None else mark_of(read_json(path))


def _add_primary(answer: Answer, path: Path, mark: str) -> None:
    """Add the primary contrasts of a table of effects: interval, and what they say in words."""
    table = read_csv(path)
    if not {"primary", "index", "contrast", "estimate", "ci_low", "ci_high"} <= set(table.columns):
        return  # of another version, or cut short
    rows = [row for row in table.to_dict(orient="records") if row["primary"] is True]
    rows = [row for row in rows if all(_is_number(row[k]) for k in ("estimate", "ci_low"))]
    results, verdicts = [], []
    for n, row in enumerate(rows, start=1):
        which = "" if len(rows) == 1 else f".{n}"
        low, high, estimate = (float(row[k]) for k in ("ci_low", "ci_high", "estimate"))
        answer.metrics.append((f"{INTERVAL}{which}", low, 0))
        answer.metrics.append((f"{ANSWER}interval_high{which}", high, 0))
        places = decimals(low, high, estimate)
        formatted = [number(value, places) for value in (estimate, low, high)]
        results.append(
            f"{row['index']} {formatted[0]} ({formatted[1]} to {formatted[2]}), {row['contrast']}"
        )
        verdicts.append(str(row["verdict"]).replace("_", " ") + (f", {mark}" if mark else ""))
    if rows:
        answer.tags[PRIMARY_TAG] = "; ".join(results)[:LONGEST_TAG]
        answer.tags[VERDICT_TAG] = "; ".join(dict.fromkeys(verdicts))[:LONGEST_TAG]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and value == value


# What changed since the run before
# ----------------------------------------------------------------------


def changes_of(book: BookView, run: events.Run) -> list[str]:
    """Return in a few words each what changed since the run before.

    The run before is the last one of the study as stated that ended well: what failed or was
    killed may hold a part only, and variants have settings of their own.

    Returns
    -------
    list of str
        ``["first run"]`` if there was none before, ``["nothing changed"]`` if nothing did.
    """
    earlier = book.runs[
        : next(n for n, entry in enumerate(book.runs) if entry["run"] == run["run"])
    ]
    whole = [r for r in earlier if r["records"] and r["outcome"] == "done" and not r.get("variant")]
    if not whole:
        return [_FIRST_RUN]
    return change_words(differences_of(book, whole[-1], run), run["outcome"] == "done")


def change_words(differences: Sequence[Difference], done: bool = True) -> list[str]:
    """Return differences in a few words each, sessions first.

    A session that was added brings its rows, files and settings with it; these are left out.

    Parameters
    ----------
    differences
        What differs from the run before.
    done
        Whether the run ended well; of one that did not, tasks that are not there say nothing.

    Examples
    --------
    >>> change_words([Difference("setting", "effects.alpha", "0.05", "0.01")])
    ['alpha 0.05 to 0.01']
    >>> change_words([Difference("task", "intake.day12", "not run", "stands"),
    ...               Difference("sheet", "scans.csv d12-p01-1", "not there", "a row")])
    ['day12 added']
    >>> change_words([Difference("file", f"raw/a{n}.txt", "1", "2") for n in range(3)])
    ['3 files changed']
    """
    tasks = {d.name: d.after == "stands" for d in differences if d.kind == "task"} if done else {}
    sessions = {n.split(".", 1)[1]: now for n, now in tasks.items() if n.startswith("intake.")}
    words = [f"{session} {'added' if now else 'taken out'}" for session, now in sessions.items()]
    words += [
        f"{name} {'added' if now else 'taken out'}" for name, now in tasks.items()
        if "." not in name and not sessions
    ]  # fmt: skip
    rest = [d for d in differences if d.kind != "task" and not _comes_with(d, sessions)]
    if any(d.name == _UNALLOCATED and d.after == ABSENT for d in differences):
        words.append("treatments allocated")
        rest = [d for d in rest if not d.name.startswith(("design.", "units.csv"))]
    settings = [d for d in rest if d.kind == "setting"]
    words += [f"{d.name.rpartition('.')[2]} {d.before} to {d.after}" for d in settings]
    words += [f"{d.name}: {_decided(d.after)}" for d in rest if d.kind == "decision"]
    for kind, noun in (("sheet", "cell"), ("file", "file")):
        n = sum(d.kind == kind for d in rest)
        words += [f"{counted(n, noun)}{' of the sheets' * (kind == 'sheet')} changed"] if n else []
    code = [d.name for d in rest if d.kind == "code"]
    if code:
        words.append(f"code of {code[0] if len(code) == 1 else counted(len(code), 'stage')}")
    words += [f"{d.name} {d.before} to {d.after}" for d in rest if d.kind in ("library", "machine")]
    return words or [_NOTHING]


def _decided(words: str) -> str:
    """Return what was decided of a scan, without who and why."""
    return "decision withdrawn" if words == "none" else words.split(" (")[0]


def _comes_with(difference: Difference, sessions: Mapping[str, bool]) -> bool:
    """Tell whether a difference is no more than that a session came or went."""
    if not sessions:
        return False
    if difference.kind in ("sheet", "file"):
        return True
    of_them = any(f".{session}" in difference.name for session in sessions)
    return difference.kind == "setting" and (of_them or difference.name.startswith("design."))


# Its name and its description
# ----------------------------------------------------------------------


def run_name(run: events.Run, changed: Sequence[str]) -> str:
    """Return the name of a run in the list of runs.

    Examples
    --------
    >>> run_name({"outcome": "done"}, ["day12 added", "alpha 0.05 to 0.01", "code of quality"])
    'day12 added, alpha 0.05 to 0.01 and 1 more'
    >>> run_name({"outcome": "failed", "variant": "no margin"}, ["first run"])
    'variant no margin (failed)'
    """
    if run.get("variant"):
        name = f"variant {run['variant']}"
    else:
        name = ", ".join(changed[:_MOST_IN_NAME])
        more = len(changed) - _MOST_IN_NAME
        name += f" and {more} more" if more > 0 else ""
    ending = "" if run["outcome"] == "done" else f" ({run['outcome'].replace('_', ' ')})"
    return f"{name[:_LONGEST_SHOWN]}{ending}"


def run_note(
    book: BookView, run: events.Run, records: Mapping[str, Record], changed: Sequence[str]
) -> str:
    """Return the description of a run, in Markdown: findings, what changed, what to heed."""
    parts = []
    if run["message"]:
        outcome = run["outcome"].replace("_", " ").capitalize()
        parts.append(f"**{outcome}.** {_plain(run['message'])}")
    words = book.content_at(records.get("effects"), _EFFECTS_WORDS)
    classes = book.content_at(records.get("classes"), _CLASSES_WORDS)
    findings = [entry["sentence"] for entry in _readable(words).get("findings", [])]
    findings += [_readable(classes)["sentence"]] if "sentence" in _readable(classes) else []
    parts += _bullets("Found", findings)
    parts += _bullets("Not yet", _readable(words).get("unfinished", {}).get("said", []))
    parts += _bullets("Changed", changed)
    warned = [f"{task}: {text}" for task, entry in records.items() for text in entry["warnings"]]
    parts += _bullets("To heed", warned)
    where = ": its page is report.html under Artifacts" if "report" in records else ""
    parts.append(f"Run {run['run']}{where}.")
    return "\n\n".join(parts)[:LONGEST_TAG]


def _readable(path: Path | None) -> dict[str, Any]:
    """Return the content of a kept JSON file; nothing where it is gone or no object."""
    try:
        content = read_json(path) if path is not None else {}
    except ValueError:
        content = {}
    return content if isinstance(content, dict) else {}


def _bullets(title: str, sentences: Sequence[str]) -> list[str]:
    if not sentences:
        return []
    lines = [f"- {_plain(sentence)}" for sentence in sentences[:_MOST_IN_NOTE]]
    more = len(sentences) - _MOST_IN_NOTE
    lines += [f"- and {more} more"] if more > 0 else []
    return ["\n".join([f"**{title}**", "", *lines])]


def _plain(text: str) -> str:
    """Return words with the characters escaped that Markdown would take for its own.

    Examples
    --------
    >>> _plain("CI_rededge: p < 0.0001")
    'CI\\\\_rededge: p &lt; 0.0001'
    """
    escaped = re.sub(r"([\\`*_{}\[\]>#|~!])", r"\\\1", " ".join(str(text).split()))
    # MLflow's reader of Markdown shows the backslash before this one sign.
    return escaped.replace("<", "&lt;")


# A lineage: a screenful in short, or all of it as a tree
# ----------------------------------------------------------------------

_LONGEST = 40
_WIDTH = 78
_MOST_ROWS = 3
_MOST_BROKEN = 5
_MOST_DECISIONS = 2
_MOST_FOLDERS = 4
_MOST_SETTINGS, _MANY_RULES = 2, 12
_MOST_UNITS = 4
_LINES_OF_ROW = 2
_ROW_WIDTH = 100
_P_COLUMNS = frozenset({"p", "p_holm", "p_bh", "p_max_t"})
_KEYS = frozenset({"verdict", "question", "method", "family"})
_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]?\d+)?")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{5,}(e[+-]?\d+)?")


def lines(lineage: Lineage, whole: bool = False) -> Iterator[str]:
    """Yield a lineage line by line, about a screenful; whether all of it holds is the last line.

    Parameters
    ----------
    lineage
        What a target rests on.
    whole
        Show every task from the target back, with every file and every setting.
    """
    target = lineage.target
    yield target.path
    yield f"  sha256 {target.sha256}"
    yield from _rows(lineage, whole)
    for index in lineage.indices:
        yield from _index(index)
    yield from _groups(lineage, whole)
    if lineage.used_by:
        yield "read by " + lineage.used_by[0]
        if len(lineage.used_by) > 1:
            yield "what rests on it: " + ", ".join(lineage.used_by[1:])
    if whole:
        yield from _tree(lineage)
        yield from (f"< {sheet.path}  {sheet.sha256}" for sheet in lineage.sheets)
    elif lineage.nodes:
        yield from _in_short(lineage)
    yield from (f"note: {s.change}" for s in lineage.sheets if s.change and not s.matters)
    yield from _verdict(lineage, whole)


def _rows(lineage: Lineage, whole: bool) -> Iterator[str]:
    """Yield the rows asked for; of one row every number, of several what each found."""
    rows = lineage.target.rows
    most = len(rows) if whole else _MOST_ROWS
    alone = whole or len(rows) == 1
    words = _contrasts(lineage) if any("contrast" in row for row in rows) else {}
    for row in rows[:most]:
        if {"question", "index", "contrast", "method"} <= row.keys():
            yield from _effect(row, words, alone)
        else:
            lines = _wrapped(_named(row), "  ")
            yield from lines if alone else lines[:_LINES_OF_ROW]
            if not alone and len(lines) > _LINES_OF_ROW:
                yield "    ..."
    if len(rows) > most:
        yield f"  and {len(rows) - most} more rows"


def _contrasts(lineage: Lineage) -> Mapping[str, str]:
    """Return the contrasts of the study in words, by key."""
    from leafledger.report.gather import contrast_words

    sessions = [node.session for node in lineage.nodes.values() if node.session]
    return contrast_words(
        list(dict.fromkeys(sessions)), list(lineage.groups), ["before", "mean_before"]
    )


def _effect(row: Mapping[str, Any], words: Mapping[str, str], alone: bool) -> Iterator[str]:
    """Yield an effect: what was compared and how, then its numbers, p and df among the first."""
    from leafledger.report.gather import contrast_in_words
    from leafledger.report.numbers import method_words, size_words

    remaining = dict(row)

    def take(*names: str) -> list[str]:
        return [_format_value(remaining.pop(name, ""), name) for name in names]

    question, index, contrast, method, stratum, primary = take(
        "question", "index", "contrast", "method", "stratum", "primary"
    )
    details = ["primary"] if primary == "true" else []
    details += [question.replace("_", " "), method_words(method)]
    details += [f"only {stratum}"] if stratum not in {"", "all"} else []
    about = f"{index}, {contrast_in_words(contrast, words)} ({'; '.join(details)})"
    yield from _wrapped([about], "  ")
    estimate, unit, low, high, level = take("estimate", "unit", "ci_low", "ci_high", "ci_level")
    numbers = [f"estimate {estimate}" + (f" {unit}" if unit not in {"", "1"} else "")]
    if low and high:
        percent = f"{100 * float(level):.3g} % " if level else ""
        numbers[0] += f" ({percent}interval {low} to {high})"
    statistic, name = take("statistic", "statistic_name")
    numbers += [f"{name or 'statistic'} {statistic}"] if statistic else []
    numbers += _named(
        {name: remaining.pop(name) for name in ("p", "df", "df2") if name in remaining}
    )
    n, n_reference = take("n_units", "n_units_reference")
    numbers += [f"n {n}" + (f" and {n_reference}" if n_reference else "")] if n else []
    first = ("p_holm", "verdict")
    numbers += _named({name: remaining.pop(name) for name in first if name in remaining})
    yield from _wrapped(numbers, "    ")
    if not alone:
        return
    size, kind, size_low, size_high = take(
        "effect_size", "effect_size_name", "effect_low", "effect_high"
    )
    rest = []
    if size:
        interval = f" ({size_low} to {size_high})" if size_low and size_high else ""
        rest = [f"{size_words(kind)} {size}{interval}"]
    yield from _wrapped([*rest, *_named(remaining)], "    ")


def _named(row: Mapping[str, Any]) -> list[str]:
    """Return column and value of each cell that is not empty; words of keys without their signs."""
    return [
        f"{name} {text.replace('_', ' ') if name in _KEYS else text}"
        for name, value in row.items()
        if (text := _format_value(value, name))
    ]


def _wrapped(texts: Sequence[str], pad: str) -> list[str]:
    return textwrap.wrap(
        ", ".join(texts),
        _ROW_WIDTH,
        initial_indent=pad,
        subsequent_indent=f"{pad}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _index(index: Mapping[str, Any]) -> Iterator[str]:
    """Yield what an index is: the formula that was computed, its unit and where it comes from."""
    yield f"index {index['index']} = {index['formula']}   (unit {index['unit']})"
    if index.get("published_formula") not in {None, index["formula"]}:
        yield f"  as published: {index['published_formula']}"
    yield f"  source: {index['source']}"


def _groups(lineage: Lineage, whole: bool) -> Iterator[str]:
    """Yield which unit got which treatment."""
    if not lineage.groups:
        return
    groups = []
    for level, units in lineage.groups.items():
        most = len(units) if whole else _MOST_UNITS
        more = ", ..." if len(units) > most else ""
        groups.append(f"{level or '(none)'} {len(units)} ({', '.join(units[:most])}{more})")
    yield "units by treatment: " + "; ".join(groups)


def _verdict(lineage: Lineage, whole: bool) -> Iterator[str]:
    broken = lineage.broken
    if broken:
        most = len(broken) if whole else _MOST_BROKEN
        yield "What no longer holds:"
        yield from (f"  - {text}" for text in broken[:most])
        if len(broken) > most:
            yield f"  - and {len(broken) - most} more (all with --all)"
        yield "BROKEN: this lineage no longer holds as a whole."
    elif lineage.nodes:
        yield f"Every link holds (last stood in run {lineage.run})."
    else:
        yield "The file is as it was read" + (f" (run {lineage.run})." if lineage.run else ".")


# A screenful
# ----------------------------------------------------------------------


def _in_short(lineage: Lineage) -> Iterator[str]:
    """Yield a line for each stage, then decisions, and what a person wrote, counted by folder."""
    yield "rests on (all of it with --all):"
    first, *_ = lineage.nodes.values()
    by_rule: dict[str, list[Node]] = {}
    for node in lineage.nodes.values():
        by_rule.setdefault(node.rule, []).append(node)
    most = 0 if lineage.target.rows else _MOST_SETTINGS - (len(by_rule) > _MANY_RULES)
    alike: dict[str, list[str]] = {}
    for rule, nodes in by_rule.items():
        changed = {setting.name for node in nodes for setting in node.settings if setting.changed}
        if not changed and nodes[0] is not first:
            alike.setdefault(_runs(nodes), []).append(rule)
            continue
        yield _cut(_stage(rule, nodes, len(changed)))
        if nodes[0] is first:
            settings = [setting for setting in first.settings if setting.changed]
            yield from (_cut(f"    {s.name} = {s.value}{_default(s)}") for s in settings[:most])
    for runs, rules in alike.items():
        yield from _wrapped([f"{', '.join(rules)}: settings as by default, {runs}"], "  ")
    decisions = [d for node in lineage.nodes.values() for d in node.decisions]
    if len(decisions) > _MOST_DECISIONS:
        yield f"  {len(decisions)} decisions; the last {_MOST_DECISIONS}:"
    for decision in decisions[-_MOST_DECISIONS:]:
        when = f", {decision.when}" if decision.when else ""
        text = f"{decision.action} {decision.scan}: {decision.reason}"
        yield f"  decision: {text} (by {decision.by}{when})"
    yield "  files: " + _files(lineage)


def _stage(rule: str, nodes: Sequence[Node], n_changed: int) -> str:
    sessions = ", ".join(node.session for node in reversed(nodes) if node.session)
    changed = f"{n_changed} settings not as by default" if n_changed else "settings as by default"
    where = f" of {sessions}" if sessions else ""
    return f"  {rule}{where}: {changed}, {_runs(nodes)}"


def _runs(nodes: Sequence[Node]) -> str:
    runs = [*dict.fromkeys(node.run or "unknown" for node in nodes)]
    return f"run {runs[0]}" + (f" and {len(runs) - 1} more" if len(runs) > 1 else "")


def _files(lineage: Lineage) -> str:
    read = dict.fromkeys(given.path for node in lineage.nodes.values() for given in node.files)
    folders: dict[str, int] = {}
    sheets = [sheet.path for sheet in lineage.sheets]
    for path in read:
        folder, _, _name = path.rpartition("/")
        if folder:
            folders[folder] = folders.get(folder, 0) + 1
        else:
            sheets.append(path)
    folder_words = [f"{folder}/ ({count})" for folder, count in [*folders.items()][:_MOST_FOLDERS]]
    if len(folders) > _MOST_FOLDERS:
        folder_words.append(f"{len(folders) - _MOST_FOLDERS} more folders")
    return ", ".join([*dict.fromkeys(sheets), *folder_words]) or "none"


def _cut(text: str) -> str:
    return text if len(text) <= _WIDTH else text[: _WIDTH - 3] + "..."


def _default(setting: Setting) -> str:
    if setting.default is None:
        return ""
    return f"   (default {_short(setting.default or 'none')})"


# All of it
# ----------------------------------------------------------------------


def _tree(lineage: Lineage) -> Iterator[str]:
    if not lineage.nodes:
        return
    named: set[str] = set()
    read = {name for node in lineage.nodes.values() for name in node.reads}
    waiting = [(name, 0) for name in lineage.nodes if name not in read]
    while waiting:
        name, depth = waiting.pop()
        pad = "  " * depth
        if name in named or name not in lineage.nodes:
            yield f"{pad}{name}" + (" (told above)" if name in named else " (no record)")
            continue
        named.add(name)
        node = lineage.nodes[name]
        yield from (pad + line for line in _node(node))
        later = [n for n in node.reads if _is_deepest(lineage, n, name, named)]
        waiting += [(n, depth + 1) for n in reversed(later)]


def _is_deepest(lineage: Lineage, task: str, reader: str, shown_tasks: set[str]) -> bool:
    """Leave out what is told further in: a task that another, untold source of it reads."""
    others = [n for n in lineage.nodes[reader].reads if n != task and n not in shown_tasks]
    return not any(_rests_on(lineage, other, task) for other in others)


def _rests_on(lineage: Lineage, task: str, other: str) -> bool:
    seen: set[str] = set()
    waiting = [task]
    while waiting:
        name = waiting.pop()
        if name in seen or name not in lineage.nodes:
            continue
        seen.add(name)
        if other in lineage.nodes[name].reads:
            return True
        waiting += lineage.nodes[name].reads
    return False


def _format_value(value: object, column: str = "") -> str:
    """Return a value of a table for the eye; ``--json`` gives its numbers whole."""
    text = str(value)
    if column in _P_COLUMNS and _NUMBER.fullmatch(text):
        return p_text(float(text))
    return f"{float(text):.6g}" if _LONG_NUMBER.fullmatch(text) else text


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def _node(node: Node) -> Iterator[str]:
    yield node.task
    for setting in [s for s in node.settings if s.changed]:
        yield f"  | {setting.name} = {setting.value}{_default(setting)}"
    same = [s for s in node.settings if not s.changed]
    yield from (f"  | {s.name} = {s.value}   (the default)" for s in same)
    for name, seed in node.seeds.items():
        yield f"  | seed of {name}: {seed}"
    yield f"  | code {node.code[:12]}, leafledger {node.package}"
    yield "  | " + ", ".join(f"{name} {version}" for name, version in node.libraries.items())
    when = f", {node.when.replace('T', ' ')[:19]}" if node.when else ""
    yield f"  | run {node.run}{when}"
    for decision in node.decisions:
        moment = f", {decision.when}" if decision.when else ""
        yield f"  | decision: {decision.action} {decision.scan}: {decision.reason}"
        yield f"  |   by {decision.by}{moment}"
    yield from (f"  < {given.path}  {given.sha256}" for given in node.files)
