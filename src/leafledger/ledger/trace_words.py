"""A lineage as lines for a person to read."""

from __future__ import annotations

import re
from collections.abc import Iterator

from leafledger.ledger.trace import Lineage, Node

_MOST_FILES = 6
_LONGEST = 40
_LONG_NUMBER = re.compile(r"-?\d+\.\d{5,}(e[+-]?\d+)?")


def lines(lineage: Lineage, whole: bool = False) -> Iterator[str]:
    """Yield a lineage line by line: what is broken first, then the tasks from the target back.

    Parameters
    ----------
    lineage
        What a target rests on.
    whole
        Show every file and every setting.
    """
    target = lineage.target
    yield target.path
    yield f"  sha256 {target.sha256}"
    for row in target.rows:
        yield "  " + ", ".join(f"{name} {_shown(value)}" for name, value in row.items())
    if lineage.broken:
        yield "BROKEN: this lineage no longer holds as a whole"
        yield from (f"  - {text}" for text in lineage.broken)
    elif lineage.nodes:
        yield f"Every link holds (last stood in run {lineage.run})."
    if lineage.used_by:
        yield "read by " + lineage.used_by[0]
        if len(lineage.used_by) > 1:
            yield "what rests on it: " + ", ".join(lineage.used_by[1:])
    yield from _tree(lineage, whole)


def _tree(lineage: Lineage, whole: bool) -> Iterator[str]:
    if not lineage.nodes:
        return
    shown: set[str] = set()
    waiting = [(next(iter(lineage.nodes)), 0)]
    while waiting:
        name, depth = waiting.pop()
        pad = "  " * depth
        if name in shown or name not in lineage.nodes:
            yield f"{pad}{name}" + (" (told above)" if name in shown else " (no record)")
            continue
        shown.add(name)
        node = lineage.nodes[name]
        yield from (pad + line for line in _node(node, whole))
        later = [n for n in node.reads if _is_deepest(lineage, n, name, shown)]
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


def _shown(value: object) -> str:
    """Return a value of a table for the eye; ``--json`` gives its numbers whole."""
    text = str(value)
    return f"{float(text):.6g}" if _LONG_NUMBER.fullmatch(text) else text


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def _node(node: Node, whole: bool) -> Iterator[str]:
    yield node.task
    changed = [s for s in node.settings if s.changed]
    for setting in changed:
        default = (
            "" if setting.default is None else f"   (default {_short(setting.default or 'none')})"
        )
        yield f"  | {setting.name} = {setting.value}{default}"
    same = [s for s in node.settings if not s.changed]
    if whole:
        yield from (f"  | {s.name} = {s.value}   (the default)" for s in same)
    elif same:
        yield f"  | {len(same)} settings as by default"
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
    most = len(node.files) if whole else _MOST_FILES
    yield from (f"  < {given.path}  {given.sha256}" for given in node.files[:most])
    if len(node.files) > most:
        yield f"  < and {len(node.files) - most} more files (all with --all or --json)"
