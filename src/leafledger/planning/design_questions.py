"""What is planned: answers from flags, a terminal or a pipe, and designs that cannot answer?

Each answer is parsed where it is given, so that a slip is asked for again. What cannot be seen in
one answer alone (fewer units than blocks need, no session after the treatment) is in
:func:`design_problems`, all of it at once.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import secrets
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import click

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.indices.catalogue import catalogue
from leafledger.planning.allocation import BLOCKS, FREE, PAIRS
from leafledger.planning.measuring_order import MOST_STEPS, Effort, minutes, steps
from leafledger.planning.study_size import (
    Question,
    Scatter,
    StatedScatter,
    detectable,
    fewest_units,
    power_of,
    scatter_of_study,
    smallest_p,
    units_needed,
)
from leafledger.study.definition import LABEL_WORDS
from leafledger.study.sheets import is_id, is_label
from leafledger.study.table_files import FORMULA_SIGNS
from leafledger.words import counted, plural

T = TypeVar("T")

QUANTITIES = ("counts", "reflectance", "percent")
BEFORE, AFTER = "before", "after"
MOST_UNITS = 2000
_LONGEST_SESSION = 24
_DAY = re.compile(r"[A-Za-z_-]*?(\d{1,4})")


# The answers.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class PlannedSession:
    """One day of measuring."""

    session: str
    phase: str
    date: dt.date | None = None


@dataclass(frozen=True)
class Answers:
    """Everything that a study is planned from.

    Attributes
    ----------
    title
        Of the study.
    word
        Word for the experimental unit.
    treatments
        All of them; the control is one.
    control
        The treatment that the others are compared with.
    n_units
        Units in all.
    layout
        ``completely_randomised``, ``complete_blocks`` or ``pairs``.
    n_blocks
        Number of complete blocks; 0 without.
    allocate_later
        Whether lots are drawn once the session before the treatment has been measured.
    sessions
        In the order of measuring.
    effort
        Leaves, scans, references.
    quantity
        What raw files hold: counts, reflectance or percent.
    index
        Of the primary contrast.
    difference
        Smallest difference that would matter, in the unit of the index; ``None``: not stated.
    scatter
        How far units differ; ``None``: not known.
    power, alpha
        Wanted power, and level of the two-sided test.
    seed
        Of all lots.
    seconds_per_scan
        For the estimate of the time at the bench.
    """

    title: str
    word: str
    treatments: tuple[str, ...]
    control: str
    n_units: int
    layout: str
    n_blocks: int
    allocate_later: bool
    sessions: tuple[PlannedSession, ...]
    effort: Effort
    quantity: str
    index: str
    difference: float | None
    scatter: Scatter | None
    power: float
    alpha: float
    seed: int
    seconds_per_scan: float

    @property
    def n_arms(self) -> int:
        """Number of treatments."""
        return len(self.treatments)

    @property
    def per_arm(self) -> int:
        """Units of each treatment."""
        return self.n_units // max(1, self.n_arms)

    @property
    def n_before(self) -> int:
        """Sessions before the treatment."""
        return sum(s.phase == BEFORE for s in self.sessions)

    @property
    def question(self) -> Question:
        """What is asked of the primary index, for sample size and power."""
        return Question(
            self.alpha,
            self.power,
            max(1, self.n_arms - 1),
            self.n_before,
            self.effort.n_leaves,
            self.effort.n_scans,
            self.n_blocks if self.layout == BLOCKS else 0,
            # Blocks whose number is left open hold one unit of each treatment, as pairs do.
            self.layout == PAIRS or (self.layout == BLOCKS and not self.n_blocks),
        )

    def facts(self) -> dict[str, Any]:
        """Return the answers as plain values, for ``plan/plan.json``."""
        return {
            "title": self.title,
            "unit": self.word,
            "treatments": list(self.treatments),
            "control": self.control,
            "n_units": self.n_units,
            "layout": self.layout,
            "n_blocks": self.n_blocks,
            "allocate_later": self.allocate_later,
            "sessions": [
                {"session": s.session, "phase": s.phase, "date": s.date.isoformat()}
                if s.date
                else {"session": s.session, "phase": s.phase}
                for s in self.sessions
            ],
            "n_leaves": self.effort.n_leaves,
            "n_scans": self.effort.n_scans,
            "reference_every": self.effort.reference_every,
            "n_references": self.effort.n_references,
            "quantity": self.quantity,
            "index": self.index,
            "difference": self.difference,
            "variation": None if self.scatter is None else self.scatter.facts(),
            "power": self.power,
            "alpha": self.alpha,
            "seconds_per_scan": self.seconds_per_scan,
        }


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
    twice = [label for label, n in Counter(one.casefold() for one in labels).items() if n > 1]
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
        PlannedSession(name, phase or AFTER, date or _dated(name, parsed[0][0], start))
        for name, phase, date in parsed
    )
    twice = [name for name, n in Counter(s.session for s in sessions).items() if n > 1]
    if twice:
        raise click.BadParameter(f"session {quoted(twice[0])} stands there twice")
    phases = [s.phase for s in sessions]
    if phases != sorted(phases, key=[BEFORE, AFTER].index):
        raise click.BadParameter("expected every session before the treatment first")
    dates = [s.date for s in sessions if s.date is not None]
    if any(one >= two for one, two in pairwise(dates)):
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


def _dated(name: str, first: str, start: dt.date | None) -> dt.date | None:
    here, there = _DAY.fullmatch(name), _DAY.fullmatch(first)
    if start is None or here is None or there is None:
        return start if start is not None and name == first else None
    return start + dt.timedelta(days=int(here.group(1)) - int(there.group(1)))


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
    """Return layout and number of blocks of ``none``, ``pairs`` or a number of blocks."""
    word = text.strip().casefold()
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

    def refuse(self, name: str, text: str, message: str) -> None:
        """Note a flag that cannot be meant."""
        found, expected, rest = message.partition("expected ")
        found = found.strip().rstrip(":")
        self.problems.append(
            Problem(
                file=name,
                found=found or quoted(text),
                expected=rest if expected else "each once",
                mend="Correct the flag; `leafledger plan FOLDER --help` lists them all.",
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
        typed = self._asked(question, parse, default, fits) if self.asking else default
        if typed is None:
            self.missing.append(name)
        return parse(typed) if typed else None

    def _asked(
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
    first = treatments[0] if treatments else None
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
    layout, n_blocks = _layout(given, source, treatments)
    later = bool(given.get("allocate_later"))
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
                     _computed(draft), lambda n: _misfit(replace(draft, n_units=n)))  # fmt: skip
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


def _misfit(draft: Answers) -> str:
    """Return why a number of units does not fit treatments and blocks; ``""`` if it does."""
    found = layout_problems(
        draft.n_units, draft.n_arms, draft.layout, draft.n_blocks, plural(draft.word)
    )
    return f"{found[0].found}: expected {found[0].expected}. {found[0].mend}" if found else ""


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
        if given.get("sd") is not None:
            source.refuse("--sd", "", "a second statement beside --from: expected one of the two")
        try:
            return scatter_of_study(Path(given["from_study"]), index)
        except InputFault as fault:
            source.problems += fault.problems
            return None
    if difference is None and given.get("sd") is None:
        return None
    sd = source(
        "sd",
        f"Standard deviation of {index} between {plural(word)} of one treatment in one session "
        "(Enter: not known)",
        as_positive,
        "",
    )
    if sd is None:
        return None
    r = source("correlation", f"Correlation of a {word}'s values in two sessions", as_correlation,
               "0.5")  # fmt: skip
    leaves, scans = (source.flag(name, as_positive, 0.0) for name in ("sd_leaves", "sd_scans"))
    return StatedScatter(sd, 0.0 if r is None else r, leaves, scans)


def _layout(
    given: Mapping[str, Any], source: Source, treatments: tuple[str, ...] | None
) -> tuple[str, int]:
    """Return layout and number of blocks."""
    blocks, pairs, later = (given.get(name) for name in ("blocks", "pairs", "allocate_later"))
    if blocks is not None and pairs:
        source.refuse("--blocks", "", "blocks, and pairs beside them: expected one of the two")
    if pairs:
        return PAIRS, 0
    if blocks is not None:
        return BLOCKS, source.flag("blocks", lambda text: as_count(text, 2), 2)
    if later:
        return (PAIRS if treatments is not None and len(treatments) == 2 else BLOCKS), 0
    question = "Blocks: none, pairs, or how many complete blocks (rows, benches)"
    return source("layout", question, as_layout, "none") or (FREE, 0)


def _missing(flags: list[str], draft: Answers) -> Problem:
    computed = "--units" in flags and draft.difference is None
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


# How many: what is computed, and what a person is told.
# ----------------------------------------------------------------------


def _computed(draft: Answers) -> str | None:
    """Return the computed number of units as text, ``None`` if it is not known."""
    n = needed_units(draft)
    return None if n is None or n > MOST_UNITS else str(n)


def needed_units(answers: Answers) -> int | None:
    """Return the units in all that the stated difference needs, ``None`` if that is not known.

    Never fewer than an exact test needs to reach alpha at all.
    """
    if answers.difference is None or answers.scatter is None or not answers.treatments:
        return None
    asked = answers.question
    least = fewest_units(asked.alpha, asked.n_blocks, asked.paired)
    n = units_needed(answers.difference, asked, answers.scatter, least)
    return None if n is None else n * answers.n_arms


def _hint(draft: Answers) -> str:
    n = needed_units(draft)
    if n is None:
        return ""
    return f" ({n} find {draft.difference:g} with a power of {draft.power:g})"


def reached_power(answers: Answers) -> float | None:
    """Return the power for the stated difference with the units planned."""
    if answers.difference is None or answers.scatter is None:
        return None
    return power_of(answers.per_arm, answers.difference, answers.question, answers.scatter)


def size_sentences(answers: Answers) -> list[str]:
    """Return what is known of size and power, in sentences; empty if nothing is."""
    if answers.scatter is None:
        return []
    asked, n = answers.question, answers.per_arm
    model = asked.model(n)
    use = asked.use_of_before(model)
    named = {
        "covariate": "adjusted for the value before",
        "change": "of the change itself, for too few degrees of freedom are left to adjust",
        "after": "of the value after",
    }[use]
    variance = answers.scatter.variance(use, asked.n_before, asked.n_leaves, asked.n_scans)
    split = (
        f" With {answers.n_arms} treatments each is planned at alpha {asked.level:.3g}."
        if answers.n_arms > 2
        else ""
    )
    out = [
        f"{counted(answers.n_units, answers.word)} ({n} under each treatment) find a difference of "
        f"{_short(detectable(n, asked, answers.scatter))} in {answers.index} with a power of "
        f"{answers.power:g} at a two-sided alpha of {answers.alpha:g}: linear model {named}, "
        f"{model.df} degrees of freedom, residual standard deviation {_short(math.sqrt(variance))} "
        f"({answers.scatter.source}).{split}"
    ]
    power = reached_power(answers)
    if power is not None and answers.difference is not None:
        out.append(
            f"The stated difference of {answers.difference:g} is found with a power of {power:.2f}."
        )
        needed = needed_units(answers)
        if needed is None:
            out.append("No number of units up to 2,000 of a treatment finds it as wanted.")
        elif needed != answers.n_units:
            out.append(
                f"{counted(needed, answers.word)} would find it with a power of {answers.power:g}."
            )
    return out


def _short(value: float) -> str:
    return "unknown" if math.isnan(value) else f"{value:.3g}"


# Designs that cannot answer the question, with the reason and the mend.
# ----------------------------------------------------------------------


def design_problems(answers: Answers) -> list[Problem]:
    """Return everything for which a design cannot answer its question.

    Too little power is none of it: see :func:`power_problem`.
    """
    after = [s for s in answers.sessions if s.phase == AFTER]
    word = plural(answers.word)
    out: list[Problem] = []

    def refuse(flag: str, found: str, expected: str, mend: str) -> None:
        out.append(Problem(file=flag, found=found, expected=expected, mend=mend))

    if answers.n_arms < 2:
        refuse("--treatments", "one treatment", "two treatments or more",
               "Name the control too: with one level there is nothing to compare.")  # fmt: skip
        return out
    if not after:
        refuse("--sessions", "no session after the treatment", "at least one",
               "Add one, such as day0:before,day7:after: nothing is seen of a treatment before "
               "it.")  # fmt: skip
    if not answers.n_before:
        if answers.allocate_later:
            refuse("--allocate-later", "no session before the treatment", "one: lots are drawn on "
                   "its values", "Add a session before, or draw lots now.")  # fmt: skip
        else:
            refuse("--sessions", "no session before the treatment",
                   "one, for the difference in change that is the primary question",
                   "Add one, such as day0:before,day7:after.")  # fmt: skip
    out += layout_problems(answers.n_units, answers.n_arms, answers.layout, answers.n_blocks, word)
    if not out:
        asked = answers.question
        p = smallest_p(answers.per_arm, asked.n_blocks, asked.paired)
        if p >= answers.alpha:
            n = fewest_units(answers.alpha, asked.n_blocks, asked.paired) * answers.n_arms
            refuse(
                "--units",
                f"{answers.n_units} {word}: by lots alone p can be no smaller than {p:.3g}",
                f"a design whose exact test can reach alpha = {answers.alpha:g}",
                f"Plan at least {n} {word}.",
            )
    return out


def layout_problems(
    n_units: int, n_arms: int, layout: str, n_blocks: int, word: str
) -> list[Problem]:
    """Return why units, treatments and blocks do not fit together.

    Parameters
    ----------
    n_units, n_arms
        Numbers of units and of treatments.
    layout, n_blocks
        The layout; number of complete blocks, 0 without.
    word
        Plural of the word for a unit.
    """
    if layout == PAIRS and n_arms != 2:
        found, expected = f"{n_arms} treatments", "two: a pair holds one unit of each"
        return [Problem("--pairs", found, expected, "Use blocks: --blocks N.")]
    if layout == PAIRS and n_units % 2:
        found, expected = f"{n_units} {word}, an odd number", "an even number, for pairs"
        return [Problem("--units", found, expected, f"Plan {n_units - 1} or {n_units + 1}.")]
    rows = n_blocks if layout == BLOCKS and n_blocks else 1
    size = rows * n_arms
    fewest = max(2, rows) * n_arms
    if n_units < fewest:
        found = f"{n_units} {word} for {n_arms} treatments"
        if n_units < size and rows > 1:
            found += f" in {rows} blocks"
            why = f"one of each treatment in {rows} blocks is {size}"
        else:
            why = "one unit under a treatment cannot tell the treatment from that unit"
        mend = f"Plan at least {fewest}" + (", or fewer blocks." if rows > 1 else ".")
        return [Problem("--units", found, f"at least {fewest}: {why}", mend)]
    if n_units % size:
        low = n_units - n_units % size
        fill = f"{rows} blocks of {n_arms} treatments" if rows > 1 else f"{n_arms} treatments"
        found = f"{n_units} {word}, which do not fill {fill} equally"
        mend = f"Plan {low} or {low + size}"
        mend += ", or another number of blocks." if rows > 1 else "."
        return [Problem("--units", found, f"a multiple of {size}", mend)]
    return []


def power_problem(answers: Answers) -> Problem | None:
    """Return that the units planned are too few for the stated power; ``None`` if they are not."""
    power = reached_power(answers)
    if power is None or power >= answers.power:
        return None
    needed = needed_units(answers)
    more = "a larger difference" if needed is None else f"{needed} {plural(answers.word)}"
    assert answers.scatter is not None
    finds = detectable(answers.per_arm, answers.question, answers.scatter)
    return Problem(
        file="--units",
        found=f"{answers.n_units} {plural(answers.word)}, which find a difference of "
        f"{answers.difference:g} with a power of {power:.2f} only",
        expected=f"a power of {answers.power:g}, for which it takes {more}",
        mend=f"Plan more, or more leaves; or say that the number is fixed (--fixed): then the "
        f"study is planned for a difference of {_short(finds)}.",
    )


def bench_warnings(answers: Answers) -> list[str]:
    """Return what should be known of the time at the bench and of the references."""
    order = [str(i) for i in range(answers.n_units)]
    n = len(steps("session", order, answers.effort, answers.n_arms))
    hours = minutes(n, answers.seconds_per_scan) / 60.0
    took = f"about {hours:.1f} hours" if hours >= 1 else f"about {60 * hours:.0f} minutes"
    out = []
    if n > MOST_STEPS:
        out.append(
            f"A session has {n} scans: {took} at {answers.seconds_per_scan:g} s each. Leaves "
            "change in that time; consider fewer leaves, or blocks split between two days."
        )
    effort = answers.effort
    if effort.n_references and effort.per_unit > effort.reference_every:
        out.append(
            f"One {answers.word} has {effort.per_unit} scans, more than --reference-every "
            f"{effort.reference_every}: references come after each {answers.word}."
        )
    if any(s.date is None for s in answers.sessions):
        out.append(
            "Not every session has a date: slopes are then per session. Dates are added in "
            "study.yaml, design.sessions."
        )
    return out


def time_words(answers: Answers) -> str:
    """Return how many scans a session has and how long they take."""
    order = [str(i) for i in range(answers.n_units)]
    n = len(steps("session", order, answers.effort, answers.n_arms))
    return (
        f"{n} scans a session, about {minutes(n, answers.seconds_per_scan):.0f} minutes at "
        f"{answers.seconds_per_scan:g} s each"
    )
