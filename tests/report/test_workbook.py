"""The workbook: every table in a sheet, text as text, numbers as numbers, the same bytes."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
import xlsxwriter.worksheet

from leafledger.report import tables_workbook
from leafledger.report.gather import gather
from leafledger.report.tables_workbook import Column, Sheet, front_of, sheets_of, written
from leafledger.study.table_files import read_csv
from leafledger.study.tables import meaning_of


def opened(content: bytes) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(content))


def sheet(rows: list[list[object]], name: str = "one", columns: int | None = None) -> Sheet:
    width = columns or len(rows[0])
    heads = [Column(f"c{i}", "1" if i else "", "a column") for i in range(width)]
    return Sheet(name, "about it", heads, rows, len(rows), ["one.csv"])


@pytest.fixture(scope="module")
def book(whole):
    return openpyxl.load_workbook(whole.job().outputs["tables"])


def test_text_that_looks_like_a_formula_an_address_or_a_number_stays_text():
    told = ['=HYPERLINK("http://x.invalid","x")', "+1", "-2+3", "@SUM(A1)", "http://x.invalid",
            "0123", "1.10", "no", "<b>bold</b>", "{=1}", "\uff1d1+1", "\uff0b1"]  # fmt: skip
    page = opened(written("=1+1", [["=1+1"], ["one", "=2"]], [sheet([[t, 1.0] for t in told])]))
    for row, text in enumerate(told, start=2):
        cell = page["one"].cell(row, 1)
        assert (cell.value, cell.data_type) == (text, "s")
        assert cell.hyperlink is None
        assert cell.quotePrefix == (text[0] in "=+-@\uff1d\uff0b")
    assert page["about"].cell(1, 1).data_type == "s"
    assert page["about"].cell(2, 2).value == "=2" and page["about"].cell(2, 2).data_type == "s"


def by_the_library(page: xlsxwriter.worksheet.Worksheet, at: int, row: list[object], looks) -> None:
    """Write a row cell by cell with the library's own calls."""
    for i, value in enumerate(row):
        if isinstance(value, str):
            page.write_string(at, i, value, looks.as_text if value[:1] in "=+-@" else None)
        elif isinstance(value, bool):
            page.write_boolean(at, i, value)
        elif value is not None:
            page.write_number(at, i, value)


def test_rows_are_the_bytes_that_the_library_writes_cell_by_cell(monkeypatch):
    rows = [
        ["=1+1", 0.1, True, 3, "long words " * 9],
        [" kept ", -1e-300, False, -7, "a & b < c > d \" '"],
        ["_x0041_", 1 / 3, None, 2**53, "line\nbreak"],
        [None, None, None, None, None],
        ["\U0001f33f", 1e22, True, 0, "long words " * 9],
    ]
    found = written("t", [["t"]], [sheet(rows), sheet(rows[:2], "two")])
    base = tables_workbook._row_sheet()

    class CellByCell(base):
        def put_row(self, at, cells):
            by_the_library(self, at, rows[at - 1], known[0])

    known: list = []
    looks = tables_workbook._Looks
    monkeypatch.setattr(tables_workbook, "_row_sheet", lambda: CellByCell)
    monkeypatch.setattr(
        tables_workbook, "_Looks", lambda book: known.append(looks(book)) or known[-1]
    )
    assert written("t", [["t"]], [sheet(rows), sheet(rows[:2], "two")]) == found


def test_a_text_is_cut_where_a_cell_is_full_counted_in_utf_16():
    text = "\U0001f33f" * 20_000
    page = opened(written("t", [["t"]], [sheet([["x", text], ["y", "z" * 40_000]])]))["one"]
    for row in (2, 3):
        value = page.cell(row, 2).value
        assert value.endswith(" ... (cut)")
        assert 32_764 <= len(value.encode("utf-16-le")) // 2 <= 32_767


def test_numbers_are_numbers_and_missing_ones_are_empty_cells():
    values = [0.1 + 0.2, -1e-12, 1e300, 7, np.int32(8), np.float64(2.5), True, np.bool_(False)]
    missing = [None, math.nan, np.float64("nan"), pd.NaT, pd.NA, ""]
    rows = [["x", v] for v in [*values, *missing]]
    page = opened(written("t", [["t"]], [sheet(rows)]))["one"]
    for row, value in enumerate(values, start=2):
        found = page.cell(row, 2)
        assert found.data_type == ("b" if isinstance(value, bool | np.bool_) else "n")
        assert found.value == pytest.approx(value, rel=1e-15, abs=0)
        assert found.number_format == "General"
    for row in range(2 + len(values), 2 + len(rows)):
        assert page.cell(row, 1).value == "x"
        assert page.cell(row, 2).value is None


def test_what_the_format_cannot_hold_as_a_number_is_text_and_says_it_all():
    rows = [["x", math.inf], ["x", -math.inf], ["x", 2**63 + 1], ["x", pd.Timestamp("2026-05-04")]]
    page = opened(written("t", [["t"]], [sheet(rows)]))["one"]
    told = [page.cell(row, 2).value for row in range(2, 6)]
    assert told == ["inf", "-inf", "9223372036854775809", "2026-05-04T00:00:00"]


def test_sentences_are_wrapped_and_ids_are_not():
    rows = [["a sentence of several words, again and again " * 3, "f" * 70, 1.0]]
    page = opened(written("t", [["t"]], [sheet(rows)]))["one"]
    assert page.cell(2, 1).alignment.wrap_text
    assert not page.cell(2, 2).alignment.wrap_text and not page.cell(2, 3).alignment.wrap_text


def test_a_text_too_long_for_a_cell_is_cut_and_says_so():
    page = opened(written("t", [["t"]], [sheet([["y" * 40_000, 1.0]])]))["one"]
    text = page.cell(2, 1).value
    assert len(text) == 32_767 and text.endswith("... (cut)")


def test_two_writings_give_the_same_bytes_and_no_clock_time():
    rows = [["a", 1.0], ["b", 2.0]]
    first = written("t", [["t"]], [sheet(rows)])
    assert first == written("t", [["t"]], [sheet(rows)])
    made = opened(first).properties
    assert made.created.year == 1980 and made.modified.year == 1980


def test_rows_beyond_the_end_of_a_sheet_are_left_out_and_told(monkeypatch, whole):
    monkeypatch.setattr(tables_workbook, "MOST_ROWS", 11)
    material = gather(whole.job())
    sheets = sheets_of(material)
    front = front_of(material, sheets)
    page = opened(written("t", front, sheets))
    effects = next(s for s in sheets if s.name == "effects")
    assert effects.n_rows > 10
    assert page["effects"].max_row == 11
    told = next(row for row in front if row and row[0] == "effects")
    assert f"Only the first 10 of {effects.n_rows} rows fit" in told[1] and told[2] == 10


def test_headings_are_frozen_and_carry_the_unit(book):
    for page in book.worksheets[1:]:
        assert page.freeze_panes == "B2"
        assert all(cell.font.bold for cell in page[1])
        assert all(page.column_dimensions[c.column_letter].width >= 8 for c in page[1])
    heads = [cell.value for cell in book["spectrum effects"][1]]
    assert "wavelength_nm (nm)" in heads and "estimate (1)" in heads


def test_every_csv_of_the_study_stands_in_a_sheet_number_for_number(whole, book):
    names = {str(row[3].value): str(row[0].value) for row in book["about"].iter_rows(min_row=12)}
    checked = 0
    for path in whole.inputs.values():
        if path.suffix != ".csv":
            continue
        name = path.relative_to(whole.folder / "results").as_posix()
        page = book[names[name]]
        frame = read_csv(path)
        if name == "effects.csv":
            frame = frame.sort_values("primary", ascending=False, kind="stable")
        heads = [str(cell.value) for cell in page[1]]
        for i, column in enumerate(frame.columns):
            unit, meaning = meaning_of(name, str(column))
            assert heads[i] == column if not unit else heads[i].startswith(f"{column} ("), meaning
            told = [row[0] for row in page.iter_rows(2, None, i + 1, i + 1, values_only=True)]
            _same(told, frame[column], f"{name} {column}")
        checked += 1
    assert checked >= 10


def _same(told: list[object], column: pd.Series, where: str) -> None:
    assert len(told) == len(column), where
    for found, value in zip(told, column, strict=True):
        if value == "" or value != value:
            assert found is None, where
        elif isinstance(value, str | bool | np.bool_):
            assert found == value, where
        else:
            assert found == pytest.approx(value, rel=1e-15, abs=0), where


@pytest.fixture(scope="module")
def with_indices(whole):
    """Return the material with values of every index on every scan, one out of range."""
    material = gather(whole.job())
    rng = np.random.default_rng(3)
    indices = {}
    for session, part in material.accepted.groupby("session"):
        rows = [(scan, index) for scan in part["scan"] for index in material.catalogue]
        frame = pd.DataFrame(rows, columns=["scan", "index"])
        for name in ("value", "u_scan", "u_reference"):
            frame[name] = rng.normal(size=len(frame))
        frame["u_panel"] = np.nan
        frame["status"] = "ok"
        frame.loc[0, ["value", "u_scan", "u_reference"]] = np.nan
        frame.loc[0, "status"] = "outside_range"
        indices[str(session)] = frame
    return replace(material, by_session={**material.by_session, "indices": indices})


def test_index_values_stand_a_row_a_scan_and_a_column_an_index(with_indices):
    sheets = sheets_of(with_indices)
    book = opened(written("t", front_of(with_indices, sheets), sheets))
    heads = [str(cell.value).split(" (")[0] for cell in book["index values"][1]]
    assert heads[:6] == ["scan", "session", "unit", "leaf", "replicate", "accepted"]
    assert {"treatment", "block", "cultivar"} <= set(heads)
    told_units = [str(cell.value) for cell in book["index values"][1]]
    assert "REP_linear (nm)" in told_units and "NDVI (1)" in told_units
    rows = list(book["index values"].iter_rows(min_row=2, values_only=True))
    told = {row[0]: dict(zip(heads, row, strict=True)) for row in rows}
    n = 0
    for frame in with_indices.by_session["indices"].values():
        for row in frame.to_dict("records"):
            found = told[row["scan"]][row["index"]]
            if row["status"] == "ok":
                assert found == pytest.approx(row["value"], rel=1e-15, abs=0)
                n += 1
            else:
                assert found is None
    assert n > 1000
    assert "index u panel" not in book.sheetnames, "a part that is not known anywhere"
    gaps = list(book["index gaps"].iter_rows(min_row=2, values_only=True))
    assert len(gaps) == len(with_indices.by_session["indices"])
    assert {row[-1] for row in gaps} == {"outside_range"}


def test_the_first_sheet_says_what_each_sheet_is(whole, book):
    page = book["about"]
    assert book.worksheets[0] is page
    text = [[cell.value for cell in row] for row in page.iter_rows()]
    assert text[0][0] == whole.plan.title
    facts = {row[0]: row[1] for row in text[1:10]}
    assert facts["question"] == whole.plan.question
    assert facts["number of plants"] == "24 (water 12, chelate 12)"
    listed = [row[0] for row in text[11:]]
    assert listed == book.sheetnames[1:]
    for row in page.iter_rows(min_row=12):
        assert row[0].hyperlink.location == f"'{row[0].value}'!A1"
        assert row[2].value == book[row[0].value].max_row - 1
        assert row[1].value
    effects = next(row for row in text if row[0] == "effects")
    record = whole.inputs["record/effects"].read_text(encoding="utf-8")
    assert len(effects[4]) == 64 and effects[4] in record


def test_every_column_is_explained(book):
    told = {(r[0], r[1]): r[3] for r in book["columns"].iter_rows(min_row=2, values_only=True)}
    for page in book.worksheets[2:]:
        for cell in page[1]:
            name = str(cell.value)
            bare = name.rpartition(" (")[0] if name.endswith(")") else name
            assert told.get((page.title, bare)) or told.get((page.title, name)), (page.title, name)


def test_nothing_of_the_machine_stands_in_the_workbook(whole):
    content = Path(whole.job().outputs["tables"]).read_bytes()
    page = opened(content)
    for tab in page.worksheets:
        for row in tab.iter_rows(values_only=True):
            assert not any(isinstance(v, str) and str(whole.folder) in v for v in row)
            assert not any(
                isinstance(v, str) and v in {"nan", "NaN", "None", "NaT", "<NA>"} for v in row
            )
