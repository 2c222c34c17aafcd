"""Plans of a study: recording one, and what is said of the one behind the newest results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leafledger.ledger import book
from leafledger.ledger.plans import AddedPlan, add_plan, on_record, plan_in_place
from leafledger.ledger.view import BookView
from leafledger.runner.study_check import checked_design
from leafledger.runner.study_folder import study_lock
from leafledger.study.settings import plan_of_study
from leafledger.study.study import PLAN_HISTORY_FILE
from leafledger.study.table_files import read_json
from leafledger.study.written_plan import (
    NOT_PROVABLE,
    Facts,
    Recorded,
    digest_of,
    facts_of_plan,
    has_primary,
    mark_of,
    mark_of_margins,
    sentences_of,
    words_of_first,
    words_of_others,
)


@dataclass(frozen=True)
class PlanRecord:
    """A plan that was recorded, or stood already.

    Attributes
    ----------
    lodged
        Its entry in the book and its text.
    has_primary
        Whether it names a primary contrast.
    first
        The first record of this plan, with the same text or another.
    read
        After-sessions that had been read when this entry was made.
    said
        What the book says of the plan now, in sentences.
    """

    lodged: AddedPlan
    has_primary: bool
    first: Recorded
    read: tuple[str, ...]
    said: tuple[str, ...]


def record_plan(folder: Path, allocation: Mapping[str, Any] | None = None) -> PlanRecord:
    """Enter the plan of a study in its book, chained to the runs; only its sheets need be right.

    Parameters
    ----------
    folder
        The study folder.
    allocation
        Where lots have just been drawn: ``sha256`` of the allocation, and ``seed``.

    Raises
    ------
    InputFault
        With every problem of ``study.yaml`` and the units, or if a run is at work.
    """
    study = checked_design(folder)
    plan = plan_of_study(study)
    with study_lock(study.folder):
        book.close_interrupted(study.folder)
        head = book.head_run(study.folder)
        link = None if head is None else book.link_to(study.folder, head["run"])
        lodged = add_plan(study.folder, plan, link, allocation)
    records = on_record(BookView(study.folder))
    first = next(one for one in records if one.plan == plan)
    after = [s.session for s in study.sessions if s.phase == "after"]
    facts = facts_of_plan(records, plan)
    primary = has_primary(plan)
    return PlanRecord(
        lodged,
        primary,
        first,
        tuple(s for s in after if s in lodged.entry["read"]),
        tuple(sentences_of(facts, primary=primary)),
    )


def said_of_results(folder: Path) -> tuple[Facts | None, list[str]]:
    """Return what the book says of the plan behind the newest results: facts, and sentences.

    Unlike the page, which has the same bytes whenever the same plan holds, it also tells of other
    plans that were in force in between.
    """
    plan = plan_in_place(folder)
    if plan is None or "design.unit" not in plan:
        return None, []
    place = folder / PLAN_HISTORY_FILE
    facts: Facts | None = read_json(place) if place.is_file() else None
    if facts is not None and facts["plan_sha256"] != digest_of(plan):
        facts = None
    records, named = on_record(BookView(folder)), has_primary(plan)
    sentences = sentences_of(facts, primary=named)
    if named and (facts is None or facts["statement"] == NOT_PROVABLE):
        sentences += words_of_first(records)
    return facts, sentences + words_of_others(records, plan)


def marked(findings: Sequence[dict[str, Any]], facts: Facts | None) -> list[dict[str, Any]]:
    """Return findings with the mark that their verdict carries: ``exploratory``, and why."""
    marks = {"primary": mark_of(facts), "equivalence": mark_of_margins(facts)}
    return [{**one, "mark": marks[one["id"]]} if marks.get(one["id"]) else one for one in findings]
