"""Every warning of every rule once; what one rule says of many indices, in one line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from leafledger.effects.words import listed

_OUTSIDE = re.compile(
    r"(?P<index>\S+) is not computed: it needs .+, outside the trusted range "
    r"(?P<range>\S+ to \S+ nm)(?P<rest> \(.*\))?\.?"
)
_UNDEFINED = re.compile(r"(?P<index>\S+) is undefined in \d+ of \d+ scans \(.*\): (?P<why>.*)")
_FAR = re.compile(r"(?P<index>\S+) is read from far neighbours: .*")
_NAMED = 12

Source = tuple[str, str | None, Sequence[str]]


def warnings_of(sources: Iterable[Source]) -> list[dict[str, str]]:
    """Return every warning once: rule, text, sessions.

    Parameters
    ----------
    sources
        (rule, session or ``None``, its warnings), in the order of display.

    Notes
    -----
    Warnings on single indices that differ by the index alone become one line with the number of
    indices, their names and the sessions. The tables and records keep each of them.
    """
    told: dict[tuple[str, str], list[str]] = {}
    grouped: dict[tuple[str, str], dict[str, list[str]]] = {}
    for rule, session, texts in sources:
        for text in texts:
            key = _kind(text)
            if key is None:
                _add(told.setdefault((rule, text), []), session)
            else:
                kind, index = key
                told.setdefault((rule, kind), [])
                sessions = grouped.setdefault((rule, kind), {}).setdefault(index, [])
                _add(sessions, session)
    return [
        _line(rule, text, sessions)
        if (rule, text) not in grouped
        else _grouped_line(rule, text, grouped[rule, text])
        for (rule, text), sessions in told.items()
    ]


def _add(sessions: list[str], session: str | None) -> None:
    if session and session not in sessions:
        sessions.append(session)


def _line(rule: str, text: str, sessions: Sequence[str]) -> dict[str, str]:
    return {"rule": rule, "text": text, "sessions": ", ".join(sessions)}


def _kind(text: str) -> tuple[str, str] | None:
    """Return what is said, with a place for the subject, and the index that it is said of."""
    if found := _OUTSIDE.fullmatch(text):
        kind = f"not computed: bands outside the trusted range {found['range']}"
        return kind, found["index"]
    if found := _UNDEFINED.fullmatch(text):
        return f"undefined in some scans: {found['why'].rstrip('.')}", found["index"]
    if found := _FAR.fullmatch(text):
        return "read across gaps of the wavelength axis: compare with care", found["index"]
    return None


def _grouped_line(rule: str, kind: str, by_index: Mapping[str, Sequence[str]]) -> dict[str, str]:
    names = sorted(by_index)
    shown = listed(names[:_NAMED]) if len(names) <= _NAMED else (
        f"{', '.join(names[:_NAMED])} and {len(names) - _NAMED} more"
    )  # fmt: skip
    subject = f"{names[0]} is" if len(names) == 1 else f"{len(names)} indices are"
    of = "" if len(names) == 1 else f" ({shown})"
    sessions = list(dict.fromkeys(s for listed_ in by_index.values() for s in listed_))
    return _line(rule, f"{subject} {kind}{of}.", sessions)


def texts(value: Any) -> list[str]:
    """Return a text, or the texts of a list or mapping, as a list."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, Mapping):
        return [str(v) for v in value.values()]
    return [str(v) for v in value] if isinstance(value, list) else []
