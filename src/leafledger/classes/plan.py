"""The splits of one study: how many folds, which repeats, who may exchange labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.seeds import generator
from leafledger.classes.labelled import Labelled
from leafledger.classes.splits import Scheme, dealt_folds, scheme_of
from leafledger.errors import InputFault, Problem, quoted

_STUDY = "study.yaml"


@dataclass(frozen=True)
class Plan:
    """All splits of a study.

    Attributes
    ----------
    schemes
        Training sets of every repeat.
    cells
        Of the first repeat: units that share a number may exchange labels in the permutation
        test, shape ``(n_units,)``.
    within
        What these cells are, in words.
    n_components
        Largest number of latent variables that every training set can carry.
    rule
        How the scans were split, in words.
    warnings
        What is not as asked, and why.
    """

    schemes: tuple[Scheme, ...]
    cells: NDArray[np.int_]
    within: str
    n_components: int
    rule: str
    warnings: tuple[str, ...]


def planned(data: Labelled, design: Mapping[str, Any], settings: Mapping[str, Any]) -> Plan:
    """Lay out the splits that the settings ask for, as far as the data allow.

    Parameters
    ----------
    data
        Labelled spectra.
    design, settings
        Sections ``design`` and ``classes`` of the settings.

    Returns
    -------
    Plan
        The same for the same settings and units, whatever the spectra hold.

    Raises
    ------
    InputFault
        If a split by block has fewer than two blocks or takes a class out of training.
    """
    warnings: list[str] = []
    if design["unit"] is None:
        warnings.append(
            "accuracy may flatter: it is not known which scans come from the same plant, so every "
            "scan was split by itself, and scans of one plant may stand on both sides of a split"
        )
    by_block = settings["split"] == "block"
    n_folds = _block_folds(data, settings) if by_block else _unit_folds(data, settings, warnings)
    repeats = int(settings["folds"]["repeats"])
    if by_block and len(data.blocks) == n_folds and n_folds > 2 and repeats > 1:
        warnings.append(
            f"every block is a fold of its own, so all {repeats} repeats would be the same: one "
            "was done"
        )
        repeats = 1
    use_blocks = bool(design["block"]) and settings["target"] == design["treatment"]
    schemes, folds = [], []
    for repeat in range(1, repeats + 1):
        fold = _fold_of_units(data, settings, n_folds, repeat, use_blocks)
        rng = generator(settings["seed"], "inner folds", repeat)
        schemes.append(scheme_of(fold[data.unit_of], data.unit_of, rng))
        folds.append(fold)
    if by_block:
        _refuse_missing_class(data, schemes)
    cells = folds[0] * (len(data.blocks) + 1) + (data.unit_blocks if use_blocks else 0)
    word = "unit" if design["unit"] is not None else "scan"
    return Plan(
        schemes=tuple(schemes),
        cells=cells,
        within="outer fold and block" if use_blocks else "outer fold",
        n_components=_carried(data, schemes, settings, warnings),
        rule=_rule(word, by_block, n_folds, repeats),
        warnings=tuple(warnings),
    )


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


def _fold_of_units(
    data: Labelled, settings: Mapping[str, Any], n_folds: int, repeat: int, use_blocks: bool
) -> NDArray[np.int_]:
    rng = generator(settings["seed"], "folds", repeat)
    if settings["split"] == "block":
        nothing = np.zeros(len(data.blocks), dtype=np.int_)
        return dealt_folds(nothing, nothing, n_folds, rng)[data.unit_blocks]
    strata = data.unit_blocks if use_blocks else np.zeros(len(data.units), dtype=np.int_)
    return dealt_folds(data.unit_codes, strata, n_folds, rng)


def _refuse_missing_class(data: Labelled, schemes: list[Scheme]) -> None:
    missing: dict[str, None] = {}
    for scheme in schemes:
        for outer in scheme.outer:
            there = set(data.codes[scheme.training[outer]].tolist())
            missing |= {c: None for i, c in enumerate(data.classes) if i not in there}
    if missing:
        raise InputFault(
            Problem(
                file="units.csv",
                column="classes.split",
                found=f"class {quoted(label)} missing from training when its block is held out",
                expected="every class in the blocks that are left for training",
                mend="Split by unit instead: classes.split: unit.",
            )
            for label in missing
        )


def _carried(
    data: Labelled, schemes: list[Scheme], settings: Mapping[str, Any], warnings: list[str]
) -> int:
    asked = int(settings["max_components"])
    smallest = min(int(scheme.training.sum(axis=1).min()) for scheme in schemes)
    carried = max(1, min(asked, smallest - 1, len(data.wavelength_nm)))
    if carried < asked:
        warnings.append(
            f"at most {carried} latent variables instead of {asked}: the smallest training set has "
            f"{smallest} scans of {len(data.wavelength_nm)} wavelengths"
        )
    return carried


def _rule(word: str, by_block: bool, n_folds: int, repeats: int) -> str:
    held = "whole blocks" if by_block else f"whole {word}s, classes spread evenly"
    inner = (
        "the remaining outer folds are the inner ones"
        if n_folds > 2
        else f"the {word}s of each training half are dealt into inner folds, blind to labels"
    )
    times = "once" if repeats == 1 else f"{repeats} times"
    return f"{held} held out in {n_folds} outer folds, {times}; {inner}"
