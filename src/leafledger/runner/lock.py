"""One run at a time on one study."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from leafledger.errors import InputFault, Problem
from leafledger.study.links import WRITTEN, link_problems, not_through_a_link

_FILE = "ledger/lock"


@contextmanager
def study_lock(folder: Path) -> Iterator[None]:
    """Hold the study for the block.

    Raises
    ------
    InputFault
        If another run holds it, a folder of it cannot be written to, or a link leads out of it.
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
        If another run holds it, a folder of it cannot be written to, or a link leads out of it.
    """
    folder = folder.resolve()
    if found := [*link_problems(folder), *_closed_folders(folder)]:
        raise InputFault(found)
    path = not_through_a_link(folder / _FILE)
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


def _closed_folders(folder: Path) -> list[Problem]:
    """Return a problem for each folder of results or books that is there and cannot be written."""
    if not os.access(folder / "ledger" if (folder / "ledger").is_dir() else folder, os.W_OK):
        return []  # told as a whole, by what cannot be opened in it
    top = [folder / name for name in WRITTEN if (folder / name).is_dir()]
    listed = [place for place in top if os.access(place, os.R_OK | os.X_OK)]
    below = [child for place in listed for child in sorted(place.glob("*")) if child.is_dir()]
    return [
        Problem(
            file=place.relative_to(folder).as_posix(),
            found="a folder that cannot be written to",
            expected="folders of results and books that leafledger may write to",
            mend="Give yourself the right to write to it (and to what it holds), then run again.",
        )
        for place in [*top, *below]
        if not os.access(place, os.W_OK | os.X_OK)
    ]
