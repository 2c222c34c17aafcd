"""The child process of a run: level after level, only what our records call stale.

``python -m leafledger.runner.execute CORES`` in the study folder, with the run's id in the
environment. A level is judged after the one before it has ended, so that a result that came out
byte for byte as before forces nothing after it.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from leafledger.errors import InputFault
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.runner.plan import why_run
from leafledger.runner.plan_history import keep_history
from leafledger.runner.restore import restore_kept
from leafledger.runner.step import die_with_parent
from leafledger.runner.variants import TABLE_VARIABLE, make_table, variant_at_work
from leafledger.runner.workflow_memory import FOLDER_DATE
from leafledger.study.layout import RECORDS, RESULTS, Task, inputs, levels, outputs
from leafledger.study.links import not_through_a_link, refuse_links
from leafledger.study.reading import read_study
from leafledger.study.study import Study


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
        events.tell(folder, run, level=[task.name for task in stale], why=list(stale.values()))
        if restore_kept(study, run, stale, digests):
            stale = _stale(study, level, digests)
        if not stale:
            date_in_order(study, level)
            continue
        from leafledger.runner.snakemake_run import run_tasks

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
    reasons = {task: why_run(study, task, digests) for task in level}
    return {task: why for task, why in reasons.items() if why is not None}


if __name__ == "__main__":
    sys.exit(main())
