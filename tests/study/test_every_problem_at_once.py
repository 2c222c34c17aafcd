"""A fault does not hide the others: every problem of a study is shown at once, and only once."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from leafledger.cli.study_commands import check
from leafledger.errors import MOST_EXAMPLES, InputFault, Problem, grouped
from leafledger.runner.study_check import checked_study
from leafledger.study.definition_file import examine_definition

Edit = Callable[[Path, str, str], None]


def places(study: Path) -> list[tuple[str, str | None]]:
    """Return file and column of every problem that a run would be refused for."""
    with pytest.raises(InputFault) as caught:
        checked_study(study)
    return [(p.file, p.column) for p in caught.value.problems]


def test_an_unknown_key_does_not_hide_the_problems_of_the_sheets(
    small_study: Path, edit: Edit
) -> None:
    yaml = small_study / "study.yaml"
    edit(yaml, "  alpha: 0.05", "  alfa: 0.05")
    edit(yaml, "control: water", "control: watr")
    edit(yaml, "use: [NDVI", "use: [NDVX")
    edit(small_study / "units.csv", "p03,chelate", "p03,chelat")
    edit(small_study / "scans.csv", "d0-dark12-1,raw/day0/dark12_1.txt", "d0-dark12-1,raw/none.txt")
    assert sorted(places(small_study)) == [
        ("scans.csv", "file"),
        ("study.yaml", "design.control"),
        ("study.yaml", "effects.alfa"),
        ("study.yaml", "indices.use"),
        ("units.csv", "treatment"),
    ]


def test_a_setting_of_the_wrong_kind_does_not_hide_a_broken_raw_file(
    small_study: Path, edit: Edit
) -> None:
    edit(small_study / "study.yaml", "alpha: 0.05", "alpha: five")
    edit(small_study / "scans.csv", "d12-dark12-1,", "d12 dark,")
    (small_study / "raw" / "day0" / "dark12_2.txt").write_bytes(b"x")
    done = CliRunner().invoke(check, [str(small_study), "--json"])
    assert done.exit_code == 2
    told = json.loads(done.stdout)["problems"]
    assert [(p["file"], p.get("column")) for p in told] == [
        ("study.yaml", "effects.alpha"),
        ("scans.csv", "scan"),
        ("raw/day0/dark12_2.txt", None),
    ]


@pytest.mark.parametrize(
    ("old", "new", "column"),
    [
        ("  sessions:  ", "  sesions:  ", "design.sesions"),
        ("  unit: plant ", "  unit: [pot] ", "design.unit"),
        ("  treatment: treatment ", "  treatmnt: treatment ", "design.treatmnt"),
        ("  control: water", "  control: [water]", "design.control"),
        ("  block: block", "  block: [block]", "design.block"),
        ("  factors: [cultivar]", "  factors: {cultivar: 1}", "design.factors"),
        ("  sheet: scans.csv", "  sheet: [scans.csv]", "intake.sheet"),
        ("{form: text, quantity: counts", "{form: txt, quantity: counts", "intake.forms.day0.form"),
        ("  use: [NDVI", "  use: {}\n  us: [NDVI", "indices.use"),
        ("  target: treatment\n", "", "classes.target"),
        ("design:\n", "desing:\n", "desing"),
        ("phase: before}", "phase: befor}", "design.sessions.0.phase"),
        ("{session: day0,  date", "{sesion: day0,  date", "design.sessions.0.sesion"),
        ("primary: {index: CI_rededge, ", "primary: {", "effects.primary.index"),
    ],
)
def test_what_only_follows_from_a_fault_is_not_said(
    small_study: Path, edit: Edit, old: str, new: str, column: str
) -> None:
    edit(small_study / "study.yaml", old, new)
    found = places(small_study)
    assert column in {place for _, place in found}
    assert {file for file, _ in found} == {"study.yaml"}
    section = column.rpartition(".")[0]
    assert all((place or "").startswith(section) for _, place in found), found


def test_an_unknown_key_near_to_a_valid_one_is_read_as_that(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "control: water", "contrl: water")
    examined = examine_definition(small_study)
    assert examined.definition.design.control == "water"
    assert [p.column for p in examined.problems] == ["design.contrl"]


def test_a_misnamed_section_is_checked_inside(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "effects:\n", "efects:\n")
    edit(small_study / "study.yaml", "alpha: 0.05", "alpha: 5")
    examined = examine_definition(small_study)
    (first, second) = sorted(examined.problems, key=lambda p: p.row or 0)
    assert (first.column, second.column) == ("efects", "effects.alpha")
    lines = (small_study / "study.yaml").read_text(encoding="utf-8").splitlines()
    assert "alpha: 5" in lines[(second.row or 0) - 1]


def test_a_missing_title_hides_nothing(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "title:", "# title:")
    edit(small_study / "study.yaml", "control: water", "control: watr")
    assert places(small_study) == [("study.yaml", "title"), ("study.yaml", "design.control")]


def test_problems_of_the_units_do_not_hide_missing_references(
    small_study: Path, edit: Edit
) -> None:
    edit(small_study / "units.csv", "p03,chelate", "p03,#N/A")
    scans = small_study / "scans.csv"
    rows = scans.read_text(encoding="utf-8").splitlines()
    scans.write_text("\n".join(r for r in rows if ",white,day0" not in r) + "\n", encoding="utf-8")
    assert places(small_study) == [("units.csv", "treatment"), ("scans.csv", "role")]


def problem(row: int, found: str) -> Problem:
    return Problem("scans.csv", found, "a role", f"mend {found}", row=row, column="role")


def test_the_same_word_in_many_rows_is_one_problem() -> None:
    (told,) = grouped([problem(row, '"drk"') for row in range(2, 40)])
    assert told.row == 2
    assert told.found == '"drk" (38 rows: 2, 3, 4, 5, 6 and 33 more)'


def test_many_rows_with_the_same_problem_are_five_examples_and_a_count() -> None:
    told = grouped([problem(row, f'"u{row}"') for row in range(2, 22)])
    assert [p.row for p in told] == [2, 3, 4, 5, 6, 7]
    assert (
        told[-1].found
        == f"15 more like the {MOST_EXAMPLES} above (rows 7, 8, 9, 10, 11 and 10 more)"
    )


def test_other_problems_are_left_as_they_are() -> None:
    given = [problem(2, '"a"'), problem(3, "an empty cell"), problem(4, '"b"')]
    assert sorted(grouped(given), key=lambda p: p.row or 0) == given
