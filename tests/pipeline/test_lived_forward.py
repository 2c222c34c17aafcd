"""A study lived forward: run after each day, it ends as if it had been run once at the end."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from click.testing import CliRunner

from generated import generator, shrink
from leafledger import Study
from leafledger.cli.main import cli
from leafledger.records.digests import FileDigests
from leafledger.review.review_session import ReviewSession
from leafledger.runner.outdated import record_plan, would_run
from leafledger.runner.run import run_study
from leafledger.runner.study_check import checked_study
from leafledger.runner.workflow import snakefile
from leafledger.study.table_files import read_csv, read_json

ORDER = ("day0", "day12", "day4", "day8")
"""The order in which the sessions are measured: the last one before two that were planned first."""
OWN = ("intake", "reflectance", "quality", "indices")
OF_CLASSES = {"classes", "rivals", "negative_controls"}
OF_STUDY = {"acceptance", "validation", "unit_means", "effects", "report"}
OF_THE_BOOK = {"plan_history"}


def leafledger(*words: object) -> str:
    """Run a command and return what it prints; it must end well."""
    result = CliRunner().invoke(cli, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


@dataclass
class Day:
    """How one evening's run went, and what was shown after it."""

    foreseen: set[str]
    ran: set[str]
    summary: dict
    texts: dict[str, str] = field(default_factory=dict)


@dataclass
class Lived:
    """A study that was lived forward, and the same study run once at the end."""

    forward: Path
    at_once: Path
    before: dict[str, str]
    days: dict[str, Day]


def texts_after(study: Path, out: Path) -> dict[str, str]:
    """Ask everything that looks at a study: it must work at each step."""
    told = {name: leafledger(name, study) for name in ("check", "status", "runs", "verify")}
    told["plan"] = leafledger("plan", "history", study)
    told["trace"] = leafledger("trace", study, "report.html")
    leafledger("export", study, out)
    told["methods"] = (out / "methods.txt").read_text(encoding="utf-8")
    told["miappe"] = (out / "miappe.csv").read_text(encoding="utf-8")
    told["report"] = (study / "results/report.html").read_text(encoding="utf-8")
    opened = Study.open(study)
    assert set(opened.spectra().rows["session"]) == set(opened.session_ids)
    assert "effects.csv" in opened.tables()
    review = ReviewSession(study)
    assert {group["session"] for group in review.overview()["groups"]} == set(opened.session_ids)
    return told


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lived]:
    base = tmp_path_factory.mktemp("forward")
    whole, forward, at_once = base / "whole", base / "forward", base / "at_once"
    generator().generate(
        whole, seed=5, n_plants=8, n_leaves=2, n_sessions=4, n_pixels=256, fault_list="none"
    )
    shrink(whole)
    for study in (forward, at_once):
        shutil.copytree(whole, study)
    shutil.rmtree(forward / "raw")
    # Before any session: all that can be asked says that there is nothing yet.
    before = {name: leafledger(name, forward) for name in ("check", "run", "status", "runs")}
    for study in (forward, at_once):
        record_plan(study)
    before["again"] = leafledger("run", forward)
    days = {}
    for day in ORDER:
        shutil.copytree(whole / "raw" / day, forward / "raw" / day)
        opened = checked_study(forward)
        foreseen = {one.task.name for one in would_run(opened, FileDigests(forward))}
        result = run_study(forward, cores=2)
        assert result.outcome == "done", (result.message, result.problems)
        days[day] = Day(
            foreseen,
            {event["task"] for event in result.tasks},
            read_json(forward / "results/effects.json"),
            texts_after(forward, base / f"crate-{day}"),
        )
    assert run_study(at_once, cores=2).outcome == "done"
    yield Lived(forward, at_once, before, days)


pytestmark = [pytest.mark.slow, pytest.mark.longest]


def test_before_the_first_session_there_is_nothing_to_run(lived: Lived) -> None:
    assert "day12 (2026-05-16): to come, no scans yet" in lived.before["check"]
    for name in ("run", "status", "again"):
        assert "Nothing to run yet" in lived.before[name]
    assert "No run yet" in lived.before["runs"]


def test_each_evening_runs_its_own_session_and_the_study(lived: Lived) -> None:
    done: list[str] = []
    for day, told in lived.days.items():
        own = {f"{rule}.{day}" for rule in OWN}
        assert own <= told.ran <= told.foreseen
        others = told.ran - own - OF_STUDY - OF_CLASSES - OF_THE_BOOK - {"catalogue"}
        # The trusted range of the study may move with a session; indices are made anew then.
        assert others <= {f"indices.{earlier}" for earlier in done}, day
        assert told.ran >= OF_STUDY
        assert ("catalogue" in told.ran) == (day == "day0")
        assert bool(OF_CLASSES & told.ran) == (day != "day0"), "its sessions are those after"
        done.append(day)


def test_the_first_evening_shows_balance_and_what_waits(lived: Lived) -> None:
    told = lived.days["day0"]
    found = told.summary["unfinished"]
    assert found["said"][0] == (
        "CI_rededge at day12 waits: day12 has no scans yet (the primary contrast)."
    )
    assert {row["treatment"] for row in found["balance"]} == {"water", "chelate"}
    assert found["detectable"][0]["index"] == "CI_rededge"
    report = told.texts["report"]
    for words in (
        "What is still to come",
        "Were the treatments alike before?",
        "What the plan can detect",
        'id="fig-balance"',
        "waits: day12 has no scans yet",
        "There is no answer yet.",
        "1 of 4 sessions is measured (day0); to come: ",
    ):
        assert words in report, words
    assert "There is no answer yet." not in lived.days["day12"].texts["report"]
    assert (
        "When this was computed, day4, day8 and day12 were still to be measured."
        in (told.texts["methods"])
    )
    assert '"to be measured, day4"' in told.texts["miappe"]


def test_the_primary_is_tested_once_its_session_is_there(lived: Lived) -> None:
    """Though two sessions that were planned before it are still to come."""
    summary = lived.days["day12"].summary
    (row,) = summary["primary"]
    assert row["p"] is not None
    assert "detectable" not in summary["unfinished"]
    assert "The whole course waits: day4 has no scans yet." in summary["unfinished"]["said"]
    assert "unfinished" not in lived.days["day8"].summary


def test_the_book_proves_throughout_that_the_plan_came_first(lived: Lived) -> None:
    facts = read_json(lived.forward / "results/plan_history.json")
    assert (facts["statement"], facts["recorded"]["by"]) == ("fixed_before", "plan")
    for told in lived.days.values():
        assert "The primary contrast was fixed before the data" in told.texts["report"]
        assert "All holds" in told.texts["verify"]


def test_in_the_end_every_result_is_that_of_a_study_run_at_once(lived: Lived) -> None:
    def content(study: Path) -> dict[str, bytes]:
        return {
            path.relative_to(study).as_posix(): path.read_bytes()
            for place in ("results", "records")
            for path in sorted((study / place).rglob("*"))
            if path.is_file()
        }

    forward, at_once = content(lived.forward), content(lived.at_once)
    assert sorted(forward) == sorted(at_once)
    assert [name for name, data in forward.items() if at_once[name] != data] == []


def test_plain_snakemake_makes_the_same_of_the_first_evening(lived: Lived, tmp_path: Path) -> None:
    """Its rules have no task of a session to come; tables equal those of our own run."""
    study = tmp_path / "plain"
    shutil.copytree(lived.forward, study, ignore=shutil.ignore_patterns(
        "results", "records", "ledger", "logs", ".snakemake", "day4", "day8", "day12"
    ))  # fmt: skip
    environment = {k: v for k, v in os.environ.items() if not k.startswith("LEAFLEDGER")}
    command = [sys.executable, "-m", "snakemake", "-s", str(snakefile()), "--cores", "2"]
    done = subprocess.run(command, cwd=study, env=environment, capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    assert sorted(path.stem for path in (study / "results/scans").iterdir()) == ["day0"]
    summary = json.loads((study / "results/effects.json").read_text(encoding="utf-8"))
    assert summary == lived.days["day0"].summary


def test_a_session_given_up_is_stated_and_runs_nothing_of_the_others(
    lived: Lived, tmp_path: Path
) -> None:
    """day8 is never measured: its contrasts say why, and no measuring task runs again."""
    study = tmp_path / "skipped"
    shutil.copytree(lived.forward, study)
    shutil.rmtree(study / "raw/day8")
    scans = study / "scans.csv"
    lines = scans.read_text(encoding="utf-8").splitlines(keepends=True)
    scans.write_text("".join(line for line in lines if ",day8," not in line), encoding="utf-8")
    path = study / "study.yaml"
    text = path.read_text(encoding="utf-8")
    assert "2026-05-12, phase: after}" in text
    path.write_text(
        text.replace("2026-05-12, phase: after}", "2026-05-12, phase: after, skipped: storm}"),
        encoding="utf-8",
    )
    result = run_study(study, cores=2)
    assert result.outcome == "done", (result.message, result.problems)
    ran = {event["task"] for event in result.tasks}
    assert not any(name.startswith(("intake", "reflectance", "quality")) for name in ran)
    effects = read_csv(study / "results/effects.csv")
    day8 = effects[effects["contrast"].str.contains("day8")]
    assert len(day8) > 0
    assert day8["reason"].str.startswith("day8 was not measured: storm").all()
    assert effects["p"].notna().any()
    leafledger("export", study, tmp_path / "crate")
    methods = (tmp_path / "crate/methods.txt").read_text(encoding="utf-8")
    assert "Session day8 was planned and not measured: storm." in methods
    report = (study / "results/report.html").read_text(encoding="utf-8")
    assert "day8 was not measured: storm" in report
