"""Is the scan just saved good, or must it be measured again?

Every verdict comes from the functions that the rules ``reflectance`` and ``quality`` call, on what
has been measured so far. Some checks give at once what a run gives later, some rest on all scans of
the session: of these it is said that they are not judged yet.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.quality.cross_session_checks import duplicate
from leafledger.quality.leaves import (
    FEWEST_EXPOSED,
    FEWEST_SCANS,
    check_clip,
    check_leaves,
    check_replicates,
)
from leafledger.quality.reference_checks import check_counts
from leafledger.quality.replicates import FEWEST_GROUPS
from leafledger.quality.room_light import check_ambient
from leafledger.quality.session import RANK, Findings, Flag, Session, raw_digest
from leafledger.quality.stage import check_session
from leafledger.reflectance.references import build_references, fill_defaults, without_hot_pixels
from leafledger.reflectance.stage import ConvertedSession, convert_session, scans_of
from leafledger.report.gather import check_words
from leafledger.study.table_files import SpectraTable

if TYPE_CHECKING:
    from leafledger.quality.session import IndexInUse

Floats = NDArray[np.float64]

# What is known of a scan, and what is said of it.
# ----------------------------------------------------------------------

Grade = Literal["good", "fault", "outlier", "unclear", "unjudged"]


@dataclass(frozen=True)
class MeasuredScan:
    """One scan that takes part, as its row of the scan sheet and its raw file say.

    Attributes
    ----------
    scan, role, unit, leaf, file, item, sha256
        Of the row; the digest is that of the whole raw file.
    time
        When it was measured; ``None`` if unknown.
    integration_ms, averages
        ``None`` where the sheet does not state them.
    wavelength_nm, values
        Shape ``(n_pixels,)``; counts, or reflectance as a fraction.
    """

    scan: str
    role: str
    unit: str
    leaf: str
    file: str
    item: str
    sha256: str
    time: dt.datetime | None
    integration_ms: float | None
    averages: int | None
    wavelength_nm: Floats
    values: Floats


@dataclass(frozen=True)
class Verdict:
    """What is said of one scan now.

    Attributes
    ----------
    scan
        Its id.
    grade
        ``fault``: measure again; ``outlier``: unlike its group; ``unclear``: it and another
        differ, and nothing tells yet which is wrong; ``unjudged``: what is needed to judge it has
        not been measured; ``good``: none of these so far.
    reason, action
        In a few words why, and what to do; empty for a good one.
    flags
        All that was found, the gravest first, notices too.
    not_judged_yet
        Checks, in words, that need more of the session.
    """

    scan: str
    grade: Grade
    reason: str = ""
    action: str = ""
    flags: tuple[Flag, ...] = ()
    not_judged_yet: tuple[str, ...] = ()


AT_ONCE: Mapping[str, tuple[str, ...]] = {
    "leaf": (
        "saturated", "no_leaf", "low_signal", "impossible_reflectance", "ambient_light",
        "white_saturated", "duplicate",
    ),
    "white": ("saturated", "reference_drift", "ambient_light", "duplicate"),
    "dark": ("bad_dark", "dark_noise", "duplicate"),
}  # fmt: skip
"""Kind of scan -> checks whose faults are said at once, and said again by a later run."""
OF_THE_GROUP = (
    "replicate", "replicate_t2", "replicate_q", "group_disagrees", "clip_moved",
)  # fmt: skip
"""Checks of a leaf against the others so far; a run judges it against all."""
FEWEST_REFERENCES = 3
"""Of fewer darks of an integration time, or whites, that differ, nothing tells which is wrong."""
_OF_THEIR_KIND = ("bad_dark", "dark_noise", "reference_drift", "ambient_light")
_NEIGHBOURS = 8
"""Leaves that a new one is converted with: enough for what is usual, few enough for 100 ms."""
_NEAREST = 6
"""References whose raw counts are checked again with a new leaf."""
_REFUSED = "refused_reference"

_REASONS = {
    ("sample", "ambient_light"): "room light in the clip",
    ("sample", "saturated"): "the detector was full",
    ("sample", "low_signal"): "too dark",
    ("sample", "no_leaf"): "no leaf in the clip",
    ("sample", "impossible_reflectance"): "reflectance below 0 or above 1",
    ("sample", "white_saturated"): "the detector was full in its white",
    ("sample", "replicate"): "unlike the other leaves of this plant",
    ("sample", "replicate_t2"): "unlike the other leaves of this plant",
    ("sample", "replicate_q"): "unlike the other leaves of this plant",
    ("sample", "clip_moved"): "the clip moved",
    ("white", "ambient_light"): "room light in the white",
    ("white", "saturated"): "the detector was full",
    ("white", "reference_drift"): "the white drifts",
    ("dark", "bad_dark"): "dark out of line",
    ("dark", "dark_noise"): "noise of the dark out of line",
}
_ACTIONS = {
    ("sample", "ambient_light"): "Close the clip over the whole leaf, away from lamps.",
    ("sample", "saturated"): "Shorten the integration time; then a dark at that time, and a white.",
    ("sample", "low_signal"): "Check lamp, shutter and integration time.",
    ("sample", "no_leaf"): "Put the leaf into the clip so that it fills the opening.",
    ("sample", "impossible_reflectance"): "Check the clip, and whether dark and white fit.",
    ("sample", "white_saturated"): "Measure the white with a shorter integration time first.",
    ("sample", "replicate"): "Check that it is this plant's leaf, at the same place of the leaf.",
    ("sample", "replicate_t2"): "Check that it is this plant's leaf, at the same place.",
    ("sample", "replicate_q"): "Check that it is this plant's leaf, at the same place.",
    ("sample", "clip_moved"): "Close the clip anew, straight, and hold the fibre still.",
    ("white", "ambient_light"): "Lay the probe flat on the panel, away from lamps.",
    ("white", "saturated"): "Shorten the integration time; measure dark and white again.",
    ("white", "reference_drift"): "Let the lamp warm up, clean the panel; measure the white again.",
    ("dark", "bad_dark"): "Close the shutter and cover the probe.",
    ("dark", "dark_noise"): "Check the averages and that the detector has its temperature.",
}


def reason_of(role: str, check: str) -> str:
    """Return in a few words, for the bench, what a check found on a scan of a role."""
    return _REASONS.get((role, check), check_words(check))


# The session so far, and what the checks say of it.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class StudySettings:
    """What the checks need of the study.

    Attributes
    ----------
    session
        Id of the session.
    quantity
        ``counts`` or ``reflectance``: what the raw values are after intake.
    reflectance
        Settings that the rule ``reflectance`` sees.
    checks
        Settings ``quality.checks``.
    indices
        Indices that light of a room can move.
    panel_file, shown_panel
        Table of the reflectance of the white panel, and its path in messages.
    planned
        (unit, leaf) of the leaf scans that the session plans, for what is still to come.
    """

    session: str
    quantity: str
    reflectance: Mapping[str, Any]
    checks: Mapping[str, Any]
    indices: Sequence[IndexInUse] = ()
    panel_file: Path | None = None
    shown_panel: str = ""


@dataclass(frozen=True)
class SessionInMemory(Session):
    """A session whose reflectance has not been written; its sources of uncertainty are at hand."""

    sources: Mapping[str, Floats] = field(default_factory=dict)

    def uncertainty_source(self, name: str, rows: NDArray[np.intp]) -> Floats | None:
        """Return a part of the uncertainty of some leaves by its name; ``None`` if not there."""
        values = self.sources.get(name)
        return None if values is None else values[rows]


@dataclass
class _Leaf:
    """Reflectance of a leaf scan and the references that it rests on."""

    reflectance: Floats
    columns: Mapping[str, Any]


class ScanChecks:
    """Judges the scans of a session as they come.

    A dark, a white or another reference has the whole session judged anew, by the function that
    the rule ``quality`` calls. A leaf is converted and checked by itself, with a few leaves before
    it, against the references so far; then all leaves are compared.

    Parameters
    ----------
    settings
        What is needed of the study.
    """

    def __init__(self, settings: StudySettings) -> None:
        self.settings = settings
        self.scans: list[MeasuredScan] = []
        self._own: dict[str, list[Flag]] = {}
        self._group: list[Flag] = []
        self._leaves: dict[str, _Leaf] = {}
        self._grid_nm: Floats = np.zeros(0)
        self._signal: Floats | None = None
        self._metadata: Mapping[str, Any] = {}
        self._unconverted: dict[str, str] = {}
        self._refused: dict[str, Problem] = {}
        self._digests: dict[str, str] = {}

    def judge_all(self, scans: Sequence[MeasuredScan]) -> None:
        """Judge a whole session as far as it is measured, as a run would now.

        Parameters
        ----------
        scans
            The scans that take part, in the order of the sheet, all on one wavelength axis.
        """
        self.scans = list(scans)
        self._own, self._group, self._leaves = {}, [], {}
        self._refused, self._unconverted, self._signal, self._metadata = {}, {}, None, {}
        if not scans:
            return
        self._find_refused()
        sound = [s for s in self.scans if s.scan not in self._refused]
        converted, sound = self._convert_all(sound)
        session = self._session(sound, converted)
        findings, _, _ = check_session(
            session, self.settings.checks, _places(sound), self._signal_of(session)
        )
        rest = [s for s in self.scans if s.scan in self._unconverted]
        flags = [*findings.flags, *self._refused_flags(), *self._raw_faults(rest)]
        self._assign_flags(flags)
        self._flag_copies()
        if converted is not None:
            self._keep_leaves(converted)

    def judge_new(self, scans: Sequence[MeasuredScan], new: str) -> None:
        """Judge one new scan; the others are compared with it only where a group is.

        Parameters
        ----------
        scans
            As in :meth:`judge_all`, with the new one.
        new
            Its id.
        """
        before = [s for s in scans if s.scan != new]
        new_scan = next(s for s in scans if s.scan == new)
        same = [s.scan for s in before] == [s.scan for s in self.scans]
        if new_scan.role != "sample" or not same or not self._leaves:
            self.judge_all(scans)
            return
        self.scans = list(scans)
        references = {s.scan for s in scans if s.role != "sample"} - set(self._refused)
        recent = [s.scan for s in before if s.scan in self._leaves][-_NEIGHBOURS:]
        used = {*references, *recent, new}
        part = [s for s in scans if s.scan in used]
        try:
            converted = self._converted(part)
        except InputFault as fault:
            self._unconverted[new] = _short_words(fault.problems[0])
            self._own[new] = self._raw_faults([new_scan])
            self._flag_copies()
            return
        self._keep_leaves(converted)
        session = self._session(part, converted)
        findings = self._checks_of_leaves(session, part, new)
        self._own[new] = [flag for flag in findings.flags if flag.scan == new]
        self._flag_copies()
        self._compare_leaves()

    def _checks_of_leaves(
        self, session: Session, part: Sequence[MeasuredScan], new: str
    ) -> Findings:
        """Make the checks of single leaf scans, as ``check_session`` has them."""
        checks, signal = self.settings.checks, self._signal
        on_axis = self._signal_on_grid()
        findings = Findings()
        if session.in_counts:
            # The references are judged already: the last ones are those that the leaf rests on.
            near = {s.scan for s in [s for s in part if s.role != "sample"][-_NEAREST:]}
            few = [s for s in part if s.scan in near or s.scan == new]
            counts = replace(session, scans=_scan_table(few, self.settings.quantity))
            findings += Findings(*check_counts(counts, checks, signal))
        findings += check_leaves(session, checks, on_axis)
        if any(s.role == "ambient" for s in part):
            findings += check_ambient(session, checks, signal)
        return findings

    def _compare_leaves(self) -> None:
        """Compare all leaves measured so far: the clip, and the leaves of each unit."""
        sound = [s for s in self.scans if s.scan not in self._refused]
        judged_scans = [s for s in sound if s.role != "sample" or s.scan in self._leaves]
        leaves = [self._leaves[s.scan] for s in judged_scans if s.role == "sample"]
        table = _leaf_table(
            [leaf.columns for leaf in leaves],
            np.array([leaf.reflectance for leaf in leaves]),
            self._grid_nm,
            self._metadata,
        )
        raw = np.zeros((len(judged_scans), 0))
        session = SessionInMemory(_scan_table(judged_scans, self.settings.quantity, raw), table)
        leaf_flags = [flag for flags in self._own.values() for flag in flags]
        places, on_axis = _places(judged_scans), self._signal_on_grid()
        flags = check_clip(session, places, on_axis, leaf_flags).flags
        faulty = {flag.scan for flag in leaf_flags if flag.severity == "fault"}
        limit = float(self.settings.checks["replicate_distance"])
        self._group = [*flags, *check_replicates(session, places, faulty, on_axis, limit)]

    # --- references that reflectance would refuse, and leaves that lack one -------------------

    def _find_refused(self) -> None:
        """Find the darks and whites for which a run would refuse the session."""
        if self.settings.quantity != "counts":
            return
        while True:
            kept = [
                s for s in self.scans if s.role in ("white", "dark") and s.scan not in self._refused
            ]
            if {s.role for s in kept} != {"white", "dark"}:
                return
            try:
                self._build(kept)
            except InputFault as fault:
                # Of a missing dark the white is not guilty: leaves that need it are not judged.
                wrong = [p for p in fault.problems if p.column != "integration_ms"]
                named = _problems_by_scan(wrong, [s.scan for s in kept])
                if not named:
                    return
                self._refused |= named
            else:
                return

    def _build(self, references: Sequence[MeasuredScan]) -> None:
        """Build the references alone; the leaves bring faults of their own."""
        table = _scan_table(references, "counts")
        scans = scans_of(table, self.settings.session, self._full_scale())
        scans, _ = fill_defaults(scans)
        scans, _, _ = without_hot_pixels(scans)
        build_references(
            scans, self.settings.reflectance["instrument"], self.settings.reflectance["reflectance"]
        )

    def _convert_all(
        self, sound: Sequence[MeasuredScan]
    ) -> tuple[ConvertedSession | None, list[MeasuredScan]]:
        """Convert all leaves that can be; ``None`` if their references are not there."""
        try:
            return self._converted(sound), list(sound)
        except InputFault as fault:
            problem = fault.problems[0]
            named = set(
                _problems_by_scan(fault.problems, [s.scan for s in sound if s.role == "sample"])
            )
        leaves = {s.scan for s in sound if s.role == "sample"}
        without = [s for s in sound if s.scan not in named]
        if named and named != leaves:
            converted, rest = self._convert_all(without)
        else:
            named, converted = leaves, None
            rest = [s for s in sound if s.role != "sample"]
        self._unconverted |= {scan: _short_words(problem) for scan in named}
        return converted, rest

    def _converted(self, scans: Sequence[MeasuredScan]) -> ConvertedSession:
        table = _scan_table(scans, self.settings.quantity)
        settings = self.settings
        return convert_session(
            table, settings.reflectance, settings.session, settings.panel_file, settings.shown_panel
        )

    def _raw_faults(self, scans: Sequence[MeasuredScan]) -> list[Flag]:
        """Check the raw counts of leaves that have no reflectance yet: is the detector full?"""
        if not scans or self.settings.quantity != "counts":
            return []
        flags, _ = check_counts(self._session(scans, None), self.settings.checks, None)
        return [flag for flag in flags if flag.check == "saturated"]

    # --- sessions as the checks take them ---------------------------------------------------

    def _session(
        self, scans: Sequence[MeasuredScan], converted: ConvertedSession | None
    ) -> SessionInMemory:
        table = _scan_table(scans, self.settings.quantity)
        if converted is None:
            leaves = _leaf_table(
                [], np.zeros((0, 0)), np.zeros(0), {"full_scale_counts": self._full_scale()}
            )
            return SessionInMemory(table, leaves, self.settings.indices)
        reflected, n = converted.reflected, len(converted.columns["scan"])
        rows = [{name: converted.columns[name][k] for name in converted.columns} for k in range(n)]
        names = sorted(reflected.shared)
        metadata = {**converted.metadata, "shared_sources": names}
        leaves = _leaf_table(
            rows, reflected.reflectance, converted.grid_nm, metadata,
            u_scan=reflected.u_scan, u_reference=reflected.u_reference,
        )  # fmt: skip
        sources = {"u_noise": reflected.u_noise}
        sources |= {name: np.asarray(reflected.shared[name], dtype=np.float64) for name in names}
        return SessionInMemory(table, leaves, self.settings.indices, None, sources)

    def _signal_of(self, session: Session) -> Floats | None:
        self._signal = session.white_signal()[0]
        return self._signal

    def _signal_on_grid(self) -> Floats | None:
        if self._signal is None:
            return None
        return np.interp(self._grid_nm, self.scans[0].wavelength_nm, self._signal)

    def _full_scale(self) -> float | None:
        stated = self.settings.reflectance["instrument"]["full_scale_counts"]
        return None if stated is None else float(stated)

    def _keep_leaves(self, converted: ConvertedSession) -> None:
        self._grid_nm, self._metadata = converted.grid_nm, converted.metadata
        for k, scan in enumerate(converted.columns["scan"]):
            columns = {name: converted.columns[name][k] for name in converted.columns}
            values = converted.reflected.reflectance[k].astype(np.float32).astype(np.float64)
            self._leaves[scan] = _Leaf(values, columns)

    def _assign_flags(self, flags: Sequence[Flag]) -> None:
        self._own = {s.scan: [] for s in self.scans}
        for flag in flags:
            if flag.check not in OF_THE_GROUP:
                self._own[flag.scan].append(flag)
        self._group = [flag for flag in flags if flag.check in OF_THE_GROUP]

    def _refused_flags(self) -> list[Flag]:
        return [
            Flag(
                scan,
                _REFUSED,
                "fault",
                0.0,
                0.0,
                "1",
                f"A run would refuse it: {_sentence(problem)}",
            )
            for scan, problem in self._refused.items()
        ]

    def _flag_copies(self) -> None:
        """Find scans whose raw values are those of another, by digests that are kept."""
        for scan in self.scans:
            if scan.scan not in self._digests:
                self._digests[scan.scan] = raw_digest(scan.values)
        ids = [s.scan for s in self.scans]
        digests = [self._digests[scan] for scan in ids]
        n_pixels = len(self.scans[0].values)
        copies = duplicate(
            ids, [s.role for s in self.scans], _places(self.scans), digests, n_pixels
        )
        for name in ids:
            self._own[name] = [f for f in self._own.get(name, []) if f.check != "duplicate"]
            self._own[name] += [f for f in copies if f.scan == name]

    def forget(self, scan: str) -> None:
        """Forget the digest of a scan whose raw file has changed."""
        self._digests.pop(scan, None)

    # --- verdicts -----------------------------------------------------------------------------

    def flags_of(self, scan: str) -> list[Flag]:
        """Return all flags on a scan now, the gravest first."""
        flags = [*self._own.get(scan, []), *(f for f in self._group if f.scan == scan)]
        return sorted(flags, key=lambda flag: RANK[flag.severity])

    def has_findings(self, scan: str) -> bool:
        """Tell whether a fault or outlier is on a scan, or it could not be judged."""
        flags = (*self._own.get(scan, ()), *(f for f in self._group if f.scan == scan))
        return scan in self._unconverted or any(f.severity != "notice" for f in flags)

    def reflectance_of(self, scan: str) -> Floats | None:
        """Return the reflectance of a leaf scan on :attr:`grid_nm`, ``None`` if not known yet."""
        leaf = self._leaves.get(scan)
        return None if leaf is None else leaf.reflectance

    @property
    def grid_nm(self) -> Floats:
        """Wavelengths of the reflectance, shape ``(n_wavelengths,)``, nm."""
        return self._grid_nm

    def verdict(self, scan: str, *, complete: bool, unit_complete: bool = True) -> Verdict:
        """Return the verdict on a scan as far as the session is measured.

        Parameters
        ----------
        scan
            Its id.
        complete
            Whether every step of the session is done: nothing is left for later then.
        unit_complete
            Whether all planned leaves of its unit are measured.
        """
        measured = next(s for s in self.scans if s.scan == scan)
        flags = self.flags_of(scan)
        later = () if complete else self._not_judged_yet(measured, unit_complete)
        worst = next((f for f in flags if f.severity != "notice"), None)
        if worst is None:
            if scan in self._unconverted:
                action = "It is judged as soon as these are measured."
                return Verdict(
                    scan, "unjudged", self._unconverted[scan], action, tuple(flags), later
                )
            return Verdict(scan, "good", flags=tuple(flags), not_judged_yet=later)
        if worst.check == _REFUSED:
            reason = (
                "no brighter than a dark" if measured.role == "white" else "as bright as with light"
            )
            return Verdict(scan, "fault", reason, self._refused[scan].mend, tuple(flags), later)
        reason = reason_of(measured.role, worst.check)
        if worst.check in _OF_THEIR_KIND and self._too_few(measured) and not complete:
            action = f"Measure another {measured.role}: a third one tells which of them is wrong."
            return Verdict(
                scan, "unclear", f"{reason}: two that differ", action, tuple(flags), later
            )
        grade: Grade = "fault" if worst.severity == "fault" else "outlier"
        action = _ACTIONS.get((measured.role, worst.check), "")
        return Verdict(scan, grade, reason, action, tuple(flags), later)

    def _too_few(self, reference: MeasuredScan) -> bool:
        """Tell whether a reference has too few of its kind beside it to say which one is wrong."""
        if reference.role not in ("dark", "white"):
            return False
        return self._n_of_same_kind(reference) < FEWEST_REFERENCES

    def _n_of_same_kind(self, reference: MeasuredScan) -> int:
        return sum(
            s.role == reference.role
            and (s.role == "white" or s.integration_ms == reference.integration_ms)
            for s in self.scans
        )

    def _not_judged_yet(self, measured: MeasuredScan, unit_complete: bool) -> tuple[str, ...]:
        """Return the checks that need more of the session, in words."""
        if measured.role == "dark":
            few = ["level and noise against other darks"] if self._too_few(measured) else []
            return (*few, "level against scans with light", "drift over the session")
        if measured.role == "white":
            few = ["drift from white to white", "room light"] if self._too_few(measured) else []
            return (*few, "slow drift over the session", "wavelength shift")
        if measured.role != "sample":
            return ()
        counted = self.settings.quantity == "counts"
        n_leaf_scans = sum(s.role == "sample" for s in self.scans)
        out = []
        if measured.scan in self._unconverted:
            out += ["signal", "leaf in the clip", "room light", "possible reflectance"]
        elif counted:  # judged by the noise known so far; later darks and whites refine it
            out.append("signal against noise")
        if counted and n_leaf_scans < FEWEST_EXPOSED:
            out.append("exposure against the other leaves")
        if counted:
            out.append("the white after it")
        if not unit_complete or self._n_groups() < FEWEST_GROUPS:
            out.append("likeness to the other leaves of its plant")
        if n_leaf_scans < FEWEST_SCANS:
            out.append("clip moved")
        return tuple(out)

    def _n_groups(self) -> int:
        """Count the units of which two leaves or more are measured."""
        leaves: dict[str, set[str]] = {}
        for s in self.scans:
            if s.role == "sample" and s.scan in self._leaves:
                leaves.setdefault(s.unit, set()).add(s.leaf or s.scan)
        return sum(len(leaves_of_unit) > 1 for leaves_of_unit in leaves.values())


# Tables as the stages read them.
# ----------------------------------------------------------------------


def _places(scans: Sequence[MeasuredScan]) -> dict[str, tuple[str, str]]:
    return {s.scan: (s.unit, s.leaf) for s in scans if s.role == "sample"}


def _scan_table(
    scans: Sequence[MeasuredScan], quantity: str, values: Floats | None = None
) -> SpectraTable:
    """Return the table that intake writes, in memory.

    Raw values are float32 there, as in the file, but for reflectance as it arrived.
    """
    import pandas as pd

    if values is None:
        values = np.array([s.values for s in scans])
        if quantity == "counts":
            values = values.astype(np.float32).astype(np.float64)
    times = [None if s.time is None else s.time for s in scans]
    rows = pd.DataFrame(
        {
            "scan": [s.scan for s in scans],
            "role": [s.role for s in scans],
            "file": [s.file for s in scans],
            "item": [s.item for s in scans],
            "file_sha256": [s.sha256 for s in scans],
            "order": np.arange(len(scans), dtype=np.int32),
            "time": np.array(times, dtype="datetime64[ms]"),
            "integration_ms": np.array([s.integration_ms for s in scans], dtype=np.float64),
            "averages": pd.array([s.averages for s in scans], dtype="Int32"),
        }
    )
    return SpectraTable(
        rows,
        scans[0].wavelength_nm if scans else np.zeros(0),
        {quantity: values},
        {"quantity": quantity, "full_scale_counts": None},
    )


def _leaf_table(
    rows: Sequence[Mapping[str, Any]],
    values: Floats,
    grid_nm: Floats,
    metadata: Mapping[str, Any],
    **more: Floats,
) -> SpectraTable:
    """Return the table that the rule reflectance writes, in memory, without its shared sources."""
    import pandas as pd

    frame = pd.DataFrame(list(rows)) if rows else pd.DataFrame({"scan": pd.Series([], dtype=str)})
    return SpectraTable(frame, grid_nm, {"reflectance": values, **more}, metadata)


def _problems_by_scan(problems: Sequence[Problem], scans: Sequence[str]) -> dict[str, Problem]:
    """Return the scans that problems name, each with its problem."""
    scan_ids = set(scans)
    out: dict[str, Problem] = {}
    for problem in problems:
        for word in re.findall(r"[A-Za-z0-9_-]+", problem.found):
            if word in scan_ids:
                out.setdefault(word, problem)
    return out


def _sentence(problem: Problem) -> str:
    return f"found {problem.found}; expected {problem.expected}. {problem.mend}"


def _short_words(problem: Problem) -> str:
    return f"found {problem.found}; expected {problem.expected}"
