"""In how many folds are units held out, which fold is each in, and who may exchange labels?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled_scans import BY_SCAN, BY_UNIT, STUDY, Labelled
from leafledger.errors import InputFault, Problem, first_words, quoted
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import (
    INNER_FOLDS,
    PAIRED_FROM,
    Scheme,
    assign_changing_labels,
    assign_folds,
    later_days_scheme,
    one_by_one_scheme,
    scheme_of,
    unseen_days_scheme,
    widths_of_search,
)
from leafledger.spectra.applicability import DERIVATIVES, ORDER, SETTING, WINDOW_NM

REPEATS, UNITS_TIMES_REPEATS = (3, 10), 600
"""Fewest and most repeats; between them so many that units times repeats reach the last. Where
scans are read in row groups, one repeat is enough for so many units, in at most five folds."""
TEST_FOLDS = 5
"""Outer folds of the permutation test at most: it needs every fold for every labelling."""
MOST_BLOCKS = 10
"""Outer folds of blocks at most, unless more are asked for."""
FOLDS_OF_MEDIAN = (3, 10)
"""Fewest and most outer folds; between them they are as many as the median class has units."""
FIRST_WIDTH, MOST_COMPONENTS = 12, 40
"""Latent variables that are searched at first, and at most."""

TRAIN, TEST = "train", "test"


def tested_units(
    data: Labelled, units: Mapping[str, Mapping[str, str]], column: str
) -> NDArray[np.bool_]:
    """Return which units are held out (true) and which train, shape ``(n_units,)``.

    Parameters
    ----------
    data
        Labelled spectra.
    units
        Unit -> its columns.
    column
        Column that holds ``train`` or ``test`` for every unit.

    Raises
    ------
    InputFault
        If there is no such column, a unit has another word, one of the two sides is empty, or a
        class is not trained on by at least two units.
    """
    if not any(column in units.get(unit, {}) for unit in data.units):
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.split",
                found=f"column {quoted(column)}, which the design does not name",
                expected="one of design.factors",
                mend=f"Add {quoted(column)} to design.factors, and say {TRAIN} or {TEST} of every "
                "unit.",
            )
        )
    words = [units.get(unit, {}).get(column, "") for unit in data.units]
    problems = [
        Problem(
            file="units.csv",
            column=column,
            found=f"{quoted(word)} for {unit}" if word else f"nothing for {unit}",
            expected=f"{TRAIN} or {TEST}",
            mend="Say on which side of the split it is.",
        )
        for unit, word in zip(data.units, words, strict=True)
        if word not in (TRAIN, TEST)
    ]
    if problems:
        raise InputFault(problems)
    tested = np.array([word == TEST for word in words])
    missing = [word for word, units_of in ((TRAIN, ~tested), (TEST, tested)) if not units_of.any()]
    if missing:
        raise InputFault(
            Problem(
                file="units.csv",
                column=column,
                found=f"no unit with accepted scans in {missing[0]}",
                expected=f"units in {TRAIN} and units in {TEST}",
                mend="Put some units on the other side, or split by unit.",
            )
        )
    labelled_unit, class_of = data.labelled_units()
    training = np.unique(labelled_unit[~tested[data.unit_of]])
    trained = np.bincount(class_of[training], minlength=len(data.classes))
    if (trained < 2).any():
        raise InputFault(
            Problem(
                file="units.csv",
                column=column,
                found=f"class {quoted(label)} with {count} of its units in {TRAIN}",
                expected="at least two units of every class, so that the inner loop can choose",
                mend=f"Move units of it from {TEST} to {TRAIN}, or split by unit.",
            )
            for label, count in zip(data.classes, trained, strict=True)
            if count < 2
        )
    return tested


_ONE_BY_ONE = "leave_one_unit_out"


class FoldAssignment:
    """The folds of a study.

    Parameters
    ----------
    data
        Labelled spectra.
    job_settings
        All settings of the rule.


    Attributes
    ----------
    kind
        ``unit``, ``block``, ``session``, ``leave_one_unit_out`` or ``fixed``.
    use_blocks
        Whether labels were allotted within blocks.
    cell
        What units may exchange labels within, in words; empty for the whole study.
    n_folds
        Outer folds of units (or of blocks).
    warnings
        What is not as asked, and why.

    Raises
    ------
    InputFault
        If the split cannot be made.
    """

    def __init__(self, data: Labelled, job_settings: Mapping[str, Any]) -> None:
        design, settings = job_settings["design"], job_settings["classes"]
        self.data, self.settings = data, settings
        self.warnings: list[str] = []
        split = settings["split"]
        self.kind = split if isinstance(split, str) else "fixed"
        self.use_blocks = bool(design["block"]) and settings["target"] == design["treatment"]
        self.word = "unit" if design["unit"] is not None else "scan"
        self.cell = "outer fold"
        self.tested = np.zeros(0, dtype=bool)
        if self.kind == "fixed":
            self.cell = "side of the split"
            self.tested = tested_units(data, job_settings["units"], split["column"])
        elif self.kind == _ONE_BY_ONE:
            # Folds of one unit do not look at labels, so all labels may be exchanged.
            self.cell = ""
            self._refuse_two_units()
        self.n_folds = self._n_folds()

    def _n_folds(self) -> int:
        if self.kind == "block":
            return self._block_folds()
        if self.kind == "fixed":
            return 1
        if self.kind == _ONE_BY_ONE:
            return len(self.data.units)
        if self.kind == "session" and len(self.data.sessions) < 2:
            raise InputFault(
                Problem(
                    file=STUDY,
                    column="classes.split",
                    found=f"session, with accepted scans of {self.data.sessions[0]} only",
                    expected="at least two sessions, so that later ones can be judged by earlier "
                    "ones",
                    mend="Name more sessions in classes.sessions, or split by unit.",
                )
            )
        return self._unit_folds()

    def _unit_folds(self) -> int:
        """Return the number of outer folds: that asked for, or the units of the median class.

        A class with fewer units than folds is missing from some tests. It has at least two units,
        in different folds, so that it is in training wherever it is tested.
        """
        stated = self.settings["folds"]["outer"]
        counts = self.data.units_per_class()
        if stated == "auto":
            most = TEST_FOLDS if self._many_units_in_files() else FOLDS_OF_MEDIAN[1]
            return int(np.clip(np.median(counts), FOLDS_OF_MEDIAN[0], most))
        n_folds = min(int(stated), int(counts.max()))
        if n_folds < int(stated):
            largest = self.data.classes[int(counts.argmax())]
            self.warnings.append(
                f"{n_folds} outer folds instead of {stated}: the largest class, {quoted(largest)}, "
                f"has {n_folds} independent units"
            )
        return n_folds

    def _block_folds(self) -> int:
        n_blocks = len(self.data.blocks)
        if n_blocks < 2:
            raise InputFault(
                Problem(
                    file=STUDY,
                    column="classes.split",
                    found=f"block, with {n_blocks or 'no'} block among the accepted scans",
                    expected="at least two blocks, named by design.block",
                    mend="Split by unit, or name the column of the blocks in design.block.",
                )
            )
        stated = self.settings["folds"]["outer"]
        return min(MOST_BLOCKS if stated == "auto" else int(stated), n_blocks)

    def _refuse_two_units(self) -> None:
        if len(self.data.units) < 3:
            raise InputFault(
                Problem(
                    file=STUDY,
                    column="classes.split",
                    found=f"{_ONE_BY_ONE} with {len(self.data.units)} units",
                    expected="at least three, so that two are left to train and choose on",
                    mend="Measure more units.",
                )
            )

    def repeats(self) -> tuple[tuple[Scheme, ...], NDArray[np.int_]]:
        """Return the scheme of every repeat, and the fold of every unit in the first."""
        given = self.settings["folds"]["repeats"]
        n_repeats = self._repeats_of_units() if given == "auto" else int(given)
        many = self._worth_repeating(n_repeats, warn=given != "auto")
        schemes, folds = [], []
        for repeat in range(1, many + 1):
            fold = self._fold_of_units(repeat)
            rng = generator(self.settings["seed"], "inner folds", repeat)
            schemes.append(self._scheme(fold, rng))
            folds.append(fold)
        return tuple(schemes), folds[0]

    def _repeats_of_units(self) -> int:
        """Return repeats enough that what the folds leave to chance is small: 10, of many 3."""
        low, high = REPEATS
        low = 1 if self._many_units_in_files() else low
        return int(np.clip(-(-UNITS_TIMES_REPEATS // len(self.data.units)), low, high))

    def _many_units_in_files(self) -> bool:
        """Return whether one deal into five folds leaves nothing to chance, and more costs passes.

        Every repeat reads all spectra again, and 600 units have the chance that the repeats of
        fewer units average out.
        """
        return self.data.files is not None and len(self.data.units) >= UNITS_TIMES_REPEATS

    def _worth_repeating(self, n_repeats: int, *, warn: bool) -> int:
        same = {
            "fixed": "the split is fixed",
            _ONE_BY_ONE: f"every {self.word} is a fold of its own",
        }.get(self.kind, "")
        if self.kind == "block" and len(self.data.blocks) == self.n_folds > 2:
            same = "every block is a fold of its own"
        if not same or n_repeats == 1:
            return n_repeats
        if warn:
            self.warnings.append(
                f"{same}, so all {n_repeats} repeats would be the same: one was done"
            )
        return 1

    def _scheme(self, fold: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
        data = self.data
        by_scan = fold[data.unit_of]
        if self.kind == "fixed":
            return scheme_of(by_scan - 1, data.unit_of, rng)
        if self.kind == _ONE_BY_ONE:
            return one_by_one_scheme(data.unit_of, rng)
        if self.kind == "session":
            return later_days_scheme(by_scan, data.day, data.unit_of, rng)
        return scheme_of(by_scan, data.unit_of, rng)

    def _fold_of_units(self, repeat: int) -> NDArray[np.int_]:
        data = self.data
        if self.kind == "fixed":
            return self.tested.astype(np.int_)
        if self.kind == _ONE_BY_ONE:
            return np.zeros(len(data.units), dtype=np.int_)
        rng = generator(self.settings["seed"], "folds", repeat)
        if self.kind == "block":
            nothing = np.zeros(len(data.blocks), dtype=np.int_)
            return assign_folds(nothing, nothing, self.n_folds, rng)[data.unit_blocks]
        return self._spread(data.unit_codes, self.n_folds, rng)

    def _spread(
        self, labels: NDArray[np.int_], n_folds: int, rng: np.random.Generator
    ) -> NDArray[np.int_]:
        """Return the fold of every unit, classes spread evenly.

        ``labels`` are numbers as ``Labelled.unit_codes``.
        """
        data = self.data
        if data.labels_by == BY_UNIT:
            return assign_folds(labels, self._strata(), n_folds, rng)
        codes = data.codes if data.labels_by == BY_SCAN else data.scan_codes(labels)
        return assign_changing_labels(codes, data.unit_of, n_folds, rng)

    def of_test(self, scheme: Scheme, folds: NDArray[np.int_]) -> tuple[Scheme, NDArray[np.int_]]:
        """Return the scheme of the permutation test and the fold of every unit in it."""
        if self.kind != "unit" or self.n_folds <= TEST_FOLDS:
            return scheme, folds
        rng = generator(self.settings["seed"], "folds of the permutation test")
        fold = self._spread(self.data.unit_codes, TEST_FOLDS, rng)
        return self._scheme(fold, rng), fold

    def unseen_days(self) -> tuple[tuple[Scheme, Scheme] | None, str]:
        """Return the schemes that hold out every session in turn, or none and the reason.

        Every class has to be measured in two sessions at least, else it would not be trained on
        when one of them is held out.
        """
        data = self.data
        if len(data.sessions) < 2:
            return None, "the scans are of one session"
        if self.kind != "unit":
            return None, "units are not held out at random (classes.split)"
        pairs = {(int(c), int(d)) for c, d in zip(data.codes, data.day, strict=True)}
        seen = np.bincount([c for c, _ in sorted(pairs)], minlength=len(data.classes))
        once = [
            f"{name} ({data.sessions[next(d for c, d in sorted(pairs) if c == i)]})"
            for i, name in enumerate(data.classes)
            if seen[i] < 2
        ]
        if once:
            return None, (
                f"measured in one session only, so not trained on when it is held out: "
                f"{first_words(once, 5)}"
            )
        rng = generator(self.settings["seed"], "folds of held-out sessions")
        n_folds = min(max(self.n_folds, 3), TEST_FOLDS)
        fold = self._spread(data.unit_codes, n_folds, rng)
        if fold.max() < 2:
            return None, f"too few {self.word}s for three folds"
        by_scan = fold[data.unit_of]
        schemes = (
            unseen_days_scheme(by_scan, data.day),
            unseen_days_scheme(by_scan, data.day, seen=True),
        )
        lost = {c for scheme in schemes for c in untrained(scheme, data.codes)}
        if lost and data.labels_by != BY_UNIT:
            names = first_words([data.classes[c] for c in sorted(lost)], 5)
            return None, (
                f"in too few {self.word}s of the other sessions to be trained on when a session "
                f"is held out: {names}"
            )
        return schemes, ""

    def redealt(self, labels: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
        """Return a scheme for other labels of the units, shape ``(n_units,)``."""
        n_folds = min(self.n_folds, TEST_FOLDS) if self.kind == "unit" else self.n_folds
        return self._scheme(self._spread(labels, n_folds, rng), rng)

    def _strata(self) -> NDArray[np.int_]:
        data = self.data
        return data.unit_blocks if self.use_blocks else np.zeros(len(data.units), dtype=np.int_)

    def rule(self, schemes: tuple[Scheme, ...]) -> str:
        """Return how the scans were split and which share trains, in words."""
        share = training_share(schemes, self.data.unit_of)
        return f"{self._rule(schemes)}; {100 * share:.0f} % of the {self.word}s train each model"

    def _rule(self, schemes: tuple[Scheme, ...]) -> str:
        times = "once" if len(schemes) == 1 else f"{len(schemes)} times"
        dealt = (
            f"the {self.word}s of each training part are dealt into inner folds, blind to labels"
        )
        remaining = (
            "the remaining outer folds are the inner ones" if self.n_folds >= PAIRED_FROM else dealt
        )
        if self.kind == "fixed":
            column = self.settings["split"]["column"]
            return f"trained and judged as column {column} says, once; {dealt}"
        if self.kind == _ONE_BY_ONE:
            return (
                f"every {self.word} held out by itself; the other {self.word}s are dealt into "
                f"{INNER_FOLDS} inner folds, blind to labels"
            )
        if self.kind == "session":
            return (
                f"every session after the first judged by a model of the sessions before it, on "
                f"{self.word}s that this model has not seen ({self.n_folds} folds of "
                f"{self.word}s), {times}; {remaining}"
            )
        held = (
            "whole blocks" if self.kind == "block" else f"whole {self.word}s, classes spread evenly"
        )
        return f"{held} held out in {self.n_folds} outer folds, {times}; {remaining}"


@dataclass(frozen=True)
class Plan:
    """All splits of a study.

    Attributes
    ----------
    schemes
        Training sets of every repeat.
    test_scheme
        Training sets of the permutation test: those of the first repeat, or of fewer folds where
        these are more than five.
    cells
        Of this scheme: units that share a number may exchange labels in the permutation
        test, shape ``(n_units,)``.
    within
        What these cells are, in words.
    unseen_days
        Training sets that hold out every session in turn, on unseen units, and the same with the
        session in training; nothing with one session, where the split is not by unit, or where a
        class would not be trained on.
    no_unseen_days
        Why not; empty if they are there.
    redeal
        Return folds for other labels of the units, dealt by the rule of these; nothing where
        folds do not depend on labels.
    exchangeable, exchangeable_within
        As ``cells`` and ``within``, for folds that are dealt anew for every labelling: the design
        alone says who may exchange labels.
    widths
        Numbers of latent variables that the search widens to, one after the other; every training
        set can carry the last.
    kind
        ``outer``, or ``fixed`` if the study fixes the split.
    rule
        How the scans were split, in words.
    warnings
        What is not as asked, and why.
    """

    schemes: tuple[Scheme, ...]
    test_scheme: Scheme
    cells: NDArray[np.int_]
    within: str
    unseen_days: tuple[Scheme, Scheme] | None
    redeal: Callable[[NDArray[np.int_], np.random.Generator], Scheme] | None
    exchangeable: NDArray[np.int_]
    exchangeable_within: str
    widths: tuple[int, ...]
    kind: str
    rule: str
    warnings: tuple[str, ...]
    no_unseen_days: str = ""

    @property
    def tested(self) -> NDArray[np.bool_]:
        """Scans that every repeat holds out once, shape ``(n_scans,)``."""
        return self.schemes[0].tested


def planned(data: Labelled, job_settings: Mapping[str, Any]) -> Plan:
    """Lay out the splits that the settings ask for, as far as the data allow.

    Parameters
    ----------
    data
        Labelled spectra.
    job_settings
        All settings of the rule.

    Returns
    -------
    Plan
        The same for the same settings and units, whatever the spectra hold.

    Raises
    ------
    InputFault
        If the split cannot be made: fewer than two blocks or sessions, a class that is missing
        from training, units without a side in a fixed split, or an axis that a derivative
        cannot be taken on.
    """
    design, settings = job_settings["design"], job_settings["classes"]
    _refuse_axis(data, settings)
    warnings: list[str] = [*data.set_aside]
    if design["unit"] is None:
        warnings.append(
            "accuracy may flatter: it is not known which scans come from the same plant, so every "
            "scan was split by itself, and scans of one plant may stand on both sides of a split"
        )
    assignment = FoldAssignment(data, job_settings)
    schemes, folds = assignment.repeats()
    warnings += assignment.warnings
    _refuse_missing_class(data, schemes, assignment.kind)
    use_blocks = assignment.use_blocks
    test_scheme, folds = assignment.of_test(schemes[0], folds)
    unseen_days, no_unseen_days = assignment.unseen_days()
    # Who may exchange labels: by design, the units of a block; a sequence of labels has one for
    # each session, so only units measured in the same sessions may exchange theirs.
    blocks = data.unit_blocks if use_blocks else np.zeros(len(data.units), dtype=np.int_)
    sessions, words = np.zeros_like(blocks), ["block"] if use_blocks else []
    if data.labels_by != BY_UNIT:
        sessions = data.measured()
        words += ["same sessions"] if sessions.any() else []
    cells = (sessions * (int(folds.max()) + 1) + folds) * (len(data.blocks) + 1) + blocks
    return Plan(
        schemes=schemes,
        test_scheme=test_scheme,
        cells=cells,
        within=" and ".join(w for w in (assignment.cell, *words) if w) or "the whole study",
        unseen_days=unseen_days,
        no_unseen_days=no_unseen_days,
        redeal=assignment.redealt if assignment.kind in ("unit", "session") else None,
        exchangeable=sessions * (len(data.blocks) + 1) + blocks,
        exchangeable_within=" and ".join(words) or "the whole study",
        widths=_widths(data, schemes, settings, warnings),
        kind="fixed" if assignment.kind == "fixed" else "outer",
        rule=assignment.rule(schemes),
        warnings=tuple(warnings),
    )


def untrained(scheme: Scheme, codes: NDArray[np.int_]) -> list[int]:
    """Return the classes of scans held out that their model was not trained on, sorted."""
    lost: set[int] = set()
    for i, outer in enumerate(scheme.outer):
        lost |= {*codes[scheme.fold == i].tolist()} - {*codes[scheme.training[outer]].tolist()}
    return sorted(lost)


def training_share(schemes: Sequence[Scheme], units: NDArray[np.int_]) -> float:
    """Return the share of all units that trains a model of the outer loop, on average."""
    n_units = len(np.unique(units))
    shares = [
        len(np.unique(units[scheme.training[outer]])) / n_units
        for scheme in schemes
        for outer in scheme.outer
    ]
    return float(np.mean(shares))


def _refuse_missing_class(data: Labelled, schemes: tuple[Scheme, ...], kind: str) -> None:
    missing: dict[str, None] = {}
    for scheme in schemes:
        for outer in scheme.outer:
            trained = set(data.codes[scheme.training[outer]].tolist())
            missing |= {c: None for i, c in enumerate(data.classes) if i not in trained}
    left_out = {
        "block": ("its block is held out", "in the blocks that are left"),
        "session": ("later sessions are held out", "in the first session, in several units"),
    }.get(kind, ("its units are held out", "in the units that are left"))
    if missing:
        raise InputFault(
            Problem(
                file="units.csv",
                column="classes.split",
                found=f"class {quoted(label)} missing from training when {left_out[0]}",
                expected=f"every class {left_out[1]} for training",
                mend="Split by unit instead: classes.split: unit.",
            )
            for label in missing
        )


def _refuse_axis(data: Labelled, settings: Mapping[str, Any]) -> None:
    """Refuse a derivative on an axis that it cannot be taken on, before anything is computed."""
    if any(step in DERIVATIVES for step in settings["preprocessing"]):
        from leafledger.spectra.grid import window_points

        window_points(data.wavelength_nm, WINDOW_NM, ORDER, SETTING)


def _widths(
    data: Labelled, schemes: tuple[Scheme, ...], settings: Mapping[str, Any], warnings: list[str]
) -> tuple[int, ...]:
    """Return the numbers of latent variables to search, as far as the smallest set carries."""
    smallest = min(int(scheme.training.sum(axis=1).min()) for scheme in schemes)
    most = max(1, min(smallest - 1, len(data.wavelength_nm)))
    stated = settings["max_components"]
    if stated == "auto":
        return widths_of_search(FIRST_WIDTH, min(MOST_COMPONENTS, most))
    if most < int(stated):
        warnings.append(
            f"at most {most} latent variables instead of {stated}: the smallest training set has "
            f"{smallest} scans of {len(data.wavelength_nm)} wavelengths"
        )
    return (min(int(stated), most),)
