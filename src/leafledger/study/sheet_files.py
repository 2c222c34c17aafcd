"""Which files of a study folder are its sheets: CSV, or a workbook of the same name."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from leafledger.errors import Problem
from leafledger.study.definition import Definition
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.names import PathCheck

UNITS = ("units.csv", "units.xlsx")
SCANS = ("scans.csv", "scans.xlsx")


def units_file(folder: Path) -> str:
    """Return the name of the sheet of units; ``units.csv`` if there is none."""
    return next((name for name in UNITS if (folder / name).is_file()), UNITS[0])


def find_units(folder: Path, problems: list[Problem]) -> str | None:
    """Return the name of the sheet of units, ``None`` if there is none.

    Two of them are a problem: nothing says which one holds.
    """
    there = [name for name in UNITS if is_there(folder, name, problems)]
    if len(there) > 1:
        problems.append(
            _both(
                there, f"Keep the one that you work in and take the other away from {folder.name}."
            )
        )
    return there[0] if there else None


def is_there(folder: Path, name: str, problems: list[Problem]) -> bool:
    """Tell whether a sheet is there; one that is there but is no file is never passed over."""
    path = folder / name
    if path.is_file():
        return True
    if path.exists() or path.is_symlink():
        problems.append(
            Problem(
                file=name,
                found="a folder, a special file or a broken link",
                expected="a sheet",
                mend="Put the sheet there, or take the name away.",
            )
        )
    return False


def with_scan_sheet(folder: Path, definition: Definition, problems: list[Problem]) -> Definition:
    """Return the definition with the scan sheet that is there, if it names none itself."""
    intake = definition.intake
    if intake.pattern or "sheet" in intake.model_fields_set:
        return definition
    there = [name for name in SCANS if (folder / name).is_file()]
    if len(there) > 1:
        problems.append(_both(there, "Say which one holds: `sheet:` under intake in study.yaml."))
    if not there or there[0] == intake.sheet:
        return definition
    found = intake.model_copy(update={"sheet": there[0]})
    return definition.model_copy(update={"intake": found})


def _both(names: list[str], mend: str) -> Problem:
    return Problem(
        file=names[1],
        found=f"{names[0]} and {names[1]}",
        expected="one of the two",
        mend=mend,
    )


def with_own_names(
    problems: Iterable[Problem], folder: Path, definition: Definition
) -> list[Problem]:
    """Return problems that name the study's own sheets, where a stage knows only the usual ones."""
    own = {UNITS[0]: units_file(folder), SCANS[0]: definition.intake.sheet}
    return [replace(problem, file=own.get(problem.file, problem.file)) for problem in problems]


def refused_sheet(folder: Path, name: str) -> Problem | None:
    """Return what is wrong with the path of the scan sheet that the study names."""
    why = PathCheck(folder).why_refused(name)
    if not why:
        return None
    like = [other for other in SCANS if other != name and (folder / other).is_file()]
    return Problem(
        file=STUDY_FILE,
        column="intake.sheet",
        found=f"{why}: {name}",
        expected="the scan sheet, inside the study folder",
        mend=f"Write `sheet: {like[0]}`, which is there."
        if like
        else "Write scans.csv, name your sheet, or give a file name pattern.",
    )
