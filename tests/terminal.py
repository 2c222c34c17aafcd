"""A program on a terminal of its own, and what it wrote there."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys

_PATIENCE_S = 600


def at_a_terminal(*arguments: str, columns: int = 80) -> tuple[int, str]:
    """Run Python with all output on a terminal; return exit code and everything written."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": str(columns)},
    )
    os.close(theirs)
    told = b""
    while True:
        ready, _, _ = select.select([ours], [], [], _PATIENCE_S)
        assert ready, "the program says nothing"
        try:
            part = os.read(ours, 1 << 16)
        except OSError:  # how a terminal tells that its other end is closed
            break
        if not part:
            break
        told += part
    os.close(ours)
    return child.wait(60), told.decode("utf-8")
