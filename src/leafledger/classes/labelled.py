"""The accepted spectra of the wanted sessions with the label of their unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.records.record import Job
from leafledger.study.spectra import Spectra, load_spectra

if TYPE_CHECKING:
    import pandas as pd

_STUDY = "study.yaml"


@dataclass(frozen=True)
class Labelled:
    """Spectra to learn from.

    Attributes
    ----------
    spectra
        Reflectance, shape ``(n_scans, n_wavelengths)``.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    rows
        scan, session, unit of every scan.
    classes
        Labels, sorted.
    codes
        Class number of every scan.
    units
        Unit ids, sorted.
    unit_of
        Unit number of every scan.
    unit_codes
        Class number of every unit.
    blocks
        Block labels, sorted; empty without blocks.
    unit_blocks
        Block number of every unit; zeros without blocks.
    sessions
        Sessions that hold accepted scans, in study order.
    day
        Place of every scan's session among them, from 0.
    set_aside
        A sentence for every class that was left out because it has one unit.
    """

    spectra: NDArray[np.float64]
    wavelength_nm: NDArray[np.float64]
    rows: pd.DataFrame
    classes: tuple[str, ...]
    codes: NDArray[np.int_]
    units: tuple[str, ...]
    unit_of: NDArray[np.int_]
    unit_codes: NDArray[np.int_]
    blocks: tuple[str, ...]
    unit_blocks: NDArray[np.int_]
    sessions: tuple[str, ...]
    day: NDArray[np.int_]
    set_aside: tuple[str, ...] = ()

    def units_per_class(self) -> NDArray[np.int_]:
        """Return the number of units of every class."""
        return np.bincount(self.unit_codes, minlength=len(self.classes))

    def scans_per_class(self) -> NDArray[np.int_]:
        """Return the number of scans of every class."""
        return np.bincount(self.codes, minlength=len(self.classes))


def labelled_spectra(job: Job, asked: str | Sequence[str] | None = None) -> Labelled:
    """Read the accepted spectra of the wanted sessions and label them.

    Parameters
    ----------
    job
        Of the rule ``classes`` or ``rivals``.
    asked
        Sessions, as in ``classes.sessions``; those of the settings if left out.

    Returns
    -------
    Labelled
        Rows in session order, then scan.

    Raises
    ------
    InputFault
        If no session or no accepted scan is left, a unit has no label, or fewer than two classes
        have two units. A class of one unit cannot be held out and trained at once: it is set
        aside and named.
    """
    design, settings = job.settings["design"], job.settings["classes"]
    units: Mapping[str, Mapping[str, str]] = job.settings["units"]
    found = _accepted(job, settings["sessions"] if asked is None else asked)
    rows, spectra = found.rows[["scan", "session", "unit"]], found.reflectance
    ids = tuple(sorted({str(unit) for unit in rows["unit"]}))
    target = str(settings["target"])
    _refuse_unlabelled(ids, units, target)
    label = {unit: units[unit][target] for unit in ids}
    alone = {name: own[0] for name, own in _members(label).items() if len(own) == 1}
    _refuse_few(label, alone, target, design["unit"])
    if alone:
        kept = ~rows["unit"].isin(list(alone.values())).to_numpy()
        rows, spectra = rows[kept].reset_index(drop=True), spectra[kept]
    there, unit_of = np.unique(np.asarray(rows["unit"], dtype=str), return_inverse=True)
    ids = tuple(str(unit) for unit in there)
    classes, unit_codes = _coded([label[unit] for unit in ids])
    blocks: tuple[str, ...] = ()
    unit_blocks = np.zeros(len(ids), dtype=np.int_)
    if design["block"]:
        blocks, unit_blocks = _coded([units[unit].get(design["block"], "") for unit in ids])
    sessions = tuple(dict.fromkeys(str(s) for s in rows["session"]))
    return Labelled(
        spectra=spectra,
        wavelength_nm=found.wavelength_nm,
        rows=rows,
        classes=classes,
        codes=unit_codes[unit_of],
        units=ids,
        unit_of=unit_of,
        unit_codes=unit_codes,
        blocks=blocks,
        unit_blocks=unit_blocks,
        sessions=sessions,
        day=np.array([sessions.index(s) for s in rows["session"]], dtype=np.int_),
        set_aside=tuple(_alone(name, unit, design["unit"]) for name, unit in alone.items()),
    )


def _members(label: Mapping[str, str]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for unit, name in sorted(label.items(), key=lambda pair: (pair[1], pair[0])):
        out.setdefault(name, []).append(unit)
    return out


def _alone(name: str, unit: str, word: str | None) -> str:
    return (
        f"class {quoted(name)} was set aside: its only {word or 'scan'} ({unit}) cannot be held "
        "out and trained on at once; the model does not know this class"
    )


def _accepted(job: Job, asked: str | Sequence[str]) -> Spectra:
    reflectance = job.by_session("reflectance")
    sessions = wanted_sessions(asked, job.settings["design"]["sessions"], list(reflectance))
    found = load_spectra(
        reflectance, job.inputs["accepted"], job.inputs["range"], {}, sessions=sessions
    )
    if len(found.rows) == 0:
        raise InputFault(_no_scans(sessions))
    if found.reflectance.shape[1] == 0:
        raise InputFault(_no_wavelengths())
    return found


def wanted_sessions(
    asked: str | Sequence[str], listed: Sequence[Mapping[str, Any]], read: Sequence[str]
) -> list[str]:
    """Return the sessions that the settings ask for.

    Parameters
    ----------
    asked
        ``all``, ``before``, ``after``, or session ids.
    listed
        Sessions of the design with their phase; a study without any has one session only.
    read
        Sessions whose reflectance is there, in study order.

    Raises
    ------
    InputFault
        If none is left, or one that is asked for is not there.

    Examples
    --------
    >>> days = [{"session": "d0", "phase": "before"}, {"session": "d4", "phase": "after"}]
    >>> wanted_sessions("after", days, ["d0", "d4"])
    ['d4']
    """
    if not isinstance(asked, str):
        unknown = [session for session in asked if session not in read]
        if unknown:
            raise InputFault(_unknown_session(session, read) for session in unknown)
        return [session for session in read if session in asked]
    if asked == "all" or not listed:
        return list(read)
    phase = {row["session"]: row["phase"] for row in listed}
    kept = [session for session in read if phase.get(session) == asked]
    if not kept:
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.sessions",
                found=f"{asked}, and no session with phase {asked}",
                expected="at least one session to train on",
                mend=f"Give a session the phase {asked} in design.sessions, or name sessions.",
            )
        )
    return kept


def _coded(labels: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.int_]]:
    there, codes = np.unique(np.asarray(labels, dtype=str), return_inverse=True)
    return tuple(str(label) for label in there), codes.astype(np.int_)


def _refuse_unlabelled(
    ids: Sequence[str], units: Mapping[str, Mapping[str, str]], target: str
) -> None:
    problems = [
        Problem(
            file="units.csv",
            column=target,
            found=f"no label for {unit}",
            expected="a label for everything that has an accepted scan",
            mend="Fill it in, or exclude its scans in decisions.csv.",
        )
        for unit in ids
        if not units.get(unit, {}).get(target, "")
    ]
    if problems:
        raise InputFault(problems)


def _refuse_few(
    label: Mapping[str, str], alone: Mapping[str, str], target: str, unit: str | None
) -> None:
    classes = sorted(set(label.values()))
    if len(classes) < 2:
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.target",
                found=f"one class only in {quoted(target)}: {quoted(classes[0])}",
                expected="at least two classes among the accepted scans",
                mend="Choose another target, or leave the section classes out.",
            )
        )
    if len(classes) - len(alone) < 2:
        word = unit or "scan"
        raise InputFault(
            Problem(
                file=_STUDY,
                column="classes.target",
                found=f"class {quoted(name)} of {quoted(target)} with one {word} ({own})",
                expected=f"two classes with at least two {word}s each, so that one can be held out",
                mend="Measure more of it, or choose another target.",
            )
            for name, own in alone.items()
        )


def _no_scans(sessions: Sequence[str]) -> Problem:
    return Problem(
        file="results/accepted.csv",
        column="accepted",
        found=f"no accepted scan in {', '.join(sessions)}",
        expected="accepted scans to train on",
        mend="See exclusions.csv for the reasons; name other sessions in classes.sessions.",
    )


def _no_wavelengths() -> Problem:
    return Problem(
        file=_STUDY,
        column="quality.range",
        found="no wavelength inside the trusted range",
        expected="at least one wavelength to train on",
        mend="State a range that overlaps the spectra: {start_nm: 450, stop_nm: 950}.",
    )


def _unknown_session(session: str, read: Sequence[str]) -> Problem:
    return Problem(
        file=_STUDY,
        column="classes.sessions",
        found=quoted(session),
        expected="a session of the study",
        mend=nearest(session, read),
    )
