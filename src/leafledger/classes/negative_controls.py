"""Is it chance, the day or the bench? Permuted labels, held-out sessions, negative controls.

The whole nested procedure on permuted labels; on sessions that it was not trained on; and, by
rule ``negative_controls``, for other labels: the session, the block, and the treatment before it
was given. If spectra tell the session or the block as readily as the treatment, the classifier may
have learned the day or the bench. The default split holds out units, so the model has seen every
session, and what was handled differently on one day teaches it that handling.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.cross_validation import nested_predictions
from leafledger.classes.fold_assignment import Plan, planned, untrained
from leafledger.classes.fold_fit import Codes, Predict, nested_predictors, procedure_of
from leafledger.classes.labelled_scans import BY_SCAN, Labelled, labelled_spectra, sampled
from leafledger.errors import InputFault, first_words
from leafledger.records.record import Job, Outcome
from leafledger.resampling.intervals import paired_share_interval, wilson_interval
from leafledger.resampling.permutation import generator, label_permutations, n_arrangements
from leafledger.resampling.splits import Scheme, members_of, unit_shares
from leafledger.spectra.applicability import steps_of
from leafledger.study.table_files import write_csv
from leafledger.study.tables import QUESTIONS
from leafledger.words import shown_p

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

# Is it better than chance? The whole nested procedure on permuted labels.
# ----------------------------------------------------------------------

FEW_ARRANGEMENTS = 200
"""Arrangements within folds up to which labels move beyond the folds instead."""
MOST_REDEALT = 199
"""Draws at most where every labelling gets folds of its own and not all can be listed, and on a
sample of units."""
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
    if n_arrangements(labels, cells) <= n_draws + 1:
        every = label_permutations(labels, cells, 0, rng, n_draws + 1).labels
        return np.vstack([labels, every[(every != labels).any(axis=1)]]), True
    out = np.empty((n_draws + 1, len(labels)), dtype=np.int_)
    out[0] = labels
    units_of_cell = members_of(np.unique(cells, return_inverse=True)[1])
    for row in out[1:]:
        for units in units_of_cell:
            row[units] = rng.permutation(labels[units])
    return out, False


def permutation_test(
    predictors: Sequence[Predict],
    data: Labelled,
    plan: Plan,
    n_draws: int,
    rng: np.random.Generator,
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
    data, plan
        Labels and splits; ``plan.test_scheme`` is that of the observed labels.
    n_draws
        Number of permutations.
    rng
        Random stream.

    Returns
    -------
    PermutationTest
        ``p = (b + 1) / (B + 1)`` with ``b`` of ``B`` permuted labellings at least as accurate.

    References
    ----------
    Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39 (p is never zero); Ojala & Garriga
    2010, J. Mach. Learn. Res. 11:1833-1863 (permutation of classifiers).
    """
    redeal, cells, within = None, plan.cells, plan.within
    if plan.redeal is not None and n_arrangements(data.unit_codes, cells) <= FEW_ARRANGEMENTS:
        redeal, cells, within = plan.redeal, plan.exchangeable, plan.exchangeable_within
        if n_arrangements(data.unit_codes, cells) > n_draws + 1:
            n_draws = min(n_draws, MOST_REDEALT)
    labellings, enumerated = arrangements(data.unit_codes, cells, n_draws, rng)
    codes = data.scan_codes(labellings)
    if redeal is None:
        accuracy = nested_accuracy(predictors, plan.test_scheme, codes, data.unit_of, plan.widths)
    else:
        accuracy = np.empty(len(codes))
        for i, labels in enumerate(labellings):
            scheme = redeal(labels, rng) if i else plan.test_scheme
            (accuracy[i],) = nested_accuracy(
                predictors, scheme, codes[[i]], data.unit_of, plan.widths
            )
    return PermutationTest(
        accuracy=accuracy,
        p=share_reaching(accuracy),
        n_arrangements=n_arrangements(data.unit_codes, cells),
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
    predictors
        One per preprocessing.
    scheme
        Training sets, the same for all labellings.
    labellings
        Class number of every scan, shape ``(n_labellings, n_scans)``.
    units
        Unit number of every scan.
    widths
        Numbers of latent variables to search (see
        :func:`leafledger.classes.cross_validation.choose`).

    Returns
    -------
    numpy.ndarray
        Share of the scans held out that were named rightly, shape ``(n_labellings,)``.
    """
    accuracy: list[NDArray[np.float64]] = []
    at_once = max(1, min(_LABELLINGS_AT_ONCE, _SCANS_AT_ONCE // len(units)))
    for start in range(0, len(labellings), at_once):
        labels = labellings[start : start + at_once]
        predicted = nested_predictions(predictors, scheme, labels, units, widths)
        accuracy.append((predicted == labels)[:, scheme.tested].mean(axis=1))
    return np.concatenate(accuracy)


def share_reaching(accuracy: Array) -> float:
    """Return the share of labellings that do at least as well as the first, itself included."""
    return float((accuracy >= accuracy[0] - 1e-12).sum() / len(accuracy))


# Would the classifier hold on another day? Accuracy on sessions that it was not trained on.
# ----------------------------------------------------------------------
# The default split holds out units, so the model has seen every session. If the classes were
# handled differently on one day (who was measured first, where the lamp stood), other units of the
# same day teach it that handling, and the default accuracy is that of the day. Here every session
# is held out in turn, on units that the model has not seen either.

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
    labels = data.codes[None, :]
    right, right_if_seen = (
        nested_predictions(predictors, scheme, labels, data.unit_of, plan.widths)[0] == data.codes
        for scheme in plan.unseen_days
    )
    accuracy = float(right.mean())
    # 1. The gap, unit by unit; every unit counts by its scans. Both sides train on as many
    #    sessions, so that a gap is not that of fewer scans.
    scans = np.bincount(data.unit_of).astype(np.float64)
    difference = (
        scans / scans.mean() * unit_shares(right_if_seen.astype(np.float64) - right, data.unit_of)
    )
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


def session_facts(held_out: HeldOutSessions | None) -> dict[str, Any] | None:
    """Return what ``summary.json`` holds of held-out sessions; null where they have no meaning."""
    if held_out is None:
        return None
    return {
        "accuracy": held_out.accuracy,
        "by_session": held_out.by_session,
        "interval": [held_out.low, held_out.high],
        "ci_level": LEVEL,
        "gap": held_out.gap,
        "gap_interval": [held_out.gap_low, held_out.gap_high],
        "day_specific": held_out.day_specific,
        "rule": RULE,
    }


def session_warnings(held_out: HeldOutSessions | None, accuracy: float, target: str) -> list[str]:
    """Warn where the classes are told apart by the day they were handled."""
    if held_out is None or not held_out.day_specific:
        return []
    return [
        f"the groups of {target} are told apart by the day they were handled: "
        f"{100 * accuracy:.0f} % of the scans are put in the right class when their units are held "
        f"out, {100 * held_out.accuracy:.0f} % when their session is held out too "
        f"(95 % interval {100 * held_out.low:.0f} to {100 * held_out.high:.0f} %). Expect the "
        "second on another day"
    ]


# Is it the day or the treatment? Rule ``negative_controls``: the same procedure, other labels.
# ----------------------------------------------------------------------
# The splits stay those of the classifier.


def confounded_classes(
    codes: Codes, conditions: Codes, classes: tuple[str, ...]
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
    conditions_of = [set(conditions[codes == i].tolist()) for i in range(len(classes))]
    return [
        (classes[i], classes[j])
        for i, j in combinations(range(len(classes)), 2)
        if not conditions_of[i] & conditions_of[j]
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
    pairs = {word: _confounded_pairs(data, numbers) for word, _, numbers in conditions}
    return [
        f"classes of {target} that were never measured in the same {word}: {pairs[word]}. What "
        f"tells them apart may be the {cause}, and no way of splitting these scans can show which"
        for word, cause, _ in conditions
        if pairs[word]
    ]


def _confounded_pairs(data: Labelled, conditions: Codes) -> str:
    """Name the first pairs of classes that share no condition; ``""`` if there are none."""
    pairs = confounded_classes(data.codes, conditions, data.classes)
    return first_words([f"{a} and {b}" for a, b in pairs], 5) if pairs else ""


BEFORE = "treatment_before"
ALPHA = 0.05
"""Level at which the session is said to be told apart."""
MOST_DRAWS = 99
"""Labellings drawn at most: enough to see whether chance explains it."""
MOST_SCANS = 800
"""Scans at most; beyond, a sample of units, stated in the sentence."""


def run(job: Job) -> Outcome:
    """Predict session, block and the treatment before it was given by the same procedure."""
    settings = job.settings["classes"]
    data, sample = sampled(labelled_spectra(job), MOST_SCANS, int(settings["seed"]))
    plan = planned(data, job.settings)
    steps = steps_of(settings["preprocessing"], data.wavelength_nm)
    controls = negative_control_table(job, data, plan, steps)
    if sample is not None:
        words = sample.words(job.settings["design"]["unit"])
        has_result = controls["n_draws"].notna() & controls["accuracy"].notna()
        # The treatment before has scans, and a sample, of its own.
        has_result &= controls["asked"] != BEFORE
        controls.loc[has_result, "sentence"] += f" On {words}."
    write_csv(job.outputs["questions"], controls, QUESTIONS)
    return Outcome(warnings=_session_recognised(controls), seeds={"classes": int(settings["seed"])})


def _session_recognised(controls: pd.DataFrame) -> list[str]:
    """Warn if sessions are told apart better than by always naming the largest."""
    return [
        f"the spectra tell the session: {100 * row['accuracy']:.0f} % of the scans are put "
        f"in the right one of {row['n_classes']} (always naming the largest: "
        f"{100 * row['majority_accuracy']:.0f} %, p {shown_p(row['p'])}); compare groups "
        "within a session, or split by session"
        for row in controls.to_dict("records")
        if row["asked"] == "session"
        and row["p"] <= ALPHA
        and row["accuracy"] > row["majority_accuracy"]
    ]


@dataclass(frozen=True)
class Control:
    """Labels that the procedure is to predict, and how they may be exchanged.

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


Row = tuple[object, ...]
"""A row of ``questions.csv``."""


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

    settings, design = job.settings["classes"], job.settings["design"]
    no_block = "it is the target" if settings["target"] == design["block"] else ""
    if not design["block"] or len(data.blocks) < 2:
        no_block = "the design has no two blocks"
    no_session = "the split is by session" if settings["split"] == "session" else ""
    if len(data.sessions) < 2:
        no_session = "the scans are of one session"
    within = "unit" if _day_of_units(data) is None else "outer fold"
    block_codes = data.unit_blocks[data.unit_of]
    controls = [
        (Control("block", data.blocks, block_codes, "outer fold"), no_block),
        (Control("session", data.sessions, data.day, within), no_session),
        (Control("target", data.classes, data.codes, plan.within), ""),
    ]
    rows = [
        _not_asked(control.name, why_not)
        if why_not
        else _control_row(data, plan, steps, job.settings, control)
        for control, why_not in controls
    ]
    before = treatment_before_row(job, data, steps)
    return pd.DataFrame([*rows, *([before] if before else [])], columns=list(QUESTIONS))


def treatment_before_row(job: Job, data: Labelled, steps: Sequence[str]) -> Row | None:
    """Predict the treatment before it was given: a procedure that finds it there is at fault.

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
    classes = {**job.settings["classes"], "sessions": others}
    if classes["split"] == "session":
        classes["split"] = "unit"
    settings = {**job.settings, "classes": classes}
    try:
        seed = int(job.settings["classes"]["seed"])
        earlier, sample = sampled(labelled_spectra(job, others), MOST_SCANS, seed)
        plan = planned(earlier, settings)
    except InputFault as fault:
        return _not_asked(BEFORE, fault.problems[0].found)
    control = Control(BEFORE, earlier.classes, earlier.codes, plan.within)
    row = list(_control_row(earlier, plan, steps, settings, control))
    if sample is not None:
        column = QUESTIONS.index("sentence")
        row[column] = f"{row[column]} On {sample.words(design['unit'])}."
    return tuple(row)


def _not_asked(name: str, why: str) -> Row:
    sentence = f"The {name.replace('_', ' ')} was not asked for: {why}."
    return (name, *(np.nan,) * 6, 0, "", sentence, why)


def _control_row(
    data: Labelled,
    plan: Plan,
    steps: Sequence[str],
    job_settings: Mapping[str, Any],
    control: Control,
) -> Row:
    settings, scheme, tested = job_settings["classes"], plan.test_scheme, plan.tested
    relabelled = replace(data, codes=control.codes, classes=control.classes)
    procedure = procedure_of(len(control.classes), plan.widths[-1], settings)
    accuracy = nested_accuracy(
        nested_predictors(relabelled, steps, procedure, scheme),
        scheme,
        _labellings(relabelled, plan, control, settings),
        data.unit_of,
        plan.widths,
    )
    codes = control.codes[tested]
    majority = float(np.bincount(codes).max() / len(codes))
    p = share_reaching(accuracy) if len(accuracy) > 1 else np.nan
    name = {
        "target": settings["target"],
        BEFORE: f"{settings['target']} before it was given ({', '.join(data.sessions)})",
    }.get(control.name, control.name)
    sentence = (
        f"Asked for the {name}, the same procedure names {100 * accuracy[0]:.0f} % of the scans "
        f"rightly (always naming the largest class: {100 * majority:.0f} %)"
        + (f", permutation p {shown_p(p)}." if len(accuracy) > 1 else ".")
    )
    reasons = []
    pairs = "" if control.name not in _CONDITIONS else _confounded_pairs(data, control.codes)
    if pairs:
        reasons.append(
            f"classes {pairs} were never measured in the same {control.name}: what names the "
            f"{settings['target']} may be the {control.name}, and these scans cannot tell which"
        )
        sentence += f" {reasons[0][0].upper()}{reasons[0][1:]}."
    if lost := sorted(control.classes[code] for code in untrained(scheme, control.codes)):
        reasons.append(f"{', '.join(lost)} missing from training in some folds: it cannot be named")
    return (control.name, len(control.classes), len(np.unique(data.unit_of[tested])), len(codes),
            float(accuracy[0]), majority, p, len(accuracy) - 1, control.within, sentence,
            "; ".join(reasons))  # fmt: skip


_CONDITIONS = ("session", "block")
"""Labels of how scans were taken: not those of the target."""


def _labellings(data: Labelled, plan: Plan, control: Control, settings: Mapping[str, Any]) -> Codes:
    """Return labellings of the scans, the observed one first, shape ``(1 + n, n_scans)``."""
    rng = generator(int(settings["seed"]), "question", control.name)
    n_draws = min(int(settings["n_permutations"]), MOST_DRAWS)
    condition = control.name in _CONDITIONS
    if n_draws == 0 or (data.labels_by == BY_SCAN and not condition):
        return data.codes[None, :]
    if not condition:
        return data.scan_codes(arrangements(data.unit_codes, plan.cells, n_draws, rng)[0])
    day_of = _day_of_units(data)
    if control.name == "session" and day_of is None:
        return _days_exchanged(data, n_draws, rng)
    labels = data.unit_blocks if control.name == "block" or day_of is None else day_of
    cells = plan.cells // (len(data.blocks) + 1)
    return arrangements(labels, cells, n_draws, rng)[0][:, data.unit_of]


def _day_of_units(data: Labelled) -> Codes | None:
    """Return the day of every unit if each was measured in one session only."""
    day_of = np.zeros(len(data.units), dtype=np.int_)
    day_of[data.unit_of] = data.day
    return day_of if np.array_equal(day_of[data.unit_of], data.day) else None


def _days_exchanged(data: Labelled, n_draws: int, rng: np.random.Generator) -> Codes:
    """Exchange whole days within every unit."""
    out = np.empty((n_draws + 1, len(data.day)), dtype=np.int_)
    out[0] = data.day
    scans_of_unit = members_of(data.unit_of)
    for row in out[1:]:
        for scans in scans_of_unit:
            days, day = np.unique(data.day[scans], return_inverse=True)
            row[scans] = rng.permutation(days)[day]
    return out
