"""How does a study run on a cluster: the profile, its jobs, and what becomes of those that are cut?

A profile is Snakemake's own: a folder with a ``config.yaml`` that names an executor and how it is
to be used. Snakemake's command line reads it, here as when a person calls it. All tasks before the
report go to the cluster in one call, as far as they must run or may have to; a task whose inputs
come out as before takes its result from the content store there.
"""

from __future__ import annotations

import importlib.util
import io
import signal
import subprocess
import time
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import redirect_stderr, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from leafledger.errors import InputFault, Problem, nearest
from leafledger.platforms import end_group, keeping_sigterm
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.runner.lease import Owner, jobs_cut_off
from leafledger.runner.outdated import outdated
from leafledger.runner.scheduler import (
    JOB_NAMES,
    SLURM_LOGS,
    JobEnd,
    accounting_is_off,
    cancel_jobs,
    ends_of,
    path_problems,
    read_plugin_log,
    scheduler_problems,
)
from leafledger.runner.step import JOB_CONFIG, GivenRun
from leafledger.runner.workflow import SMALL, StudyWorkflow, snakefile
from leafledger.study.rules import LOGS, RULES
from leafledger.study.study import Study, Task, inputs, outputs, tasks
from leafledger.study.table_files import remove_folder

_SLURM = "slurm"
_PLUGIN = "snakemake_executor_plugin_{}"
_LOCAL = frozenset({"", "local"})
_JOBS = 50
_SMALLEST_GROUPS = {SMALL: 1000, "measuring": 10, "indices": 20}
_ATTEMPTS = 2
_PATIENCE_S = 20.0

# --- profiles -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Profile:
    """A profile that can be used.

    Attributes
    ----------
    file
        Its ``config.yaml``.
    executor
        The executor that it names; empty for this machine.
    """

    file: Path
    executor: str

    @property
    def is_local(self) -> bool:
        """Whether it runs tasks on this machine."""
        return self.executor in _LOCAL

    @property
    def is_slurm(self) -> bool:
        """Whether SLURM runs its jobs."""
        return self.executor == _SLURM


def _shipped() -> Path:
    """Return the folder of the profiles that come with the package."""
    return snakefile().parent / "workflow" / "profiles"


def shipped_profiles() -> list[str]:
    """Return the names of the profiles that come with the package."""
    return sorted(path.parent.name for path in _shipped().glob("*/config.yaml"))


def open_profile(name: str) -> Profile:
    """Find a profile and read it whole, so that a run does not begin with one that cannot be used.

    Parameters
    ----------
    name
        A folder or file, or the name of one: those of a person (where Snakemake looks for them)
        stand over those that come with the package.

    Raises
    ------
    InputFault
        If there is none, it cannot be read, or what it asks for is not there.
    """
    if problems := path_problems():
        raise InputFault(problems)
    file = _find(name)
    settings = _settings(file)
    executor = str(settings.get("executor") or "")
    profile = Profile(file, executor)
    problems = _executor_problems(profile) or _argument_problems(profile)
    if problems:
        raise InputFault(problems)
    return profile


def _find(name: str) -> Path:
    from snakemake.cli import get_profile_dir

    profile_location = get_profile_dir(name) if name else None
    shipped = _shipped() / name / "config.yaml"
    if profile_location is not None:
        return Path(profile_location[1]).resolve()
    if name and Path(name).name == name and shipped.is_file():
        return shipped
    shipped_names = ", ".join(shipped_profiles())
    raise InputFault(
        Problem(
            file="--profile",
            found=f'no profile "{name}"',
            expected=f"a folder that holds a config.yaml, or one of {shipped_names}",
            mend="Name one of these, or the path of your own: docs/cluster.md shows how to make it "
            "from that for SLURM.",
        )
    )


def _settings(file: Path) -> Mapping[str, Any]:
    try:
        value = yaml.safe_load(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
        mark = getattr(error, "problem_mark", None)
        what = getattr(error, "problem", None) or getattr(error, "strerror", None) or "no text"
        raise InputFault(
            Problem(
                file=file.as_posix(),
                row=mark.line + 1 if mark is not None else None,
                found=f"a profile that cannot be read ({what})",
                expected="lines of `option: value`, as YAML",
                mend="Mend that line; the profile that comes with leafledger is an example.",
            )
        ) from error
    if not isinstance(value, Mapping):
        raise InputFault(
            Problem(
                file=file.as_posix(),
                found="a profile without options",
                expected="lines of `option: value`, such as `executor: slurm`",
                mend="Copy the profile that comes with leafledger and change that.",
            )
        )
    return value


def _executor_problems(profile: Profile) -> list[Problem]:
    if profile.is_local:
        return []
    package = _PLUGIN.format(profile.executor.replace("-", "_"))
    if importlib.util.find_spec(package) is None:
        install = (
            'pip install "leafledger[slurm]"'
            if profile.is_slurm
            else f"pip install {package.replace('_', '-')}"
        )
        return [
            Problem(
                file=profile.file.as_posix(),
                column="executor",
                found=f'"{profile.executor}", whose plugin of Snakemake is not installed',
                expected=f"the package {package.replace('_', '-')}",
                mend=f"Install it: {install}",
            )
        ]
    return scheduler_problems() if profile.is_slurm else []


def _argument_problems(profile: Profile) -> list[Problem]:
    """Let Snakemake read the profile, and pass on what it says."""
    error_output = io.StringIO()
    try:
        with redirect_stderr(error_output):
            _, args = _arguments(profile)
    except SystemExit:
        lines = [line for line in error_output.getvalue().splitlines() if "error" in line.lower()]
        what = lines[-1].split("error:", 1)[-1].strip() if lines else "Snakemake refuses it"
    except Exception as error:  # noqa: BLE001  Snakemake's own, of any kind
        what = " ".join(str(error).split()) or type(error).__name__
    else:
        return [*_value_problems(profile, args), *_amount_problems(profile, args)]
    return [
        Problem(
            file=profile.file.as_posix(),
            found=f"an option that Snakemake refuses: {what}",
            expected="options of Snakemake and of the executor",
            mend="Mend that option; `snakemake --help` names all of them.",
        )
    ]


_AT_LEAST = {
    "jobs": 1,
    "cores": 1,
    "local_cores": 1,
    "latency_wait": 0,
    "seconds_between_status_checks": 1,
    "slurm_init_seconds_before_status_checks": 0,
}
"""Numbers that Snakemake takes below these bounds and then waits for ever, or fails."""
_NOT_A_RUN = (
    *("dryrun", "touch", "unlock", "until", "omit_from", "batch", "immediate_submit", "all_temp"),
    *("delete_all_output", "delete_temp_output", "cleanup_metadata", "cleanup_shadow", "lint"),
    *("summary", "detailed_summary", "dag", "d3dag", "rulegraph", "filegraph", "archive"),
    *("list_rules", "list_target_rules", "list_changes", "list_input_changes", "list_untracked"),
    *("list_params_changes", "list_conda_envs", "export_cwl", "containerize", "report"),
    *("generate_unit_tests", "print_compilation", "conda_create_envs_only"),
    *("draft_notebook", "edit_notebook"),
)
"""Options by which Snakemake does something else than run all that it is asked for."""
_AMOUNTS = frozenset({"mem", "mem_mb", "mem_mib", "disk", "disk_mb", "disk_mib", "runtime"})


def _value_problems(profile: Profile, args: Any) -> Iterator[Problem]:
    """Yield the options that Snakemake takes and no run can go on with."""
    for name, least in _AT_LEAST.items():
        value = getattr(args, name, None)
        if isinstance(value, int) and value < least:
            yield Problem(
                file=profile.file.as_posix(),
                column=name.replace("_", "-"),
                found=f"{value}",
                expected=f"a whole number of at least {least}",
                mend="Mend that number, or leave the option out.",
            )
    for name in _NOT_A_RUN:
        if getattr(args, name, None):
            yield Problem(
                file=profile.file.as_posix(),
                column=name.replace("_", "-"),
                found="an option by which Snakemake does something else than run the study",
                expected="options that say where and how tasks run",
                mend="Take it out of the profile; it can be given to plain `snakemake`.",
            )


def _amount_problems(profile: Profile, args: Any) -> Iterator[Problem]:
    """Yield what jobs are to ask for that is no amount, or is of no rule of the workflow."""
    asked = [("default-resources", "", args.default_resources)] if args.default_resources else []
    asked += [("set-resources", rule, of_rule) for rule, of_rule in args.set_resources.items()]
    asked += [("set-threads", rule, {"threads": n}) for rule, n in args.set_threads.items()]
    known = {rule.name for rule in RULES}
    for option, rule, amounts in asked:
        where = f"{rule}:" if rule else ""
        if rule and rule not in known:
            yield Problem(
                file=profile.file.as_posix(),
                column=option,
                found=f'"{rule}", which is no rule of the workflow',
                expected=f"one of {', '.join(sorted(known))}",
                mend=f"{nearest(rule, sorted(known))} Mend the name.".strip(),
            )
            continue
        for name, amount in amounts.items():
            if (name in _AMOUNTS or name == "threads") and not _is_amount(amount):
                yield Problem(
                    file=profile.file.as_posix(),
                    column=option,
                    found=f"{where}{name}={amount.raw}",
                    expected="an amount of at least 1, such as mem_mb=4000 or runtime=120",
                    mend="Write a whole number (MB for mem_mb, minutes for runtime).",
                )


def _is_amount(amount: Any) -> bool:
    """Tell whether a resource comes out as a whole number of at least one."""
    given = {"input": [], "attempt": 1, "threads": 1, "rulename": "", "async_run": None}
    try:
        value = amount.evaluate(None, **given).value
    except Exception:  # noqa: BLE001  Snakemake's own, and those that look at the input
        return amount.raw is None or "input" in str(amount.raw)
    return not isinstance(value, int) or value > 0


def _arguments(profile: Profile, *more: str) -> tuple[Any, Any]:
    """Return Snakemake's parser and what it reads from a profile."""
    from snakemake.cli import parse_args

    read = ["--profile", str(profile.file), "--workflow-profile", "none"]
    return parse_args([*read, "--snakefile", str(snakefile()), *more])  # type: ignore[no-any-return]


_SHORTEST_S = 3.0


def _use_own_executor() -> None:
    """Let the plugin for SLURM ask often enough, and write down what SLURM says of each job.

    By itself it waits ten seconds longer after each look: a job of 40 s is then noticed after 60 s,
    and a small study has no other. Here it never waits longer than a tenth of the time since the
    jobs were sent, or three seconds. Snakemake prints no reason if a job of several tasks fails.
    """
    from snakemake_interface_executor_plugins.registry import ExecutorPluginRegistry

    plugin = ExecutorPluginRegistry().get_plugin(_SLURM)
    as_installed: Any = plugin.executor
    if getattr(as_installed, "is_ours", False):
        return

    class Executor(as_installed):  # type: ignore[misc]
        is_ours = True
        next_seconds_between_status_checks: float

        async def sleep(self) -> None:
            began = self.__dict__.setdefault("_began", time.monotonic())
            longest = max(_SHORTEST_S, (time.monotonic() - began) / 10)
            default_s: float = super().next_seconds_between_status_checks
            self.next_seconds_between_status_checks = min(default_s, longest)
            await super().sleep()

        def report_job_error(self, job_info: Any, msg: str | None = None, **more: Any) -> None:
            self.logger.error(msg)
            super().report_job_error(job_info, msg=msg, **more)

    plugin.executor = Executor


# --- handing tasks to a cluster -------------------------------------------------------------------


@dataclass(frozen=True)
class Cluster:
    """Where the tasks of a run are done, if not on this machine.

    Attributes
    ----------
    profile
        The profile.
    cores
        How many tasks may run side by side within a job, if the profile does not say.
    given
        What the jobs are told of the run.
    """

    profile: Profile
    cores: int
    given: GivenRun

    def run_tasks(self, study: Study, stale: Collection[Task], digests: FileDigests) -> bool:
        """Do what must run of a level and what follows from it, but for the report.

        A job that was cut is tried once more, and asks for twice as much.

        Parameters
        ----------
        study
            The study under the variant at work.
        stale
            Tasks of the level that must run.
        digests
            Digests of the study's files.

        Returns
        -------
        bool
            Whether all of it is up to date now.
        """
        batch = self._batch(study, stale, digests)
        for attempt in range(1, _ATTEMPTS + 1):
            with StudyWorkflow.holding(study):
                plugin_log = self._submit(study.folder, batch, attempt)
            digests.save()
            # As a run judges its levels: the table of the variants, if asked for, is in place.
            unfinished = {entry.task for entry in outdated(study, digests, tasks(study))} & {*batch}
            if not unfinished:
                return True
            refused, cut = self._cut_off(study.folder, plugin_log, batch)
            batch = [] if refused else self._worth_another_try(study, batch, unfinished)
            if not batch or attempt == _ATTEMPTS:
                self._tell_end(study.folder, refused, cut, batch)
                return False
            why = [*cut, *self._failed_by_machine(study.folder, batch)]
            for words in why or [f"{batch[0].name}: ended without a trace"]:
                self._tell(study.folder, note=f"{words}; tried once more, asking for more")
        return False

    def _batch(self, study: Study, stale: Collection[Task], digests: FileDigests) -> list[Task]:
        """Return the tasks of a level that must run, and all of later levels that may have to.

        The report reads what the run makes of the book before it, on this machine.
        """
        last = RULES[-1].name
        if any(task.rule == last for task in stale):
            return [*stale]
        planned = {entry.task for entry in outdated(study, digests, tasks(study))} | {*stale}
        return [task for task in tasks(study) if task in planned and task.rule != last]

    def _submit(self, folder: Path, batch: Sequence[Task], attempt: int) -> str:
        """Let Snakemake hand tasks to the cluster and wait for them; return what it wrote."""
        from snakemake.cli import args_to_api
        from snakemake.settings.types import RerunTrigger

        log = folder / LOGS / "snakemake.log"
        before = log.stat().st_size if log.is_file() else 0
        # What Snakemake refuses it writes to its log.
        with suppress(SystemExit), keeping_sigterm():
            config = f"{JOB_CONFIG}={self.given.text()}"
            parser, args = _arguments(
                self.profile, "--directory", str(folder), "--nolock", "--config", config
            )
            args.targets = [next(iter(outputs(task).values())).rstrip("/") for task in batch]
            args.force = True
            args.allowed_rules = sorted({task.rule for task in batch})
            # Our records have judged; dates are in order. Jobs get the same words.
            args.rerun_triggers = frozenset({RerunTrigger.MTIME})
            args.rerun_incomplete = args.keep_going = True
            args.retries, args.attempt = 0, attempt
            args.jobs = args.jobs or _JOBS
            args.cores = args.cores or self.cores
            args.group_components = {**_SMALLEST_GROUPS, **(args.group_components or {})}
            if self.profile.is_slurm:
                args.slurm_logdir = Path(SLURM_LOGS)
                args.slurm_jobname_prefix = JOB_NAMES
                if accounting_is_off():
                    args.slurm_status_command = "squeue"
                _use_own_executor()
            args_to_api(args, parser)
        with log.open("rb") as file:
            file.seek(before)
            return file.read().decode("utf-8", "replace")

    def _cut_off(
        self, folder: Path, plugin_log: str, batch: Sequence[Task]
    ) -> tuple[Sequence[str], list[str]]:
        """Return what the scheduler said to jobs that it did not take, and which jobs were cut."""
        cut = jobs_cut_off(folder, self.given.token)
        if not self.profile.is_slurm:
            named = ", ".join(job.task or "" for job in cut)
            what = "ended from outside (out of memory or time, a lost node, or killed)"
            return (), [f"{named}: {what}"] if cut else []
        of_plugin = read_plugin_log(plugin_log)
        cut_ids = {job.cluster_job for job in cut if job.cluster_job}
        words = [
            f"{_named(end, cut, batch)}: {end.words()}"
            for end in ends_of(folder, cut_ids | {*of_plugin.failed})
            if end.id in cut_ids or end.is_cut
        ]
        return of_plugin.refused, words

    def _worth_another_try(
        self, study: Study, batch: Sequence[Task], unfinished: Collection[Task]
    ) -> list[Task]:
        """Return what is left and does not rest on a task that would fail again."""
        done = events.events_of(study.folder, self.given.run)
        hopeless = {e["task"] for e in done if e.get("fails_again")}
        out: list[Task] = []
        lost = {path for task in unfinished if task.name in hopeless for path in _written(task)}
        for task in batch:
            if task not in unfinished or task.name in hopeless:
                continue
            if lost & {*inputs(study, task).values()}:
                lost |= {*_written(task)}
            else:
                out.append(task)
        return out

    def _failed_by_machine(self, folder: Path, batch: Sequence[Task]) -> list[str]:
        """Return which tasks failed by their machine, such as a full disk, and with what words."""
        names = {task.name for task in batch}
        done = events.events_of(folder, self.given.run)
        failed = [e for e in done if e["task"] in names and e["outcome"] == "failed"]
        return [f"{event['task']}: {event['message']}" for event in failed]

    def _tell_end(
        self, folder: Path, refused: Sequence[str], cut: Sequence[str], batch: Sequence[Task]
    ) -> None:
        """Note why a run cannot go on, if no task could say so itself."""
        if refused:
            words = f"the cluster does not take its jobs: {'; '.join(refused)}"
        elif cut:
            words = f"{'; '.join(cut)}, at the second try as at the first" if batch else cut[0]
        else:
            return
        self._tell(folder, cut_off=words)

    def _tell(self, folder: Path, **what: str) -> None:
        with suppress(OSError):
            events.append_progress(folder, self.given.run, **what)


def _written(task: Task) -> Iterable[str]:
    return (*outputs(task).values(), task.record)


def _named(end: JobEnd, cut: Sequence[Owner], batch: Sequence[Task]) -> str:
    """Return the tasks that a job was at work on when it ended."""
    of_job = [job.task for job in cut if job.cluster_job == end.id and job.task]
    return ", ".join(of_job) or (batch[0].name if len(batch) == 1 else "tasks not yet begun")


def begin_logs(folder: Path) -> None:
    """Remove what the scheduler wrote of the jobs of an earlier run."""
    if (folder / SLURM_LOGS).is_dir():
        remove_folder(folder / SLURM_LOGS)


def end_jobs(cluster: Cluster, child: subprocess.Popen[bytes]) -> None:
    """End a run on a cluster, with all its jobs.

    SLURM's jobs are cancelled by their numbers. Those of another scheduler only Snakemake knows: it
    is asked to cancel them, and killed if it takes too long.
    """
    folder = Path(cluster.given.folder)
    if not cluster.profile.is_slurm:
        with suppress(subprocess.TimeoutExpired):
            child.send_signal(signal.SIGINT)
            child.wait(_PATIENCE_S)
    end_group(child)
    if cluster.profile.is_slurm:
        cancel_jobs(folder)
    jobs_cut_off(folder, cluster.given.token)
