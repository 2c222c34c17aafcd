"""What the audit commands print: plain, folded at a terminal, and no alarm without a cause."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable
from os import terminal_size

import pytest
from click.testing import CliRunner

from leafledger.cli import terminal_text
from leafledger.cli.ledger_commands import verify
from leafledger.study.study import Study

Entered = Callable[..., str]


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("line", "folds"),
    [
        (
            "    | numpy 2.4.6, pandas 3.1.1, pyarrow 25.0.1",
            ["    | numpy 2.4.6, pandas", "      3.1.1, pyarrow 25.0.1"],
        ),
        (
            "  - raw/day0/p01_1.txt has another content",
            ["  - raw/day0/p01_1.txt has", "    another content"],
        ),
        (
            "Results that differ: effects, report",
            ["Results that differ: effects,", "report"],
        ),
        ("", [""]),
    ],
)
def test_lines_fold_under_their_text_at_a_terminal(
    line: str, folds: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal, file = Terminal(), io.StringIO()
    monkeypatch.setattr(shutil, "get_terminal_size", lambda: terminal_size((30, 20)))
    monkeypatch.setattr("sys.stdout", terminal)
    terminal_text.say_line(line)
    assert terminal.getvalue().splitlines() == folds
    monkeypatch.setattr("sys.stdout", file)
    terminal_text.say_line(line)
    assert file.getvalue().splitlines() == [line], "a program reads whole lines"


def test_half_a_digest_is_refused_and_not_called_a_forged_chain(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    told = CliRunner().invoke(verify, [str(study.folder)])
    assert told.exit_code == 0
    assert " of 1 run.\n" in told.output
    head = told.output.split("Head of the chain: ")[1].strip()
    for shown in (head, f" {head.upper()} "):
        assert CliRunner().invoke(verify, [str(study.folder), "--head", shown]).exit_code == 0
    half = CliRunner().invoke(verify, [str(study.folder), "--head", head[:12]])
    assert "12 characters" in str(half.exception)
    assert "the whole digest of 64 characters" in str(half.exception)
    forged = CliRunner().invoke(verify, [str(study.folder), "--head", "0" * 64])
    assert forged.exit_code == 1
    assert "written anew" in forged.output
