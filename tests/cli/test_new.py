"""``leafledger new``: by flags, by questions, from a table; what it writes is a study that runs."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from leafledger.runner.check import check_raw_files, checked_study
from leafledger.runner.run import run_study

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
        (["--pattern", "raw/{unit}.txt"], "lacks {session}"),
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


def test_at_a_terminal_it_asks(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    answers = ("Spray on [/b] soybean", "", "reflectance", "", "d0:before d7:after d9:after")
    os.write(ours, "".join(f"{line}\n" for line in answers).encode())
    done = subprocess.run(
        [*COMMAND, "new", "asked"],
        stdin=theirs,
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        timeout=120,
    )
    os.close(ours)
    os.close(theirs)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("[") >= 5, "every question shows what Enter means"
    text = (tmp_path / "asked/study.yaml").read_text(encoding="utf-8")
    for words in ('"Spray on [/b] soybean"', "quantity: reflectance", "session: d9, phase: after"):
        assert words in text


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
