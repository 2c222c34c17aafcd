"""One task, done in a process of its own: ``python -m leafledger.runner.step RULE [SESSION]``.

The process is started by a Snakemake rule in the study folder. It restores the result from the
content store or computes it, then writes the record and the event.
"""

from __future__ import annotations

import ctypes
import faulthandler
import importlib
import os
import signal
import sys
import time
import traceback
from dataclasses import replace
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, StageFailure
from leafledger.records import events
from leafledger.records.job import Job, Stage
from leafledger.records.record import input_digests, key_of, make_record
from leafledger.records.store import ContentStore
from leafledger.runner.ended import Attempt, Ended, problems_file
from leafledger.runner.jobs import code_of_task, job_of
from leafledger.runner.restore import may_use_store, put_record
from leafledger.study.layout import BY_NAME, Task, outputs
from leafledger.study.links import refuse_links
from leafledger.study.reading import read_study
from leafledger.study.sheets import with_own_names
from leafledger.study.study import Study
from leafledger.study.tables import write_json

PARENT_VARIABLE = "LEAFLEDGER_PARENT"
VARIANT_VARIABLE = "LEAFLEDGER_VARIANT"
"""Names the variant whose settings hold, for the children of a run of ours; empty for none."""
_PR_SET_PDEATHSIG = 1


def main(arguments: list[str] | None = None) -> int:
    """Do one task in the current folder and return the exit code."""
    rule, *rest = sys.argv[1:] if arguments is None else arguments
    task = Task(rule, rest[0] if rest else None)
    faulthandler.enable()  # a crash inside a library leaves its place in the task's log
    die_with_parent()
    folder = Path.cwd()
    run = os.environ.get(events.RUN_VARIABLE) or events.new_run_id()
    attempt = Attempt(folder, run, task)
    try:
        attempt.begin()
        ended = _attempted(folder, task)
    except InputFault as fault:
        # A link where the problem itself would be written.
        print(fault, file=sys.stderr)  # noqa: T201
        return 2
    kernel = _blas_kernel() if ended.outcome == "done" else None
    try:
        attempt.end(ended, os.environ.get("OPENBLAS_NUM_THREADS"), kernel)
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
        return Ended("restored", key=key, record=put_record(study, task, kept))
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
    from leafledger.records.package import version

    return make_record(job, digests, code_of_task(task), version(), outcome)


def die_with_parent() -> None:
    """Ask the kernel to end this process with the one that started it: no orphan goes on writing.

    A parent that died before the kernel was asked is noticed by its number.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
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
