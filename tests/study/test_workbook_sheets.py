"""Sheets of a study kept in workbooks: the same study as from CSV, faults in spreadsheet terms."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import xlsxwriter
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, from_excel
from xlsxwriter.worksheet import Worksheet

from leafledger.errors import InputFault, Problem
from leafledger.ledger.book import study_files
from leafledger.runner import step
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.sheets import Sheet, read_sheet
from leafledger.study.study import Task, tasks
from leafledger.study.worksheet_cells import moment

Fill = Callable[[xlsxwriter.Workbook, Worksheet], None]


def write(path: Path, rows: Sequence[Sequence[Any]], *names: str, fill: Fill | None = None) -> Path:
    """Write the rows to the first of the sheets: numbers as numbers, times as times."""
    with xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd hh:mm:ss"}) as book:
        sheets = [book.add_worksheet(name) for name in names or ("Sheet1",)]
        for at, row in enumerate(rows):
            for column, value in enumerate(row):
                if value != "":
                    sheets[0].write(at, column, value)
        if fill:
            fill(book, sheets[0])
    return path


def typed(column: str, text: str) -> Any:
    """Return a cell of a CSV as a spreadsheet program would hold it."""
    if column == "time" and text:
        return dt.datetime.fromisoformat(text)
    return float(text) if column in {"integration_ms", "averages", "leaf"} and text else text


def as_workbook(study: Path, name: str) -> None:
    """Turn a CSV of a study into a workbook."""
    with (study / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        headings, *rows = csv.reader(lines)
    cells = [[typed(c, t) for c, t in zip(headings, row, strict=True)] for row in rows]
    write(study / f"{name}.xlsx", [headings, *cells])
    (study / f"{name}.csv").unlink()


def in_workbooks(study: Path) -> Path:
    as_workbook(study, "units")
    as_workbook(study, "scans")
    yaml = study / "study.yaml"
    yaml.write_text(
        yaml.read_text("utf-8").replace("sheet: scans.csv", "sheet: scans.xlsx"), "utf-8"
    )
    return study


def problems_of(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(InputFault) as fault:
        read_study(folder)
    return fault.value.problems


def change(path: Path, **cells: Any) -> None:
    """Put values into cells of a workbook, such as ``B2=...``."""
    book = openpyxl.load_workbook(path)
    for place, value in cells.items():
        book.worksheets[0][place] = value
    book.save(path)


def test_a_study_in_workbooks_is_the_same_study(small_study):
    before = read_study(small_study)
    after = read_study(in_workbooks(small_study))
    bare = [replace(scan, row=0, source="") for scan in before.scans]
    assert [replace(scan, row=0, source="") for scan in after.scans] == bare
    assert any(scan.time for scan in bare) and any(scan.integration_ms for scan in bare)
    assert after.units == before.units
    for task in tasks(before):
        asked = task.rule, task.session
        assert settings_of(before, *asked) == settings_of(after, *asked), "nothing runs again"
    assert {"units.xlsx", "scans.xlsx"} <= set(study_files(after)), "kept with every run"


def test_a_stage_names_the_sheets_that_the_study_has(small_study, monkeypatch):
    in_workbooks(small_study)
    said = ("units.csv", "scans.csv", "raw/day0.txt")
    fault = InputFault([Problem(name, "one thing", "another", "Mend it.") for name in said])

    def fails(*_: object) -> None:
        raise fault

    monkeypatch.setattr(step, "_done", fails)
    monkeypatch.chdir(small_study)
    assert step._attempted(small_study, "run", Task("classes")).exit_code == 2
    told = json.loads((small_study / "logs/classes.problems.json").read_text("utf-8"))
    assert [one["file"] for one in told] == ["units.xlsx", "scans.xlsx", "raw/day0.txt"]


def test_cells_are_read_as_a_person_sees_them(tmp_path):
    def fill(book: xlsxwriter.Workbook, sheet: Worksheet) -> None:
        day, clock = (book.add_format({"num_format": f}) for f in ("d.m.yyyy", "[h]:mm:ss"))
        percent, filled = (book.add_format({"num_format": f}) for f in ("0 %", "0000"))
        for column, value in enumerate(("0123", 12, 0.1 + 0.2, True, "1.10")):
            sheet.write(1, column, value)
        sheet.write_datetime(2, 0, dt.datetime(2026, 5, 4, 9, 12, 30))
        sheet.write_datetime(2, 1, dt.date(2026, 5, 4), day)
        sheet.write_number(2, 2, 46146.38368055556, clock)
        sheet.write_number(2, 3, 0.07, percent)
        sheet.write_number(2, 4, 123, filled)
        sheet.write_formula(3, 0, '=CONCATENATE("p","1")', None, "p1")
        sheet.write_formula(3, 1, "=2*6", None, 12)
        sheet.write_rich_string(3, 2, "leaf", book.add_format({"bold": True}), "let")
        sheet.write_datetime(3, 3, dt.time(9, 12, 30), clock)
        sheet.write_number(3, 4, 1e-7)

    path = write(tmp_path / "x.xlsx", [["a", "b", "c", "d", "e"]], fill=fill)
    sheet = read_sheet(path, "x.xlsx", required=("a",))
    assert sheet.problems == ()
    assert [row.line for row in sheet.rows] == [2, 3, 4]
    assert [list(row.cells.values()) for row in sheet.rows] == [
        ["0123", "12", "0.3", "TRUE", "1.10"],
        ["2026-05-04T09:12:30", "2026-05-04", "2026-05-04T09:12:30", "7%", "0123"],
        ["p1", "12", "leaflet", "09:12:30", "1e-07"],
    ]


@pytest.mark.parametrize("from_1904", [False, True])
@pytest.mark.parametrize("serial", [61, 61.25, 36525.5, 46146.38368055556, 46146.9999999, 2.9e6])
def test_dates_are_those_of_another_reader(serial, from_1904):
    """Outside values: openpyxl.utils.datetime.from_excel, for both systems of dates."""
    other = from_excel(serial, CALENDAR_MAC_1904 if from_1904 else CALENDAR_WINDOWS_1900)
    found = dt.datetime.fromisoformat(str(moment(serial, from_1904, True)))
    assert abs(found - other) <= dt.timedelta(milliseconds=1)


def test_a_workbook_that_counts_days_from_1904(tmp_path):
    path = tmp_path / "x.xlsx"
    with xlsxwriter.Workbook(path, {"date_1904": True, "default_date_format": "d mmm yy"}) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "when")
        sheet.write_datetime(1, 0, dt.datetime(2026, 5, 4))
    assert read_sheet(path, "x.xlsx", required=("when",)).rows[0].get("when") == "2026-05-04"


def test_every_fault_with_row_letter_and_heading(small_study):
    in_workbooks(small_study)
    change(small_study / "units.xlsx", B2="#DIV/0!", B4=None)
    change(small_study / "scans.xlsx", E3="day9", A5="=A4", A6=0.5, P7="who wrote this?", J8="soon")
    found = {(p.file, p.row, p.column): p for p in problems_of(small_study)}
    headings = [cell.value for cell in openpyxl.load_workbook(small_study / "scans.xlsx").active[1]]
    assert headings[0] == "scan" and headings[4] == "session" and headings[9] == "integration_ms"
    expected = {
        ("units.xlsx", 2, "column B (treatment)"): "the error",
        ("units.xlsx", 4, "column B (treatment)"): "an empty cell",
        ("scans.xlsx", 3, "column E (session)"): '"day9"',
        ("scans.xlsx", 5, "column A (scan)"): "a formula whose result is not in the file",
        ("scans.xlsx", 6, "column A (scan)"): '"0.5"',
        ("scans.xlsx", 7, "column P"): "who wrote this?",
        ("scans.xlsx", 8, "column J (integration_ms)"): '"soon"',
    }
    for place, words in expected.items():
        assert words in found[place].found, place
    assert set(found) == set(expected)
    told = found["scans.xlsx", 3, "column E (session)"].sentence()
    assert told.startswith("scans.xlsx, row 3, column E (session): found")


def test_merged_cells_are_refused(small_study):
    in_workbooks(small_study)
    book = openpyxl.load_workbook(small_study / "units.xlsx")
    book.active.merge_cells("C2:C4")
    book.save(small_study / "units.xlsx")
    problem = next(p for p in problems_of(small_study) if p.file == "units.xlsx")
    assert (problem.row, problem.column) == (2, "column C (block)")
    assert problem.found == "merged cells C2:C4"


ROWS = [["unit", "treatment"], ["p1", "a"]]


def read(path: Path) -> Sheet:
    return read_sheet(path, path.name, required=("unit",), called="units")


def test_of_several_sheets_the_one_with_the_name_is_read(tmp_path):
    path = write(tmp_path / "units.xlsx", ROWS, "Units", "Notes")
    assert [row.get("unit") for row in read(path).rows] == ["p1"]


def test_several_sheets_without_the_name_are_refused_by_name(tmp_path):
    path = write(tmp_path / "units.xlsx", ROWS, "Tabelle1", "Notes")
    with pytest.raises(InputFault) as fault:
        read(path)
    (problem,) = fault.value.problems
    assert problem.found == '2 sheets ("Tabelle1", "Notes")'
    assert "called units" in problem.expected


def test_a_hidden_sheet_is_not_asked_about(tmp_path):
    path = write(
        tmp_path / "units.xlsx", ROWS, "Mine", "Lists", fill=lambda b, _: b.worksheets()[1].hide()
    )
    assert len(read(path).rows) == 1


def test_two_sheets_of_units_are_refused_naming_both(small_study):
    as_workbook(small_study, "units")
    (small_study / "units.csv").write_text("unit,treatment\np01,water\n", encoding="utf-8")
    told = [p.sentence() for p in problems_of(small_study)]
    assert any("found units.csv and units.xlsx; expected one of the two" in text for text in told)


def test_scans_xlsx_is_found_where_no_sheet_is_named(small_study):
    in_workbooks(small_study)
    yaml = small_study / "study.yaml"
    yaml.write_text(yaml.read_text("utf-8").replace("  sheet: scans.xlsx\n", ""), "utf-8")
    study = read_study(small_study)
    assert study.definition.intake.sheet == "scans.xlsx" and study.scans
    (small_study / "scans.csv").write_text("scan,file\n", encoding="utf-8")
    told = [p.sentence() for p in problems_of(small_study)]
    assert any("scans.csv and scans.xlsx" in t and "`sheet:` under intake" in t for t in told)


def test_a_sheet_that_became_a_workbook_is_pointed_to(small_study):
    as_workbook(small_study, "scans")
    problem = next(p for p in problems_of(small_study) if p.column == "intake.sheet")
    assert "no such file: scans.csv" in problem.found and "`sheet: scans.xlsx`" in problem.mend


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "an empty file"),
        (b"unit,treatment\n", "no whole .xlsx workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "a password"),
    ],
)
def test_what_is_no_workbook_is_said_to_be_none(tmp_path, data, words):
    (tmp_path / "units.xlsx").write_bytes(data)
    with pytest.raises(InputFault) as fault:
        read(tmp_path / "units.xlsx")
    assert words in fault.value.problems[0].found
    assert "form:" not in fault.value.problems[0].mend


def test_a_workbook_called_csv_is_sent_to_its_name(tmp_path):
    path = write(tmp_path / "units.xlsx", ROWS).rename(tmp_path / "units.csv")
    with pytest.raises(InputFault) as fault:
        read(path)
    assert "a workbook whose name ends in .xlsx" in fault.value.problems[0].expected


def test_a_sheet_of_spectra_is_too_wide(tmp_path):
    path = write(tmp_path / "units.xlsx", [["unit", *range(400, 1500)]])
    with pytest.raises(InputFault) as fault:
        read(path)
    assert "a value in column" in fault.value.problems[0].found
