"""What is planned, how large is it, and can it answer its question?

All that speaks against a design is said at once, each with the reason and the mend. Too little
power is no obstacle by itself: the number of units may be fixed, and then the difference that they
find is said.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Any

from leafledger.errors import Problem
from leafledger.planning.randomisation import BLOCKS, MOST_STEPS, PAIRS, Effort, minutes, steps
from leafledger.planning.study_size import (
    CHANGE,
    Question,
    Scatter,
    detectable,
    fewest_units,
    model_known,
    power_of,
    smallest_p,
    units_needed,
)
from leafledger.words import counted, plural

BEFORE, AFTER = "before", "after"


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


# How many: what is computed, and what a person is told.
# ----------------------------------------------------------------------


def needed_units(answers: Answers) -> int | None:
    """Return the units in all that the stated difference needs, ``None`` if that is not known.

    Never fewer than an exact test needs to reach alpha at all.
    """
    if answers.difference is None or answers.scatter is None or not answers.treatments:
        return None
    question = answers.question
    least = fewest_units(question.alpha, question.n_blocks, question.paired)
    n = units_needed(answers.difference, question, answers.scatter, least)
    return None if n is None else n * answers.n_arms


def reached_power(answers: Answers) -> float | None:
    """Return the power for the stated difference with the units planned."""
    if answers.difference is None or answers.scatter is None:
        return None
    return power_of(answers.per_arm, answers.difference, answers.question, answers.scatter)


def size_sentences(answers: Answers) -> list[str]:
    """Return what is known of size and power, in sentences; empty if nothing is."""
    if answers.scatter is None:
        if answers.difference is None:
            return []
        return [
            f"The power for the stated difference of {answers.difference:g} is not known: how far "
            f"{plural(answers.word)} of one treatment differ is not stated. State it (--sd and "
            "--correlation), or name a study that has been run (--from)."
        ]
    question, n = answers.question, answers.per_arm
    model, use = model_known(n, question, answers.scatter)
    named = {
        "covariate": "adjusted for the value before",
        "change": "of the change itself",
        "after": "of the value after",
    }[use]
    if use == CHANGE:
        named += ", for too few degrees of freedom are left to adjust"
    if question.use_of_before(question.model(n)) != use:
        named = named.partition(",")[0]
        named += " (the analysis adjusts for the value before; the variation given it is not known)"
    variance = answers.scatter.variance(use, question.n_before, question.n_leaves, question.n_scans)
    split = (
        f" With {answers.n_arms} treatments each is planned at alpha {question.level:.3g}."
        if answers.n_arms > 2
        else ""
    )
    out = [
        f"{counted(answers.n_units, answers.word)} ({n} under each treatment) find a difference of "
        f"{short(detectable(n, question, answers.scatter))} in {answers.index} with a power of "
        f"{answers.power:g} at a two-sided alpha of {answers.alpha:g}: linear model {named}, "
        f"{model.df} degrees of freedom, residual standard deviation {short(math.sqrt(variance))} "
        f"({answers.scatter.source_of(use)}).{split}",
        *answers.scatter.remarks(
            question.paired or bool(question.n_blocks), question.n_leaves, question.n_scans
        ),
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


def short(value: float) -> str:
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
        question = answers.question
        p = smallest_p(answers.per_arm, question.n_blocks, question.paired)
        if p >= answers.alpha:
            n = fewest_units(answers.alpha, question.n_blocks, question.paired) * answers.n_arms
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
        f"study is planned for a difference of {short(finds)}.",
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
