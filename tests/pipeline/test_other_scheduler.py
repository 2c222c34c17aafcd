"""The example of `docs/cluster.md` for another scheduler, word for word, on a small study."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from test_same_bytes import digests

from leafledger.records import events

pytestmark = pytest.mark.slow

PAGE = Path(__file__).parents[2] / "docs" / "cluster.md"


@pytest.fixture
def my_cluster(tmp_path: Path) -> Path:
    """Return the profile of the page, with its three scripts."""
    pytest.importorskip("snakemake_executor_plugin_cluster_generic")
    text = PAGE.read_text(encoding="utf-8")
    place = tmp_path / "my-cluster"
    place.mkdir()
    (profile,) = re.findall(r"```yaml\n# my-cluster/config\.yaml\n(.*?)```", text, re.DOTALL)
    (place / "config.yaml").write_text(profile.replace("/home/me/my-cluster", str(place)), "utf-8")
    scripts = re.findall(r"```bash\n(#!/bin/bash\n# (\w+\.sh) .*?)```", text, re.DOTALL)
    assert [name for _, name in scripts] == ["submit.sh", "status.sh", "cancel.sh"]
    for script, name in scripts:
        (place / name).write_text(script, encoding="utf-8")
        (place / name).chmod(0o755)
    return place


def start(study: Path, profile: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "leafledger.cli", "run", str(study), "--profile", str(profile)]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ}
    )


def until(true: Callable[[], object], seconds: float) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.2)


def began(study: Path, task: str) -> bool:
    runs = sorted((study / events.EVENTS).glob("*"))
    lines = events.read_progress(study, runs[-1].name)[0] if runs else []
    return any(line.get("task") == task and line.get("state") == "started" for line in lines)


def groups(study: Path) -> set[int]:
    """Return the process groups of the jobs that work on a study."""
    found = set()
    for place in Path("/proc").glob("[0-9]*"):
        try:
            words = (place / "cmdline").read_bytes()
            if b"leafledger.runner.step" in words and (place / "cwd").readlink() == study:
                found.add(os.getpgid(int(place.name)))
        except OSError:
            continue
    return found


def test_same_bytes_though_jobs_inherit_nothing_and_one_is_killed(
    small_study: Path, small_study_run: Path, my_cluster: Path
) -> None:
    run = start(small_study, my_cluster)
    until(lambda: began(small_study, "validation"), 200)
    (group,) = groups(small_study)
    os.killpg(group, signal.SIGKILL)
    told, _ = run.communicate(timeout=540)
    assert run.returncode == 0, told
    assert "validation: ended from outside (out of memory or time, a lost node, or killed)" in told
    assert digests(small_study) == digests(small_study_run)


def test_ctrl_c_cancels_the_jobs(small_study: Path, my_cluster: Path) -> None:
    run = start(small_study, my_cluster)
    until(lambda: groups(small_study), 200)
    run.send_signal(signal.SIGINT)
    told, _ = run.communicate(timeout=100)
    assert run.returncode == 130
    assert "Interrupted" in told
    until(lambda: not groups(small_study), 10)
    assert not list((small_study / "ledger/lease").glob("job.*"))
