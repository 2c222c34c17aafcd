"""Same inputs, settings and versions give the same bytes, however the study is run."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from leafledger.runner.run import run_study
from leafledger.runner.workflow import snakefile


def digests(study: Path) -> dict[str, str]:
    return {
        path.relative_to(study).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for place in ("results", "records")
        for path in sorted((study / place).rglob("*"))
        if path.is_file() and path.name != ".snakemake_timestamp"
    }


@pytest.mark.slow
def test_plain_snakemake_gives_the_same_bytes(small_study: Path, small_study_run: Path) -> None:
    environment = {**os.environ, "PYTHONHASHSEED": "2"}
    done = subprocess.run(
        [
            sys.executable,
            *("-m", "snakemake", "--cores", "1", "--directory", str(small_study)),
            *("--snakefile", str(snakefile()), "--quiet", "all"),
        ],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert digests(small_study) == digests(small_study_run)
    from leafledger.ledger.book import take_in
    from leafledger.ledger.compare import course
    from leafledger.study.reading import read_study

    notes = take_in(read_study(small_study))
    assert any("plain Snakemake" in note for note in notes)
    assert [entry["outcome"] for entry in course(small_study)] == ["done"]
    assert run_study(small_study, cores=1).outcome == "idle"


def command(study: Path) -> list[str]:
    return [sys.executable, "-m", "leafledger.cli", "run", str(study), "--cores", "2", "--quiet"]


def kill_after(study: Path, seconds: float, whole_group: bool) -> bool:
    """Start a run and kill it; return whether it was still running."""
    child = subprocess.Popen(
        command(study),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        child.wait(seconds)
        return False
    except subprocess.TimeoutExpired:
        if whole_group:
            os.killpg(child.pid, signal.SIGKILL)
        else:
            child.kill()
        child.wait()
        return True


def check_after_kills(study: Path, undisturbed: Path, seeds: range, longest: float) -> None:
    draw = random.Random(seeds.start)
    killed = 0
    opened: set[str] = set()
    for seed in seeds:
        killed += kill_after(study, draw.uniform(0.3, longest), whole_group=seed % 2 == 0)
        opened |= {path.stem for path in (study / "ledger" / "runs").glob("*.json")}
        if seed % 3 == 0:
            shutil.rmtree(study / "ledger" / "store", ignore_errors=True)
    assert killed, "no run was cut short: the test proves nothing"
    time.sleep(0.5)  # steps of a killed run are ended by the kernel
    result = run_study(study, cores=2)
    assert result.exit_code == 0, result.message
    assert digests(study) == digests(undisturbed)
    assert not list(study.rglob(".*.tmp"))
    from leafledger.ledger.compare import course

    book = course(study)
    assert "running" not in {entry["outcome"] for entry in book}
    runs = [entry["run"] for entry in book]
    assert len(runs) == len(set(runs)), "no run may be doubled"
    assert opened <= set(runs), "no run may be lost; one killed before it began is none"
    assert opened, "no run was cut short after it began: the test proves nothing"


@pytest.mark.slow
def test_a_killed_run_is_finished_to_the_same_bytes(
    small_study: Path, small_study_run: Path
) -> None:
    check_after_kills(small_study, small_study_run, range(3), longest=8)


@pytest.mark.longest
@pytest.mark.slow
def test_many_killed_runs_are_finished_to_the_same_bytes(
    small_study: Path, small_study_run: Path
) -> None:
    check_after_kills(small_study, small_study_run, range(100, 150), longest=8)


def test_two_runs_at_once_are_refused(ran_study: Path) -> None:
    from leafledger.errors import InputFault
    from leafledger.runner.study_folder import study_lock

    with study_lock(ran_study), pytest.raises(InputFault, match="another run"):
        run_study(ran_study, cores=1)


@pytest.mark.slow
def test_raw_files_are_never_touched(small_study: Path) -> None:
    def state() -> dict[str, tuple[int, str]]:
        return {
            str(p): (p.stat().st_mtime_ns, hashlib.sha256(p.read_bytes()).hexdigest())
            for p in sorted((small_study / "raw").rglob("*"))
            if p.is_file()
        }

    before = state()
    assert run_study(small_study, cores=2).outcome == "done"
    assert state() == before


def test_moved_study_needs_nothing(ran_study: Path, tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere"
    ran_study.rename(moved)
    assert run_study(moved, cores=1).outcome == "idle"
    for place in ("results", "records"):
        for path in (moved / place).rglob("*"):
            if path.is_file():
                assert str(tmp_path).encode() not in path.read_bytes(), path
