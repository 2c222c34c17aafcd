"""Who is held out with whom, under one kind of split."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.seeds import generator
from leafledger.classes.fixed_split import judged_units
from leafledger.classes.labelled import Labelled
from leafledger.classes.splits import (
    INNER_FOLDS,
    Scheme,
    dealt_folds,
    dealt_scheme,
    later_days_scheme,
    one_by_one_scheme,
    scheme_of,
)
from leafledger.errors import InputFault, Problem, quoted

_STUDY = "study.yaml"
_ONE_BY_ONE = "leave_one_unit_out"


class Dealing:
    """The folds of a study.

    Parameters
    ----------
    data
        Labelled spectra.
    design, settings, units
        Parts of the settings of the rule.
    warnings
        Gets what is not as asked, and why.

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

    Raises
    ------
    InputFault
        If the split cannot be made.
    """

    def __init__(
        self,
        data: Labelled,
        design: Mapping[str, Any],
        settings: Mapping[str, Any],
        units: Mapping[str, Mapping[str, str]],
        warnings: list[str],
    ) -> None:
        self.data, self.design, self.settings, self.warnings = data, design, settings, warnings
        split = settings["split"]
        self.kind = split if isinstance(split, str) else "fixed"
        self.use_blocks = bool(design["block"]) and settings["target"] == design["treatment"]
        self.word = "unit" if design["unit"] is not None else "scan"
        self.cell = "outer fold"
        self.judged = np.zeros(0, dtype=bool)
        if self.kind == "fixed":
            self.cell = "side of the split"
            self.judged = judged_units(data, units, split["column"])
        elif self.kind == _ONE_BY_ONE:
            # Folds of one unit do not look at labels, so all labels may be exchanged.
            self.cell = ""
            self._refuse_two_units()
        self.n_folds = self._n_folds()

    def _n_folds(self) -> int:
        if self.kind == "block":
            return _block_folds(self.data, self.settings)
        if self.kind == "fixed":
            return 1
        if self.kind == _ONE_BY_ONE:
            return len(self.data.units)
        if self.kind == "session" and len(self.data.sessions) < 2:
            raise InputFault(_one_session(self.data))
        return _unit_folds(self.data, self.settings, self.warnings)

    def _refuse_two_units(self) -> None:
        if len(self.data.units) < 3:
            raise InputFault(
                Problem(
                    file=_STUDY,
                    column="classes.split",
                    found=f"{_ONE_BY_ONE} with {len(self.data.units)} units",
                    expected="at least three, so that two are left to train and choose on",
                    mend="Measure more units.",
                )
            )

    def repeats(self) -> tuple[tuple[Scheme, ...], NDArray[np.int_]]:
        """Return the scheme of every repeat, and the fold of every unit in the first."""
        asked = int(self.settings["folds"]["repeats"])
        many = self._worth_repeating(asked)
        schemes, folds = [], []
        for repeat in range(1, many + 1):
            fold = self._fold_of_units(repeat)
            rng = generator(self.settings["seed"], "inner folds", repeat)
            schemes.append(self._scheme(fold, rng))
            folds.append(fold)
        return tuple(schemes), folds[0]

    def _worth_repeating(self, asked: int) -> int:
        same = {
            "fixed": "the split is fixed",
            _ONE_BY_ONE: f"every {self.word} is a fold of its own",
        }.get(self.kind, "")
        if self.kind == "block" and len(self.data.blocks) == self.n_folds > 2:
            same = "every block is a fold of its own"
        if not same or asked == 1:
            return asked
        self.warnings.append(f"{same}, so all {asked} repeats would be the same: one was done")
        return 1

    def _scheme(self, fold: NDArray[np.int_], rng: np.random.Generator) -> Scheme:
        data = self.data
        by_scan = fold[data.unit_of]
        if self.kind == "fixed":
            held = np.where(by_scan == 1, 0, -1)
            return dealt_scheme(held, [held < 0], data.unit_of, rng)
        if self.kind == _ONE_BY_ONE:
            return one_by_one_scheme(data.unit_of, rng)
        if self.kind == "session":
            return later_days_scheme(by_scan, data.day, data.unit_of, rng)
        return scheme_of(by_scan, data.unit_of, rng)

    def _fold_of_units(self, repeat: int) -> NDArray[np.int_]:
        data = self.data
        if self.kind == "fixed":
            return self.judged.astype(np.int_)
        if self.kind == _ONE_BY_ONE:
            return np.zeros(len(data.units), dtype=np.int_)
        rng = generator(self.settings["seed"], "folds", repeat)
        if self.kind == "block":
            nothing = np.zeros(len(data.blocks), dtype=np.int_)
            return dealt_folds(nothing, nothing, self.n_folds, rng)[data.unit_blocks]
        strata = data.unit_blocks if self.use_blocks else np.zeros(len(data.units), dtype=np.int_)
        return dealt_folds(data.unit_codes, strata, self.n_folds, rng)

    def rule(self, schemes: tuple[Scheme, ...]) -> str:
        """Return how the scans were split, in words."""
        times = "once" if len(schemes) == 1 else f"{len(schemes)} times"
        dealt = (
            f"the {self.word}s of each training part are dealt into inner folds, blind to labels"
        )
        remaining = "the remaining outer folds are the inner ones" if self.n_folds > 2 else dealt
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


def _unit_folds(data: Labelled, settings: Mapping[str, Any], warnings: list[str]) -> int:
    asked = int(settings["folds"]["outer"])
    counts = data.units_per_class()
    smallest = int(counts.argmin())
    n_folds = min(asked, int(counts[smallest]))
    if n_folds < asked:
        warnings.append(
            f"{n_folds} outer folds instead of {asked}: class {quoted(data.classes[smallest])} has "
            f"{n_folds} independent units"
        )
    return n_folds


def _block_folds(data: Labelled, settings: Mapping[str, Any]) -> int:
    if len(data.blocks) < 2:
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.split",
                found=f"block, with {len(data.blocks) or 'no'} block among the accepted scans",
                expected="at least two blocks, named by design.block",
                mend="Split by unit, or name the column of the blocks in design.block.",
            )
        )
    return min(int(settings["folds"]["outer"]), len(data.blocks))


def _one_session(data: Labelled) -> Problem:
    return Problem(
        file=_STUDY,
        column="classes.split",
        found=f"session, with accepted scans of {data.sessions[0]} only",
        expected="at least two sessions, so that later ones can be judged by earlier ones",
        mend="Name more sessions in classes.sessions, or split by unit.",
    )
