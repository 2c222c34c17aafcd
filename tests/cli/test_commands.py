"""The commands as a user meets them: help, exit codes, JSON, and a terminal that stays safe."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pytest

from interruptible import heed_interrupts
from leafledger.cli.main import _guarded, cli
from leafledger.cli.terminal_text import safe, say_problems
from leafledger.errors import Problem

Edit = Callable[[Path, str, str], None]


def commands(group: click.Group, names: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name, command in sorted(group.commands.items()):
        if isinstance(command, click.Group):
            yield from commands(command, (*names, name))
        else:
            yield (*names, name)


def leafledger(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "leafledger.cli", *arguments],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("names", list(commands(cli)), ids=" ".join)
def test_the_help_of_each_command_carries_an_example(
    names: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        cli([*names, "--help"])
    assert ended.value.code == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"Example: leafledger {' '.join(names)}" in text


def test_a_wrong_word_is_a_mistake_of_use() -> None:
    done = leafledger("rnu")
    assert done.returncode == 2
    assert "No such command" in done.stderr
    assert leafledger("run", "--cores", "0").returncode == 2


def test_no_study_is_named_with_what_to_do(tmp_path: Path) -> None:
    for command in ("run", "check", "status"):
        done = leafledger(command, str(tmp_path / "nowhere"))
        assert done.returncode == 2
        assert "study.yaml" in done.stderr
        assert "mend" in done.stderr
        assert "Traceback" not in done.stderr


def test_json_holds_one_value_and_nothing_else(small_study: Path, edit: Edit) -> None:
    status = json.loads(leafledger("status", str(small_study), "--json").stdout)
    assert set(status) == {"problems", "at_work", "would_run", "to_come", "variants_table"}
    assert status["variants_table"] == {"made": False, "out_of_date": []}
    assert status["at_work"] is False
    assert status["would_run"][0] == {
        "rule": "intake",
        "session": "day0",
        "why": "not run yet",
        "certain": True,
    }
    assert json.loads(leafledger("runs", str(small_study), "--json").stdout) == []
    edit(small_study / "study.yaml", "apply: faults", "apply: fualts")
    for command in ("status", "check", "run"):
        done = leafledger(command, str(small_study), "--json")
        assert done.returncode == 2
        problem = json.loads(done.stdout)["problems"][0]
        assert {"file", "row", "column", "found", "expected", "mend"} == set(problem)
        assert problem["column"] == "quality.apply"
    assert not (small_study / "results").exists()


def test_status_writes_nothing_and_tells_of_a_run_at_work(small_study: Path) -> None:
    from leafledger.runner.study_folder import study_lock

    before = sorted(small_study.rglob("*"))
    assert leafledger("status", str(small_study)).returncode == 0
    assert sorted(small_study.rglob("*")) == before
    with study_lock(small_study):
        done = leafledger("status", str(small_study), "--json")
        assert json.loads(done.stdout)["at_work"] is True


def test_an_interrupted_run_says_so_and_is_in_the_book(small_study: Path) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "leafledger.cli", "run", str(small_study)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=heed_interrupts,
    )
    assert child.stderr is not None
    assert child.stderr.readline().startswith("up to")
    time.sleep(1)
    child.send_signal(signal.SIGINT)
    _, errors = child.communicate(timeout=600)
    assert child.returncode == 130
    assert "Interrupted" in errors
    assert "Traceback" not in errors
    (entry,) = json.loads(leafledger("runs", str(small_study), "--json").stdout)
    assert (entry["outcome"], entry["message"]) == ("killed", "interrupted by the user")


def test_what_steers_a_terminal_is_not_printed(capsys: pytest.CaptureFixture[str]) -> None:
    evil = "a\x1b]0;owned\x07\x1b[2J\u202e\x9b31mb\rc\nd"
    assert not set("\x1b\x07\u202e\x9b\r") & set(safe(evil))
    assert safe("é 葉 µm\n") == "é 葉 µm\n"
    say_problems([Problem(file=evil, found=evil, expected="[/b] $\\foo$", mend=evil)])
    shown = capsys.readouterr().err
    assert not set("\x1b\x07\u202e\x9b\r") & set(shown)
    assert "[/b] $\\foo$" in shown


def test_closing_words(ran_study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A path with a blank is quoted in the command to copy; an idle run says so."""
    odd = ran_study.with_name("a study's")
    ran_study.rename(odd)
    done = leafledger("run", str(odd))
    assert done.returncode == 0
    assert done.stdout.startswith("Up to date: nothing to run.\nFound:\n")
    assert f"leafledger ui '{odd.parent}/a study'\"'\"'s'" in done.stdout


def test_a_warning_of_several_sessions_is_told_once(tmp_path: Path) -> None:
    from leafledger.cli.run_commands import warnings
    from leafledger.study.table_files import write_json

    for session, texts in {"d0": ["same", "own"], "d4": ["same"]}.items():
        record = {"rule": "indices", "session": session, "warnings": texts}
        write_json(tmp_path / "records" / f"indices.{session}.json", record)
    write_json(
        tmp_path / "records" / "effects.json",
        {"rule": "effects", "session": None, "warnings": ["few"]},
    )
    assert warnings(tmp_path) == ["effects: few", "indices d0, d4: same", "indices d0: own"]


def test_a_raw_file_that_fits_no_pattern_is_told(tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    lines = "".join(f"{nm}\t{0.1 + nm / 2000:.4f}\n" for nm in range(500, 801))
    for name in ("water_p1", "water_p2", "chelate_p3", "chelate_p4"):
        (tmp_path / "raw" / f"{name}.txt").write_text(lines, encoding="utf-8")
    (tmp_path / "raw" / "chelate-p5.txt").write_text(lines, encoding="utf-8")
    (tmp_path / "study.yaml").write_text(
        "version: 1\ntitle: A pattern\n"
        "design: {control: water}\n"
        "intake:\n  pattern: raw/{treatment}_{unit}.txt\n"
        "  forms: {default: {form: text, quantity: reflectance}}\n",
        encoding="utf-8",
    )
    done = leafledger("check", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert "1 file fits no" in done.stdout
    assert "raw/chelate-p5.txt" in done.stdout
    told = json.loads(leafledger("check", str(tmp_path), "--json").stdout)
    assert len(told["warnings"]) == 1


def test_the_tab_key_completes_commands() -> None:
    asked = {"_LEAFLEDGER_COMPLETE": "bash_complete", "COMP_WORDS": "leafledger re"}
    start = "import sys; sys.argv[0] = 'leafledger'\nfrom leafledger.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", start],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **asked, "COMP_CWORD": "1"},
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.split() == ["plain,report", "plain,reproduce", "plain,review"]


def test_the_list_of_commands_follows_the_work(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli(["--help"])
    text = capsys.readouterr().out
    listed = [line.split()[0] for line in text.splitlines() if line.startswith("  ")]
    assert [name for name in listed if name in cli.commands] == list(cli.commands)
    assert listed.index("new") < listed.index("check") < listed.index("run")
    assert not [line for line in text.splitlines()[1:] if line.endswith("...")]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (PermissionError(errno.EACCES, "Permission denied", "a.csv"), "right to read and write"),
        (OSError(errno.ENOSPC, "No space left on device"), "Free some space"),
        (OSError(errno.EIO, "Input/output error"), "Check that the path"),
        (MemoryError(), "--cores 1"),
    ],
    ids=lambda value: str(value)[:20],
)
def test_what_the_machine_refuses_ends_in_what_to_do(
    error: BaseException, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused() -> None:
        raise error

    assert _guarded(refused) == 1
    told = capsys.readouterr().err
    assert words in told.splitlines()[-1]
    assert "Traceback" not in told
