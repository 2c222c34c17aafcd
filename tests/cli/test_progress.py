"""How far a run has come: stage, session, share done, time left; and lines that fit the screen."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from leafledger.cli.terminal_text import (
    Forecast,
    RunProgress,
    earlier_task_seconds,
    folded,
    running_words,
)
from leafledger.study.table_files import write_json
from terminal import at_a_terminal

TASKS = ["intake.day0", "quality.day0", "effects"]


def test_share_and_time_left_follow_the_weight_of_the_tasks() -> None:
    forecast = Forecast(TASKS, {"intake.day0": 10.0, "quality.day0": 10.0, "effects": 60.0})
    assert (forecast.share, forecast.left(5.0)) == (0.0, None)
    forecast.end("intake.day0", computed=True, elapsed=20.0)
    assert forecast.share == pytest.approx(1 / 8)
    assert forecast.left(20.0) == pytest.approx(140.0)
    assert forecast.left(50.0) == pytest.approx(110.0)
    forecast.end("quality.day0", computed=False, elapsed=20.0)
    assert forecast.share == pytest.approx(1 / 7)
    assert forecast.left(20.0) == pytest.approx(120.0), "what was restored tells no pace"
    forecast.end("effects", computed=True, elapsed=90.0)
    assert (forecast.share, forecast.left(500.0)) == (1.0, 0.0)


def test_the_newest_times_count_and_a_damaged_event_does_no_harm(tmp_path: Path) -> None:
    for run, seconds, outcome in (("a", 9.0, "done"), ("b", 4.0, "done"), ("c", 0.1, "restored")):
        told = dict.fromkeys(("rule", "started", "message", "log"), "x")
        numbers = {"seconds": seconds, "peak_bytes": 1}
        event = {**told, **numbers, "task": "effects", "outcome": outcome, "run": run}
        write_json(tmp_path / f"ledger/events/{run}/effects.json", event)
    (tmp_path / "ledger/events/c/report.json").write_text("{", encoding="utf-8")
    assert earlier_task_seconds(tmp_path) == {"effects": 4.0}
    assert earlier_task_seconds(tmp_path / "never run") == {}


def test_elsewhere_it_writes_lines(capsys: pytest.CaptureFixture[str]) -> None:
    with RunProgress(quiet=False) as progress:
        progress({"planned": TASKS})
        progress({"state": "started", "task": "intake.day0"})
        progress({"state": "done", "task": "intake.day0", "seconds": 1.25})
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.splitlines()
    assert lines[0] == "up to 3 tasks to run"
    assert lines[1].split() == ["[1/3]", "intake.day0", "done", "1.2", "s"]
    with RunProgress(quiet=False) as progress:
        progress({"planned": ["effects"]})
        for task in ("unit_means", "effects"):  # Snakemake did one that was not planned
            progress({"state": "done", "task": task, "seconds": 1.0})
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "1 task to run"
    assert [line.split()[0] for line in lines[1:]] == [
        "[1/1]",
        "[2/2]",
    ]
    with RunProgress(quiet=True) as progress:
        progress({"planned": TASKS})
        progress({"state": "done", "task": "effects", "seconds": 1.0})
    assert capsys.readouterr() == ("", "")


SCRIPT = """
import time
from leafledger.cli.terminal_text import RunProgress
with RunProgress(quiet=False) as progress:
    progress({"planned": ["intake.[/b]", "quality.day4", "effects", "report"]})
    for task in ("quality.day4", "intake.[/b]"):
        progress({"state": "started", "task": task})
    time.sleep(0.3)
    progress({"state": "done", "task": "intake.[/b]", "seconds": 1.0})
    time.sleep(0.3)
"""


@pytest.mark.parametrize("columns", [80, 120])
def test_the_bar_fits_the_screen_and_names_stage_and_session(columns: int) -> None:
    code, told = at_a_terminal("-c", SCRIPT, columns=columns)
    assert code == 0, told
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "\n", told)
    drawn = [line for line in re.split(r"[\r\n]+", plain) if line.strip()]
    assert max(map(len, drawn)) <= columns
    for words in ("quality day4, 1 more", "0 of 4", "1 of 4", " s left"):
        assert words in " ".join(plain.split("\n")), words


def test_a_long_session_is_cut() -> None:
    assert running_words(["intake." + "s" * 64, "effects"]) == "intake ssssssssss…, 1 more"


def test_sentences_fold_between_words() -> None:
    text = folded("higher under chelate than under-water\nnext " + "x" * 40, "  - ", 30)
    assert text.splitlines() == [
        "  - higher under chelate than",
        "    under-water",
        "    next",
        "    " + "x" * 40,
    ]


BAR = """
from leafledger.cli.terminal_text import RunProgress
with RunProgress(quiet=False) as progress:
    progress({"planned": ["effects", "report"]})
    progress({"state": "started", "task": "effects"})
    progress({"state": "done", "task": "effects", "seconds": 1.0})
    progress._bar.refresh()
"""
COLOUR = re.compile(r"\x1b\[(?:[0-9]+;)*(?:3[0-8]|9[0-7])(?:;[0-9]+)*m")


def test_colours_are_off_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """As https://no-color.org has it: NO_COLOR of any value but the empty one."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    code, coloured = at_a_terminal("-c", BAR)
    assert code == 0 and COLOUR.search(coloured)
    monkeypatch.setenv("NO_COLOR", "1")
    code, plain = at_a_terminal("-c", BAR)
    assert code == 0 and "effects" in plain
    assert not COLOUR.search(plain)
