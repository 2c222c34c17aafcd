"""What the book says of the plan, in ``results/plan_history.json`` before the report reads it.

The file is there only where the book can say something. It names a run or a recorded plan and a
day: these are facts of the book, the one exception to results being a function of content.
Going back to an earlier plan brings the same bytes back, so that the report comes from the store.
"""

from __future__ import annotations

import os
from typing import Any

from leafledger.ledger.plans import on_record
from leafledger.ledger.variants_table import intact_output
from leafledger.ledger.view import BookView
from leafledger.records.code import code_of, version
from leafledger.records.digests import sha256_of_file
from leafledger.records.record import VERSION, key_of, read_record
from leafledger.records.store import ContentStore
from leafledger.runner.step import Ended, TaskRun, may_use_store, put_record
from leafledger.study.rules import LOGS, PLAN_HISTORY, RULES
from leafledger.study.settings import plan_of_study
from leafledger.study.study import PLAN_HISTORY_FILE, Study
from leafledger.study.table_files import read_json, remove_file, write_json, write_text
from leafledger.study.tasks import PLAN_HISTORY_TASK, Task, outputs
from leafledger.study.written_plan import BY_RUN, Facts, Recorded, facts_of_plan

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
    return Ended(outcome, key=key, record=put_record(study, PLAN_HISTORY_TASK, record))


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
