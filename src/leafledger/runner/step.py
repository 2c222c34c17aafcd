"""One task: its job and its key, and doing it in a process of its own.

``python -m leafledger.runner.step RULE [SESSION]`` is started by a Snakemake rule in the study
folder. It restores the result from the content store or computes it, then writes the record and
the event.
"""

from __future__ import annotations

import faulthandler
import importlib
import os
import sys
import time
import traceback
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, StageFailure
from leafledger.platforms import end_with_parent, peak_memory_bytes
from leafledger.records import events
from leafledger.records.digests import Code, code_of, files_below, sha256_of_file, version
from leafledger.records.record import (
    Job,
    Record,
    Stage,
    input_digests,
    key_of,
    make_record,
    write_record,
)
from leafledger.records.store import NO_STORE_VARIABLE as NO_STORE_VARIABLE
from leafledger.records.store import ContentStore
from leafledger.records.store import may_use_store as may_use_store
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME, LOGS
from leafledger.study.settings import settings_of
from leafledger.study.sheets import with_own_names
from leafledger.study.study import Study
from leafledger.study.table_files import refuse_links, remove_file, write_json
from leafledger.study.tasks import Task, inputs, outputs

PARENT_VARIABLE = "LEAFLEDGER_PARENT"
VARIANT_VARIABLE = "LEAFLEDGER_VARIANT"
"""Names the variant whose settings hold, for the children of a run of ours; empty for none."""
FOLDER_DATE = ".snakemake_timestamp"
"""Snakemake's file by whose date it judges a folder; it makes it, we date it like the folder."""


# --- what a task is ---------------------------------------------------------------------------


def job_of(study: Study, task: Task) -> Job:
    """Return the job of a task."""
    return Job(
        rule=task.rule,
        session=task.session,
        settings=settings_of(study, task.rule, task.session),
        inputs=_absolute(study.folder, inputs(study, task)),
        outputs=_absolute(study.folder, outputs(task)),
        folder=study.folder,
    )


def _absolute(folder: Path, files: dict[str, str]) -> dict[str, Path]:
    return {role: folder / path for role, path in files.items()}


def code_of_task(task: Task) -> Code:
    """Return the digest of the code that a task runs."""
    return code_of(BY_NAME[task.rule].module)


def key_value(study: Study, task: Task, own_digests: dict[str, str | None]) -> dict[str, Any]:
    """Return what Snakemake is told of a task: settings, code, digests of the user's own files."""
    code = code_of_task(task)
    seen: dict[str, Any] = {
        "settings": settings_of(study, task.rule, task.session),
        "code": code.sha256,
        "libraries": code.libraries,
    }
    if own_digests:
        seen["own_files"] = sorted(own_digests.items())
    return seen


def clear_folders(study: Study, task: Task, record: Record | None = None) -> None:
    """Remove from the folders that a task owns what another version of it has left there.

    Parameters
    ----------
    study, task
        The task of the study.
    record
        Names the files that stay; none do, if left out.
    """
    named = {study.folder / output["path"] for output in record["outputs"]} if record else set()
    for path in outputs(task).values():
        if path.endswith("/"):
            for other in {*files_below(study.folder / path)} - named:
                if other.name != FOLDER_DATE:
                    remove_file(other)


def put_record(study: Study, task: Task, record: Record) -> str:
    """Write the record of a task in its place and return the digest of its file."""
    place = study.folder / task.record
    write_record(place, record)
    return sha256_of_file(place)


# --- how it ended ------------------------------------------------------------------------------

_EXIT_CODES = {"done": 0, "restored": 0, "input_fault": 2, "failed": 1}


@dataclass(frozen=True)
class Ended:
    """How a task ended.

    Attributes
    ----------
    outcome
        ``done``, ``restored``, ``input_fault`` or ``failed``.
    message
        What there is to say about it.
    key
        The key of its result.
    record
        Digest of the record's own file.
    """

    outcome: str
    message: str = ""
    key: str | None = None
    record: str | None = None

    @property
    def exit_code(self) -> int:
        """0 if it ended well, 2 if the user's input is at fault, 1 if the stage failed."""
        return _EXIT_CODES[self.outcome]


def problems_file(folder: Path, task: Task) -> Path:
    """Return where a task at fault with the user's input leaves its problems."""
    return folder / LOGS / f"{task.name}.problems.json"


class TaskRun:
    """A task at work in this process: notes when it began and how it ended.

    Parameters
    ----------
    folder
        The study folder.
    run
        Id of the run.
    task
        The task.
    """

    def __init__(self, folder: Path, run: str, task: Task) -> None:
        self._folder, self._run, self._task = folder, run, task
        self._started, self._clock = events.now(), time.perf_counter()

    def begin(self) -> None:
        """Note that the task has begun; what it found wrong before counts no longer."""
        events.append_progress(self._folder, self._run, task=self._task.name, state="started")
        remove_file(problems_file(self._folder, self._task))

    def end(self, ended: Ended, threads: str | None = None, kernel: str | None = None) -> None:
        """Write the event of the task, and note its end in the progress of the run.

        Parameters
        ----------
        ended
            How the task ended.
        threads, kernel
            How linear algebra was set up, where any was used.
        """
        name = self._task.name
        seconds = round(time.perf_counter() - self._clock, 4)
        event = {
            "task": name,
            "rule": self._task.rule,
            "session": self._task.session,
            "run": self._run,
            "started": self._started,
            "seconds": seconds,
            "peak_bytes": peak_memory_bytes(),
            "outcome": ended.outcome,
            "message": ended.message,
            "key": ended.key,
            "record": ended.record,
            "log": f"{LOGS}/{name}.log",
            "threads": threads,
            "kernel": kernel,
        }
        events.write_event(self._folder, self._run, name, event)
        events.append_progress(
            self._folder, self._run, task=name, state=ended.outcome, seconds=seconds
        )


# --- doing it ---------------------------------------------------------------------------------


def main(arguments: list[str] | None = None) -> int:
    """Do one task in the current folder and return the exit code."""
    rule, *rest = sys.argv[1:] if arguments is None else arguments
    task = Task(rule, rest[0] if rest else None)
    faulthandler.enable()  # a crash inside a library leaves its place in the task's log
    die_with_parent()
    folder = Path.cwd()
    run = os.environ.get(events.RUN_VARIABLE) or events.new_run_id()
    task_run = TaskRun(folder, run, task)
    try:
        task_run.begin()
        ended = _attempted(folder, task)
    except InputFault as fault:
        # A link where the problem itself would be written.
        print(fault, file=sys.stderr)  # noqa: T201
        return 2
    kernel = _blas_kernel() if ended.outcome == "done" else None
    try:
        task_run.end(ended, os.environ.get("OPENBLAS_NUM_THREADS"), kernel)
    except (OSError, InputFault) as error:
        print(f"the event could not be written: {error}", file=sys.stderr)  # noqa: T201
        return ended.exit_code or 1
    return ended.exit_code


def _attempted(folder: Path, task: Task) -> Ended:
    try:
        return _do(folder, task)
    except InputFault as fault:
        problems = [problem.as_dict() for problem in fault.problems]
        write_json(problems_file(folder, task), problems)
        print(fault, file=sys.stderr)  # noqa: T201
        return Ended("input_fault", fault.problems[0].sentence())
    except (StageFailure, OSError, MemoryError) as error:
        traceback.print_exc()
        return Ended("failed", _plain(error))
    except Exception as error:  # noqa: BLE001  the log keeps the traceback, the user the sentence
        traceback.print_exc()
        return Ended("failed", f"{type(error).__name__}: {error}")


def _plain(error: Exception) -> str:
    if isinstance(error, MemoryError):
        return "not enough memory"
    if isinstance(error, OSError) and error.strerror:
        name = f" ({Path(str(error.filename)).name})" if error.filename else ""
        return f"{error.strerror}{name}"
    return str(error)


def _do(folder: Path, task: Task) -> Ended:
    refuse_links(folder)
    study = read_study(folder, os.environ.get(VARIANT_VARIABLE) or None)
    job = job_of(study, task)
    try:
        ended = _done(study, task, job)
    except InputFault as fault:
        raise InputFault(with_own_names(fault.problems, folder, study.definition)) from fault
    date_no_later_than_now(job)
    return ended


def date_no_later_than_now(job: Job) -> None:
    """Give results that were read and are dated in the future, when the clock was, today's date.

    Snakemake takes back what a task wrote if a file it read is dated later, as after a clock was
    set back or a folder came from a machine that was ahead.
    """
    now = time.time()
    for path in job.inputs.values():
        ours = path.is_relative_to(job.folder / "results") or path.is_relative_to(
            job.folder / "records"
        )
        if ours and path.stat().st_mtime > now:
            os.utime(path, (now, now))


def _done(study: Study, task: Task, job: Job) -> Ended:
    digests = input_digests(job)
    key = key_of(job.rule, job.session, job.settings, digests, code_of_task(task))
    store = ContentStore(study.folder)
    kept = store.restore(key, outputs(task).values(), _log) if may_use_store() else None
    if kept is not None:
        clear_folders(study, task, kept)
        return Ended("restored", key=key, record=put_record(study, task, kept))
    clear_folders(study, task)
    record = _compute(job, task, digests)
    told = put_record(study, task, record)
    if may_use_store():
        store.keep(record)
    return Ended("done", key=key, record=told)


def _log(words: str) -> None:
    """Say something in the task's log, which holds what the step prints."""
    print(words, file=sys.stderr)  # noqa: T201


def _compute(job: Job, task: Task, digests: dict[str, str]) -> dict[str, Any]:
    stage: Stage = importlib.import_module(BY_NAME[task.rule].module).run
    outcome = stage(replace(job, digests=digests))
    after = input_digests(job)
    for role, digest in digests.items():
        if after[role] != digest:
            raise InputFault(
                Problem(
                    file=job.shown(job.inputs[role]),
                    found="a file that changed while it was read",
                    expected="files that stand still during a run",
                    mend="Wait until the copy has ended, then run again.",
                )
            )
    return make_record(job, digests, code_of_task(task), version(), outcome)


def die_with_parent() -> None:
    """Ask the kernel to end this process with the one that started it: no orphan goes on writing.

    A parent that died before the kernel was asked is noticed by its number.
    """
    end_with_parent(at_once=True)
    if os.environ.get(PARENT_VARIABLE, str(os.getppid())) != str(os.getppid()):
        sys.exit("the run that started this has ended")
    if events.RUN_VARIABLE in os.environ:
        os.environ[PARENT_VARIABLE] = str(os.getpid())


def _blas_kernel() -> str | None:
    """Return the kernel that NumPy's linear algebra chose, if NumPy was loaded at all."""
    if "numpy" not in sys.modules:
        return None
    from threadpoolctl import threadpool_info

    # Libraries of threads are listed as well, in any order; they have no kernel.
    kernels = [info["architecture"] for info in threadpool_info() if info.get("architecture")]
    return str(kernels[0]) if kernels else None


if __name__ == "__main__":
    sys.exit(main())
