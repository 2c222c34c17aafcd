"""Showing the tracking store in a browser, on this machine only."""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from leafledger.errors import InputFault, Problem
from leafledger.ledger import tracking

_HOST = "127.0.0.1"
_PR_SET_PDEATHSIG = 1
_PATIENCE_S = 2.0


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
    with _ended_by_signals():
        server = subprocess.Popen(
            command, env=environment, start_new_session=True, preexec_fn=_end_with_parent
        )
        try:
            return server.wait()
        except KeyboardInterrupt:
            return 0
        except _Ended as ended:
            return 128 + ended.number
        finally:
            _end(server)


class _Ended(Exception):
    """The command was asked to end by a signal other than Ctrl-C."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Turn the signals that end a command into an exception, so that it ends its server too."""

    def end(number: int, _frame: FrameType | None) -> None:
        raise _Ended(number)

    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _end_with_parent() -> None:
    """Let the kernel end the server where this command is killed and can end nothing itself."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def _end(server: subprocess.Popen[bytes]) -> None:
    """End the server and its workers, which have a process group of their own."""
    for number, seconds in ((signal.SIGTERM, _PATIENCE_S), (signal.SIGKILL, None)):
        with suppress(ProcessLookupError):
            os.killpg(server.pid, number)
        with suppress(subprocess.TimeoutExpired):
            server.wait(seconds)


def _taken(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((_HOST, port))
        except OSError:
            return True
    return False
