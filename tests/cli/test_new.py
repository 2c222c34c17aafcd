"""``leafledger new``: by flags, by questions, from a table; what it writes is a study that runs."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from leafledger.runner.run import run_study
from leafledger.runner.study_check import check_raw_files, checked_study

COMMAND = [sys.executable, "-m", "leafledger.cli"]
AXIS = range(450, 901, 5)


def leafledger(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def leaf(nm: int, depth: float) -> float:
    return 0.05 + (0.45 - depth) / (1 + 2.718 ** (-(nm - 715) / 14)) + 0.02 * ((nm * 7) % 3) / 100


def fill_in(folder: Path) -> None:
    """Fill the sheets and the raw folder as their headings ask."""
    units = {f"p{k}": "water" if k % 2 else "chelate" for k in range(1, 9)}
    with (folder / "units.csv").open("a", encoding="utf-8") as sheet:
        sheet.writelines(f"{unit},{label},A\n" for unit, label in units.items())
    with (folder / "scans.csv").open("a", encoding="utf-8") as sheet:
        for i, session in enumerate(("day0", "day7")):
            for k, unit in enumerate(units):
                file = f"raw/{session}_{unit}.txt"
                depth = 0.01 * k + 0.02 * i * (k % 2)
                lines = (f"{nm}\t{leaf(nm, depth):.5f}\n" for nm in AXIS)
                (folder / file).write_text("".join(lines), encoding="utf-8")
                sheet.write(f"{session}-{unit},{file},,sample,{session},{unit},1,1,,,,\n")


def test_by_flags_it_asks_nothing_and_says_what_to_fill_in(tmp_path: Path) -> None:
    folder = tmp_path / "a study"
    done = leafledger("new", str(folder), "--title", 'A "quoted": title', "--quantity", "counts")
    assert done.returncode == 0, done.stderr
    for name in ("units.csv", "scans.csv", "raw/"):
        assert f"{folder}/{name}: " in done.stdout
    assert f"leafledger check '{folder}'" in done.stdout
    text = (folder / "study.yaml").read_text(encoding="utf-8")
    assert sum("#" in line for line in text.splitlines()) >= 8
    check = leafledger("check", str(folder))
    assert check.returncode == 2
    assert "List them first." in check.stderr
    again = leafledger("new", str(folder))
    assert again.returncode == 2
    assert "Choose another folder" in again.stderr
    assert (folder / "study.yaml").read_text(encoding="utf-8") == text


def test_file_names_may_stand_in_for_the_scan_sheet(tmp_path: Path) -> None:
    folder = tmp_path / "named"
    done = leafledger("new", str(folder), "--pattern", "raw/{session}_{unit}.txt", "--quantity",
                      "reflectance", "--control", "water")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "scans.csv" not in done.stdout
    assert not (folder / "scans.csv").exists()
    (folder / "scans.csv").write_text("", encoding="utf-8")
    fill_in(folder)
    (folder / "scans.csv").unlink()
    study = checked_study(folder)
    assert len(study.scans) == 16
    assert {(s.session, s.role) for s in study.scans} == {("day0", "sample"), ("day7", "sample")}
    assert check_raw_files(study).n_files == 16


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--pattern", "raw/{unit.txt"], "without its partner"),
        (["--pattern", "raw/{unit}{leaf}.txt"], "nothing between"),
        (["--pattern", "raw/{unit}.txt", "--session", "a:before", "--session", "b:after"], "once"),
        (["--pattern", "raw/{session}/{unit}.txt", "--table", __file__], "leave out"),
    ],
)
def test_a_pattern_that_cannot_serve_is_refused(
    tmp_path: Path, arguments: list[str], said: str
) -> None:
    done = leafledger("new", str(tmp_path / "s"), *arguments)
    assert done.returncode == 2
    assert said in done.stderr
    assert not (tmp_path / "s").exists()


def test_a_session_in_other_words_is_refused(tmp_path: Path) -> None:
    done = leafledger("new", str(tmp_path / "s"), "--session", "day0")
    assert done.returncode == 2
    assert "day0:before" in done.stderr
    assert not (tmp_path / "s").exists()


def asked(folder: Path, *answers: str) -> subprocess.CompletedProcess[str]:
    """Answer the questions of a study called ``asked`` as a person at a terminal does."""
    ours, theirs = pty.openpty()
    os.write(ours, "".join(f"{line}\n" for line in answers).encode())
    done = subprocess.run(
        [*COMMAND, "new", "asked"],
        stdin=theirs,
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        timeout=120,
    )
    os.close(ours)
    os.close(theirs)
    return done


def test_at_a_terminal_it_asks(tmp_path: Path) -> None:
    done = asked(
        tmp_path, "Spray on [/b] soybean", "", "reflectance", "", "d0:before d7:after d9:after"
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("[") >= 5, "every question shows what Enter means"
    text = (tmp_path / "asked/study.yaml").read_text(encoding="utf-8")
    for words in ('"Spray on [/b] soybean"', "quantity: reflectance", "session: d9, phase: after"):
        assert words in text


def test_after_a_slip_it_asks_again_and_keeps_the_answers(tmp_path: Path) -> None:
    done = asked(
        tmp_path,
        *("Spray", "bad,column", "spray", "reflectence", "reflectance", "x" * 65, "water"),
        *("day0", "d0:before d0:after", "d7:after d0:before", "d0:before d7:after"),
    )
    assert done.returncode == 0, done.stderr
    said = done.stdout + done.stderr
    for words in ("without a comma", "expected counts", "at most 64", "such as day0:before",
                  "stands there twice", "before the treatment first"):  # fmt: skip
        assert words in said
    text = (tmp_path / "asked/study.yaml").read_text(encoding="utf-8")
    for words in ('"Spray"', 'treatment: "spray"', "quantity: reflectance", "session: d7"):
        assert words in text


def test_a_folder_with_a_study_is_refused_before_anything_is_asked(tmp_path: Path) -> None:
    (tmp_path / "asked").mkdir()
    (tmp_path / "asked" / "study.yaml").write_text("title: t\n", encoding="utf-8")
    done = asked(tmp_path)
    assert done.returncode == 2
    assert "Title" not in done.stdout


@pytest.mark.parametrize(
    ("pattern", "names", "n_units"),
    [
        ("raw/{unit}_{leaf}.txt", ("p1_1", "p1_2", "p2_1"), 2),
        ("raw/{cultivar}_{leaf}.txt", ("Kestrel_1", "Plover_1", "Plover_2"), 3),
        ("raw/{treatment}_{scan}.txt", ("water_a", "salt_b", "salt_c"), 3),
    ],
)
def test_it_writes_a_study_of_every_pattern_that_check_accepts(
    tmp_path: Path, pattern: str, names: tuple[str, ...], n_units: int
) -> None:
    folder = tmp_path / "s"
    control = "Kestrel" if "cultivar" in pattern else "water"
    done = leafledger("new", str(folder), "--pattern", pattern, "--quantity", "reflectance",
                      "--control", control)  # fmt: skip
    assert done.returncode == 0, done.stderr
    for name in names:
        lines = "".join(f"{nm}\t{leaf(nm, 0.1):.5f}\n" for nm in AXIS)
        (folder / "raw" / f"{name}.txt").write_text(lines, encoding="utf-8")
    if (folder / "units.csv").exists():
        with (folder / "units.csv").open("a", encoding="utf-8") as sheet:
            sheet.write("p1,water,A\np2,salt,A\n")
    study = checked_study(folder)
    assert check_raw_files(study).n_files == 3
    assert (len(study.units), study.session_ids) == (n_units, ("all",))


def test_templates_carry_example_rows_that_are_passed_over(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert leafledger("new", str(folder), "--quantity", "counts").returncode == 0
    rows = {}
    for name in ("units.csv", "scans.csv", "decisions.csv"):
        heading, *rows[name] = (folder / name).read_text(encoding="utf-8").splitlines()
        assert all(row.startswith("# ") for row in rows[name])
        assert {row.count(",") for row in rows[name]} == {heading.count(",")}
    assert [row.split(",")[3] for row in rows["scans.csv"]] == ["sample", "white", "dark", "dark"]
    # Each example is a row that check accepts, once its hash is taken away and its file is there.
    for name in ("units.csv", "scans.csv"):
        text = (folder / name).read_text(encoding="utf-8").replace("# ", "")
        (folder / name).write_text(text.replace("day7", "day0"), encoding="utf-8")
    done = leafledger("check", str(folder), "--sheets", "--json")
    told = {(p["file"], p["column"]) for p in json.loads(done.stdout)["problems"]}
    assert told <= {("scans.csv", "file"), ("scans.csv", "session"), ("scans.csv", "role")}


def test_filled_in_it_is_a_study_without_problems(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert leafledger("new", str(folder), "--quantity", "reflectance").returncode == 0
    fill_in(folder)
    study = checked_study(folder)
    assert len(study.samples()) == 16
    assert check_raw_files(study).n_files == 16


@pytest.mark.slow
def test_filled_in_it_runs(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    assert leafledger("new", str(folder), "--quantity", "reflectance").returncode == 0
    fill_in(folder)
    result = run_study(folder, cores=2)
    assert result.outcome == "done", (result.message, result.problems)
    assert (folder / "results/report.html").is_file()


@pytest.mark.slow
def test_a_table_runs_as_it_is(tmp_path: Path) -> None:
    table = tmp_path / "leaves.csv"
    rows = ["id,Type," + ",".join(map(str, AXIS))]
    for k in range(24):
        label = "sound" if k % 2 else "rust"
        values = ",".join(f"{100 * leaf(nm, 0.06 * (k % 2) + 0.001 * k):.3f}" for nm in AXIS)
        rows.append(f"l{k},{label},{values}")
    table.write_text("\n".join(rows) + "\n", encoding="utf-8")
    folder = tmp_path / "rust"
    done = leafledger(
        "new", str(folder), "--table", str(table), "--treatment", "Type", "--quantity", "percent"
    )
    assert done.returncode == 0, done.stderr
    assert "Fill in" not in done.stdout
    result = run_study(folder, cores=2)
    assert result.outcome == "done", (result.message, result.problems)


def piped(folder: Path, answers: str, *flags: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, "new", "asked", *flags],
        input=answers,
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        timeout=120,
    )


def test_answers_piped_in_are_taken_and_said(tmp_path: Path) -> None:
    done = piped(tmp_path, "Spray\n\nreflectance\nsalt\n", "--session", "d0:before")
    assert done.returncode == 0, done.stderr
    for line in ("Title of the study: Spray", "compared with: salt"):
        assert line in done.stdout
    text = (tmp_path / "asked/study.yaml").read_text(encoding="utf-8")
    for words in ('"Spray"', 'treatment: "treatment"', "quantity: reflectance", 'control: "salt"'):
        assert words in text


def test_an_answer_piped_in_that_cannot_be_meant_is_refused_with_its_question(
    tmp_path: Path,
) -> None:
    done = piped(tmp_path, "Spray\n\nabsorbance\n")
    assert done.returncode == 2
    assert "What the raw files hold" in done.stderr and "absorbance" in done.stderr
    assert not (tmp_path / "asked").exists()


def test_a_pipe_that_nobody_writes_to_is_not_waited_for(tmp_path: Path) -> None:
    ours, theirs = os.pipe()
    done = subprocess.run(
        [*COMMAND, "new", "asked"],
        stdin=ours,
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        timeout=60,
    )
    os.close(ours)
    os.close(theirs)
    assert done.returncode == 0, done.stderr
    assert '"My leaf study"' in (tmp_path / "asked/study.yaml").read_text(encoding="utf-8")


def test_a_table_keeps_its_control_and_its_sessions(tmp_path: Path) -> None:
    table = tmp_path / "leaves.csv"
    rows = [f"none,a,{','.join(['20'] * 12)}", f"salt,b,{','.join(['30'] * 12)}"]
    heading = "Type,session," + ",".join(str(400 + 10 * i) for i in range(12))
    table.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    sessions = ("--session", "a:before", "--session", "b:after")
    done = leafledger("new", str(tmp_path / "s"), "--table", str(table), "--treatment", "Type",
                      "--control", "none", *sessions)  # fmt: skip
    assert done.returncode == 0, done.stderr
    study = checked_study(tmp_path / "s")
    assert study.definition.design.control == "none"
    assert study.session_ids == ("a", "b")


@pytest.mark.parametrize(
    ("sessions", "dates"),
    [
        (("day0:before", "day12:after"), ("2026-05-04", "2026-05-16")),
        (("a:before", "b:after", "c:after"), ("2026-05-04", "2026-05-11", "2026-05-18")),
    ],
)
def test_each_session_has_an_example_date_of_its_own(
    tmp_path: Path, sessions: tuple[str, ...], dates: tuple[str, ...]
) -> None:
    flags = [word for session in sessions for word in ("--session", session)]
    assert leafledger("new", str(tmp_path / "s"), *flags).returncode == 0
    text = (tmp_path / "s/study.yaml").read_text(encoding="utf-8")
    assert [line.split("# date: ")[1] for line in text.splitlines() if "# date" in line] == [*dates]
