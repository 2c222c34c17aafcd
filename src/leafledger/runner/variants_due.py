"""Is the table of the variants the one that would be made now, and if not, why?"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from leafledger.ledger.variants_table import Settings, VariantsTable, intact_table
from leafledger.ledger.view import BookView
from leafledger.records.digests import FileDigests
from leafledger.records.record import Record, read_record
from leafledger.runner.plan import Planned, RecordedDigests, why_not_as_recorded
from leafledger.runner.variants import table_of
from leafledger.study.columns import STATED
from leafledger.study.reading import under_variant
from leafledger.study.study import VARIANTS_TABLE, Study
from leafledger.study.tasks import VARIANTS_TASK


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
