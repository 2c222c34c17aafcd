"""Why a run ended as it did: problems of the input, the stage that failed, what is in the way."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Sequence
from typing import Any

from leafledger.errors import InputFault, Problem
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.runner.plan import plan
from leafledger.runner.step import problems_file
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import of_variant, read_definition, with_rows
from leafledger.study.rules import LOGS
from leafledger.study.study import Study
from leafledger.study.tables import read_json
from leafledger.study.tasks import Task

_NEXT_TO_NOTHING = 1_000_000
_NO_SPACE = tuple(os.strerror(number) for number in (errno.ENOSPC, errno.EDQUOT))
SNAKEMAKE_LOG = f"{LOGS}/snakemake.log"


def problems_of(study: Study, faults: list[dict[str, Any]]) -> list[Problem]:
    """Return what the tasks found wrong, each problem once, with the rows of ``study.yaml``."""
    told = [
        Problem(**problem)
        for event in faults
        for problem in read_json(problems_file(study.folder, Task(event["rule"], event["session"])))
    ]
    if not any(problem.file == STUDY_FILE for problem in told):
        return list(dict.fromkeys(told))
    told = of_variant(told, study.variant)
    try:
        _, text = read_definition(study.folder)
    except InputFault:
        return list(dict.fromkeys(told))
    return list(dict.fromkeys(with_rows(told, text)))


def _no_longer_holds(study: Study, level: list[str]) -> str:
    """Say why a level that ended well is not up to date: its files or what it rests on changed."""
    reasons = {p.task.name: p.why for p in plan(study, FileDigests(study.folder))}
    stale = [f"{task} ended well, but then: {reasons[task]}" for task in level if task in reasons]
    return stale[0] if stale else f"{level[0]} ended well, but not for Snakemake"


def _no_space(study: Study, cut: Sequence[str]) -> bool:
    """Tell whether the disk is full, or was when tasks were cut that could write no event."""
    if shutil.disk_usage(study.folder).free < _NEXT_TO_NOTHING:
        return True
    logs = [study.folder / LOGS / f"{task}.log" for task in cut]
    told = [log.read_text(encoding="utf-8", errors="replace") for log in logs if log.is_file()]
    return any(words in text for text in told for words in _NO_SPACE)


def why_failed(study: Study, run: str, failed: list[dict[str, Any]]) -> str:
    """Say why a run failed, from the events of the tasks that did and from what it told."""
    others = [e for e in failed if e["outcome"] == "failed"]
    if others:
        event = others[0]
        return f"{event['task']} failed: {event['message']} (log: {event['log']})"
    lines, _ = events.told(study.folder, run)
    started = [line["task"] for line in lines if line.get("state") == "started"]
    ended = {line["task"] for line in lines if line.get("state") not in {None, "started"}}
    cut = [task for task in started if task not in ended]
    if _no_space(study, cut):
        doing = f": {cut[0]} could not be finished" if cut else ""
        return f"No space left on the disk that holds the study{doing}"
    if cut:
        return (
            f"{cut[0]} was ended from outside (out of memory, or killed); log: {LOGS}/{cut[0]}.log"
        )
    level: list[str] = next((line["level"] for line in reversed(lines) if "level" in line), [])
    waiting = [task for task in level if task not in ended]
    if waiting:
        what = f"{waiting[0]} did not begin, or was ended at once"
    elif level:
        what = _no_longer_holds(study, level)
    else:
        what = "it could not begin"
    return f"{what} (log: {SNAKEMAKE_LOG})"
