"""One run at a time on one study."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from leafledger.errors import InputFault, Problem

_FILE = "ledger/lock"


@contextmanager
def study_lock(folder: Path) -> Iterator[None]:
    """Hold the study for this process; the kernel frees it whatever becomes of the process.

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
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InputFault(
                Problem(
                    file=_FILE,
                    found="another run at work on this study",
                    expected="one run at a time",
                    mend="Wait until it has ended; `leafledger status` shows how far it is.",
                )
            ) from error
        yield
