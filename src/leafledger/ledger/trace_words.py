"""How does a lineage read: a screenful in short, or all of it as a tree?"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from leafledger.ledger.trace import Lineage, Node
from leafledger.study.settings import Setting
from leafledger.words import p_text

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

    left = dict(row)

    def take(*names: str) -> list[str]:
        return [_format_value(left.pop(name, ""), name) for name in names]

    question, index, contrast, method, stratum, primary = take(
        "question", "index", "contrast", "method", "stratum", "primary"
    )
    of = ["primary"] if primary == "true" else []
    of += [question.replace("_", " "), method_words(method)]
    of += [f"only {stratum}"] if stratum not in {"", "all"} else []
    about = f"{index}, {contrast_in_words(contrast, words)} ({'; '.join(of)})"
    yield from _wrapped([about], "  ")
    estimate, unit, low, high, level = take("estimate", "unit", "ci_low", "ci_high", "ci_level")
    numbers = [f"estimate {estimate}" + (f" {unit}" if unit not in {"", "1"} else "")]
    if low and high:
        percent = f"{100 * float(level):.3g} % " if level else ""
        numbers[0] += f" ({percent}interval {low} to {high})"
    statistic, name = take("statistic", "statistic_name")
    numbers += [f"{name or 'statistic'} {statistic}"] if statistic else []
    numbers += _named({name: left.pop(name) for name in ("p", "df", "df2") if name in left})
    n, n_reference = take("n_units", "n_units_reference")
    numbers += [f"n {n}" + (f" and {n_reference}" if n_reference else "")] if n else []
    first = ("p_holm", "verdict")
    numbers += _named({name: left.pop(name) for name in first if name in left})
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
    yield from _wrapped([*rest, *_named(left)], "    ")


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
        said = f"{decision.action} {decision.scan}: {decision.reason}"
        yield f"  decision: {said} (by {decision.by}{when})"
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


def _is_deepest(lineage: Lineage, task: str, reader: str, shown: set[str]) -> bool:
    """Leave out what is told further in: a task that another, untold source of it reads."""
    others = [n for n in lineage.nodes[reader].reads if n != task and n not in shown]
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
