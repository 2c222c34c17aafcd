"""Everything about a study that can be checked before any job runs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.runner.jobs import job_of
from leafledger.runner.judged import (
    digests_read,
    digests_taken_in,
    sessions_judged,
    told_of_changes,
)
from leafledger.study.definition import Definition
from leafledger.study.definition_file import with_rows
from leafledger.study.file_pattern import without_pattern
from leafledger.study.layout import Task
from leafledger.study.links import link_problems
from leafledger.study.reading import read_design, read_study
from leafledger.study.study import Study
from leafledger.study.variant_definitions import definition_of, of_variant
from leafledger.study.variant_study import under_variant


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
    problems: list[Problem] = []
    study: Study | None = None
    try:
        study = read_study(folder, variant)
    except InputFault as fault:
        problems += fault.problems
    problems += _index_problems(folder, variant)
    if study is not None and variant is None:
        problems += _variant_problems(study)
    problems += link_problems(folder)
    if study is None or problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return study


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
    problems += _index_problems(folder, None)
    if study is None or problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return study


def _variant_problems(study: Study) -> list[Problem]:
    problems: list[Problem] = []
    for name in study.definition.variants:
        try:
            under_variant(study, name)
        except InputFault as fault:
            problems += fault.problems
        problems += _index_problems(study.folder, name)
    return problems


def _index_problems(folder: Path, variant: str | None) -> list[Problem]:
    """Return what is wrong with the indices; nothing if ``study.yaml`` cannot be read at all."""
    from leafledger.indices.check import check_indices

    try:
        definition, text = definition_of(folder, variant)
    except InputFault:
        return []
    problems = check_indices(definition.indices.model_dump(mode="json"))
    return with_rows(of_variant(problems or _unknown_indices(definition), variant), text)


def unread_files(study: Study) -> list[str]:
    """Return a warning if files beside the raw scans fit no pattern of the study."""
    told = without_pattern(study.folder, study.definition.intake.pattern)
    return [told] if told else []


@dataclass(frozen=True)
class RawFiles:
    """What a look at the raw files told.

    Attributes
    ----------
    n_files
        How many were read; a session whose results stand is not read again.
    warnings
        What the user should know, such as scans that changed since a decision about them.
    """

    n_files: int
    warnings: list[str]


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
    n_files = 0
    judged, raw_digests = sessions_judged(study), dict[str, str]()
    for session in study.session_ids:
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
        n_files += read.n_files
        if session in judged:
            raw_digests |= digests_read(study, session, read)
    if problems:
        raise InputFault(problems)
    return RawFiles(n_files, told_of_changes(study, raw_digests))


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
