"""The commands of ``docs/planning.md`` do what the page says, and print what it shows."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from docs.markdown_pages import DOCS, blocks
from leafledger.cli.main import cli

PAGE = blocks(DOCS / "planning.md")


def one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


def command(start: str) -> list[str]:
    """Return the words of the command of the page that begins so."""
    lines = [
        line
        for block in PAGE
        if block.language == "sh"
        for line in block.text.replace("\\\n", " ").splitlines()
    ]
    (found,) = [line for line in lines if one_line(line).startswith(start)]
    return shlex.split(found)[1:]


def test_the_flags_write_a_study_and_print_what_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(cli, command("leafledger plan my-study --title"))
    assert done.exit_code == 0, (done.output, done.exception)
    (shown,) = [block.text for block in PAGE if block.language == ""]
    assert one_line(done.output).startswith(one_line(shown))
    assert CliRunner().invoke(cli, command("leafledger plan record my-study")).exit_code == 0
    page = (DOCS / "planning.md").read_text(encoding="utf-8")
    table = re.findall(r"(?m)^\| (`[^|]+) \|", page.split("## What it writes")[1].split("##")[0])
    named = [name for cell in table for name in re.findall(r"`([^`]+)`", cell)]
    assert len(named) >= 9
    for name in named:
        place = Path("my-study") / name
        place = place if not name.startswith(".") else Path("my-study/plan/sheets/day0.html")
        assert place.exists(), name


def test_lots_for_later_are_planned_as_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = command("leafledger plan my-study --treatments water,chelate --units 24 --allocate")
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, (done.output, done.exception)
    assert "treatment\np01,\n" in Path("my-study/units.csv").read_text(encoding="utf-8")
