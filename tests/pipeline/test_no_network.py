"""Nothing phones home: a whole run in a network namespace that has no way out."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_GUARD = '''
"""Refuses every connection that is not to this machine, and tells of it."""
import os, socket, sys
_connect = socket.socket.connect
def connect(self, address):
    local = self.family == socket.AF_UNIX or (
        isinstance(address, tuple) and str(address[0]) in {"127.0.0.1", "::1", "localhost"}
    )
    if not local:
        with open(os.environ["NETWORK_TOLD"], "a") as file:
            file.write(f"{sys.argv} {address}\\n")
        raise OSError("no network in this test")
    return _connect(self, address)
socket.socket.connect = connect
_look_up = socket.getaddrinfo
def getaddrinfo(host, *rest, **more):
    if host not in {None, "127.0.0.1", "::1", "localhost"}:
        with open(os.environ["NETWORK_TOLD"], "a") as file:
            file.write(f"{sys.argv} look-up {host}\\n")
        raise OSError("no network in this test")
    return _look_up(host, *rest, **more)
socket.getaddrinfo = getaddrinfo
'''


@pytest.mark.slow
def test_a_run_asks_for_no_network(small_study: Path, tmp_path: Path) -> None:
    """Every Python process of the run loads the guard, the steps and MLflow's included."""
    guard = tmp_path / "guard"
    guard.mkdir()
    (guard / "sitecustomize.py").write_text(_GUARD, encoding="utf-8")
    told = tmp_path / "told.txt"
    run = [sys.executable, "-m", "leafledger.cli", "run", str(small_study), "--quiet"]
    environment = {
        "PATH": "/usr/bin:/bin",
        "HOME": str(tmp_path),
        "PYTHONPATH": str(guard),
        "NETWORK_TOLD": str(told),
    }
    probe = [sys.executable, "-c", "import socket; socket.create_connection(('192.0.2.1', 9))"]
    assert subprocess.run(probe, env=environment, capture_output=True, check=False).returncode
    assert told.read_text(encoding="utf-8"), "the guard must see what is tried"
    told.unlink()
    done = subprocess.run(run, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert not told.exists(), told.read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_run_ends_well_where_there_is_no_network_at_all(small_study: Path) -> None:
    if shutil.which("unshare") is None:
        pytest.skip("unshare is not installed")
    without = ["unshare", "-rn"]
    if subprocess.run([*without, "true"], capture_output=True, check=False).returncode:
        pytest.skip("this machine does not allow network namespaces")
    run = [sys.executable, "-m", "leafledger.cli", "run", str(small_study), "--quiet"]
    done = subprocess.run([*without, *run], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
