"""Assays in a whole study: nothing changes without them, and with them all registries know."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import xlsxwriter
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.ledger.book import study_files
from leafledger.records.digests import FileDigests
from leafledger.runner.outdated import would_run
from leafledger.runner.run import run_study
from leafledger.runner.study_check import checked_study
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.study import Task, own_files, tasks

HEAD = "unit,session,leaf,quantity,value,unit_of_value,u\n"
STRIP = (
    'strip,system,front_mm,spot_mm,colour\ns1,"paper, petroleum ether-acetone 9:1",82,53,green\n'
)
PIGMENTS = Task("pigments")


def names(folder: Path) -> list[str]:
    return sorted({s.unit for s in read_study(folder).samples()})


@pytest.fixture
def units(small_study: Path) -> list[str]:
    return names(small_study)


def assays(units: list[str]) -> str:
    rows = (f"{u},day12,1,chlorophyll,{18 + 2 * i},ug/cm2,0.6\n" for i, u in enumerate(units))
    return HEAD + "".join(rows)


def test_without_sheets_there_is_no_task(small_study: Path) -> None:
    study = checked_study(small_study)
    assert PIGMENTS not in tasks(study)
    assert not study.has_assays and study_files(study) == ["study.yaml", "units.csv",
                                                          "decisions.csv", "scans.csv"]  # fmt: skip


@pytest.mark.parametrize("name", ["assays.csv", "chromatograms.csv"])
def test_either_sheet_makes_the_task(small_study: Path, units: list[str], name: str) -> None:
    (small_study / name).write_text(assays(units) if name == "assays.csv" else STRIP)
    study = checked_study(small_study)
    assert PIGMENTS in tasks(study)
    assert own_files(study, PIGMENTS) == [name]
    assert name in study_files(study)


def test_a_workbook_serves_as_well(small_study: Path, units: list[str]) -> None:
    with xlsxwriter.Workbook(small_study / "assays.xlsx") as book:
        page = book.add_worksheet()
        for at, line in enumerate(assays(units).splitlines()):
            for column, cell in enumerate(line.split(",")):
                page.write(at, column, float(cell) if at and column in {4, 6} else cell)
    study = checked_study(small_study)
    assert own_files(study, PIGMENTS) == ["assays.xlsx"]
    (small_study / "assays.csv").write_text(assays(units))
    with pytest.raises(InputFault, match=r"assays\.csv and assays\.xlsx"):
        checked_study(small_study)


def test_what_the_rule_sees(small_study: Path, units: list[str]) -> None:
    (small_study / "assays.csv").write_text(assays(units))
    settings = settings_of(read_study(small_study), "pigments", None)
    assert set(settings) == {"pigments", "design", "scans"}
    assert settings["design"] == {"unit": "plant"}
    assert settings["pigments"] == {"index": None, "interval": 0.95}


def test_check_names_what_is_wrong_in_both_sheets(small_study: Path, units: list[str]) -> None:
    (small_study / "assays.csv").write_text(assays(units) + "p99,day12,1,chlorophyll,3,ml,1\n")
    (small_study / "chromatograms.csv").write_text(STRIP.replace("82", "40"))
    done = CliRunner().invoke(cli, ["check", str(small_study), "--json"])
    assert done.exit_code == 2
    told = json.loads(done.output)["problems"]
    assert {(one["file"], one["column"]) for one in told} >= {
        ("assays.csv", "unit"), ("assays.csv", "unit_of_value"), ("chromatograms.csv", "spot_mm"),
    }  # fmt: skip


def test_nothing_is_read_through_a_link_out_of_the_study(
    small_study: Path, units: list[str], tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere.csv"
    elsewhere.write_text(assays(units))
    (small_study / "assays.csv").symlink_to(elsewhere)
    (small_study / "chromatograms.csv").mkdir()
    with pytest.raises(InputFault, match="a path that leaves the study folder") as caught:
        checked_study(small_study)
    assert "chromatograms.csv: found a folder" in str(caught.value)


def test_an_unknown_index_is_refused(small_study: Path, units: list[str]) -> None:
    path = small_study / "study.yaml"
    path.write_text(path.read_text() + "pigments: {index: NDVJ}\n")
    with pytest.raises(InputFault, match="NDVJ") as caught:
        checked_study(small_study)
    assert "pigments.index" in str(caught.value) and "NDVI" in str(caught.value)


def test_contents_before_any_run(small_study: Path, units: list[str]) -> None:
    (small_study / "assays.csv").write_text(
        "unit,session,leaf,solvent,A665.2,A652.4,A750,volume_ml,fresh_mass_g\n"
        f"{units[0]},day12,1,methanol,0.7,0.35,0.0,10,0.1\n"
    )
    (small_study / "chromatograms.csv").write_text(STRIP)
    done = CliRunner().invoke(cli, ["assay", "contents", str(small_study)])
    assert done.exit_code == 0, done.output
    # 16.72*0.7 - 9.16*0.35 = 8.498 ug/ml; 10 ml of 0.1 g: 0.8498 mg/g.
    assert "chlorophyll_a 0.8498 mg/g" in done.output
    assert "Strip s1" in done.output
    told = CliRunner().invoke(cli, ["assay", "contents", str(small_study), "--json"])
    rows = json.loads(told.output)["contents"]
    assert rows[0]["value"] == pytest.approx(0.8498) and rows[0]["u"] is None
    assert not (small_study / "results").exists()


def test_commands_without_what_they_need(small_study: Path) -> None:
    for words, said in (
        (["assay", "contents", str(small_study)], "assays.csv"),
        (["assay", "advise", str(small_study)], "Run the study first"),
        (["assay", "advise", str(small_study), "--session", "day21"], "day21"),
    ):
        done = CliRunner().invoke(cli, words)
        assert isinstance(done.exception, InputFault) and said in str(done.exception)


@pytest.mark.slow
def test_advice_on_a_study_that_was_run(small_study_run: Path, tmp_path: Path) -> None:
    table = tmp_path / "list.csv"
    words = ["assay", "advise", str(small_study_run), "--leaves", "6", "--csv", str(table)]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    for word in ("6 leaves of 6 units", "flammable", "destroys the leaf", "label", "local codes"):
        assert word in done.output
    lines = table.read_text().splitlines()
    assert lines[0] == "rank,unit,session,leaf,distance" and len(lines) == 7
    assert len({line.split(",")[1] for line in lines[1:]}) == 6
    assert {line.split(",")[2] for line in lines[1:]} == {"day0", "day12"}
    again = CliRunner().invoke(cli, words)
    assert isinstance(again.exception, InputFault)  # no list is written over


@pytest.mark.slow
def test_a_study_with_assays_from_check_to_report(small_study_run: Path, tmp_path: Path) -> None:
    study = Path(shutil.copytree(small_study_run, tmp_path / "study"))
    plain = (study / "results/report.html").read_bytes()
    (study / "assays.csv").write_text(assays(names(study)))
    (study / "chromatograms.csv").write_text(STRIP)
    checked = read_study(study)
    planned = [one.task for one in would_run(checked, FileDigests(study)) if one.certain]
    assert PIGMENTS in planned and Task("effects") not in planned
    assert run_study(study, cores=2).outcome == "done"
    record = json.loads((study / "records/pigments.json").read_text())
    assert {one["role"] for one in record["inputs"]} >= {"assays", "chromatograms", "accepted"}
    page = (study / "results/report.html").read_text(encoding="utf-8")
    for text in ('id="pigment-calibration"', 'id="chromatograms"', "flammable", "Rf in the table",
                 'data-csv="pigment_contents"'):  # fmt: skip
        assert text in page
    assert checked.table("pigments/contents.csv")["value"].tolist()[0] == 18.0
    assert would_run(read_study(study), FileDigests(study)) == []
    # A remark in the sheet of units or a title does not make it run; a value does.
    (study / "assays.csv").write_text(assays(names(study)).replace("18,ug", "18.5,ug"))
    planned = [one.task for one in would_run(read_study(study), FileDigests(study)) if one.certain]
    assert planned == [PIGMENTS]
    # Without the sheets the study is as if they had never been there.
    (study / "assays.csv").unlink()
    (study / "chromatograms.csv").unlink()
    assert run_study(study, cores=2).outcome == "done"
    assert (study / "results/report.html").read_bytes() == plain
    assert "pigments/contents.csv" not in read_study(study).tables()
