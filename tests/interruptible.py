"""Child processes that a test interrupts."""

from __future__ import annotations

import signal


def heed_interrupts() -> None:
    """Let a child hear SIGINT (``preexec_fn``): a suite in the background makes it deaf to it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
