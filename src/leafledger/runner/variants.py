"""The study under its variants: which one is at work, which runs hold, the table of all."""

from __future__ import annotations

import os

from leafledger.ledger.variants_table import Settings, VariantsTable, settings_in_words
from leafledger.ledger.view import BookView
from leafledger.records.digests import FileDigests, sha256_of_file
from leafledger.records.record import Record, read_record
from leafledger.runner.plan import RecordedDigests, holds_as_recorded
from leafledger.runner.step import VARIANT_VARIABLE, Ended, TaskRun
from leafledger.study.columns import STATED
from leafledger.study.reading import under_variant
from leafledger.study.rules import LOGS
from leafledger.study.study import Study
from leafledger.study.tables import write_text
from leafledger.study.tasks import VARIANTS_TASK, tasks

TABLE_VARIABLE = "LEAFLEDGER_TABLE_OF_VARIANTS"


def variant_at_work() -> str | None:
    """Return the variant that a run of ours told its children to do, ``None`` for none."""
    return os.environ.get(VARIANT_VARIABLE) or None


def variants_of(study: Study) -> list[Study]:
    """Return the study under each of its variants, in the order of ``study.yaml``."""
    return [under_variant(study, name) for name in study.definition.variants]


def standing_records(
    variant: Study, book: BookView, digests: FileDigests
) -> dict[str, Record] | None:
    """Return the records of the newest run that holds for a variant, as the study is now."""
    for run in reversed(book.runs):
        if run.get("variant") != variant.variant or run["outcome"] != "done":
            continue
        records = book.records_of(run)
        if holds_as_recorded(variant, records, RecordedDigests(records, run["records"], digests)):
            return records
    return None


def needs_run(study: Study, variant: Study, digests: FileDigests) -> bool:
    """Tell whether a variant must be run for its rows of the table."""
    one = Settings(
        str(variant.variant),
        settings_in_words(study, variant),
        standing_records(variant, BookView(study.folder), digests),
    )
    return not VariantsTable(study.folder, [one]).kept(one)


def table_of(study: Study, digests: FileDigests) -> VariantsTable:
    """Return the table of a study whose results are in place, and of its variants' runs."""
    found = {task.name: read_record(study.folder / task.record) for task in tasks(study)}
    records = {task: record for task, record in found.items() if record is not None}
    book = BookView(study.folder)
    sets = [Settings(STATED, "", records)]
    for variant in variants_of(study):
        standing = standing_records(variant, book, digests)
        sets.append(Settings(str(variant.variant), settings_in_words(study, variant), standing))
    return VariantsTable(study.folder, sets)


def table_is_current(study: Study, digests: FileDigests) -> bool:
    """Tell whether the table is the one that would be made now; none of no variants is current."""
    return not study.definition.variants or table_of(study, digests).is_current()


def make_table(study: Study, run: str, digests: FileDigests) -> bool:
    """Make the table if it is not current, and tell of it like a step; return whether it stands."""
    table = table_of(study, digests)
    if table.is_current():
        return True
    folder, name = study.folder, VARIANTS_TASK.name
    task_run = TaskRun(folder, run, VARIANTS_TASK)
    task_run.begin()
    outcome, message, record = "done", "", None
    try:
        table.make()
        record = sha256_of_file(folder / VARIANTS_TASK.record)
    except (LookupError, OSError) as error:
        outcome, message = "failed", str(error)
        write_text(folder / LOGS / f"{name}.log", f"{type(error).__name__}: {error}\n")
    task_run.end(Ended(outcome, message, table.key, record))
    return outcome == "done"
