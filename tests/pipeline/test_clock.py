"""A clock that was ahead, or is set back, costs no result."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from leafledger.records import events
from leafledger.runner import execute
from leafledger.runner.run import run_study
from leafledger.study.study import Study, Task

Edit = Callable[[Path, str, str], None]
AN_HOUR = 3600.0


def date_in_the_future(study: Path) -> None:
    later = time.time() + AN_HOUR
    for path in study.rglob("*"):
        if path.is_file() and "ledger" not in path.relative_to(study).parts:
            os.utime(path, (later, later))


@pytest.mark.slow
def test_files_dated_in_the_future_do_not_stop_a_run(ran_study: Path, edit: Edit) -> None:
    scan = (ran_study / "results" / "accepted.csv").read_text("utf-8").splitlines()[1].split(",")[0]
    row = f"{scan},exclude,the clip slipped,Ada,2026-05-17T10:00:00\n"
    (ran_study / "decisions.csv").write_text("scan,action,reason,by,when\n" + row, "utf-8")
    edit(ran_study / "study.yaml", "margin_nm: 5", "margin_nm: 15")
    date_in_the_future(ran_study)
    result = run_study(ran_study, cores=2)
    assert result.outcome == "done", (result.message, result.problems)
    assert {"acceptance", "indices.day12", "report"} <= {e["task"] for e in result.tasks}
    assert run_study(ran_study, cores=2).outcome == "idle"


@pytest.mark.slow
def test_what_snakemake_takes_back_is_made_once_more(
    ran_study: Path, monkeypatch: pytest.MonkeyPatch, edit: Edit
) -> None:
    """The clock set back in the moment between a task's end and Snakemake's look at its files."""
    edit(ran_study / "study.yaml", "index: RE_contrast", "index: RE_other")
    calls: list[list[str]] = []
    honest = execute.run_tasks

    def taking_back(study: Study, tasks: Iterable[Task], cores: int) -> bool:
        tasks = list(tasks)
        calls.append(sorted(task.name for task in tasks))
        well = honest(study, tasks, cores)
        if "indices.day0" in calls[-1] and len([c for c in calls if "indices.day0" in c]) == 1:
            (study.folder / "records" / "indices.day0.json").unlink()
            (study.folder / "results" / "indices" / "day0.parquet").unlink()
            return False
        return well

    monkeypatch.setattr(execute, "run_tasks", taking_back)
    monkeypatch.setattr(execute, "die_with_parent", lambda: None)
    monkeypatch.setattr(sys, "argv", ["execute", "2"])
    monkeypatch.setenv(events.RUN_VARIABLE, "20260517T000000-test")
    monkeypatch.chdir(ran_study)
    assert execute.main() == 0
    assert [call for call in calls if "indices.day0" in call] == [
        ["indices.day0", "indices.day12"],
        ["indices.day0"],
    ]
    monkeypatch.undo()
    assert run_study(ran_study, cores=2).outcome == "idle"
