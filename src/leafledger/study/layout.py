"""The rules of the pipeline and the files that pass between them.

The Snakemake rules under ``workflow/rules`` say the same in Snakemake's words; a test holds the
two together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from leafledger.study.decisions import FILE as DECISIONS
from leafledger.study.study import PLAN_HISTORY_FILE, VARIANTS_TABLE, Study

RESULTS = "results"
RECORDS = "records"
LOGS = "logs"


@dataclass(frozen=True)
class Rule:
    """A rule, the module that does its work, and whether it runs once per session."""

    name: str
    module: str
    per_session: bool
    only_with_classes: bool = False


RULES: tuple[Rule, ...] = (
    Rule("intake", "leafledger.intake.stage", per_session=True),
    Rule("reflectance", "leafledger.reflectance.stage", per_session=True),
    Rule("quality", "leafledger.quality.stage", per_session=True),
    Rule("acceptance", "leafledger.quality.acceptance_stage", per_session=False),
    Rule("catalogue", "leafledger.indices.catalogue_stage", per_session=False),
    Rule("indices", "leafledger.indices.stage", per_session=True),
    Rule("validation", "leafledger.validation.stage", per_session=False),
    Rule("unit_means", "leafledger.effects.unit_means_stage", per_session=False),
    Rule("classes", "leafledger.classes.stage", per_session=False, only_with_classes=True),
    Rule("effects", "leafledger.effects.stage", per_session=False),
    Rule("rivals", "leafledger.classes.baselines", per_session=False, only_with_classes=True),
    Rule(
        "negative_controls",
        "leafledger.classes.negative_controls",
        per_session=False,
        only_with_classes=True,
    ),
    Rule("report", "leafledger.report.stage", per_session=False),
)
"""In the order of the data."""

LEVELS: tuple[tuple[str, ...], ...] = (
    ("intake", "catalogue"),
    ("reflectance",),
    ("quality",),
    ("acceptance",),
    ("indices",),
    ("validation",),
    ("unit_means",),
    ("classes", "effects", "rivals", "negative_controls"),
    ("report",),
)
"""Rules that may run side by side; a level begins when the one before it has ended."""

VARIANTS = Rule("variants", "leafledger.effects.variant_rows", per_session=False)
"""The table of results under other settings: the ledger makes it of finished runs, no rule does."""

PLAN_HISTORY = Rule("plan_history", "leafledger.study.plan_history", per_session=False)
"""What the book says of the plan: the runner has it made, no rule does."""

OF_CLASSES = frozenset(rule.name for rule in RULES if rule.only_with_classes)
"""Rules of the section ``classes``; a study without it has none of them."""

BY_NAME = {rule.name: rule for rule in (*RULES[:-1], VARIANTS, PLAN_HISTORY, RULES[-1])}


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
FROM_THE_BOOK = (VARIANTS_TASK, PLAN_HISTORY_TASK)
"""Tasks whose results are made of the book of runs before the report reads them."""


def tasks(study: Study) -> list[Task]:
    """Return every task of a study, in the order of the data."""
    return [task for level in levels(study) for task in level]


def levels(study: Study) -> list[list[Task]]:
    """Return the tasks of each level."""
    return [[task for rule in level for task in _tasks_of(study, rule)] for level in LEVELS]


def _tasks_of(study: Study, rule: str) -> Iterator[Task]:
    about = BY_NAME[rule]
    if about.only_with_classes and study.definition.classes is None:
        return
    if about.per_session:
        yield from (Task(rule, session) for session in study.session_ids)
    else:
        yield Task(rule)


def outputs(task: Task) -> dict[str, str]:
    """Return role -> path of what a task writes; a path that ends in ``/`` is a folder."""
    return {
        role: f"{RESULTS}/{path.format(session=task.session)}"
        for role, path in _OUTPUTS[task.rule].items()
    }


_OUTPUTS: dict[str, dict[str, str]] = {
    "intake": {"scans": "scans/{session}.parquet"},
    "reflectance": {"reflectance": "reflectance/{session}.parquet"},
    "quality": {
        "quality": "quality/{session}.parquet",
        "signal": "quality/{session}.signal.parquet",
        "levels": "quality/{session}.levels.parquet",
    },
    "acceptance": {
        "accepted": "accepted.csv",
        "exclusions": "exclusions.csv",
        "range": "range.json",
        "session_effects": "session_effects.csv",
        "order_effects": "order_effects.csv",
    },
    "catalogue": {"catalogue": "indices/catalogue.json"},
    "indices": {"indices": "indices/{session}.parquet"},
    "validation": {
        "scans": "validation/scans.json",
        "reflectance": "validation/reflectance.json",
        "indices": "validation/indices.json",
        "passed": "validation/passed.json",
    },
    "unit_means": {"unit_indices": "unit_indices.csv"},
    "classes": {
        "path": "classes/path.csv",
        "predictions": "classes/predictions.csv",
        "confusion": "classes/confusion.csv",
        "terms": "classes/spectra_terms.parquet",
        "permutation": "classes/permutation.csv",
        "reliability": "classes/reliability.csv",
        "per_class": "classes/per_class.csv",
        "confused_pairs": "classes/confused_pairs.csv",
        "summary": "classes/summary.json",
        "model": "classes/model.skops",
        "model_card": "classes/model.json",
    },
    "effects": {
        "effects": "effects.csv",
        "effects_summary": "effects.json",
        "group_means": "group_means.csv",
        "spectrum_effects": "spectrum_effects.csv",
        "sensitivity": "sensitivity.csv",
        "variance_components": "variance_components.csv",
        "power": "power.csv",
    },
    "rivals": {
        "rivals": "classes/rivals.csv",
        "comparison": "classes/comparison.csv",
    },
    "negative_controls": {"questions": "classes/questions.csv"},
    "variants": {"variants": VARIANTS_TABLE.removeprefix(f"{RESULTS}/")},
    "plan_history": {"plan_history": PLAN_HISTORY_FILE.removeprefix(f"{RESULTS}/")},
    "report": {"report": "report.html", "figures": "figures/", "tables": "tables.xlsx"},
}


def inputs(study: Study, task: Task) -> dict[str, str]:
    """Return role -> path of what a task reads, in study order."""
    if task.rule == "intake":
        files = [s.file for s in study.scans if s.session == task.session]
        return {f"raw/{file}": file for file in dict.fromkeys(files)}
    if task.session is not None:
        roles = {
            "reflectance": ("scans",),
            "quality": ("scans", "reflectance"),
            "indices": ("reflectance", "range"),
        }[task.rule]
        found = {role: _path(role, task.session) for role in roles}
        if task.rule == "reflectance" and study.panel_table is not None:
            found["panel"] = study.panel_table
        return found
    return _study_inputs(study, task.rule)


def own_files(study: Study, task: Task) -> list[str]:
    """Return the files that a task reads and a person wrote: raw files, decisions, the panel.

    Snakemake is told their digests, never the files: it would judge them by their dates, which a
    copy from another machine sets as it likes.
    """
    made = ("results/", "records/")
    return [path for path in inputs(study, task).values() if not path.startswith(made)]


_SPECTRA = ("reflectance/*", "accepted", "range", "passed")
_STUDY_INPUTS: dict[str, tuple[str, ...]] = {
    "acceptance": ("quality/*", "signal/*", "levels/*", "reflectance/*"),
    "catalogue": (),
    "validation": ("scans/*", "reflectance/*", "indices/*", "range", "catalogue"),
    "unit_means": ("indices/*", "accepted", "passed"),
    "effects": (
        "unit_indices",
        "catalogue",
        "reflectance/*",
        "accepted",
        "range",
        "indices/*",
    ),
    "classes": _SPECTRA,
    "rivals": (*_SPECTRA, "indices/*"),
    "negative_controls": _SPECTRA,
}


def _study_inputs(study: Study, rule: str) -> dict[str, str]:
    if rule == "report":
        return _report_inputs(study)
    found = _expanded(study, rule)
    if rule == "acceptance" and study.has_decisions:
        found["decisions"] = DECISIONS
    return found


def sessions_read(study: Study, rule: str, kind: str) -> tuple[str, ...]:
    """Return the sessions whose files of one kind a rule of the whole study reads, in study order.

    The classifier reads the sessions that ``classes.sessions`` asks for and no others, so that a
    raw file of another session cannot make it run again. So do the rivals. The negative controls
    read these too; if the target is the treatment, also the sessions before it, in which they ask
    for the treatment.

    Parameters
    ----------
    study
        The study.
    rule
        Name of the rule.
    kind
        Role of the files, such as ``reflectance``.
    """
    classes = study.definition.classes
    if rule not in OF_CLASSES or classes is None:
        return study.session_ids
    asked = classes.sessions
    phases = {one.session: one.phase for one in study.sessions}
    if isinstance(asked, str):
        wanted = {s for s in phases if asked in {"all", phases[s]}}
    else:
        wanted = {*asked}
    if not wanted or not wanted <= set(phases) or not study.definition.design.sessions:
        return study.session_ids  # what is wrong with them is for the rule to say
    of_treatment = classes.target == study.definition.design.treatment
    if rule == "negative_controls" and kind == "reflectance" and of_treatment:
        wanted |= {s for s in phases if phases[s] == "before"}
    return tuple(s for s in study.session_ids if s in wanted)


def _expanded(study: Study, rule: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for role in _STUDY_INPUTS[rule]:
        if role.endswith("/*"):
            kind = role.removesuffix("/*")
            sessions = sessions_read(study, rule, kind)
            found |= {f"{kind}/{s}": _path(kind, s) for s in sessions}
        else:
            found[role] = _path(role, None)
    return found


_WRITER = {
    role: rule for rule, files in _OUTPUTS.items() if rule != "validation" for role in files
} | {"passed": "validation"}


def _path(role: str, session: str | None) -> str:
    return outputs(Task(_WRITER[role], session))[role]


def _report_inputs(study: Study) -> dict[str, str]:
    """Return every table and every record: the report reads them all.

    The table of the variants, and what the book says of the plan, are read if they are there. A
    variant's own report has neither.
    """
    found: dict[str, str] = {}
    for task in tasks(study):
        if task.rule == "report":
            continue
        for role, path in outputs(task).items():
            if role == "model":
                continue
            found[_report_role(task, role)] = path
        found[f"record/{task.name}"] = task.record
    if study.has_variants_table:
        found["variants"] = VARIANTS_TABLE
    if study.has_plan_history:
        found["plan_history"] = PLAN_HISTORY_FILE
    return found


def _report_role(task: Task, role: str) -> str:
    if task.session is not None:
        return f"{role}/{task.session}"
    if task.rule == "validation" and role != "passed":
        return f"validation_{role}"
    if task.rule in OF_CLASSES and role != "model_card":
        return f"classes_{role}"
    return role
