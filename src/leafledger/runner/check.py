"""Everything about a study that can be checked before any job runs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.runner.early_checks import (
    blocked_places,
    dates_to_ask_about,
    panel_problems,
    swapped_references,
)
from leafledger.runner.judged import (
    digests_read,
    digests_taken_in,
    sessions_judged,
    told_of_changes,
)
from leafledger.runner.step import job_of
from leafledger.study.definition import Definition
from leafledger.study.definition_file import (
    definition_of,
    is_known,
    of_variant,
    with_rows,
    without_consequences,
)
from leafledger.study.links import link_problems
from leafledger.study.reading import ExaminedStudy, examine_study, read_design, under_variant
from leafledger.study.study import Study
from leafledger.study.table_sheet import without_pattern
from leafledger.study.tasks import Task
from leafledger.study.yaml_text import YamlText

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def checked_study(folder: Path, variant: str | None = None) -> Study:
    """Read a study and check it, the indices and links out of it included.

    Parameters
    ----------
    folder
        The study folder.
    variant
        Name of the variant whose settings hold. Without one, the variants are checked as well.

    Raises
    ------
    InputFault
        With all problems found.
    """
    examined = examine(folder, variant)
    if examined.problems:
        raise InputFault(examined.problems)
    return examined.study


def checked_design(folder: Path) -> Study:
    """Read and check what a study is before any scan exists, the indices included.

    Raises
    ------
    InputFault
        With all problems found.
    """
    problems: list[Problem] = []
    study: Study | None = None
    try:
        study = read_design(folder)
    except InputFault as fault:
        problems += fault.problems
    try:
        definition, text = definition_of(folder)
        problems += _index_problems(definition, text, frozenset(), None)
    except InputFault as fault:
        problems += fault.problems
    if study is None or problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return study


def examine(folder: Path, variant: str | None = None) -> ExaminedStudy:
    """Read a study as far as it can be, and check it, the indices and the variants included.

    Raises
    ------
    InputFault
        If ``study.yaml`` cannot be read at all.
    """
    examined = examine_study(folder, variant)
    indices = _index_problems(examined.study.definition, examined.text, examined.unknown, variant)
    problems = [*examined.problems, *indices, *link_problems(folder)]
    problems += blocked_places(examined.study)
    if is_known(examined.unknown, "reflectance.grid", "instrument.panel"):
        problems += panel_problems(examined.study, ())
    if variant is None and not problems:
        problems += _variant_problems(examined.study)
    return replace(examined, problems=tuple(dict.fromkeys(problems)))


def _variant_problems(study: Study) -> list[Problem]:
    problems: list[Problem] = []
    for name in study.definition.variants:
        try:
            under_variant(study, name)
        except InputFault as fault:
            problems += fault.problems
        try:
            definition, text = definition_of(study.folder, name)
        except InputFault:
            continue  # said above
        problems += _index_problems(definition, text, frozenset(), name)
    return problems


def _index_problems(
    definition: Definition, text: YamlText, unknown: frozenset[str], variant: str | None
) -> list[Problem]:
    """Return what is wrong with the indices, and with what names one."""
    from leafledger.indices.check import check_indices

    problems = check_indices(definition.indices.model_dump(mode="json"))
    problems = problems or _unknown_indices(definition)
    told = without_consequences(problems, unknown, definition)
    return with_rows(of_variant(told, variant), text)


def sheet_warnings(study: Study) -> list[str]:
    """Return what the user should know of a study without a problem.

    Files beside the raw scans that fit no pattern, and dates of sessions that are not those of
    their scans.
    """
    told = without_pattern(study.folder, study.definition.intake.pattern)
    return [*([told] if told else []), *dates_to_ask_about(study)]


@dataclass(frozen=True)
class RawFiles:
    """What a look at the raw files told.

    Attributes
    ----------
    n_files
        How many were read, each once however many sessions share it; a session whose results
        stand is not read again.
    warnings
        What the user should know, such as scans that changed since a decision about them.
    """

    n_files: int
    warnings: list[str]


def readable_raw_files(examined: ExaminedStudy) -> Study | None:
    """Return the study with the scans that can be read in spite of problems, ``None`` if none can.

    A row of the scan sheet that is at fault is left out, and so is a session without any other.
    """
    study = examined.study
    if not is_known(examined.unknown, "intake.sheet", "intake.pattern", "design.sessions"):
        return None
    sessions = [s for s in study.session_ids if _form_is_known(study, s, examined.unknown)]
    scans = [
        scan
        for scan in study.scans
        if scan.session in sessions and (scan.source, scan.row or None) not in examined.flawed
    ]
    return replace(study, scans=tuple(scans)) if scans else None


def _form_is_known(study: Study, session: str, unknown: frozenset[str]) -> bool:
    own = session if session in study.definition.intake.forms else "default"
    return is_known(unknown, f"intake.forms.{own}")


def check_raw_files(study: Study) -> RawFiles:
    """Read the raw files of every session that is not taken in yet, and keep nothing.

    Raises
    ------
    InputFault
        With the problems of all sessions.
    """
    from leafledger.intake.stage import read_session
    from leafledger.records.digests import FileDigests
    from leafledger.runner.plan import why_run

    digests = FileDigests(study.folder)
    problems: list[Problem] = []
    files: set[str] = set()
    axes: list[NDArray[np.float64]] = []
    judged, raw_digests = sessions_judged(study), dict[str, str]()
    sessions = {scan.session for scan in study.scans}
    for session in (name for name in study.session_ids if name in sessions):
        task = Task("intake", session)
        if why_run(study, task, digests) is None:
            if session in judged:
                raw_digests |= digests_taken_in(study, session)
            continue
        try:
            read = read_session(job_of(study, task))
        except InputFault as fault:
            problems += fault.problems
            continue
        files |= {scan.file for scan in study.scans if scan.session == session}
        if study.form(session).quantity == "counts":
            scans = [scan for scan in study.scans if scan.session == session]
            problems += swapped_references(study, session, scans, read.values)
            axes.append(read.wavelength_nm)
        if session in judged:
            raw_digests |= digests_read(study, session, read)
    problems += panel_problems(study, axes)
    if problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return RawFiles(len(files), told_of_changes(study, raw_digests))


def _unknown_indices(definition: Definition) -> list[Problem]:
    """The primary index, and those with a margin, must be among the indices computed."""
    from leafledger.indices.check import chosen

    known = [entry.index for entry in chosen(definition.indices.model_dump(mode="json"))]
    effects = definition.effects
    places = [(f"effects.margin.{name}", name) for name in effects.margin]
    if effects.primary:
        places.append(("effects.primary.index", effects.primary.index))
    return [
        Problem(
            file="study.yaml",
            column=key,
            found=quoted(name),
            expected="an index of indices.use or indices.formulas",
            mend=nearest(name, known),
        )
        for key, name in places
        if name not in known
    ]
