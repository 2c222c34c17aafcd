"""``leafledger plan allocate`` on a study that was planned, measured once and run."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.ledger.verify import verify
from leafledger.runner.run import run_study
from leafledger.study.definition_file import read_definition

AXIS = np.arange(450, 901, 5)


def invoked(*words: str) -> Any:
    return CliRunner().invoke(cli, list(words))


def sheet(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def measure(folder: Path, session: str, shift: float = 0.0) -> None:
    """Write a file for every scan of a session: leaves whose red edge differs by plant."""
    for row in sheet(folder / "scans.csv"):
        if row["session"] != session:
            continue
        rng = np.random.default_rng([int(row["unit"][1:]), len(session)])
        edge = 712.0 + 0.9 * int(row["unit"][1:]) + shift + rng.normal(0, 0.2)
        depth = 0.40 + 0.004 * int(row["leaf"]) + rng.normal(0, 0.003)
        values = 5.0 + 100.0 * depth / (1.0 + np.exp(-(AXIS - edge) / 14.0))
        lines = (f"{nm}\t{v:.5f}\n" for nm, v in zip(AXIS, values, strict=True))
        (folder / row["file"]).write_text("".join(lines), encoding="utf-8")


@pytest.fixture(scope="module")
def first_evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a study of 12 plants after its first session has been run; not to be changed."""
    folder = tmp_path_factory.mktemp("lived") / "study"
    done = invoked("plan", str(folder), "--treatments", "water,chelate", "--units", "12", "--pairs",
                   "--allocate-later", "--sessions", "day0,day4,day8", "--leaves", "2",
                   "--quantity", "percent", "--seed", "5")  # fmt: skip
    assert done.exit_code == 0, done.exception
    measure(folder, "day0")
    result = run_study(folder, cores=1)
    assert result.outcome == "done", (result.message, result.problems)
    return folder


@pytest.fixture
def study(first_evening: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(first_evening, tmp_path / "study"))


def why(*words: str) -> str:
    done = invoked(*words)
    assert isinstance(done.exception, InputFault), (done.output, done.exception)
    return str(done.exception)


@pytest.mark.slow
def test_pairs_are_neighbours_and_everything_follows(study: Path) -> None:
    before = {
        p.relative_to(study).as_posix(): p.read_bytes()
        for p in study.rglob("*")
        if p.is_file() and p.relative_to(study).parts[0] in {"raw", "results", "records"}
    }
    rows_before = sheet(study / "scans.csv")
    done = invoked("plan", "allocate", str(study), "--seed", "11", "--json")
    assert done.exit_code == 0, (done.output, done.exception)
    facts = json.loads(done.output)["allocation"]
    # 1. Pairs: neighbours by the value before, one of each treatment.
    units = {row["unit"]: row for row in sheet(study / "units.csv")}
    ranked = sorted(units, key=lambda unit: facts["values"][unit]["CI_rededge"])
    for i in range(0, 12, 2):
        one, two = (units[unit] for unit in ranked[i : i + 2])
        assert one["pair"] == two["pair"]
        assert {one["treatment"], two["treatment"]} == {"water", "chelate"}
    assert len({row["pair"] for row in units.values()}) == 6
    # 2. Seed and digest; the digest is that of the table.
    table = (study / "plan/allocation.csv").read_bytes()
    assert facts["sha256"] == hashlib.sha256(table).hexdigest()
    assert facts["seed"] == 11
    kept = json.loads((study / "plan/allocation.json").read_text(encoding="utf-8"))
    assert kept["sha256"] == facts["sha256"]
    # 3. The analysis follows.
    definition, _ = read_definition(study)
    assert definition.design.block == "pair"
    # 4. Sessions to come alternate; the session before keeps its rows.
    rows = sheet(study / "scans.csv")
    assert [r for r in rows if r["session"] == "day0"] == [
        r for r in rows_before if r["session"] == "day0"
    ]
    assert sorted(map(str, rows)) == sorted(map(str, rows_before))
    for session in ("day4", "day8"):
        order = [r["unit"] for r in rows if r["session"] == session][::2]
        for i in range(0, 12, 2):
            assert units[order[i]]["pair"] == units[order[i + 1]]["pair"]
        first = Counter(units[unit]["treatment"] for unit in order[::2])
        assert first == {"water": 3, "chelate": 3}
        html = (study / f"plan/sheets/{session}.html").read_text(encoding="utf-8")
        assert html.index(f"{session}-{order[0]}-1") < html.index(f"{session}-{order[1]}-1")
    # 5. Nothing of the pipeline was touched, and the book tells of it.
    for name, data in before.items():
        assert (study / name).read_bytes() == data, name
    edited = {"study.yaml", "units.csv", "scans.csv"}
    assert {broken.file for broken in verify(study).broken} <= edited
    entry = json.loads(next((study / "ledger/plans").glob("*.json")).read_text(encoding="utf-8"))
    assert entry["allocation"] == {"seed": 11, "sha256": facts["sha256"]}
    assert entry["read"] == ["day0"]
    assert "by `plan allocate` on" in invoked("plan", "history", str(study)).output.lower()
    # 6. The study runs on, and the report says when treatments were allocated.
    measure(study, "day4", shift=0.5)
    measure(study, "day8", shift=1.0)
    result = run_study(study, cores=1)
    assert result.outcome == "done", (result.message, result.problems)
    report = (study / "results/report.html").read_text(encoding="utf-8")
    assert "allocated after baseline on" in report
    assert "before any after-session had been read" in report
    assert facts["sha256"] in report
    assert "was fixed before the data" in report
    out = study.parent / "handed on"
    assert invoked("export", str(study), str(out)).exit_code == 0
    methods = (out / "methods.txt").read_text(encoding="utf-8")
    assert "12 plants were allocated to water and chelate at random, 6 to each, by lot" in methods
    assert f"(seed 11, SHA-256 of the allocation {facts['sha256']})" in methods
    assert not verify(study).broken


@pytest.mark.slow
def test_lots_are_drawn_once_unless_asked_again(study: Path) -> None:
    assert invoked("plan", "allocate", str(study), "--seed", "11").exit_code == 0
    first = (study / "plan/allocation.json").read_bytes()
    units = (study / "units.csv").read_bytes()
    assert "--again" in why("plan", "allocate", str(study))
    assert (study / "units.csv").read_bytes() == units
    # The results of the session before hold, whatever treatments stand beside them since.
    again = invoked("plan", "allocate", str(study), "--seed", "12", "--again", "--second", "NDVI")
    assert again.exit_code == 0, (again.output, again.exception)
    assert "drawn again once" in again.output
    assert (study / "plan/allocation-001.json").read_bytes() == first
    assert (study / "plan/allocation-001.csv").is_file()
    assert (study / "units.csv").read_bytes() != units
    kept = json.loads((study / "plan/allocation.json").read_text(encoding="utf-8"))
    assert kept["indices"] == ["CI_rededge", "NDVI"]
    assert kept["number"] == 2
    assert "Mahalanobis" in kept["rule"]
    assert len(list((study / "ledger/plans").glob("*.json"))) == 2
    edited = {"study.yaml", "units.csv", "scans.csv"}
    assert {broken.file for broken in verify(study).broken} <= edited
    # Blocks instead of pairs: no column of the earlier lots is left over.
    blocks = invoked("plan", "allocate", str(study), "--seed", "13", "--again", "--blocks", "3")
    assert blocks.exit_code == 0, (blocks.output, blocks.exception)
    heading = (study / "units.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert "block" in heading and "pair" not in heading
    assert read_definition(study)[0].design.block == "block"
    # A raw file that changed since is another matter.
    raw = sorted((study / "raw/day0").iterdir())[0]
    raw.write_text(raw.read_text(encoding="utf-8").replace("\t5", "\t6"), encoding="utf-8")
    assert "not up to date" in why("plan", "allocate", str(study), "--again")


@pytest.mark.slow
def test_it_is_refused_too_early_too_late_and_out_of_date(study: Path, tmp_path: Path) -> None:
    units = (study / "units.csv").read_bytes()
    # Too early: nothing has been run.
    early = tmp_path / "early"
    words = ("--treatments", "water,chelate", "--units", "12", "--pairs", "--allocate-later",
             "--sessions", "day0,day4", "--quantity", "percent", "--seed", "5")  # fmt: skip
    assert invoked("plan", str(early), *words).exit_code == 0
    assert "leafledger run" in why("plan", "allocate", str(early))
    # Out of date: a raw file changed since.
    raw = sorted((study / "raw/day0").iterdir())[0]
    text = raw.read_text(encoding="utf-8")
    raw.write_text(text.replace("\t5", "\t6"), encoding="utf-8")
    assert "not up to date" in why("plan", "allocate", str(study))
    raw.write_text(text, encoding="utf-8")
    # Too late: a scan after the treatment exists.
    late = study / "raw/day4" / "anything.txt"
    late.write_text("500 1\n", encoding="utf-8")
    assert "day4" in why("plan", "allocate", str(study))
    late.unlink()
    # Blocks that do not fit, an index that is not there.
    assert "multiple of" in why("plan", "allocate", str(study), "--blocks", "5")
    assert "NDVI" in why("plan", "allocate", str(study), "--index", "NDV")
    assert (study / "units.csv").read_bytes() == units
    assert not (study / "plan/allocation.json").exists()
    assert not (study / "ledger/plans").exists()


@pytest.mark.slow
def test_the_same_seed_gives_the_same_lots(
    study: Path, first_evening: Path, tmp_path: Path
) -> None:
    other = Path(shutil.copytree(first_evening, tmp_path / "other"))
    for folder in (study, other):
        done = invoked("plan", "allocate", str(folder), "--seed", "3", "--blocks", "3")
        assert done.exit_code == 0, (done.output, done.exception)
    for name in ("units.csv", "scans.csv", "study.yaml", "plan/allocation.json",
                 "plan/sheets/day4.pdf", "plan/randomisation.html"):  # fmt: skip
        assert (study / name).read_bytes() == (other / name).read_bytes(), name
    blocks = Counter((row["block"], row["treatment"]) for row in sheet(study / "units.csv"))
    assert set(blocks.values()) == {2}


@pytest.mark.slow
def test_a_study_that_was_written_by_hand_is_allocated_too(study: Path) -> None:
    shutil.rmtree(study / "plan")
    scans = (study / "scans.csv").read_bytes()
    done = invoked("plan", "allocate", str(study), "--seed", "3", "--second", "NDVI")
    assert done.exit_code == 0, (done.output, done.exception)
    assert "draw the order of measuring yourself" in done.output
    assert (study / "scans.csv").read_bytes() == scans
    assert {row["treatment"] for row in sheet(study / "units.csv")} == {"water", "chelate"}
    assert sorted(p.name for p in (study / "plan").iterdir()) == [
        "allocation.csv", "allocation.json", "randomisation.html",
    ]  # fmt: skip


@pytest.mark.parametrize("layout", [("--blocks", "3"), ("--pairs",), (), ("--allocate-later",)])
def test_a_planned_study_passes_check_before_anything_is_measured(
    layout: tuple[str, ...], tmp_path: Path
) -> None:
    folder = str(tmp_path / "planned")
    words = ("--treatments", "water,chelate", "--units", "12", "--sessions", "day0,day4",
             "--title", "A: B # C", "--seed", "5")  # fmt: skip
    assert invoked("plan", folder, *words, *layout).exit_code == 0
    done = invoked("check", folder)
    assert done.exit_code == 0, (done.output, done.exception)
    assert "day4: to come" in done.output
    assert invoked("plan", "record", folder).exit_code == 0
