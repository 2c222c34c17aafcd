"""What does SLURM say: is it there, which jobs of a study does it hold, how did one end?

It is asked through its own commands: ``scontrol`` and ``squeue`` know the jobs of the last minutes,
``sacct`` older ones where there is an accounting database. Another scheduler has other commands;
of its jobs nothing is known but what they wrote into the study.
"""

from __future__ import annotations

import getpass
import importlib.util
import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import Problem

JOB_NAMES = "leafledger"
"""Begin of the names of all our jobs (``slurm-jobname-prefix`` of the profile)."""
SLURM_LOGS = "logs/slurm"
_PATIENCE_S = 30.0

# --- asking ---------------------------------------------------------------------------------------


def _answer(*command: str) -> str | None:
    """Return what a command of SLURM prints, ``None`` if it is not there, or fails."""
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, timeout=_PATIENCE_S
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 else None


def path_problems() -> list[Problem]:
    """Return a problem if ordinary commands that a run starts are not on this machine's ``PATH``.

    Snakemake starts every task by a shell; its plugin for SLURM, where it is installed, asks
    ``which`` for commands as soon as Snakemake is loaded, whatever the profile.
    """
    names = ["bash", "env"]
    if importlib.util.find_spec("snakemake_executor_plugin_slurm") is not None:
        names.append("which")
    missing = [name for name in names if shutil.which(name) is None]
    if not missing or os.name != "posix":
        return []
    named = ", ".join(f"`{name}`" for name in missing)
    return [
        Problem(
            file="PATH",
            found=f"no command {named} on the PATH",
            expected="the ordinary commands of the system, by which Snakemake starts every task",
            mend="Add their folders, as in `export PATH=$PATH:/usr/bin:/bin`, and see what sets "
            "PATH otherwise (a job's script, a line in your shell's start file); a command that is "
            "nowhere is installed with the system's packages.",
        )
    ]


def scheduler_problems() -> list[Problem]:
    """Return what keeps this machine from handing jobs to SLURM, each with how to mend it."""
    missing = [name for name in ("sbatch", "squeue", "scancel") if shutil.which(name) is None]
    if missing:
        return [
            Problem(
                file="--profile",
                found=f"no {missing[0]} on this machine",
                expected="the commands of SLURM, which hand jobs to the cluster",
                mend="Run it on the cluster's login node; some need `module load slurm` first. "
                "Without --profile the study runs on this machine alone.",
            )
        ]
    if _answer("squeue", "--noheader", "--user", _user()) is None:
        return [
            Problem(
                file="--profile",
                found="a SLURM controller that does not answer",
                expected="an answer to `squeue`",
                mend="`scontrol ping` says whether it is up; run again once it is. Without "
                "--profile the study runs on this machine alone.",
            )
        ]
    return []


def _user() -> str:
    return getpass.getuser()


def accounting_is_off() -> bool:
    """Tell whether SLURM keeps no account of jobs that ended: ``sacct`` then knows none of them."""
    configuration = _answer("scontrol", "show", "config") or ""
    return bool(
        re.search(r"AccountingStorageType\s*=\s*(accounting_storage/none|\(null\))", configuration)
    )


# --- the jobs of a study --------------------------------------------------------------------------


@dataclass(frozen=True)
class QueuedJob:
    """A job that SLURM holds.

    Attributes
    ----------
    id
        Its number.
    state
        ``PENDING``, ``RUNNING`` or another word of SLURM.
    reason
        Why it waits, in SLURM's words.
    """

    id: str
    state: str
    reason: str

    @property
    def waits(self) -> bool:
        """Whether it has not begun."""
        return self.state == "PENDING"


def jobs_of_study(folder: Path) -> list[QueuedJob]:
    """Return the jobs of a study that wait or run; none where there is no SLURM."""
    if shutil.which("squeue") is None:
        return []
    answer = _answer("squeue", "--noheader", "--user", _user(), "--format=%i|%T|%j|%r|%Z")
    jobs = []
    for line in (answer or "").splitlines():
        number, state, name, reason, job_folder = (line.strip().split("|", 4) + [""] * 4)[:5]
        if name.startswith(JOB_NAMES) and job_folder == str(folder):
            jobs.append(QueuedJob(number, state, reason))
    return jobs


def cancel_jobs(folder: Path, patience_s: float = _PATIENCE_S) -> list[str]:
    """Cancel all jobs of a study and wait until they have ended.

    Returns
    -------
    list of str
        The numbers of those that were cancelled.
    """
    cancelled = [job.id for job in jobs_of_study(folder)]
    if not cancelled:
        return []
    _answer("scancel", *cancelled)
    until = time.monotonic() + patience_s
    while jobs_of_study(folder) and time.monotonic() < until:
        time.sleep(0.5)
    return cancelled


def still_queued(folder: Path) -> Problem | None:
    """Return a problem if SLURM holds jobs of a run that has died, ``None`` if it holds none."""
    jobs = jobs_of_study(folder)
    if not jobs:
        return None
    ids = " ".join(job.id for job in jobs)
    waiting = sum(job.waits for job in jobs)
    count = "1 job" if len(jobs) == 1 else f"{len(jobs)} jobs"
    return Problem(
        file=SLURM_LOGS,
        found=f"{count} of a run that has died ({len(jobs) - waiting} at work, {waiting} waiting: "
        f"{ids})",
        expected="no job of the study in the queue when a run begins",
        mend=f"Wait until they have ended: what they finish is used. Or end them: `scancel {ids}`. "
        "Then run again.",
    )


def why_all_wait(folder: Path) -> str | None:
    """Say why no job of a study runs, if all of them wait for something that may not come."""
    jobs = jobs_of_study(folder)
    if not jobs or not all(job.waits for job in jobs):
        return None
    reasons = dict.fromkeys(job.reason for job in jobs)
    return f"the cluster has not begun any of {len(jobs)} jobs yet ({', '.join(reasons)})"


# --- how a job ended ------------------------------------------------------------------------------

_KILLED_FOR_MEMORY = re.compile(
    r"oom[-_ ]kill|out of memory|exceeded (?:job|step) memory limit|memory limit", re.IGNORECASE
)
_KILLED_FOR_TIME = re.compile(r"DUE TO TIME LIMIT", re.IGNORECASE)
_LOST = {"NODE_FAIL", "BOOT_FAIL"}


@dataclass(frozen=True)
class JobEnd:
    """How a job ended, as far as SLURM knows.

    Attributes
    ----------
    id
        Its number.
    state
        SLURM's word; empty if it does not know the job any more.
    node
        Where it ran.
    memory
        What it asked for, in SLURM's form, such as ``1936M``.
    limit
        The time that it asked for, ``hours:minutes:seconds``.
    log
        What SLURM itself wrote of it; ``None`` without a file.
    """

    id: str
    state: str = ""
    node: str = ""
    memory: str = ""
    limit: str = ""
    log: str | None = None

    @property
    def for_memory(self) -> bool:
        """Whether it was killed for memory."""
        return self.state == "OUT_OF_MEMORY" or bool(_KILLED_FOR_MEMORY.search(self.log or ""))

    @property
    def for_time(self) -> bool:
        """Whether it was killed for time."""
        return self.state in {"TIMEOUT", "DEADLINE"} or bool(
            _KILLED_FOR_TIME.search(self.log or "")
        )

    @property
    def is_cut(self) -> bool:
        """Whether it did not end by itself: it was killed or lost, or its node sees no study."""
        cut = self.state in {*_LOST, "CANCELLED", "PREEMPTED"} or self.for_memory or self.for_time
        return cut or (self.log is None and self.state == "FAILED")

    def words(self) -> str:
        """Return how it ended, for a person, to follow the names of its tasks."""
        job = f"job {self.id} on {self.node}" if self.node else f"job {self.id}"
        if self.for_time:
            return f"killed for time ({job} asked for {self.limit or 'a time it did not state'})"
        if self.state in _LOST:
            return f"lost with its node ({job})"
        if self.for_memory:
            return f"killed for memory ({job} asked for {_megabytes(self.memory)})"
        if self.state == "CANCELLED":
            return f"cancelled from outside (scancel; {job})"
        if self.state == "PREEMPTED":
            return f"put aside for another job (preempted; {job})"
        if self.log is None and self.state:
            return (
                f"ended without a trace ({job}, {self.state}): that node may not see the study "
                "folder, which must stand on a file system that all nodes share"
            )
        return f"ended from outside ({job}, {self.state or 'of which SLURM knows no more'})"


def _megabytes(text: str) -> str:
    """Return memory in SLURM's form for a person.

    Examples
    --------
    >>> [_megabytes(text) for text in ("1936M", "2G", "")]
    ['1936 MB', '2048 MB', 'an amount it did not state']
    """
    match = re.fullmatch(r"([\d.]+)([KMGT]?)[cn]?", text)
    if match is None:
        return text or "an amount it did not state"
    factor = {"K": 1 / 1024, "": 1, "M": 1, "G": 1024, "T": 1024**2}[match[2]]
    return f"{float(match[1]) * factor:.0f} MB"


def ends_of(folder: Path, ids: Iterable[str]) -> list[JobEnd]:
    """Return how jobs ended, in the order of their numbers."""
    return [_end_of(folder, number) for number in sorted({*ids}, key=_as_number)]


def _as_number(text: str) -> tuple[int, str]:
    digits = re.match(r"\d+", text)
    return (int(digits[0]) if digits else 0), text


def _end_of(folder: Path, number: str) -> JobEnd:
    log = _log_of(folder, number)
    description = _answer("scontrol", "show", "job", "-o", number)
    if description:
        fields = dict(word.split("=", 1) for word in description.split() if "=" in word)
        memory = fields.get("MinMemoryNode") or fields.get("MinMemoryCPU") or ""
        node = fields.get("NodeList", "").replace("(null)", "")
        return JobEnd(
            number, fields.get("JobState", ""), node, memory, fields.get("TimeLimit", ""), log
        )
    columns = "State,NodeList,ReqMem,Timelimit"
    kept = _answer("sacct", "-X", "-n", "-P", "-j", number, f"--format={columns}")
    if kept and kept.count("|") >= 3:
        state, node, memory, limit = kept.splitlines()[0].split("|")[:4]
        return JobEnd(number, state.split()[0], node, memory, limit, log)
    return JobEnd(number, log=log)


def _log_of(folder: Path, number: str) -> str | None:
    log_file = next((folder / SLURM_LOGS).rglob(f"{number}.log"), None)
    try:
        return None if log_file is None else log_file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None


# --- what Snakemake's plugin wrote of its jobs ----------------------------------------------------

_REFUSED = re.compile(r"SLURM sbatch failed\. The error message was '(.*?)'\.\n", re.DOTALL)
_FAILED = re.compile(r"SLURM-job '(\S+?)' failed")


@dataclass(frozen=True)
class PluginLog:
    """What the log of Snakemake says of the jobs that it handed to SLURM.

    Attributes
    ----------
    refused
        What SLURM said to jobs that it did not take, each once.
    failed
        Numbers of the jobs that did not end well.
    """

    refused: Sequence[str]
    failed: Sequence[str]


def read_plugin_log(text: str) -> PluginLog:
    r"""Read what the log of Snakemake says.

    Examples
    --------
    >>> text = "SLURM sbatch failed. The error message was 'sbatch: error: no such part'.\n"
    >>> read_plugin_log(text + "SLURM-job '17' failed, SLURM status is: 'TIMEOUT'.")
    PluginLog(refused=('no such part',), failed=('17',))
    """
    refused = [
        " ".join(line.removeprefix("sbatch: error: ") for line in words.splitlines())
        for words in _REFUSED.findall(text)
    ]
    return PluginLog(tuple(dict.fromkeys(refused)), tuple(dict.fromkeys(_FAILED.findall(text))))
