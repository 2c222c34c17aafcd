"""One task: its job and its key, and doing it in a process of its own.

``python -m leafledger.runner.step RULE [SESSION]`` is started by a Snakemake rule in the study
folder. The run has handed it its settings and inputs; started by hand, it reads the study. It
restores the result from the content store or computes it, then writes the record and the event. A
job on another machine is given its run by arguments, never by the environment.
"""

from __future__ import annotations

import argparse
import base64
import faulthandler
import importlib
import json
import os
import platform
import sys
import time
import traceback
from collections.abc import Iterable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, StageFailure
from leafledger.platforms import end_with_parent, peak_memory_bytes
from leafledger.records import events
from leafledger.records.digests import (
    Code,
    code_of,
    files_below,
    sha256_of_file,
    sha256_of_value,
    version,
)
from leafledger.records.record import (
    Job,
    Record,
    Stage,
    input_digests,
    key_of,
    make_record,
    read_record,
    write_record,
)
from leafledger.records.store import NO_STORE_VARIABLE as NO_STORE_VARIABLE
from leafledger.records.store import ContentStore
from leafledger.records.store import may_use_store as may_use_store
from leafledger.runner.lease import JobAtWork, is_current
from leafledger.study.definition_file import definition_of
from leafledger.study.reading import HandedJob, Rests, hand_job, handed_job, read_study
from leafledger.study.rules import BY_NAME, LOGS
from leafledger.study.settings import SHEET_ROWS, settings_of
from leafledger.study.sheets import with_own_names, with_scan_sheet
from leafledger.study.study import Study, Task, inputs, outputs
from leafledger.study.table_files import refuse_links, remove_file, write_json

PARENT_VARIABLE = "LEAFLEDGER_PARENT"
VARIANT_VARIABLE = "LEAFLEDGER_VARIANT"
"""Names the variant whose settings hold, for the children of a run of ours; empty for none."""
FOLDER_DATE = ".snakemake_timestamp"
"""Snakemake's file by whose date it judges a folder; it makes it, we date it like the folder."""


# --- what a job on another machine is told of its run ---------------------------------------------

JOB_CONFIG = "leafledger_job"
"""Key of Snakemake's ``--config``, which it hands on to its jobs, under which `GivenRun` stands."""
_SEEN_LATE_S = 70.0
"""Seconds after which every machine sees a new file: network file systems remember for a minute."""
_FAILS_AGAIN = "fails_again"
"""Key of an event: the task failed by its data, not by the machine."""


@dataclass(frozen=True)
class GivenRun:
    """What a job is told of its run, by arguments of the command that the scheduler starts.

    Attributes
    ----------
    run
        Id of the run.
    token
        Token of the lease under which the run holds the study.
    folder
        The study folder, absolute.
    variant
        The variant at work; ``None`` for the study as stated.
    use_store
        Whether results of earlier settings may be restored.
    """

    run: str
    token: str
    folder: str
    variant: str | None = None
    use_store: bool = True

    def text(self) -> str:
        """Return it as one word of letters and digits, which no shell takes for anything else."""
        value = json.dumps(asdict(self), sort_keys=True).encode("utf-8")
        return base64.urlsafe_b64encode(value).decode("ascii").rstrip("=")

    @staticmethod
    def of_text(text: str) -> GivenRun | None:
        """Return what `text` wrote; ``None`` for anything else."""
        try:
            value = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
            return GivenRun(**value)
        except (ValueError, TypeError):
            return None

    def arguments(self) -> list[str]:
        """Return the options of a step."""
        options = ["--run", self.run, "--token", self.token]
        options += [] if self.variant is None else ["--variant", self.variant]
        return options if self.use_store else [*options, "--no-store"]

    def hold_for_children(self) -> None:
        """Let this process, and what it starts, know no other run, whatever it was started with."""
        os.environ[events.RUN_VARIABLE] = self.run
        os.environ[VARIANT_VARIABLE] = self.variant or ""
        os.environ[NO_STORE_VARIABLE] = "" if self.use_store else "1"
        os.environ.pop(PARENT_VARIABLE, None)  # of another machine

    def why_not_here(self, folder: Path) -> str | None:
        """Say why a job cannot work in this folder, ``None`` if it can."""
        here = platform.node()
        if not (folder / "study.yaml").is_file() or str(folder) != self.folder:
            return (
                f"{here} does not see the study folder {self.folder}: it stands on a disk that "
                "jobs cannot reach. Copy the study to a file system that all nodes share, then run "
                "it there."
            )
        if not is_current(folder, self.token, _SEEN_LATE_S):
            return (
                f"the run that started this job ({self.run}) no longer holds the study; "
                f"{here} does nothing"
            )
        return None


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


def _absolute(folder: Path, files: Mapping[str, str]) -> dict[str, Path]:
    return {role: folder / path for role, path in files.items()}


def code_of_task(task: Task) -> Code:
    """Return the digest of the code that a task runs."""
    return code_of(BY_NAME[task.rule].module)


def key_value(study: Study, task: Task, own_digests: dict[str, str | None]) -> dict[str, Any]:
    """Return what Snakemake is told of a task: settings, code, digests of the user's own files.

    It writes that down with every file, so that of rows of sheets it is told the digest alone.
    """
    code = code_of_task(task)
    settings = settings_of(study, task.rule, task.session)
    rows = {name: sha256_of_value(settings[name]) for name in SHEET_ROWS & settings.keys()}
    seen: dict[str, Any] = {
        "settings": {**settings, **rows},
        "code": code.sha256,
        "libraries": code.libraries,
    }
    if own_digests:
        seen["own_files"] = sorted(own_digests.items())
    return seen


def hand_jobs(study: Study, run: str, among: Iterable[Task], rests: Rests | None) -> None:
    """Write the jobs of tasks, so that their steps need not read the study's sheets.

    Parameters
    ----------
    study, run
        The study and the run.
    among
        The tasks that are about to be started.
    rests
        On which bytes the study rests, from :func:`leafledger.study.reading.read_study_at_rest`;
        nothing is written if that is not known.
    """
    for task in among if rests is not None else ():
        job = HandedJob(settings_of(study, task.rule, task.session), inputs(study, task))
        hand_job(study, run, task.name, rests or {}, job)


def _own_job(folder: Path, run: str, task: Task, variant: str | None) -> Job:
    """Return the job that the run handed to this task, or that of the study as it is now."""
    handed = handed_job(folder, run, task.name, variant)
    if handed is None:
        return job_of(read_study(folder, variant), task)
    return Job(
        rule=task.rule,
        session=task.session,
        settings=handed.settings,
        inputs=_absolute(folder, handed.inputs),
        outputs=_absolute(folder, outputs(task)),
        folder=folder,
    )


def clear_folders(folder: Path, task: Task, record: Record | None = None) -> None:
    """Remove from the folders that a task owns what another version of it has left there.

    Parameters
    ----------
    folder, task
        The study folder and the task.
    record
        Names the files that stay; none do, if left out.
    """
    named = {folder / output["path"] for output in record["outputs"]} if record else set()
    for path in outputs(task).values():
        if path.endswith("/"):
            for other in {*files_below(folder / path)} - named:
                if other.name != FOLDER_DATE:
                    remove_file(other)


def put_record(folder: Path, task: Task, record: Record) -> str:
    """Write the record of a task in its place and return the digest of its file."""
    path = folder / task.record
    write_record(path, record)
    return sha256_of_file(path)


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
    of_machine
        Whether it failed by the machine, such as for lack of memory: it may end well on another.
    """

    outcome: str
    message: str = ""
    key: str | None = None
    record: str | None = None
    of_machine: bool = False

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
    elsewhere
        Whether it works on another machine than the run.
    """

    def __init__(self, folder: Path, run: str, task: Task, elsewhere: bool = False) -> None:
        self._folder, self._run, self._task = folder, run, task
        self._part = task.name if elsewhere else None
        self._started, self._clock = events.now(), time.perf_counter()

    def begin(self) -> None:
        """Note that the task has begun; what it found wrong before counts no longer."""
        events.append_progress(
            self._folder, self._run, self._part, task=self._task.name, state="started"
        )
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
        if ended.exit_code and not ended.of_machine:
            event[_FAILS_AGAIN] = True
        events.write_event(self._folder, self._run, name, event)
        events.append_progress(
            self._folder, self._run, self._part, task=name, state=ended.outcome, seconds=seconds
        )


# --- doing it ---------------------------------------------------------------------------------


def main(arguments: list[str] | None = None) -> int:
    """Do one task in the current folder and return the exit code."""
    task, given = _asked(sys.argv[1:] if arguments is None else arguments)
    faulthandler.enable()  # a crash inside a library leaves its place in the task's log
    folder = Path.cwd()
    if given is None:
        die_with_parent()
        return _do_and_tell(folder, task, elsewhere=False)
    given.hold_for_children()
    die_with_parent()
    if why := given.why_not_here(folder):
        _log(f"leafledger: {why}")
        return 1
    if (code := _ended_before(folder, given.run, task)) is not None:
        _log(f"leafledger: {task.name} has failed in this run and would fail again")
        return code
    warn_of_clock(folder, given.run, task)
    at_work: AbstractContextManager[object] = JobAtWork(folder, given.token, task.name)
    with at_work if given.token else nullcontext():
        return _do_and_tell(folder, task, elsewhere=True)


def _asked(arguments: list[str]) -> tuple[Task, GivenRun | None]:
    parser = argparse.ArgumentParser(prog="leafledger.runner.step", allow_abbrev=False)
    parser.add_argument("rule")
    parser.add_argument("session", nargs="?")
    for option in ("--run", "--token", "--variant"):
        parser.add_argument(option)
    parser.add_argument("--no-store", action="store_true")
    options = parser.parse_args(arguments)
    task = Task(options.rule, options.session)
    if options.run is None:
        return task, None
    folder = str(Path.cwd())
    return task, GivenRun(options.run, options.token, folder, options.variant, not options.no_store)


def _ended_before(folder: Path, run: str, task: Task) -> int | None:
    """Return how a task failed before in the same run, if it would fail in the same way again.

    A scheduler's job is tried twice: it may have been killed, or its node lost.
    """
    event = next((e for e in events.events_of(folder, run) if e["task"] == task.name), None)
    if event is None or not event.get(_FAILS_AGAIN):
        return None
    return _EXIT_CODES[event["outcome"]]


_CLOCK_S = 10.0


def warn_of_clock(folder: Path, run: str, task: Task) -> None:
    """Say once for a machine if its clock differs from that by which the study's files are dated.

    Nothing rests on it: results are judged by their content. Only times of the book look odd.
    """
    seen = events.progress_file(folder, run, task.name)
    try:
        events.append_progress(folder, run, task.name, task=task.name, on=platform.node())
        ahead = time.time() - seen.stat().st_mtime
    except OSError:
        return  # the disk is full; the task says so
    if abs(ahead) > _CLOCK_S:
        what = "ahead of" if ahead > 0 else "behind"
        events.append_progress(
            folder,
            run,
            task.name,
            note=f"the clock of {platform.node()} is {abs(ahead):.0f} s {what} that of the study's "
            "disk: results are the same, times in the book of runs are not to be compared",
        )


def _do_and_tell(folder: Path, task: Task, elsewhere: bool) -> int:
    run = os.environ.get(events.RUN_VARIABLE) or events.new_run_id()
    task_run = TaskRun(folder, run, task, elsewhere)
    try:
        task_run.begin()
        ended = _attempted(folder, run, task)
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


def _attempted(folder: Path, run: str, task: Task) -> Ended:
    try:
        return _do(folder, run, task)
    except InputFault as fault:
        problems = [problem.as_dict() for problem in fault.problems]
        write_json(problems_file(folder, task), problems)
        print(fault, file=sys.stderr)  # noqa: T201
        return Ended("input_fault", fault.problems[0].sentence())
    except StageFailure as error:
        traceback.print_exc()
        return Ended("failed", _plain(error))
    except (OSError, MemoryError) as error:
        traceback.print_exc()
        return Ended("failed", _plain(error), of_machine=True)
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


def _do(folder: Path, run: str, task: Task) -> Ended:
    refuse_links(folder)
    variant = os.environ.get(VARIANT_VARIABLE) or None
    job = _own_job(folder, run, task, variant)
    try:
        ended = _done(task, job)
    except InputFault as fault:
        definition = with_scan_sheet(folder, definition_of(folder, variant)[0], [])
        raise InputFault(with_own_names(fault.problems, folder, definition)) from fault
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


def _done(task: Task, job: Job) -> Ended:
    digests = input_digests(job)
    key = key_of(job.rule, job.session, job.settings, digests, code_of_task(task))
    store = ContentStore(job.folder)
    before = read_record(job.folder / task.record)
    if before is not None and may_use_store():
        store.set_aside(before)
    kept = store.restore(key, outputs(task).values(), _log) if may_use_store() else None
    if kept is not None:
        clear_folders(job.folder, task, kept)
        return Ended("restored", key=key, record=put_record(job.folder, task, kept))
    clear_folders(job.folder, task)
    record = _compute(job, task, digests)
    record_digest = put_record(job.folder, task, record)
    if may_use_store():
        store.keep(record)
    return Ended("done", key=key, record=record_digest)


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
