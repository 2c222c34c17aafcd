"""Groups of scans to look at together: the leaves of one unit in one session, and references.

Groups come by session, then by the id of the unit: neither order tells a treatment.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from leafledger.review.blinding import Blind
from leafledger.review.evidence import Floats, Measured, Said
from leafledger.review.thinning import thinned
from leafledger.study.scan_sheet import Decision, Scan, judged_otherwise
from leafledger.study.study import Study

LEAST_FOR_DEPARTURE = 3
MOST_REFERENCES = 60
"""Lines of one figure of references; those with a flag are always among them."""


@dataclass(frozen=True)
class Known:
    """What is known of the scans besides their spectra.

    Attributes
    ----------
    said
        Scan -> what the checks said.
    accepted
        Leaf scan -> whether it took part in the last run.
    decisions
        Scan -> the decision that holds now.
    digests
        Scan -> digest of its raw values, as far as it is wanted.
    notes
        Scan -> the note of the scan sheet.
    blind
        What may not be read.
    """

    said: Mapping[str, Sequence[Said]]
    accepted: Mapping[str, bool]
    decisions: Mapping[str, Decision]
    digests: Mapping[str, str]
    notes: Mapping[str, str]
    blind: Blind

    def flagged(self, scan: str) -> bool:
        """Tell whether a check suggests to leave the scan out."""
        return any(said.suggests for said in self.said.get(scan, ()))

    def changed(self, scan: str) -> bool:
        """Tell whether the raw values are not those that the decision judged."""
        decision = self.decisions.get(scan)
        return decision is not None and bool(judged_otherwise([decision], self.digests))


def natural(text: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts ``p2`` before ``p10``.

    Examples
    --------
    >>> sorted(["p10", "p2", "P1"], key=natural)
    ['P1', 'p2', 'p10']
    """
    parts = re.findall(r"\d+|\D+", text)
    return [(0, int(p), "") if p.isdigit() else (1, 0, p.casefold()) for p in parts]


def leaf_groups(study: Study) -> dict[tuple[str, str], list[Scan]]:
    """Return (session, unit) -> its leaf scans, sorted by session, unit, leaf and replicate."""
    found: dict[tuple[str, str], list[Scan]] = {}
    for session in study.session_ids:
        own: dict[str, list[Scan]] = {}
        for scan in study.samples(session):
            own.setdefault(study.unit_of(scan), []).append(scan)
        for unit in sorted(own, key=natural):
            found[session, unit] = sorted(
                own[unit], key=lambda s: (natural(s.leaf), natural(s.replicate), natural(s.scan))
            )
    return found


def reference_groups(study: Study) -> dict[tuple[str, str], list[Scan]]:
    """Return (session, role) -> its references in sheet order: darks, whites, then the others."""
    rank = {"dark": 0, "white": 1}
    found: dict[tuple[str, str], list[Scan]] = {}
    for session in study.session_ids:
        own = [s for s in study.scans if s.session == session and s.role != "sample"]
        for role in sorted({s.role for s in own}, key=lambda r: (rank.get(r, 2), r)):
            found[session, role] = [s for s in own if s.role == role]
    return found


def summary(key: tuple[str, str], scans: Sequence[Scan], known: Known) -> dict[str, Any]:
    """Return a line of the list: which group, how many scans, which are flagged or decided."""
    return {
        "session": key[0],
        "name": key[1],
        "n_scans": len(scans),
        "flagged": [s.scan for s in scans if known.flagged(s.scan)],
        "decided": [s.scan for s in scans if s.scan in known.decisions],
        "changed": [s.scan for s in scans if known.changed(s.scan)],
    }


def leaf_view(
    scans: Sequence[Scan], measured: Measured, known: Known, trusted: tuple[float, float]
) -> dict[str, Any]:
    """Return one group of leaves to draw, with the spread of its whole session behind it."""
    x = measured.wavelength_nm
    drawn = [scan for scan in scans if scan.scan in measured.place]
    lines = {s.scan: measured.values[measured.place[s.scan]] for s in drawn}
    departures: dict[str, Any] = {}
    if len(drawn) >= LEAST_FOR_DEPARTURE:
        for scan in lines:
            others = [line for other, line in lines.items() if other != scan]
            departures[scan] = thinned(x, lines[scan] - np.median(others, axis=0))
    return {
        "range": list(trusted),
        "quantity": "reflectance",
        "context": {
            "n_scans": len(measured.place),
            "low": thinned(x, measured.low),
            "middle": thinned(x, measured.middle),
            "high": thinned(x, measured.high),
        },
        "scans": [
            {
                **_about(scan, known),
                "line": thinned(x, lines[scan.scan]) if scan.scan in lines else [],
                "departure": departures.get(scan.scan, []),
            }
            for scan in scans
        ],
    }


def reference_view(scans: Sequence[Scan], raw: Measured, known: Known) -> dict[str, Any]:
    """Return the references of one role and session to draw; nothing is decided about them."""
    drawn = _drawn(scans, known)
    away = _departures([s for s in scans if s.scan in raw.place], raw, known)
    x = raw.wavelength_nm

    def line(scan: str, values: Mapping[str, Floats]) -> list[list[float]]:
        return thinned(x, values[scan]) if scan in drawn and scan in values else []

    values = {scan: raw.values[row] for scan, row in raw.place.items()}
    return {
        "quantity": "counts",
        "n_not_drawn": len(scans) - len(drawn),
        "scans": [
            {
                **_about(scan, known),
                "line": line(scan.scan, values),
                "departure": line(scan.scan, away),
            }
            for scan in scans
        ],
    }


def _drawn(scans: Sequence[Scan], known: Known) -> set[str]:
    """Return which references are drawn: the flagged ones, and evenly chosen others."""
    flagged = {s.scan for s in scans if known.flagged(s.scan)}
    sound = [s.scan for s in scans if s.scan not in flagged]
    room = MOST_REFERENCES - len(flagged)
    if room <= 0:
        return flagged
    step = max(-(-len(sound) // room), 1)
    return flagged | set(sound[::step])


def _departures(scans: Sequence[Scan], raw: Measured, known: Known) -> dict[str, Floats]:
    """Return each reference less the median of the sound ones of its integration time."""
    series: dict[float | None, list[str]] = {}
    for scan in scans:
        series.setdefault(scan.integration_ms, []).append(scan.scan)
    out: dict[str, Floats] = {}
    for own in series.values():
        sound = [s for s in own if not known.flagged(s)] or own
        middle = np.median([raw.values[raw.place[s]] for s in sound], axis=0)
        if len(own) >= LEAST_FOR_DEPARTURE:
            out |= {s: raw.values[raw.place[s]] - middle for s in own}
    return out


def _about(scan: Scan, known: Known) -> dict[str, Any]:
    said = known.said.get(scan.scan, ())
    decision = known.decisions.get(scan.scan)
    shown = known.blind.shown
    return {
        "scan": scan.scan,
        "leaf": scan.leaf,
        "replicate": scan.replicate,
        "time": scan.time or "",
        "integration_ms": scan.integration_ms,
        "file": shown(scan.file, "file name"),
        "item": shown(scan.item, "item"),
        "note": shown(known.notes.get(scan.scan, ""), "note"),
        "said": [asdict(one) for one in said],
        "suggested": known.flagged(scan.scan),
        "accepted": known.accepted.get(scan.scan),
        "decision": asdict(decision) if decision else None,
        "changed": known.changed(scan.scan),
        "scan_sha256": known.digests.get(scan.scan, ""),
    }
