"""Ctrl-C ends a command within seconds at any stage, and nothing that it started goes on."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from urllib.request import urlopen

import pytest

from interruptible import heed_interrupts
from leafledger.ledger.tracking import prepare_store

WITHIN_S = 5.0
PATIENCE_S = 240.0
LINUX = pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="reads /proc")


def begun(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "leafledger.cli", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=heed_interrupts,
    )


def at_work_in(folder: Path) -> list[str]:
    """Return the commands of all processes that have the folder as theirs or name it."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes().replace(b"\0", b" ").decode()
            here = (process / "cwd").readlink() == folder
        except OSError:
            continue
        if words and (here or str(folder) in words) and process.name != str(os.getpid()):
            found.append(words)
    return found


def wait_until(is_so, child: subprocess.Popen[str]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not is_so():
        assert child.poll() is None, child.communicate()
        assert time.monotonic() < end
        time.sleep(0.05)


def has_begun(study: Path, stage: str) -> bool:
    return any((study / "logs").glob(f"{stage}*.log"))


@LINUX
@pytest.mark.slow
@pytest.mark.parametrize("stage", ["", "reflectance", "classes", "report"])
def test_an_interrupt_ends_a_run_within_seconds_at_any_stage(small_study: Path, stage: str) -> None:
    child = begun("run", str(small_study), "--cores", "2")
    if stage:
        wait_until(lambda: has_begun(small_study, stage), child)
        time.sleep(0.5)
    else:
        wait_until(lambda: (small_study / "logs" / "snakemake.log").exists(), child)
    began = time.monotonic()
    os.killpg(child.pid, signal.SIGINT)  # as a terminal does
    _, errors = child.communicate(timeout=60)
    took = time.monotonic() - began
    assert child.returncode == 130, errors
    assert "Interrupted" in errors
    assert "Traceback" not in errors
    assert at_work_in(small_study) == []
    assert took < WITHIN_S, f"{took:.1f} s"


def answers(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def is_mlflow(port: int) -> bool:
    with suppress(OSError):
        return bool(urlopen(f"http://127.0.0.1:{port}/health").read() == b"OK")
    return False


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@LINUX
@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGTERM, 143), (signal.SIGINT, 0), (signal.SIGHUP, 129), (signal.SIGKILL, -9)],
)
def test_the_server_of_the_store_ends_with_its_command(
    small_study: Path, number: signal.Signals, code: int
) -> None:
    prepare_store(small_study, "a store without runs")
    port = free_port()
    child = begun("ui", str(small_study), "--port", str(port))
    wait_until(lambda: answers(port), child)
    # MLflow begins with the first visitor, whose browser is prepared meanwhile.
    assert b"MLflow is starting" in urlopen(f"http://127.0.0.1:{port}/").read()
    wait_until(lambda: is_mlflow(port), child)
    began = time.monotonic()
    child.send_signal(number)
    child.wait(timeout=60)
    assert child.returncode == code
    while answers(port) or at_work_in(small_study):
        assert time.monotonic() - began < WITHIN_S
        time.sleep(0.1)
