"""What ``leafledger new`` asks, where a flag has not said it; after a slip it asks again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click

from leafledger.cli.new_study import Wanted
from leafledger.errors import quoted
from leafledger.study.definition import LABEL_WORDS
from leafledger.study.scan_sheet import HAVE_A_MEANING
from leafledger.study.sheets import is_id, is_label
from leafledger.study.table_sheet import fields_in, pattern_fault

QUANTITIES = ("counts", "reflectance", "percent")
_LONGEST_TITLE = _LONGEST_PATTERN = 300
_SESSIONS = "day0:before day7:after"


def wanted_from(given: Mapping[str, Any], asking: bool) -> Wanted:
    """Return what the new study is about, from flags and, at a terminal, from answers.

    Raises
    ------
    click.BadParameter
        If a flag cannot be meant: a session that is not written as ``id:before`` or ``id:after``,
        a pattern that ``check`` would refuse, or one that stands beside a table.
    """
    table = given["table"]
    pattern = _pattern(given["pattern"], table)
    fields = fields_in(pattern) if pattern else ["session", "unit"]
    answer = _Answers(given, asking)
    title = answer("title", "Title of the study", "My leaf study", _title)
    own = [name for name in fields if name not in HAVE_A_MEANING]
    column = own[0] if own and "unit" not in fields else "treatment"
    treatment = answer("treatment", "Column that holds the treatment", column, _label)
    quantity = answer(
        "quantity",
        "What the raw files hold (counts, reflectance or percent)",
        "percent" if table else "counts",
        _quantity,
    )
    if table:
        return Wanted(title, treatment, quantity=quantity, table=table)
    control = answer("control", "Level that the others are compared with", "water", _label)
    several = "session" in fields
    sessions: tuple[tuple[str, str], ...] = ()
    if given["sessions"]:
        sessions = _sessions(" ".join(given["sessions"]))
        if len(sessions) > 1 and not several:
            raise click.BadParameter(
                f"{pattern!r} has no field {{session}}, so that all its files are of one session: "
                "leave --session out, or say it once"
            )
    elif several:
        sessions = _sessions(answer("", f"Sessions, such as {_SESSIONS}", _SESSIONS, _all_sessions))
    return Wanted(
        title,
        treatment,
        control,
        sessions,
        quantity,
        pattern=pattern,
        units_known="unit" in fields,
    )


class _Answers:
    """Answers from flags, else from the person at the terminal, else by default."""

    def __init__(self, given: Mapping[str, Any], asking: bool) -> None:
        self._given = given
        self._asking = asking

    def __call__(
        self, flag: str, question: str, default: str, checked: Callable[[str], str]
    ) -> str:
        """Return the answer to a question; one that cannot be meant is asked for again."""
        text = self._given.get(flag)
        if text is not None:
            return checked(text)
        if not self._asking:
            return default
        answered: str = click.prompt(question, default=default, value_proc=checked)
        return answered


def _title(text: str) -> str:
    if not 0 < len(text.strip()) <= _LONGEST_TITLE:
        raise click.BadParameter(f"expected 1 to {_LONGEST_TITLE} characters")
    return text


def _label(text: str) -> str:
    if not is_label(text.strip()) or "," in text:
        raise click.BadParameter(f"{quoted(text)}: expected {LABEL_WORDS}, without a comma")
    return text.strip()


def _quantity(text: str) -> str:
    if text.strip() not in QUANTITIES:
        raise click.BadParameter(f"{quoted(text)}: expected counts, reflectance or percent")
    return text.strip()


def _all_sessions(text: str) -> str:
    _sessions(text)
    return text


def _pattern(given: str | None, table: Any) -> str | None:
    if given is None:
        return None
    if table:
        raise click.BadParameter("a table holds its scans itself: leave out --pattern or --table")
    if not 0 < len(given) <= _LONGEST_PATTERN:
        raise click.BadParameter(f"expected a pattern of at most {_LONGEST_PATTERN} characters")
    wrong = pattern_fault(given)
    if wrong:
        raise click.BadParameter(
            f"{given!r}: {wrong}; expected such as raw/{{session}}/{{unit}}.txt"
        )
    return given


def _sessions(text: str) -> tuple[tuple[str, str], ...]:
    sessions = []
    for word in text.replace(",", " ").split():
        name, _, phase = word.partition(":")
        if not is_id(name) or phase not in {"before", "after"}:
            raise click.BadParameter(f"{quoted(word)}: expected a session such as day0:before")
        sessions.append((name, phase))
    if not sessions:
        raise click.BadParameter("expected a session or more, such as day0:before day7:after")
    twice = [name for name, n in Counter(name for name, _ in sessions).items() if n > 1]
    if twice:
        raise click.BadParameter(f"session {quoted(twice[0])} stands there twice")
    _in_order([phase for _, phase in sessions])
    return tuple(sessions)


def _in_order(phases: Sequence[str]) -> None:
    if list(phases) != sorted(phases, key=["before", "after"].index):
        raise click.BadParameter("expected every session before the treatment first")
