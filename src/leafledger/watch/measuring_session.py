"""What happens in a session while it is measured: files become steps, steps get verdicts.

One object for the terminal and the page. All that it knows can be read again from the scan sheet
and the files, so that it may end at any moment.
"""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import json
import os
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import IO

import numpy as np

from leafledger.errors import InputFault, Problem, input_fault, quoted
from leafledger.indices.catalogue import run as write_catalogue
from leafledger.intake.stage import read_session, scans_in_file
from leafledger.platforms import lock_file
from leafledger.quality.session import IndexInUse, read_indices
from leafledger.records.record import Job
from leafledger.study.settings import intake_row, settings_of
from leafledger.study.table_files import not_through_a_link, refuse_links
from leafledger.watch.saved_files import SavedFile, SavedFiles
from leafledger.watch.scan_checks import MeasuredScan, ScanChecks, StudySettings, Verdict
from leafledger.watch.session_steps import (
    MeasuringOrder,
    Step,
    folder_of,
    step_words,
    study_to_measure,
    upcoming,
)
from leafledger.words import minutes_text

# One watch at a time.
# ----------------------------------------------------------------------


def hold_session(folder: Path, session: str) -> tuple[IO[str], str]:
    """Hold a session until the file returned is closed; the kernel closes it with the process.

    Returns
    -------
    tuple
        The file, and a sentence about a watch that ended without closing it (else empty).

    Raises
    ------
    InputFault
        If another watch holds it, or the study cannot be written to.
    """
    refuse_links(folder)
    name = f"ledger/watch.{session}.lock"
    path = not_through_a_link(folder / name)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+")
    except OSError as error:
        raise input_fault(
            ".",
            f"a study folder that cannot be written to ({error.strerror})",
            "a folder in which scans.csv and ledger/ can be written",
            "Ask for the right to write, or copy the study to a folder of your own.",
        ) from error
    try:
        lock_file(handle, wait=False)
    except BlockingIOError as error:
        owner = _owner_in(handle)
        handle.close()
        raise input_fault(
            name,
            f"another watch of session {session} at work ({owner or 'owner unknown'})",
            "one watch of a session at a time",
            "Use that one, or end it first (q or Ctrl-C in its terminal).",
        ) from error
    owner = _owner_in(handle)
    handle.seek(0)
    handle.truncate()
    since = dt.datetime.now().astimezone().replace(tzinfo=None).isoformat(timespec="seconds")
    json.dump({"process": os.getpid(), "machine": socket.gethostname(), "since": since}, handle)
    handle.flush()
    return handle, f"Took over from a watch that ended without closing ({owner})." if owner else ""


def release_session(handle: IO[str]) -> None:
    """Let a session go: another watch may begin."""
    handle.seek(0)
    handle.truncate()
    handle.close()


def _owner_in(handle: IO[str]) -> str:
    """Return whose lock it is, in words; empty if nobody is named."""
    handle.seek(0)
    try:
        owner = json.loads(handle.read() or "{}")
    except ValueError:
        return "owner unknown"
    if not isinstance(owner, dict) or not owner:
        return ""
    return ", ".join(
        f"{name} {owner[name]}" for name in ("process", "machine", "since") if name in owner
    )


# What is said, and what waits.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Message:
    """One line for the terminal and the page.

    Attributes
    ----------
    text
        The words.
    kind
        ``good``, ``fault``, ``caution`` or ``note``.
    bell
        Whether a person should look.
    """

    text: str
    kind: str = "note"
    bell: bool = False


@dataclass(frozen=True)
class Parked:
    """A raw scan that is no step: why, and whether a person may take it as the next one."""

    file: str
    item: str
    why: str
    can_take: bool


@dataclass(frozen=True)
class _Known:
    """What was read of a raw file: digest, size, and the values of each of its scans."""

    sha256: str
    size: int
    saved: SavedFile
    scans: Mapping[str, tuple[np.ndarray, np.ndarray]]


_PATIENCE_S = 10.0
"""Seconds after which a file that is still not whole is reported."""
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_FULL_WORDS = (
    "the disk is full, and scans.csv stays as it was. Free some space (and look whether the "
    "instrument's program could save the file whole): then it becomes its step"
)
_NO_LINE_END_S = 1.0
"""Seconds of rest asked of a text file whose last line has no end."""
_CLOCK_S = 2.0
"""Dates of files may be coarse by so many seconds (some file systems store even ones)."""
_MESSAGES = 60
_SEVERAL = ("wide_table", "jcamp_dx", "parquet", "spreadsheet")
_GROWS = (
    "it grew after it was judged: if the program writes all scans into one file, the form `text` "
    "cannot tell them apart. Let it save each scan to a file of its own, or state a form that "
    "holds several (wide_table, jcamp_dx, spreadsheet, parquet)"
)


class MeasuringSession:
    """A session while it is measured.

    Parameters
    ----------
    folder
        The study folder.
    session
        The session that is measured.
    say
        Called with every message.

    Raises
    ------
    InputFault
        With every problem of the study, or if another watch is at work.
    """

    def __init__(self, folder: Path, session: str, say: Callable[[Message], None]) -> None:
        self._say = say
        self.lock = threading.RLock()
        self.messages: deque[tuple[int, Message]] = deque(maxlen=_MESSAGES)
        self.version = 0
        self.study = study_to_measure(folder, session)
        self.session = session
        self._held, took_over = hold_session(self.study.folder, session)
        try:
            self.order = MeasuringOrder(self.study, session, remembering=True)
            self.folder = self.study.folder / folder_of(self.order.steps, session)
            not_through_a_link(self.folder).mkdir(parents=True, exist_ok=True)
            self.files = SavedFiles(self.study.folder, self.folder)
            self.checks = ScanChecks(self._settings())
            self._known: dict[str, _Known] = {}
            self.parked: dict[tuple[str, str], Parked] = {}
            self._unread: dict[str, tuple[float, bool]] = {}
            self.verdicts: dict[str, Verdict] = {}
            self._undo: list[tuple[str, str, str]] = []
            self.waiting: tuple[str, ...] = ()
            self.last_scan: str | None = None
            self._trouble = ""
            self._ended_said = False
            self._here_at_start = {f"{self.folder_name}/{p.name}" for p in self.folder.iterdir()}
            if took_over:
                self._tell(Message(took_over, "caution"))
            self._say_of_sheet()
            self._read_measured_files()
        except BaseException:
            release_session(self._held)
            raise

    def close(self) -> None:
        """Let the session go."""
        with self.lock:
            release_session(self._held)

    # --- beginning ------------------------------------------------------------------------------

    def _settings(self) -> StudySettings:
        import tempfile

        study, session = self.study, self.session
        indices: Sequence[IndexInUse]
        with tempfile.TemporaryDirectory() as scratch:
            roles = ("catalogue", "formulas", "visible_indices")
            outputs = {role: Path(scratch) / f"{role}.json" for role in roles}
            formulas = settings_of(study, "catalogue", None)
            write_catalogue(Job("catalogue", None, formulas, {}, outputs, Path(scratch)))
            indices = read_indices(outputs["visible_indices"])
        panel = study.panel_table
        form = study.form(session)
        return StudySettings(
            session,
            "counts" if form.quantity == "counts" else "reflectance",
            settings_of(study, "reflectance", session),
            settings_of(study, "quality", session)["checks"],
            indices,
            None if panel is None else study.folder / panel,
            panel or "",
        )

    def _read_measured_files(self) -> None:
        """Read what the sheet says is measured, and leave aside what was here before."""
        missing: dict[str, list[str]] = {}
        for step in self.order.steps:
            if step.state == "vanished":
                missing.setdefault(step.scan.file, []).append(step.scan.scan)
            path = self.study.folder / step.scan.file
            if step.state == "measured" and step.scan.file not in self._known:
                try:
                    self._read(_saved(step.scan.file, path))
                except InputFault as fault:
                    self._tell(Message(f"{step.scan.scan}: {_short_words(fault)}", "fault", True))
                except OSError as error:
                    self._tell(Message(f"{step.scan.file}: {error.strerror}", "fault", True))
        for file, owners in missing.items():
            self._say_gone(file, owners)
        for file, raw_file in self._known.items():
            if PurePosixPath(file).parent.as_posix() == self.folder_name:
                self.files.reported(file, raw_file.saved.size, raw_file.saved.mtime_ns)
        self._judge_all(quiet=True)
        done = len(self.order.measured)
        if done:
            self._tell(Message(f"Taken up: {done} scans of session {self.session} are measured."))
            self.last_scan = self.order.last.scan.scan if self.order.last else None

    @property
    def folder_name(self) -> str:
        """The folder that the instrument saves into, as a path in the study."""
        return self.folder.relative_to(self.study.folder).as_posix()

    # --- looking ----------------------------------------------------------------------------------

    def look(self) -> bool:
        """Look through the folder once and take in what is complete.

        Returns
        -------
        bool
            Whether a file is still being written.
        """
        with self.lock:
            listing = self.files.look(time.monotonic())
            if listing.unreadable != self._trouble:
                self._trouble = listing.unreadable
                if listing.unreadable:
                    words = f"{self.folder_name}/ cannot be read: {listing.unreadable}. Waiting."
                    self._tell(Message(words, "fault", True))
            for file, why in listing.refused.items():
                self._tell(Message(f"{quoted(file)} is not taken: {why}", "caution", True))
            self._reread_changed_sheet()
            for file in listing.gone:
                self._gone(file)
            for saved in listing.complete:
                self._guarded(saved)
            if listing.waiting != self.waiting:
                self.waiting = listing.waiting
                self.version += 1
            return bool(listing.waiting or self._unread)

    def _reread_changed_sheet(self) -> None:
        """Read the sheet once another program has saved it.

        A sheet at fault is said by the file that waits for it: it may be half saved now.
        """
        with suppress(InputFault, OSError):
            if not self.order.by_pattern and self.order.is_changed():
                self._refresh()
                self.version += 1

    def _guarded(self, saved: SavedFile) -> None:
        """Take one file in; a failure is reported, and the file is read again later."""
        try:
            self._take_in(saved)
        except InputFault as fault:
            self._wait_for_file(saved, _short_words(fault))
        except OSError as error:
            if error.errno in _FULL:
                self._wait_for_file(saved, _FULL_WORDS, at_once=True)
                return
            self._wait_for_file(saved, f"{(error.strerror or 'an error of the disk').lower()}")

    def _wait_for_file(self, saved: SavedFile, why: str, *, at_once: bool = False) -> None:
        """Wait for a file, or for a sheet that can be written; say so once it takes long."""
        self.files.look_again(saved.file)
        since, reported = self._unread.get(saved.file, (time.monotonic(), False))
        if not reported and (at_once or time.monotonic() - since > _PATIENCE_S):
            reported = True
            self._tell(Message(f"{saved.file} waits: {why}", "fault", True))
        self._unread[saved.file] = (since, reported)

    def _gone(self, file: str) -> None:
        self._unread.pop(file, None)
        for key in [key for key in self.parked if key[0] == file]:
            del self.parked[key]
        owners = [s.scan.scan for s in self.order.measured if s.scan.file == file]
        self.version += 1
        if not owners or file not in self._known:
            self._tell(Message(f"{file} has gone again before it was a step.", "caution"))
            return
        del self._known[file]
        self._say_gone(file, owners)
        with suppress(InputFault, OSError):  # said by the next file, which waits for the sheet
            self._refresh()
        self._judge_all()

    def _say_gone(self, file: str, owners: Sequence[str]) -> None:
        words = (
            f"{file} has gone: it was {', '.join(owners)}. Put it back, or measure it again (a)."
        )
        self._tell(Message(words, "fault", True))

    def _take_in(self, saved: SavedFile) -> None:
        data = saved.path.read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        before = self._known.get(saved.file)
        if before is not None and before.sha256 == digest:
            # What was read may not have become a step: the sheet could not be written then.
            for item in before.scans if not self.order.by_pattern else ():
                self._record_as_step(saved, item)
            self._unread.pop(saved.file, None)
            return
        form = self.study.form(self.session)
        if form.form == "text" and not data.endswith((b"\n", b"\r")) and self._is_recent(saved):
            self.files.look_again(saved.file)
            self._unread.setdefault(saved.file, (time.monotonic(), False))
            return
        for key in [key for key in self.parked if key[0] == saved.file]:
            del self.parked[key]  # what was said of it was said of other bytes
        if before is not None:
            self._changed(saved, data, before)
            return
        twin = next((f for f, k in self._known.items() if k.sha256 == digest), None)
        if twin is not None and not self._is_listed(saved.file):
            owner = next((s.scan.scan for s in self.order.steps if s.scan.file == twin), twin)
            why = f"the same bytes as {twin} ({owner}): the file was saved or copied twice"
            self._park(Parked(saved.file, "", why, can_take=False))
            self._unread.pop(saved.file, None)
            return
        self._read(saved)
        for item in self._known[saved.file].scans:
            self._record_as_step(saved, item)
        self._unread.pop(saved.file, None)

    def _is_listed(self, file: str) -> bool:
        return any(s.scan.file == file and s.state != "open" for s in self.order.steps)

    def _is_recent(self, saved: SavedFile) -> bool:
        since, _ = self._unread.get(saved.file, (time.monotonic(), False))
        return time.monotonic() - since < _NO_LINE_END_S

    def _changed(self, saved: SavedFile, data: bytes, before: _Known) -> None:
        """Judge a file anew that changed after it was judged."""
        owners = [s.scan.scan for s in self.order.measured if s.scan.file == saved.file]
        grew = hashlib.sha256(data[: before.size]).hexdigest() == before.sha256
        several = self.study.form(self.session).form in _SEVERAL
        try:
            self._read(saved)
        except InputFault:
            if not grew or several:
                raise
            self._tell(
                Message(f"{saved.file}: {_GROWS}. Its first scan stays as judged.", "fault", True)
            )
            self._known[saved.file] = replace(
                before, sha256=_sha256(data), size=len(data), saved=saved
            )
            return
        now = self._known[saved.file]
        altered = [
            item
            for item, (axis, values) in before.scans.items()
            if item not in now.scans or not np.array_equal(now.scans[item][1], values)
        ]
        anew = [
            s.scan.scan
            for s in self.order.measured
            if s.scan.file == saved.file and s.scan.item in altered
        ]
        self._date_anew(anew, saved, before)
        self._unread.pop(saved.file, None)  # a file whose time cannot be written waits, as new ones
        for scan in owners:
            self.checks.forget(scan)
        if anew:
            words = f"{saved.file} changed after it was judged ({', '.join(anew)})"
            words += f": {_GROWS}" if grew and not several else ": it is judged anew"
            self._tell(Message(f"{words}.", "caution", True))
            for scan in anew:
                self.verdicts.pop(scan, None)
            self._judge_all()
            for scan in anew:
                self._say_anew(scan)
        for item in now.scans:
            if item not in before.scans:
                self._record_as_step(saved, item)

    def _date_anew(self, scans: Sequence[str], saved: SavedFile, before: _Known) -> None:
        """Write the time of a file's new content; until it is written, the file waits."""
        if not scans or self.order.by_pattern:
            return
        try:
            self._refresh()
            self.order.date_anew(scans, dt.datetime.fromtimestamp(saved.mtime_ns / 1e9))
        except (InputFault, OSError):
            self._known[saved.file] = before
            raise

    def _say_anew(self, scan: str) -> None:
        """Say the verdict on a scan whose file changed, whatever it is."""
        step, verdict = self.order.step(scan), self.verdicts.get(scan)
        if verdict is not None:
            self._tell(_verdict_message(f"Judged anew: {scan} ({self.words_of(step)}): ", verdict))

    def _read(self, saved: SavedFile) -> None:
        """Read a raw file by intake; its scans must have the wavelengths of the session.

        Raises
        ------
        InputFault
            If it cannot be read whole.
        """
        settings = settings_of(self.study, "intake", self.session)
        items: Sequence[str] = ("",)
        if settings["form"]["form"] in _SEVERAL:
            items = scans_in_file(saved.path, saved.file, settings["form"])
        rows = [
            {**_BLANK_ROW, "scan": f"scan {k}", "file": saved.file, "item": item}
            for k, item in enumerate(items)
        ]
        metadata = {"session": self.session, "form": settings["form"], "scans": rows}
        raw = {f"raw/{saved.file}": saved.path}
        read = read_session(Job("intake", self.session, metadata, raw, {}, self.study.folder))
        axis = self._axis(but_file=saved.file)
        if axis is not None and (
            len(axis) != len(read.wavelength_nm)
            or not np.allclose(axis, read.wavelength_nm, rtol=0, atol=1e-6)
        ):
            raise input_fault(
                saved.file,
                f"{len(read.wavelength_nm)} wavelengths from {read.wavelength_nm[0]:g} to "
                f"{read.wavelength_nm[-1]:g} nm",
                f"the {len(axis)} of this session, {axis[0]:g} to {axis[-1]:g} nm",
                "Wait until it is written whole, or set the program as for the scans before.",
            )
        scans = {
            item: (read.wavelength_nm, values)
            for item, values in zip(items, read.values, strict=True)
        }
        self._known[saved.file] = _Known(read.sha256[0], saved.size, saved, scans)

    def _axis(self, but_file: str) -> np.ndarray | None:
        for file, raw_file in self._known.items():
            if file != but_file:
                return next(iter(raw_file.scans.values()))[0]
        return None

    # --- a raw scan becomes a step --------------------------------------------------------------

    def _record_as_step(
        self, saved: SavedFile, item: str, *, on_request: bool = False, taken: bool = False
    ) -> None:
        self._refresh()
        is_parked = (saved.file, item) in self.parked and not (on_request or taken)
        owner = self.order.owner(saved.file, item)
        if is_parked or (owner is not None and not self.order.by_pattern):
            return  # a row left out, or a scan of another session, names it already
        if self.order.by_pattern:
            self._by_pattern(saved)
            return
        step = self.order.step_for(saved.file, item, on_request=on_request)
        if isinstance(step, str):
            self._park(Parked(saved.file, item, step, can_take=self.order.next is not None))
            return
        if not on_request and self._was_here_before(saved):
            why = "it was here before the watch began"
            self._park(Parked(saved.file, item, why, can_take=True), quiet=True)
            return
        moment = dt.datetime.fromtimestamp(saved.mtime_ns / 1e9)
        self._watch_clock(saved, moment)
        following = self.order.next
        self.order.record(step, saved.file, item, moment)
        self.parked.pop((saved.file, item), None)
        self._undo.append(("measured", step.scan.scan, ""))
        order = (
            "" if following is None or following.scan.scan == step.scan.scan else " (out of order)"
        )
        self._judge_new(step.scan.scan, f"{PurePosixPath(saved.file).name}{order}")

    def _by_pattern(self, saved: SavedFile) -> None:
        """Judge a file whose name says what it is; nothing is written."""
        step = next((s for s in self.order.steps if s.scan.file == saved.file), None)
        if step is None:
            why = "a name that intake.pattern does not fit, or of another session"
            self._park(Parked(saved.file, "", why, can_take=False))
            return
        self._judge_new(step.scan.scan, PurePosixPath(saved.file).name)

    def _was_here_before(self, saved: SavedFile) -> bool:
        """Tell whether a file lay here when the watch began and is not newer than the last scan.

        What was saved while no watch was at work is newer: it is taken up in its order.
        """
        if saved.file not in self._here_at_start:
            return False
        last = self.order.last
        if last is None or last.scan.time is None:
            return True
        moment = dt.datetime.fromtimestamp(saved.mtime_ns / 1e9)
        return moment < dt.datetime.fromisoformat(last.scan.time)

    def _watch_clock(self, saved: SavedFile, moment: dt.datetime) -> None:
        last = self.order.last
        if last is None or last.scan.time is None:
            return
        back = (dt.datetime.fromisoformat(last.scan.time) - moment).total_seconds()
        if back > _CLOCK_S:
            words = (
                f"{saved.file} is dated {minutes(back)} before {last.scan.scan}, which was "
                "measured before it: was a clock set back? Times decide which white belongs to "
                "which leaf: correct column time of scans.csv, or measure a white now."
            )
            self._tell(Message(words, "caution", True))

    def _park(self, parked: Parked, *, quiet: bool = False) -> None:
        self.parked[parked.file, parked.item] = parked
        self.version += 1
        if not quiet:
            what = parked.file + (f" ({parked.item})" if parked.item else "")
            more = " Take it as the next step with t." if parked.can_take else ""
            self._tell(Message(f"{what} is not taken: {parked.why}.{more}", "caution", True))
        elif sum(p.can_take for p in self.parked.values()) == 1:
            words = (
                f"{parked.file} was here before the watch began: take it up with t, or leave it."
            )
            self._tell(Message(words, "caution"))

    # --- judging ------------------------------------------------------------------------------

    def _measured_scans(self) -> list[MeasuredScan]:
        out = []
        for step in self.order.measured:
            raw_file = self._known.get(step.scan.file)
            if raw_file is None or step.scan.item not in raw_file.scans:
                continue
            axis, values = raw_file.scans[step.scan.item]
            row = intake_row(step.scan)
            out.append(
                MeasuredScan(
                    scan=step.scan.scan,
                    role=step.scan.role,
                    unit=self.study.unit_of(step.scan),
                    leaf=step.scan.leaf,
                    file=step.scan.file,
                    item=step.scan.item,
                    sha256=raw_file.sha256,
                    time=None if row["time"] is None else dt.datetime.fromisoformat(row["time"]),
                    integration_ms=row["integration_ms"],
                    averages=row["averages"],
                    wavelength_nm=axis,
                    values=values,
                )
            )
        return out

    def _verdict(self, step: Step) -> Verdict:
        complete = self.order.is_complete
        unit = self.study.unit_of(step.scan)
        rest = any(
            s.scan.role == "sample" and self.study.unit_of(s.scan) == unit
            for s in upcoming(self.order.steps)
        )
        return self.checks.verdict(step.scan.scan, complete=complete, unit_complete=not rest)

    def _judge_new(self, scan: str, name: str) -> None:
        scans = self._measured_scans()
        if all(measured.scan != scan for measured in scans):
            return  # the file went, or its row was changed, at this moment: the next look says so
        if self.order.is_complete:
            self.checks.judge_all(scans)
        else:
            self.checks.judge_new(scans, scan)
        self.last_scan = scan
        step = self.order.step(scan)
        verdict = self._verdict(step)
        before = dict(self.verdicts)
        self.verdicts[scan] = verdict
        done = sum(s.state != "open" for s in self.order.steps)
        words = self.words_of(step)
        head = f"{done}/{len(self.order.steps)} {scan} ({words}) from {name}: "
        message, following = _verdict_message(head, verdict), self.order.next
        if following is not None and verdict.grade != "fault":
            text = f"{message.text} Next: {self.words_of(following)}."
            message = replace(message, text=text)
        self._tell(message)
        self._report_changed_verdicts(before, but=scan)
        self._say_end()

    def _judge_all(self, *, quiet: bool = False) -> None:
        self.checks.judge_all(self._measured_scans())
        before = dict(self.verdicts)
        self.verdicts = {}
        self._report_changed_verdicts(before, but=None, quiet=quiet)
        self.version += 1

    def _report_changed_verdicts(
        self, before: Mapping[str, Verdict], but: str | None, *, quiet: bool = False
    ) -> None:
        """Say of earlier scans what is now judged otherwise."""
        checked = {s.scan for s in self.checks.scans}
        complete = self.order.is_complete
        for step in self.order.measured:
            scan, last = step.scan.scan, before.get(step.scan.scan)
            if scan == but or scan not in checked:
                continue
            was_good = last is not None and last.grade == "good"
            if (
                last is not None
                and was_good
                and not complete
                and not self.checks.has_findings(scan)
            ):
                self.verdicts[scan] = last
                continue
            now = self.verdicts[scan] = self._verdict(step)
            if quiet or last is None or (last.grade, last.reason) == (now.grade, now.reason):
                continue
            if now.grade in ("fault", "outlier") or last.grade in ("fault", "outlier", "unclear"):
                self._tell(
                    _verdict_message(f"Looking back at {scan} ({self.words_of(step)}): ", now)
                )
        self.verdicts = {scan: v for scan, v in self.verdicts.items() if scan in checked}

    def _say_end(self) -> None:
        if self.order.is_complete and not self._ended_said:
            self._ended_said = True
            self._tell(Message(f"All steps of session {self.session} are done.", "good"))
        elif not self.order.is_complete:
            self._ended_said = False

    def _refresh(self) -> None:
        """Read the sheet anew: a person may have changed it meanwhile."""
        try:
            self.order.refresh()
        finally:
            self._say_of_sheet()

    def _say_of_sheet(self) -> None:
        """Say what another program did to the sheet."""
        for words in self.order.to_say:
            self._tell(Message(words[0].upper() + words[1:], "fault", True))
        self.order.to_say.clear()

    def _tell(self, message: Message) -> None:
        self.version += 1
        self.messages.append((self.version, message))
        self._say(message)

    def words_of(self, step: Step) -> str:
        """Return what a step is, in words."""
        return step_words(step, self.study.definition.design.unit)

    # --- what a person asks ---------------------------------------------------------------------

    def again(self, scan: str = "", reason: str = "") -> None:
        """Have a scan measured again, by itself the last one; the next file is its repeat."""
        with self.lock:
            self._refresh()
            name = scan or self.last_scan or ""
            if not name:
                raise self.order.fault("no scan yet", "a measured scan to repeat", "Measure first.")
            verdict = self.verdicts.get(name)
            new = self.order.repeat(name, reason or (verdict.reason if verdict else ""))
            self._undo.append(("again", new.scan.scan, ""))
            self._tell(Message(f"Again: {name} is left out, {new.scan.scan} is next.", "note"))
            self.last_scan = None if self.last_scan == name else self.last_scan
            self._judge_all()

    def skip(self, reason: str) -> None:
        """Leave the next step out, with the reason."""
        with self.lock:
            self._refresh()
            step = self.order.skip(reason)
            scan = step.scan.scan
            if step.repeats:
                self._tell(Message(f"{scan} is not measured: {step.repeats} takes part again."))
                self._judge_all()
            else:
                self._undo.append(("skip", scan, ""))
                self._tell(Message(f"Skipped {scan} ({self.words_of(step)}): {reason}."))
            self._say_end()

    def note(self, text: str, scan: str = "") -> None:
        """Write a note beside a scan, by itself the last one."""
        with self.lock:
            self._refresh()
            name = scan or self.last_scan or ""
            if not name:
                raise self.order.fault(
                    "no scan yet", "a measured scan for a note", "Measure first."
                )
            old = self.order.step(name).note
            self.order.note(name, text)
            self._undo.append(("note", name, old))
            self._tell(
                Message(f"Note beside {name}: {text}" if text else f"No note beside {name}.")
            )

    def take(self, file: str = "") -> None:
        """Take what was left aside as the next steps: one file, or all in the order saved."""
        with self.lock:
            self._refresh()
            parked_files = [p for p in self.parked.values() if p.can_take and file in ("", p.file)]
            parked_files.sort(key=lambda p: self._known[p.file].saved.mtime_ns)
            if not parked_files:
                raise self.order.fault(
                    "no file that can be taken", "a file left aside", "Save a scan first."
                )
            for parked in parked_files:
                if self.order.next is not None:
                    named = not isinstance(self.order.step_for(parked.file, parked.item), str)
                    del self.parked[parked.file, parked.item]
                    saved = self._known[parked.file].saved
                    self._here_at_start.discard(saved.file)
                    self._record_as_step(saved, parked.item, on_request=not named, taken=True)

    def undo(self) -> None:
        """Take the last action back: a repeat asked for, a skip, a note, or a file's step."""
        with self.lock:
            self._refresh()
            kind, scan, old = self._undo.pop() if self._undo else self._undo_by_sheet()
            if kind == "again":
                step = self.order.step(scan)
                self.order.cancel_repeat(step)
                self._tell(Message(f"Taken back: {step.repeats} takes part again."))
            elif kind == "skip":
                self.order.take_up(scan)
                self._tell(Message(f"Taken back: {scan} is to be measured."))
            elif kind == "note":
                self.order.note(scan, old)
                self._tell(Message(f"Taken back: the note beside {scan}."))
            else:
                self.order.take_back(scan, "not this step")
                words = f"Taken back: {scan} is to be measured; its file stays in a row left out."
                self._tell(Message(words))
            self.last_scan = self.order.last.scan.scan if self.order.last else None
            self._judge_all()
            self._say_end()

    def _undo_by_sheet(self) -> tuple[str, str, str]:
        """Return the last action as the sheet shows it, after a new beginning."""
        following = self.order.next
        if following is not None and following.repeats:
            return "again", following.scan.scan, ""
        done = [s for s in self.order.steps if not s.omitted.startswith("taken back")]
        n_done = len(done) if following is None else done.index(following)
        if n_done and done[n_done - 1].omitted.startswith("not measured"):
            return "skip", done[n_done - 1].scan.scan, ""
        last = self.order.last
        if last is None:
            raise self.order.fault("nothing done yet", "an action to take back", "Measure first.")
        return "measured", last.scan.scan, ""


_BLANK_ROW = {"role": "sample", "time": None, "integration_ms": None, "averages": None}


def _saved(file: str, path: Path) -> SavedFile:
    status = path.stat()
    return SavedFile(file, path, status.st_size, status.st_mtime_ns)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _short_words(fault: InputFault) -> str:
    problem: Problem = fault.problems[0]
    more = f" (and {len(fault.problems) - 1} more)" if len(fault.problems) > 1 else ""
    return f"found {problem.found}; expected {problem.expected}{more}. {problem.mend}"


def minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else minutes_text(round(seconds / 60))


def _verdict_message(head: str, verdict: Verdict) -> Message:
    """Return a verdict in one line."""
    if verdict.grade == "good":
        return Message(f"{head}good.", "good")
    if verdict.grade == "unjudged":
        return Message(f"{head}not judged yet: {verdict.reason}.", "caution")
    lead = {"fault": "MEASURE AGAIN", "outlier": "LOOK", "unclear": "UNCLEAR"}[verdict.grade]
    kind = "fault" if verdict.grade == "fault" else "caution"
    return Message(f"{head}{lead}: {verdict.reason}. {verdict.action}".strip(), kind, bell=True)
