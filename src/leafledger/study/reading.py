"""Read a study folder: definition, units, scans and decisions, with all their problems together."""

from __future__ import annotations

from pathlib import Path

from leafledger.errors import InputFault, Problem, bounded
from leafledger.study import cross_checks
from leafledger.study.decisions import FILE as DECISIONS
from leafledger.study.decisions import Decision, read_decisions
from leafledger.study.definition import Definition, without_a_word_for_nothing
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import with_rows
from leafledger.study.file_pattern import rows_of
from leafledger.study.measurement_sections import Form
from leafledger.study.names import PathCheck
from leafledger.study.scan_sheet import HAVE_A_MEANING, OPTIONAL, REQUIRED, Scan, ScanReader
from leafledger.study.sheet_files import (
    UNITS,
    find_units,
    is_there,
    refused_sheet,
    units_file,
    with_scan_sheet,
)
from leafledger.study.sheets import read_sheet
from leafledger.study.study import Study, sessions_of
from leafledger.study.table_sheet import is_spectra_table, rows_of_table, spectra_in_workbook
from leafledger.study.units import columns_of, missing_column, units_of_scans, units_of_sheet
from leafledger.study.variant_definitions import definition_of, of_variant


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
    folder = folder.resolve()
    definition, text = definition_of(folder, variant)
    problems: list[Problem] = cross_checks.of_definition(definition)
    units_sheet: dict[str, dict[str, str]] | None = None
    columns = columns_of(definition.design)
    definition = with_scan_sheet(folder, definition, problems)
    name = find_units(folder, problems) if definition.design.unit is not None else None
    if name is not None:
        units_sheet = _read_units(folder, name, definition, columns, problems)
    scans, others = _read_scans(folder, definition, units_sheet, problems)
    if units_sheet is not None:
        units = units_sheet
    else:
        units = _units_from_scans(definition, scans, others, columns, problems)
    decisions = _read_decisions(folder, scans, problems)
    levels = {labels.get(definition.design.treatment, "") for labels in units.values()}
    design = without_a_word_for_nothing(definition.design, levels)
    definition = definition.model_copy(update={"design": design})
    study = Study(folder, definition, tuple(scans), units, tuple(decisions), variant)
    if not problems:
        problems += cross_checks.of_study(study)
    if problems:
        raise InputFault(with_rows(of_variant(problems, variant), text))
    return study


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
    problems: list[Problem] = cross_checks.of_definition(definition)
    columns = columns_of(definition.design)
    name = find_units(folder, problems)
    if name is None or definition.design.unit is None:
        return _design_from_scans(folder, definition, problems)
    units = _read_units(folder, name, definition, columns, problems)
    levels = {labels.get(definition.design.treatment, "") for labels in units.values()}
    design = without_a_word_for_nothing(definition.design, levels)
    study = Study(folder, definition.model_copy(update={"design": design}), (), units, ())
    if not problems:
        problems += cross_checks.of_design(study)
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
        there = bool(scans.pattern) or (folder / scans.sheet).is_file()
        known = dict.fromkeys([*problems, *(fault.problems if there else [])])
        raise InputFault([lacking, *known]) from fault


def _read_units(
    folder: Path, name: str, definition: Definition, columns: list[str], problems: list[Problem]
) -> dict[str, dict[str, str]]:
    try:
        sheet = read_sheet(folder / name, name, required=("unit",), called="units")
    except InputFault as fault:
        problems += fault.problems
        return {}
    keys = _column_keys(definition)
    absent = [column for column in columns if column not in sheet.columns]
    problems += [missing_column(column, keys[column], sheet.columns, name) for column in absent]
    units, found = units_of_sheet(sheet, [c for c in columns if c in sheet.columns])
    problems += bounded(sheet.with_own(found))
    return units


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
) -> tuple[list[Scan], list[str]]:
    """Return the scans and the names of the columns that have no meaning of their own."""
    intake = definition.intake
    sessions = [s.session for s in sessions_of(definition)]
    reader = ScanReader(
        shown=STUDY_FILE if intake.pattern else intake.sheet,
        sessions=sessions,
        units_known=list(units) if units else None,
        unit_needed=definition.design.unit is not None,
        paths=PathCheck(folder),
        units_file=units_file(folder),
    )
    others: list[str] = []
    try:
        if intake.pattern:
            needed = ["session"] if len(sessions) > 1 else []
            needed += ["unit"] if definition.design.unit is not None else []
            found, wrong = rows_of(folder, intake.pattern, STUDY_FILE, needed)
            problems += wrong
            for row, fields in found:
                extra = [name for name in fields if name not in HAVE_A_MEANING]
                others += [name for name in extra if name not in others]
                reader.add(row, {name: row.get(name) for name in extra})
        else:
            others = _read_sheet(folder, definition, sessions, reader, problems)
    except InputFault as fault:
        problems += fault.problems
    problems += bounded(reader.problems)
    return reader.scans, others


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
        problems.append(refused)
        return []
    forms = definition.intake.forms
    form = forms.get("default") or Form()
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
    units, found = units_of_scans(samples, present, by_scan=definition.design.unit is None)
    problems += bounded(found)
    return units


def _read_decisions(folder: Path, scans: list[Scan], problems: list[Problem]) -> list[Decision]:
    if not is_there(folder, DECISIONS, problems):
        return []
    samples = {s.scan for s in scans if s.role == "sample"}
    try:
        return read_decisions(folder / DECISIONS, DECISIONS, samples)
    except InputFault as fault:
        problems += fault.problems
        return []
