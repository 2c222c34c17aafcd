"""What does the book say of the plan, and how is a plan recorded?

The statement stands in ``results/plan_history.json`` before the report reads it, only where the
book can say something. It names a run or a recorded plan and a day: these are facts of the book,
the one exception to results being a function of content. Going back to an earlier plan brings the
same bytes back, so that the report comes from the store.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leafledger.ledger import book
from leafledger.ledger.book import AddedPlan, add_plan, on_record, plan_in_place
from leafledger.ledger.variants_table import intact_output
from leafledger.ledger.view import BookView
from leafledger.records.digests import code_of, sha256_of_file, version
from leafledger.records.record import VERSION, key_of, read_record
from leafledger.records.store import ContentStore
from leafledger.runner.step import Ended, TaskRun, may_use_store, put_record
from leafledger.runner.study_check import checked_design
from leafledger.runner.study_folder import study_lock
from leafledger.study.rules import LOGS, PLAN_HISTORY, PLAN_HISTORY_FILE, RULES
from leafledger.study.settings import plan_of_study
from leafledger.study.study import PLAN_HISTORY_TASK, Study, Task, outputs
from leafledger.study.table_files import read_json, remove_file, write_json, write_text
from leafledger.study.written_plan import (
    BY_RUN,
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

# What the book says
# ----------------------------------------------------------------------

REBUILT_VARIABLE = "LEAFLEDGER_REBUILT"
"""Says to the children of a run that a recorded one is being rebuilt."""


def said_of_plan(study: Study, run: str | None = None) -> Facts | None:
    """Return what the book says of a study's plan, ``None`` if nothing.

    Parameters
    ----------
    study
        The study as stated; nothing is said of a variant, nor of a study without known units.
    run
        The run at work; ``None``: the book as it would be if the study were run now.
    """
    if study.variant is not None or study.definition.design.unit is None:
        return None
    plan = plan_of_study(study)
    records = on_record(BookView(study.folder), at_work=run)
    if run is None:
        sessions = frozenset(study.session_ids)
        records.append(Recorded(BY_RUN, "", "", plan, "", held=sessions, read=sessions))
    return facts_of_plan(records, plan)


def why_history_changes(study: Study) -> str | None:
    """Return why the page must say something else of the plan than it does, ``None`` if not."""
    if study.variant is not None:
        return None
    facts = said_of_plan(study)
    if facts is None:
        there = (study.folder / PLAN_HISTORY_FILE).exists()
        return "the book no longer shows what the page says of the plan" if there else None
    if _stands(study, facts):
        return None
    if (study.folder / PLAN_HISTORY_FILE).exists():
        return "the book says something else of the plan than the page"
    return "the book now shows when the plan was recorded"


def makes_history(study: Study) -> bool:
    """Tell whether a run would make the file, so that it counts as one of its tasks."""
    facts = said_of_plan(study)
    return facts is not None and not _stands(study, facts)


def report_read_it(study: Study) -> bool:
    """Tell whether the page was made of the very statement that would be made now."""
    facts, report = said_of_plan(study), read_record(study.folder / Task(RULES[-1].name).record)
    made = read_record(study.folder / PLAN_HISTORY_TASK.record)
    if facts is None or report is None or made is None or made["key"] != _key(facts):
        return False
    written = {one["sha256"] for one in made["outputs"]}
    return any(
        one["role"] == PLAN_HISTORY_TASK.rule and one["sha256"] in written
        for one in report["inputs"]
    )


def _stands(study: Study, facts: Facts) -> bool:
    """Tell whether the file and its record are what would be made now."""
    record = read_record(study.folder / PLAN_HISTORY_TASK.record)
    if record is None or intact_output(study.folder, record, PLAN_HISTORY_FILE) is None:
        return False
    return record["key"] == _key(facts) and bool(
        read_json(study.folder / PLAN_HISTORY_FILE) == facts
    )


def keep_history(study: Study, run: str) -> bool:
    """Write what the book says of the plan, or take away what it no longer says.

    Parameters
    ----------
    study, run
        The study and the run at work.

    Returns
    -------
    bool
        Whether it stands; it is told of like a step.
    """
    if study.variant is not None or os.environ.get(REBUILT_VARIABLE):
        return True
    facts = said_of_plan(study, run)
    if facts is None:
        remove_file(study.folder / PLAN_HISTORY_FILE)
        remove_file(study.folder / PLAN_HISTORY_TASK.record)
        return True
    if _stands(study, facts):
        return True
    task_run = TaskRun(study.folder, run, PLAN_HISTORY_TASK)
    task_run.begin()
    try:
        ended = _made(study, facts)
    except OSError as error:
        ended = Ended("failed", str(error.strerror or error))
        text = f"{type(error).__name__}: {error}\n"
        write_text(study.folder / LOGS / f"{PLAN_HISTORY_TASK.name}.log", text)
    task_run.end(ended)
    return ended.exit_code == 0


def _made(study: Study, facts: Facts) -> Ended:
    key, store = _key(facts), ContentStore(study.folder)
    owed = outputs(PLAN_HISTORY_TASK).values()
    record = store.restore(key, owed) if may_use_store() else None
    outcome = "done" if record is None else "restored"
    if record is None:
        write_json(study.folder / PLAN_HISTORY_FILE, facts)
        record = _record(study, facts)
        if may_use_store():
            store.keep(record)
    return Ended(outcome, key=key, record=put_record(study.folder, PLAN_HISTORY_TASK, record))


def _settings(facts: Facts) -> dict[str, Any]:
    return {"plan_history": facts}


def _key(facts: Facts) -> str:
    return key_of(PLAN_HISTORY.name, None, _settings(facts), {}, code_of(PLAN_HISTORY.module))


def _record(study: Study, facts: Facts) -> dict[str, Any]:
    place = study.folder / PLAN_HISTORY_FILE
    code = code_of(PLAN_HISTORY.module)
    return {
        "record": VERSION,
        "rule": PLAN_HISTORY.name,
        "session": None,
        "key": _key(facts),
        "settings": _settings(facts),
        "inputs": [],
        "outputs": [
            {
                "role": PLAN_HISTORY.name,
                "path": PLAN_HISTORY_FILE,
                "sha256": sha256_of_file(place),
                "bytes": place.stat().st_size,
            }
        ],
        "code": {"package": version(), "sha256": code.sha256},
        "libraries": code.libraries,
        "metrics": [],
        "seeds": {},
        "warnings": [],
    }


# Recording a plan
# ----------------------------------------------------------------------


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
