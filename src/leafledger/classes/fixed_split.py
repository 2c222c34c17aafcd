"""A split that the study fixes: a column of the units sheet says who trains and who is judged."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled import Labelled
from leafledger.errors import InputFault, Problem, quoted

TRAIN, TEST = "train", "test"


def judged_units(
    data: Labelled, units: Mapping[str, Mapping[str, str]], column: str
) -> NDArray[np.bool_]:
    """Return which units are judged (true) and which train, shape ``(n_units,)``.

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
        raise InputFault(_no_column(column))
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
    judged = np.array([word == TEST for word in words])
    missing = [word for word, there in ((TRAIN, ~judged), (TEST, judged)) if not there.any()]
    if missing:
        raise InputFault(_empty(column, missing[0]))
    trained = np.bincount(data.unit_codes[~judged], minlength=len(data.classes))
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
    return judged


def _empty(column: str, word: str) -> Problem:
    return Problem(
        file="units.csv",
        column=column,
        found=f"no unit with accepted scans in {word}",
        expected=f"units in {TRAIN} and units in {TEST}",
        mend="Put some units on the other side, or split by unit.",
    )


def _no_column(column: str) -> Problem:
    return Problem(
        file="study.yaml",
        column="classes.split",
        found=f"column {quoted(column)}, which the design does not name",
        expected="one of design.factors",
        mend=f"Add {quoted(column)} to design.factors, and say {TRAIN} or {TEST} of every unit.",
    )
