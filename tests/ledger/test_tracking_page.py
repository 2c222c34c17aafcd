"""The tracking page opens on the list of runs, which can be read; a run leads to its report."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from browser import Watched, chromium, watched  # noqa: F401  fixtures
from leafledger.ledger import book
from leafledger.ledger.compare import Difference
from leafledger.ledger.run_summary import (
    CHANGED_TAG,
    PRIMARY_TAG,
    VERDICT_TAG,
    change_words,
    run_name,
)
from leafledger.ledger.tracking import start_page, sync_store
from leafledger.ledger.verify import verify
from leafledger.study.study import Study, Task

from .test_tracking import Seen

Entered = Callable[..., str]
EFFECTS = """\
question,index,contrast,stratum,method,primary,estimate,ci_low,ci_high,p,verdict,unit
difference_in_change,CI,(b-a)@x-y,all,linear_model,true,0.14187,0.11127,0.17247,1e-8,significant,1
difference_in_change,CI,(c-a)@x-y,all,linear_model,false,0.1,0.0,0.2,0.5,not_significant,1
"""
WORDS = '{"findings": [{"sentence": "The change of CI was *higher* under x."}], "unfinished": {}}\n'


def enact_effects(study: Study, run: str) -> None:
    """Enter a run in which the effects say something, and the report is a page."""
    book.open_run(study, run)
    for name, contents in {
        "effects": {"results/effects.csv": EFFECTS, "results/effects.json": WORDS},
        "report": {"results/report.html": "<!doctype html><title>r</title><h1>The page</h1>"},
    }.items():
        enact_files(study, Task(name), run, contents)
    book.close_run(study, run, "done", "")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def enact_files(study: Study, task: Task, run: str, contents: dict[str, str]) -> None:
    """Do a task as `enact` does, with these words in some of its files."""
    from leafledger.records.record import Metric, Outcome, input_digests, make_record, write_record
    from leafledger.records.store import ContentStore
    from leafledger.runner.step import code_of_task, job_of

    from .conftest import write_event

    job = job_of(study, task)
    for path, text in contents.items():
        (study.folder / path).write_text(text, encoding="utf-8")
    numbers = [Metric("primary_estimate", 0.14187), Metric("primary_p", 1e-8)]
    outcome = Outcome(numbers if task.rule == "effects" else [], ["Heed <this>."])
    record = make_record(job, input_digests(job), code_of_task(task), "0.1.0", outcome)
    write_record(study.folder / task.record, record)
    ContentStore(study.folder).keep(record)
    write_event(study, task, run, "done", "", record["key"])


@pytest.fixture
def two_runs(study: Study, whole_run: Entered) -> Path:
    whole_run("r1")
    enact_effects(study, "r2")
    assert sync_store(study.folder, "A title") == []
    return study.folder


def test_a_run_says_what_it_found_and_what_changed(two_runs: Path) -> None:
    runs = Seen(two_runs).parents
    assert runs["r1"].info.run_name == "first run"
    assert runs["r1"].data.tags[CHANGED_TAG] == "first run"
    run = runs["r2"].data
    assert run.tags[PRIMARY_TAG] == "CI 0.142 (0.111 to 0.172), (b-a)@x-y"
    assert run.tags[VERDICT_TAG] == "significant"
    assert run.metrics["answer/primary_estimate"] == 0.14187
    assert (run.metrics["answer/interval_low"], run.metrics["answer/interval_high"]) == (
        0.11127,
        0.17247,
    )
    note = run.tags["mlflow.note.content"]
    assert note.startswith("**Found**\n\n- The change of CI was \\*higher\\* under x.")
    assert "- effects: Heed &lt;this\\>." in note
    assert note.endswith("Run r2: its page is report.html under Artifacts.")


def test_verify_holds_the_answer_against_the_book(two_runs: Path) -> None:
    from .test_tracking_check import change, of_database

    assert of_database(verify(two_runs)) == []
    change(two_runs, "UPDATE tags SET value = 'not significant' WHERE key = 'verdict'")
    assert of_database(verify(two_runs)) == [
        f"the tracking store was changed: tag verdict of run r2 is "
        f'"not significant", not "significant"; {_mend()}'
    ]
    change(two_runs, "UPDATE tags SET value = 'significant' WHERE key = 'verdict'")
    # Name and description are a person's to change in MLflow.
    change(two_runs, "UPDATE tags SET value = 'mine' WHERE key = 'mlflow.note.content'")
    change(two_runs, "UPDATE tags SET value = 'mine' WHERE key = 'mlflow.runName'")
    assert of_database(verify(two_runs)) == []


def _mend() -> str:
    from leafledger.ledger import verify as module

    return str(module._MEND)


def test_changes_are_named_shortly() -> None:
    added = [
        Difference("task", "intake.day12", "not run", "stands"),
        Difference("task", "quality.day12", "not run", "stands"),
        Difference("task", "classes", "not run", "stands"),
        Difference("sheet", "scans.csv d12-1", "not there", "a row"),
        Difference("setting", "design.sessions", "day0", "day0, day12"),
    ]
    assert change_words(added) == ["day12 added"]
    assert change_words(added, done=False) == [
        "sessions day0 to day0, day12",
        "1 cell of the sheets changed",
    ]
    alpha = Difference("setting", "effects.alpha", "0.05", "0.01")
    assert change_words([*added, alpha]) == ["day12 added", "alpha 0.05 to 0.01"]
    assert change_words(
        [
            Difference("setting", "design.unallocated", "a, b", "not there"),
            Difference("setting", "design.block", "none", "pair"),
            Difference("sheet", "units.csv p1 treatment", "empty", "a"),
        ]
    ) == ["treatments allocated"]
    assert change_words(
        [
            Difference("decision", "p05-1", "none", "exclude (clip; me)"),
            Difference("decision", "p06-1", "exclude (clip; me)", "none"),
            Difference("code", "effects", "1", "2"),
            Difference("library", "scipy", "1.0", "1.1"),
        ]
    ) == ["p05-1: exclude", "p06-1: decision withdrawn", "code of effects", "scipy 1.0 to 1.1"]
    assert change_words([Difference("code", name, "1", "2") for name in "ab"]) == [
        "code of 2 stages"
    ]
    assert change_words([]) == ["nothing changed"]
    assert run_name({"outcome": "input_fault"}, ["x"]) == "x (input fault)"


def test_the_start_page_cannot_be_broken_out_of() -> None:
    page = start_page("http://127.0.0.1:1/#/experiments/7/runs?a=</script>").decode()
    assert page.count("</script>") == 1
    assert 'ExperimentPage-[\\"7\\"]-ReactComponentState' in page


@pytest.fixture
def served(two_runs: Path) -> Iterator[str]:
    """Yield the address that `leafledger ui` prints; the command is ended with the test."""
    command = [sys.executable, "-m", "leafledger.cli", "ui", str(two_runs), "--no-browser"]
    child = subprocess.Popen(
        [*command, "--port", str(free_port())], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True,
    )  # fmt: skip
    try:
        assert child.stdout is not None
        found = next(m for line in child.stdout if (m := re.search(r"http://\S+", line)))
        yield found[0]
    finally:
        child.terminate()
        child.wait(30)


@pytest.mark.slow
def test_the_list_of_runs_leads_to_a_run_and_its_report(served: str, watched: Watched) -> None:  # noqa: F811
    watched.allow(served.split("#")[0])
    page = watched.page
    page.goto(served)
    # The list of runs itself, in the classic view, without the assistant.
    expect(page.get_by_role("link", name="first run")).to_be_visible()
    assert "/experiments/" in page.url
    for heading in ("primary contrast", "verdict", "what changed"):
        expect(page.get_by_role("columnheader", name=heading).first).to_be_visible()
    expect(page.get_by_text("CI 0.142 (0.111 to 0.172)").first).to_be_visible()
    assert page.get_by_placeholder("Ask a question").count() == 0
    # A run: its findings, its few numbers, its page.
    page.get_by_role("link", name=re.compile("code of|changed|taken out")).first.click()
    expect(page.get_by_text("The change of CI was")).to_be_visible()
    expect(page.get_by_text("answer/primary_estimate")).to_be_visible()
    page.get_by_role("tab", name="Artifacts").click()
    page.get_by_text("report.html", exact=True).first.click()
    expect(page.frame_locator("iframe").get_by_text("The page")).to_be_visible()
    watched.forget()  # MLflow's own scripts warn of their age
