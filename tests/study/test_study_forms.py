"""Studies without a scan sheet: file name patterns, and a table that is its own sheet."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.sheets import as_id, is_id

PATTERN_STUDY = """\
title: x
design:
  treatment: group
  control: dry
intake:
  pattern: "raw/{group}_{unit}_{leaf}.txt"
  forms: {default: {form: text, quantity: percent}}
"""


def write_pattern_study(folder: Path, names: list[str]) -> None:
    (folder / "raw").mkdir()
    (folder / "study.yaml").write_text(PATTERN_STUDY, encoding="utf-8")
    for name in names:
        (folder / "raw" / name).write_text("400 1\n", encoding="utf-8")


def test_a_pattern_yields_scans_units_and_groups(tmp_path: Path) -> None:
    write_pattern_study(tmp_path, ["dry_p1_1.txt", "dry_p1_2.txt", "wet_p2_1.txt", "notes.md"])
    study = read_study(tmp_path)
    assert [s.scan for s in study.samples()] == ["dry_p1_1", "dry_p1_2", "wet_p2_1"]
    assert study.units == {"p1": {"group": "dry"}, "p2": {"group": "wet"}}


def test_a_unit_of_two_groups_in_file_names_is_refused(tmp_path: Path) -> None:
    write_pattern_study(tmp_path, ["dry_p1_1.txt", "wet_p1_1.txt"])
    with pytest.raises(InputFault, match="one group for each unit"):
        read_study(tmp_path)


def test_a_pattern_that_fits_nothing_is_named(tmp_path: Path) -> None:
    write_pattern_study(tmp_path, ["odd.csv"])
    with pytest.raises(InputFault, match="which no file fits"):
        read_study(tmp_path)


def write_table(folder: Path, rows: list[str]) -> None:
    bands = [str(w) for w in range(500, 800, 20)]
    text = "\n".join([",".join(["Type", *bands]), *rows]) + "\n"
    (folder / "table.csv").write_text(text, encoding="utf-8")
    (folder / "study.yaml").write_text(
        "title: x\ndesign: {unit: none, treatment: Type}\n"
        "intake: {sheet: table.csv, forms: {default: {form: wide_table, quantity: percent}}}\n"
        "classes: {target: Type}\n",
        encoding="utf-8",
    )


def test_a_labelled_table_is_its_own_sheet(tmp_path: Path) -> None:
    draw = random.Random(1)
    rows = [
        ",".join([kind, *(f"{draw.uniform(5, 60):.3f}" for _ in range(15))])
        for kind in ("sick", "well") * 6
    ]
    write_table(tmp_path, rows)
    first = read_study(tmp_path)
    assert [scan.scan for scan in first.samples()] == [f"row{n:02d}" for n in range(2, 14)]
    assert {row["Type"] for row in first.units.values()} == {"sick", "well"}
    draw.shuffle(rows)
    write_table(tmp_path, rows)
    again = read_study(tmp_path)
    # A row keeps its label and its values (found by its text), and is called by where it stands.
    assert [again.units[f"row{n:02d}"]["Type"] for n in range(2, 14)] == [
        row.partition(",")[0] for row in rows
    ]
    assert {scan.item for scan in again.samples()} == {scan.item for scan in first.samples()}


def test_intake_is_told_what_other_sessions_use_of_a_file(tmp_path: Path) -> None:
    for file in ("all.csv", "own.csv"):
        (tmp_path / file).write_text("label,500,510\na,1,2\n", encoding="utf-8")
    lines = [
        "scan,file,item,session,unit",
        "s1,all.csv,a,d0,p1",
        "s2,all.csv,c,d1,p1",
        "s3,all.csv,b,d1,p2",
        "s4,own.csv,a,d1,p2",
    ]
    (tmp_path / "scans.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "units.csv").write_text("unit,t\np1,a\np2,b\n", encoding="utf-8")
    (tmp_path / "study.yaml").write_text(
        "title: x\ndesign: {unit: plant, treatment: t, control: a, sessions: "
        "[{session: d0}, {session: d1}]}\n"
        "intake: {forms: {default: {form: wide_table, scan_column: label, "
        "quantity: reflectance}}}\n",
        encoding="utf-8",
    )
    study = read_study(tmp_path)
    assert settings_of(study, "intake", "d0")["elsewhere"] == {"all.csv": ["b", "c"]}
    assert settings_of(study, "intake", "d1")["elsewhere"] == {"all.csv": ["a"]}


@pytest.mark.parametrize("form", ["wide_table", "spreadsheet"])
@pytest.mark.parametrize("n_bands", [12, 2000])
def test_a_labelled_table_in_a_workbook_is_sent_to_csv(
    tmp_path: Path, form: str, n_bands: int
) -> None:
    import xlsxwriter

    write_table(tmp_path, [])
    text = (tmp_path / "study.yaml").read_text(encoding="utf-8")
    text = text.replace("table.csv", "table.xlsx").replace("wide_table", form)
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")
    with xlsxwriter.Workbook(tmp_path / "table.xlsx") as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["Type", *range(500, 500 + n_bands)])
        sheet.write_row(1, 0, ["sick", *[5.5] * n_bands])
    with pytest.raises(InputFault) as fault:
        read_study(tmp_path)
    told = [p for p in fault.value.problems if p.file == "table.xlsx"]
    assert [p.found for p in told] == ["a table of labelled spectra in a workbook"]
    assert "as CSV (UTF-8)" in told[0].mend and "wide_table" in told[0].mend


@pytest.mark.parametrize("data", [b'PK\x03\x04"a\rb,"\n1', b'Type,"' + b"5" * 200_000 + b"\n1"])
def test_a_table_that_is_none_is_a_problem_not_a_traceback(tmp_path: Path, data: bytes) -> None:
    write_table(tmp_path, [])
    (tmp_path / "table.csv").write_bytes(data)
    with pytest.raises(InputFault):
        read_study(tmp_path)


@given(st.text(max_size=200))
@settings(max_examples=200)
def test_any_text_becomes_an_id(text: str) -> None:
    made = as_id(text)
    assert is_id(made) or made.startswith(("-", "_")) is False
    assert is_id(made)
