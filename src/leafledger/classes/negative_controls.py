"""Is it chance, the day or the bench? Permuted labels, held-out sessions, and other questions.

The whole nested procedure on permuted labels; on sessions that it was not trained on; and, by
rule ``negative_controls``, asked for the session, the block, and the treatment before it was
given. If spectra tell the session or the block as readily as the treatment, the classifier may
have learned the day or the bench. The default split holds out units, so the model has seen every
session, and what was handled differently on one day teaches it that handling.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_assignment import Plan, planned
from leafledger.classes.fold_fit import Codes, Predict, nested_predictors, procedure_of, steps_of
from leafledger.classes.splits import BY_SCAN, Labelled, Scheme, labelled_spectra, members_of
from leafledger.classes.validation import nested_predictions, unit_shares
from leafledger.errors import InputFault, first_words
from leafledger.records.record import Job, Outcome
from leafledger.resampling.intervals import paired_share_interval, wilson_interval
from leafledger.resampling.permutation import generator
from leafledger.study.table_files import write_csv
from leafledger.study.tables import QUESTIONS
from leafledger.words import shown_p

if TYPE_CHECKING:
    import pandas as pd


# Is it better than chance, and would it hold on another day?
# ----------------------------------------------------------------------
# The whole nested procedure on permuted labels, and on sessions that it was not trained on. The
# default split holds out units, so the model has seen every session. If the classes were handled
# differently on one day (who was measured first, where the lamp stood), other units of the same day
# teach it that handling, and the default accuracy is that of the day.

# The classifier against chance: the whole nested procedure on permuted labels.
# ----------------------------------------------------------------------

FEW_ARRANGEMENTS = 200
"""Arrangements within folds up to which labels move beyond the folds instead."""
MOST_REDEALT = 199
"""Draws at most where every labelling gets folds of its own and not all can be listed."""
_LABELLINGS_AT_ONCE = 100
_SCANS_AT_ONCE = 100_000
"""Labellings times scans walked through together, so that memory stays below 1 GB."""


@dataclass(frozen=True)
class PermutationTest:
    """Outcome of the permutation test.

    Attributes
    ----------
    accuracy
        Nested accuracy of one deal: first as observed, then one per draw.
    p
        Share of labellings, the observed one included, that do at least as well.
    n_arrangements
        How many labellings the design allows, the observed one included.
    enumerated
        Whether every one of them was taken, instead of draws by chance.
    within
        What labels were exchanged within, in words.
    """

    accuracy: NDArray[np.float64]
    p: float
    n_arrangements: int
    enumerated: bool
    within: str

    @property
    def p_smallest(self) -> float:
        """Smallest p that could have been found."""
        return 1 / len(self.accuracy)


def arrangement_count(labels: Codes, cells: Codes) -> int:
    """Return how many ways there are to share out the labels within cells.

    Examples
    --------
    >>> arrangement_count(np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1]))
    4
    """
    total = 1
    for cell in np.unique(cells):
        counts = np.unique(labels[cells == cell], return_counts=True)[1]
        total *= math.factorial(int(counts.sum()))
        for count in counts:
            total //= math.factorial(int(count))
    return total


def arrangements(
    labels: Codes, cells: Codes, n_draws: int, rng: np.random.Generator
) -> tuple[Codes, bool]:
    """Return labellings of the units, permuted within cells, the observed one first.

    Parameters
    ----------
    labels
        Class number of every unit, shape ``(n_units,)``.
    cells
        Units that may exchange labels share a number: outer fold, and block where treatments
        were allotted within blocks.
    n_draws
        How many to draw; if the design allows no more than these, all are listed instead.
    rng
        Random stream.

    Returns
    -------
    tuple
        Labellings of shape ``(1 + n, n_units)``, and whether they are all there are.
    """
    if arrangement_count(labels, cells) <= n_draws + 1:
        return _all_arrangements(labels, cells), True
    out = np.empty((n_draws + 1, len(labels)), dtype=np.int_)
    out[0] = labels
    members = [np.flatnonzero(cells == cell) for cell in np.unique(cells)]
    for row in out[1:]:
        for places in members:
            row[places] = rng.permutation(labels[places])
    return out, False


def _all_arrangements(labels: Codes, cells: Codes) -> Codes:
    members = [np.flatnonzero(cells == cell) for cell in np.unique(cells)]
    ways = [list(_distinct(sorted(labels[places].tolist()))) for places in members]
    rows = []
    for combination in product(*ways):
        row = np.empty(len(labels), dtype=np.int_)
        for places, values in zip(members, combination, strict=True):
            row[places] = values
        if not np.array_equal(row, labels):
            rows.append(row)
    return np.array([labels, *rows])


def _distinct(values: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Yield every different order of sorted values, in rising order."""
    if not values:
        yield ()
        return
    for i, value in enumerate(values):
        if i == 0 or values[i - 1] != value:
            for rest in _distinct([*values[:i], *values[i + 1 :]]):
                yield (value, *rest)


def permutation_test(
    predictors: Sequence[Predict],
    plan: Plan,
    unit_labels: Codes,
    units: Codes,
    n_draws: int,
    rng: np.random.Generator,
    scan_codes: Callable[[Codes], Codes] | None = None,
) -> PermutationTest:
    """Compare the nested accuracy of the observed labels with that of permuted ones.

    Where the folds allow many arrangements, folds stay as they are and labels move within them,
    so that every labelling has the same number of each class in every fold as the observed one:
    otherwise the test rejects too often. Where they allow few, labels move as far as the design
    allows, and every labelling gets folds of its own, dealt by the same rule as the observed one.

    Where labels change by session, a unit's labels move as one sequence: what all units share of a
    session (its date, its lamp) stays with its labels, so it cannot make a labelling stand out.

    Parameters
    ----------
    predictors
        One per preprocessing.
    plan
        Splits; ``test_scheme`` is that of the observed labels.
    unit_labels
        Observed class number (or number of the label sequence) of every unit, ``(n_units,)``.
    units
        Unit number of every scan.
    n_draws
        Number of permutations.
    rng
        Random stream.
    scan_codes
        Returns the class of every scan for labels of the units
        (:meth:`leafledger.classes.splits.Labelled.scan_codes`); left out, that of its unit.

    Returns
    -------
    PermutationTest
        ``p = (b + 1) / (B + 1)`` with ``b`` of ``B`` permuted labellings at least as accurate.

    References
    ----------
    Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39 (p is never zero); Ojala & Garriga
    2010, J. Mach. Learn. Res. 11:1833-1863 (permutation of classifiers).
    """
    cells, within = plan.cells, plan.within
    few = arrangement_count(unit_labels, cells) <= FEW_ARRANGEMENTS
    redealt = few and plan.redeal is not None
    if redealt:
        cells, within = plan.exchangeable, plan.exchangeable_within
        if arrangement_count(unit_labels, cells) > n_draws + 1:
            n_draws = min(n_draws, MOST_REDEALT)
    labellings, enumerated = arrangements(unit_labels, cells, n_draws, rng)
    scans = labellings[:, units] if scan_codes is None else scan_codes(labellings)
    if not redealt or plan.redeal is None:
        reached = nested_accuracy(predictors, plan.test_scheme, scans, units, plan.widths)
    else:
        reached = np.empty(len(labellings))
        for i, labels in enumerate(labellings):
            scheme = plan.test_scheme if i == 0 else plan.redeal(labels, rng)
            reached[i] = nested_accuracy(predictors, scheme, scans[i : i + 1], units, plan.widths)[
                0
            ]
    return PermutationTest(
        accuracy=reached,
        p=share_reaching(reached),
        n_arrangements=arrangement_count(unit_labels, cells),
        enumerated=enumerated,
        within=within,
    )


def nested_accuracy(
    predictors: Sequence[Predict],
    scheme: Scheme,
    labellings: Codes,
    units: Codes,
    widths: Sequence[int],
) -> NDArray[np.float64]:
    """Return the nested accuracy of every labelling of the scans.

    Parameters
    ----------
    predictors, units
        See :func:`permutation_test`.
    scheme
        Training sets, the same for all labellings.
    labellings
        Class number of every scan, shape ``(n_labellings, n_scans)``.
    widths
        Numbers of latent variables to search (see
        :func:`leafledger.classes.validation.choose`).

    Returns
    -------
    numpy.ndarray
        Share of the scans held out that were named rightly, shape ``(n_labellings,)``.
    """
    accuracy: list[NDArray[np.float64]] = []
    at_once = max(1, min(_LABELLINGS_AT_ONCE, _SCANS_AT_ONCE // len(units)))
    for start in range(0, len(labellings), at_once):
        labels = labellings[start : start + at_once]
        said = nested_predictions(predictors, scheme, labels, units, widths)
        accuracy.append((said == labels)[:, scheme.tested].mean(axis=1))
    return np.concatenate(accuracy)


def share_reaching(reached: NDArray[np.float64]) -> float:
    """Return the share of labellings that do at least as well as the first, itself included."""
    return float((reached >= reached[0] - 1e-12).sum() / len(reached))


# Would the classifier hold on another day? Accuracy on sessions that it was not trained on.
# ----------------------------------------------------------------------
# The default split holds out units, so the model has seen every session. If the classes were
# handled differently on one day (who was measured first, where the lamp stood), other units of the
# same day teach it that handling, and the default accuracy is that of the day. Here every session
# is held out in turn, on units that the model has not seen either.

Array = NDArray[np.float64]
LEVEL = 0.95
ONE_SIDED = 1.645
"""Standard errors that a gap without a cause exceeds in 5 % of studies."""
RULE = (
    "every session held out in turn, trained on the other units in all other sessions; the gap is "
    "to models of as many sessions that were trained on the session they are judged in; where it "
    "is larger than the margin and than chance allows (one-sided, 5 %), the classes are said to be "
    "told apart by the day; the interval is Wilson's, with so many trials that the variance of a "
    "share of them is p (1 - p) / units + gap^2 / (2 sessions)"
)


@dataclass(frozen=True)
class HeldOutSessions:
    """Accuracy on sessions that were not trained on.

    Attributes
    ----------
    accuracy
        Share of all scans called right while their session and their unit were held out.
    by_session
        Session -> the same of its scans.
    low, high
        Interval of ``accuracy`` for a new session.
    gap, gap_low, gap_high
        Accuracy of models of as many sessions that know the session, minus this, and its interval
        over units.
    day_specific
        Whether the gap is larger than the margin and than chance allows (one-sided, 5 %).
    """

    accuracy: float
    by_session: dict[str, float]
    low: float
    high: float
    gap: float
    gap_low: float
    gap_high: float
    day_specific: bool


def held_out_sessions(
    data: Labelled, plan: Plan, predictors: list[Predict], margin: float
) -> HeldOutSessions | None:
    """Return the accuracy on held-out sessions; nothing where it has no meaning.

    Parameters
    ----------
    data, plan
        Labels and splits.
    predictors
        One per preprocessing.
    margin
        Gap of accuracy that matters.
    """
    if plan.unseen_days is None:
        return None
    right, known = (
        (
            nested_predictions(predictors, scheme, data.codes[None, :], data.unit_of, plan.widths)[
                0
            ]
            == data.codes
        ).astype(np.float64)
        for scheme in plan.unseen_days
    )
    accuracy = float(right.mean())
    # 1. The gap, unit by unit; every unit counts by its scans. Both sides train on as many
    #    sessions, so that a gap is not that of fewer scans.
    scans = np.bincount(data.unit_of).astype(np.float64)
    difference = scans / scans.mean() * unit_shares(known - right, data.unit_of)
    n_units = len(difference)
    gap = float(difference.mean())
    gap_low, gap_high = paired_share_interval(difference, LEVEL)
    error = float(difference.std(ddof=1) / np.sqrt(n_units)) if n_units > 1 else np.inf
    day_specific = gap > margin and gap > ONE_SIDED * error
    # 2. The interval.
    low, high = session_interval(accuracy, gap, n_units, len(data.sessions))
    by_session = {name: float(right[data.day == i].mean()) for i, name in enumerate(data.sessions)}
    return HeldOutSessions(
        accuracy, by_session, low, high, gap, gap_low, gap_high, bool(day_specific)
    )


def session_interval(
    accuracy: float, gap: float, n_units: int, n_sessions: int, level: float = LEVEL
) -> tuple[float, float]:
    """Return the interval of the accuracy that a new session would show.

    Scans of one session share its handling, so units are no independent trials where handling
    matters. How much it matters is the gap: a model that knows the handling of the day gains it, a
    model of other days gains or loses with it by chance, at most as much.

    Parameters
    ----------
    accuracy
        Share of scans called right while their session and unit were held out.
    gap
        What models that know the session reach beyond that; counts as 0 if negative.
    n_units, n_sessions
        Number of units and of sessions.
    level
        Confidence level.

    Returns
    -------
    tuple
        Lower and upper limit.

    Notes
    -----
    The variance of a new session's handling is that of ``gap cos(phi)`` with an angle ``phi`` of
    any size alike, ``gap^2 / 2``. That is the project's own rule, made for want of a published one:
    the variance between few sessions cannot be had from their accuracies, because every session is
    judged by the others and two sessions judge each other alike. In simulated studies (2 to 6
    sessions, 24 units, handling in 8 directions) it covers 93 to 98 %; where very strong
    handling has one direction, 89 % (two sessions) and 91 % (three): they may look alike by chance.

    References
    ----------
    Kish 1965, Survey Sampling, sec. 8.2 (effective number of trials by the design effect); Wilson
    1927, J. Am. Stat. Assoc. 22:209-212.

    Examples
    --------
    >>> [round(limit, 2) for limit in session_interval(0.5, 0.0, 24, 3)]
    [0.31, 0.69]
    >>> [round(limit, 2) for limit in session_interval(0.5, 0.3, 24, 3)]
    [0.24, 0.76]
    """
    # 1. Variance of the accuracy: units, and the handling of the sessions.
    share = min(max(accuracy, 0.5 / n_units), 1 - 0.5 / n_units)
    of_one = share * (1 - share)
    variance = of_one / n_units + max(gap, 0.0) ** 2 / (2 * n_sessions)
    # 2. So many independent trials would have that variance.
    trials = max(of_one / variance, 1.0)
    # 3. Wilson's interval with these.
    return wilson_interval(min(accuracy, 1.0) * trials, trials, level)


def session_facts(found: HeldOutSessions | None) -> dict[str, Any]:
    """Return the keys of ``summary.json`` on held-out sessions; null where they have no meaning."""
    if found is None:
        return {"held_out_sessions": None}
    return {
        "held_out_sessions": {
            "accuracy": found.accuracy,
            "by_session": found.by_session,
            "interval": [found.low, found.high],
            "ci_level": LEVEL,
            "gap": found.gap,
            "gap_interval": [found.gap_low, found.gap_high],
            "day_specific": found.day_specific,
            "rule": RULE,
        }
    }


def session_warnings(found: HeldOutSessions | None, accuracy: float, target: str) -> list[str]:
    """Warn where the classes are told apart by the day they were handled."""
    if found is None or not found.day_specific:
        return []
    return [
        f"the groups of {target} are told apart by the day they were handled: "
        f"{100 * accuracy:.0f} % of the scans are put in the right class when their units are held "
        f"out, {100 * found.accuracy:.0f} % when their session is held out too "
        f"(95 % interval {100 * found.low:.0f} to {100 * found.high:.0f} %). Expect the second on "
        "another day"
    ]


# Is it the day or the treatment? Rule ``negative_controls``: the procedure asked for others.
# ----------------------------------------------------------------------
# If spectra tell the session or the block as readily as the treatment, the classifier may have
# learned the day or the bench. The splits stay those of the classifier.


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
    >>> confounded_classes(np.array([0, 0, 1, 2]), np.array([0, 1, 1, 2]), ("A", "B", "C"))
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
        f"{100 * row['majority_accuracy']:.0f} %, p {shown_p(row['p'])}); compare groups "
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
        + (f", permutation p {shown_p(p)}." if len(reached) > 1 else ".")
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
