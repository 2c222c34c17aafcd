"""The child process of a run: level after level, only what our records call out of date.

``python -m leafledger.runner.execute CORES`` in the study folder, with the run's id in the
environment. A level is judged after the one before it has ended, so that a result that came out
byte for byte as before forces nothing after it. What the content store keeps of a level is put
back without Snakemake; Snakemake does the rest.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from leafledger.errors import InputFault
from leafledger.platforms import CORES_VARIABLE
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.record import key_of
from leafledger.records.store import ContentStore
from leafledger.runner.outdated import outdated
from leafledger.runner.plan_statement import keep_history
from leafledger.runner.step import (
    FOLDER_DATE,
    Ended,
    TaskRun,
    clear_folders,
    code_of_task,
    die_with_parent,
    may_use_store,
    put_record,
)
from leafledger.runner.variant_runs import TABLE_VARIABLE, make_table, variant_at_work
from leafledger.runner.workflow import drop_incomplete, run_tasks
from leafledger.study.reading import read_study
from leafledger.study.rules import LOGS, RECORDS, RESULTS
from leafledger.study.settings import settings_of
from leafledger.study.study import Study
from leafledger.study.table_files import not_through_a_link, refuse_links, remove_file, write_text
from leafledger.study.tasks import Task, inputs, levels, outputs


def main() -> int:
    """Run all levels; return 0, 1 if a task failed, or 2 if the study is at fault.

    What the book says of the plan, and the table of the variants if it was asked for, are made
    before the report that reads them.
    """
    die_with_parent()
    try:
        return _run_levels(int(sys.argv[1]))
    except InputFault as fault:
        print(fault, file=sys.stderr)  # noqa: T201
        return 2


def _run_levels(cores: int) -> int:
    folder = Path.cwd()
    run = os.environ[events.RUN_VARIABLE]
    os.environ[CORES_VARIABLE] = str(cores)
    study = read_study(folder, variant_at_work())
    digests = FileDigests(folder)
    moved = False
    for level in levels(study):
        wanted = os.environ.get(TABLE_VARIABLE) and Task("report") in level
        if wanted and not make_table(study, run, digests):
            return 1
        if Task("report") in level and not keep_history(study, run):
            return 1
        stale = _stale(study, level, digests)
        if not stale:
            if moved:
                date_in_order(study, level)
            continue
        moved = True
        refuse_links(folder)  # Snakemake and the shell write without asking us
        events.append_progress(
            folder, run, level=[task.name for task in stale], why=list(stale.values())
        )
        if restore_kept(study, run, stale, digests):
            stale = _stale(study, level, digests)
        if not stale:
            date_in_order(study, level)
            continue
        ended_well = run_tasks(folder, stale, cores)
        left = _stale(study, level, digests)
        if left and all(_said_done(folder, run, task) for task in left):
            # Snakemake takes back what a task wrote if the clock was set back at that moment: once
            # more, from the store.
            ended_well = run_tasks(folder, left, cores)
            left = _stale(study, level, digests)
        digests.save()
        if not ended_well or left:
            return 1
        date_in_order(study, level)
    digests.save()
    drop_incomplete(study)
    return 0


def date_in_order(study: Study, level: list[Task]) -> None:
    """Give results that are up to date, but older than what they were made from, its date.

    A result that was made or put back with the bytes that it had makes nothing after it stale.
    Plain Snakemake judges by dates alone: without this it would do the work after it once more.
    """
    for task in level:
        made_from = [study.folder / path for path in inputs(study, task).values()]
        dates = [path.stat().st_mtime_ns for path in made_from if _is_result(study, path)]
        newest = max(dates, default=0)
        for name in (*outputs(task).values(), task.record):
            path = study.folder / name
            stamp = path / FOLDER_DATE if name.endswith("/") else path
            if stamp.is_file() and stamp.stat().st_mtime_ns < newest:
                os.utime(not_through_a_link(stamp), ns=(newest, newest))


def _is_result(study: Study, path: Path) -> bool:
    below = path.is_relative_to(study.folder / RESULTS) or path.is_relative_to(
        study.folder / RECORDS
    )
    return below and path.is_file()


def _said_done(folder: Path, run: str, task: Task) -> bool:
    outcomes = {e["task"]: e["outcome"] for e in events.events_of(folder, run)}
    return outcomes.get(task.name) in {"done", "restored"}


def _stale(study: Study, level: list[Task], digests: FileDigests) -> dict[Task, str]:
    """Return the tasks of a level that must run -> why, by the function that `status` prints."""
    return {planned.task: planned.why for planned in outdated(study, digests, level)}


def restore_kept(study: Study, run: str, tasks: Iterable[Task], digests: FileDigests) -> bool:
    """Restore what the content store keeps of these tasks, and tell of each like a step.

    Snakemake and a process for every task take seconds to begin, copying takes none. What is not
    kept whole, or cannot be put back, is left to a step, which computes it or says what is wrong.

    Parameters
    ----------
    study, run
        The study and the run.
    tasks
        Tasks that must run and whose inputs are in place.
    digests
        Digests of the study's files.

    Returns
    -------
    bool
        Whether any was restored.
    """
    if not may_use_store():
        return False
    store = ContentStore(study.folder)
    restored = [task for task in tasks if _restored(study, run, task, digests, store)]
    return bool(restored)


def _restored(
    study: Study, run: str, task: Task, digests: FileDigests, store: ContentStore
) -> bool:
    key = _key(study, task, digests)
    if key is None or not store.keeps(key):
        return False
    task_run = TaskRun(study.folder, run, task)
    try:
        record = store.restore(
            key,
            outputs(task).values(),
            lambda words: events.append_progress(study.folder, run, note=words),
        )
        if record is None:
            return False
        clear_folders(study, task, record)
        told = put_record(study, task, record)
        write_text(study.folder / LOGS / f"{task.name}.log", "")
        task_run.begin()
        task_run.end(Ended("restored", key=key, record=told))
    except OSError:
        # Without a record the task is left to a step, which meets the same and says so.
        with suppress(OSError):
            remove_file(study.folder / task.record)
        return False
    return True


def _key(study: Study, task: Task, digests: FileDigests) -> str | None:
    """Return the key of a task's result, ``None`` if an input is missing."""
    found = {role: digests.of(path) for role, path in inputs(study, task).items()}
    known = {role: digest for role, digest in found.items() if digest is not None}
    if len(known) < len(found):
        return None
    settings = settings_of(study, task.rule, task.session)
    return key_of(task.rule, task.session, settings, known, code_of_task(task))


if __name__ == "__main__":
    sys.exit(main())
