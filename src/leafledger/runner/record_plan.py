"""Recording the plan of a study in its book, before anything is measured or later."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from leafledger.ledger import book
from leafledger.ledger.plans import Lodged, lodge, on_record
from leafledger.ledger.view import BookView
from leafledger.runner.check import checked_design
from leafledger.runner.lock import study_lock
from leafledger.study.plan import has_primary
from leafledger.study.plan_history import Recorded, judged, sentences_of
from leafledger.study.settings import plan_of_study


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

    lodged: Lodged
    has_primary: bool
    first: Recorded
    read: tuple[str, ...]
    said: tuple[str, ...]


def record_plan(folder: Path) -> PlanRecord:
    """Enter the plan of a study in its book, chained to the runs; only its sheets need be right.

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
        lodged = lodge(study.folder, plan, link)
    records = on_record(BookView(study.folder))
    first = next(one for one in records if one.plan == plan)
    after = {s.session for s in study.sessions if s.phase == "after"}
    facts = judged(records, plan)
    primary = has_primary(plan)
    return PlanRecord(
        lodged,
        primary,
        first,
        tuple(s for s in lodged.entry["read"] if s in after),
        tuple(sentences_of(facts, primary=primary)),
    )
