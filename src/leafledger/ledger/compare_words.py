"""Two runs side by side as lines for a person to read."""

from __future__ import annotations

from collections.abc import Iterator

from leafledger.ledger.compare import Comparison
from leafledger.ledger.differing import Difference
from leafledger.ledger.result_changes import EffectChange, ResultChanges

_MOST = 12
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


def lines(found: Comparison) -> Iterator[str]:
    """Yield a comparison line by line: what went in, what came out, which caused which."""
    yield f"{found.before} -> {found.after}"
    yield from (f"  note: {note}" for note in found.notes)
    if not found.differences:
        yield "Nothing differs in settings, files, decisions, code and libraries."
    for kind, title in _TITLES.items():
        some = [d for d in found.differences if d.kind == kind]
        if some:
            yield f"{title}:"
            yield from (f"  {d.sentence()}" for d in some[:_MOST])
            if len(some) > _MOST:
                yield f"  and {len(some) - _MOST} more (all with --json)"
    yield from _results(found)
    yield from _causes(found)


def _results(found: Comparison) -> Iterator[str]:
    results = found.results
    if not results.tasks:
        yield "The results are the same, byte for byte."
        return
    yield "Results that differ: " + ", ".join(results.tasks)
    for number in results.numbers[:_MOST]:
        change = "" if number.change is None else f"   ({_signed(number.change)})"
        yield f"  {number.name}: {_shown(number.before)} -> {_shown(number.after)}{change}"
    if len(results.numbers) > _MOST:
        yield f"  and {len(results.numbers) - _MOST} more numbers (all with --json)"
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
