"""Showing the tracking store in a browser, on this machine only."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from leafledger.errors import InputFault, Problem
from leafledger.ledger import tracking

_HOST = "127.0.0.1"


def serve(folder: Path, port: int, say: Callable[[str], None]) -> int:
    """Serve the tracking store of a study until interrupted; return the server's exit code.

    Raises
    ------
    InputFault
        If there is no store yet, or the port is taken.
    """
    if not (folder / tracking.DATABASE).is_file():
        raise InputFault(
            Problem(
                file=tracking.DATABASE,
                found="no tracking store",
                expected="a study that has been run",
                mend="Run it first: leafledger run",
            )
        )
    if _taken(port):
        raise InputFault(
            Problem(
                file="--port",
                found=f"port {port}, already in use on this machine",
                expected="a free port",
                mend=f"Try another: leafledger ui --port {port + 1 if port < 65535 else 5000}",
            )
        )
    say(f"Open http://{_HOST}:{port} in a browser; end with Ctrl-C.")
    environment = {**os.environ, "MLFLOW_SERVER_ENABLE_JOB_EXECUTION": "false"}
    command = [
        *(sys.executable, "-m", "mlflow", "server"),
        *("--backend-store-uri", tracking.address(folder)),
        *("--host", _HOST, "--port", str(port), "--workers", "1"),
    ]
    try:
        return subprocess.run(command, env=environment, check=False).returncode
    except KeyboardInterrupt:
        return 0


def _taken(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((_HOST, port))
        except OSError:
            return True
    return False
