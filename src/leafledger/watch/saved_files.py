"""Which files has the acquisition program saved, and which of them are complete?

A folder is looked through by size and date. Notices of the file system (watchfiles) only say when
to look: a folder on another machine gives none, so it is looked through again and again. A file is
complete once neither size nor date have changed for a while.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from leafledger.study.sheets import PathCheck

# What counts as a file of the instrument.
# ----------------------------------------------------------------------

SETTLED_S = 0.3
"""Seconds without a change of size or date after which a file is complete."""
_TEMPORARY = (
    ".tmp", ".temp", ".part", ".partial", ".crdownload", ".filepart", ".swp", ".lock", ".lck", "~",
)  # fmt: skip
_HIDDEN = (".", "~", "#")
_SYSTEM = frozenset({"thumbs.db", "desktop.ini"})
_RENAME = "Save the scan under another name."
_COPY = "Copy the file itself."


def is_passed_over(name: str) -> bool:
    """Tell whether a file is hidden or temporary by its name: no scan is saved so.

    Examples
    --------
    >>> [is_passed_over(n) for n in (".scan.txt", "~$scan.xlsx", "scan.txt.part", "scan.txt")]
    [True, True, True, False]
    """
    low = name.lower()
    return low.startswith(_HIDDEN) or low.endswith(_TEMPORARY) or low in _SYSTEM


@dataclass(frozen=True)
class SavedFile:
    """A complete file.

    Attributes
    ----------
    file
        Path in the study, POSIX.
    path
        Where it is.
    size
        Bytes.
    mtime_ns
        Date of its last change, ns since 1970 by the clock that wrote it.
    """

    file: str
    path: Path
    size: int
    mtime_ns: int


@dataclass(frozen=True)
class Listing:
    """What one look at the folder found.

    Attributes
    ----------
    complete
        Files that are new or changed since they were last reported, the earliest saved first.
    waiting
        Paths in the study of files that still change.
    gone
        Files that were reported and are not there any more.
    refused
        Path in the study -> why it is never read (a link out of the study, a pipe, a name that no
        cell of a sheet keeps), and the mend; each once.
    unreadable
        Why the folder itself cannot be listed; empty if it can.
    """

    complete: tuple[SavedFile, ...] = ()
    waiting: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    refused: dict[str, str] = field(default_factory=dict)
    unreadable: str = ""


class SavedFiles:
    """The files of one folder, from look to look.

    Parameters
    ----------
    study
        The study folder.
    folder
        The folder of the session, below it.
    settled_s
        Seconds without change after which a file is complete.
    """

    def __init__(self, study: Path, folder: Path, settled_s: float = SETTLED_S) -> None:
        self.study = study
        self.folder = folder
        self.settled_s = settled_s
        self._paths = PathCheck(study)
        self._seen: dict[str, tuple[int, int, float]] = {}
        self._reported: dict[str, tuple[int, int]] = {}
        self._refused: set[str] = set()

    def look(self, now: float) -> Listing:
        """Look through the folder once.

        Parameters
        ----------
        now
            Seconds of a clock that is never set (``time.monotonic``).
        """
        try:
            entries = sorted(os.scandir(self.folder), key=lambda entry: entry.name)
        except FileNotFoundError:
            entries = []
        except OSError as error:
            return Listing(unreadable=(error.strerror or "cannot be listed").lower())
        complete: list[SavedFile] = []
        waiting: list[str] = []
        refused: dict[str, str] = {}
        present: set[str] = set()
        for entry in entries:
            file = Path(entry.path).relative_to(self.study).as_posix()
            why = "" if is_passed_over(entry.name) else self._why_refused(entry, file)
            if why is None:
                self._classify_file(file, Path(entry.path), now, present, waiting, complete)
            elif why and file not in self._refused:
                self._refused.add(file)
                refused[file] = why
        gone = tuple(sorted(set(self._reported) - present))
        for file in gone:
            del self._reported[file]
        self._seen = {file: seen for file, seen in self._seen.items() if file in present}
        complete.sort(key=lambda one: (one.mtime_ns, one.file))
        return Listing(tuple(complete), tuple(waiting), gone, refused)

    def _classify_file(
        self,
        file: str,
        path: Path,
        now: float,
        present: set[str],
        waiting: list[str],
        complete: list[SavedFile],
    ) -> None:
        """Tell whether a file is new, complete, or still being written."""
        try:
            status = path.stat()
        except OSError:  # it went while it was looked at
            return
        present.add(file)
        size, mtime_ns = status.st_size, status.st_mtime_ns
        if self._reported.get(file) == (size, mtime_ns):
            return
        last = self._seen.get(file)
        if last is None or last[:2] != (size, mtime_ns):
            self._seen[file] = (size, mtime_ns, now)
            waiting.append(file)
        elif now - last[2] < self.settled_s or size == 0:
            waiting.append(file)
        else:
            self._reported[file] = (size, mtime_ns)
            complete.append(SavedFile(file, path, size, mtime_ns))

    def _why_refused(self, entry: os.DirEntry[str], file: str) -> str | None:
        """Return why an entry is never read; empty for a folder, ``None`` for a plain file."""
        if entry.is_dir(follow_symlinks=False):
            return ""
        # A cell of the sheet keeps no such name: it would name another file, or none.
        if not entry.name.isprintable():
            return f"its name has a control character. {_RENAME}"
        if entry.name != entry.name.strip():
            return f"its name begins or ends with a blank. {_RENAME}"
        why = self._paths.why_refused(file)
        if why == "no such file":
            return f"a link that leads nowhere. {_COPY}" if entry.is_symlink() else ""
        return why and f"{why}. {_COPY}"

    @property
    def names(self) -> frozenset[str]:
        """Names of the files that are known so far, complete or not."""
        return frozenset(Path(file).name for file in (*self._seen, *self._reported))

    def look_again(self, file: str) -> None:
        """Report a file anew at the next look: what was in it was not whole yet."""
        self._reported.pop(file, None)

    def reported(self, file: str, size: int, mtime_ns: int) -> None:
        """Take a file as reported already: it was read when the watch began."""
        self._reported[file] = (size, mtime_ns)


# When to look: as soon as the file system says so, and in any case now and then.
# ----------------------------------------------------------------------

POLL_S = 0.3
"""Seconds from look to look where the file system gives no notice."""
_NOTICE_S = 3.0
IDLE_S = 2.0
"""Seconds from look to look where it does, in case a notice is lost."""


class FolderNotices:
    """Wakes the watch when something in the folder changes.

    Parameters
    ----------
    folder
        An existing folder.
    polling
        Never ask the file system for notices.
    say
        Called with a sentence if notices turn out not to come.
    """

    def __init__(self, folder: Path, polling: bool, say: Callable[[str], None]) -> None:
        self.folder = folder
        self.polling = polling
        self._say = say
        self._changed = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._noticed: set[str] = set()
        self._unannounced: dict[str, float] = {}

    def start(self) -> None:
        """Begin to listen, in a thread of its own."""
        if not self.polling:
            self._thread = threading.Thread(target=self._listen, daemon=True)
            self._thread.start()

    def _listen(self) -> None:
        from watchfiles import watch

        try:
            for changes in watch(
                self.folder,
                watch_filter=None,
                debounce=50,
                step=20,
                rust_timeout=500,
                stop_event=self._stop,
                recursive=False,
                raise_interrupt=False,
                force_polling=False,
            ):
                self._noticed |= {Path(path).name for _, path in changes}
                self._changed.set()
        except (OSError, RuntimeError) as error:
            self._switch(f"The file system gives no notices ({error})")

    def _switch(self, why: str) -> None:
        if not self.polling:
            self.polling = True
            self._say(f"{why}: the folder is looked through every {POLL_S:g} s.")
        self._changed.set()

    def found(self, names: Sequence[str], now: float) -> None:
        """Take note of files that a look has found for the first time.

        Parameters
        ----------
        names
            Names of the files.
        now
            Seconds of a clock that is never set. A file of which no notice comes within 3 s tells
            that the file system gives none.
        """
        if self._thread is None or self.polling:
            return
        self._unannounced |= {name: now for name in names if name not in self._noticed}
        self._unannounced = {
            name: since for name, since in self._unannounced.items() if name not in self._noticed
        }
        if any(now - since > _NOTICE_S for since in self._unannounced.values()):
            self._switch("Files appear here without notice, as on a network share")

    def wait(self, pending: bool) -> bool:
        """Wait until it is time to look.

        Parameters
        ----------
        pending
            Whether a file is still being written: look again soon.

        Returns
        -------
        bool
            Whether a notice came.
        """
        came = self._changed.wait(0.1 if pending else POLL_S if self.polling else IDLE_S)
        self._changed.clear()
        return came

    def wake(self) -> None:
        """End the waiting now."""
        self._changed.set()

    def stop(self) -> None:
        """Stop listening."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=2)
