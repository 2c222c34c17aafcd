"""The demo study lived forward: its plan, the data behind it, and the whole play."""

from __future__ import annotations

import csv
import importlib
import io
import re
import shutil
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from leafledger.cli import forward_demo as played
from leafledger.cli.forward_demo import (
    DAYS,
    FAULTS,
    FIRST,
    INSTRUMENT,
    NOT_REPEATED,
    PLANTS_FILE,
    ForwardDemo,
    forward_demo,
    plan_command,
)
from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.planning.planned_study import write_study
from leafledger.planning.randomisation import csv_text
from leafledger.runner.outdated import record_plan
from leafledger.runner.run import run_study
from leafledger.runner.step import job_of
from leafledger.runner.study_check import checked_study
from leafledger.runner.workflow import demo_study
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME
from leafledger.study.study import Study, Task
from leafledger.study.table_files import read_csv, read_json, read_parquet


@pytest.fixture(scope="module")
def demo() -> ForwardDemo:
    return forward_demo()


@pytest.fixture(scope="module")
def finished() -> Study:
    return read_study(demo_study())


def rows_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode())))


# The plan and the data behind it
# ----------------------------------------------------------------------


def test_each_planned_plant_is_one_of_the_demo_with_its_treatment_and_bench(
    demo: ForwardDemo, finished: Study
) -> None:
    allocation = demo.planned.allocation
    assert allocation is not None
    assert sorted(demo.plants.values()) == sorted(finished.units)
    for planned, plant in demo.plants.items():
        labels = finished.units[plant]
        assert allocation.treatment[planned] == labels["treatment"], planned
        assert {"1": "A", "2": "B"}[allocation.block[planned]] == labels["block"], planned


def test_each_planned_scan_is_the_same_leaf_or_reference(
    demo: ForwardDemo, finished: Study
) -> None:
    by_id = {scan.scan: scan for scan in finished.scans}
    stated = {row["scan"]: row for row in rows_of(demo.files()["scans.csv"])}
    for session, scans in demo.scans.items():
        assert len(set(scans.values())) == len(scans) == 72 + 18 + 9
        for planned, source in scans.items():
            row, scan = stated[planned], by_id[source]
            assert (row["session"], row["role"]) == (session, scan.role) == (session, row["role"])
            assert scan.session == session
            assert float(row["integration_ms"]) == scan.integration_ms, planned
            assert int(row["averages"]) == scan.averages
            if scan.role == "sample":
                assert (demo.plants[row["unit"]], row["leaf"]) == (scan.unit, scan.leaf), planned
                assert scan.replicate == "1"


def test_a_group_of_references_is_one_of_the_demo(demo: ForwardDemo) -> None:
    """First, middle and last references of the plan are those of the demo, in their order."""
    pairs = [(p, s) for p, s in demo.scans[FIRST].items() if "dark" in p or "white" in p]
    for planned, source in pairs:
        group, number = (int(n) for n in re.findall(r"(?:dark|white)(\d)-.*?(\d)$", planned)[0])
        assert int(source.rpartition("-")[2]) == 3 * (group - 1) + number, (planned, source)
    assert Counter(re.sub(r"\d+$", "", s) for _, s in pairs) == {
        "d0-dark12-": 9,
        "d0-dark18-": 9,
        "d0-white-": 9,
    }


def test_cells_that_differ_are_refused(demo: ForwardDemo, finished: Study) -> None:
    allocation = demo.planned.allocation
    assert allocation is not None
    moved = {unit: dict(labels) for unit, labels in finished.units.items()}
    moved["p01"]["treatment"] = "water"
    with pytest.raises(played.StageFailure, match="plan and demo differ"):
        played.plants_of_demo(
            allocation, Study(finished.folder, finished.definition, (), moved, ())
        )


def test_the_command_that_is_shown_writes_that_plan(demo: ForwardDemo, tmp_path: Path) -> None:
    """Only what the demo adds by hand differs: darks at a second time, and the instrument."""
    typed = tmp_path / "typed"
    done = CliRunner().invoke(cli, plan_command(typed)[1:], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    files = demo.files()
    own = {"scans.csv", "study.yaml", "plan/plan.json", "plan/randomisation.html", PLANTS_FILE}
    own |= {name for name in files if name.startswith("plan/sheets/")}
    for name, data in files.items():
        if not name.endswith("/") and name not in own:
            assert (typed / name).read_bytes() == data, name
    assert files["study.yaml"].decode() == (typed / "study.yaml").read_text() + INSTRUMENT
    planned = rows_of((typed / "scans.csv").read_bytes())
    without = [row for row in rows_of(files["scans.csv"]) if "-12ms-" not in row["scan"]]
    same = [{**row, "scan": row["scan"].replace("-18ms", "")} for row in without]
    assert [row["scan"] for row in same] == [row["scan"] for row in planned]
    plan, typed_plan = (read_json(p / "plan/plan.json") for p in (written(demo, tmp_path), typed))
    assert plan["answers"] == typed_plan["answers"]
    assert plan["allocation"] == typed_plan["allocation"]


def written(demo: ForwardDemo, base: Path) -> Path:
    folder = base / "forward"
    write_study(folder, demo.files())
    return folder


def test_the_planned_study_is_sound_and_all_to_come(demo: ForwardDemo, tmp_path: Path) -> None:
    study = checked_study(written(demo, tmp_path))
    assert not study.session_ids
    assert [*study.to_come] == [FIRST, *DAYS]


def test_a_further_day_is_copied_whole_with_its_times(demo: ForwardDemo, tmp_path: Path) -> None:
    folder = written(demo, tmp_path)
    played._copy_day(folder, demo, "day8")
    files = sorted(path.stem for path in (folder / "raw/day8").iterdir())
    assert files == sorted(demo.scans["day8"])
    assert not list((folder / "raw").glob(".*"))
    rows = {row["scan"]: row["time"] for row in rows_of((folder / "scans.csv").read_bytes())}
    assert all(rows[p] == demo.times[s] for p, s in demo.scans["day8"].items())
    assert all(not rows[p] for p in demo.scans["day4"])
    # An interruption between files and times: the times are written when it goes on.
    (folder / "scans.csv").write_bytes(demo.files()["scans.csv"])
    played._copy_day(folder, demo, "day8")
    again = {row["scan"]: row["time"] for row in rows_of((folder / "scans.csv").read_bytes())}
    assert again == rows
    assert [*checked_study(folder).session_ids] == ["day8"]


@pytest.mark.parametrize("held", ["notes.txt", "study.yaml", PLANTS_FILE])
def test_a_folder_with_something_else_is_refused_and_left(tmp_path: Path, held: str) -> None:
    file = tmp_path / "mine" / held
    file.parent.mkdir(parents=True)
    file.write_text("mine")
    done = CliRunner().invoke(cli, ["demo", "--forward", str(tmp_path / "mine")])
    assert isinstance(done.exception, InputFault)
    assert "holds something else" in done.exception.problems[0].found
    assert [p for p in (tmp_path / "mine").rglob("*") if p.is_file()] == [file]


# The whole play
# ----------------------------------------------------------------------

OWN_TO_THE_BOOK = {"results/plan_history.json", "records/plan_history.json"}
"""They name the day on which the plan was recorded."""


@dataclass(frozen=True)
class Play:
    """A demo that was played forward.

    Attributes
    ----------
    folder
        The study.
    said
        What the command printed.
    """

    folder: Path
    said: str


def play(folder: Path) -> str:
    done = CliRunner().invoke(cli, ["demo", "--forward", str(folder)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Play:
    folder = tmp_path_factory.mktemp("lived") / "forward"
    return Play(folder, play(folder))


def planned_scan(demo: ForwardDemo, source: str) -> str:
    (found,) = [p for scans in demo.scans.values() for p, s in scans.items() if s == source]
    return found


slow = [pytest.mark.slow, pytest.mark.longest]


class TestPlayed:
    pytestmark = slow

    def test_each_step_stands_there_with_its_command(self, lived: Play) -> None:
        typed = re.findall(r"(?m)^   \$ leafledger (\w+(?: record| history)?)", lived.said)
        evenings = ["run"] * (1 + len(DAYS))
        assert typed == ["plan", "plan record", "watch", *evenings, "plan history"]
        for place in re.findall(r"(?m)^   Look: (\S+)", lived.said):
            assert place.startswith("http://127.0.0.1:") or Path(place).is_file(), place

    def test_the_report_proves_that_the_plan_was_fixed_before(self, lived: Play) -> None:
        assert read_json(lived.folder / "results/plan_history.json")["statement"] == "fixed_before"
        page = (lived.folder / "results/report.html").read_text(encoding="utf-8")
        assert "The primary contrast was fixed before the data" in page
        evening, _, rest = lived.said.partition("day4: measure")
        assert "CI_rededge at day12 waits" in evening
        end = rest.partition("Was it planned before?")[2]
        assert "fixed before the data" in end
        assert "waits" not in end

    def test_faults_called_out_are_those_that_a_run_finds(
        self, lived: Play, demo: ForwardDemo, tmp_path: Path
    ) -> None:
        planted = {planned_scan(demo, source) for source in FAULTS}
        left = {planned_scan(demo, source) for source in NOT_REPEATED}
        called = set(re.findall(r"(?m)^   x \d+/\d+ (\S+) .*MEASURE AGAIN", lived.said))
        assert called == planted
        rows = rows_of((lived.folder / "scans.csv").read_bytes())
        superseded = {r["scan"] for r in rows if r["omitted"].startswith("superseded by")}
        assert superseded == planted - left
        # 1. The evening's run, in which the repeats take part.
        assert faults_in(lived.folder) == left
        # 2. The same functions of the run on the first takes, as if nobody had watched.
        unwatched = tmp_path / "unwatched"
        shutil.copytree(
            lived.folder,
            unwatched,
            ignore=shutil.ignore_patterns("results", "records", "ledger", *DAYS, ".snakemake"),
        )
        first = [{**r, "omitted": ""} for r in rows if not r["scan"].endswith("-r2")]
        (unwatched / "scans.csv").write_text(
            csv_text([[*first[0]], *([*r.values()] for r in first)])
        )
        study = read_study(unwatched)
        for task in [Task("catalogue"), *(Task(rule, FIRST) for rule in OWN_RULES)]:
            job = job_of(study, task)
            for output in job.outputs.values():
                output.parent.mkdir(parents=True, exist_ok=True)
            importlib.import_module(BY_NAME[task.rule].module).run(job)
        assert faults_in(unwatched) == planted

    def test_planted_faults_of_the_other_days_are_found(
        self, lived: Play, demo: ForwardDemo
    ) -> None:
        table = read_csv(lived.folder / "results/exclusions.csv")
        out = set(table.loc[table["applied"] == "exclude", "scan"])
        left = {planned_scan(demo, source) for source in NOT_REPEATED}
        sources = ("d4-p07-2", "d8-p10-1", "d12-p15-3")
        assert out == left | {planned_scan(demo, source) for source in sources}
        suggested = set(table.loc[table["applied"] == "keep", "scan"])
        assert {planned_scan(demo, s) for s in ("d8-p11-1", "d8-p23-1")} <= suggested

    def test_the_answer_is_that_of_the_demo(self, lived: Play) -> None:
        """The planted difference in change, over plants like these, lies in the interval."""
        effects = read_csv(lived.folder / "results/effects.csv")
        (row,) = [r for _, r in effects.iterrows() if str(r["primary"]).lower() == "true"]
        planted = read_json(demo_study() / "planted.json")["difference_in_change"]
        truth = planted["CI_rededge"]["day12"]
        assert row["ci_low"] < truth["population"] < row["ci_high"]
        # All 72 leaves of the demo but those with a fault: near what its own study finds (0.142).
        assert row["estimate"] == pytest.approx(0.142, abs=0.01)

    def test_results_are_those_of_a_study_run_once(self, lived: Play, tmp_path: Path) -> None:
        once = tmp_path / "once"
        shutil.copytree(
            lived.folder,
            once,
            ignore=shutil.ignore_patterns("results", "records", "ledger", "logs", ".snakemake"),
        )
        record_plan(once)
        assert run_study(once, cores=2).outcome == "done"
        forward, at_once = (contents(folder) for folder in (lived.folder, once))
        assert sorted(forward) == sorted(at_once)
        different = {name for name, data in forward.items() if at_once[name] != data}
        assert different <= OWN_TO_THE_BOOK

    def test_played_again_it_does_nothing_again(self, lived: Play) -> None:
        before = contents(lived.folder)
        said = play(lived.folder)
        assert said.count("Done before.") == 2 + len(DAYS) + len(DAYS)
        assert re.findall(r"(\d+) tasks? ran", said) == ["0"]
        assert contents(lived.folder) == before


OWN_RULES = ("intake", "reflectance", "quality")


def faults_in(study: Path) -> set[str]:
    flags = read_parquet(study / f"results/quality/{FIRST}.parquet")
    return set(flags.loc[flags["severity"] == "fault", "scan"])


def contents(study: Path) -> dict[str, bytes]:
    return {
        path.relative_to(study).as_posix(): path.read_bytes()
        for place in ("results", "records")
        for path in sorted((study / place).rglob("*"))
        if path.is_file()
    }
