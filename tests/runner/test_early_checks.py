"""`check` finds before anything runs what would stop a run, or mislead its reader."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.cli.study_commands import check
from leafledger.errors import InputFault, Problem, grouped_by_file
from leafledger.runner.study_check import checked_study, panel_problems, sheet_warnings
from leafledger.study.reading import read_study

Edit = Callable[[Path, str, str], None]


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        checked_study(study)
    return list(caught.value.problems)


def said_by_check(study: Path) -> list[dict[str, object]]:
    done = CliRunner().invoke(check, [str(study), "--json"])
    problems: list[dict[str, object]] = json.loads(done.stdout)["problems"]
    return problems


@pytest.mark.parametrize(
    "name", ["results", "records", "ledger", "logs", "results/quality", "results/figures"]
)
def test_a_file_where_a_folder_of_results_belongs_is_found_before_anything_runs(
    small_study: Path, name: str
) -> None:
    (small_study / name).parent.mkdir(exist_ok=True)
    (small_study / name).write_text("mine", encoding="utf-8")
    (problem,) = problems_of(small_study)
    assert problem.file == name
    before = sorted(small_study.rglob("*"))
    done = CliRunner().invoke(cli, ["run", str(small_study)])
    assert isinstance(done.exception, InputFault)
    assert sorted(small_study.rglob("*")) == before
    assert (small_study / name).read_text(encoding="utf-8") == "mine"


def test_a_folder_where_a_result_belongs_is_found(small_study: Path) -> None:
    (small_study / "results" / "effects.csv").mkdir(parents=True)
    (problem,) = problems_of(small_study)
    assert (problem.file, problem.found) == ("results/effects.csv", "a folder")


def with_panel(
    study: Path, edit: Edit, rows: str, heading: str = "wavelength_nm,reflectance"
) -> None:
    edit(study / "study.yaml", "panel: {reflectance: 0.985", "panel: {reflectance: panel.csv")
    (study / "panel.csv").write_text(f"{heading}\n{rows}", encoding="utf-8")


@pytest.mark.parametrize(
    ("rows", "column", "word"),
    [
        ("350,98.5\n700,98\n1100,97\n", "reflectance", "percent"),
        ("0.35,0.985\n0.7,0.98\n1.1,0.97\n", "wavelength_nm", "micrometres"),
        ("450,0.985\n1100,0.97\n", "wavelength_nm", "450 to 1100 nm"),
        ("350,0.985\n990,0.97\n", "wavelength_nm", "350 to 990 nm"),
    ],
)
def test_the_table_of_the_panel_is_read_by_check(
    small_study: Path, edit: Edit, rows: str, column: str, word: str
) -> None:
    with_panel(small_study, edit, rows)
    (problem,) = problems_of(small_study)
    assert (problem.file, problem.column) == ("panel.csv", column)
    assert word in problem.found


def test_a_table_of_the_panel_in_percent_and_too_short_is_refused_for_both(
    small_study: Path, edit: Edit
) -> None:
    with_panel(small_study, edit, "350,98.5\n990,97\n")
    assert [(p.column, p.found.split()[-1]) for p in problems_of(small_study)] == [
        ("reflectance", "percent"),
        ("wavelength_nm", "nm"),
    ]
    edit(small_study / "panel.csv", "990", "1100")
    assert [p.column for p in problems_of(small_study)] == ["reflectance"]


def test_a_table_of_the_panel_that_fits_is_no_problem(small_study: Path, edit: Edit) -> None:
    with_panel(small_study, edit, "400,0.985\n1000,0.97\n")
    assert checked_study(small_study).panel_table == "panel.csv"


def test_a_table_of_the_panel_is_compared_with_the_pixels_where_they_are_the_grid(
    small_study: Path, edit: Edit
) -> None:
    edit(
        small_study / "study.yaml",
        "grid: {start_nm: 400, stop_nm: 1000, step_nm: 1}",
        "grid: native",
    )
    with_panel(small_study, edit, "400,0.985\n1100,0.97\n")
    study = read_study(small_study)
    assert panel_problems(study, [np.array([400.0, 700.0, 1000.0])]) == []
    (problem,) = panel_problems(study, [np.array([399.0, 700.0, 1000.0])])
    assert "399 to 1000 nm" in problem.expected
    (problem,) = panel_problems(study, [np.array([400.0, 1000.0]), np.array([400.0, 1101.0])])
    assert "400 to 1101 nm" in problem.expected
    assert [p["file"] for p in said_by_check(small_study)] == ["panel.csv"]


def test_the_last_step_of_a_grid_need_not_reach_its_end(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "stop_nm: 1000, step_nm: 1}", "stop_nm: 1000, step_nm: 7}")
    with_panel(small_study, edit, "400,0.985\n995,0.97\n")
    assert checked_study(small_study)
    with_panel_table = small_study / "panel.csv"
    edit(with_panel_table, "995", "994")
    assert "400 to 995 nm" in problems_of(small_study)[0].expected


@pytest.mark.parametrize(
    ("date", "asked"),
    [
        ("2026-05-04", None),
        ("2026-05-05", None),
        ("2026-04-04", "30 days later"),
        ("2026-05-07", "3 days earlier"),
    ],
)
def test_a_date_that_is_not_that_of_the_scans_is_asked_about(
    small_study: Path, edit: Edit, date: str, asked: str | None
) -> None:
    edit(small_study / "study.yaml", "2026-05-04", date)
    told = sheet_warnings(read_study(small_study))
    if asked is None:
        assert told == []
    else:
        (question,) = told
        assert asked in question
        assert date in question and "2026-05-04" in question and "day0" in question


def test_a_raw_file_that_no_row_names_is_asked_about(small_study: Path) -> None:
    study = read_study(small_study)
    first = study.scans[0]
    place = small_study / first.file
    (place.parent / f"IMG0007{place.suffix}").write_bytes(place.read_bytes())
    (place.parent / "bench.jpg").write_bytes(b"a photo is no scan")
    (question,) = sheet_warnings(study)
    folder = place.parent.relative_to(small_study).as_posix()
    assert question.startswith(
        f'"{folder}/IMG0007{place.suffix}" lies beside the scans of session {first.session} and '
        "no row names it"
    )


def test_swapped_dark_and_white_are_called_so(small_study: Path) -> None:
    scans = small_study / "scans.csv"
    text = scans.read_text(encoding="utf-8")
    swapped = text.replace(",dark,day0", ",x,day0").replace(",white,day0", ",dark,day0")
    scans.write_text(swapped.replace(",x,day0", ",white,day0"), encoding="utf-8")
    (problem,) = said_by_check(small_study)
    assert "whites below darks in session day0" in str(problem["found"])
    assert "swapped" in str(problem["found"])
    assert problem["column"] == "role"


def test_check_refuses_what_the_conversion_to_reflectance_refuses(
    small_study: Path, edit: Edit
) -> None:
    scans = small_study / "scans.csv"
    edit(scans, "raw/day0/dark12_1.txt,,dark", "raw/day0/dark12_1.txt,,white")
    edit(scans, "raw/day0/white_1.txt,,white", "raw/day0/white_1.txt,,dark")
    told = said_by_check(small_study)
    assert [p["file"] for p in told] == ["raw/day0/white_1.txt", "raw/day0/dark12_1.txt"]
    assert all("swapped" in str(p["mend"]) for p in told)


def test_check_refuses_a_grid_beyond_the_raw_files(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "stop_nm: 1000,", "stop_nm: 1400,")
    told = said_by_check(small_study)
    assert {p["file"] for p in told} == {"study.yaml"}
    assert all("reflectance.grid" in str(p["column"]) for p in told)


def test_a_reference_that_is_missing_is_said_once(small_study: Path) -> None:
    scans = small_study / "scans.csv"
    rows = scans.read_text(encoding="utf-8").splitlines(keepends=True)
    scans.write_text("".join(r for r in rows if ",white,day0" not in r), encoding="utf-8")
    (problem,) = said_by_check(small_study)
    assert "no white reference" in str(problem["found"])


def test_the_same_problem_of_many_files_is_five_examples_and_a_count() -> None:
    def at(file: str, row: int, found: str) -> Problem:
        return Problem(file, found, "nm", "Export in nm.", row)

    given = [at(f"raw/{i}.txt", 3, f"wavelength {i}") for i in range(9)]
    told = grouped_by_file([*given, at("raw/x.txt", 1, "no row of numbers")])
    assert [p.file for p in told] == [*(f"raw/{i}.txt" for i in range(6)), "raw/x.txt"]
    assert "in 4 more: raw/5.txt, raw/6.txt, raw/7.txt, raw/8.txt" in told[5].found


def test_a_file_that_sessions_share_is_counted_once(tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    heads = ",".join(str(400 + 10 * i) for i in range(12))
    rows = [f"s{i},{'a' if i < 4 else 'b'}," + ",".join(["20"] * 12) for i in range(6)]
    table = "\n".join([f"label,day,{heads}", *rows])
    (tmp_path / "raw" / "t.csv").write_text(table + "\n", encoding="utf-8")
    scans = [f"s{i},raw/t.csv,s{i},{'a' if i < 4 else 'b'},p{i}" for i in range(6)]
    sheet = "\n".join(["scan,file,item,session,unit", *scans])
    (tmp_path / "scans.csv").write_text(sheet + "\n", encoding="utf-8")
    units = "\n".join(["unit,treatment", *(f"p{i},{'wet' if i % 2 else 'dry'}" for i in range(6))])
    (tmp_path / "units.csv").write_text(units + "\n", encoding="utf-8")
    (tmp_path / "study.yaml").write_text(
        "title: t\ndesign:\n  control: wet\n  sessions: [{session: a}, {session: b}]\n"
        "intake: {forms: {default: {form: wide_table, quantity: percent, scan_column: label}}}\n",
        encoding="utf-8",
    )
    done = CliRunner().invoke(check, [str(tmp_path)])
    assert "; 1 raw file read." in done.stdout, done.exception


def test_a_heading_near_to_a_column_with_a_meaning_is_asked_about(
    small_study: Path, edit: Edit
) -> None:
    assert not [w for w in sheet_warnings(read_study(small_study)) if "has no meaning" in w]
    edit(small_study / "scans.csv", "integration_ms", "int_ms")
    assert [w for w in sheet_warnings(read_study(small_study)) if "has no meaning" in w] == [
        'scans.csv, column "int_ms" has no meaning and is not used: Did you mean "integration_ms"?'
    ]
