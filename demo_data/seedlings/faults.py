"""Faults that are planted, and what a check should say of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from seedlings.scenario import Array, Unit
from seedlings.sheet import Scan

PLANTED = ("open_clip", "saturated", "swapped_leaf", "lamp_drift", "bad_dark")
KNOWN = (*PLANTED, "led_leak")
LEVEL = {
    "open_clip": 0.06,
    "led_leak": 0.06,
    "saturated": 2.5,
    "lamp_drift": 0.024,
    "bad_dark": 0.03,
    "swapped_leaf": 1.0,
}
LEVEL_MEANS = {
    "open_clip": "strongest line from 500 nm up, as a reflectance (0.01 = 1 % of a perfect white)",
    "led_leak": "largest share from 500 nm up, as a reflectance",
    "saturated": "real integration time over the one in the sheet",
    "lamp_drift": "relative change of the lamp from the first to the last scan of the day",
    "bad_dark": "share of the lamp's full light that reached the detector during the dark",
    "swapped_leaf": "number of pairs of scans that changed places, per session",
}
# Where a fault without a level goes: session, plant (from 0), leaf (from 1).
_PLACES = {
    "open_clip": (("day4", 6, 2), ("day12", 14, 3)),
    "led_leak": (("day8", 3, 2),),
    "saturated": (("day8", 9, 1),),
}
_CANDIDATES = 12
_SESSION = {"lamp_drift": "day4", "bad_dark": "day12", "swapped_leaf": "day8"}


class UnknownFault(ValueError):
    """The list of faults names one that does not exist, or a level that is no number."""


@dataclass(frozen=True)
class Fault:
    """One planted fault, as listed in ``planted.json``."""

    fault: str
    session: str
    scans: tuple[str, ...]
    level: float
    check_should_say: str

    def as_dict(self) -> dict[str, Any]:
        """Return the fault as plain JSON values."""
        return {
            "fault": self.fault,
            "session": self.session,
            "scans": list(self.scans),
            "level": self.level,
            "level_means": LEVEL_MEANS[self.fault],
            "check_should_say": self.check_should_say,
        }


@dataclass
class Plan:
    """All planted faults, as the changes they make to the scans."""

    listed: list[Fault] = field(default_factory=list)
    leak: dict[str, list[tuple[str, float]]] = field(default_factory=dict)
    longer: dict[str, float] = field(default_factory=dict)
    taken_from: dict[str, str] = field(default_factory=dict)
    drift: dict[str, float] = field(default_factory=dict)
    lit_dark: dict[str, float] = field(default_factory=dict)

    def touched(self) -> set[str]:
        """Return the ids of the scans a fault is planted in."""
        return {scan for fault in self.listed for scan in fault.scans}


@dataclass(frozen=True)
class Setting:
    """What planting needs to know: all scans, the plants, the true leaves.

    ``leaves`` has shape ``(units, sessions, leaves, parameters)``.
    """

    scans: list[Scan]
    units: list[Unit]
    leaves: Array

    def sessions(self) -> list[str]:
        """Return the session ids in order."""
        return list(dict.fromkeys(scan.session.session for scan in self.scans))

    def samples(self, session: str) -> list[Scan]:
        """Return the leaf scans of a session."""
        return [s for s in self.scans if s.role == "sample" and s.session.session == session]


def parse(text: str) -> dict[str, float | None]:
    """Return fault -> level (``None``: at the demo's few places) from ``none``, ``all`` or a list.

    Raises
    ------
    UnknownFault
        If a word is not a fault, or a level is not a positive number.
    """
    words = [word.strip() for word in text.split(",") if word.strip()]
    if words in (["none"], []):
        return {}
    if words == ["all"]:
        return dict.fromkeys(PLANTED)
    out: dict[str, float | None] = {}
    for word in words:
        name, colon, number = word.partition(":")
        if name not in KNOWN:
            raise UnknownFault(f'no fault "{name}"; there are: none, all, {", ".join(KNOWN)}')
        out[name] = _level(name, number) if colon else None
    return out


def _level(name: str, number: str) -> float:
    try:
        level = float(number)
    except ValueError:
        level = float("nan")
    if not np.isfinite(level) or (level <= 0 and name != "lamp_drift"):
        raise UnknownFault(f'"{name}:{number}": the level must be a positive number')
    if name == "swapped_leaf" and level != round(level):
        raise UnknownFault(f'"{name}:{number}": the number of pairs must be a whole number')
    return level


def plan(wanted: dict[str, float | None], setting: Setting) -> Plan:
    """Return where the wanted faults are planted.

    A fault without a level goes to its few places in the demo; one with a level goes to every
    scan (or session) it can touch.
    """
    out = Plan()
    for name in KNOWN:
        if name in wanted:
            _PLANTERS[name](name, wanted[name], setting, out)
    return out


def _places(name: str, level: float | None, setting: Setting, out: Plan) -> list[Scan]:
    if level is not None:
        return [scan for scan in setting.scans if scan.role == "sample"]
    chosen: list[Scan] = []
    taken = out.touched()
    for session, plant, leaf in _PLACES[name]:
        samples = setting.samples(_near(session, setting))
        free = [s for s in samples if s.scan not in taken and s.replicate == "1"]
        if not free:
            continue
        unit = setting.units[plant % len(setting.units)].unit
        fits = [s for s in free if s.unit == unit and int(s.leaf) == leaf] or free
        chosen.append(fits[0])
        taken.add(fits[0].scan)
    return chosen


def _near(session: str, setting: Setting) -> str:
    known = setting.sessions()
    return session if session in known else known[-1]


def _plant_leak(name: str, level: float | None, setting: Setting, out: Plan) -> None:
    size = LEVEL[name] if level is None else level
    says = {
        "open_clip": "lines of mercury and phosphors (546.1, 542, 611 nm): room light, clip open",
        "led_leak": "room light without lines; must not be called mercury",
    }
    places = _places(name, level, setting, out)
    for scan in places:
        out.leak.setdefault(scan.scan, []).append((name, size))
    _list_by_session(out, name, places, size, says[name])


def _plant_saturated(name: str, level: float | None, setting: Setting, out: Plan) -> None:
    size = LEVEL[name] if level is None else level
    says = "pixels at full scale (65535) in the near infrared: saturated"
    places = _places(name, level, setting, out)
    for scan in places:
        out.longer[scan.scan] = size
    _list_by_session(out, name, places, size, says)


def _plant_swap(name: str, level: float | None, setting: Setting, out: Plan) -> None:
    sessions = [_near(_SESSION[name], setting)] if level is None else setting.sessions()
    says = "each of the two disagrees with the other leaves of its plant (replicate distance)"
    for session in sessions:
        for _ in range(1 if level is None else int(level)):
            pair = _farthest_pair(session, setting, out.touched())
            if pair is None:
                break
            out.taken_from.update({pair[0]: pair[1], pair[1]: pair[0]})
            _list(out, name, session, pair, LEVEL[name] if level is None else level, says)


def _farthest_pair(session: str, setting: Setting, taken: set[str]) -> tuple[str, str] | None:
    """Two scans of one arm and leaf position that fit each other's plant least, by chlorophyll.

    Within an arm, so that the planted difference between the arms stays what it is; not a leaf
    that is scanned twice, whose second scan would say otherwise.
    """
    samples = setting.samples(session)
    twice = {(scan.unit, scan.leaf) for scan in samples if scan.replicate != "1"}
    arm = {unit.unit: unit.treatment for unit in setting.units}
    groups: dict[tuple[str, str], list[Scan]] = {}
    for scan in samples:
        if scan.scan not in taken and (scan.unit, scan.leaf) not in twice:
            groups.setdefault((arm[scan.unit], scan.leaf), []).append(scan)
    green = _chlorophyll(session, setting)
    pairs = []
    for group in groups.values():
        ordered = sorted(group, key=lambda scan: (green[scan.unit][int(scan.leaf) - 1], scan.scan))
        pale, dark = ordered[:_CANDIDATES], ordered[-_CANDIDATES:]
        pairs += [(_misfit(p, d, green), p.scan, d.scan) for p in pale for d in dark if p != d]
    if not pairs:
        return None
    _, palest, greenest = max(pairs)
    return palest, greenest


def _chlorophyll(session: str, setting: Setting) -> dict[str, Array]:
    where = setting.sessions().index(session)
    return {unit.unit: setting.leaves[i, where, :, 1] for i, unit in enumerate(setting.units)}


def _misfit(first: Scan, second: Scan, green: dict[str, Array]) -> float:
    """Return how far each leaf is from the nearest other leaf of its new plant; the lesser of both.

    A plant of one leaf has no other leaf: then the two leaves are compared with each other.
    """
    leaf = int(first.leaf) - 1
    out = []
    for guest, host in ((first, second), (second, first)):
        others = np.delete(green[host.unit], leaf)
        others = others if len(others) else green[host.unit]
        out.append(float(np.abs(others - green[guest.unit][leaf]).min()))
    return min(out)


def _plant_drift(name: str, level: float | None, setting: Setting, out: Plan) -> None:
    size = LEVEL[name] if level is None else level
    sessions = [_near(_SESSION[name], setting)] if level is None else setting.sessions()
    says = "the whites of the day change steadily by about this share: lamp drift"
    for session in sessions:
        out.drift[session] = size
        whites = tuple(
            s.scan for s in setting.scans if s.role == "white" and s.session.session == session
        )
        _list(out, name, session, whites, size, says)


def _plant_dark(name: str, level: float | None, setting: Setting, out: Plan) -> None:
    size = LEVEL[name] if level is None else level
    sessions = [_near(_SESSION[name], setting)] if level is None else setting.sessions()
    says = "this dark is far above the other darks of its integration time: light reached it"
    for session in sessions:
        darks = [s for s in setting.scans if s.role == "dark" and s.session.session == session]
        longest = max(s.integration_ms for s in darks)
        same = [s for s in darks if s.integration_ms == longest]
        bad = same[len(same) // 2]
        out.lit_dark[bad.scan] = size
        _list(out, name, session, (bad.scan,), size, says)


def _list(
    out: Plan, name: str, session: str, scans: tuple[str, ...], level: float, says: str
) -> None:
    out.listed.append(Fault(name, session, scans, level, says))


def _list_by_session(out: Plan, name: str, scans: list[Scan], level: float, says: str) -> None:
    for session in dict.fromkeys(scan.session.session for scan in scans):
        ids = tuple(scan.scan for scan in scans if scan.session.session == session)
        _list(out, name, session, ids, level, says)


_PLANTERS: dict[str, Callable[[str, float | None, Setting, Plan], None]] = {
    "open_clip": _plant_leak,
    "led_leak": _plant_leak,
    "saturated": _plant_saturated,
    "swapped_leaf": _plant_swap,
    "lamp_drift": _plant_drift,
    "bad_dark": _plant_dark,
}
