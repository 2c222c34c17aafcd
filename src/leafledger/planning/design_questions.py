"""What does a person answer: from flags, a terminal or a pipe, asked again after a slip?

Each answer is parsed where it is given, so that one that cannot be meant is asked for again. What
cannot be seen in one answer alone is in :mod:`leafledger.planning.design_checks`.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import secrets
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import click

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.indices.catalogue import catalogue
from leafledger.planning.design_checks import (
    AFTER,
    BEFORE,
    Answers,
    PlannedSession,
    layout_problems,
    needed_units,
)
from leafledger.planning.randomisation import BLOCKS, FREE, PAIRS, Effort
from leafledger.planning.study_size import Scatter, StatedScatter, scatter_of_study, standing_of
from leafledger.study.definition import LABEL_WORDS
from leafledger.study.sheets import is_id, is_label
from leafledger.study.table_files import FORMULA_SIGNS
from leafledger.words import counted, plural

T = TypeVar("T")

MOST_UNITS = 2000
LATER = "later"
_LONGEST_SESSION = 24
_DAY = re.compile(r"[A-Za-z_-]*?(\d{1,4})")


# Parsing one answer; what cannot be meant is a click.BadParameter, which a prompt asks again for.
# ----------------------------------------------------------------------


def as_title(text: str) -> str:
    """Return a title of 1 to 300 characters."""
    if not 0 < len(text.strip()) <= 300 or not text.isprintable():
        raise click.BadParameter("expected 1 to 300 printable characters")
    return text.strip()


def as_label(text: str) -> str:
    """Return a label that can stand in a sheet."""
    label = text.strip()
    if not is_label(label) or "," in label or label.startswith((*FORMULA_SIGNS, "'")):
        raise click.BadParameter(
            f"{quoted(text)}: expected {LABEL_WORDS}, without a comma, beginning with no sign of "
            "a formula"
        )
    return label


def as_treatments(text: str) -> tuple[str, ...]:
    """Return the treatments of ``water,chelate``."""
    labels = tuple(as_label(part) for part in text.split(",") if part.strip())
    if len(labels) < 2:
        raise click.BadParameter(
            "expected at least two treatments, such as water,chelate: with one there is nothing to "
            "compare"
        )
    twice = [label for label, n in Counter(name.casefold() for name in labels).items() if n > 1]
    if twice:
        raise click.BadParameter(f"{quoted(twice[0])} stands there twice")
    if len(labels) > 12:
        raise click.BadParameter("expected at most 12 treatments")
    return labels


def as_sessions(text: str, start: dt.date | None = None) -> tuple[PlannedSession, ...]:
    """Return the sessions of ``day0,day4`` or ``day0:before:2026-05-04,day4:after``.

    Without phases the first session is the one before. With a date of the first day, a session
    named by its day (``day4``) is dated.

    Examples
    --------
    >>> [(s.phase, str(s.date)) for s in as_sessions("day0,day4", dt.date(2026, 5, 4))]
    [('before', '2026-05-04'), ('after', '2026-05-08')]
    """
    parts = [part.strip() for part in re.split(r"[,\s]+", text) if part.strip()]
    parsed = [_session(part) for part in parts]
    if not parsed:
        raise click.BadParameter("expected sessions, such as day0,day4,day8")
    if all(phase is None for _, phase, _ in parsed):
        parsed = [(n, BEFORE if i == 0 else AFTER, d) for i, (n, _, d) in enumerate(parsed)]
    sessions = tuple(
        PlannedSession(name, phase or AFTER, date or _date_of_session(name, parsed[0][0], start))
        for name, phase, date in parsed
    )
    named = Counter(s.session.casefold() for s in sessions)
    twice = [s.session for s in sessions if named[s.session.casefold()] > 1]
    if twice:
        raise click.BadParameter(f"session {quoted(twice[0])} stands there twice")
    phases = [s.phase for s in sessions]
    if phases != sorted(phases, key=[BEFORE, AFTER].index):
        raise click.BadParameter("expected every session before the treatment first")
    dates = [s.date for s in sessions if s.date is not None]
    if any(earlier >= later for earlier, later in pairwise(dates)):
        raise click.BadParameter("expected dates that rise from session to session")
    return sessions


def _session(text: str) -> tuple[str, str | None, dt.date | None]:
    name, *rest = text.split(":")
    phase, date = None, None
    for word in rest:
        if word in (BEFORE, AFTER) and phase is None:
            phase = word
        elif date is None and word:
            date = as_date(word)
        else:
            raise click.BadParameter(
                f"{quoted(text)}: expected such as day0:before:2026-05-04 (phase and date may be "
                "left out)"
            )
    if not is_id(name) or len(name) > _LONGEST_SESSION:
        raise click.BadParameter(
            f"{quoted(name)}: expected a session such as day0: letters, digits, _ and -, at most "
            f"{_LONGEST_SESSION}"
        )
    return name, phase, date


def _date_of_session(name: str, first: str, start: dt.date | None) -> dt.date | None:
    day, first_day = _DAY.fullmatch(name), _DAY.fullmatch(first)
    if start is None or day is None or first_day is None:
        return start if start is not None and name == first else None
    return start + dt.timedelta(days=int(day.group(1)) - int(first_day.group(1)))


def as_date(text: str) -> dt.date:
    """Return a day such as 2026-05-04."""
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise click.BadParameter(f"{quoted(text)}: expected a day such as 2026-05-04") from None


def as_count(text: str, least: int = 1, most: int = MOST_UNITS) -> int:
    """Return a whole number within bounds."""
    try:
        number = int(text.strip())
    except ValueError:
        number = least - 1
    if not least <= number <= most:
        raise click.BadParameter(f"{quoted(text)}: expected a whole number, {least} to {most}")
    return number


def as_positive(text: str) -> float:
    """Return a number above zero."""
    number = _number(text)
    if not number > 0:
        raise click.BadParameter(
            f"{quoted(text)}: expected a number above 0"
            + (": no study is large enough to find a difference of 0" if number == 0 else "")
        )
    return number


def as_share(text: str) -> float:
    """Return a number between 0 and 1."""
    number = _number(text)
    if not 0 < number < 1:
        raise click.BadParameter(f"{quoted(text)}: expected a number between 0 and 1")
    return number


def as_correlation(text: str) -> float:
    """Return a correlation, at least 0 and below 1."""
    number = _number(text)
    if not 0 <= number < 1:
        raise click.BadParameter(f"{quoted(text)}: expected a correlation, 0 to below 1")
    return number


def _number(text: str) -> float:
    try:
        number = float(text.strip())
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise click.BadParameter(f"{quoted(text)}: expected a number such as 0.1")
    return number


def as_index(text: str) -> str:
    """Return the name of an index of the catalogue."""
    names = list(catalogue())
    if text.strip() not in names:
        raise click.BadParameter(
            f"{quoted(text)}: expected an index of the catalogue. {nearest(text.strip(), names)}"
        )
    return text.strip()


def as_layout(text: str) -> tuple[str, int]:
    """Return layout and number of blocks: ``none``, ``pairs``, ``later``, or a number of blocks."""
    word = text.strip().casefold()
    if word == LATER:
        return LATER, 0
    if word in ("none", "no", "0"):
        return FREE, 0
    if word in ("pairs", "pair"):
        return PAIRS, 0
    return BLOCKS, as_count(text, least=2)


def as_seed(text: str) -> int:
    """Return a seed."""
    return as_count(text, least=0, most=2**32 - 1)


# Where answers come from.
# ----------------------------------------------------------------------


class Source:
    """Answers from flags, else from a person or a pipe, else by default.

    Parameters
    ----------
    given
        Flag -> its text; ``None`` where it was not given.
    asking
        Whether what is not given is asked for.

    Attributes
    ----------
    missing
        Flags without which nothing can be planned and that nobody answered.
    problems
        Flags that cannot be meant.
    """

    def __init__(self, given: Mapping[str, Any], asking: bool) -> None:
        self._given = given
        self.asking = asking
        self.missing: list[str] = []
        self.problems: list[Problem] = []

    def flag(self, flag: str, parse: Callable[[str], T], default: T) -> T:
        """Return the answer of a flag that nobody is asked for; what cannot be meant is noted."""
        text = self._given.get(flag)
        if text is None:
            return default
        try:
            return parse(str(text))
        except click.BadParameter as error:
            self.refuse("--" + flag.replace("_", "-"), str(text), error.message)
            return default

    def refuse(
        self,
        name: str,
        text: str,
        message: str,
        mend: str = "Correct the flag; `leafledger plan FOLDER --help` lists them all.",
    ) -> None:
        """Note a flag that cannot be meant."""
        found, expected, rest = message.partition("expected ")
        found = found.strip().rstrip(":")
        self.problems.append(
            Problem(
                file=name,
                found=found or quoted(text),
                expected=rest if expected else "each once",
                mend=mend,
            )
        )

    def __call__(
        self,
        flag: str,
        question: str,
        parse: Callable[[str], T],
        default: str | None = None,
        fits: Callable[[T], str] | None = None,
    ) -> T | None:
        """Return an answer.

        Parameters
        ----------
        flag
            Name of the flag, as click passes it.
        question
            What a person is asked.
        parse
            Turns text into the answer; what it refuses is asked for again.
        default
            Text that counts if nothing is typed; ``""``: there may be no answer; ``None``: one is
            needed.
        fits
            Why a typed answer does not fit those before, ``""`` if it does. Flags are judged
            together, once all are known.
        """
        name = "--" + flag.replace("_", "-")
        text = self._given.get(flag)
        if text is not None:
            try:
                return parse(str(text))
            except click.BadParameter as error:
                self.refuse(name, str(text), error.message)
                return None
        typed = self._answer(question, parse, default, fits) if self.asking else default
        if typed is None:
            self.missing.append(name)
        return parse(typed) if typed else None

    def _answer(
        self,
        question: str,
        parse: Callable[[str], T],
        default: str | None,
        fits: Callable[[T], str] | None,
    ) -> str | None:
        """Return what was typed and can be meant; after the end of a pipe, the default."""

        def checked(text: str) -> str:
            if text.strip():
                answer = parse(text)
                if fits is not None and (odd := fits(answer)):
                    raise click.BadParameter(odd)
            elif default is None:
                raise click.BadParameter("an answer is needed")
            return text

        try:
            answered: str = click.prompt(
                question,
                default="" if default is None else default,
                show_default=bool(default),
                value_proc=checked,
                err=True,
            )
        except click.Abort:
            if sys.stdin.isatty():
                raise
            click.echo(err=True)
            self.asking = False
            return default
        return answered

    def yes(self, question: str) -> bool:
        """Return whether a person says yes; nobody there is a no."""
        if not self.asking:
            return False
        try:
            return click.confirm(question, default=False, err=True)
        except click.Abort:
            if sys.stdin.isatty():
                raise
            self.asking = False
            return False


NEEDED = ("treatments", "sessions", "units")
"""Flags without which there is no study; of ``--units``, unless it is computed."""


def all_given(given: Mapping[str, Any]) -> bool:
    """Tell whether the flags alone make a study, so that without a terminal nothing is asked."""
    sized = given.get("units") is not None or (
        given.get("difference") is not None
        and (given.get("sd") is not None or given.get("from_study") is not None)
    )
    return sized and all(given.get(flag) is not None for flag in NEEDED[:2])


def ask(given: Mapping[str, Any], source: Source) -> Answers | list[Problem]:
    """Return the answers, or every flag that is missing or cannot be meant.

    Parameters
    ----------
    given
        Flags as click passes them.
    source
        Where answers come from.

    """
    title = source("title", "Title of the study", as_title, "My leaf study")
    treatments = source("treatments", "Treatments, such as water,chelate", as_treatments)
    first = treatments[0] if treatments else ""
    control = source("control", "Which of them is the control", _one_of(treatments), first)
    word = source("unit", "Word for one experimental unit", as_label, "plant") or "plant"
    start = source("start", "Date of the first session, such as 2026-05-04 (Enter: none)", as_date,
                   "")  # fmt: skip
    sessions = source(
        "sessions",
        "Sessions, such as day0,day4,day8 (the first lies before the treatment; else "
        "day0:before,day4:after)",
        lambda text: as_sessions(text, start),
    )
    index = source("index", "Index of the primary contrast", as_index, "CI_rededge") or ""
    leaves = source("leaves", "Leaves of each unit in a session", _count(50), "3")
    scans = source("scans", "Scans of each leaf", _count(20), "1")
    difference = source(
        "difference", f"Smallest difference of {index} that would matter (Enter: not stated)",
        as_positive, "",
    )  # fmt: skip
    scatter = _scatter(given, source, difference, index, word)
    layout, n_blocks, later = _layout(given, source, treatments)
    draft = Answers(
        title=title or "", word=word, treatments=treatments or (), control=control or "",
        n_units=0, layout=layout, n_blocks=n_blocks, allocate_later=later,
        sessions=sessions or (), effort=Effort(leaves or 1, scans or 1, 1, 0),
        quantity=str(given.get("quantity") or "counts"), index=index, difference=difference,
        scatter=scatter,
        power=source.flag("power", as_share, 0.8), alpha=source.flag("alpha", as_share, 0.05),
        seed=0, seconds_per_scan=float(given.get("seconds_per_scan") or 30.0),
    )  # fmt: skip
    n_units = source("units", f"Number of {plural(word)} in all{_hint(draft)}", _count(MOST_UNITS),
                     _computed_units(draft),
                    lambda n: _layout_reason(replace(draft, n_units=n)))  # fmt: skip
    counts = draft.quantity == "counts"
    every = source("reference_every", "Dark and white after every how many leaf scans", _count(500),
                   "12") if counts else 500  # fmt: skip
    per_group = source.flag("references", _count(20), 3) if counts else 0
    seed = source("seed", "Seed of the lots (Enter: one is drawn)", as_seed, "")
    if source.problems or source.missing:
        lacking = [_missing(source.missing, draft)] if source.missing else []
        return [*source.problems, *lacking]
    effort = Effort(leaves or 1, scans or 1, every or 12, per_group)
    if layout == BLOCKS and not n_blocks:
        n_blocks = max(1, (n_units or 0) // max(1, draft.n_arms))
    return replace(
        draft, n_units=n_units or 0, n_blocks=n_blocks, effort=effort,
        seed=secrets.randbelow(2**32) if seed is None else seed,
    )  # fmt: skip


def _layout_reason(draft: Answers) -> str:
    """Return why a number of units does not fit treatments and blocks; ``""`` if it does."""
    problems = layout_problems(
        draft.n_units, draft.n_arms, draft.layout, draft.n_blocks, plural(draft.word)
    )
    return (
        f"{problems[0].found}: expected {problems[0].expected}. {problems[0].mend}"
        if problems
        else ""
    )


def _count(most: int) -> Callable[[str], int]:
    return lambda text: as_count(text, 1, most)


def _one_of(treatments: tuple[str, ...] | None) -> Callable[[str], str]:
    def parse(text: str) -> str:
        if treatments is not None and text.strip() not in treatments:
            raise click.BadParameter(
                f"{quoted(text)}: expected one of the treatments. "
                f"{nearest(text.strip(), list(treatments))}"
            )
        return text.strip()

    return parse


def _scatter(
    given: Mapping[str, Any], source: Source, difference: float | None, index: str, word: str
) -> Scatter | None:
    """Return the variation: of another study, stated, asked for, or ``None``."""
    if given.get("from_study") is not None:
        twofold = "a part of --sd beside --from, which knows it itself: expected one of the two"
        _refuse_parts(given, source, twofold, "Leave it out, or state --sd in place of --from.")
        if given.get("sd") is not None:
            source.refuse("--sd", "", "a second statement beside --from: expected one of the two")
        try:
            folder = Path(given["from_study"])
            return replace(scatter_of_study(folder, index), standing=standing_of(folder))
        except InputFault as fault:
            source.problems += fault.problems
            return None
    alone = "a part of the variation without the whole: expected --sd beside it"
    if difference is None and given.get("sd") is None:
        _refuse_parts(given, source, alone, "State --sd too, or leave it out.")
        return None
    sd = source(
        "sd",
        f"Standard deviation of {index} between {plural(word)} of one treatment in one session "
        "(Enter: not known)",
        as_positive,
        "",
    )
    if sd is None:
        if given.get("sd") is None:
            _refuse_parts(given, source, alone, "State --sd too, or leave it out.")
        return None
    r = source("correlation", f"Correlation of a {word}'s values in two sessions", as_correlation,
               "0.5")  # fmt: skip
    leaves, scans = (source.flag(name, as_positive, 0.0) for name in ("sd_leaves", "sd_scans"))
    return StatedScatter(sd, 0.0 if r is None else r, leaves, scans)


def _refuse_parts(given: Mapping[str, Any], source: Source, message: str, mend: str) -> None:
    """Refuse flags that state a part of the variation and would count for nothing."""
    for name in ("correlation", "sd_leaves", "sd_scans"):
        if given.get(name) is not None:
            source.refuse("--" + name.replace("_", "-"), "", message, mend)


def _layout(
    given: Mapping[str, Any], source: Source, treatments: tuple[str, ...] | None
) -> tuple[str, int, bool]:
    """Return layout, number of blocks, and whether lots are drawn later.

    Later, units that were alike form pairs, or blocks of one unit of each of more treatments.
    """
    blocks, pairs, later = (given.get(name) for name in ("blocks", "pairs", "allocate_later"))
    if blocks is not None and pairs:
        source.refuse("--blocks", "", "blocks, and pairs beside them: expected one of the two")
    if pairs:
        return PAIRS, 0, bool(later)
    if blocks is not None:
        return BLOCKS, source.flag("blocks", lambda text: as_count(text, 2), 2), bool(later)
    layout, n_blocks = LATER, 0
    if not later:
        question = (
            "Blocks: none, pairs, or how many complete blocks (rows, benches); or later: pairs of "
            "alike units, drawn after the first session"
        )
        layout, n_blocks = source("layout", question, as_layout, "none") or (FREE, 0)
    if layout == LATER:
        return (PAIRS if treatments is not None and len(treatments) == 2 else BLOCKS), 0, True
    return layout, n_blocks, False


def _missing(flags: list[str], draft: Answers) -> Problem:
    computed = "--units" in flags and draft.difference is None
    if flags == ["--units"] and draft.difference is not None and draft.scatter is not None:
        needed = needed_units(draft)
        return Problem(
            file="--units",
            found=f"No number of units up to {MOST_UNITS:,} of a treatment finds a difference of "
            f"{draft.difference:g} with a power of {draft.power:g}"
            if needed is None
            else f"a difference of {draft.difference:g} with a power of {draft.power:g} needs "
            f"{counted(needed, draft.word)}",
            expected=f"a difference that at most {MOST_UNITS:,} {plural(draft.word)} find",
            mend="State a larger --difference, plan more leaves, or give --units: then it is said "
            "which difference so many find.",
        )
    return Problem(
        file=", ".join(flags),
        found="no answer",
        expected="what a study cannot be planned without",
        mend="Answer at a terminal, or give the flags"
        + (
            "; the number of units is computed from --difference and --sd (or --from)."
            if computed
            else "."
        ),
    )


def _computed_units(draft: Answers) -> str | None:
    """Return the computed number of units as text, ``None`` if it is not known."""
    n = needed_units(draft)
    return None if n is None or n > MOST_UNITS else str(n)


def _hint(draft: Answers) -> str:
    n = needed_units(draft)
    if n is None:
        return ""
    return f" ({n} find {draft.difference:g} with a power of {draft.power:g})"
