"""The tutorial, followed word for word: every command is run, every promise compared."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from docs.markdown_pages import DOCS, ROOT, Block, blocks

PAGE = DOCS / "tutorial.md"
NUMBER = r"-?\d+(?:\.\d+)?"


def steps() -> Iterator[tuple[list[str], Block | None]]:
    """Yield the commands of each block to be typed, and the block of what they print."""
    found = [block for block in blocks(PAGE) if block.language in {"sh", "text"}]
    for i, block in enumerate(found):
        if block.language == "sh":
            after = found[i + 1] if i + 1 < len(found) else None
            shown = after if after is not None and after.language == "text" else None
            yield block.text.splitlines(), shown


def line_fits(promised: str, line: str) -> bool:
    """Tell whether a line is as promised: the same words, numbers within one of the last digit.

    ``...`` inside a promise stands for anything.
    """
    parts = re.split(rf"(\.\.\.|{NUMBER})", promised)
    wanted = [p for p in parts[1::2] if p != "..."]
    pattern = "".join(
        re.escape(part) if i % 2 == 0 else ".*?" if part == "..." else rf"({NUMBER})"
        for i, part in enumerate(parts)
    )
    found = re.fullmatch(pattern, line)
    if found is None:
        return False
    for want, got in zip(wanted, found.groups(), strict=True):
        digits = len(want.partition(".")[2])
        if abs(float(want) - float(got)) > 1.01 * 10**-digits * (digits > 0):
            return False
    return True


def first_missing(promised: str, told: str) -> str | None:
    """Return the first promised line that is not there, in its order; ``None`` if all are.

    A line ``...`` stands for any number of lines.
    """
    lines, place, anywhere = told.splitlines(), 0, False
    for promise in promised.splitlines():
        if promise == "...":
            anywhere = True
            continue
        reach = range(place, len(lines)) if anywhere else range(place, min(place + 1, len(lines)))
        fitting = next((i for i in reach if line_fits(promise, lines[i])), None)
        if fitting is None:
            return promise
        place, anywhere = fitting + 1, False
    return None if anywhere or place == len(lines) else "(nothing more)"


def test_promises_are_compared() -> None:
    assert line_fits("difference 0.142 (n = 12); ...", "difference 0.1420 (n = 12); t") is True
    assert line_fits("difference 0.142 ...", "difference 0.144 (n = 12)") is False
    assert line_fits("12 plants", "13 plants") is False
    assert first_missing("a\n...\nc\n", "a\nb\nb\nc\n") is None
    assert first_missing("a\nc\n", "a\nb\nc\n") == "c"
    assert first_missing("a\n", "a\nb\n") == "(nothing more)"


def test_the_tutorial_says_what_to_expect() -> None:
    assert sum(shown is not None for _, shown in steps()) >= 9


def as_typed_here(command: str, study: Path) -> str:
    """Return a command as the test types it: no set-up, the id of the first run filled in."""
    if command.startswith("make demo"):
        target = command.removeprefix("make ")
        (recipe,) = re.findall(
            rf"(?m)^{target}: .*\n\t@\$\(BIN\)/(.*)$",
            (ROOT / "Makefile").read_text(encoding="utf-8"),
        )
        return str(recipe)
    if "FIRST-RUN" in command:
        listed = subprocess.run(
            [Path(sys.executable).parent / "leafledger", "runs", study, "--json"],
            capture_output=True,
            text=True,
            check=True,
        )
        return command.replace("FIRST-RUN", json.loads(listed.stdout)[0]["run"])
    return command


def power_table(page: Path) -> dict[tuple[int, int], float]:
    """Return (plants in each group, leaves) -> detectable difference, as the page prints it."""
    text = page.read_text(encoding="utf-8")
    head = next(line for line in text.splitlines() if line.startswith("| plants in each group"))
    leaves = [int(n) for n in re.findall(r"(\d+) lea", head)]
    rows = re.findall(r"(?m)^\| (\d+) \| (0\.\d+) \| (0\.\d+) \| (0\.\d+) \|$", text)
    return {
        (int(plants), n): float(cell)
        for plants, *cells in rows
        for n, cell in zip(leaves, cells, strict=True)
    }


def check_the_power_table(study: Path) -> None:
    promised = power_table(DOCS / "designing.md")
    assert len(promised) == 15
    with (study / "results/power.csv").open(encoding="utf-8", newline="") as file:
        found = {
            (int(row["n_units"]), int(row["n_leaves"])): float(row["detectable"])
            for row in csv.DictReader(file)
            if row["index"] == "CI_rededge" and row["n_scans"] == "1"
        }
    for key, value in promised.items():
        assert found[key] == pytest.approx(value, abs=0.001), key


@pytest.mark.slow
@pytest.mark.longest
def test_the_tutorial_word_for_word(tmp_path: Path) -> None:
    study = tmp_path / "leafledger-demo"
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    for commands, shown in steps():
        done = subprocess.run(
            ["bash", "-eu", "-c", "\n".join(as_typed_here(c, study) for c in commands)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            cwd=tmp_path,
            env={**os.environ, "PATH": path},
        )
        assert done.returncode == 0, (commands, done.stdout)
        if shown is not None:
            assert first_missing(shown.text, done.stdout) is None, (shown.where, done.stdout)
        if commands == ["make demo"]:
            check_the_power_table(study)
            assert (study / "results/report.html").is_file()
