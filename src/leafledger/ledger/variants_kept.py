"""The table of the variants in its place: whole, put back from its kept copy, or taken away."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from leafledger.ledger.view import BookView
from leafledger.records.digests import sha256_of_file
from leafledger.records.events import Run
from leafledger.records.record import Record, read_record
from leafledger.study.links import remove_file
from leafledger.study.study import VARIANTS_TABLE, Study
from leafledger.study.tables import write_bytes
from leafledger.study.tasks import VARIANTS_TASK


def whole_table(folder: Path, record: Record) -> Path | None:
    """Return the table if it is what its record says."""
    return whole_output(folder, record, VARIANTS_TABLE)


def whole_output(folder: Path, record: Record, path: str) -> Path | None:
    """Return the output at ``path`` if it is what the record says."""
    place = folder / path
    said = next((o["sha256"] for o in record["outputs"] if o["path"] == path), None)
    return place if place.is_file() and sha256_of_file(place) == said else None


def remove_table(folder: Path) -> None:
    """Take the table and its record away."""
    remove_file(folder / VARIANTS_TABLE)
    remove_file(folder / VARIANTS_TASK.record)


@dataclass(frozen=True)
class TableAtStart:
    """What a run makes of a table that is not as it was recorded, before it judges anything.

    Attributes
    ----------
    sha256
        Digest of the table that is put back; ``None`` if the table is taken away.
    run
        The run in which it stood.
    """

    sha256: str | None
    run: Run | None = None


def table_at_start(study: Study) -> TableAtStart | None:
    """Return what a run would make of the table first, ``None`` if it leaves it as it is.

    No step makes it, so that none would make it again: it is put back as it was recorded if it was
    changed or lost. One that nobody recorded is taken away. A table of variants that the study no
    longer names stays as long as it is whole: it says under which settings its rows stand.
    """
    folder = study.folder
    there = (folder / VARIANTS_TABLE).exists() or (folder / VARIANTS_TASK.record).exists()
    if study.variant is not None or not (there or study.definition.variants):
        return None
    book = BookView(folder)
    known = list(book.runs)
    entry = _vouching(known)
    if (entry is None and not there) or _stands(folder, entry, known):
        return None
    if entry is not None:
        digest = entry.get("tables", {}).get(VARIANTS_TABLE, "")
        if None not in (book.history(digest), book.history(entry["records"][VARIANTS_TASK.name])):
            return TableAtStart(digest, entry)
    return TableAtStart(None)


def bring_table_back(study: Study) -> list[str]:
    """Put the table back as it was recorded, or take it away; return what to tell."""
    at_start = table_at_start(study)
    if at_start is None:
        return _named(study)
    if at_start.run is not None and _put_back(study.folder, at_start.run):
        return [f"{VARIANTS_TABLE} was changed or lost and has been put back as it was recorded"]
    remove_table(study.folder)
    return [
        f"{VARIANTS_TABLE} is not as it was recorded and was taken away; "
        "`leafledger run --variants` makes it again"
    ]


def _named(study: Study) -> list[str]:
    if study.definition.variants or not study.has_variants_table:
        return []
    return [
        f"{VARIANTS_TABLE} tells of variants that study.yaml no longer names; "
        "`leafledger run --variants` takes it away"
    ]


def _vouching(known: list[Run]) -> Run | None:
    """Return the newest run of the study as stated in which the table stood."""
    for entry in reversed(known):
        if entry.get("variant") is not None:
            continue
        if VARIANTS_TASK.name in entry["records"]:
            return entry
        if entry["outcome"] == "done":
            return None
    return None


def _stands(folder: Path, entry: Run | None, known: list[Run]) -> bool:
    record = read_record(folder / VARIANTS_TASK.record)
    if record is None or whole_table(folder, record) is None:
        return False
    if not known:
        return True  # a folder whose book begins now, such as a run being rebuilt
    digest = sha256_of_file(folder / VARIANTS_TASK.record)
    return entry is not None and entry["records"][VARIANTS_TASK.name] == digest


def _put_back(folder: Path, entry: Run) -> bool:
    book = BookView(folder)
    record = book.history(entry["records"][VARIANTS_TASK.name])
    table = book.history(entry.get("tables", {}).get(VARIANTS_TABLE, ""))
    if record is None or table is None:
        return False
    write_bytes(folder / VARIANTS_TABLE, table)
    write_bytes(folder / VARIANTS_TASK.record, record)
    return True
