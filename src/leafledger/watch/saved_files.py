"""Which files has the acquisition program saved, and which of them are complete?

A folder is looked through by size and date. Notices of the file system (watchfiles) only say when
to look: a folder on another machine gives none, so it is looked through again and again. A file is
complete once neither size nor date have changed for a while.
"""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import StageFailure
from leafledger.intake.stage import read_session
from leafledger.runner.step import job_of
from leafledger.study.reading import read_study
from leafledger.study.sheets import PathCheck
from leafledger.study.study import Study, Task
from leafledger.watch.session_steps import MeasuringOrder, Step, study_to_measure

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
        removed = tuple(sorted(set(self._reported) - present))
        for file in removed:
            del self._reported[file]
        self._seen = {file: seen for file, seen in self._seen.items() if file in present}
        complete.sort(key=lambda one: (one.mtime_ns, one.file))
        return Listing(tuple(complete), tuple(waiting), removed, refused)

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


# A scripted instrument: it saves the scans of a finished study again, one by one
# ----------------------------------------------------------------------
# For tests and demonstrations: it looks in the scan sheet of the study that is measured what comes
# next, and saves that scan of the finished study, at a stated rhythm, in halves or with a planted
# fault if asked to. A scan that is asked for again is saved sound.

Floats = NDArray[np.float64]

# Scans of a finished study as files of text.
# ----------------------------------------------------------------------

Fault = Literal[
    "room_light", "no_leaf", "saturated", "too_dark", "light_in_dark", "drifted_white", "white_off"
]
_MERCURY_NM = {404.6565: 0.8, 435.8335: 2.0, 546.075: 1.0, 576.961: 0.25, 579.067: 0.25}
"""Lines of mercury in air: Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77; strengths ours."""
_LINE_SD_NM = 0.64
_LEAK = 0.04
"""Share of the white that the light of the room adds at the green line."""
_TOO_DARK, _DRIFTED, _INTO_DARK = 0.02, 0.9, 0.02


def text_of(wavelength_nm: Floats, values: Floats) -> bytes:
    """Return a scan as a text file of two columns, as the form ``text`` reads it."""
    lines = [f"{w:.3f}\t{v:.10g}" for w, v in zip(wavelength_nm, values, strict=True)]
    return ("Wavelength (nm)\tValue\n" + "\n".join(lines) + "\n").encode()


class FinishedScans:
    """The scans of one session of a finished study.

    Parameters
    ----------
    folder
        The finished study.
    session
        The session that is saved again.
    """

    def __init__(self, folder: Path, session: str) -> None:
        study = read_study(folder)
        self.scans = [scan for scan in study.scans if scan.session == session]
        read = read_session(job_of(study, Task("intake", session)))
        self.wavelength_nm = read.wavelength_nm
        self.values = {s.scan: read.values[k] for k, s in enumerate(self.scans)}
        self._files = self._single_files(study, session)
        full = study.definition.instrument.full_scale_counts
        self._full = 65535.0 if full is None else float(full)
        self._ms = {s.scan: s.integration_ms or 1.0 for s in self.scans}

    def _single_files(self, study: Study, session: str) -> dict[str, Path]:
        """Return scan -> its raw file, for a text form: these are saved byte for byte."""
        if study.form(session).form != "text":
            return {}
        return {s.scan: study.folder / s.file for s in self.scans}

    def sound(self, scan: str) -> bytes:
        """Return a scan as it is in the finished study."""
        if scan in self._files:
            return self._files[scan].read_bytes()
        return text_of(self.wavelength_nm, self.values[scan])

    def with_fault(self, scan: str, fault: Fault) -> bytes:
        """Return a scan with a planted fault.

        Parameters
        ----------
        scan
            Its id.
        fault
            What went wrong: light of a mercury lamp in the clip, the panel instead of a leaf, the
            detector full, hardly any light, light in a dark, a white of 90 %, or one without light.
        """
        values, dark, white = self.values[scan], self._dark(scan), self._white_light(scan)
        light = values - dark
        noise = np.random.default_rng(len(scan)).normal(0.0, self._noise(), len(values))
        if fault == "room_light":
            light = light + _LEAK * white * self._lines()
        elif fault == "no_leaf":
            light = 0.98 * white
        elif fault == "saturated":
            light = light * 1.2 * self._full / float(light.max())
        elif fault == "too_dark":
            light = _TOO_DARK * light + noise
        elif fault == "light_in_dark":
            light = light + _INTO_DARK * white
        elif fault == "drifted_white":
            light = _DRIFTED * light
        else:
            light = noise
        counts = np.clip(np.round(dark + light, 1), 0, self._full)
        return text_of(self.wavelength_nm, counts)

    def _of_role(self, role: str) -> list[str]:
        return [s.scan for s in self.scans if s.role == role]

    def _dark(self, scan: str) -> Floats:
        darks = self._of_role("dark")
        if not darks:
            raise StageFailure("faults are planted in counts: the session has no dark")
        near = min(abs(self._ms[d] - self._ms[scan]) for d in darks)
        dark_counts = [self.values[d] for d in darks if abs(self._ms[d] - self._ms[scan]) == near]
        return np.asarray(np.median(dark_counts, axis=0))

    def _white_light(self, scan: str) -> Floats:
        whites = [(self.values[w] - self._dark(w)) / self._ms[w] for w in self._of_role("white")]
        return np.asarray(np.median(whites, axis=0) * self._ms[scan])

    def _noise(self) -> float:
        darks = [self.values[d] for d in self._of_role("dark")]
        return float(np.std(darks[0] - darks[-1]) / np.sqrt(2)) if len(darks) > 1 else 3.0

    def _lines(self) -> Floats:
        distance = (self.wavelength_nm[:, None] - [*_MERCURY_NM]) / _LINE_SD_NM
        return np.asarray(np.exp(-0.5 * distance**2) @ np.array([*_MERCURY_NM.values()]))


# The instrument.
# ----------------------------------------------------------------------


class ScriptedInstrument:
    """Saves what the sheet of a study asks for next.

    Parameters
    ----------
    finished
        Where the scans come from.
    target, session
        The study that is measured, and its session.
    rhythm_s
        Seconds between two files.
    halves
        Ids of scans whose files are saved in two parts, half a rhythm apart.
    faults
        Scan id -> fault that is planted the first time; a repeat is sound.
    numbered
        Whether files are named by a running number, as acquisition programs do, or by the name
        that the row plans.
    ending
        Of numbered files.
    names
        Scan id of the study that is measured -> that of the finished study, where they differ.
    clock
        Step -> local wall clock of the instrument, written into the date of the file; left out,
        the file has the date of its writing.
    """

    def __init__(
        self,
        finished: FinishedScans,
        target: Path,
        session: str,
        *,
        rhythm_s: float = 0.5,
        halves: Collection[str] = (),
        faults: Mapping[str, Fault] | None = None,
        numbered: bool = True,
        ending: str = ".txt",
        names: Mapping[str, str] | None = None,
        clock: Callable[[Step], dt.datetime] | None = None,
    ) -> None:
        self.names, self.clock = dict(names or {}), clock
        self.finished, self.target, self.session = finished, target, session
        self.rhythm_s, self.halves, self.faults = rhythm_s, frozenset(halves), dict(faults or {})
        self.numbered, self.ending = numbered, ending
        self.saved: list[tuple[str, str]] = []
        """(scan, file) of all that was saved, in order."""
        self._stop = threading.Event()

    def order(self) -> MeasuringOrder:
        """Return the order of the study as its sheet has it now."""
        return MeasuringOrder(study_to_measure(self.target, self.session), self.session)

    def save(self, step: Step) -> Path:
        """Save the scan of one step; return the file."""
        source = self.source_of(step)
        first = not step.repeats
        fault = self.faults.get(source) if first else None
        data = self.finished.with_fault(source, fault) if fault else self.finished.sound(source)
        planned = self.target.resolve() / step.scan.file
        path = planned.parent / self._name(PurePosixPath(step.scan.file).name)
        path.parent.mkdir(parents=True, exist_ok=True)
        if self.clock is None:
            self._write(path, data, in_halves=source in self.halves and first)
        else:
            self._write_dated(path, data, self.clock(step))
        self.saved.append((step.scan.scan, path.name))
        return path

    def source_of(self, step: Step) -> str:
        """Return the scan of the finished study that is saved for a step.

        Raises
        ------
        StageFailure
            If there is none.
        """
        name = step.repeats or step.scan.scan
        while name not in self.names and name not in self.finished.values:
            name = name.rpartition("-")[0]
            if not name:
                raise StageFailure(f"{step.scan.scan} is no scan of the finished study")
        return self.names.get(name, name)

    def _write_dated(self, path: Path, data: bytes, moment: dt.datetime) -> None:
        """Write a file whole and with its date: a watch never sees it with another one."""
        hidden = path.with_name(f".{path.name}.part")
        hidden.write_bytes(data)
        seconds = moment.timestamp()
        os.utime(hidden, (seconds, seconds))
        hidden.replace(path)

    def _name(self, planned: str) -> str:
        return f"scan{len(self.saved) + 1:05d}{self.ending}" if self.numbered else planned

    def _write(self, path: Path, data: bytes, *, in_halves: bool) -> None:
        middle = len(data) // 2 if in_halves else len(data)
        with path.open("wb") as file:
            file.write(data[:middle])
            file.flush()
            if in_halves:
                self._stop.wait(self.rhythm_s / 2)
                file.write(data[middle:])

    def save_next(self) -> Path | None:
        """Save the scan of the first open step; ``None`` if there is none."""
        step = self.order().next
        return None if step is None else self.save(step)

    def run(self, timeout_s: float = 600.0) -> bool:
        """Save scan after scan, each once the one before has become its step.

        Parameters
        ----------
        timeout_s
            Give up if a file does not become its step for so long.

        Returns
        -------
        bool
            Whether all steps are done.
        """
        waited, last = 0.0, ""
        while not self._stop.is_set():
            step = self.order().next
            if step is None:
                return True
            if step.scan.scan != last:
                last, waited = step.scan.scan, 0.0
                self.save(step)
            elif waited > timeout_s:
                return False
            pause = self.rhythm_s if waited == 0 else min(self.rhythm_s, 0.2)
            self._stop.wait(pause)
            waited += pause
        return False

    def stop(self) -> None:
        """End a run in another thread."""
        self._stop.set()
