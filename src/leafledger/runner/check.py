"""Everything about a study that can be checked before any job runs."""

from __future__ import annotations

from pathlib import Path

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.runner.jobs import job_of
from leafledger.study.definition import Definition
from leafledger.study.definition_file import read_definition, with_rows
from leafledger.study.file_pattern import without_pattern
from leafledger.study.layout import Task
from leafledger.study.reading import read_study
from leafledger.study.study import Study


def checked_study(folder: Path) -> Study:
    """Read a study and check it, the indices included.

    Raises
    ------
    InputFault
        With all problems found.
    """
    problems: list[Problem] = []
    study: Study | None = None
    try:
        study = read_study(folder)
    except InputFault as fault:
        problems += fault.problems
    problems += _index_problems(folder)
    if study is None or problems:
        raise InputFault(problems)
    return study


def _index_problems(folder: Path) -> list[Problem]:
    """Return what is wrong with the indices; nothing if ``study.yaml`` cannot be read at all."""
    from leafledger.indices.check import check_indices

    try:
        definition, text = read_definition(folder)
    except InputFault:
        return []
    problems = check_indices(definition.indices.model_dump(mode="json"))
    return with_rows(problems or _unknown_indices(definition), text)


def unread_files(study: Study) -> list[str]:
    """Return a warning if files beside the raw scans fit no pattern of the study."""
    told = without_pattern(study.folder, study.definition.intake.pattern)
    return [told] if told else []


def check_raw_files(study: Study) -> int:
    """Read the raw files of every session that is not taken in yet, and keep nothing.

    Returns
    -------
    int
        How many raw files were read; a session whose results stand is not read again.

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
    n_files = 0
    for session in study.session_ids:
        task = Task("intake", session)
        if why_run(study, task, digests) is None:
            continue
        try:
            n_files += read_session(job_of(study, task)).n_files
        except InputFault as fault:
            problems += fault.problems
    if problems:
        raise InputFault(problems)
    return n_files


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
