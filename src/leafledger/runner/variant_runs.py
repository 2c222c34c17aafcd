"""The study under its variants: which one is at work, which runs hold, the table of all of them.

The table is made of finished runs. It is out of date if a variant, the study as stated or the code
that it rests on is another.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from leafledger.ledger.variants_table import (
    Settings,
    VariantsTable,
    intact_table,
    settings_in_words,
)
from leafledger.ledger.view import BookView
from leafledger.records.digests import FileDigests, sha256_of_file
from leafledger.records.record import Record, read_record
from leafledger.runner.outdated import (
    Planned,
    RecordedDigests,
    holds_as_recorded,
    why_not_as_recorded,
)
from leafledger.runner.step import VARIANT_VARIABLE, Ended, TaskRun
from leafledger.study.reading import under_variant
from leafledger.study.rules import LOGS
from leafledger.study.study import VARIANTS_TABLE, Study
from leafledger.study.table_files import write_text
from leafledger.study.tables import STATED
from leafledger.study.tasks import VARIANTS_TASK, tasks

# --- which runs hold, and the table ---------------------------------------------------------------

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


# --- whether the table is out of date -------------------------------------------------------------


@dataclass(frozen=True)
class TableStatus:
    """How the table of the variants stands.

    Attributes
    ----------
    made
        Whether there is a table.
    why
        Why it is out of date, in words; empty if it is not, or if there is none.
    """

    made: bool
    why: tuple[str, ...] = ()


def table_status(study: Study, digests: FileDigests, planned: Collection[Planned]) -> TableStatus:
    """Tell how the table of the variants stands.

    Parameters
    ----------
    study
        The study as stated.
    digests
        Digests of the study's files.
    planned
        What a run of the study as stated would do now.
    """
    record = read_record(study.folder / VARIANTS_TASK.record)
    if record is None:
        unrecorded = (study.folder / VARIANTS_TABLE).exists()
        return TableStatus(unrecorded, ("its record is missing",) if unrecorded else ())
    if intact_table(study.folder, record) is None:
        return TableStatus(True, ("it was changed or removed after it was made",))
    if not study.definition.variants:
        return TableStatus(True, ("study.yaml names no variants any more",))
    table = table_of(study, digests)
    why = [
        *_definitions_changed(record, table),
        *_stated_changed(record, table, planned),
        *_not_standing(study, table, digests),
    ]
    if not why and not table.is_current():
        why = ["data, results or the code that the table rests on changed after it was made"]
    return TableStatus(True, tuple(why))


def _definitions_changed(record: Record, table: VariantsTable) -> Iterator[str]:
    before: dict[str, str] = record["settings"]["variants"]
    now = {one.name: one.words for one in table.sets if one.name != STATED}
    for name in sorted({*before, *now}):
        if name not in before:
            yield f"variant {name} is new in study.yaml"
        elif name not in now:
            yield f"variant {name} is no longer in study.yaml"
        elif before[name] != now[name]:
            yield f"variant {name} is now {now[name]}; the table has {before[name]}"


def _stated_changed(
    record: Record, table: VariantsTable, planned: Collection[Planned]
) -> Iterator[str]:
    """Tell of the results as stated; the report rests on the table and not the table on it."""
    behind = [one for one in planned if one.certain and one.task.rule != "report"]
    if behind:
        yield f"the study as stated is not up to date ({behind[0].task.name}: {behind[0].why})"
        return
    read = {given["role"]: given["sha256"] for given in record["inputs"]}
    for one in table.sets:
        if one.name == STATED:
            kept = {role: sha for role, sha in read.items() if role.endswith(f"/{STATED}")}
            if sorted(kept.values()) != sorted(f["sha256"] for f in one.files.values()):
                yield "the results of the study as stated changed after it was made"


def _not_standing(study: Study, table: VariantsTable, digests: FileDigests) -> Iterator[str]:
    for one in table.sets:
        if one.name != STATED and not table.kept(one):
            yield f"variant {one.name} must be run: {_why_not(study, table.book, one, digests)}"


def _why_not(study: Study, book: BookView, one: Settings, digests: FileDigests) -> str:
    if one.records is not None:
        return "the tables of its run are no longer kept"
    variant = under_variant(study, one.name)
    own = [run for run in book.runs if run.get("variant") == one.name]
    ended_well = [run for run in own if run["outcome"] == "done"]
    if not ended_well:
        return "its last run did not end well" if own else "not run yet"
    newest = ended_well[-1]
    records = book.records_of(newest)
    as_left = RecordedDigests(records, newest["records"], digests)
    return why_not_as_recorded(variant, records, as_left) or "its records are no longer kept"
