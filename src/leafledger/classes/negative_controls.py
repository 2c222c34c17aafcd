"""Is it the day or the treatment? Rule ``negative_controls``: the procedure asked for others.

If spectra tell the session or the block as readily as the treatment, the classifier may have
learned the day or the bench. The splits stay those of the classifier.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_assignment import Plan, planned
from leafledger.classes.fold_fit import nested_predictors, procedure_of
from leafledger.classes.labelled import BY_SCAN, Labelled, labelled_spectra
from leafledger.classes.permutation import arrangements, nested_accuracy, share_reaching
from leafledger.classes.preprocessing import steps_of
from leafledger.classes.splits import Scheme, members_of
from leafledger.errors import InputFault, first_words
from leafledger.records.job import Job, Outcome
from leafledger.resampling.permutation import generator
from leafledger.study.columns import QUESTIONS
from leafledger.study.tables import write_csv

if TYPE_CHECKING:
    import pandas as pd


def confounded_classes(
    codes: NDArray[np.int_], conditions: NDArray[np.int_], classes: tuple[str, ...]
) -> list[tuple[str, str]]:
    """Return the pairs of classes that share no condition (session, block).

    Parameters
    ----------
    codes, conditions
        Class number and condition number of every scan.
    classes
        Labels.

    Examples
    --------
    >>> never_together(np.array([0, 0, 1, 2]), np.array([0, 1, 1, 2]), ("A", "B", "C"))
    [('A', 'C'), ('B', 'C')]
    """
    seen = [set(conditions[codes == i].tolist()) for i in range(len(classes))]
    return [
        (classes[i], classes[j])
        for i, j in combinations(range(len(classes)), 2)
        if not seen[i] & seen[j]
    ]


def confounding_warnings(data: Labelled, target: str, block: str | None) -> list[str]:
    """Return a warning for the sessions and one for the blocks that stand for a class.

    Parameters
    ----------
    data
        Labelled spectra.
    target
        Name of the target.
    block
        Name of the block column, if there is one.
    """
    conditions = [("session", "day", data.day)]
    if block is not None and block != target and data.blocks:
        conditions.append(("block", "place", data.unit_blocks[data.unit_of]))
    found = []
    for word, thing, numbers in conditions:
        pairs = confounded_classes(data.codes, numbers, data.classes)
        if pairs:
            told = first_words([f"{a} and {b}" for a, b in pairs], 5)
            found.append(
                f"classes of {target} that were never measured in the same {word}: {told}. What "
                f"tells them apart may be the {thing}, and no way of splitting these scans can "
                "show which"
            )
    return found


Codes = NDArray[np.int_]
BEFORE = "treatment_before"
ALPHA = 0.05
"""Level at which the session is said to be told apart."""
MOST_DRAWS = 99
"""Labellings drawn at most: enough to see whether chance explains it."""


def run(job: Job) -> Outcome:
    """Ask the procedure for session, block and the treatment before it was given."""
    settings = job.settings["classes"]
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    steps = steps_of(settings["preprocessing"], data.wavelength_nm)
    questions = negative_control_table(job, data, plan, steps)
    write_csv(job.outputs["questions"], questions, QUESTIONS)
    return Outcome(
        warnings=_session_found(questions),
        seeds={"classes": int(settings["seed"])},
    )


def _session_found(questions: pd.DataFrame) -> list[str]:
    """Say if the sessions are told apart better than by always naming the largest."""
    found = questions[(questions["asked"] == "session") & (questions["p"] <= ALPHA)]
    return [
        f"the spectra tell the session: {100 * row['accuracy']:.0f} % of the scans are put "
        f"in the right one of {row['n_classes']} (always naming the largest: "
        f"{100 * row['majority_accuracy']:.0f} %, p = {row['p']:.2g}); compare groups "
        "within a session, or split by session"
        for row in found.to_dict("records")
        if row["accuracy"] > row["majority_accuracy"]
    ]


@dataclass(frozen=True)
class Asked:
    """One question: labels of the scans, and how they may be exchanged.

    Attributes
    ----------
    name
        ``target``, ``session``, ``block`` or ``treatment_before``.
    classes
        Labels.
    codes
        Class number of every scan.
    within
        What labels are exchanged within, in words.
    """

    name: str
    classes: tuple[str, ...]
    codes: Codes
    within: str


def negative_control_table(
    job: Job, data: Labelled, plan: Plan, steps: Sequence[str]
) -> pd.DataFrame:
    """Return how well the same procedure names the target, the session and the block.

    Parameters
    ----------
    job
        Of the rule ``negative_controls``.
    data, plan
        Labels and splits of the classifier; the first repeat is used.
    steps
        Preprocessing steps to choose among.

    Returns
    -------
    pandas.DataFrame
        Columns of ``questions.csv``. Session labels are exchanged within units (a unit's scans of
        one session stay together), or among the units of an outer fold if each has one session;
        block labels among units of an outer fold.
    """
    import pandas as pd

    rows = [
        _row(data, plan, steps, job.settings, asked) if isinstance(asked, Asked) else asked
        for asked in _questions(data, plan, job.settings)
    ]
    control = control_row(job, data, steps)
    if control is not None:
        rows.append(control)
    return pd.DataFrame(rows, columns=list(QUESTIONS))


def _questions(
    data: Labelled, plan: Plan, job_settings: Mapping[str, Any]
) -> list[Asked | tuple[object, ...]]:
    settings, design = job_settings["classes"], job_settings["design"]
    found: list[Asked | tuple[object, ...]] = []
    if not design["block"] or len(data.blocks) < 2:
        found.append(_not_asked("block", "the design has no two blocks"))
    elif settings["target"] == design["block"]:
        found.append(_not_asked("block", "it is the target"))
    else:
        codes = data.unit_blocks[data.unit_of]
        found.append(Asked("block", data.blocks, codes, "outer fold"))
    if len(data.sessions) < 2:
        found.append(_not_asked("session", "the scans are of one session"))
    elif settings["split"] == "session":
        found.append(_not_asked("session", "the split is by session"))
    else:
        within = "unit" if _days_of_units(data) is None else "outer fold"
        found.append(Asked("session", data.sessions, data.day, within))
    found.append(Asked("target", data.classes, data.codes, plan.within))
    return found


def control_row(job: Job, data: Labelled, steps: Sequence[str]) -> tuple[object, ...] | None:
    """Ask for the treatment before it was given: a procedure that finds it there is at fault.

    Parameters
    ----------
    job
        Of the rule ``negative_controls``.
    data
        What the classifier was trained on.
    steps
        Preprocessing steps to choose among.

    Returns
    -------
    tuple or None
        A row of ``questions.csv``; none if the target is not the treatment or no session before
        the treatment is left to ask.
    """
    design = job.settings["design"]
    before = [s["session"] for s in design["sessions"] if s["phase"] == "before"]
    others = [s for s in before if s in job.by_session("reflectance") and s not in data.sessions]
    if job.settings["classes"]["target"] != design["treatment"] or not others:
        return None
    own = dict(job.settings["classes"]) | {"sessions": others}
    if own["split"] == "session":
        own["split"] = "unit"
    settings = dict(job.settings) | {"classes": own}
    try:
        control = labelled_spectra(job, others)
        plan = planned(control, settings)
    except InputFault as fault:
        return _not_asked(BEFORE, fault.problems[0].found)
    asked = Asked(BEFORE, control.classes, control.codes, plan.within)
    return _row(control, plan, steps, settings, asked)


def _not_asked(name: str, why: str) -> tuple[object, ...]:
    empty = (np.nan,) * 6
    told = f"The {name.replace('_', ' ')} was not asked for: {why}."
    return (name, *empty, 0, "", told, why)


def _row(
    data: Labelled,
    plan: Plan,
    steps: Sequence[str],
    job_settings: Mapping[str, Any],
    asked: Asked,
) -> tuple[object, ...]:
    settings = job_settings["classes"]
    other = replace(data, codes=asked.codes, classes=asked.classes)
    scheme, tested = plan.test_scheme, plan.tested
    procedure = procedure_of(len(asked.classes), plan.widths[-1], settings)
    draws = min(int(settings["n_permutations"]), MOST_DRAWS)
    labellings = _labellings(other, plan, asked, draws, int(settings["seed"]))
    reached = nested_accuracy(
        nested_predictors(other, steps, procedure, scheme),
        scheme,
        labellings,
        data.unit_of,
        plan.widths,
    )
    codes = asked.codes[tested]
    majority = float(np.bincount(codes).max() / len(codes))
    p = share_reaching(reached) if len(reached) > 1 else np.nan
    name = {
        "target": settings["target"],
        BEFORE: f"{settings['target']} before it was given ({', '.join(data.sessions)})",
    }.get(asked.name, asked.name)
    sentence = (
        f"Asked for the {name}, the same procedure names {100 * reached[0]:.0f} % of the scans "
        f"rightly (always naming the largest class: {100 * majority:.0f} %)"
        + (f", permutation p = {p:.2g}." if len(reached) > 1 else ".")
    )
    mixed = _inseparable(data, settings["target"], asked)
    if mixed:
        sentence += f" {mixed[0].upper()}{mixed[1:]}."
    reason = "; ".join(text for text in (mixed, _caveat(scheme, asked)) if text)
    return (asked.name, len(asked.classes), len(np.unique(data.unit_of[tested])), len(codes),
            float(reached[0]), majority, p, len(reached) - 1, asked.within, sentence,
            reason)  # fmt: skip


def _inseparable(data: Labelled, target: str, asked: Asked) -> str:
    """Say which classes of the target share no session or block, so that the two are one label."""
    if asked.name not in ("session", "block"):
        return ""
    pairs = confounded_classes(data.codes, asked.codes, data.classes)
    if not pairs:
        return ""
    told = first_words([f"{a} and {b}" for a, b in pairs], 5)
    return (
        f"classes {told} were never measured in the same {asked.name}: what names the {target} may "
        f"be the {asked.name}, and these scans cannot tell which"
    )


def _caveat(scheme: Scheme, asked: Asked) -> str:
    """Say where a label is missing from training, so that it cannot be named."""
    lost = {
        asked.classes[code]
        for i, outer in enumerate(scheme.outer)
        for code in np.unique(asked.codes[scheme.fold == i])
        if code not in asked.codes[scheme.training[outer]]
    }
    if not lost:
        return ""
    return f"{', '.join(sorted(lost))} missing from training in some folds: it cannot be named"


def _labellings(data: Labelled, plan: Plan, asked: Asked, n_draws: int, seed: int) -> Codes:
    """Return labellings of the scans, the observed one first, shape ``(1 + n, n_scans)``."""
    rng = generator(seed, "question", asked.name)
    if n_draws == 0 or (asked.name not in ("session", "block") and data.labels_by == BY_SCAN):
        return data.codes[None, :]
    labels, cells = data.unit_codes, plan.cells
    if asked.name in ("session", "block"):
        days = _days_of_units(data)
        if asked.name == "session" and days is None:
            return _days_exchanged(data, n_draws, rng)
        labels = data.unit_blocks if asked.name == "block" or days is None else days
        cells = plan.cells // (len(data.blocks) + 1)
        return arrangements(labels, cells, n_draws, rng)[0][:, data.unit_of]
    return data.scan_codes(arrangements(labels, cells, n_draws, rng)[0])


def _days_of_units(data: Labelled) -> Codes | None:
    """Return the day of every unit if each was measured in one session only."""
    first = np.zeros(len(data.units), dtype=np.int_)
    first[data.unit_of] = data.day
    return first if np.array_equal(first[data.unit_of], data.day) else None


def _days_exchanged(data: Labelled, n_draws: int, rng: np.random.Generator) -> Codes:
    """Exchange whole days within every unit."""
    out = np.empty((n_draws + 1, len(data.day)), dtype=np.int_)
    out[0] = data.day
    members = members_of(data.unit_of)
    for row in out[1:]:
        for scans in members:
            there, place = np.unique(data.day[scans], return_inverse=True)
            row[scans] = rng.permutation(there)[place]
    return out
