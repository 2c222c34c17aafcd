"""The tasks of a study: the rules of the registry on its sessions, with the files of each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from leafledger.study.rules import (
    BY_NAME,
    EVERYTHING,
    IF_THERE,
    LEVELS,
    OF_THE_BOOK,
    PLAN_HISTORY,
    PLAN_HISTORY_FILE,
    RECORDS,
    RESULTS,
    VARIANTS,
    VARIANTS_TABLE,
    WRITERS,
    Rule,
    name_read,
)
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.study import Study, wanted_sessions


@dataclass(frozen=True, order=True)
class Task:
    """One rule on one session, or on the whole study."""

    rule: str
    session: str | None = None

    @property
    def name(self) -> str:
        """Name of the task's record, log and event: ``reflectance.day4``, ``effects``."""
        return self.rule if self.session is None else f"{self.rule}.{self.session}"

    @property
    def record(self) -> str:
        """Path of the task's record in the study folder."""
        return f"{RECORDS}/{self.name}.json"


VARIANTS_TASK = Task(VARIANTS.name)
PLAN_HISTORY_TASK = Task(PLAN_HISTORY.name)
FROM_THE_BOOK = tuple(Task(rule.name) for rule in OF_THE_BOOK)
"""Tasks whose results are made of the book of runs before the report reads them."""


def tasks(study: Study) -> list[Task]:
    """Return every task of a study, in the order of the data.

    Sessions to come and skipped ones have none; without any measured session there are no tasks.
    """
    return [task for level in levels(study) for task in level]


def levels(study: Study) -> list[list[Task]]:
    """Return the tasks of each level; those of one level do not read each other."""
    if not study.session_ids:
        return []  # nothing has been measured yet
    return [
        [
            task
            for rule in (BY_NAME[name] for name in names)
            if is_there(study, rule)
            for task in _tasks_of(rule, study)
        ]
        for names in LEVELS
    ]


def is_there(study: Study, rule: Rule) -> bool:
    """Return whether a study has a rule: some are only for a classifier, assays or traits."""
    return (
        (study.has_classes or not rule.only_with_classes)
        and (study.has_assays or not rule.only_with_assays)
        and (study.has_traits or not rule.only_with_traits)
        and (bool(study.definition.effects.responses) or not rule.only_with_responses)
        and (study.has_leaf_model or not rule.only_with_leaf_model)
    )


def _tasks_of(rule: Rule, study: Study) -> list[Task]:
    if rule.per_session:
        return [Task(rule.name, session) for session in study.session_ids]
    return [Task(rule.name)]


def outputs(task: Task) -> dict[str, str]:
    """Return role -> path of what a task writes; a path that ends in ``/`` is a folder."""
    return {
        output.role: f"{RESULTS}/{output.path.format(session=task.session)}"
        for output in BY_NAME[task.rule].writes
    }


def inputs(study: Study, task: Task) -> dict[str, str]:
    """Return role -> path of what a task reads, in study order."""
    rule = BY_NAME[task.rule]
    found: dict[str, str] = {}
    for read in rule.reads:
        if read == EVERYTHING:
            found |= _every_result(study, task)
        else:
            found |= _results_read(study, read, task.session)
    for kind in rule.given:
        found |= _GIVEN[kind](study, task.session)
    return found


def own_files(study: Study, task: Task) -> list[str]:
    """Return the files that a task reads and a person wrote: raw files, decisions, the panel.

    Snakemake is told their digests, never the files: it would judge them by their dates, which a
    copy from another machine sets as it likes.
    """
    kinds = BY_NAME[task.rule].given
    return [path for kind in kinds for path in _GIVEN[kind](study, task.session).values()]


def _results_read(study: Study, read: str, session: str | None) -> dict[str, str]:
    """Return role -> path of what one entry of ``reads`` names."""
    name, which = name_read(read)
    rule, output = WRITERS[name]
    path = f"{RESULTS}/{output.path}"
    if which == IF_THERE:
        return {name: path} if is_there(study, rule) else {}
    if not which:
        return {name: path.format(session=session) if rule.per_session else path}
    return {f"{name}/{one}": path.format(session=one) for one in sessions_read(study, which)}


def _raw_files(study: Study, session: str | None) -> dict[str, str]:
    files = [scan.file for scan in study.scans_of(session)]
    return {f"raw/{file}": file for file in dict.fromkeys(files)}


def _panel(study: Study, _session: str | None) -> dict[str, str]:
    return {} if study.panel_table is None else {"panel": study.panel_table}


def _strip_profiles(study: Study, _session: str | None) -> dict[str, str]:
    return {f"strip_profiles/{path}": path for path in study.strip_profiles}


def _leaf_coefficients(study: Study, _session: str | None) -> dict[str, str]:
    table = study.coefficient_table
    return {} if table is None else {"leaf_coefficients": table}


def _decisions(study: Study, _session: str | None) -> dict[str, str]:
    return {"decisions": DECISIONS} if study.has_decisions else {}


def _assays(study: Study, _session: str | None) -> dict[str, str]:
    return {} if study.assay_sheet is None else {"assays": study.assay_sheet}


def _chromatograms(study: Study, _session: str | None) -> dict[str, str]:
    sheet = study.chromatogram_sheet
    return {} if sheet is None else {"chromatograms": sheet}


_GIVEN: Mapping[str, Callable[[Study, str | None], dict[str, str]]] = {
    "raw": _raw_files,
    "panel": _panel,
    "decisions": _decisions,
    "assays": _assays,
    "chromatograms": _chromatograms,
    "strip_profiles": _strip_profiles,
    "leaf_coefficients": _leaf_coefficients,
}
"""What ``given`` of a rule names -> the function that finds these files."""


def sessions_read(study: Study, which: str) -> tuple[str, ...]:
    """Return the sessions whose files a rule of the whole study reads, in study order.

    The classifier reads the sessions that ``classes.sessions`` asks for and no others, so that a
    raw file of another session cannot make it run again. So do the rivals. The negative controls
    read these too; if the target is the treatment, also the sessions before it, in which they ask
    for the treatment.

    Parameters
    ----------
    study
        The study.
    which
        ``*``, ``classes`` or ``classes+before``, as in `Rule.reads`.
    """
    classes = study.definition.classes
    if which == "*" or classes is None:
        return study.session_ids
    wanted = {*wanted_sessions(study.definition)}
    if which == "classes+before" and classes.target == study.definition.design.treatment:
        wanted |= {s.session for s in study.sessions if s.phase == "before"}
    return tuple(s for s in study.session_ids if s in wanted)


def _every_result(study: Study, reader: Task) -> dict[str, str]:
    """Return every result and every record but the reader's own: the report reads them all.

    The table of the variants, and what the book says of the plan, are read if they are there. A
    variant's own report has neither.
    """
    found: dict[str, str] = {}
    for task in tasks(study):
        if task.rule == reader.rule:
            continue
        for output in BY_NAME[task.rule].writes:
            if output.in_report:
                role = output.report_role + ("" if task.session is None else f"/{task.session}")
                found[role] = f"{RESULTS}/{output.path.format(session=task.session)}"
        found[f"record/{task.name}"] = task.record
    if study.has_variants_table:
        found[VARIANTS.name] = VARIANTS_TABLE
    if study.has_plan_history:
        found[PLAN_HISTORY.name] = PLAN_HISTORY_FILE
    return found
