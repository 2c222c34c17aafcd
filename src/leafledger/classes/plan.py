"""The splits of one study: how many folds, which repeats, who may exchange labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.dealing import Dealing
from leafledger.classes.labelled import Labelled
from leafledger.classes.preprocessing import DERIVATIVES, ORDER, SETTING, WINDOW_NM
from leafledger.classes.splits import Scheme
from leafledger.errors import InputFault, Problem, quoted


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
    kind
        ``outer``, or ``fixed`` if the study fixes the split.
    rule
        How the scans were split, in words.
    warnings
        What is not as asked, and why.
    """

    schemes: tuple[Scheme, ...]
    cells: NDArray[np.int_]
    within: str
    n_components: int
    kind: str
    rule: str
    warnings: tuple[str, ...]

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
    warnings: list[str] = []
    if design["unit"] is None:
        warnings.append(
            "accuracy may flatter: it is not known which scans come from the same plant, so every "
            "scan was split by itself, and scans of one plant may stand on both sides of a split"
        )
    dealing = Dealing(data, design, settings, job_settings["units"], warnings)
    schemes, folds = dealing.repeats()
    _refuse_missing_class(data, schemes, dealing.kind)
    use_blocks = dealing.use_blocks
    cells = folds * (len(data.blocks) + 1) + (data.unit_blocks if use_blocks else 0)
    return Plan(
        schemes=schemes,
        cells=cells,
        within=" and ".join(w for w in (dealing.cell, "block" if use_blocks else "") if w)
        or "the whole study",
        n_components=_carried(data, schemes, settings, warnings),
        kind="fixed" if dealing.kind == "fixed" else "outer",
        rule=dealing.rule(schemes),
        warnings=tuple(warnings),
    )


def _refuse_missing_class(data: Labelled, schemes: tuple[Scheme, ...], kind: str) -> None:
    missing: dict[str, None] = {}
    for scheme in schemes:
        for outer in scheme.outer:
            there = set(data.codes[scheme.training[outer]].tolist())
            missing |= {c: None for i, c in enumerate(data.classes) if i not in there}
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
        from leafledger.spectra.smoothing import window_points

        window_points(data.wavelength_nm, WINDOW_NM, ORDER, SETTING)


def _carried(
    data: Labelled, schemes: tuple[Scheme, ...], settings: Mapping[str, Any], warnings: list[str]
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
