"""Studies written by a careless or a hostile hand: each ends in a message, and soon."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import MOST_PROBLEMS, InputFault, Problem
from leafledger.runner.study_check import check_raw_files, checked_study
from leafledger.study.reading import read_study
from leafledger.study.table_sheet import fit

Edit = Callable[[Path, str, str], None]
SECONDS = 20.0
"""Far above what any of these needs, far below what one of them once took."""


def problems_of(study: Path) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        checked_study(study)
    return list(caught.value.problems)


def first_leaf(study: Path) -> str:
    return read_study(study).samples("day0")[0].file


@pytest.mark.parametrize(
    ("old", "new", "row_of", "word"),
    [
        ("  alpha: 0.05", "  alpha 0.05", "alpha", "colon"),
        ("  block: block", "\tblock: block", "block: block", "tab"),
        ("  block: block", "   block: block", "block: block", "line up"),
        ("title: ", "title: @", "title", '"@"'),
        ("question: ", "question: a: ", "question", "colon"),
        ("use: [NDVI", "use: [NDVI, - x", "use: ", "bracket"),
        ("title: ", "title: \x07", "title", "control character"),
        ("title: ", "title: !!python/object/apply:os.getcwd ", "title", "tag"),
        ("title: ", "title: &a ", "title", "anchor"),
    ],
)
def test_text_that_is_no_yaml_is_told_in_plain_words_with_its_row(
    small_study: Path, edit: Edit, old: str, new: str, row_of: str, word: str
) -> None:
    path = small_study / "study.yaml"
    edit(path, old, new)
    (problem,) = problems_of(small_study)
    lines = path.read_text(encoding="utf-8").split("\n")
    assert problem.row is not None
    assert row_of in lines[problem.row - 1], (problem, lines[problem.row - 1])
    assert word in problem.sentence()
    assert "<" not in problem.sentence()


def test_a_key_in_the_wrong_section_is_sent_home(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "    reference_drift", "  reference_drift")
    (problem,) = problems_of(small_study)
    assert problem.column == "quality.reference_drift"
    assert "quality.checks" in problem.mend


def test_a_faulty_formula_has_its_row_and_comes_with_the_other_problems(
    small_study: Path, edit: Edit
) -> None:
    path = small_study / "study.yaml"
    edit(path, '"(R(750) - R(705))', '"(R(750) - ')
    edit(path, "control: water", "control: watr")
    found = {p.column: p for p in problems_of(small_study)}
    formula = found["indices.formulas.RE_contrast"]
    lines = path.read_text(encoding="utf-8").splitlines()
    assert formula.row is not None
    assert "RE_contrast" in lines[formula.row - 1]
    assert "design.control" in found


@pytest.mark.parametrize("kind", ["keys", "sessions", "indices", "decisions", "units", "rows"])
def test_a_file_of_many_thousand_faults_is_refused_soon(small_study: Path, kind: str) -> None:
    def write(name: str, head: str, lines: list[str]) -> None:
        (small_study / name).write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")

    text = (small_study / "study.yaml").read_text(encoding="utf-8")
    if kind == "keys":
        write("study.yaml", text, [f"k{i}: v" for i in range(60_000)])
    elif kind == "sessions":
        rows = [f"    - {{session: s{i}}}" for i in range(20_000)]
        write("study.yaml", "title: t\ndesign:\n  sessions:", rows)
    elif kind == "indices":
        write("study.yaml", "title: t\nindices:\n  use:", [f"  - N{i}" for i in range(60_000)])
    elif kind == "decisions":
        rows = [f"z{i},exclud,r,b," for i in range(50_000)]
        write("decisions.csv", "scan,action,reason,by,when", rows)
    elif kind == "units":
        write("units.csv", "unit,treatment,block,cultivar", [f"q{i},a,A,c" for i in range(50_000)])
    else:
        file = first_leaf(small_study)
        rows = [f"s{i},{file},{i},day0,q{i}" for i in range(50_000)]
        write("scans.csv", "scan,file,item,session,unit", rows)
    started = time.process_time()
    problems = problems_of(small_study)
    assert time.process_time() - started < SECONDS
    assert len(problems) <= 3 * (MOST_PROBLEMS + 1) or kind == "indices"
    assert all(p.found and p.expected for p in problems)


def test_a_sheet_too_large_to_be_one_is_refused_unread(small_study: Path) -> None:
    with (small_study / "scans.csv").open("r+b") as file:
        file.truncate(65_000_000)
    assert "64 MB" in problems_of(small_study)[0].expected


def test_a_table_with_a_million_columns_is_refused(tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    heads = ",".join(f"{300 + i / 1000:.3f}" for i in range(1_000_000))
    (tmp_path / "raw" / "t.csv").write_text(f"group,{heads}\na,1\n", encoding="utf-8")
    (tmp_path / "study.yaml").write_text(
        "title: t\ndesign: {unit: none, treatment: group}\nintake:\n  sheet: raw/t.csv\n"
        "  forms: {default: {form: wide_table, quantity: percent}}\n",
        encoding="utf-8",
    )
    (problem,) = problems_of(tmp_path)
    assert problem.row == 1
    assert "1,000,001 columns" in problem.found


def special(path: Path, kind: str) -> None:
    path.unlink()
    if kind == "fifo":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        targets = {"device": "/dev/zero", "broken": "nowhere", "circle": path.name}
        path.symlink_to(targets[kind])


@pytest.mark.parametrize("kind", ["fifo", "folder", "device", "broken", "circle"])
def test_what_is_no_plain_file_is_refused_and_never_waited_for(
    small_study: Path, kind: str
) -> None:
    file = first_leaf(small_study)
    special(small_study / file, kind)
    (problem,) = problems_of(small_study)
    assert problem.file == "scans.csv"
    assert problem.column == "file"
    assert file in problem.found


@pytest.mark.parametrize("sheet", ["decisions.csv", "units.csv"])
def test_a_sheet_that_is_there_but_is_no_file_is_not_passed_over(
    small_study: Path, sheet: str
) -> None:
    (small_study / sheet).touch()
    special(small_study / sheet, "broken")
    assert sheet in {p.file for p in problems_of(small_study)}


def test_two_spellings_of_a_path_are_one_raw_scan(small_study: Path) -> None:
    path = small_study / "scans.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    leaf = next(row for row in rows if ",sample," in row).split(",")
    rows.append(",".join(["again", leaf[1].replace("/", "//") + "/", *leaf[2:]]))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    (problem,) = problems_of(small_study)
    assert problem.row == len(rows)
    assert "same raw scan" in problem.found


def pattern_study(folder: Path, pattern: str, names: list[str]) -> list[Problem]:
    (folder / "raw").mkdir()
    (folder / "study.yaml").write_text(
        f'title: t\ndesign: {{treatment: group, control: a}}\nintake:\n  pattern: "{pattern}"\n'
        "  forms: {default: {form: text, quantity: percent}}\n",
        encoding="utf-8",
    )
    (folder / "units.csv").write_text("unit,group\np1,a\np2,b\n", encoding="utf-8")
    for name in names:
        (folder / "raw" / name).write_text("400 1\n", encoding="utf-8")
    return problems_of(folder)


def test_an_odd_file_name_is_named_itself(tmp_path: Path) -> None:
    names = ["p1_1.txt", "p2_1.txt", "p1_2 (copy).txt", "p9_1.txt"]
    found = pattern_study(tmp_path, "raw/{unit}_{leaf}.txt", names)
    assert {(p.file, p.column) for p in found} == {
        ("raw/p1_2 (copy).txt", "leaf"),
        ("raw/p9_1.txt", "unit"),
    }
    assert all(p.row is None for p in found)


def test_two_files_that_would_get_the_same_id_are_refused(tmp_path: Path) -> None:
    (problem,) = pattern_study(tmp_path, "raw/{unit} {}.txt", ["p1 a+b.txt", "p1 a-b.txt"])
    assert problem.file == "raw/p1 a-b.txt"
    assert problem.column == "scan"
    assert "raw/p1 a+b.txt" in problem.found


@pytest.mark.parametrize(
    ("pattern", "word"),
    [
        ("raw/{leaf}.txt", "no field {unit}"),
        ("raw/{unit_{leaf}.txt", "partner"),
        ("raw/{unit}_{file}.txt", "{file}"),
        ("../{unit}_1.txt", "leaves the study folder"),
        ("raw/{unit}{leaf}.txt", "nothing between"),
        ("raw/{unit}_{unit}.txt", "twice"),
    ],
)
def test_a_pattern_that_cannot_be_meant_is_one_problem(
    tmp_path: Path, pattern: str, word: str
) -> None:
    (problem,) = pattern_study(tmp_path, pattern, ["p1_1.txt", "p2_1.txt"])
    assert problem.row == 4
    assert word in problem.found


@given(
    st.lists(st.text("ab_/", min_size=1, max_size=2), min_size=1, max_size=4),
    st.text("ab_/", max_size=14),
)
@settings(max_examples=500, deadline=None)
def test_fields_take_what_the_shortest_match_of_a_regular_expression_takes(
    fixed: list[str], text: str
) -> None:
    """Python's re is the judge, on names too short for it to be slow."""
    parts = [fixed[0]]
    for i, part in enumerate(fixed[1:]):
        parts += [f"f{i}", part]
    judge = re.fullmatch("([^/]+?)".join(map(re.escape, fixed)), text)
    assert fit(parts, text) == (None if judge is None else list(judge.groups()))


def test_no_name_makes_a_pattern_slow() -> None:
    """For a regular expression this pair takes longer than anyone lives."""
    parts = ["", *[word for i in range(9) for word in (f"f{i}", "a")], "last", "X"]
    started = time.perf_counter()
    assert fit(parts, "a" * 250) is None
    assert time.perf_counter() - started < SECONDS


def test_raw_files_are_read_by_check_and_not_twice(ran_study: Path) -> None:
    study = checked_study(ran_study)
    assert check_raw_files(study).n_files == 0
    files = [study.samples(s)[0].file for s in study.session_ids]
    for file in files:
        (ran_study / file).write_bytes(b"")
    before = {p: p.stat().st_mtime_ns for p in ran_study.rglob("*")}
    with pytest.raises(InputFault) as caught:
        check_raw_files(checked_study(ran_study))
    assert {p.file for p in caught.value.problems} == set(files)
    assert {p: p.stat().st_mtime_ns for p in ran_study.rglob("*")} == before
