"""Which accepted spectra take part, under which label, and which train or are held out?

The label is that of the unit, or that of the scan where the target is a column of the scan sheet:
such labels may change from session to session, as the stage of a disease does. A scheme holds the
training sets of one way of splitting, outer and inner.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.records.record import Job
from leafledger.study.table_files import Spectra, load_spectra

if TYPE_CHECKING:
    import pandas as pd


# Which accepted spectra take part, and what is the label of each?
# ----------------------------------------------------------------------
# The label is that of the unit, or that of the scan where the target is a column of the scan sheet:
# such labels may change from session to session, as the stage of a disease does.

_STUDY = "study.yaml"
BY_UNIT, BY_SESSION, BY_SCAN = "unit", "session", "scan"
"""What a label belongs to: one for each unit, for each unit and session, or for each scan."""
Codes = NDArray[np.int_]


@dataclass(frozen=True)
class Labelled:
    """Spectra to learn from.

    Attributes
    ----------
    spectra
        Reflectance, shape ``(n_scans, n_wavelengths)``.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    rows
        scan, session, unit of every scan.
    classes
        Labels, sorted.
    codes
        Class number of every scan.
    units
        Unit ids, sorted.
    unit_of
        Unit number of every scan.
    unit_codes
        Class number of every unit; where labels change, the number of its label sequence
        (``labels_by`` is ``session``) or of the set of its classes (``scan``).
    blocks
        Block labels, sorted; empty without blocks.
    unit_blocks
        Block number of every unit; zeros without blocks.
    sessions
        Sessions that hold accepted scans, in study order.
    day
        Place of every scan's session among them, from 0.
    set_aside
        A sentence for every class that was left out because it has one unit.
    labels_by
        ``unit``: all scans of a unit have one label; ``session``: all scans of a unit in a session
        have one label, and some unit changes it; ``scan``: labels differ within a session too.
    sequences
        Class number by label sequence and session, -1 where the units of that sequence have no
        scan, shape ``(n_sequences, n_sessions)``; empty unless ``labels_by`` is ``session``.
    """

    spectra: NDArray[np.float64]
    wavelength_nm: NDArray[np.float64]
    rows: pd.DataFrame
    classes: tuple[str, ...]
    codes: NDArray[np.int_]
    units: tuple[str, ...]
    unit_of: NDArray[np.int_]
    unit_codes: NDArray[np.int_]
    blocks: tuple[str, ...]
    unit_blocks: NDArray[np.int_]
    sessions: tuple[str, ...]
    day: NDArray[np.int_]
    set_aside: tuple[str, ...] = ()
    labels_by: str = BY_UNIT
    sequences: NDArray[np.int_] = field(default_factory=lambda: np.empty((0, 0), dtype=np.int_))

    def units_per_class(self) -> NDArray[np.int_]:
        """Return the number of units of every class; a unit whose label changes counts in each."""
        return np.bincount(self.labelled_units()[1], minlength=len(self.classes))

    def labelled_units(self) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
        """Return the labelled unit (a unit under one label) of every scan, and the class of each.

        Labelled units are numbered by unit, then class. They are the units themselves where labels
        do not change.
        """
        pairs = self.unit_of * len(self.classes) + self.codes
        there, place = np.unique(pairs, return_inverse=True)
        return place.astype(np.int_), (there % len(self.classes)).astype(np.int_)

    def scan_codes(self, unit_codes: NDArray[np.int_]) -> NDArray[np.int_]:
        """Return the class of every scan if the units had other labels or label sequences.

        Parameters
        ----------
        unit_codes
            Numbers as in the attribute of that name, shape ``(..., n_units)``.

        Returns
        -------
        numpy.ndarray
            Shape ``(..., n_scans)``.

        Raises
        ------
        ValueError
            If labels differ within a session, or a sequence has no label for a session in which
            the unit was measured.
        """
        if self.labels_by == BY_SCAN:
            raise ValueError("labels differ between scans of a unit in one session")
        spread = unit_codes[..., self.unit_of]
        if self.labels_by == BY_UNIT:
            return spread
        codes = self.sequences[spread, self.day]
        if (codes < 0).any():
            raise ValueError("a label sequence of a unit that was not measured in this session")
        return codes

    def measured(self) -> NDArray[np.int_]:
        """Return the number of the set of sessions in which each unit has scans, ``(n_units,)``."""
        there = np.zeros((len(self.units), len(self.sessions)), dtype=bool)
        there[self.unit_of, self.day] = True
        return np.unique(there, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int_)

    def scans_per_class(self) -> NDArray[np.int_]:
        """Return the number of scans of every class."""
        return np.bincount(self.codes, minlength=len(self.classes))


def labelled_spectra(job: Job, asked: str | Sequence[str] | None = None) -> Labelled:
    """Read the accepted spectra of the wanted sessions and label them.

    Parameters
    ----------
    job
        Of the rule ``classes``, ``rivals`` or ``negative_controls``.
    asked
        Sessions, as in ``classes.sessions``; those of the settings if left out.

    Returns
    -------
    Labelled
        Rows in session order, then scan.

    Raises
    ------
    InputFault
        If no session or no accepted scan is left, a unit has no label, or fewer than two classes
        have two units. A class of one unit cannot be held out and trained at once: it is set
        aside and named.
    """
    design, settings = job.settings["design"], job.settings["classes"]
    units: Mapping[str, Mapping[str, str]] = job.settings["units"]
    found = _accepted(job, settings["sessions"] if asked is None else asked)
    rows, spectra = found.rows[["scan", "session", "unit"]], found.reflectance
    target = str(settings["target"])
    labels = _labels(job, rows, target)
    members = _members(labels, rows["unit"])
    alone = {name: own[0] for name, own in members.items() if len(own) == 1}
    _refuse_few(list(members), alone, target, design["unit"])
    if alone:
        kept = ~np.isin(labels, list(alone))
        rows, spectra, labels = rows[kept].reset_index(drop=True), spectra[kept], labels[kept]
    ids, unit_of = _coded(rows["unit"])
    classes, codes = _coded(labels)
    blocks: tuple[str, ...] = ()
    unit_blocks = np.zeros(len(ids), dtype=np.int_)
    if design["block"]:
        blocks, unit_blocks = _coded([units[unit].get(design["block"], "") for unit in ids])
    sessions = tuple(dict.fromkeys(str(s) for s in rows["session"]))
    day = np.array([sessions.index(s) for s in rows["session"]], dtype=np.int_)
    labels_by, unit_codes, sequences = label_sequences(codes, unit_of, day)
    return Labelled(
        spectra=spectra,
        wavelength_nm=found.wavelength_nm,
        rows=rows,
        classes=classes,
        codes=codes,
        units=ids,
        unit_of=unit_of,
        unit_codes=unit_codes,
        blocks=blocks,
        unit_blocks=unit_blocks,
        sessions=sessions,
        day=day,
        set_aside=tuple(_alone(name, unit, design["unit"]) for name, unit in alone.items()),
        labels_by=labels_by,
        sequences=sequences,
    )


def label_sequences(codes: Codes, unit_of: Codes, day: Codes) -> tuple[str, Codes, Codes]:
    """Return what the labels belong to, the number of every unit's labels, and the sequences.

    Parameters
    ----------
    codes, unit_of, day
        Class, unit and session of every scan, each counted from 0.

    Returns
    -------
    tuple
        ``labels_by``, ``unit_codes`` and ``sequences`` of :class:`Labelled`.

    Examples
    --------
    >>> unit_of, day = np.array([0, 0, 1, 1, 2, 2]), np.array([0, 1, 0, 1, 0, 1])
    >>> by, numbers, table = label_sequences(np.array([0, 0, 0, 1, 0, 1]), unit_of, day)
    >>> by, numbers.tolist(), table.tolist()
    ('session', [0, 1, 1], [[0, 0], [0, 1]])
    """
    n_units, empty = int(unit_of.max()) + 1, np.empty((0, 0), dtype=np.int_)
    first = np.zeros(n_units, dtype=np.int_)
    first[unit_of] = codes
    if np.array_equal(first[unit_of], codes):
        return BY_UNIT, first, empty
    by_day = np.full((n_units, int(day.max()) + 1), -1, dtype=np.int_)
    by_day[unit_of, day] = codes
    if np.array_equal(by_day[unit_of, day], codes):
        table, numbers = np.unique(by_day, axis=0, return_inverse=True)
        return BY_SESSION, numbers.reshape(-1).astype(np.int_), table
    shown = np.zeros((n_units, int(codes.max()) + 1), dtype=bool)
    shown[unit_of, codes] = True
    numbers = np.unique(shown, axis=0, return_inverse=True)[1]
    return BY_SCAN, numbers.reshape(-1).astype(np.int_), empty


def _labels(job: Job, rows: pd.DataFrame, target: str) -> NDArray[np.str_]:
    """Return the label of every accepted scan: its own where the scan sheet holds the target.

    Raises
    ------
    InputFault
        If one has none.
    """
    own: Mapping[str, str] | None = job.settings.get("labels")
    units: Mapping[str, Mapping[str, str]] = job.settings["units"]
    if own is not None:
        file, said, things = "the scan sheet", own, rows["scan"]
    else:
        said = {unit: row.get(target, "") for unit, row in units.items()}
        file, things = "units.csv", rows["unit"]
    names = [str(name) for name in things]
    problems = [
        Problem(
            file=file,
            column=target,
            found=f"no label for {name}",
            expected="a label for everything that has an accepted scan",
            mend="Fill it in, or exclude its scans in decisions.csv.",
        )
        for name in sorted({*names})
        if not said.get(name, "")
    ]
    if problems:
        raise InputFault(problems)
    return np.array([said[name] for name in names], dtype=str)


def _members(labels: Iterable[str], units: Iterable[str]) -> dict[str, list[str]]:
    """Return class -> its units, both sorted."""
    out: dict[str, list[str]] = {}
    for name, unit in sorted({(str(a), str(b)) for a, b in zip(labels, units, strict=True)}):
        out.setdefault(name, []).append(unit)
    return out


def _alone(name: str, unit: str, word: str | None) -> str:
    return (
        f"class {quoted(name)} was set aside: its only {word or 'scan'} ({unit}) cannot be held "
        "out and trained on at once; the model does not know this class"
    )


def _accepted(job: Job, asked: str | Sequence[str]) -> Spectra:
    reflectance = job.by_session("reflectance")
    sessions = wanted_sessions(asked, job.settings["design"]["sessions"], list(reflectance))
    found = load_spectra(
        reflectance, job.inputs["accepted"], job.inputs["range"], {}, sessions=sessions
    )
    if len(found.rows) == 0:
        raise InputFault(_no_scans(sessions))
    if found.reflectance.shape[1] == 0:
        raise InputFault(_no_wavelengths())
    return found


def wanted_sessions(
    asked: str | Sequence[str], listed: Sequence[Mapping[str, Any]], read: Sequence[str]
) -> list[str]:
    """Return the sessions that the settings ask for.

    Parameters
    ----------
    asked
        ``all``, ``before``, ``after``, or session ids.
    listed
        Sessions of the design with their phase; a study without any has one session only.
    read
        Sessions whose reflectance is there, in study order.

    Raises
    ------
    InputFault
        If none is left, or one that is asked for is not there.

    Examples
    --------
    >>> days = [{"session": "d0", "phase": "before"}, {"session": "d4", "phase": "after"}]
    >>> wanted_sessions("after", days, ["d0", "d4"])
    ['d4']
    """
    if not isinstance(asked, str):
        unknown = [session for session in asked if session not in read]
        if unknown:
            raise InputFault(_unknown_session(session, read) for session in unknown)
        return [session for session in read if session in asked]
    if asked == "all" or not listed:
        return list(read)
    phase = {row["session"]: row["phase"] for row in listed}
    kept = [session for session in read if phase.get(session) == asked]
    if not kept:
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.sessions",
                found=f"{asked}, and no session with phase {asked}",
                expected="at least one session to train on",
                mend=f"Give a session the phase {asked} in design.sessions, or name sessions.",
            )
        )
    return kept


def _coded(labels: Iterable[str]) -> tuple[tuple[str, ...], NDArray[np.int_]]:
    there, codes = np.unique(np.array(list(labels), dtype=str), return_inverse=True)
    return tuple(str(label) for label in there), codes.astype(np.int_)


def _refuse_few(
    classes: Sequence[str], alone: Mapping[str, str], target: str, unit: str | None
) -> None:
    if len(classes) < 2:
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.target",
                found=f"one class only in {quoted(target)}: {quoted(classes[0])}",
                expected="at least two classes among the accepted scans",
                mend="Choose another target, or leave the section classes out.",
            )
        )
    if len(classes) - len(alone) < 2:
        word = unit or "scan"
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.target",
                found=f"class {quoted(name)} of {quoted(target)} with one {word} ({own})",
                expected=f"two classes with at least two {word}s each, so that one can be held out",
                mend="Measure more of it, or choose another target.",
            )
            for name, own in alone.items()
        )


def _no_scans(sessions: Sequence[str]) -> Problem:
    return Problem(
        file="results/accepted.csv",
        column="accepted",
        found=f"no accepted scan in {', '.join(sessions)}",
        expected="accepted scans to train on",
        mend="See exclusions.csv for the reasons; name other sessions in classes.sessions.",
    )


def _no_wavelengths() -> Problem:
    return Problem(
        file=_STUDY,
        column="quality.range",
        found="no wavelength inside the trusted range",
        expected="at least one wavelength to train on",
        mend="State a range that overlaps the spectra: {start_nm: 450, stop_nm: 950}.",
    )


def _unknown_session(session: str, read: Sequence[str]) -> Problem:
    return Problem(
        file=_STUDY,
        column="classes.sessions",
        found=quoted(session),
        expected="a session of the study",
        mend=nearest(session, read),
    )


# Which scans train a model and which are held out: the training sets of every kind of split.
# ----------------------------------------------------------------------

INNER_FOLDS = 8
"""Inner folds where the outer ones leave too few others to use."""
PAIRED_FROM = 5
"""Outer folds from which the remaining ones serve as inner folds: with fewer, an inner training set
would be much smaller than the outer one that it chooses for."""


def assign_folds(
    labels: NDArray[np.int_],
    strata: NDArray[np.int_],
    n_folds: int,
    rng: np.random.Generator,
) -> NDArray[np.int_]:
    """Deal groups into folds so that classes, and strata within them, are spread evenly.

    Parameters
    ----------
    labels
        Class number of every group, shape ``(n_groups,)``.
    strata
        Further number (the block) of every group; zeros if there is none.
    n_folds
        Number of folds.
    rng
        Random stream.

    Returns
    -------
    numpy.ndarray
        Fold of every group, from 0; a class of two groups or more is in at least two folds.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> dealt = assign_folds(np.repeat([0, 1], 6), np.zeros(12, dtype=int), 3, rng)
    >>> np.bincount(dealt[:6]).tolist(), np.bincount(dealt[6:]).tolist()
    ([2, 2, 2], [2, 2, 2])
    """
    shuffled = rng.permutation(len(labels))
    order = shuffled[np.lexsort((strata[shuffled], labels[shuffled]))]
    names = rng.permutation(n_folds)
    folds = np.empty(len(labels), dtype=np.int_)
    folds[order] = names[np.arange(len(labels)) % n_folds]
    return folds


def assign_changing_labels(
    codes: NDArray[np.int_], units: NDArray[np.int_], n_folds: int, rng: np.random.Generator
) -> NDArray[np.int_]:
    """Assign units whose label changes to folds, so that the scans of every class are spread.

    Parameters
    ----------
    codes, units
        Class and unit number of every scan.
    n_folds
        Number of folds.
    rng
        Random stream.

    Returns
    -------
    numpy.ndarray
        Fold of every unit, from 0; none is empty.

    Notes
    -----
    scikit-learn's ``StratifiedGroupKFold``: units in falling order of how unevenly their scans
    fall on the classes, each to the fold that it leaves most even.
    """
    from sklearn.model_selection import StratifiedGroupKFold

    seed = int(rng.integers(2**31))
    kfold = StratifiedGroupKFold(n_folds, shuffle=True, random_state=seed)
    fold = np.zeros(int(units.max()) + 1, dtype=np.int_)
    with warnings.catch_warnings():
        # A class of fewer scans than folds is missing from some tests, as with constant labels.
        warnings.filterwarnings("ignore", "The least populated class", UserWarning)
        for i, (_, held) in enumerate(kfold.split(codes, codes, units)):
            fold[units[held]] = i
    return np.unique(fold, return_inverse=True)[1].reshape(-1).astype(np.int_)


def members_of(units: NDArray[np.int_]) -> list[NDArray[np.intp]]:
    """Return the scans of unit 0, 1, ...

    Examples
    --------
    >>> [scans.tolist() for scans in members_of(np.array([1, 0, 1]))]
    [[1], [0, 2]]
    """
    ends = np.cumsum(np.bincount(units))
    return np.split(np.argsort(units, kind="stable"), ends[:-1])


@dataclass(frozen=True)
class Scheme:
    """All training sets of one repeat of the nested validation.

    Attributes
    ----------
    fold
        Outer fold of every scan, shape ``(n_scans,)``; -1 for scans that are never held out.
    training
        Training scans (true) of every set, shape ``(n_sets, n_scans)``.
    outer
        Set that outer fold ``i`` is judged by.
    inner
        For outer fold ``i``: pairs of a set and the scans (true) it is judged on; all of these
        are in the training part of ``i``.
    """

    fold: NDArray[np.int_]
    training: NDArray[np.bool_]
    outer: tuple[int, ...]
    inner: tuple[tuple[tuple[int, NDArray[np.bool_]], ...], ...]

    @property
    def n_folds(self) -> int:
        """Number of outer folds."""
        return len(self.outer)

    @property
    def tested(self) -> NDArray[np.bool_]:
        """Scans that are held out once, shape ``(n_scans,)``."""
        return self.fold >= 0


def scheme_of(fold: NDArray[np.int_], units: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
    """Lay out outer and inner training sets.

    The inner folds of an outer fold are the remaining outer folds, so one set that leaves out two
    folds serves both of them: six folds need 21 sets. With fewer than five outer folds the units
    of each training part are dealt, without looking at labels, into eight inner folds of their
    own. These cannot be stratified, so the error is pooled over all classes.

    Parameters
    ----------
    fold
        Outer fold of every scan, from 0.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with fewer than five outer folds.

    Returns
    -------
    Scheme
        Training sets and how they pair up.
    """
    n_folds = int(fold.max()) + 1
    parts = [fold != i for i in range(n_folds)]
    if n_folds < PAIRED_FROM:
        return blind_inner_scheme(fold, parts, units, rng)
    training = list(parts)
    pairs = _pairs(training, fold, np.ones(len(fold), dtype=bool))
    listed = tuple(
        tuple((pairs[i, j], fold == j) for j in range(n_folds) if j != i) for i in range(n_folds)
    )
    return Scheme(fold, np.array(training), tuple(range(n_folds)), listed)


def blind_inner_scheme(
    fold: NDArray[np.int_],
    parts: Sequence[NDArray[np.bool_]],
    units: NDArray[np.int_],
    rng: np.random.Generator,
) -> Scheme:
    """Lay out given training parts, with inner folds dealt blind to labels.

    Parameters
    ----------
    fold
        Outer fold of every scan; -1 for scans that are never held out.
    parts
        Training scans (true) of every outer fold.
    units
        Unit number of every scan.
    rng
        Random stream.
    """
    training = list(parts)
    inner = tuple(_blind_inner(part, units, training, rng) for part in parts)
    return Scheme(fold, np.array(training), tuple(range(len(parts))), inner)


def one_by_one_scheme(units: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
    """Hold out every unit by itself; inner folds are dealt once, blind to labels, for all."""
    there = np.unique(units)
    fold = np.searchsorted(there, units)
    nothing = np.zeros(len(there), dtype=np.int_)
    dealt = assign_folds(nothing, nothing, min(INNER_FOLDS, len(there) - 1), rng)[fold]
    training = [fold != i for i in range(len(there))]
    outer = tuple(range(len(there)))
    listed = []
    for i in outer:
        own = []
        for j in np.unique(dealt[fold != i]):
            own.append((len(training), (fold != i) & (dealt == j)))
            training.append((fold != i) & (dealt != j))
        listed.append(tuple(own))
    return Scheme(fold, np.array(training), outer, tuple(listed))


def later_days_scheme(
    fold: NDArray[np.int_],
    day: NDArray[np.int_],
    units: NDArray[np.int_],
    rng: np.random.Generator,
) -> Scheme:
    """Train on early days and judge later ones, always on units that training has not seen.

    Parameters
    ----------
    fold
        Fold of every scan's unit, from 0.
    day
        Place of every scan's session in time, from 0; day 0 is never judged.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with fewer than five folds of units.

    Returns
    -------
    Scheme
        An outer fold for every day after the first and every fold of units; it is judged by what
        the other units showed on the days before. The inner loop leaves out the other folds of
        units on those days.
    """
    n_folds = int(fold.max()) + 1
    place = np.full(len(fold), -1)
    training: list[NDArray[np.bool_]] = []
    outer: list[int] = []
    listed: list[tuple[tuple[int, NDArray[np.bool_]], ...]] = []
    for last in np.unique(day)[1:]:
        early = day < last
        start = len(training)
        training += [early & (fold != i) for i in range(n_folds)]
        pairs = _pairs(training, fold, early) if n_folds >= PAIRED_FROM else {}
        for i in range(n_folds):
            judged = (day == last) & (fold == i)
            if not judged.any():
                continue
            place[judged] = len(outer)
            outer.append(start + i)
            if pairs:
                others = [j for j in range(n_folds) if j != i]
                listed.append(tuple((pairs[i, j], early & (fold == j)) for j in others))
            else:
                listed.append(_blind_inner(early & (fold != i), units, training, rng))
    return Scheme(place, np.array(training), tuple(outer), tuple(listed))


def unseen_days_scheme(
    fold: NDArray[np.int_], day: NDArray[np.int_], *, seen: bool = False
) -> Scheme:
    """Hold out every day in turn, always on units that training has not seen.

    Parameters
    ----------
    fold
        Fold of every scan's unit, from 0; at least three.
    day
        Place of every scan's session in time, from 0; at least two.
    seen
        For comparison: as many days are trained on, the one that is judged among them; the day
        after it is left out instead.

    Returns
    -------
    Scheme
        An outer fold for every day and every fold of units: trained on the other units on all
        days but one. The inner loop leaves out the other folds of units on those days.
    """
    n_folds = int(fold.max()) + 1
    place = np.full(len(fold), -1)
    training: list[NDArray[np.bool_]] = []
    outer: list[int] = []
    listed: list[tuple[tuple[int, NDArray[np.bool_]], ...]] = []
    days = np.unique(day)
    for at, held_day in enumerate(days):
        others = day != (days[(at + 1) % len(days)] if seen else held_day)
        start = len(training)
        training += [others & (fold != i) for i in range(n_folds)]
        pairs = _pairs(training, fold, others)
        for i in range(n_folds):
            judged = (day == held_day) & (fold == i)
            if not judged.any():
                continue
            place[judged] = len(outer)
            outer.append(start + i)
            rest = [j for j in range(n_folds) if j != i]
            listed.append(tuple((pairs[i, j], others & (fold == j)) for j in rest))
    return Scheme(place, np.array(training), tuple(outer), tuple(listed))


def _pairs(
    training: list[NDArray[np.bool_]], fold: NDArray[np.int_], part: NDArray[np.bool_]
) -> dict[tuple[int, int], int]:
    """Append the sets of ``part`` without two folds; return where each pair's set stands."""
    n_folds = int(fold.max()) + 1
    pairs: dict[tuple[int, int], int] = {}
    for i in range(n_folds):
        for j in range(i + 1, n_folds):
            pairs[i, j] = pairs[j, i] = len(training)
            training.append(part & (fold != i) & (fold != j))
    return pairs


def _blind_inner(
    part: NDArray[np.bool_],
    units: NDArray[np.int_],
    training: list[NDArray[np.bool_]],
    rng: np.random.Generator,
) -> tuple[tuple[int, NDArray[np.bool_]], ...]:
    """Append inner training sets of one training part and return how they are judged."""
    there = np.unique(units[part])
    nothing = np.zeros(len(there), dtype=np.int_)
    n_inner = min(INNER_FOLDS, len(there))
    where = np.full(int(units.max()) + 1, -1)
    where[there] = assign_folds(nothing, nothing, n_inner, rng)
    own = []
    for j in range(n_inner):
        judged = part & (where[units] == j)
        own.append((len(training), judged))
        training.append(part & ~judged)
    return tuple(own)
