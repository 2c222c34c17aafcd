"""What the Snakefile asks of the package: the study, and what each rule depends on."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.runner.jobs import key_value
from leafledger.runner.lock import hold_study
from leafledger.runner.step import VARIANT_VARIABLE
from leafledger.study.definition import ID_WORDS
from leafledger.study.layout import Task, inputs, outputs, own_files, sessions_read, tasks
from leafledger.study.reading import read_study
from leafledger.study.sheets import is_id
from leafledger.study.study import Study
from leafledger.study.tables import canonical_json

_THREADS = "OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 MKL_NUM_THREADS=1"


class StudyWorkflow:
    """One study, seen by the Snakefile.

    Parameters
    ----------
    folder
        The study folder.
    config
        Snakemake's own configuration, which must be empty: settings live in ``study.yaml``.
    """

    def __init__(self, folder: Path, config: Mapping[str, Any]) -> None:
        if config:
            raise SystemExit(
                f"leafledger: --config {next(iter(config))}: settings are read from study.yaml "
                "only, so that a run can be traced. Change study.yaml instead."
            )
        try:
            ours = events.RUN_VARIABLE in os.environ
            if not ours:
                # Plain Snakemake runs the study as stated, whatever the environment says.
                os.environ.pop(VARIANT_VARIABLE, None)
            self.study: Study = read_study(folder, os.environ.get(VARIANT_VARIABLE) or None)
            if not ours:
                # Plain Snakemake: the study is ours until this process ends. The runner, and
                # Snakemake's own children, have it already and say so in the environment.
                self._held = hold_study(folder)
                os.environ[events.RUN_VARIABLE] = events.new_run_id()
        except InputFault as fault:
            raise SystemExit(f"leafledger: the study cannot run.\n{fault}") from None

    @property
    def sessions(self) -> tuple[str, ...]:
        """Ids of the sessions."""
        return self.study.session_ids

    def sessions_read(self, rule: str, kind: str) -> tuple[str, ...]:
        """Ids of the sessions whose files of one kind a rule of the whole study reads."""
        return sessions_read(self.study, rule, kind)

    @property
    def has_classes(self) -> bool:
        """Whether the study asks for a classifier."""
        return self.study.definition.classes is not None

    @property
    def step(self) -> str:
        """The shell function that does one task; linear algebra gets one thread, set before Python.

        Braces are doubled because Snakemake formats the text. ``exec`` makes the task the very
        process that Snakemake started, so that it ends when Snakemake is killed.
        """
        python = shlex.quote(sys.executable).replace("{", "{{").replace("}", "}}")
        return f'step() {{{{ exec env {_THREADS} {python} -m leafledger.runner.step "$@"; }}}}; '

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
        found = {file: digests.of(file) for file in files}
        digests.save()
        return found

    def key_json(self, rule: str) -> Callable[[Any], str]:
        """Return the function that gives a rule its one parameter."""

        def of(wildcards: Any) -> str:
            task = Task(rule, getattr(wildcards, "session", None))
            own = {file: self._own_digests[file] for file in own_files(self.study, task)}
            return canonical_json(key_value(self.study, task, own))

        return of

    def report_inputs(self) -> list[str]:
        """Return every table and record that the report reads."""
        return list(inputs(self.study, Task("report")).values())

    def targets(self) -> list[str]:
        """Return every file of the pipeline."""
        return [path.rstrip("/") for task in tasks(self.study) for path in outputs(task).values()]
