"""What must run, and why, by our own records, not by dates of files; and what of the plan?

Snakemake alone misses a raw file replaced by an older one, an intermediate edited by hand and two
numbers swapped in the settings; the digests in the records miss none of them.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

from leafledger.ledger import book
from leafledger.ledger.book import AddedPlan, add_plan, on_record, plan_in_place
from leafledger.ledger.variants_table import TableAtStart, intact_output, table_at_start
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import FileDigests, code_of, sha256_of_file, version
from leafledger.records.record import (
    VERSION,
    Record,
    key_of,
    read_record,
    scans_of,
    settings_differ,
)
from leafledger.records.store import ContentStore
from leafledger.runner.step import Ended, TaskRun, code_of_task, may_use_store, put_record
from leafledger.runner.study_check import checked_design
from leafledger.runner.study_folder import is_held, study_lock
from leafledger.study.rules import (
    BY_NAME,
    EVERYTHING,
    LOGS,
    PLAN_HISTORY,
    PLAN_HISTORY_FILE,
    RECORDS,
    RESULTS,
    RULES,
    VARIANTS,
    VARIANTS_TABLE,
)
from leafledger.study.settings import SHEET_ROWS, plan_of_study, settings_of
from leafledger.study.study import PLAN_HISTORY_TASK, Study, Task, inputs, outputs, tasks
from leafledger.study.table_files import (
    canonical_json,
    read_json,
    remove_file,
    write_json,
    write_text,
)
from leafledger.study.written_plan import (
    BY_RUN,
    NOT_PROVABLE,
    Facts,
    Recorded,
    digest_of,
    facts_of_plan,
    has_primary,
    mark_of,
    mark_of_margins,
    sentences_of,
    words_of_first,
    words_of_others,
)

# The statement on the plan, and how a plan is recorded
# ----------------------------------------------------------------------
# The statement stands in ``results/plan_history.json`` before the report reads it, only where the
# book can say something. It names a run or a recorded plan and a day: these are facts of the book,
# the one exception to results being a function of content. Going back to an earlier plan brings the
# same bytes back, so that the report comes from the store.

# What the book says
# ----------------------------------------------------------------------

REBUILT_VARIABLE = "LEAFLEDGER_REBUILT"
"""Says to the children of a run that a recorded one is being rebuilt."""


def said_of_plan(study: Study, run: str | None = None) -> Facts | None:
    """Return what the book says of a study's plan, ``None`` if nothing.

    Parameters
    ----------
    study
        The study as stated; nothing is said of a variant, nor of a study without known units.
    run
        The run at work; ``None``: the book as it would be if the study were run now.
    """
    if study.variant is not None or study.definition.design.unit is None:
        return None
    plan = plan_of_study(study)
    records = on_record(BookView(study.folder), at_work=run)
    if run is None:
        sessions = frozenset(study.session_ids)
        records.append(Recorded(BY_RUN, "", "", plan, "", held=sessions, read=sessions))
    return facts_of_plan(records, plan)


def why_history_changes(study: Study) -> str | None:
    """Return why the page must say something else of the plan than it does, ``None`` if not."""
    if study.variant is not None:
        return None
    facts = said_of_plan(study)
    if facts is None:
        is_written = (study.folder / PLAN_HISTORY_FILE).exists()
        return "the book no longer shows what the page says of the plan" if is_written else None
    if _stands(study, facts):
        return None
    if (study.folder / PLAN_HISTORY_FILE).exists():
        return "the book says something else of the plan than the page"
    return "the book now shows when the plan was recorded"


def makes_history(study: Study) -> bool:
    """Tell whether a run would make the file, so that it counts as one of its tasks."""
    facts = said_of_plan(study)
    return facts is not None and not _stands(study, facts)


def report_read_it(study: Study) -> bool:
    """Tell whether the page was made of the very statement that would be made now."""
    facts, report = said_of_plan(study), read_record(study.folder / Task(RULES[-1].name).record)
    history_record = read_record(study.folder / PLAN_HISTORY_TASK.record)
    if (
        facts is None
        or report is None
        or history_record is None
        or history_record["key"] != _key(facts)
    ):
        return False
    written = {entry["sha256"] for entry in history_record["outputs"]}
    return any(
        entry["role"] == PLAN_HISTORY_TASK.rule and entry["sha256"] in written
        for entry in report["inputs"]
    )


def _stands(study: Study, facts: Facts) -> bool:
    """Tell whether the file and its record are what would be made now."""
    record = read_record(study.folder / PLAN_HISTORY_TASK.record)
    if record is None or intact_output(study.folder, record, PLAN_HISTORY_FILE) is None:
        return False
    return record["key"] == _key(facts) and bool(
        read_json(study.folder / PLAN_HISTORY_FILE) == facts
    )


def keep_history(study: Study, run: str) -> bool:
    """Write what the book says of the plan, or take away what it no longer says.

    Parameters
    ----------
    study, run
        The study and the run at work.

    Returns
    -------
    bool
        Whether it stands; it is told of like a step.
    """
    if study.variant is not None or os.environ.get(REBUILT_VARIABLE):
        return True
    facts = said_of_plan(study, run)
    if facts is None:
        remove_file(study.folder / PLAN_HISTORY_FILE)
        remove_file(study.folder / PLAN_HISTORY_TASK.record)
        return True
    if _stands(study, facts):
        return True
    task_run = TaskRun(study.folder, run, PLAN_HISTORY_TASK)
    task_run.begin()
    try:
        ended = _made(study, facts)
    except OSError as error:
        ended = Ended("failed", str(error.strerror or error))
        text = f"{type(error).__name__}: {error}\n"
        write_text(study.folder / LOGS / f"{PLAN_HISTORY_TASK.name}.log", text)
    task_run.end(ended)
    return ended.exit_code == 0


def _made(study: Study, facts: Facts) -> Ended:
    key, store = _key(facts), ContentStore(study.folder)
    owed = outputs(PLAN_HISTORY_TASK).values()
    record = store.restore(key, owed) if may_use_store() else None
    outcome = "done" if record is None else "restored"
    if record is None:
        write_json(study.folder / PLAN_HISTORY_FILE, facts)
        record = _record(study, facts)
        if may_use_store():
            store.keep(record)
    return Ended(outcome, key=key, record=put_record(study.folder, PLAN_HISTORY_TASK, record))


def _settings(facts: Facts) -> dict[str, Any]:
    return {"plan_history": facts}


def _key(facts: Facts) -> str:
    return key_of(PLAN_HISTORY.name, None, _settings(facts), {}, code_of(PLAN_HISTORY.module))


def _record(study: Study, facts: Facts) -> dict[str, Any]:
    path = study.folder / PLAN_HISTORY_FILE
    code = code_of(PLAN_HISTORY.module)
    return {
        "record": VERSION,
        "rule": PLAN_HISTORY.name,
        "session": None,
        "key": _key(facts),
        "settings": _settings(facts),
        "inputs": [],
        "outputs": [
            {
                "role": PLAN_HISTORY.name,
                "path": PLAN_HISTORY_FILE,
                "sha256": sha256_of_file(path),
                "bytes": path.stat().st_size,
            }
        ],
        "code": {"package": version(), "sha256": code.sha256},
        "libraries": code.libraries,
        "metrics": [],
        "seeds": {},
        "warnings": [],
    }


# Recording a plan
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class PlanRecord:
    """A plan that was recorded, or stood already.

    Attributes
    ----------
    lodged
        Its entry in the book and its text.
    has_primary
        Whether it names a primary contrast.
    first
        The first record of this plan, with the same text or another.
    read
        After-sessions that had been read when this entry was made.
    said
        What the book says of the plan now, in sentences.
    """

    lodged: AddedPlan
    has_primary: bool
    first: Recorded
    read: tuple[str, ...]
    said: tuple[str, ...]


def record_plan(folder: Path, allocation: Mapping[str, Any] | None = None) -> PlanRecord:
    """Enter the plan of a study in its book, chained to the runs; only its sheets need be right.

    Parameters
    ----------
    folder
        The study folder.
    allocation
        Where lots have just been drawn: ``sha256`` of the allocation, and ``seed``.

    Raises
    ------
    InputFault
        With every problem of ``study.yaml`` and the units, or if a run is at work.
    """
    study = checked_design(folder)
    plan = plan_of_study(study)
    with study_lock(study.folder):
        book.close_interrupted(study.folder)
        head = book.head_run(study.folder)
        link = None if head is None else book.link_to(study.folder, head["run"])
        lodged = add_plan(study.folder, plan, link, allocation)
    records = on_record(BookView(study.folder))
    first = next(record for record in records if record.plan == plan)
    after = [s.session for s in study.sessions if s.phase == "after"]
    facts = facts_of_plan(records, plan)
    primary = has_primary(plan)
    return PlanRecord(
        lodged,
        primary,
        first,
        tuple(s for s in after if s in lodged.entry["read"]),
        tuple(sentences_of(facts, primary=primary)),
    )


def said_of_results(folder: Path) -> tuple[Facts | None, list[str]]:
    """Return what the book says of the plan behind the newest results: facts, and sentences.

    Unlike the page, which has the same bytes whenever the same plan holds, it also tells of other
    plans that were in force in between.
    """
    plan = plan_in_place(folder)
    if plan is None or "design.unit" not in plan:
        return None, []
    path = folder / PLAN_HISTORY_FILE
    facts: Facts | None = read_json(path) if path.is_file() else None
    if facts is not None and facts["plan_sha256"] != digest_of(plan):
        facts = None
    records, named = on_record(BookView(folder)), has_primary(plan)
    sentences = sentences_of(facts, primary=named)
    if named and (facts is None or facts["statement"] == NOT_PROVABLE):
        sentences += words_of_first(records)
    return facts, sentences + words_of_others(records, plan)


def marked(findings: Sequence[dict[str, Any]], facts: Facts | None) -> list[dict[str, Any]]:
    """Return findings with the mark that their verdict carries: ``exploratory``, and why."""
    marks = {"primary": mark_of(facts), "equivalence": mark_of_margins(facts)}
    return [
        {**finding, "mark": marks[finding["id"]]} if marks.get(finding["id"]) else finding
        for finding in findings
    ]


# What must run, and why
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Planned:
    """A task that would run.

    Attributes
    ----------
    task
        The task.
    why
        The reason in words.
    certain
        False if it runs only should a task before it change its output.
    """

    task: Task
    why: str
    certain: bool


def would_run(study: Study, digests: FileDigests, rebuilt: bool = False) -> list[Planned]:
    """Return what a run would do now, in the order of the data: what ``status`` and the run name.

    What the book says of the plan is made before the report, which reads it.

    Parameters
    ----------
    study, digests
        The study, and the digests of its files.
    rebuilt
        Whether a recorded run is being rebuilt: what was made of the book is as recorded then.
    """
    planned = plan(study, digests)
    if not planned or rebuilt or not makes_history(study):
        return planned
    why = "the book says something else of the plan, or will when the run has begun"
    *others, report = planned
    if report.certain and report_read_it(study):
        # The statement in place was edited: made again, it may be what the report was made of.
        made_anew = [
            path for entry in others for path in (*outputs(entry.task).values(), entry.task.record)
        ]
        if why_run(study, report.task, digests, [*made_anew, PLAN_HISTORY_FILE]) is None:
            why_report = f"if {PLAN_HISTORY_TASK.name} gives another result"
            report = Planned(report.task, why_report, certain=False)
    return [*others, Planned(PLAN_HISTORY_TASK, why, certain=True), report]


def plan(study: Study, digests: FileDigests) -> list[Planned]:
    """Return the tasks of rules that would run now, in the order of the data.

    None as long as no session has been measured.
    """
    if not study.session_ids:
        return []
    planned = outdated(study, digests)
    last = Task(RULES[-1].name)
    if not any(entry.task == last and entry.certain for entry in planned):
        why = why_history_changes(study)
        if why is not None:
            others = [entry for entry in planned if entry.task != last]
            return [*others, Planned(last, why, certain=True)]
    return planned


def outdated(
    study: Study, digests: FileDigests, among: Collection[Task] | None = None
) -> list[Planned]:
    """Return the tasks that are not up to date by their records, in the order of the data.

    Parameters
    ----------
    study, digests
        The study, and the digests of its files.
    among
        The tasks to judge, whose inputs are in place as a run makes it level after level; all of
        the study if left out.
    """
    planned: dict[Task, Planned] = {}
    writers: dict[str, Task] = {}
    table = table_at_start(study) if among is None else None
    attempts = Attempts(study)
    for task in tasks(study) if among is None else among:
        made_anew = [path for path in inputs(study, task).values() if writers.get(path) in planned]
        why = why_run(study, task, digests, made_anew, table, attempts)
        if why is not None:
            planned[task] = Planned(task, why, certain=True)
        elif made_anew:
            first = writers[made_anew[0]].name
            planned[task] = Planned(task, f"if {first} gives another result", certain=False)
        writers |= dict.fromkeys([*outputs(task).values(), task.record], task)
    return list(planned.values())


def why_run(
    study: Study,
    task: Task,
    digests: FileDigests,
    leave_out: Collection[str] = (),
    table: TableAtStart | None = None,
    attempts: Attempts | None = None,
) -> str | None:
    """Return why a task must run, or ``None`` if its record holds for all that is there.

    Parameters
    ----------
    study, task
        The task of the study.
    digests
        Digests of the study's files.
    leave_out
        Inputs that are about to be made again: what they hold now decides nothing.
    table
        The table of the variants as a run will find it, where it is not as it should be.
    attempts
        How earlier runs left tasks without a record; read when first asked for.
    """
    record = read_record(study.folder / task.record)
    if record is None:
        return (attempts or Attempts(study)).why_no_record(task)
    expected = inputs(study, task)
    seen: Digests = digests
    if table is not None and EVERYTHING in BY_NAME[task.rule].reads:
        expected = {role: path for role, path in expected.items() if role != VARIANTS.name}
        if table.sha256 is not None:
            expected[VARIANTS.name] = VARIANTS_TABLE
        seen = _WithTable(digests, table)
    return (
        _settings_changed(study, task, record)
        or _code_changed(record, task)
        or _inputs_changed(record, expected, seen, leave_out)
        or _outputs_changed(record, outputs(task), digests)
        or _record_changed(study.folder, record, task)
    )


class Attempts:
    """How the runs of a study ended for a task that has no record.

    Parameters
    ----------
    study
        The study under the variant at work; runs of other variants say nothing of it.
    """

    def __init__(self, study: Study) -> None:
        self._folder, self._variant = study.folder, study.variant
        self._read: dict[str, tuple[dict[str, str], set[str]]] = {}

    def why_no_record(self, task: Task) -> str:
        """Return in words why a task has no record, from the newest run that took it up."""
        for run in reversed(self._runs):
            ends, began = self._of_run(run["run"])
            if task.name in ends:
                return f"{_WITHOUT_RECORD.get(ends[task.name], _LOST)} {run['run']}"
            if task.name in began:
                at_work = run["outcome"] == "running" and is_held(self._folder)
                return f"{'at work' if at_work else 'cut short'} in run {run['run']}"
        return "not run yet"

    @cached_property
    def _runs(self) -> list[events.Run]:
        return [run for run in events.runs(self._folder) if run.get("variant") == self._variant]

    def _of_run(self, run: str) -> tuple[dict[str, str], set[str]]:
        """Return task -> how it ended in a run, and the tasks that began in it."""
        if run not in self._read:
            done = events.events_of(self._folder, run)
            lines, _ = events.read_progress(self._folder, run)
            began = {str(line["task"]) for line in lines if line.get("state") == "started"}
            self._read[run] = {one["task"]: str(one["outcome"]) for one in done}, began
        return self._read[run]


_LOST = "its record is no longer there; made in run"
_WITHOUT_RECORD = {
    "failed": "failed in run",
    "input_fault": "found its input at fault in run",
}


class Digests(Protocol):
    """Digests of the files of a study."""

    def of(self, path: str) -> str | None:
        """Return the digest of a file, ``None`` if there is none."""


class _WithTable:
    """Digests of a study's files as they are, with the table of the variants as it will be."""

    def __init__(self, now: FileDigests, table: TableAtStart) -> None:
        self._now, self._table = now, table

    def of(self, path: str) -> str | None:
        return self._table.sha256 if path == VARIANTS_TABLE else self._now.of(path)


class RecordedDigests:
    """Digests of a study's files as one run left them; what a person wrote is as it is now.

    Parameters
    ----------
    records
        Task -> record of the run.
    texts
        Task -> digest of the record's own file.
    now
        Digests of the files in place.
    """

    def __init__(
        self, records: Mapping[str, Record], texts: Mapping[str, str], now: FileDigests
    ) -> None:
        self._made = {o["path"]: str(o["sha256"]) for r in records.values() for o in r["outputs"]}
        self._made |= {f"{RECORDS}/{task}.json": digest for task, digest in texts.items()}
        self._now = now

    def of(self, path: str) -> str | None:
        """Return the digest of a file, ``None`` if there is none."""
        if path.startswith((f"{RESULTS}/", f"{RECORDS}/")):
            return self._made.get(path)
        return self._now.of(path)


def holds_as_recorded(
    study: Study, records: Mapping[str, Record], digests: RecordedDigests
) -> bool:
    """Tell whether a run would come out as recorded, without its results being in place.

    Parameters
    ----------
    study
        The study under the settings of the run.
    records
        Task -> record of the run.
    digests
        Digests of the files as the run left them.
    """
    return why_not_as_recorded(study, records, digests) is None


def why_not_as_recorded(
    study: Study, records: Mapping[str, Record], digests: RecordedDigests
) -> str | None:
    """Return the first task that would come out otherwise than recorded, with the reason.

    ``None`` if all would come out as recorded. The parameters are those of `holds_as_recorded`.
    """
    for task in tasks(study):
        record = records.get(task.name)
        if record is None:
            return f"{task.name}: not run yet"
        why = (
            _settings_changed(study, task, record)
            or _code_changed(record, task)
            or _inputs_changed(record, inputs(study, task), digests, ())
        )
        if why is not None:
            return f"{task.name}: {why}"
    return None


def _record_changed(folder: Path, record: Record, task: Task) -> str | None:
    """Judge the rest of a record, such as its metrics, by the text that was kept of it."""
    if ContentStore(folder).differs_from(record["key"], folder / task.record):
        return f"record changed by hand: {task.record}"
    return None


def _settings_changed(study: Study, task: Task, record: Record) -> str | None:
    now = settings_of(study, task.rule, task.session)
    if _same_settings(record["settings"], now):
        return None
    treatment = study.definition.design.treatment or "treatment"
    changed_names = [
        d.name for d in settings_differ(record, {**record, "settings": now}, treatment)
    ]
    measured = {} if "classes" in now else _measured_since(study, record["settings"], changed_names)
    of_sessions = {name for names in measured.values() for name in names}
    different = [name for name in changed_names if name not in of_sessions]
    reasons = [f"session {session} was measured" for session in measured]
    if different or not reasons:
        more = f" and {len(different) - 3} more" if len(different) > 3 else ""
        reasons.append("settings changed: " + (", ".join(different[:3]) or "their form") + more)
    return "; ".join(reasons)


def _same_settings(before: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Tell whether two settings are the same, 1 and 1.0 being two.

    Rows of sheets are compared as they are: a column always holds one type, and writing a large
    study's rows as text takes most of the time of ``status``.
    """
    rows_same = before.keys() == now.keys() and all(
        before[name] == now[name] for name in now if name in SHEET_ROWS
    )
    others = [
        {name: value for name, value in settings.items() if name not in SHEET_ROWS}
        for settings in (before, now)
    ]
    return rows_same and canonical_json(others[0]) == canonical_json(others[1])


def _measured_since(
    study: Study, then: Mapping[str, Any], changed_names: Sequence[str]
) -> dict[str, list[str]]:
    """Return the sessions that have been measured since a record, with what differs by that.

    Parameters
    ----------
    study
        The study as it is now.
    then
        The settings of the record.
    changed_names
        Names of all that differs.
    """
    rows = {scan.scan: scan.session for scan in (*study.scans, *study.omitted)}
    stated = (then.get("design") or {}).get("sessions") or []
    earlier_sessions = {s["session"] for s in stated if "to_come" not in s and "skipped" not in s}
    scans = scans_of(then)
    if not scans <= set(rows):
        return {}  # scans were named anew: their session may be an old one
    earlier_sessions |= {rows[scan] for scan in scans}
    out = {}
    for session in study.session_ids:
        prefix = f"design.sessions.{session}."
        named = {f"scans.csv {scan}" for scan, held_in in rows.items() if held_in == session}
        names = [name for name in changed_names if name.startswith(prefix) or name in named]
        if names and session not in earlier_sessions:
            out[session] = names
    if out and {s["session"] for s in stated} <= set(study.session_ids):
        # The list itself is longer by these sessions.
        next(iter(out.values())).extend(name for name in changed_names if name == "design.sessions")
    return out


def _code_changed(record: Record, task: Task) -> str | None:
    code = code_of_task(task)
    if record["code"]["sha256"] != code.sha256:
        return "the code of this stage changed"
    for name in sorted({*record["libraries"], *code.libraries}):
        before, after = record["libraries"].get(name), code.libraries.get(name)
        if before != after:
            return f"library {name} changed from {before} to {after}"
    return None


def _inputs_changed(
    record: Record,
    expected: Mapping[str, str],
    digests: Digests,
    leave_out: Collection[str],
) -> str | None:
    recorded = {entry["role"]: entry for entry in record["inputs"]}
    for role, path in expected.items():
        if role not in recorded:
            return f"new input {path}"
        if path not in leave_out and digests.of(path) != recorded[role]["sha256"]:
            return f"input changed: {path}"
    removed = sorted(set(recorded) - set(expected))
    return f"no longer an input: {recorded[removed[0]]['path']}" if removed else None


def _outputs_changed(
    record: Record, expected: Mapping[str, str], digests: FileDigests
) -> str | None:
    for role, path in expected.items():
        owed = [
            entry
            for entry in record["outputs"]
            if entry["role"] == role or (path.endswith("/") and entry["path"].startswith(path))
        ]
        if not owed and not path.endswith("/"):
            return f"output missing: {path}"
        for entry in owed:
            digest = digests.of(entry["path"])
            if digest is None:
                return f"output missing: {entry['path']}"
            if digest != entry["sha256"]:
                return f"output changed by hand: {entry['path']}"
    return None
