"""What earlier runs left behind and no longer belongs to the study."""

from __future__ import annotations

import shutil
from pathlib import Path

from leafledger.records.record import read_record
from leafledger.study.layout import LOGS, RECORDS, RESULTS, outputs, tasks
from leafledger.study.study import Study


def sweep_temporaries(folder: Path) -> None:
    """Remove what an interrupted run left half-written."""
    for place in (RESULTS, RECORDS, "ledger", LOGS):
        for path in (folder / place).rglob(".*.tmp"):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)


def remove_orphans(study: Study) -> list[str]:
    """Remove results of tasks that the study no longer asks for, so that none pass as current.

    Only files that a record of such a task names are removed: a session that was taken out, a
    classifier no longer wanted. The content store keeps them for going back.

    Returns
    -------
    list of str
        What the user should know.
    """
    folder = study.folder
    wanted = {task.record for task in tasks(study)}
    owned = {path for task in tasks(study) for path in outputs(task).values()}
    gone = []
    for path in sorted((folder / RECORDS).glob("*.json")):
        if f"{RECORDS}/{path.name}" in wanted:
            continue
        record = read_record(path)
        for output in record["outputs"] if record else []:
            place = folder / output["path"]
            inside = place.resolve().is_relative_to((folder / RESULTS).resolve())
            if inside and output["path"] not in owned:
                place.unlink(missing_ok=True)
        path.unlink()
        gone.append(path.stem)
    if not gone:
        return []
    _remove_empty_folders(folder / RESULTS)
    named = ", ".join(gone[:6]) + (f" and {len(gone) - 6} more" if len(gone) > 6 else "")
    return [f"removed results that the study no longer asks for: {named}"]


def _remove_empty_folders(root: Path) -> None:
    for path in sorted(root.rglob("*"), reverse=True):
        if path.is_dir() and not any(path.iterdir()):
            path.rmdir()
