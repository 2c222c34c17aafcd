"""Snakemake: what the Snakefile asks of the package, its rules written out, and running some.

This module and `cluster` know Snakemake, no other. They use its programming interface and its
settings, and write none of its files.
"""

from __future__ import annotations

import atexit
import os
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

from leafledger.errors import InputFault
from leafledger.platforms import keeping_sigterm
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.record import read_record
from leafledger.records.store import ContentStore
from leafledger.runner.outdated import outdated
from leafledger.runner.step import (
    JOB_CONFIG,
    VARIANT_VARIABLE,
    GivenRun,
    hand_jobs,
    key_value,
    may_use_store,
)
from leafledger.runner.study_folder import hold_study
from leafledger.runner.workers import step_command
from leafledger.study.definition import ID_WORDS
from leafledger.study.reading import Rests, read_study, read_study_at_rest
from leafledger.study.rules import (
    BY_NAME,
    EVERYTHING,
    IF_THERE,
    LOGS,
    RECORDS,
    RESULTS,
    RULES,
    WRITERS,
    Rule,
    name_read,
)
from leafledger.study.sheets import is_id
from leafledger.study.study import Study, Task, inputs, outputs, own_files, sessions_read, tasks
from leafledger.study.table_files import canonical_json, not_through_a_link, write_text

# --- where the Snakefile and the demo study lie ---------------------------------------------------

_PACKAGE = Path(__file__).resolve().parent.parent
_CHECKOUT = _PACKAGE.parent.parent


def snakefile() -> Path:
    """Return the path of the Snakefile."""
    return _either(_CHECKOUT / "Snakefile", _PACKAGE / "shipped" / "Snakefile")


def demo_study() -> Path:
    """Return the folder of the demo study."""
    return _either(_CHECKOUT / "demo_data" / "chelate", _PACKAGE / "shipped" / "demo")


def _either(checkout: Path, installed: Path) -> Path:
    for path in (installed, checkout):
        if path.exists():
            return path
    raise FileNotFoundError(f"{installed.name} is missing from the installation; install it again")


# --- the study as the Snakefile sees it -----------------------------------------------------------

MARKS = "ledger/cache/marks"
_DAY_S = 86400
_MARK_DATE, _OUTDATED = 2 * _DAY_S, _DAY_S
"""Dates of a mark and of a record out of date, in 1970: no result is older than a mark."""
SMALL = "small"
"""Name of the group that holds all tasks of a small study."""
_SMALL_STUDY_S = 1200.0
_SHORT_S = 120.0
_BYTES_OF_A_VALUE = 5
_ANY_SIZE = 1 << 60
"""Bytes up to which Snakemake compares the content of a file whose date is new: any."""


class StudyWorkflow:
    """One study, seen by the Snakefile.

    Parameters
    ----------
    folder
        The study folder.
    config
        Snakemake's own configuration, which must be empty: settings live in ``study.yaml``. To
        its jobs on other machines a run hands on what they must know of it.
    workflow
        Snakemake's own object, which hands that on.
    """

    _read_by_run: ClassVar[Study | None] = None
    """The study as the run in this process has read it: it is not read again at each level."""

    def __init__(self, folder: Path, config: Mapping[str, Any], workflow: Any = None) -> None:
        self._given = GivenRun.of_text(str(config.get(JOB_CONFIG, "")))
        self._is_job = is_job = workflow is not None and not workflow.is_main_process
        ours = self._given is not None and os.environ.get(events.RUN_VARIABLE) == self._given.run
        refused = (
            config if self._given is None or not (is_job or ours) else {*config} - {JOB_CONFIG}
        )
        if refused:
            raise SystemExit(
                f"leafledger: --config {next(iter(refused))}: settings are read from study.yaml "
                "only, so that a run can be traced. Change study.yaml instead."
            )
        if is_job and self._given is not None:
            if why := self._given.why_not_here(folder):
                raise SystemExit(f"leafledger: {why}")
            self._given.hold_for_children()
        try:
            self._plain = events.RUN_VARIABLE not in os.environ
            if self._plain:
                # Plain Snakemake runs the study as stated, whatever the environment says.
                os.environ.pop(VARIANT_VARIABLE, None)
            self._rests: Rests | None = None
            if self._plain:
                self.study, self._rests = read_study_at_rest(folder)
            else:
                self.study = self._of_run(folder, os.environ.get(VARIANT_VARIABLE) or None)
            if self._plain:
                # Plain Snakemake: the study is ours until this process ends. The runner, and
                # Snakemake's own children, have it already and say so in the environment.
                self._held = hold_study(folder)
                atexit.register(self._held.let_go)
                run = os.environ[events.RUN_VARIABLE] = events.new_run_id()
                self._held.name_run(run)
                if workflow is not None:
                    token = self._held.token or ""
                    given = GivenRun(run, token, str(folder), use_store=may_use_store())
                    workflow.config_settings.config_args = [
                        *(workflow.config_settings.config_args or ()),
                        f"{JOB_CONFIG}={given.text()}",
                    ]
        except InputFault as fault:
            raise SystemExit(f"leafledger: the study cannot run.\n{fault}") from None

    @classmethod
    @contextmanager
    def holding(cls, study: Study) -> Iterator[None]:
        """Let Snakefiles that this process reads within the block see a study as it was read."""
        before, cls._read_by_run = cls._read_by_run, study
        try:
            yield
        finally:
            cls._read_by_run = before

    @classmethod
    def _of_run(cls, folder: Path, variant: str | None) -> Study:
        held = cls._read_by_run
        if held is not None and (held.folder, held.variant) == (folder, variant):
            return held
        return read_study(folder, variant)

    def renew_marks(self) -> None:
        """Let plain Snakemake make again what our records call out of date.

        Snakemake compares what is asked for with what it made last. It does not know what our
        runner put back since, nor files edited by hand. So every rule also reads a mark, a small
        file that is older than any result. Where ``leafledger status`` names a task, its mark gets
        other content and its record the date before that of the mark: the task then has an input
        that is new. Our own runs name their tasks themselves.
        """
        if self._is_job:
            return  # the run has looked after them
        stale: set[Task] = set()
        if self._plain:
            digests = FileDigests(self.study.folder)
            stale = {entry.task for entry in outdated(self.study, digests, tasks(self.study))}
            run = os.environ[events.RUN_VARIABLE]
            hand_jobs(self.study, run, stale, self._rests)
            self._hold_for_going_back(stale)
        for task in tasks(self.study):
            mark = self.study.folder / f"{MARKS}/{task.name}"
            if task in stale or not mark.is_file():
                write_text(mark, f"{events.new_run_id()}\n")
                os.utime(not_through_a_link(mark), (_MARK_DATE, _MARK_DATE))
            if task in stale and (self.study.folder / task.record).is_file():
                os.utime(
                    not_through_a_link(self.study.folder / task.record), (_OUTDATED, _OUTDATED)
                )

    def _hold_for_going_back(self, stale: Iterable[Task]) -> None:
        """Keep the large tables that Snakemake removes before it makes them anew."""
        store = ContentStore(self.study.folder)
        for task in stale if may_use_store() else ():
            record = read_record(self.study.folder / task.record)
            if record is not None:
                store.hold_in_place(record)

    @property
    def stages(self) -> tuple[str, ...]:
        """Names of the files of rules that this study needs, in the order of the data."""
        modules = {BY_NAME[task.rule].module for task in tasks(self.study)}
        return tuple(dict.fromkeys(_stage(rule) for rule in RULES if rule.module in modules))

    @property
    def sessions(self) -> tuple[str, ...]:
        """Ids of the sessions."""
        return self.study.session_ids

    def sessions_read(self, which: str) -> tuple[str, ...]:
        """Ids of the sessions whose files a rule of the whole study reads, as in `Rule.reads`."""
        return sessions_read(self.study, which)

    @property
    def step(self) -> str:
        """The shell function that does one task; linear algebra gets one thread, set before Python.

        In a run of ours it asks the server of the run, named in the environment, for a worker.

        Braces are doubled because Snakemake formats the text. ``exec`` makes the task the very
        process that Snakemake started, so that it ends when Snakemake is killed. A job on another
        machine is given its run by arguments.
        """
        given = [] if self._given is None else self._given.arguments()
        call = shlex.join([*step_command(), *given]).replace("{", "{{").replace("}", "}}")
        return f'step() {{{{ exec {call} "$@"; }}}}; '

    @property
    def session_pattern(self) -> str:
        """Regular expression of the session wildcard."""
        odd = [s for s in self.sessions if not is_id(s)]
        if odd:
            raise SystemExit(f"leafledger: session {odd[0]!r}: expected {ID_WORDS}")
        return "|".join(self.sessions)

    @cached_property
    def _own_digests(self) -> dict[str, str | None]:
        digests = FileDigests(self.study.folder)
        files = [file for task in tasks(self.study) for file in own_files(self.study, task)]
        digest_of = {file: digests.of(file) for file in files}
        digests.save()
        return digest_of

    def key_json(self, rule: str) -> Callable[[Any], str]:
        """Return the function that gives a rule the values on which its result rests.

        They are one text: Snakemake compares parameters as a set, in which two that change places
        are the same.
        """

        def of(wildcards: Any) -> str:
            task = Task(rule, getattr(wildcards, "session", None))
            own_digests = {file: self._own_digests[file] for file in own_files(self.study, task)}
            return canonical_json(key_value(self.study, task, own_digests))

        return of

    @cached_property
    def _values(self) -> dict[str, int]:
        """Session -> about how many values its scans hold: the bytes of its raw files tell.

        A value takes five bytes or more as text, and no fewer as numbers.
        """
        files = {(scan.session, scan.file) for scan in self.study.scans}
        n_values = dict.fromkeys(self.sessions, 0)
        for session, file in files:
            n_values[session] += size_of(self.study.folder / file) // _BYTES_OF_A_VALUE
        return n_values

    def _values_read(self, rule: str, session: str | None) -> int:
        if BY_NAME[rule].per_session and session is not None:
            return self._values[session]
        return sum(self._values.values())

    def memory_mb(self, rule: str) -> Callable[[Any, int], int]:
        """Return the function that says how much memory a job of a rule asks for, megabytes."""

        def of(wildcards: Any, attempt: int) -> int:
            values = self._values_read(rule, getattr(wildcards, "session", None))
            return BY_NAME[rule].needs.memory_mb(values, attempt)

        return of

    def runtime(self, rule: str) -> Callable[[Any, int], int]:
        """Return the function that says how long a job of a rule may take, minutes."""

        def of(wildcards: Any, attempt: int) -> int:
            values = self._values_read(rule, getattr(wildcards, "session", None))
            return BY_NAME[rule].needs.runtime_minutes(values, attempt)

        return of

    @cached_property
    def _is_small(self) -> bool:
        """Whether the whole study takes so little that one job of a cluster does all of it."""
        seconds = [
            BY_NAME[task.rule].needs.expected_seconds(self._values_read(task.rule, task.session))
            for task in tasks(self.study)
        ]
        return sum(seconds) < _SMALL_STUDY_S

    def group(self, rule: str) -> Callable[[Any], str | None]:
        """Return the function that says with what else a job of a rule is sent to a cluster.

        A small study is one job. In others the rules of one chain are a job for each session, as
        long as each is short; the profile says for how many sessions (``group-components``).
        """

        def of(wildcards: Any) -> str | None:
            if self._is_small:
                return SMALL
            chain = BY_NAME[rule].chain
            values = self._values_read(rule, getattr(wildcards, "session", None))
            short = BY_NAME[rule].needs.expected_seconds(values) < _SHORT_S
            return chain if chain and short else None

        return of

    def results_before(self, rule: str) -> list[str]:
        """Return every file that a rule reads which reads all results and records."""
        return list(inputs(self.study, Task(rule)).values())

    def if_there(self, rule: str, name: str) -> list[str]:
        """Return the file of a result that a rule reads if the study has it; else nothing."""
        path = inputs(self.study, Task(rule)).get(name)
        return [] if path is None else [path]

    def targets(self) -> list[str]:
        """Return every file of the pipeline."""
        return [path.rstrip("/") for task in tasks(self.study) for path in outputs(task).values()]


def size_of(path: Path) -> int:
    """Return the bytes of a file, 0 if it is missing: the task that reads it says so."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def run_tasks(study: Study, tasks: Iterable[Task], cores: int) -> bool:
    """Let Snakemake run exactly these tasks, side by side on ``cores``.

    The tasks have been found out of date by our own records, so Snakemake is told to run them
    whatever it thinks of their dates, and no others: it sees the rules of these tasks alone. A rule
    before them would run again for a file that was put back, whose date is later than that of what
    was made of it. Tasks that run side by side do not read each other, so nothing they need is left
    out.

    Returns
    -------
    bool
        Whether all of them ended well.
    """
    from snakemake.api import SnakemakeApi
    from snakemake.exceptions import WorkflowError
    from snakemake.scheduling.greedy import SchedulerSettings as GreedySettings
    from snakemake.settings.types import (
        DAGSettings,
        ExecutionSettings,
        OutputSettings,
        Quietness,
        ResourceSettings,
        SchedulingSettings,
    )

    tasks = list(tasks)
    targets = {next(iter(outputs(task).values())).rstrip("/") for task in tasks}
    # Quiet about what goes well only: ``ALL`` would hide why a job was given up, too.
    quiet = {Quietness.PROGRESS, Quietness.RULES, Quietness.HOST, Quietness.REASON}
    try:
        with (
            keeping_sigterm(),
            StudyWorkflow.holding(study),
            SnakemakeApi(OutputSettings(quiet=quiet, show_failed_logs=False)) as api,
        ):
            workflow = api.workflow(
                resource_settings=ResourceSettings(cores=cores),
                snakefile=snakefile(),
                workdir=study.folder,
            )
            dag = workflow.dag(
                DAGSettings(
                    targets=targets,
                    forcetargets=True,
                    force_incomplete=True,
                    allowed_rules=frozenset(task.rule for task in tasks),
                    rerun_triggers=frozenset(),
                    max_checksum_file_size=_ANY_SIZE,
                )
            )
            dag.execute_workflow(
                executor="local",
                execution_settings=ExecutionSettings(keep_going=True, lock=False),
                scheduling_settings=SchedulingSettings(scheduler="greedy"),
                scheduler_settings=GreedySettings(),
            )
    except WorkflowError:
        return False
    return True


def drop_incomplete(study: Study) -> None:
    """Let Snakemake forget that it was killed at work on files which are whole by now.

    It refuses to go on as long as files are marked as incomplete, also those that were finished
    without it. This is its own ``--cleanup-metadata``; nothing is begun where it marks no file.
    """
    marked = study.folder / ".snakemake/incomplete"
    if not marked.is_dir() or not any(path.is_file() for path in marked.rglob("*")):
        return
    from snakemake.api import SnakemakeApi
    from snakemake.exceptions import WorkflowError
    from snakemake.settings.types import DAGSettings, OutputSettings, Quietness, ResourceSettings

    every = tasks(study)
    paths = [path.rstrip("/") for task in every for path in [*outputs(task).values(), task.record]]
    # It says so of every file that it did not remember; there is nothing to do for these.
    quiet = OutputSettings(quiet={Quietness.ALL})
    with suppress(WorkflowError), StudyWorkflow.holding(study), SnakemakeApi(quiet) as api:
        workflow = api.workflow(
            resource_settings=ResourceSettings(cores=1),
            snakefile=snakefile(),
            workdir=study.folder,
        )
        workflow.dag(DAGSettings()).cleanup_metadata([Path(path) for path in paths])


# --- the rules as Snakemake's text ---------------------------------------------------------------

_MADE = """\
# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.
"""
_LONGEST_LINE = 88


def workflow_texts() -> dict[str, str]:
    """Return the name of each file below ``workflow/rules`` -> its text, made of the registry."""
    texts: dict[str, str] = {}
    for rule in RULES:
        name = f"{_stage(rule)}.smk"
        texts[name] = texts.get(name, _MADE) + "\n\n" + _rule_text(rule)
    return texts


def _stage(rule: Rule) -> str:
    """Return the folder of the package that holds a rule's module."""
    return rule.module.split(".")[1]


def _rule_text(rule: Rule) -> str:
    record = f"{RECORDS}/{_task_name(rule)}.json"
    log = f"{LOGS}/{_task_name(rule)}.log"
    session = " {wildcards.session:q}" if rule.per_session else ""
    reads = [_read(rule, read) for read in rule.reads]
    outputs = [f"{output.role}={_output(output.path)}" for output in rule.writes]
    sections = {
        "input": [*reads, f'mark="{MARKS}/{_task_name(rule)}"'],
        "output": [*outputs, f'record="{record}"'],
        "log": [f'"{log}"'],
        "params": [
            *_listed("settings", rule.sees),
            f'key_json=workflow_of_study.key_json("{rule.name}")',
        ],
        "shell": [f'"step {rule.name}{session} > {{log:q}} 2>&1"'],
    }
    text = f"# {rule.does}\n{_given_words(rule)}rule {rule.name}:\n"
    for section, lines in sections.items():
        if lines:
            comma = "" if section == "shell" else ","
            text += f"    {section}:\n" + "".join(f"        {line}{comma}\n" for line in lines)
        if section == "log":
            text += _job_of_a_cluster(rule)
    return text


def _job_of_a_cluster(rule: Rule) -> str:
    study_workflow = "workflow_of_study"
    return (
        f'    group:\n        {study_workflow}.group("{rule.name}")\n'
        "    threads: 1\n"
        "    resources:\n"
        f'        mem_mb={study_workflow}.memory_mb("{rule.name}"),\n'
        f'        runtime={study_workflow}.runtime("{rule.name}"),\n'
    )


def _task_name(rule: Rule) -> str:
    return f"{rule.name}.{{session}}" if rule.per_session else rule.name


def _given_words(rule: Rule) -> str:
    if not rule.given:
        return ""
    kinds = {
        "raw": "raw files", "panel": "table of the panel", "decisions": "decisions",
        "assays": "assays", "chromatograms": "chromatograms",
        "strip_profiles": "profiles of strips",
        "leaf_coefficients": "coefficients of the leaf model",
    }  # fmt: skip
    named = " and ".join(kinds[kind] for kind in rule.given)
    return f"# Digests of the {named} that it reads stand in key_json: their dates say nothing.\n"


def _output(path: str) -> str:
    if path.endswith("/"):
        return f'directory("{RESULTS}/{path.rstrip("/")}")'
    return f'"{RESULTS}/{path}"'


def _read(rule: Rule, read: str) -> str:
    if read == EVERYTHING:
        return f'workflow_of_study.results_before("{rule.name}")'
    name, which = name_read(read)
    path = f"{RESULTS}/{WRITERS[name][1].path}"
    if not which:
        return f'{name}="{path}"'
    if which == IF_THERE:
        return f'{name}=workflow_of_study.if_there("{rule.name}", "{name}")'
    sessions = "SESSIONS" if which == "*" else f'workflow_of_study.sessions_read("{which}")'
    text = f'{name}=expand("{path}", session={sessions})'
    if len(text) + len("        ,") <= _LONGEST_LINE:
        return text
    inner = f'            "{path}",\n            session={sessions},\n'
    return f"{name}=expand(\n{inner}        )"


def _listed(name: str, values: tuple[str, ...]) -> list[str]:
    if not values:
        return []
    text = f"{name}=[{', '.join(repr(value) for value in values)}]".replace("'", '"')
    if len(text) + len("        ,") <= _LONGEST_LINE:
        return [text]
    inner = "".join(f'            "{value}",\n' for value in values)
    return [f"{name}=[\n{inner}        ]"]


def main() -> None:
    """Write the files of rules into the folder that is named, and remove others from it."""
    folder, texts = Path(sys.argv[1]), workflow_texts()
    for path in folder.glob("*.smk"):
        if path.name not in texts:
            path.unlink()
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
