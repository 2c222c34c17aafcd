"""Which leaves have a spectrum, and of which is the trait known?

A sample is a leaf: the mean of its accepted scans. A trait is a quantity of the assays, or a column
of numbers of the units or of the scans. What counts is the experimental unit: leaves of one unit
share its chance differences, so every unit has the same weight in every error.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, first_words, nearest, quoted
from leafledger.records.record import Job
from leafledger.study.table_files import load_spectra, read_csv
from leafledger.words import counted, listed, plural

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
Leaf = tuple[str, str, str]
"""Unit, session and leaf; the leaf is empty where the scan sheet names none."""
FEWEST_UNITS: Final = 6
"""Units that a model needs: one is held out, and the rest are parted again to choose."""
MOST_CELLS: Final = 3
"""Cells that a problem quotes one by one."""
_SAME: Final = 1e-9
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")

# Spectra of leaves.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class LeafSpectra:
    """The mean spectrum of every leaf with accepted scans.

    Attributes
    ----------
    spectra
        Reflectance, shape ``(n_leaves, n_wavelengths)``, over the trusted range.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    leaves
        In the order of sessions, then unit and leaf.
    sessions
        Sessions in study order.
    scans
        Accepted scans of each leaf.
    """

    spectra: Array
    wavelength_nm: Array
    leaves: tuple[Leaf, ...]
    sessions: tuple[str, ...]
    scans: tuple[tuple[str, ...], ...]

    @cached_property
    def place(self) -> dict[Leaf, int]:
        """Row of each leaf."""
        return {leaf: row for row, leaf in enumerate(self.leaves)}


def leaf_spectra(job: Job) -> LeafSpectra:
    """Return the mean accepted spectrum of every leaf.

    Raises
    ------
    InputFault
        If no scan is accepted, or the trusted range holds no wavelength.
    """
    by_session = job.by_session("reflectance")
    accepted = load_spectra(by_session, job.inputs["accepted"], job.inputs["range"], {})
    if len(accepted.rows) == 0 or accepted.reflectance.shape[1] == 0:
        raise InputFault(
            Problem(
                file="study.yaml",
                column="traits",
                found="no accepted scan" if len(accepted.rows) == 0 else "no trusted wavelength",
                expected="accepted spectra to estimate traits from",
                mend="See exclusions.csv for the reasons, or leave the section traits out.",
            )
        )
    sessions = tuple(by_session)
    order = {session: position for position, session in enumerate(sessions)}
    members: dict[tuple[int, str, str], list[int]] = {}
    columns = (accepted.rows[name].tolist() for name in ("unit", "session", "leaf"))
    for row, (unit, session, leaf) in enumerate(zip(*columns, strict=True)):
        members.setdefault((order[str(session)], _text(unit), _text(leaf)), []).append(row)
    keys = sorted(members)
    scans = [str(scan) for scan in accepted.rows["scan"]]
    return LeafSpectra(
        spectra=np.array([accepted.reflectance[members[key]].mean(axis=0) for key in keys]),
        wavelength_nm=accepted.wavelength_nm,
        leaves=tuple((unit, sessions[day], leaf) for day, unit, leaf in keys),
        sessions=sessions,
        scans=tuple(tuple(scans[row] for row in members[key]) for key in keys),
    )


def _text(value: object) -> str:
    """Return a cell as text; a missing one is empty."""
    return "" if value is None or value != value else str(value)


# Known traits.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class TraitValues:
    """The leaves whose trait is known.

    Attributes
    ----------
    target, unit_of_value
        The trait and the unit it is given in; ``1`` for a plain number.
    rows
        Row of each leaf in :class:`LeafSpectra`, shape ``(n,)``.
    y, u
        Value of the trait and its standard uncertainty (``NaN`` where not stated).
    leaves
        Unit, session and leaf.
    source
        ``assays``, ``units`` or ``scans``.
    lost
        Leaves with a known trait and no accepted spectrum.
    remark
        What should be known of the choice of the quantity's unit; empty if nothing.
    measured
        Whether any value is known at all, be it of a leaf without a spectrum.
    """

    target: str
    unit_of_value: str
    rows: NDArray[np.intp]
    y: Array
    u: Array
    leaves: tuple[Leaf, ...]
    source: str
    lost: tuple[Leaf, ...] = ()
    remark: str = ""
    measured: bool = True

    @cached_property
    def units(self) -> tuple[str, ...]:
        """The units, sorted."""
        return tuple(sorted({leaf[0] for leaf in self.leaves}))

    @cached_property
    def unit_of(self) -> Codes:
        """Number of the unit of each leaf."""
        code_of = {unit: code for code, unit in enumerate(self.units)}
        return np.array([code_of[leaf[0]] for leaf in self.leaves], dtype=np.int_)

    @cached_property
    def sessions(self) -> tuple[str, ...]:
        """Sessions with known leaves, in study order (that of the leaves)."""
        return tuple(dict.fromkeys(leaf[1] for leaf in self.leaves))

    @cached_property
    def day(self) -> Codes:
        """Place of the session of each leaf among them."""
        return np.array([self.sessions.index(leaf[1]) for leaf in self.leaves], dtype=np.int_)

    @property
    def n_leaves(self) -> int:
        """Number of leaves."""
        return len(self.leaves)


def known_traits(job: Job, spectra: LeafSpectra) -> list[TraitValues]:
    """Return the leaves with a known value for every target of the settings.

    Raises
    ------
    InputFault
        Naming every target that is neither an assayed quantity nor a column, and every cell of a
        column that is no number.
    """
    contents = _assayed_contents(job)
    columns: Mapping[str, Any] = job.settings["columns"]
    problems: list[Problem] = []
    traits: list[TraitValues] = []
    for target in job.settings["traits"]["targets"]:
        if target in contents:
            traits.append(_of_assays(target, contents[target], spectra))
        elif target in columns["units"]:
            numbers = numbers_of(target, columns["units"][target], "unit", problems)
            by_leaf = {leaf: numbers[leaf[0]] for leaf in spectra.leaves if leaf[0] in numbers}
            values = {leaf: (number, math.nan) for leaf, number in by_leaf.items()}
            trait = _trait_values(target, "1", values, spectra, "units")
            traits.append(replace(trait, measured=bool(numbers)))
        elif target in columns["scans"]:
            numbers = numbers_of(target, columns["scans"][target], "scan", problems)
            means = {}
            for leaf, scans in zip(spectra.leaves, spectra.scans, strict=True):
                of_leaf = [numbers[scan] for scan in scans if scan in numbers]
                if of_leaf:
                    means[leaf] = (math.fsum(of_leaf) / len(of_leaf), math.nan)
            trait = _trait_values(target, "1", means, spectra, "scans")
            traits.append(replace(trait, measured=bool(numbers)))
        elif "pigment_contents" not in job.inputs:
            # Assays may still come.
            traits.append(
                replace(_trait_values(target, "1", {}, spectra, "assays"), measured=False)
            )
        else:
            available = [*contents, *numeric(columns["units"]), *numeric(columns["scans"])]
            problems.append(
                Problem(
                    file="study.yaml",
                    column="traits.targets",
                    found=f"{quoted(target)}, which is neither assayed nor a column",
                    expected="a quantity of assays.csv, or a column of numbers of units.csv or "
                    "scans.csv",
                    mend=f"There are {first_words(available, 8)}."
                    if available
                    else "Add assays.csv.",
                )
            )
    if problems:
        raise InputFault(problems)
    return traits


def target_problems(
    targets: Sequence[str],
    assayed: Sequence[str] | None,
    of_units: Mapping[str, Mapping[str, str]],
    of_scans: Mapping[str, Mapping[str, str]],
) -> list[Problem]:
    """Return every target that is nothing, and every cell of one that is no number.

    Parameters
    ----------
    targets
        As the study asks for them.
    assayed
        Quantities of the sheet of assays; ``None`` while there is no sheet, which may still come.
    of_units, of_scans
        Column -> what it holds of each unit, or of each leaf scan.
    """
    problems: list[Problem] = []
    for target in targets:
        if target in of_units:
            numbers_of(target, of_units[target], "unit", problems)
        elif target in of_scans:
            numbers_of(target, of_scans[target], "scan", problems)
        elif assayed is not None and target not in assayed:
            problems.append(
                Problem(
                    file="study.yaml",
                    column="traits.targets",
                    found=quoted(target),
                    expected="a quantity of the sheet of assays, or a column of numbers of "
                    "units.csv or scans.csv",
                    mend=nearest(target, [*assayed, *numeric(of_units), *numeric(of_scans)]),
                )
            )
    return problems


def numbers_of(
    target: str, cells: Mapping[str, str], column: str, problems: list[Problem]
) -> dict[str, float]:
    """Return the cells that hold a number; a blank one is not known, others are one problem."""
    numbers: dict[str, float] = {}
    wrong: list[str] = []
    for name, cell in cells.items():
        text = cell.strip()
        if not text:
            continue
        if not _NUMBER.fullmatch(text):
            wrong.append(f"{quoted(text)} for {name}")
            continue
        numbers[name] = float(text)
    if wrong:
        few = len(wrong) <= MOST_CELLS
        problems.append(
            Problem(
                file="units.csv" if column == "unit" else "scans.csv",
                column=target,
                found=listed(wrong) if few else f"{len(wrong)} cells, such as {wrong[0]}",
                expected="a number with a decimal point, or nothing where it is not known: "
                "traits.targets names this column",
                mend="Mend the cells, or take the column out of traits.targets.",
            )
        )
    return numbers


def numeric(columns: Mapping[str, Mapping[str, str]]) -> list[str]:
    """Return the columns that hold numbers, or nothing yet.

    Examples
    --------
    >>> numeric({"SPAD": {"s1": "31.5", "s2": ""}, "stage": {"s1": "early"}, "N": {"s1": ""}})
    ['SPAD', 'N']
    """
    return [
        name
        for name, cells in columns.items()
        if all(not cell.strip() or _NUMBER.fullmatch(cell.strip()) for cell in cells.values())
    ]


def _assayed_contents(job: Job) -> dict[str, dict[str, dict[Leaf, list[tuple[float, float]]]]]:
    """Return quantity -> unit of value -> leaf -> contents in use and their uncertainties."""
    if "pigment_contents" not in job.inputs:
        return {}
    table = read_csv(job.inputs["pigment_contents"])
    contents: dict[str, dict[str, dict[Leaf, list[tuple[float, float]]]]] = {}
    for row in table[table["used"].astype(bool)].to_dict("records"):
        leaf = (_text(row["unit"]), _text(row["session"]), _text(row["leaf"]))
        of_unit = contents.setdefault(str(row["quantity"]), {})
        values = of_unit.setdefault(_text(row["unit_of_value"]) or "1", {}).setdefault(leaf, [])
        values.append((float(row["value"]), float(row["u"])))
    return contents


def _of_assays(
    target: str,
    by_unit: Mapping[str, Mapping[Leaf, Sequence[tuple[float, float]]]],
    spectra: LeafSpectra,
) -> TraitValues:
    """Return the mean content of each assayed leaf, in the unit in which most leaves have one."""
    most = max(len(assays) for assays in by_unit.values())
    unit = next(name for name, assays in by_unit.items() if len(assays) == most)
    values = {
        leaf: (
            math.fsum(value for value, _ in assays) / len(assays),
            math.sqrt(math.fsum(u**2 for _, u in assays)) / len(assays),
        )
        for leaf, assays in by_unit[unit].items()
    }
    others = [name for name in by_unit if name != unit]
    remark = f"{target} is estimated in {unit}, not in {first_words(others, 3)}" if others else ""
    return _trait_values(target, unit, values, spectra, "assays", remark)


def _trait_values(
    target: str,
    unit_of_value: str,
    values: Mapping[Leaf, tuple[float, float]],
    spectra: LeafSpectra,
    source: str,
    remark: str = "",
) -> TraitValues:
    leaves = [leaf for leaf in spectra.leaves if leaf in values]
    return TraitValues(
        target=target,
        unit_of_value=unit_of_value,
        rows=np.array([spectra.place[leaf] for leaf in leaves], dtype=np.intp),
        y=np.array([values[leaf][0] for leaf in leaves], dtype=np.float64),
        u=np.array([values[leaf][1] for leaf in leaves], dtype=np.float64),
        leaves=tuple(leaves),
        source=source,
        lost=tuple(leaf for leaf in values if leaf not in spectra.place),
        remark=remark,
    )


def untrained_reason(trait: TraitValues, word: str) -> str:
    """Return why these leaves cannot train a model; ``""`` if they can.

    Parameters
    ----------
    trait
        Leaves with a known trait.
    word
        What a unit is called.
    """
    n = len(trait.units)
    if not trait.measured:
        return f"no leaf has a known {trait.target}"
    if n == 0:
        return f"no leaf has both an accepted spectrum and a known {trait.target}"
    if n == 1 and trait.n_leaves > 1:
        return (
            f"all {trait.n_leaves} leaves with a known {trait.target} are of one {word} "
            f"({trait.units[0]}): they say nothing of other {plural(word)}"
        )
    if n < FEWEST_UNITS:
        return (
            f"{counted(n, word)} with a known {trait.target}; at least {FEWEST_UNITS} are needed "
            "to hold some out and still choose a model"
        )
    if float(np.ptp(trait.y)) <= _SAME * max(1.0, float(np.abs(trait.y).max())):
        return f"{trait.target} is the same in all leaves"
    return ""


def lost_sentence(trait: TraitValues) -> str:
    """Return a warning that names leaves with a known trait and no accepted spectrum."""
    if not trait.lost:
        return ""
    names = first_words([" ".join(part for part in leaf if part) for leaf in trait.lost], 5)
    have = "has" if len(trait.lost) == 1 else "have"
    return (
        f"{counted(len(trait.lost), 'leaf')} with a known {trait.target} {have} no accepted "
        f"spectrum and cannot train: {names}"
    )
