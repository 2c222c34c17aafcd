"""An instrument that saves the scans of a finished study again, one by one, as on a bench.

For tests and demonstrations: it looks in the scan sheet of the study that is measured what comes
next, and saves that scan of the finished study, at a stated rhythm, in halves or with a planted
fault if asked to. A scan that is asked for again is saved sound.
"""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Callable, Collection, Mapping
from pathlib import Path, PurePosixPath
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import StageFailure
from leafledger.intake.stage import read_session
from leafledger.runner.step import job_of
from leafledger.study.reading import read_study
from leafledger.study.study import Study
from leafledger.study.tasks import Task
from leafledger.watch.session_steps import MeasuringOrder, Step, study_to_measure

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
        away = (self.wavelength_nm[:, None] - [*_MERCURY_NM]) / _LINE_SD_NM
        return np.asarray(np.exp(-0.5 * away**2) @ np.array([*_MERCURY_NM.values()]))


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
