"""Results of earlier settings, put back in place before Snakemake is even begun."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress

from leafledger.records import events
from leafledger.records.digests import FileDigests, files_below, sha256_of_file
from leafledger.records.record import Record, key_of, write_record
from leafledger.records.store import ContentStore
from leafledger.runner.ended import Attempt, Ended
from leafledger.runner.jobs import code_of_task
from leafledger.runner.workflow_memory import FOLDER_DATE, mark_incomplete, remember
from leafledger.study.layout import LOGS, Task, inputs, outputs
from leafledger.study.links import remove_file
from leafledger.study.settings import settings_of
from leafledger.study.study import Study
from leafledger.study.tables import write_text

NO_STORE_VARIABLE = "LEAFLEDGER_NO_STORE"


def may_use_store() -> bool:
    """Tell whether results of earlier settings may be restored in this process."""
    return not os.environ.get(NO_STORE_VARIABLE)


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
    attempt = Attempt(study.folder, run, task)
    try:
        mark_incomplete(study, task)
        record = store.restore(
            key,
            outputs(task).values(),
            lambda words: events.tell(study.folder, run, note=words),
        )
        if record is None:
            return False
        _remove_others(study, task, record)
        told = put_record(study, task, record)
        write_text(study.folder / LOGS / f"{task.name}.log", "")
        remember(study, task, digests)
        attempt.begin()
        attempt.end(Ended("restored", key=key, record=told))
    except OSError:
        # Without a record the task is left to a step, which meets the same and says so.
        with suppress(OSError):
            remove_file(study.folder / task.record)
        return False
    return True


def _remove_others(study: Study, task: Task, record: Record) -> None:
    """Remove from the folders that a task owns what another version of it has left there."""
    named = {study.folder / output["path"] for output in record["outputs"]}
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


def _key(study: Study, task: Task, digests: FileDigests) -> str | None:
    """Return the key of a task's result, ``None`` if an input is missing."""
    found = {role: digests.of(path) for role, path in inputs(study, task).items()}
    known = {role: digest for role, digest in found.items() if digest is not None}
    if len(known) < len(found):
        return None
    settings = settings_of(study, task.rule, task.session)
    return key_of(task.rule, task.session, settings, known, code_of_task(task))
