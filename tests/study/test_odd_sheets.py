"""Sheets as spreadsheets and instruments export them: read, or refused once with the reason."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from leafledger.cli.study_commands import check
from leafledger.errors import InputFault, Problem
from leafledger.runner.study_check import check_raw_files
from leafledger.study.reading import read_study

Edit = Callable[[Path, str, str], None]
VALUES = [512, 498, 530, 501, 477, 499, 520, 530, 480, 470, 505, 490]


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        read_study(study)
    return list(caught.value.problems)


@pytest.mark.parametrize("sheet", ["units.csv", "scans.csv"])
@pytest.mark.parametrize(("mark", "word"), [(";", "semicolons"), ("\t", "tabs")])
def test_a_sheet_parted_by_other_marks_is_said_once(
    small_study: Path, sheet: str, mark: str, word: str
) -> None:
    path = small_study / sheet
    path.write_text(path.read_text(encoding="utf-8").replace(",", mark), encoding="utf-8")
    (problem,) = problems_of(small_study)
    assert problem.file == sheet
    assert problem.found == f"cells parted by {word}, read with commas"


def test_a_sheet_without_roles_is_said_once(small_study: Path) -> None:
    path = small_study / "scans.csv"
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    at = rows[0].index("role")
    path.write_text(
        "\n".join(",".join(r[:at] + r[at + 1 :]) for r in rows) + "\n", encoding="utf-8"
    )
    (problem,) = problems_of(small_study)
    assert (problem.file, problem.column) == ("scans.csv", "role")
    assert "54 rows without a unit (rows 2, 3, 4, 5, 6 and 49 more)" in problem.found


def test_a_unit_left_empty_is_the_units_own_problem_where_roles_are_said(
    small_study: Path, edit: Edit
) -> None:
    lines = (small_study / "scans.csv").read_text(encoding="utf-8").splitlines()
    row = next(line for line in lines if ",sample," in line)
    edit(small_study / "scans.csv", row, row.replace(",p0", ",,").replace(",,1,", ",,", 1))
    assert problems_of(small_study)[0].column != "role"


@pytest.mark.parametrize("sheet", ["units.csv", "scans.csv"])
def test_empty_columns_at_the_end_are_no_headings(small_study: Path, sheet: str) -> None:
    expected = read_study(small_study)
    path = small_study / sheet
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(f"{line},," for line in lines) + "\n", encoding="utf-8")
    study = read_study(small_study)
    assert study.scans == expected.scans
    assert study.units == expected.units


def test_a_value_below_an_empty_heading_is_refused(small_study: Path) -> None:
    path = small_study / "units.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [f"{line},,{'x' if n == 2 else ''}" for n, line in enumerate(lines)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (problem,) = [p for p in problems_of(small_study) if p.file == "units.csv"]
    assert problem.row == 3
    assert problem.found == "6 cells"


def wide_study(folder: Path, heading: str, rows: list[str]) -> Path:
    (folder / "raw").mkdir()
    (folder / "raw" / "t.csv").write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    (folder / "study.yaml").write_text(
        "title: t\ndesign: {unit: none, treatment: group}\nintake:\n  sheet: raw/t.csv\n"
        "  forms: {default: {form: wide_table, quantity: percent}}\n",
        encoding="utf-8",
    )
    return folder


def row(label: str, values: list[float]) -> str:
    return ",".join([label, *map(str, values)])


@pytest.mark.parametrize(
    ("heading", "word"),
    [
        (row("leaf 1", [*VALUES]), "a first row of numbers in no order"),
        (row("leaf 1", [v / 10 for v in VALUES]), "a first row of numbers"),
        (row("group", [round(0.4 + i / 50, 2) for i in range(12)]), "micrometres"),
        (",".join(["group", *(f"{0.4 + i / 50:.2f} um" for i in range(12))]), "micrometres"),
        (",".join(["group", *(f"X{i}" for i in range(1, 200))]), "from X1 to X199"),
        (",".join(["id", "group", *(f"b{i}" for i in range(101))]), "from b0 to b100"),
        (",".join(["id", "group", *(f"Band {i}" for i in range(1, 40))]), "Band 1 to Band 39"),
        (",".join(["id", *(f"b{i}" for i in range(400, 440))]), "not known to be wavelengths"),
        (",".join(["id", *(f"{i}q" for i in range(400, 440))]), "fewer than ten name a wavelength"),
        (",".join(["group", *(f"{400 + i} um" for i in range(12))]), "micrometres"),
    ],
)
def test_a_wide_table_without_wavelengths_takes_no_row_for_its_heading(
    tmp_path: Path, heading: str, word: str
) -> None:
    n = heading.count(",")
    study = wide_study(tmp_path, heading, [row("a", [20.0] * n), row("b", [30.0] * n)])
    (problem,) = problems_of(study)
    assert (problem.file, problem.row) == ("raw/t.csv", 1)
    assert word in problem.found


def test_a_wide_table_with_empty_columns_at_the_end_is_read(tmp_path: Path) -> None:
    heading = row("group", [400 + 10 * i for i in range(12)]) + ",,"
    rows = [row(name, [20.0 + n] * 12) + ",," for n, name in enumerate("ab")]
    study = read_study(wide_study(tmp_path, heading, rows))
    assert check_raw_files(study).n_files == 1
    assert sorted(labels["group"] for labels in study.units.values()) == ["a", "b"]


def test_micrometres_in_a_text_file_are_said_once(small_study: Path) -> None:
    scan = read_study(small_study).samples("day0")[0]
    path = small_study / scan.file
    lines = path.read_text(encoding="utf-8").split("\n")
    for i, line in enumerate(lines):
        cells = line.split("\t")
        if cells[0].replace(".", "").isdigit():
            lines[i] = "\t".join([f"{float(cells[0]) / 1000:.6f}", *cells[1:]])
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputFault) as caught:
        check_raw_files(read_study(small_study))
    (problem,) = caught.value.problems
    assert problem.file == scan.file
    assert "micrometres" in problem.found


def test_an_example_row_is_passed_over_and_a_failed_formula_is_not(
    small_study: Path, edit: Edit
) -> None:
    expected = read_study(small_study).units
    edit(small_study / "units.csv", "p01,chelate", "# p99,chelate,A,Kestrel\np01,chelate")
    assert read_study(small_study).units == expected
    edit(small_study / "units.csv", "# p99", "#N/A")
    (problem,) = problems_of(small_study)
    assert (problem.row, problem.column, problem.found) == (2, "unit", '"#N/A"')


def test_after_an_empty_scan_sheet_every_session_is_to_come(small_study: Path) -> None:
    path = small_study / "scans.csv"
    path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    study = read_study(small_study)
    assert study.to_come == ("day0", "day12")
    assert study.session_ids == ()


# --- one fault, one message, from the whole of `check` --------------------------------------------


def utf16(path: Path) -> None:
    path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))


def folder_instead(path: Path) -> None:
    path.unlink()
    path.mkdir()


def no_rows(path: Path) -> None:
    path.write_text(path.read_text(encoding="utf-8").split("\n", maxsplit=1)[0], encoding="utf-8")


def replaced(old: str, new: str) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")

    return change


@pytest.mark.parametrize(
    ("name", "change", "place", "words"),
    [
        ("units.csv", utf16, ("units.csv", None), "UTF-16"),
        ("units.csv", folder_instead, ("units.csv", None), "a folder"),
        ("units.csv", no_rows, ("study.yaml", "design.control"), "no plant with a treatment"),
        ("study.yaml", folder_instead, ("study.yaml", None), "a folder"),
        ("study.yaml", replaced("start_nm: 400,", "start_nm: 400 nm,"),
         ("study.yaml", "reflectance.grid.start_nm"), "400 nm"),
        ("study.yaml", replaced("step_nm: 1}", 'step_nm: "0,5"}'),
         ("study.yaml", "reflectance.grid.step_nm"), "0,5"),
        ("study.yaml", replaced("start_nm: 400, stop_nm: 1000", "start_nm: 1000, stop_nm: 400"),
         ("study.yaml", "reflectance.grid.stop_nm"), "400"),
        ("study.yaml", replaced("date: 2026-05-04", "date: 2026-05-04 10:00"),
         ("study.yaml", "design.sessions.0.date"), "without a time"),
        ("scans.csv", replaced("2026-05-04T09:02:05", "46146.37645"), ("scans.csv", "time"),
         "2026-05-04T09:02:05"),
        ("raw/day0/p01_1.txt", replaced("473.525\t", "473.525\t1x"),
         ("raw/day0/p01_1.txt", None), "473.525 1x"),
    ],
)  # fmt: skip
def test_a_fault_is_said_once_and_in_words(
    small_study: Path,
    name: str,
    change: Callable[[Path], None],
    place: tuple[str, str | None],
    words: str,
) -> None:
    change(small_study / name)
    done = CliRunner().invoke(check, [str(small_study), "--json"])
    assert done.exit_code == 2
    (problem,) = json.loads(done.stdout)["problems"]
    assert (problem["file"], problem.get("column")) == place
    assert words in " ".join(str(text) for text in problem.values())
    assert "literal" not in done.stdout and "�" not in done.stdout


def test_a_unit_with_an_impossible_id_is_said_once_for_each_sheet(small_study: Path) -> None:
    for name in ("units.csv", "scans.csv"):
        replaced("p03,", "pé3,")(small_study / name)
    done = CliRunner().invoke(check, [str(small_study), "--json"])
    told = [(p["file"], p["column"]) for p in json.loads(done.stdout)["problems"]]
    assert told == [("units.csv", "unit"), ("scans.csv", "unit")]


def test_what_the_readers_note_is_said_by_check(small_study: Path) -> None:
    replaced("Wavelength (nm)", "Wavelength (um)")(small_study / "raw/day0/p01_1.txt")
    replaced("full_scale_counts: 65535", "full_scale_counts: 4095")(small_study / "study.yaml")
    done = CliRunner().invoke(check, [str(small_study)])
    assert done.exit_code == 0
    heeded = done.stdout.partition("To heed:")[2]
    assert 'raw/day0/p01_1.txt: the heading "Wavelength (um)" says micrometres' in heeded
    assert heeded.count("hold counts above instrument.full_scale_counts, 4095") == 2
