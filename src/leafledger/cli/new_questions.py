"""What ``leafledger new`` asks, where a flag has not said it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from leafledger.cli.new_study import Wanted
from leafledger.study.names import is_id


def wanted_from(given: Mapping[str, Any], asking: bool) -> Wanted:
    """Return what the new study is about, from flags and, at a terminal, from answers.

    Raises
    ------
    click.BadParameter
        If a session is not written as ``id:before`` or ``id:after``, a file name pattern lacks
        what a study cannot do without, or stands beside a table.
    """
    table = given["table"]
    pattern = _pattern(given["pattern"], table)
    title = _answer("Title of the study", given["title"], "My leaf study", asking)
    treatment = _answer("Column that holds the treatment", given["treatment"], "treatment", asking)
    quantity = _answer(
        "What the raw files hold (counts, reflectance or percent)",
        given["quantity"],
        "percent" if table else "counts",
        asking,
    )
    if quantity not in {"counts", "reflectance", "percent"}:
        raise click.BadParameter("expected counts, reflectance or percent")
    if table:
        return Wanted(title, treatment, quantity=quantity, table=table)
    control = _answer("Level that the others are compared with", given["control"], "water", asking)
    words = (
        given["sessions"]
        or _answer(
            "Sessions, such as day0:before day7:after", None, "day0:before day7:after", asking
        ).split()
    )
    return Wanted(title, treatment, control, _sessions(words), quantity, pattern=pattern)


def _answer(question: str, given: str | None, default: str, asking: bool) -> str:
    if given is not None:
        return given
    return str(click.prompt(question, default=default)) if asking else default


def _pattern(given: str | None, table: Any) -> str | None:
    if given is None:
        return None
    if table:
        raise click.BadParameter("a table holds its scans itself: leave out --pattern or --table")
    lacking = [field for field in ("{session}", "{unit}") if field not in given]
    if lacking:
        raise click.BadParameter(
            f"{given!r} lacks {' and '.join(lacking)}: expected a path such as "
            "raw/{session}/{unit}_{leaf}.txt"
        )
    return given


def _sessions(words: Sequence[str]) -> tuple[tuple[str, str], ...]:
    sessions = []
    for word in words:
        name, _, phase = word.partition(":")
        if not is_id(name) or phase not in {"before", "after"}:
            raise click.BadParameter(f"{word!r}: expected a session such as day0:before")
        sessions.append((name, phase))
    return tuple(sessions)
