"""A study on a disk that is full, or that may only be read: real ones, in mounts of their own."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from test_same_bytes import digests

from leafledger.records import events

_PRIVATE = ["unshare", "--map-root-user", "--mount"]


@pytest.fixture(autouse=True)
def _needs_mounts() -> None:
    if (
        shutil.which("unshare") is None
        or subprocess.run([*_PRIVATE, "true"], check=False).returncode
    ):
        pytest.skip("this machine lets nobody make mounts of their own (unshare)")


def in_own_mounts(script: str) -> str:
    """Run shell lines that see mounts which nobody else sees; ``tool`` is the command line."""
    tool = f'tool() {{ "{sys.executable}" -m leafledger.cli "$@" 2>&1 || code=$?'
    tool += '; echo "exit ${code:-0}"; unset code; }'
    done = subprocess.run(
        [*_PRIVATE, "bash", "-euc", f"{tool}\n{script}"],
        capture_output=True,
        text=True,
        check=False,
        timeout=500,
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stdout
    return done.stdout


def test_a_folder_that_may_only_be_read_is_told_and_can_be_asked(ran_study: Path) -> None:
    study = ran_study
    told = in_own_mounts(
        f'mount --bind "{study}" "{study}"; mount -o remount,ro,bind "{study}"\n'
        f'tool run "{study}"; tool status "{study}"; tool verify "{study}"\n'
        f'tool trace "{study}" results/effects.csv'
    )
    assert told.count("exit 2") == 1
    assert told.count("exit 0") == 3
    assert "cannot be written to (Read-only file system)" in told
    assert "All holds" in told
    assert "Every link holds" in told


def test_results_that_may_only_be_read_are_told_before_anything_runs(ran_study: Path) -> None:
    study = ran_study
    told = in_own_mounts(
        f'cd "{study}"; mount --bind results results; mount -o remount,ro,bind results\n'
        f"sed -i s/Iron/Ferrous/ study.yaml; tool run .; umount results; tool status ."
    )
    assert "exit 2" in told
    assert "results\n    found     a folder that cannot be written to" in told
    assert "settings changed: title" in told.partition("exit 2")[2]


@pytest.mark.slow
def test_a_disk_that_is_full_is_told_and_once_freed_the_run_is_finished(
    small_study: Path, small_study_run: Path, tmp_path: Path
) -> None:
    disk, later = tmp_path / "disk", tmp_path / "later"
    disk.mkdir()
    left = 2_000_000  # enough for the first half of the stages
    told = in_own_mounts(
        f'mount -t tmpfs -o size=200m none "{disk}"; cp -r "{small_study}" "{disk}/study"\n'
        f'free=$(df -B1 --output=avail "{disk}" | tail -n 1)\n'
        f'head -c $((free - {left})) /dev/zero > "{disk}/something-else"\n'
        f'tool run "{disk}/study" --cores 2 --quiet\n'
        f'rm "{disk}/something-else"\n'
        f'tool run "{disk}/study" --cores 2 --quiet; tool verify "{disk}/study"\n'
        f'cp -r "{disk}/study" "{later}"'
    )
    first, second, verified, _end = told.split("exit ")
    assert "No space left" in first
    assert second.startswith("1\n"), told
    assert verified.startswith("0\n") and "All holds" in verified, told
    assert _end.startswith("0"), told
    assert digests(later) == digests(small_study_run)
    assert not list(later.rglob(".*.tmp"))

    cut, whole = events.runs(later)
    assert cut["outcome"] in {"failed", "killed"} and whole["outcome"] == "done"
    # Where the disk was full while the store took a run in, MLflow keeps that try as deleted.
    with closing(sqlite3.connect(later / "ledger/ledger.sqlite")) as store:
        entered = store.execute(
            "SELECT value FROM tags JOIN runs USING (run_uuid)"
            " WHERE key = 'leafledger.run' AND lifecycle_stage = 'active'"
        ).fetchall()
    assert sorted(entered) == sorted([(cut["run"],), (whole["run"],)]), "none lost, none doubled"
