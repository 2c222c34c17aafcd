"""What earlier runs left behind and no longer belongs to the study."""

from __future__ import annotations

from pathlib import Path

from leafledger.ledger.view import BookView
from leafledger.records.record import read_record
from leafledger.records.store import ContentStore
from leafledger.study.links import not_through_a_link, remove_file, remove_folder
from leafledger.study.rules import LOGS, RECORDS, RESULTS
from leafledger.study.study import Study
from leafledger.study.tasks import FROM_THE_BOOK, outputs, tasks


def sweep_temporaries(folder: Path) -> None:
    """Remove what an interrupted run left half-written."""
    for place in (RESULTS, RECORDS, "ledger", LOGS):
        for path in (folder / place).rglob(".*.tmp"):
            if path.is_dir():
                remove_folder(path)
            else:
                remove_file(path)


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
    kept = [*tasks(study), *FROM_THE_BOOK]
    wanted = {task.record for task in kept}
    owned = {path for task in kept for path in outputs(task).values()}
    gone = []
    for path in sorted((folder / RECORDS).glob("*.json")):
        if f"{RECORDS}/{path.name}" in wanted:
            continue
        record = read_record(path)
        for output in record["outputs"] if record else []:
            place = folder / output["path"]
            inside = place.resolve().is_relative_to((folder / RESULTS).resolve())
            if inside and output["path"] not in owned:
                remove_file(place)
        remove_file(path)
        gone.append(path.stem)
    if not gone:
        return []
    _remove_empty_folders(folder / RESULTS)
    if study.variant is not None:
        return []  # what the study as stated asks for is put back after its variants
    named = ", ".join(gone[:6]) + (f" and {len(gone) - 6} more" if len(gone) > 6 else "")
    return [f"removed results that the study no longer asks for: {named}"]


def trim_store(study: Study) -> list[str]:
    """Keep the content store within the study's bound; return what the user should know.

    Results that the study and its variants rest on are thrown away last: one run through them
    reads all of these again.
    """
    store = ContentStore(study.folder)
    most = int(study.definition.tracking.store_gb * 1e9)
    left = store.trim(most, last=_shared_keys(study))
    if not left["removed_last"] or not study.definition.variants:
        return []
    return [
        f"the variants and the study take more than tracking.store_gb ({most / 1e9:g} GB) holds: "
        f"{left['removed_last']} of their results will be computed again"
    ]


def _shared_keys(study: Study) -> set[str]:
    """Return the keys of what stands in place and in the newest finished run of each variant."""
    if not study.definition.variants:
        return set()
    book = BookView(study.folder)
    newest = {r.get("variant"): r for r in book.runs if r["outcome"] == "done"}
    return {
        str(record["key"])
        for variant, run in newest.items()
        if variant is None or variant in study.definition.variants
        for record in book.records_of(run).values()
    }


def _remove_empty_folders(root: Path) -> None:
    for path in sorted(root.rglob("*"), reverse=True):
        if path.is_dir() and not any(path.iterdir()):
            not_through_a_link(path).rmdir()
