"""A task of a study as a job: its settings, its files and the code that does it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from leafledger.records.code import Code, code_of
from leafledger.records.job import Job
from leafledger.study.layout import BY_NAME, Task, inputs, outputs
from leafledger.study.settings import settings_of
from leafledger.study.study import Study


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
    told: dict[str, Any] = {
        "settings": settings_of(study, task.rule, task.session),
        "code": code.sha256,
        "libraries": code.libraries,
    }
    if own_digests:
        told["own_files"] = sorted(own_digests.items())
    return told
