"""Which accepted spectra take part, under which label, and which train or are held out?

The label is that of the unit, or that of the scan where the target is a column of the scan sheet:
such labels may change from session to session, as the stage of a disease does. A scheme holds the
training sets of one way of splitting, outer and inner.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
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

STUDY = "study.yaml"
BY_UNIT, BY_SESSION, BY_SCAN = "unit", "session", "scan"
"""What a label belongs to: one for each unit, for each unit and session, or for each scan."""
Codes = NDArray[np.int_]
Scans = NDArray[np.bool_]


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
    codes: Codes
    units: tuple[str, ...]
    unit_of: Codes
    unit_codes: Codes
    blocks: tuple[str, ...]
    unit_blocks: Codes
    sessions: tuple[str, ...]
    day: Codes
    set_aside: tuple[str, ...] = ()
    labels_by: str = BY_UNIT
    sequences: Codes = field(default_factory=lambda: np.empty((0, 0), dtype=np.int_))

    def units_per_class(self) -> Codes:
        """Return the number of units of every class; a unit whose label changes counts in each."""
        return np.bincount(self.labelled_units()[1], minlength=len(self.classes))

    def labelled_units(self) -> tuple[Codes, Codes]:
        """Return the labelled unit (a unit under one label) of every scan, and the class of each.

        Labelled units are numbered by unit, then class. They are the units themselves where labels
        do not change.
        """
        pairs = self.unit_of * len(self.classes) + self.codes
        names, labelled = np.unique(pairs, return_inverse=True)
        return labelled.astype(np.int_), (names % len(self.classes)).astype(np.int_)

    def scan_codes(self, unit_codes: Codes) -> Codes:
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

    def measured(self) -> Codes:
        """Return the number of the set of sessions in which each unit has scans, ``(n_units,)``."""
        measured = np.zeros((len(self.units), len(self.sessions)), dtype=bool)
        measured[self.unit_of, self.day] = True
        return np.unique(measured, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int_)

    def scans_per_class(self) -> Codes:
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
    accepted = _accepted(job, settings["sessions"] if asked is None else asked)
    rows, spectra = accepted.rows[["scan", "session", "unit"]], accepted.reflectance
    labels = _labels(job, rows, str(settings["target"]))
    single = _classes_of_one_unit(labels, rows["unit"], settings["target"], design["unit"])
    if single:
        kept = ~np.isin(labels, list(single))
        rows, spectra, labels = rows[kept].reset_index(drop=True), spectra[kept], labels[kept]
    units, unit_of = _coded(rows["unit"])
    classes, codes = _coded(labels)
    blocks: tuple[str, ...] = ()
    unit_blocks = np.zeros(len(units), dtype=np.int_)
    if design["block"]:
        sheet = job.settings["units"]
        blocks, unit_blocks = _coded([sheet[unit].get(design["block"], "") for unit in units])
    sessions = tuple(dict.fromkeys(str(s) for s in rows["session"]))
    day = np.array([sessions.index(s) for s in rows["session"]], dtype=np.int_)
    labels_by, unit_codes, sequences = label_sequences(codes, unit_of, day)
    return Labelled(
        spectra=spectra,
        wavelength_nm=accepted.wavelength_nm,
        rows=rows,
        classes=classes,
        codes=codes,
        units=units,
        unit_of=unit_of,
        unit_codes=unit_codes,
        blocks=blocks,
        unit_blocks=unit_blocks,
        sessions=sessions,
        day=day,
        set_aside=tuple(
            f"class {quoted(name)} was set aside: its only {design['unit'] or 'scan'} ({unit}) "
            "cannot be held out and trained on at once; the model does not know this class"
            for name, unit in single.items()
        ),
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
    classes = np.zeros((n_units, int(codes.max()) + 1), dtype=bool)
    classes[unit_of, codes] = True
    numbers = np.unique(classes, axis=0, return_inverse=True)[1]
    return BY_SCAN, numbers.reshape(-1).astype(np.int_), empty


def _labels(job: Job, rows: pd.DataFrame, target: str) -> NDArray[np.str_]:
    """Return the label of every accepted scan: its own where the scan sheet holds the target.

    Raises
    ------
    InputFault
        If one has none.
    """
    by_scan: Mapping[str, str] | None = job.settings.get("labels")
    if by_scan is not None:
        file, label_of, column = "the scan sheet", by_scan, "scan"
    else:
        label_of = {unit: row.get(target, "") for unit, row in job.settings["units"].items()}
        file, column = "units.csv", "unit"
    names = [str(name) for name in rows[column]]
    problems = [
        Problem(
            file=file,
            column=target,
            found=f"no label for {name}",
            expected="a label for everything that has an accepted scan",
            mend="Fill it in, or exclude its scans in decisions.csv.",
        )
        for name in sorted({*names})
        if not label_of.get(name, "")
    ]
    if problems:
        raise InputFault(problems)
    return np.array([label_of[name] for name in names], dtype=str)


def _classes_of_one_unit(
    labels: Iterable[str], units: Iterable[str], target: str, word: str | None
) -> dict[str, str]:
    """Return class -> its unit, of classes with one unit; refuse fewer than two other classes."""
    units_of: dict[str, list[str]] = {}
    for name, unit in sorted({(str(a), str(b)) for a, b in zip(labels, units, strict=True)}):
        units_of.setdefault(name, []).append(unit)
    if len(units_of) < 2:
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.target",
                found=f"one class only in {quoted(target)}: {quoted(next(iter(units_of)))}",
                expected="at least two classes among the accepted scans",
                mend="Choose another target, or leave the section classes out.",
            )
        )
    single = {name: several[0] for name, several in units_of.items() if len(several) == 1}
    if len(units_of) - len(single) < 2:
        word = word or "scan"
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.target",
                found=f"class {quoted(name)} of {quoted(target)} with one {word} ({unit})",
                expected=f"two classes with at least two {word}s each, so that one can be held out",
                mend="Measure more of it, or choose another target.",
            )
            for name, unit in single.items()
        )
    return single


def _accepted(job: Job, asked: str | Sequence[str]) -> Spectra:
    reflectance = job.by_session("reflectance")
    sessions = wanted_sessions(asked, job.settings["design"]["sessions"], list(reflectance))
    accepted = load_spectra(
        reflectance, job.inputs["accepted"], job.inputs["range"], {}, sessions=sessions
    )
    if len(accepted.rows) == 0:
        raise InputFault(
            Problem(
                file="results/accepted.csv",
                column="accepted",
                found=f"no accepted scan in {', '.join(sessions)}",
                expected="accepted scans to train on",
                mend="See exclusions.csv for the reasons; name other sessions in classes.sessions.",
            )
        )
    if accepted.reflectance.shape[1] == 0:
        raise InputFault(
            Problem(
                file=STUDY,
                column="quality.range",
                found="no wavelength inside the trusted range",
                expected="at least one wavelength to train on",
                mend="State a range that overlaps the spectra: {start_nm: 450, stop_nm: 950}.",
            )
        )
    return accepted


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
            raise InputFault(
                Problem(
                    file=STUDY,
                    column="classes.sessions",
                    found=quoted(session),
                    expected="a session of the study",
                    mend=nearest(session, read),
                )
                for session in unknown
            )
        return [session for session in read if session in asked]
    if asked == "all" or not listed:
        return list(read)
    phase = {row["session"]: row["phase"] for row in listed}
    kept = [session for session in read if phase.get(session) == asked]
    if not kept:
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.sessions",
                found=f"{asked}, and no session with phase {asked}",
                expected="at least one session to train on",
                mend=f"Give a session the phase {asked} in design.sessions, or name sessions.",
            )
        )
    return kept


def _coded(labels: Iterable[str]) -> tuple[tuple[str, ...], Codes]:
    names, codes = np.unique(np.array(list(labels), dtype=str), return_inverse=True)
    return tuple(str(name) for name in names), codes.astype(np.int_)


# Which scans train a model and which are held out: the training sets of every kind of split.
# ----------------------------------------------------------------------

INNER_FOLDS = 8
"""Inner folds where the outer ones leave too few others to use."""
PAIRED_FROM = 5
"""Outer folds from which the remaining ones serve as inner folds: with fewer, an inner training set
would be much smaller than the outer one that it chooses for."""


def assign_folds(
    labels: Codes,
    strata: Codes,
    n_folds: int,
    rng: np.random.Generator,
) -> Codes:
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
    codes: Codes, units: Codes, n_folds: int, rng: np.random.Generator
) -> Codes:
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


def members_of(units: Codes) -> list[NDArray[np.intp]]:
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

    fold: Codes
    training: Scans
    outer: tuple[int, ...]
    inner: tuple[tuple[tuple[int, Scans], ...], ...]

    @property
    def n_folds(self) -> int:
        """Number of outer folds."""
        return len(self.outer)

    @property
    def tested(self) -> Scans:
        """Scans that are held out once, shape ``(n_scans,)``."""
        return self.fold >= 0


def scheme_of(fold: Codes, units: Codes, rng: np.random.Generator) -> Scheme:
    """Hold out every fold in turn.

    Parameters
    ----------
    fold
        Outer fold of every scan, from 0; -1 for scans that are never held out.
    units
        Unit number of every scan.
    rng
        Random stream; drawn from only with fewer than five outer folds.

    Returns
    -------
    Scheme
        Training sets and how they pair up. Six folds need 21 sets.
    """
    everything = np.ones(len(fold), dtype=bool)
    return _scheme(fold, [(everything, everything)], units, rng)


def one_by_one_scheme(units: Codes, rng: np.random.Generator) -> Scheme:
    """Hold out every unit by itself; inner folds are dealt once, blind to labels, for all."""
    fold = np.unique(units, return_inverse=True)[1].reshape(-1)
    n_units = int(fold.max()) + 1
    inner_fold = _blind_folds(n_units, min(INNER_FOLDS, n_units - 1), rng)[fold]
    training = [fold != i for i in range(n_units)]
    inner = []
    for i in range(n_units):
        pairs = []
        for j in np.unique(inner_fold[fold != i]):
            pairs.append((len(training), (fold != i) & (inner_fold == j)))
            training.append((fold != i) & (inner_fold != j))
        inner.append(tuple(pairs))
    return Scheme(fold, np.array(training), tuple(range(n_units)), tuple(inner))


def later_days_scheme(fold: Codes, day: Codes, units: Codes, rng: np.random.Generator) -> Scheme:
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
    rounds = [(day < last, day == last) for last in np.unique(day)[1:]]
    return _scheme(fold, rounds, units, rng)


def unseen_days_scheme(fold: Codes, day: Codes, *, seen: bool = False) -> Scheme:
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
    days = np.unique(day)
    left_out = np.roll(days, -1) if seen else days
    return _scheme(
        fold, [(day != out, day == held) for held, out in zip(days, left_out, strict=True)]
    )


def _scheme(
    fold: Codes,
    rounds: Sequence[tuple[Scans, Scans]],
    units: Codes | None = None,
    rng: np.random.Generator | None = None,
) -> Scheme:
    """Lay out outer and inner training sets, round by round and fold by fold.

    Parameters
    ----------
    fold
        Fold of every scan; -1 for scans that are never held out.
    rounds
        Pairs of the scans that may train (those of the held-out fold do not) and the scans that
        are judged.
    units, rng
        Unit of every scan and random stream for blind inner folds; left out where the number of
        folds is enough without.

    Notes
    -----
    The inner folds of an outer fold are the remaining outer folds, so one set that leaves out two
    folds serves both of them. With fewer than five outer folds the units of each training part are
    dealt, without looking at labels, into eight inner folds of their own. These cannot be
    stratified, so the error is pooled over all classes.
    """
    folds = range(int(fold.max()) + 1)
    place = np.full(len(fold), -1)
    training: list[Scans] = []
    outer: list[int] = []
    inner: list[tuple[tuple[int, Scans], ...]] = []
    for trains, held_out in rounds:
        start = len(training)
        training += [trains & (fold != i) for i in folds]
        pairs: dict[tuple[int, int], int] = {}
        if rng is None or len(folds) >= PAIRED_FROM:
            for i, j in combinations(folds, 2):
                pairs[i, j] = pairs[j, i] = len(training)
                training.append(trains & (fold != i) & (fold != j))
        for i in folds:
            held = held_out & (fold == i)
            if not held.any():
                continue
            place[held] = len(outer)
            outer.append(start + i)
            if units is not None and rng is not None and not pairs:
                inner.append(_blind_inner(training[start + i], units, training, rng))
            else:
                inner.append(tuple((pairs[i, j], trains & (fold == j)) for j in folds if j != i))
    return Scheme(place, np.array(training), tuple(outer), tuple(inner))


def _blind_inner(
    part: Scans, units: Codes, training: list[Scans], rng: np.random.Generator
) -> tuple[tuple[int, Scans], ...]:
    """Append inner training sets of one training part and return how they are judged."""
    trained = np.unique(units[part])
    n_inner = min(INNER_FOLDS, len(trained))
    fold_of = np.full(int(units.max()) + 1, -1)
    fold_of[trained] = _blind_folds(len(trained), n_inner, rng)
    pairs = []
    for j in range(n_inner):
        validated = part & (fold_of[units] == j)
        pairs.append((len(training), validated))
        training.append(part & ~validated)
    return tuple(pairs)


def _blind_folds(n_units: int, n_folds: int, rng: np.random.Generator) -> Codes:
    """Return a fold for every unit, dealt without looking at labels."""
    nothing = np.zeros(n_units, dtype=np.int_)
    return assign_folds(nothing, nothing, n_folds, rng)
