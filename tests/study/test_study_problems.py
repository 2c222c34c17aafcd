"""Every fault of a study is named with its file, row, column and a way to mend it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.errors import InputFault, Problem
from leafledger.study.reading import read_study

Edit = Callable[[Path, str, str], None]


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        read_study(study)
    return list(caught.value.problems)


def test_a_clean_study_has_no_problem(small_study: Path) -> None:
    study = read_study(small_study)
    assert study.session_ids == ("day0", "day12")
    assert len(study.units) == 8


@pytest.mark.parametrize(
    ("old", "new", "column", "word"),
    [
        ("question:", "qestion:", "qestion", 'Did you mean "question"?'),
        ("  treatment: treatment ", "  treatment: tretment ", "design.treatment", "treatment"),
        ("control: water", "control: watter", "design.control", 'Did you mean "water"?'),
        ("apply: faults", "apply: fault", "quality.apply", 'Did you mean "faults"?'),
        ("phase: before", "phase: befor", "design.sessions.0.phase", 'Did you mean "before"?'),
        ("session: day12}", "session: day21}", "effects.primary.session", "day12"),
        ("target: treatment\n", "target: cultivr\n", "classes.target", "cultivar"),
        ("step_nm: 1", "step_nm: zero", "reflectance.grid.step_nm", "number"),
        ("saturated_share: 0.0", "saturated_share: -1", "quality.checks.saturated_share", "0"),
        ("day0:  {form: text", "day9:  {form: text", "intake.forms.day9", "day0"),
        ("form: text", "form: txt", "intake.forms.day0.form", 'Did you mean "text"?'),
    ],
)
def test_a_fault_of_study_yaml_is_named_with_its_row(
    small_study: Path, edit: Edit, old: str, new: str, column: str, word: str
) -> None:
    path = small_study / "study.yaml"
    edit(path, old, new)
    found = [p for p in problems_of(small_study) if p.column == column]
    assert found, [p.sentence() for p in problems_of(small_study)]
    problem = found[0]
    lines = path.read_text(encoding="utf-8").splitlines()
    assert problem.row is not None
    last_word = column.split(".")[-1]
    assert last_word in lines[problem.row - 1] or new.split(":")[0] in lines[problem.row - 1]
    assert word in problem.sentence()


def test_all_problems_of_all_files_come_together(small_study: Path, edit: Edit) -> None:
    scans = small_study / "scans.csv"
    lines = scans.read_text(encoding="utf-8").splitlines()
    head = lines[0].split(",")

    def with_cell(line: str, column: str, value: str) -> str:
        cells = line.split(",")
        cells[head.index(column)] = value
        return ",".join(cells)

    samples = [i for i, line in enumerate(lines) if ",sample," in line]
    faults = {
        samples[0]: ("unit", "p99"),
        samples[1]: ("session", "day0;touch PWNED"),
        samples[2]: ("file", "../../etc/passwd"),
        samples[3]: ("scan", "=cmd"),
        samples[4]: ("time", "yesterday"),
        samples[5]: ("integration_ms", "fast"),
        samples[6]: ("role", "samples"),
        samples[7]: ("averages", "1.5"),
        samples[8]: ("file", "raw/day0/none.txt"),
    }
    for i, (column, value) in faults.items():
        lines[i] = with_cell(lines[i], column, value)
    scans.write_text("\n".join(lines) + "\n", encoding="utf-8")
    edit(small_study / "units.csv", "p01,", "p02,")
    found = problems_of(small_study)
    for i, (column, _) in faults.items():
        assert any(
            p.file == "scans.csv" and p.row == i + 1 and p.column == column for p in found
        ), (i, column)
    assert any(p.file == "units.csv" for p in found)
    assert not (small_study / "PWNED").exists()


def test_a_unit_in_two_treatments_is_refused(small_study: Path) -> None:
    units = small_study / "units.csv"
    rows = units.read_text(encoding="utf-8").splitlines()
    other = rows[1].replace("chelate", "x").replace("water", "chelate").replace("x", "water")
    units.write_text("\n".join([*rows, other]) + "\n", encoding="utf-8")
    problem = next(p for p in problems_of(small_study) if p.file == "units.csv")
    assert problem.row == len(rows) + 1
    assert problem.column == "treatment"
    assert "one treatment for each unit" in problem.expected


def test_a_session_without_white_or_dark_is_refused(small_study: Path) -> None:
    scans = small_study / "scans.csv"
    rows = scans.read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if not (",white,day0" in row or ",dark,day12" in row)]
    scans.write_text("\n".join(kept) + "\n", encoding="utf-8")
    sentences = " ".join(p.sentence() for p in problems_of(small_study))
    assert '"day0" with counts but no white' in sentences
    assert '"day12" with counts but no dark' in sentences


def test_one_class_only_is_refused(small_study: Path, edit: Edit) -> None:
    units = small_study / "units.csv"
    edit(units, "chelate", "water")
    assert any("one class only" in p.found for p in problems_of(small_study))


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("title: a\ntitle: b\n", "a second time"),
        ("title: &a x\nquestion: *a\n", "anchor"),
        ("title: !!python/object:os.system x\n", "tag"),
        ("title: [unclosed\n", "bracket"),
        ("- 1\n", "sections"),
        ("title: " + "[" * 500 + "]" * 500 + "\n", "nested"),
        ("", "sections"),
    ],
)
def test_yaml_that_is_not_plain_is_refused(tmp_path: Path, text: str, word: str) -> None:
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")
    assert any(word in p.sentence() for p in problems_of(tmp_path))


def test_a_large_or_binary_definition_is_refused(tmp_path: Path) -> None:
    (tmp_path / "study.yaml").write_bytes(b"title: x\n" + b"#" * 1_000_001)
    assert "bytes" in problems_of(tmp_path)[0].found
    (tmp_path / "study.yaml").write_bytes(b"\xff\xfe\x00")
    assert "UTF-8" in problems_of(tmp_path)[0].sentence()


def test_values_stay_the_text_that_was_typed(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", 'title: "Iron', 'title: no\n# "Iron')
    units = small_study / "units.csv"
    edit(units, "Kestrel", "1.10")
    study = read_study(small_study)
    assert study.definition.title == "no"
    assert "1.10" in {row["cultivar"] for row in study.units.values()}


def test_a_link_that_leaves_the_folder_is_refused(small_study: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.txt"
    outside.write_text("1 2\n", encoding="utf-8")
    raw = next((small_study / "raw" / "day0").glob("*.txt"))
    raw.unlink()
    raw.symlink_to(outside)
    assert any("leaves the study folder" in p.found for p in problems_of(small_study))


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("nosuch,exclude,reason,me,", "scan"),
        ("{scan},drop,reason,me,", "action"),
        ("{scan},exclude,,me,", "reason"),
        ("{scan},exclude,reason,,", "by"),
    ],
)
def test_a_decision_needs_scan_action_reason_and_name(
    small_study: Path, row: str, column: str
) -> None:
    scan = read_study(small_study).samples()[0].scan
    text = "# kept\nscan,action,reason,by,when\n" + row.format(scan=scan) + "\n"
    (small_study / "decisions.csv").write_text(text, encoding="utf-8")
    problem = problems_of(small_study)[0]
    assert (problem.file, problem.row, problem.column) == ("decisions.csv", 3, column)
