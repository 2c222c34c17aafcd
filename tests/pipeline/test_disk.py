"""A study in a folder that may only be read: a real one, in a mount of its own."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

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
