"""How is a study folder read, with all its problems, and what need not be read again?"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, bounded, grouped, grouped_by_file
from leafledger.study import checks
from leafledger.study.analysis_checks import of_analysis
from leafledger.study.checks import LabelCell, level_problems
from leafledger.study.definition import Definition, Form, without_a_word_for_nothing
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import (
    definition_of,
    examine_definition_of,
    has_fault_in,
    is_known,
    is_under,
    of_variant,
    with_rows,
    without_consequences,
)
from leafledger.study.rules import RECORDS
from leafledger.study.scan_sheet import (
    DECISIONS_FILE,
    HAVE_A_MEANING,
    OPTIONAL,
    REQUIRED,
    Decision,
    Scan,
    ScanReader,
    SortedScans,
    columns_of,
    missing_column,
    read_decisions,
    sort_scans,
    units_of_scans,
    units_of_sheet,
)
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.sheets import (
    SCANS,
    UNITS,
    PathCheck,
    find_units,
    is_there,
    read_sheet,
    refused_sheet,
    units_file,
    with_scan_sheet,
)
from leafledger.study.study import Study, sessions_of
from leafledger.study.table_files import WRITTEN, canonical_json, remove_folder, write_bytes
from leafledger.study.table_sheet import (
    is_spectra_table,
    rows_of,
    rows_of_table,
    spectra_in_workbook,
    without_headings,
)
from leafledger.study.yaml_text import YamlText

# What need not be read again of a study whose files have not changed since
# ----------------------------------------------------------------------
# Two things are kept in ``ledger/cache``, both whole or absent, both used only if the bytes of
# every file that they rest on are still the same. Without them a study is read from its sheets.
#
# 1. The checked rows of a scan sheet without a problem, so that a large sheet is read once and not
# by every command. Where its files lie is checked anew each time. 2. The job of each task of a
# run: its settings, with the rows that it sees, and its inputs. The run writes it once; the step,
# a process of its own, reads neither the sheets nor the rows of others.

_CACHE = "ledger/cache"
_ROWS = f"{_CACHE}/scan_rows.json.z"
JOBS = f"{_CACHE}/jobs"
_PACKAGE = Path(__file__).resolve().parent.parent
_READ_BY = ("study/*.py", "errors.py", "words.py")
"""Files of this package that decide what is read from a sheet and what a task sees of it."""


# Digests of what a reading rests on.
# ----------------------------------------------------------------------


@cache
def _reader() -> str:
    """Return a digest of the code that reads sheets: another version may read them otherwise."""
    digest = hashlib.sha256()
    for pattern in _READ_BY:
        for path in sorted(_PACKAGE.glob(pattern)):
            digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def _sha256(path: Path) -> str | None:
    """Return the digest of a file, ``None`` if there is none that can be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _packed(value: Any) -> bytes:
    # Not sorted: stages may go through sessions and scans in the order of the study.
    text = json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    return zlib.compress(text.encode("utf-8"), 1)


def _unpacked(path: Path) -> Any:
    """Return what :func:`_packed` was given; ``None`` if the file is not there or not whole."""
    try:
        return json.loads(zlib.decompress(path.read_bytes()))
    except (OSError, ValueError, zlib.error):
        return None


# The rows of a scan sheet.
# ----------------------------------------------------------------------

_COLUMNS = tuple(field.name for field in fields(Scan) if field.name != "others")


@dataclass(frozen=True)
class SheetRows:
    """All rows of a scan sheet, read without a problem.

    Attributes
    ----------
    key
        Digest of the bytes of the sheet and of all else that decides how it is read.
    scans
        The rows, in sheet order.
    others
        Columns of the sheet that have no meaning of their own.
    """

    key: str
    scans: Sequence[Scan]
    others: Sequence[str]


def rows_key(sheet: Path, reader: ScanReader, form: Mapping[str, Any]) -> str | None:
    """Return the key of the rows of a sheet; ``None`` if it cannot be read.

    Parameters
    ----------
    sheet
        The scan sheet, or the table of labelled spectra that is one.
    reader
        Knows the sessions and units that rows may name.
    form
        How raw files are written; decides what a table of spectra is read as.
    """
    digest = _sha256(sheet)
    if digest is None:
        return None
    units = None if reader.units_known is None else list(reader.units_known)
    reader_settings = [
        reader.shown,
        reader.sessions,
        units,
        reader.unit_needed,
        reader.units_file,
        form,
    ]
    seen = canonical_json([_reader(), digest, reader_settings])
    return hashlib.sha256(seen.encode("utf-8")).hexdigest()


def kept_rows(folder: Path, key: str) -> SheetRows | None:
    """Return the rows that an earlier run kept under ``key``; ``None`` if there are none."""
    kept = _unpacked(folder / _ROWS)
    if not isinstance(kept, dict) or kept.get("key") != key:
        return None
    columns, others = kept["columns"], kept["others"]
    cells = zip(*(columns[name] for name in _COLUMNS), strict=True)
    more = zip(*(kept["cells"][name] for name in others), strict=True)
    scans = []
    for values in cells:
        # The class checks nothing; set by its fields one by one, 100,000 rows take a second.
        scan = object.__new__(Scan)
        scan.__dict__.update(zip(_COLUMNS, values, strict=True))
        labels = dict(zip(others, next(more), strict=True)) if others else {}
        scan.__dict__["others"] = labels
        scans.append(scan)
    return SheetRows(key, scans, others)


def keep_rows(study: Study) -> None:
    """Keep the rows of a study's scan sheet for later; a full disk is no error.

    Call it only while holding the study. Nothing is written where the rows came from here, or where
    the sheet is no single file.
    """
    rows = study.rows_read
    if rows is None:
        return
    kept = {
        "key": rows.key,
        "columns": {name: [getattr(s, name) for s in rows.scans] for name in _COLUMNS},
        "others": list(rows.others),
        "cells": {name: [s.others.get(name, "") for s in rows.scans] for name in rows.others},
    }
    with suppress(OSError):  # only a cache
        write_bytes(study.folder / _ROWS, _packed(kept))


# The job of each task of a run.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class HandedJob:
    """What a run hands to a step: settings as plain values, and role -> path of every input."""

    settings: Mapping[str, Any]
    inputs: Mapping[str, str]


Rests = Mapping[str, str | None]
"""File or folder in the study -> digest of its bytes or of the names in it; ``None``: not there."""

_STUDY_FILE = "study.yaml"
_OF_PIGMENTS = ("assays.csv", "assays.xlsx", "chromatograms.csv", "chromatograms.xlsx")
_STRIPS, _ANYWHERE = "chromatograms/", "./"


def rests_on(folder: Path, definition: Definition) -> dict[str, str | None]:
    """Return the digests of all files by which a study is read, as they are now.

    Sheets count by their bytes; folders whose file names stand in for rows count by these names.
    Raw files are not among them: each task checks its own.
    """
    names = [_STUDY_FILE, *SCANS, *UNITS, definition.intake.sheet, DECISIONS_FILE, *_OF_PIGMENTS]
    names += [_STRIPS, *([_ANYWHERE] if definition.intake.pattern else [])]
    return {name: _digest(folder, name) for name in dict.fromkeys(names)}


def _digest(folder: Path, name: str) -> str | None:
    return _names_below(folder / name) if name.endswith("/") else _sha256(folder / name)


def _names_below(folder: Path) -> str | None:
    """Return the digest of the paths of all files below a folder, but for those we write."""
    digest = hashlib.sha256()
    n_folders = 0
    for n_folders, (top, folders, files) in enumerate(os.walk(folder), start=1):
        folders[:] = sorted(set(folders) - (set(WRITTEN) if n_folders == 1 else set()))
        below = os.path.relpath(top, folder)
        digest.update(os.fsencode(f"{below}\0{chr(0).join(sorted(files))}\0"))
    return digest.hexdigest() if n_folders else None


def _job_file(folder: Path, task: str) -> Path:
    return folder / JOBS / f"{task}.json.z"


def hand_job(study: Study, run: str, task: str, rests: Rests, job: HandedJob) -> None:
    """Write the job of a task for its step; where that fails the step reads the study itself.

    Parameters
    ----------
    study, run, task
        The study, the run and the name of the task.
    rests
        What :func:`rests_on` returned before and after the study was read.
    job
        Settings and inputs of the task.
    """
    content = {
        "reader": _reader(),
        "run": run,
        "task": task,
        "variant": study.variant,
        "rests_on": rests,
        "settings": job.settings,
        "inputs": job.inputs,
    }
    with suppress(OSError):
        write_bytes(_job_file(study.folder, task), _packed(content))


def handed_job(folder: Path, run: str | None, task: str, variant: str | None) -> HandedJob | None:
    """Return the job that this run handed to a task; ``None`` if the study must be read.

    It must be if the run handed none, if any file on which the study rests has changed since or
    if an input is missing: reading the study says what is wrong then.

    Parameters
    ----------
    folder
        The study folder.
    run
        Id of the run; ``None`` for a step that a person started.
    task, variant
        Name of the task, and of the variant whose settings hold.
    """
    if run is None:
        return None
    content = _unpacked(_job_file(folder, task))
    expected = {"reader": _reader(), "run": run, "task": task, "variant": variant}
    if not isinstance(content, dict) or any(
        content.get(name) != is_ for name, is_ in expected.items()
    ):
        return None
    job = HandedJob(content["settings"], content["inputs"])
    paths = PathCheck(folder)
    if any(paths.why_refused(path) for path in job.inputs.values()):
        return None  # not there, or no file of the study
    rests: Rests = content["rests_on"]
    return job if all(_digest(folder, name) == was for name, was in rests.items()) else None


def remove_jobs(folder: Path) -> None:
    """Remove what was handed to the tasks of a run."""
    remove_folder(folder / JOBS)


# Read a study folder: definition, units, scans and decisions, with all their problems together.
# ----------------------------------------------------------------------


def read_study_at_rest(folder: Path, variant: str | None = None) -> tuple[Study, Rests | None]:
    """Read and check a study folder, and say on which bytes of its files the study rests.

    Returns
    -------
    study
        As :func:`read_study` returns it.
    rests
        As :func:`leafledger.study.reading.rests_on` returns it; ``None`` if a file changed
        meanwhile.

    Raises
    ------
    InputFault
        With the problems of all its files together.
    """
    folder = folder.resolve()
    definition, _ = definition_of(folder, variant)
    before = rests_on(folder, definition)
    study = read_study(folder, variant)
    return study, before if rests_on(folder, definition) == before else None


def read_study(folder: Path, variant: str | None = None) -> Study:
    """Read and check a study folder.

    Parameters
    ----------
    folder
        The study folder.
    variant
        Name of the variant whose settings hold; ``None``: those of the study as stated.

    Raises
    ------
    InputFault
        With the problems of all its files together.
    """
    examined = examine_study(folder, variant)
    if examined.problems:
        raise InputFault(examined.problems)
    return examined.study


_Place = tuple[str, int | None]
"""Sheet and row, or raw file and ``None``."""


@dataclass(frozen=True)
class ExaminedStudy:
    """A study as far as it can be read, and every problem of its files.

    Attributes
    ----------
    study
        Without what is at fault: a setting has its default, a row may be flawed.
    problems
        Of all files, without those that only follow from others.
    unknown
        Keys of ``study.yaml`` whose value is not known.
    flawed
        Sheet and row (or raw file and ``None``) of the scans that are at fault.
    text
        ``study.yaml`` with its lines.
    """

    study: Study
    problems: tuple[Problem, ...]
    unknown: frozenset[str]
    flawed: frozenset[_Place]
    text: YamlText


def examine_study(folder: Path, variant: str | None = None) -> ExaminedStudy:
    """Read a study folder and go on after a fault, so that every problem is found at once.

    Raises
    ------
    InputFault
        If ``study.yaml`` cannot be read at all.
    """
    folder = folder.resolve()
    examined = examine_definition_of(folder, variant)
    stated, text, unknown = examined.definition, examined.text, set(examined.unknown)
    problems: list[Problem] = checks.of_definition(stated)
    units_sheet: dict[str, dict[str, str]] | None = None
    further: dict[str, dict[str, str]] = {}
    columns = columns_of(stated.design)
    definition = with_scan_sheet(folder, stated, problems)
    name = find_units(folder, problems) if definition.design.unit is not None else None
    if name is not None:
        units_sheet, further = _read_units(folder, name, definition, columns, problems)
    elif any(problem.file in UNITS for problem in problems):
        units_sheet = {}  # a folder or a broken link in its place: said already
    rows, others, flawed = SortedScans([], [], [], (), []), list[str](), set[_Place]()
    rows_read: SheetRows | None = None
    readable = _scans_can_be_read(definition, unknown)
    if readable:
        rows, others, flawed, rows_read = _read_scans(folder, definition, units_sheet, problems)
    if units_sheet is not None:
        units = units_sheet
    else:
        listed = [*rows.taking_part, *rows.planned]
        units = _units_from_scans(definition, listed, others, columns, problems)
    decisions = _read_decisions(folder, rows, problems) if readable else []
    levels = {labels.get(definition.design.treatment, "") for labels in units.values()}
    design = without_a_word_for_nothing(definition.design, levels)
    definition = definition.model_copy(update={"design": design})
    study = Study(
        folder,
        definition,
        tuple(rows.taking_part),
        units,
        tuple(decisions),
        variant,
        to_come=rows.to_come,
        planned=tuple(rows.planned),
        omitted=tuple(rows.omitted),
        further_of_units=further,
        rows_read=rows_read,
    )
    problems += _cross_checks(study, units_file(folder), problems, unknown, not readable)
    root_problems = without_consequences(problems, unknown, definition)
    kept = [*examined.problems, *with_rows(of_variant(root_problems, variant), text)]
    kept.sort(key=lambda p: (0, p.row or 0) if p.file == STUDY_FILE else (1, 0))
    return ExaminedStudy(
        study, tuple(dict.fromkeys(kept)), frozenset(unknown), frozenset(flawed), text
    )


def _scans_can_be_read(definition: Definition, unknown: set[str]) -> bool:
    """Tell whether it is known where the scans are listed, and in which form."""
    if not is_known(unknown, "intake.sheet", "intake.pattern"):
        return False
    # A sheet with a name of its own may be a table of spectra: only its form says so.
    return is_known(unknown, "intake.forms") or definition.intake.sheet in SCANS


def _cross_checks(
    study: Study, units_name: str, problems: list[Problem], unknown: set[str], unread: bool
) -> list[Problem]:
    """Check what can be checked between the files, in spite of the problems found so far.

    ``unread``: it is not known where the scans are listed.
    """
    design, intake = study.definition.design, study.definition.intake
    keys = set(_column_keys(study.definition).values())
    absent = {p.column for p in problems if p.file == STUDY_FILE and p.column in keys}
    sheet = STUDY_FILE if intake.pattern else intake.sheet
    by_name = bool(intake.pattern)
    unread = unread or (
        not study.scans and any(p.file == sheet or p.column == "intake.sheet" for p in problems)
    )
    sources = {units_name, sheet, *(s.source for s in study.scans)}
    flawed_scans = unread or (
        any(is_under(p.column or "", "intake.pattern") for p in problems)
        or any(p.file in sources and p.file not in {units_name, sheet} for p in problems)
        if by_name
        else has_fault_in(problems, sheet, "session", "role")
    )
    new_problems: list[Problem] = []
    if not flawed_scans:
        new_problems += checks.of_scans(study)
    flawed_labels = has_fault_in(problems, units_name, "unit", design.treatment)
    whole = any(p.file == units_name and p.row is None for p in problems)
    empty = not study.units and (unread or any(p.file in sources for p in problems))
    if not whole and not empty:
        new_problems += checks.of_units(study)
        if not absent:
            analysis = of_analysis(study)
            new_problems += [p for p in analysis if not flawed_labels or p.column != "design.doses"]
    rest_on = {*unknown, *(key for key in absent if key is not None)}
    table_problems = [*checks.of_panel(study), *checks.of_coefficients(study)]
    return [*without_consequences(new_problems, rest_on, study.definition), *table_problems]


def read_design(folder: Path) -> Study:
    """Read what a study is before any scan exists: its definition and its units.

    Returns
    -------
    Study
        Without scans and decisions. Where there is no sheet of units the scans must name them, as
        a table of labelled spectra does: the whole study is read then.

    Raises
    ------
    InputFault
        With the problems of ``study.yaml`` and of the units together.
    """
    folder = folder.resolve()
    definition, text = definition_of(folder)
    problems: list[Problem] = checks.of_definition(definition)
    columns = columns_of(definition.design)
    name = find_units(folder, problems)
    if name is None or definition.design.unit is None:
        return _design_from_scans(folder, definition, problems)
    units, further = _read_units(folder, name, definition, columns, problems)
    levels = {labels.get(definition.design.treatment, "") for labels in units.values()}
    design = without_a_word_for_nothing(definition.design, levels)
    definition = definition.model_copy(update={"design": design})
    study = Study(folder, definition, (), units, (), further_of_units=further)
    if not problems:
        problems += checks.of_design(study)
    if problems:
        raise InputFault(with_rows(problems, text))
    return study


def _design_from_scans(folder: Path, definition: Definition, problems: list[Problem]) -> Study:
    """Return the study as its scans tell it; without them, say what is missing."""
    try:
        return read_study(folder)
    except InputFault as fault:
        if definition.design.unit is None:
            raise
        lacking = Problem(
            file=UNITS[0],
            found="no sheet of units, and no scans that name them",
            expected="a row for each unit with its treatment, before anything is measured",
            mend="Write units.csv: which unit gets which treatment.",
        )
        scans = with_scan_sheet(folder, definition, []).intake
        has_scans = bool(scans.pattern) or (folder / scans.sheet).is_file()
        causes = dict.fromkeys([*problems, *(fault.problems if has_scans else [])])
        raise InputFault([lacking, *causes]) from fault


def _read_units(
    folder: Path, name: str, definition: Definition, columns: list[str], problems: list[Problem]
) -> tuple[dict[str, dict[str, str]], dict[str, dict[str, str]]]:
    """Return unit -> its labels, and what the columns that the design does not name hold."""
    try:
        sheet = read_sheet(folder / name, name, required=("unit",), called="units")
    except InputFault as fault:
        problems += fault.problems
        return {}, {}
    keys = _column_keys(definition)
    absent = [column for column in columns if column not in sheet.columns]
    problems += [missing_column(column, keys[column], sheet.columns, name) for column in absent]
    present = [c for c in columns if c in sheet.columns]
    units, unit_problems = units_of_sheet(sheet, present, definition.design)
    first = {row.get("unit"): row for row in reversed(sheet.rows)}
    cells = {
        column: [
            LabelCell(labels[column], name, first[unit].line) for unit, labels in units.items()
        ]
        for column in columns
        if column not in absent
    }
    unit_problems += _level_problems(definition, cells)
    problems += bounded(grouped(sheet.with_own(unit_problems)))
    further = {
        column: {unit: first[unit].get(column) for unit in units}
        for column in sheet.columns
        if column and column not in {"unit", *columns}
    }
    return units, further


def _level_problems(definition: Definition, cells: Mapping[str, list[LabelCell]]) -> list[Problem]:
    word = definition.design.unit or "leaf scan"
    return [
        problem
        for column, labels in cells.items()
        for problem in level_problems(definition.design, column, labels, word)
    ]


def _column_keys(definition: Definition) -> dict[str, str]:
    design = definition.design
    keys = dict.fromkeys(design.factors, "design.factors")
    if design.whole_plot:
        keys[design.whole_plot] = "design.whole_plot"
    if design.block:
        keys[design.block] = "design.block"
    keys[design.treatment] = "design.treatment"
    return keys


def _read_scans(
    folder: Path,
    definition: Definition,
    units: dict[str, dict[str, str]] | None,
    problems: list[Problem],
) -> tuple[SortedScans, list[str], set[_Place], SheetRows | None]:
    """Return the scans, the columns that have no meaning of their own, and the rows at fault.

    Last come the rows as they stand in the sheet, if they were read from it and are without fault.
    """
    intake = definition.intake
    sessions = [s.session for s in sessions_of(definition)]
    new_reader = partial(
        ScanReader,
        shown=STUDY_FILE if intake.pattern else intake.sheet,
        sessions=sessions,
        units_known=list(units) if units else None,
        unit_needed=definition.design.unit is not None,
        paths=PathCheck(folder),
        units_file=units_file(folder),
    )
    reader, others = new_reader(), list[str]()
    forms = {name: form.model_dump(mode="json") for name, form in intake.forms.items()}
    key = None if intake.pattern else rows_key(folder / intake.sheet, reader, forms)
    kept = None if key is None else kept_rows(folder, key)
    n_before = len(problems)
    if kept is not None and not reader.take_again(kept.scans):
        reader, kept = new_reader(), None
    try:
        if intake.pattern:
            needed = ["session"] if len(sessions) > 1 else []
            needed += ["unit"] if definition.design.unit is not None else []
            may_wait = bool(definition.design.sessions)
            file_rows, wrong = rows_of(
                folder, intake.pattern, STUDY_FILE, needed, may_wait=may_wait
            )
            problems += wrong
            for row, fields in file_rows:
                extra = [name for name in fields if name not in HAVE_A_MEANING]
                others += [name for name in extra if name not in others]
                reader.add(row, {name: row.get(name) for name in extra})
        elif kept is not None:
            others = [*kept.others]
        else:
            others = _read_sheet(folder, definition, sessions, reader, problems)
    except InputFault as fault:
        problems += fault.problems
    stated = definition.design.sessions
    taken_in = [s for s in sessions if (folder / f"{RECORDS}/intake.{s}.json").is_file()]
    found_rows = sort_scans(reader.scans, reader.missing, stated, taken_in)
    scan_problems = [p for p in found_rows.problems if p.file != STUDY_FILE]
    problems += [p for p in found_rows.problems if p.file == STUDY_FILE]
    faults = [*reader.problems, *scan_problems]
    flawed = {(p.file, p.row) for p in faults}
    # Rows made of file names have no row: the same fault of many files is said of the first five.
    together = grouped_by_file if intake.pattern else grouped
    problems += bounded(together(sorted(faults, key=lambda p: p.row or 0)))
    rows_read: SheetRows | None = None
    sound = not reader.problems and len(problems) == n_before
    if key is not None and kept is None and sound:
        still = rows_key(folder / intake.sheet, reader, forms)  # not edited while it was read
        rows_read = SheetRows(key, reader.scans, others) if still == key else None
    return found_rows, others, flawed, rows_read


def _read_sheet(
    folder: Path,
    definition: Definition,
    sessions: list[str],
    reader: ScanReader,
    problems: list[Problem],
) -> list[str]:
    name = definition.intake.sheet
    refused = refused_sheet(folder, name)
    if refused is not None:
        if not _before_any_scan(folder, definition):
            problems.append(refused)
        return []
    forms = definition.intake.forms
    form = forms.get("default") or Form()
    refused = without_headings(folder / name, name, form)
    if refused is not None:
        problems.append(refused)
        return []
    if is_spectra_table(folder / name, form):
        rows, names = rows_of_table(folder / name, name, form)
        extra = [n for n in names if n not in HAVE_A_MEANING]
        for row in rows:
            reader.add(row, {n: row.get(n) for n in extra})
        return extra
    refused = spectra_in_workbook(folder / name, name, form)
    if refused is not None:
        problems.append(refused)
        return []
    needed = [*REQUIRED, *(["session"] if len(sessions) > 1 else [])]
    if definition.design.unit is not None:
        needed.append("unit")
    sheet = read_sheet(folder / name, name, required=needed, known=[*OPTIONAL])
    reader.read(sheet)
    return [n for n in sheet.columns if n and n not in HAVE_A_MEANING]


def _before_any_scan(folder: Path, definition: Definition) -> bool:
    """Tell whether a study states its sessions and has neither a scan sheet nor raw files yet.

    A sheet that study.yaml names must be there, and raw files need one.
    """
    if not definition.design.sessions or "sheet" in definition.intake.model_fields_set:
        return False
    sheets = any((folder / name).is_symlink() or (folder / name).exists() for name in SCANS)
    return not sheets and not any(path.is_file() for path in (folder / "raw").rglob("*"))


def _units_from_scans(
    definition: Definition,
    scans: list[Scan],
    others: list[str],
    columns: list[str],
    problems: list[Problem],
) -> dict[str, dict[str, str]]:
    samples = [scan for scan in scans if scan.role == "sample"]
    keys = _column_keys(definition)
    source = "the file name pattern" if definition.intake.pattern else definition.intake.sheet
    if definition.design.unit is not None:
        source = f"units.csv (no such file) or {source}"
    present = [name for name in columns if name in others]
    if samples:
        problems += [
            missing_column(name, keys[name], others, source)
            for name in columns
            if name not in others
        ]
    units, unit_problems = units_of_scans(samples, present, by_scan=definition.design.unit is None)
    unit_problems = [_or_by_session(problem, definition) for problem in unit_problems]
    first = {_unit_name(scan, definition): scan for scan in reversed(samples)}
    cells = {
        column: [
            LabelCell(labels[column], first[unit].source, first[unit].row or None)
            for unit, labels in units.items()
        ]
        for column in present
    }
    unit_problems += _level_problems(definition, cells)
    problems += bounded(grouped(unit_problems))
    return units


def _or_by_session(problem: Problem, definition: Definition) -> Problem:
    """Say of a target whose label changes within a unit that it need not be a factor."""
    target = None if definition.classes is None else definition.classes.target
    changes = problem.expected == f"one {target} for each unit"
    if not changes or target not in definition.design.factors:
        return problem
    more = (
        f" If it does change by session, take {target} out of design.factors: classes.target may "
        "be any column of the scan sheet."
    )
    return replace(problem, mend=problem.mend + more)


def _unit_name(scan: Scan, definition: Definition) -> str:
    return scan.unit if definition.design.unit is not None else scan.scan


def _read_decisions(folder: Path, rows: SortedScans, problems: list[Problem]) -> list[Decision]:
    if not is_there(folder, DECISIONS, problems):
        return []
    listed = [*rows.taking_part, *rows.planned, *rows.omitted]
    samples = {s.scan for s in listed if s.role == "sample"}
    try:
        return read_decisions(folder / DECISIONS, DECISIONS, samples)
    except InputFault as fault:
        problems += fault.problems
        return []


# A study that has been read, under one of its variants.
# ----------------------------------------------------------------------


def under_variant(study: Study, name: str) -> Study:
    """Return a study under one of its variants, checked like any study.

    Its sheets hold whatever the settings are, so that they are not read again, unless the variant
    says how the raw files are written: of a labelled table of spectra that is the sheet itself.

    Parameters
    ----------
    study
        The study as stated.
    name
        Name of the variant.

    Raises
    ------
    InputFault
        With every problem of the variant.
    """
    if study.definition.variants[name].intake:
        return read_study(study.folder, name)
    definition, text = definition_of(study.folder, name)
    as_read = {"design": study.definition.design, "intake": study.definition.intake}
    other = replace(study, definition=definition.model_copy(update=as_read), variant=name)
    problems: list[Problem] = checks.of_definition(other.definition)
    problems = problems or list(checks.of_study(other))
    if problems:
        raise InputFault(with_rows(of_variant(problems, name), text))
    return other
