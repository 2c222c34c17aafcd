"""What must run, and why: judged by our own records, not by dates of files.

Snakemake alone misses a raw file replaced by an older one, an intermediate edited by hand and two
numbers swapped in the settings; the digests in the records miss none of them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

from leafledger.ledger.variants_table import TableAtStart, table_at_start
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.record import Record, read_record, scans_of, settings_differ
from leafledger.records.store import ContentStore
from leafledger.runner.plan_statement import makes_history, report_read_it, why_history_changes
from leafledger.runner.step import code_of_task
from leafledger.runner.study_folder import is_held
from leafledger.study.rules import (
    BY_NAME,
    EVERYTHING,
    PLAN_HISTORY_FILE,
    RECORDS,
    RESULTS,
    RULES,
    VARIANTS,
    VARIANTS_TABLE,
)
from leafledger.study.settings import settings_of
from leafledger.study.study import Study
from leafledger.study.table_files import canonical_json
from leafledger.study.tasks import PLAN_HISTORY_TASK, Task, inputs, outputs, tasks


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
        made = [path for one in others for path in (*outputs(one.task).values(), one.task.record)]
        if why_run(study, report.task, digests, [*made, PLAN_HISTORY_FILE]) is None:
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
    if not any(one.task == last and one.certain for one in planned):
        why = why_history_changes(study)
        if why is not None:
            others = [one for one in planned if one.task != last]
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
        made = [path for path in inputs(study, task).values() if writers.get(path) in planned]
        why = why_run(study, task, digests, made, table, attempts)
        if why is not None:
            planned[task] = Planned(task, why, certain=True)
        elif made:
            first = writers[made[0]].name
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
    found = [d.name for d in settings_differ(record, {**record, "settings": now}, treatment)]
    measured = {} if "classes" in now else _measured_since(study, record["settings"], found)
    of_sessions = {name for names in measured.values() for name in names}
    different = [name for name in found if name not in of_sessions]
    said = [f"session {session} was measured" for session in measured]
    if different or not said:
        more = f" and {len(different) - 3} more" if len(different) > 3 else ""
        said.append("settings changed: " + (", ".join(different[:3]) or "their form") + more)
    return "; ".join(said)


_ROWS = frozenset({"scans", "units", "elsewhere", "labels"})
"""Settings that hold rows of the sheets: one of each scan or unit, texts and numbers."""


def _same_settings(before: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Tell whether two settings are the same, 1 and 1.0 being two.

    Rows of sheets are compared as they are: a column always holds one type, and writing a large
    study's rows as text takes most of the time of ``status``.
    """
    rows_same = before.keys() == now.keys() and all(
        before[name] == now[name] for name in now if name in _ROWS
    )
    others = [
        {name: value for name, value in settings.items() if name not in _ROWS}
        for settings in (before, now)
    ]
    return rows_same and canonical_json(others[0]) == canonical_json(others[1])


def _measured_since(
    study: Study, then: Mapping[str, Any], found: Sequence[str]
) -> dict[str, list[str]]:
    """Return the sessions that have been measured since a record, with what differs by that.

    Parameters
    ----------
    study
        The study as it is now.
    then
        The settings of the record.
    found
        Names of all that differs.
    """
    rows = {scan.scan: scan.session for scan in (*study.scans, *study.omitted)}
    stated = (then.get("design") or {}).get("sessions") or []
    known = {s["session"] for s in stated if "to_come" not in s and "skipped" not in s}
    scans = scans_of(then)
    if not scans <= set(rows):
        return {}  # scans were named anew: their session may be an old one
    known |= {rows[scan] for scan in scans}
    out = {}
    for session in study.session_ids:
        place = f"design.sessions.{session}."
        named = {f"scans.csv {scan}" for scan, held_in in rows.items() if held_in == session}
        names = [name for name in found if name.startswith(place) or name in named]
        if names and session not in known:
            out[session] = names
    if out and {s["session"] for s in stated} <= set(study.session_ids):
        # The list itself is longer by these sessions.
        next(iter(out.values())).extend(name for name in found if name == "design.sessions")
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
    gone = sorted(set(recorded) - set(expected))
    return f"no longer an input: {recorded[gone[0]]['path']}" if gone else None


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
            found = digests.of(entry["path"])
            if found is None:
                return f"output missing: {entry['path']}"
            if found != entry["sha256"]:
                return f"output changed by hand: {entry['path']}"
    return None
