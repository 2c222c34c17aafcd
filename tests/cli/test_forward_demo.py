"""The demo study lived forward: its plan, the data behind it, and the whole play."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections import Counter
from collections.abc import Iterator
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
from leafledger.runner.study_check import checked_study
from leafledger.runner.workflow import demo_study
from leafledger.study.reading import read_study
from leafledger.study.study import Study
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
    """What the demo adds by hand, darks at a second time and the instrument, is all that differs."""
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
