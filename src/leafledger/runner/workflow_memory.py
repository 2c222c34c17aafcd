"""What Snakemake remembers of a task, for tasks that our runner did without it.

Plain Snakemake judges by the parameters under which it last made a file. If a file was restored
and Snakemake not told, it would take it for that of the settings before.
"""

from __future__ import annotations

from base64 import urlsafe_b64encode
from pathlib import Path

from leafledger.records.digests import FileDigests
from leafledger.runner.jobs import key_value
from leafledger.study.layout import Task, inputs, outputs, own_files
from leafledger.study.links import not_through_a_link, remove_file
from leafledger.study.study import Study
from leafledger.study.tables import canonical_json, write_text

RECORD_FORMAT = 6
"""Snakemake's format; from it on, it relies on the parameters of a record."""
FOLDER_DATE = ".snakemake_timestamp"
"""The file by whose date Snakemake judges a folder."""
_METADATA = Path(".snakemake/metadata")
_INCOMPLETE = Path(".snakemake/incomplete")


def mark_incomplete(study: Study, task: Task) -> None:
    """Mark the files of a task as Snakemake does while it makes them: a kill leaves the marks.

    Raises
    ------
    OSError
        If the study cannot be written to.
    """
    for name in _names(task):
        write_text(study.folder / _INCOMPLETE / name, '{"external_jobid": null}')


def remember(study: Study, task: Task, digests: FileDigests) -> None:
    """Let Snakemake know by which parameters and inputs the files of a task are as they are.

    Raises
    ------
    OSError
        If the study cannot be written to.
    """
    own = own_files(study, task)
    value = key_value(study, task, {file: digests.of(file) for file in own})
    text = canonical_json(
        {
            "rule": task.rule,
            "input": sorted({*inputs(study, task).values()} - {*own}),
            "params": [repr(canonical_json(value))],
            "record_format_version": RECORD_FORMAT,
        }
    )
    for path in outputs(task).values():
        if path.endswith("/"):
            not_through_a_link(study.folder / path / FOLDER_DATE).touch()
    for name in _names(task):
        write_text(study.folder / _METADATA / name, text)
        remove_file(study.folder / _INCOMPLETE / name)


def _names(task: Task) -> list[str]:
    """Return the names under which Snakemake remembers the files that a task writes.

    Snakemake splits names of more than 255 characters; those of a study's files are shorter.
    """
    paths = [*outputs(task).values(), task.record]
    return [urlsafe_b64encode(path.rstrip("/").encode()).decode() for path in paths]
