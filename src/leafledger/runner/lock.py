"""One run at a time on one study."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from leafledger.errors import InputFault, Problem

_FILE = "ledger/lock"


@contextmanager
def study_lock(folder: Path) -> Iterator[None]:
    """Hold the study for the block.

    Raises
    ------
    InputFault
        If another run holds it, or the folder cannot be written to.
    """
    with hold_study(folder):
        yield


def is_held(folder: Path) -> bool:
    """Tell whether a run is at work on the study now."""
    try:
        with (folder / _FILE).open() as handle:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def hold_study(folder: Path) -> IO[str]:
    """Hold the study until the file returned is closed; the kernel closes it with the process.

    Raises
    ------
    InputFault
        If another run holds it, or the folder cannot be written to.
    """
    path = folder / _FILE
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+")
    except OSError as error:
        raise InputFault(
            Problem(
                file=".",
                found=f"a study folder that cannot be written to ({error.strerror})",
                expected="a folder in which results/ and ledger/ can be made",
                mend="Copy the study to a folder of your own, or ask for the right to write.",
            )
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        handle.close()
        raise InputFault(
            Problem(
                file=_FILE,
                found="another run at work on this study",
                expected="one run at a time",
                mend="Wait until it has ended; `leafledger status` says whether it has.",
            )
        ) from error
    return handle
