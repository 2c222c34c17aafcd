"""The child process of a run: level after level, only what our records call out of date.

``python -m leafledger.runner.execute CORES [PROFILE TOKEN]`` in the study folder, with the run's id
in the environment, and for a cluster its profile and the token of the run's lease. A level is
judged after the one before it has ended, so that a result that came out byte for byte as before
forces nothing after it. What the content store keeps of a level is put back without Snakemake;
Snakemake does the rest. A cluster is given all levels before the report at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Iterable
from contextlib import suppress
from pathlib import Path

from leafledger.errors import InputFault
from leafledger.ledger.book import study_files
from leafledger.platforms import CORES_VARIABLE
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.record import key_of, read_record
from leafledger.records.store import ContentStore
from leafledger.runner.cluster import Cluster, open_profile
from leafledger.runner.outdated import keep_history, outdated
from leafledger.runner.run import TABLE_VARIABLE, make_table, variant_at_work
from leafledger.runner.step import (
    FOLDER_DATE,
    Ended,
    GivenRun,
    TaskRun,
    clear_folders,
    code_of_task,
    die_with_parent,
    hand_jobs,
    may_use_store,
    put_record,
)
from leafledger.runner.workers import Workers
from leafledger.runner.workflow import drop_incomplete, run_tasks
from leafledger.study.reading import read_study, read_study_at_rest, remove_jobs
from leafledger.study.rules import LOGS, RECORDS, RESULTS
from leafledger.study.settings import settings_of
from leafledger.study.study import Study, Task, inputs, levels, outputs, tasks
from leafledger.study.table_files import not_through_a_link, refuse_links, remove_file, write_text


def main() -> int:
    """Run all levels; return 0, 1 if a task failed, or 2 if the study is at fault.

    What the book says of the plan, and the table of the variants if it was asked for, are made
    before the report that reads them.
    """
    die_with_parent()
    try:
        cores, *cluster = sys.argv[1:]
        with Workers() as workers:
            handed = _cluster(int(cores), *cluster) if cluster else None
            return _run_levels(int(cores), handed, workers)
    except InputFault as fault:
        print(fault, file=sys.stderr)  # noqa: T201
        return 2


def _cluster(cores: int, profile: str, token: str) -> Cluster:
    given = GivenRun(
        run=os.environ[events.RUN_VARIABLE],
        token=token,
        folder=str(Path.cwd()),
        variant=variant_at_work(),
        use_store=may_use_store(),
    )
    return Cluster(open_profile(profile), cores, given)


def _run_levels(cores: int, cluster: Cluster | None, workers: Workers) -> int:
    folder = Path.cwd()
    run = os.environ[events.RUN_VARIABLE]
    os.environ[CORES_VARIABLE] = str(cores)
    study, rests = read_study_at_rest(folder, variant_at_work())
    digests = FileDigests(folder)
    moved = False
    for level in levels(study):
        if Task("report") in level and not _made_of_the_book(study, run, digests):
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
        set_aside(study, stale)
        hand_jobs(study, run, stale, rests)
        if cluster is not None:
            date_all_in_order(study, stale)
            ended_well = cluster.run_tasks(study, stale, digests)
        else:
            workers.start()
            ended_well = _done_here(study, run, level, stale, cores, digests)
        digests.save()
        if not ended_well:
            return 1
        date_in_order(study, level)
    digests.save()
    remove_jobs(folder)
    drop_incomplete(study)
    if words := changed_meanwhile(study, run, digests):
        events.append_progress(folder, run, note=words)
    return 0


def _done_here(
    study: Study,
    run: str,
    level: list[Task],
    stale: Collection[Task],
    cores: int,
    digests: FileDigests,
) -> bool:
    """Do the tasks of a level that must run on this machine; return whether all are up to date."""
    ended_well = run_tasks(study, stale, cores)
    unfinished = _stale(study, level, digests)
    if unfinished and all(_said_done(study.folder, run, task) for task in unfinished):
        # Snakemake takes back what a task wrote if the clock was set back at that moment: once
        # more, from the store.
        ended_well = run_tasks(study, unfinished, cores)
        unfinished = _stale(study, level, digests)
    return ended_well and not unfinished


def changed_meanwhile(study: Study, run: str, digests: FileDigests) -> str:
    """Say which files were changed during a run, so that the next one has something to do.

    Parameters
    ----------
    study
        The study as the run read it.
    run
        The run, whose entry in the book holds the digests of the sheets when it began.
    digests
        Digests of the study's files.

    Returns
    -------
    str
        Empty if nothing that results rest on was changed.
    """
    entry = events.readable(study.folder / events.RUNS / f"{run}.json") or {}
    before: dict[str, str] = entry.get("study", {})
    names = dict.fromkeys([*before, *study_files(study)])
    changed = [name for name in names if digests.of(name) != before.get(name)]
    was = "was changed" if len(changed) == 1 else "were changed"
    try:
        if changed or study.definition.intake.pattern:
            now = read_study(study.folder, study.variant)
            planned = outdated(now, digests, tasks(now))
        else:  # raw files: only the intake reads them
            of_intake = [task for task in tasks(study) if task.rule == "intake"]
            planned = outdated(study, digests, of_intake)
    except InputFault as fault:
        return (
            f"{', '.join(changed) or 'the study'} {was} while the run was at work, and cannot be "
            f"run as it is now: {fault.problems[0].sentence()}. These results are of what was "
            "there before"
        )
    if not planned:
        return ""
    what = f"{', '.join(changed)} {was}" if changed else f"the study was changed ({planned[0].why})"
    return (
        f"{what} while the run was at work, after it had been read: these results are of what was "
        f"there before. The next run takes it up, from {planned[0].task.name} on"
    )


def _made_of_the_book(study: Study, run: str, digests: FileDigests) -> bool:
    """Make what the report reads and no rule makes; return whether it stands."""
    if os.environ.get(TABLE_VARIABLE) and not make_table(study, run, digests):
        return False
    return keep_history(study, run)


def set_aside(study: Study, among: Iterable[Task]) -> None:
    """Move large results of tasks that are about to be made anew into the store, for going back."""
    store = ContentStore(study.folder)
    for task in among if may_use_store() else ():
        record = read_record(study.folder / task.record)
        if record is not None:
            with suppress(OSError):  # then it is written over, and computed if it is wanted again
                store.set_aside(record)


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


def date_all_in_order(study: Study, stale: Collection[Task]) -> None:
    """Date every result in order, but those of tasks that must run: Snakemake on a node sees all.

    A level that waits is dated as well: what rests on a task that must run is made again anyway.
    """
    for level in levels(study):
        date_in_order(study, [task for task in level if task not in stale])


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
        set_aside(study, [task])
        record = store.restore(
            key,
            outputs(task).values(),
            lambda words: events.append_progress(study.folder, run, note=words),
        )
        if record is None:
            return False
        clear_folders(study.folder, task, record)
        record_digest = put_record(study.folder, task, record)
        write_text(study.folder / LOGS / f"{task.name}.log", "")
        task_run.begin()
        task_run.end(Ended("restored", key=key, record=record_digest))
    except OSError:
        # Without a record the task is left to a step, which meets the same and says so.
        with suppress(OSError):
            remove_file(study.folder / task.record)
        return False
    return True


def _key(study: Study, task: Task, digests: FileDigests) -> str | None:
    """Return the key of a task's result, ``None`` if an input is missing."""
    digest_by_role = {role: digests.of(path) for role, path in inputs(study, task).items()}
    present = {role: digest for role, digest in digest_by_role.items() if digest is not None}
    if len(present) < len(digest_by_role):
        return None
    settings = settings_of(study, task.rule, task.session)
    return key_of(task.rule, task.session, settings, present, code_of_task(task))


if __name__ == "__main__":
    sys.exit(main())
