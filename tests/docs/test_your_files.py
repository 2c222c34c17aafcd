"""The examples of "Your own instrument's files" are studies that `leafledger check` accepts."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from docs.markdown_pages import DOCS, Block, blocks
from leafledger.cli.main import main

PAGE = DOCS / "your_files.md"
BLOCKS = blocks(PAGE)
TEXT_STUDY = "Text: a file for each scan"
ERRORS = "Common errors and how to mend them"


def section(heading: str) -> list[Block]:
    return [block for block in BLOCKS if block.heading == heading]


STUDIES = sorted({b.heading for b in BLOCKS if b.file == "study.yaml"})


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str


Command = Callable[..., Done]


@pytest.fixture
def leafledger(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Done]:
    """Return the command line, called in this process, in the folder of the test."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> Done:
        monkeypatch.setattr(sys, "argv", ["leafledger", *arguments])
        with pytest.raises(SystemExit) as ended:
            main()
        told = capsys.readouterr()
        return Done(int(ended.value.code or 0), told.out, told.err)

    return call


def build(heading: str, folder: Path) -> Path:
    """Write a study as its section shows it; raw files that it does not show look alike."""
    (folder / "raw").mkdir(parents=True)
    shown = {block.file: block.text for block in section(heading) if block.file}
    for name, text in shown.items():
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="utf-8")
    for block in section(heading):
        if block.language == "python":
            subprocess.run([sys.executable, "-c", block.text], check=True, cwd=folder)
    models = [name for name in shown if name.startswith("raw/")]
    for name in missing(folder, heading):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(alike(shown[models[0]], name), encoding="utf-8")
    return folder


def missing(folder: Path, heading: str) -> list[str]:
    if heading == "File names instead of a sheet":
        names = ("p01_1", "p02_1", "white_1", "dark_1")
        named = [f"raw/{day}/{name}.txt" for day in ("day0", "day7") for name in names]
    else:
        rows = (folder / "scans.csv").read_text(encoding="utf-8").splitlines()[1:]
        named = [row.split(",")[1] for row in rows]
    return [name for name in dict.fromkeys(named) if not (folder / name).exists()]


def alike(text: str, name: str) -> str:
    """Return a raw file with the counts of a text file changed as its role asks."""
    factor = 1.4 if "white" in name else 0.05 if "dark" in name else 1.02
    return re.sub(r"(?m)^(\d+(?:,\d)?\t)(\d+)$", lambda m: f"{m[1]}{int(int(m[2]) * factor)}", text)


def test_every_form_has_an_example() -> None:
    told = "".join(block.text for block in BLOCKS if block.file == "study.yaml")
    for form in ("text", "wide_table", "spreadsheet", "jcamp_dx", "parquet"):
        assert f"form: {form}" in told
    assert len(STUDIES) == 7


@pytest.mark.parametrize("heading", STUDIES)
def test_an_example_checks(heading: str, tmp_path: Path, leafledger: Command) -> None:
    done = leafledger("check", str(build(heading, tmp_path / "study")))
    assert done.code == 0, done.err
    n_sessions = 2 if "session: day7" in section(heading)[0].text else 1
    assert f"{2 * n_sessions} leaf scans of 2 units" in done.out


def test_the_commands_of_the_page(tmp_path: Path, leafledger: Command) -> None:
    (table,) = [block for block in BLOCKS if block.file == "leaves.csv"]
    (tmp_path / "leaves.csv").write_text(table.text, encoding="utf-8")
    codes = {}
    for block in BLOCKS:
        if block.language == "sh":
            for line in block.text.splitlines():
                done = leafledger(*shlex.split(line)[1:])
                codes[line.split(" --")[0]] = (done.code, done.out, done.err)
    assert codes["leafledger new my-study"][0] == 0
    # Nothing is filled in yet: the check must say so, not pass.
    assert codes["leafledger check my-study"][0] == 2
    assert '"water", and no plant with a treatment' in codes["leafledger check my-study"][2]
    assert codes["leafledger new rust"][0] == 0
    code, told, _ = codes["leafledger check rust"]
    assert (code, "6 leaf scans of 6 leaves in 1 session" in told) == (0, True)


def test_a_file_that_fits_no_pattern_is_named(tmp_path: Path, leafledger: Command) -> None:
    study = build("File names instead of a sheet", tmp_path / "study")
    shutil.copy(study / "raw/day0/p01_1.txt", study / "raw/day0/p011.txt")
    done = leafledger("check", str(study))
    assert done.code == 0
    assert "To heed:" in done.out
    assert "p011.txt" in done.out


def replace(name: str, old: str, new: str) -> Callable[[Path], None]:
    def change(study: Path) -> None:
        text = (study / name).read_text(encoding="utf-8")
        assert old in text, (name, old)
        (study / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


MISTAKES = {
    "a unit of units.csv": replace("scans.csv", "sample,p01", "sample,p1"),
    '"p01 left"': replace("scans.csv", "p01-1,", "p01 left,"),
    "a file inside the study folder": replace("scans.csv", "raw/p01_1.txt", "raw/p01_2.txt"),
    "at least one scan of role white": lambda study: (study / "scans.csv").write_text(
        "".join(
            line
            for line in (study / "scans.csv").read_text(encoding="utf-8").splitlines(True)
            if "white" not in line
        ),
        encoding="utf-8",
    ),
    '"qunatity"': replace("study.yaml", "quantity", "qunatity"),
    "no control": replace("study.yaml", "  control: water\n", ""),
    '"04.05.2026 09:03"': replace("scans.csv", "2026-05-04T09:03:00", "04.05.2026 09:03"),
    "7 cells, as in the heading": replace("scans.csv", "T09:03:00,18", "T09:03:00,18,pale, torn"),
    "numbers in the wavelength and value columns": replace("raw/p01_1.txt", "14880", "n/a"),
}
"""Words of a message that the page shows -> the mistake that calls it forth."""


def test_every_error_of_the_page_is_known_here() -> None:
    shown = [block.text for block in section(ERRORS)]
    assert len(shown) == len(MISTAKES)
    for words in MISTAKES:
        assert sum(words in text for text in shown) == 1, words


@pytest.mark.parametrize("words", list(MISTAKES))
def test_an_error_reads_as_the_page_says(words: str, tmp_path: Path, leafledger: Command) -> None:
    study = build(TEXT_STUDY, tmp_path / "study")
    MISTAKES[words](study)
    done = leafledger("check", str(study))
    assert done.code == 2
    told = [" ".join(line.split()) for line in done.err.splitlines()]
    (shown,) = [block.text for block in section(ERRORS) if words in block.text]
    for line in shown.splitlines():
        assert " ".join(line.split()) in told, done.err
