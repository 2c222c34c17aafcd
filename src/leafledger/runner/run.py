"""A whole run of a study: plan, execute, keep the books."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem
from leafledger.ledger import book
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.store import ContentStore
from leafledger.runner.check import checked_study, unread_files
from leafledger.runner.leftovers import remove_orphans, sweep_temporaries
from leafledger.runner.lock import study_lock
from leafledger.runner.plan import Planned, plan
from leafledger.runner.step import PARENT_VARIABLE, problems_file
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import read_definition, with_rows
from leafledger.study.layout import LOGS, Task
from leafledger.study.study import Study
from leafledger.study.tables import read_json

_WATCH_SECONDS = 0.1
_NEXT_TO_NOTHING = 1_000_000
SNAKEMAKE_LOG = f"{LOGS}/snakemake.log"

Listener = Callable[[dict[str, Any]], None]


@dataclass
class RunResult:
    """How a run ended.

    Attributes
    ----------
    run
        Id of the run; ``None`` if nothing had to run.
    outcome
        ``idle``, ``done``, ``input_fault`` or ``failed``.
    tasks
        Events of the tasks that ran, in the order of their start.
    problems
        What was wrong with the user's input.
    message
        Why it failed, if it did.
    notes
        What the user should know besides, such as a tracking store that was rebuilt.
    """

    run: str | None
    outcome: str
    tasks: list[dict[str, Any]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    message: str = ""
    notes: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 done, 2 the user's input is at fault, 1 a stage failed."""
        return {"idle": 0, "done": 0, "input_fault": 2}.get(self.outcome, 1)


def run_study(
    folder: Path,
    cores: int,
    listen: Listener | None = None,
    use_store: bool = True,
    into_tracking: bool = True,
) -> RunResult:
    """Bring all results of a study up to date.

    Parameters
    ----------
    folder
        The study folder.
    cores
        How many tasks may run side by side.
    listen
        Called with every line of progress, and with ``{"planned": [...]}`` first.
    use_store
        Whether results of earlier settings may be restored.
    into_tracking
        Whether the run is copied into the tracking store.

    Raises
    ------
    InputFault
        If the study cannot run at all; nothing has been touched then.
    """
    study = checked_study(folder)
    with study_lock(study.folder):
        interrupted = book.close_interrupted(study.folder)
        notes = [f"run {run} was interrupted; what it had finished is used" for run in interrupted]
        sweep_temporaries(study.folder)
        notes += [*remove_orphans(study), *unread_files(study)]
        digests = FileDigests(study.folder)
        planned = plan(study, digests)
        digests.save()
        if not planned:
            notes += book.enter(study, interrupted[-1]) if interrupted else []
            return RunResult(None, "idle", notes=notes)
        result = _execute(study, planned, cores, listen, use_store)
        result.notes = notes + result.notes
        most = int(study.definition.tracking.store_gb * 1e9)
        ContentStore(study.folder).trim(most)
        if into_tracking:
            result.notes += book.enter(study, result.run or "")
        return result


def _execute(
    study: Study, planned: list[Planned], cores: int, listen: Listener | None, use_store: bool
) -> RunResult:
    run = events.new_run_id()
    folder = study.folder
    listen = listen or (lambda _line: None)
    listen({"planned": [p.task.name for p in planned], "run": run})
    book.open_run(study, run)
    (folder / LOGS).mkdir(exist_ok=True)
    environment = {
        **os.environ,
        events.RUN_VARIABLE: run,
        PARENT_VARIABLE: str(os.getpid()),
    }
    if not use_store:
        from leafledger.runner.step import NO_STORE_VARIABLE

        environment[NO_STORE_VARIABLE] = "1"
    command = [sys.executable, "-m", "leafledger.runner.execute", str(cores)]
    with (folder / SNAKEMAKE_LOG).open("wb") as log:
        child = subprocess.Popen(
            command, cwd=folder, env=environment, stdout=log, stderr=log, stdin=subprocess.DEVNULL
        )
        try:
            _watch(child, folder, run, listen)
        except BaseException:
            child.terminate()
            child.wait()
            _close(study, run, "killed", "interrupted by the user")
            raise
    return _result(study, run, child.returncode)


def _watch(child: subprocess.Popen[bytes], folder: Path, run: str, listen: Listener) -> None:
    place = 0
    while True:
        over = child.poll() is not None
        lines, place = events.told(folder, run, place)
        for line in lines:
            listen(line)
        if over:
            return
        time.sleep(_WATCH_SECONDS)


def _result(study: Study, run: str, code: int) -> RunResult:
    done = events.events_of(study.folder, run)
    failed = [e for e in done if e["outcome"] not in events.ENDED_WELL]
    faults = [e for e in failed if e["outcome"] == "input_fault"]
    problems = _problems(study, faults)
    if code == 0:
        outcome, message = "done", ""
    elif faults and len(faults) == len(failed):
        outcome, message = "input_fault", problems[0].sentence()
    else:
        outcome, message = "failed", _why_failed(study, run, failed)
    notes = []
    try:
        _close(study, run, outcome, message)
    except OSError as error:
        # A full disk must not hide what failed; the next run closes this one.
        notes = [f"the run could not be closed in the book ({error.strerror})"]
    return RunResult(run, outcome, done, problems, message, notes)


def _problems(study: Study, faults: list[dict[str, Any]]) -> list[Problem]:
    """Return what the tasks found wrong, each problem once, with the rows of ``study.yaml``."""
    told = [
        Problem(**problem)
        for event in faults
        for problem in read_json(problems_file(study.folder, Task(event["rule"], event["session"])))
    ]
    if not any(problem.file == STUDY_FILE for problem in told):
        return list(dict.fromkeys(told))
    try:
        _, text = read_definition(study.folder)
    except InputFault:
        return list(dict.fromkeys(told))
    return list(dict.fromkeys(with_rows(told, text)))


def _close(study: Study, run: str, outcome: str, message: str) -> None:
    """Close a run; one cut short keeps only the records that hold now."""
    stale: set[str] = set()
    if outcome != "done":
        stale = {planned.task.name for planned in plan(study, FileDigests(study.folder))}
    book.close_run(study, run, outcome, message, stale)


def _no_longer_holds(study: Study, level: list[str]) -> str:
    """Say why a level that ended well is not up to date: its files or what it rests on changed."""
    reasons = {p.task.name: p.why for p in plan(study, FileDigests(study.folder))}
    stale = [f"{task} ended well, but then: {reasons[task]}" for task in level if task in reasons]
    return stale[0] if stale else f"{level[0]} ended well, but not for Snakemake"


def _why_failed(study: Study, run: str, failed: list[dict[str, Any]]) -> str:
    others = [e for e in failed if e["outcome"] == "failed"]
    if others:
        event = others[0]
        return f"{event['task']} failed: {event['message']} (log: {event['log']})"
    lines, _ = events.told(study.folder, run)
    started = [line["task"] for line in lines if line.get("state") == "started"]
    ended = {line["task"] for line in lines if line.get("state") not in {None, "started"}}
    cut = [task for task in started if task not in ended]
    if cut:
        return (
            f"{cut[0]} was ended from outside (out of memory, or killed); log: {LOGS}/{cut[0]}.log"
        )
    if shutil.disk_usage(study.folder).free < _NEXT_TO_NOTHING:
        return "no space left on the disk that holds the study"
    level: list[str] = next((line["level"] for line in reversed(lines) if "level" in line), [])
    waiting = [task for task in level if task not in ended]
    if waiting:
        what = f"{waiting[0]} did not begin, or was ended at once"
    elif level:
        what = _no_longer_holds(study, level)
    else:
        what = "it could not begin"
    return f"{what} (log: {SNAKEMAKE_LOG})"
