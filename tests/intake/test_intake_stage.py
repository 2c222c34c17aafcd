"""The intake stage from raw files to the table of scans."""

import hashlib
import os
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from test_intake_jcamp import BODIES, jcamp
from test_intake_parquet import VALUES, lists, saved
from test_intake_text import scan_rows, text_of
from test_intake_wide_table import table
from workbooks import scan, wide, workbook

from leafledger.errors import InputFault
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.stage import run
from leafledger.records.record import Job, Outcome
from leafledger.study.definition import Form
from leafledger.study.table_files import read_spectra
from leafledger.study.table_sheet import content_ids


def row(scan: str, file: str, item: str = "", **more) -> dict:
    known = {"role": "sample", "time": None, "integration_ms": None, "averages": None}
    return {"scan": scan, "file": file, "item": item, **known, **more}


class Study:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.out = folder / "results/scans/day0.parquet"
        self.inputs: dict[str, Path] = {}

    def add(self, file: str, data: bytes) -> str:
        path = self.folder / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self.inputs[f"raw/{file}"] = path
        return file

    def run(self, rows: list[dict], elsewhere: dict | None = None, **form) -> Outcome:
        settings = {"session": "day0", "form": form, "scans": rows}
        if elsewhere:
            settings["elsewhere"] = elsewhere
        job = Job("intake", "day0", settings, self.inputs, {"scans": self.out}, self.folder)
        return run(job)

    def problems(self, rows: list[dict], **form):
        with pytest.raises(InputFault) as caught:
            self.run(rows, **form)
        assert not self.out.exists()
        assert not list(self.folder.rglob("*.tmp"))
        return caught.value.problems


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return Study(tmp_path)


def test_text_files_as_the_contract_says(study: Study) -> None:
    data = {f"raw/l{i}.txt": text_of([r + str(i) for r in scan_rows()]) for i in range(4)}
    for file, content in data.items():
        study.add(file, content)
    rows = [
        row(f"leaf-{i}", file, time="2026-05-04T09:12:30", integration_ms=12.5, averages=10)
        for i, file in enumerate(data)
    ]
    rows[0] |= {"role": "white", "time": None, "averages": None}
    outcome = study.run(rows, form="text", quantity="counts")

    schema = pq.read_schema(study.out)
    assert [(f.name, f.type) for f in schema][:-1] == [
        ("scan", pa.string()),
        ("role", pa.dictionary(pa.int32(), pa.string())),
        ("file", pa.string()),
        ("item", pa.string()),
        ("file_sha256", pa.string()),
        ("order", pa.int32()),
        ("time", pa.timestamp("ms")),
        ("integration_ms", pa.float64()),
        ("averages", pa.int32()),
    ]
    assert schema.field("counts").type == pa.list_(
        pa.field("element", pa.float32(), nullable=False), 60
    )
    told = read_spectra(study.out)
    assert told.metadata == {"quantity": "counts", "full_scale_counts": None}
    assert told.rows["file_sha256"].tolist() == [
        hashlib.sha256(content).hexdigest() for content in data.values()
    ]
    assert told.rows["order"].tolist() == [0, 1, 2, 3]
    assert told.rows["role"].tolist() == ["white", "sample", "sample", "sample"]
    assert told.rows["time"].isna().tolist() == [True, False, False, False]
    assert str(told.rows["time"][1]) == "2026-05-04 09:12:30"
    expected = [[float(f"{1000 + p}{i}") for p in range(60)] for i in range(4)]
    np.testing.assert_array_equal(told.spectra["counts"], expected)
    assert {m.name: m.value for m in outcome.metrics} == {
        "n_scans": 4,
        "n_files": 4,
        "n_wavelengths": 60,
        "first_wavelength": 400.0,
        "last_wavelength": 429.5,
    }
    assert not outcome.warnings
    first = study.out.read_bytes()
    study.run(rows, form="text", quantity="counts")
    assert study.out.read_bytes() == first


def test_the_form_has_the_keys_of_the_study_model() -> None:
    assert FileForm.of(Form().model_dump(mode="json")) == FileForm()


def test_percent_becomes_a_fraction(study: Study) -> None:
    study.add("raw/a.txt", text_of([f"{400 + i} {10 + i}.5" for i in range(20)]))
    outcome = study.run([row("a", "raw/a.txt")], form="text", quantity="percent")
    table_read = read_spectra(study.out)
    assert table_read.metadata["quantity"] == "reflectance"
    np.testing.assert_array_equal(  # to the last digit: what arrives as reflectance is kept
        table_read.spectra["reflectance"][0], (10.5 + np.arange(20)) / 100
    )
    assert not outcome.warnings


def test_percent_that_looks_like_fractions_is_a_warning_the_other_way_an_error(
    study: Study,
) -> None:
    study.add("raw/a.txt", text_of([f"{400 + i} 0.{10 + i}" for i in range(20)]))
    study.add("raw/b.txt", text_of([f"{400 + i} {10 + i}.5" for i in range(20)]))
    outcome = study.run([row("a", "raw/a.txt")], form="text", quantity="percent")
    assert "fractions" in outcome.warnings[0]
    study.out.unlink()
    rows = [row("a", "raw/a.txt"), row("b", "raw/b.txt")]
    (problem,) = study.problems(rows, form="text", quantity="reflectance")
    assert problem.file == "raw/b.txt"
    assert "percent" in problem.mend


def test_wide_table_by_scan_column_and_as_its_own_sheet(study: Study) -> None:
    lines = table()
    file = study.add("raw/t.csv", ("\r\n".join(lines) + "\r\n").encode())
    rows = [row("x", file, "leaf3"), row("y", file, "leaf0")]
    outcome = study.run(rows, form="wide_table", scan_column="label")
    assert read_spectra(study.out).spectra["counts"][:, 0].tolist() == [3.0, 0.0]
    assert '3 scans in no row of the scan sheet: "' in outcome.warnings[0]
    ids = content_ids(lines[1:])
    outcome = study.run([row(i, file, i) for i in ids], form="wide_table")
    assert read_spectra(study.out).spectra["counts"][:, 0].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert not outcome.warnings
    outcome = study.run([row(i, file, i) for i in ids[:2]], form="wide_table")
    assert not outcome.warnings, "the other rows belong to other sessions of the same sheet"


def test_a_scan_that_another_session_uses_is_not_called_unused(study: Study) -> None:
    file = study.add("raw/t.csv", ("\r\n".join(table()) + "\r\n").encode())
    rows, form = [row("x", file, "leaf3")], {"form": "wide_table", "scan_column": "label"}
    most = study.run(rows, elsewhere={file: ["leaf0", "leaf1"]}, **form)
    assert most.warnings == [
        'raw/t.csv: 2 scans in no row of the scan sheet: "leaf2", "leaf4"',
    ]
    rest = ["leaf0", "leaf1", "leaf2", "leaf4"]
    assert not study.run(rows, elsewhere={file: rest}, **form).warnings
    assert study.run(rows, elsewhere={"raw/other.csv": rest}, **form).warnings


def test_a_block_that_another_session_names_by_number_is_used(study: Study) -> None:
    blocks = jcamp(BODIES["DIFDUP"]) + jcamp(BODIES["DIFDUP"]).replace(b"check A", b"check B")
    file = study.add("raw/a.jdx", blocks)
    rows = [row("a", file, "check A")]
    form = {"form": "jcamp_dx", "quantity": "reflectance"}
    assert study.run(rows, **form).warnings == [
        'raw/a.jdx: a scan in no row of the scan sheet: "check B"',
    ]
    assert not study.run(rows, elsewhere={file: ["2"]}, **form).warnings


def test_jcamp_and_parquet(study: Study) -> None:
    file = study.add("raw/a.jdx", jcamp(BODIES["DIFDUP"]))
    for item in ("", "check A", "1"):
        study.run([row("a", file, item)], form="jcamp_dx", quantity="reflectance")
        assert read_spectra(study.out).spectra["reflectance"].shape == (1, 13)
    file = study.add("raw/a.parquet", saved(lists(VALUES)))
    rows = [row("a", file, "leaf4"), row("b", file, "leaf1")]
    study.run(rows, form="parquet", quantity="counts", scan_column="label")
    np.testing.assert_array_equal(read_spectra(study.out).spectra["counts"], VALUES[[4, 1]])


def test_items_missing_or_not_unique(study: Study) -> None:
    lines = [*table(), table()[1].replace("leaf0", "leaf1")]
    file = study.add("raw/t.csv", ("\n".join(lines) + "\n").encode())
    rows = [row("a", file, "leaf9"), row("b", file, "leaf1"), row("c", file, "")]
    rows += [row("d", file, "leaf2"), row("e", file, "leaf2")]
    found = study.problems(rows, form="wide_table", scan_column="label")
    words = ['no scan named "leaf9"', '2 scans named "leaf1"', "6 scans", "both d and e"]
    assert len(found) == 4
    for problem, word in zip(found, words, strict=True):
        assert word in problem.found


def test_all_files_at_fault_are_told_together(study: Study) -> None:
    good = study.add("raw/good.txt", text_of(scan_rows()))
    more = study.add("raw/more.txt", text_of(scan_rows()))
    short = study.add("raw/short.txt", text_of(scan_rows(50)))
    empty = study.add("raw/empty.txt", b"")
    bad = study.add("raw/bad.txt", text_of(scan_rows()).replace(b"\t1007", b"\t1x07"))
    files = [good, more, short, empty, bad, "raw/gone.txt"]
    rows = [row(f"s{i}", file) for i, file in enumerate(files)]
    found = {p.file: p for p in study.problems(rows, form="text")}
    assert set(found) == {short, empty, bad, "raw/gone.txt"}
    assert found[bad].row == 9
    assert "50 wavelengths" in found[short].found


def test_the_axis_of_most_files_is_the_axis_of_the_session(study: Study) -> None:
    odd = [f"{401 + 0.5 * i:.1f}\t{i}" for i in range(60)]
    files = [study.add("raw/0.txt", text_of(odd))]
    files += [study.add(f"raw/{i}.txt", text_of(scan_rows())) for i in (1, 2, 3)]
    (problem,) = study.problems([row(f"s{i}", f) for i, f in enumerate(files)], form="text")
    assert problem.file == "raw/0.txt"
    assert "401 instead of 400" in problem.found


def test_size_is_checked_before_reading(study: Study) -> None:
    file = study.add("raw/a.txt", b"x")
    os.truncate(study.folder / file, 70_000_000)  # a sparse file: costs no disk
    (problem,) = study.problems([row("a", file)], form="text")
    assert "70 MB" in problem.found


def test_absurd_values_and_no_scans(study: Study) -> None:
    file = study.add("raw/a.txt", text_of([f"{400 + i} 1e35" for i in range(20)]))
    assert "1e+35" in study.problems([row("a", file)], form="text")[0].found
    assert "without scans" in study.problems([], form="text")[0].found


def test_notes_of_many_files_are_one_warning(study: Study) -> None:
    for i in range(3):
        study.add(f"raw/{i}.txt", text_of(scan_rows(), header=("x", "2048\t1")))
    outcome = study.run([row(f"s{i}", f"raw/{i}.txt") for i in range(3)], form="text")
    (warning,) = outcome.warnings
    assert warning.startswith("raw/0.txt and 2 more files: row 2")


def test_workbooks_by_sheet_by_row_and_by_file(study: Study) -> None:
    study.add("raw/leaves.xlsx", workbook({"p1": scan(first=1), "p2": scan(first=2), "x": []}))
    study.add("raw/one.xlsx", workbook({"Data": scan(first=3)}))
    rows = [
        row("s1", "raw/leaves.xlsx", "p2"),
        row("s2", "raw/leaves.xlsx", "p1"),
        row("s3", "raw/one.xlsx"),
    ]
    outcome = study.run(rows, form="spreadsheet")
    assert read_spectra(study.out).spectra["counts"][:, 0].tolist() == [2.0, 1.0, 3.0]
    assert outcome.warnings == ["raw/leaves.xlsx: sheets that the scan sheet does not name: x"]

    outcome = study.run(rows, elsewhere={"raw/leaves.xlsx": ["x"]}, form="spreadsheet")
    assert not outcome.warnings, "another session names the sheet"

    study.add("raw/all.xlsx", workbook({"all": wide()}))
    rows = [row("a", "raw/all.xlsx", "leaf2"), row("b", "raw/all.xlsx", "leaf0")]
    form = {"form": "spreadsheet", "scans_in": "rows", "scan_column": "label"}
    outcome = study.run(rows, **form)
    assert read_spectra(study.out).spectra["counts"][:, 0].tolist() == [2.0, 0.0]
    assert outcome.warnings == ['raw/all.xlsx: a scan in no row of the scan sheet: "leaf1"']


def test_faults_of_a_workbook_name_file_sheet_row_and_column(study: Study) -> None:
    study.add("raw/a.xlsx", workbook({"p1": [*scan(), [415, "n.a."]], "p2": scan()}))
    rows = [row("s1", "raw/a.xlsx", "p1"), row("s2", "raw/a.xlsx", "p3")]
    assert "no sheet" in study.problems(rows, form="spreadsheet")[0].found
    rows[1]["item"] = "p2"
    problem = study.problems(rows, form="spreadsheet")[0]
    assert (problem.file, problem.row) == ("raw/a.xlsx", 17)
    assert problem.column == 'sheet "p1", column B'
