"""What does a reviewer look at together, and what is hidden while deciding?"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.quality.sheet_order import raw_digest
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.definition import Form
from leafledger.study.scan_sheet import Decision, Scan, judged_otherwise
from leafledger.study.sheets import read_sheet
from leafledger.study.study import Study
from leafledger.study.table_sheet import is_spectra_table
from leafledger.study.tables import read_csv, read_json, read_parquet, read_spectra
from leafledger.study.tasks import Task, outputs

# Spectra thinned for drawing: fewer points, no peak lost. Numbers are never taken from these.
# ----------------------------------------------------------------------

Floats = NDArray[np.float64]
MOST_POINTS = 600


def thinned(x: Floats, y: Floats, most: int = MOST_POINTS) -> list[list[float]]:
    """Return points of a line, the lowest and highest of each stretch where there are too many.

    Parameters
    ----------
    x, y
        Shape ``(n_wavelengths,)``, ``x`` rising; points where ``y`` is not finite are left out.
    most
        Points at most, 4 or more; the first and the last stay.

    Returns
    -------
    list
        Pairs ``[x, y]``, by rising ``x``; values rounded to five significant digits.

    Examples
    --------
    >>> y = np.zeros(1000)
    >>> y[501] = 1.0
    >>> points = thinned(np.arange(1000.0), y, most=20)
    >>> len(points) <= 20, max(value for _, value in points)
    (True, 1.0)
    """
    good = np.isfinite(y)
    x, y = x[good], y[good]
    if len(x) > most:
        edges = np.linspace(0, len(x), most // 2).astype(int)
        keep = {0, len(x) - 1}
        for start, stop in pairwise(edges):
            keep |= {start + int(np.argmin(y[start:stop])), start + int(np.argmax(y[start:stop]))}
        chosen = np.array(sorted(keep))
        x, y = x[chosen], y[chosen]
    return [[float(f"{a:.6g}"), float(f"{b:.5g}")] for a, b in zip(x, y, strict=True)]


# What the last run measured and its checks said, as the reviewer sees it.
# ----------------------------------------------------------------------

SUGGESTING = ("fault", "outlier")
"""Severities that suggest to leave a scan out; a notice suggests nothing."""


@dataclass(frozen=True)
class Said:
    """What one check said about one scan."""

    check: str
    severity: str
    sentence: str
    wavelength_nm: float | None

    @property
    def suggests(self) -> bool:
        """Whether it suggests to leave the scan out."""
        return self.severity in SUGGESTING


@dataclass(frozen=True)
class Measured:
    """Spectra of one session.

    Attributes
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``, nm.
    values
        Shape ``(n_scans, n_wavelengths)``.
    place
        Scan -> its row.
    low, middle, high
        5th, 50th and 95th percentile over all scans, whatever their treatment.
    """

    wavelength_nm: Floats
    values: Floats
    place: Mapping[str, int]
    low: Floats
    middle: Floats
    high: Floats


def refuse_unless_run(study: Study) -> None:
    """Refuse a study without the tables that the review shows.

    Raises
    ------
    InputFault
        If one is missing.
    """
    session = [outputs(Task(rule, s)) for s in study.session_ids for rule in ("intake",)]
    needed = [path for found in session for path in found.values()]
    for one in study.session_ids:
        needed += [_path("reflectance", one), _path("quality", one)]
    needed += [_path(role, None) for role in ("accepted", "exclusions", "range")]
    missing = [path for path in needed if not (study.folder / path).is_file()]
    if missing:
        raise InputFault(
            Problem(
                file=missing[0],
                found="no such table",
                expected="a study that has been run: the review shows what was measured",
                mend="Run it first: leafledger run",
            )
        )


def reflectance_of(study: Study, session: str) -> Measured:
    """Return the reflectance of the leaf scans of a session, a fraction."""
    return _measured(study.folder / _path("reflectance", session), ("reflectance",))


def raw_of(study: Study, session: str) -> Measured:
    """Return the raw spectra of all scans of a session, as the instrument gave them."""
    return _measured(
        study.folder / outputs(Task("intake", session))["scans"], ("counts", "reflectance")
    )


def digests_of(study: Study, scans: Iterable[Scan]) -> dict[str, str]:
    """Return scan -> digest of its raw values, as the last run took them in."""
    found: dict[str, str] = {}
    for scan in scans:
        raw = raw_of(study, scan.session)
        if scan.scan in raw.place:
            found[scan.scan] = raw_digest(raw.values[raw.place[scan.scan]])
    return found


def said_of(study: Study) -> dict[str, list[Said]]:
    """Return scan -> what the checks said of it, the gravest first.

    What only shows between sessions stands in ``exclusions.csv`` alone.
    """
    found: dict[str, list[Said]] = {}
    for session in study.session_ids:
        for row in read_parquet(study.folder / _path("quality", session)).to_dict("records"):
            place = row["wavelength_nm"]
            known = place is not None and bool(np.isfinite(place))
            said = Said(
                str(row["check"]),
                str(row["severity"]),
                str(row["sentence"]),
                float(place) if known else None,
            )
            found.setdefault(str(row["scan"]), []).append(said)
    for told in exclusion_rows(study.folder):
        rule = told["rule"]
        own = found.setdefault(told["scan"], [])
        if rule != "decision" and not any(s.check == rule and s.suggests for s in own):
            own.append(Said(rule, "fault", told["reason"], None))
    rank = {"fault": 0, "outlier": 1}
    for own in found.values():
        own.sort(key=lambda said: rank.get(said.severity, 2))
    return {scan: own for scan, own in found.items() if own}


def exclusion_rows(folder: Path) -> list[dict[str, str]]:
    """Return the rows of ``exclusions.csv``."""
    rows = read_csv(folder / _path("exclusions", None), text=tuple(TEXT)).to_dict("records")
    return [{str(name): str(value) for name, value in row.items()} for row in rows]


def accepted_now(study: Study) -> dict[str, bool]:
    """Return leaf scan -> whether it took part in the last run."""
    path = study.folder / _path("accepted", None)
    table = read_csv(path, text=tuple(TEXT), flags=tuple(FLAGS))
    return {str(s): bool(a) for s, a in zip(table["scan"], table["accepted"], strict=True)}


def trusted_range(study: Study) -> tuple[float, float]:
    """Return the wavelengths in which the last run trusts the spectra, nm."""
    limits: dict[str, Any] = read_json(study.folder / _path("range", None))
    return float(limits["start_nm"]), float(limits["stop_nm"])


def notes_of(study: Study) -> dict[str, str]:
    """Return scan -> the note of the scan sheet; none where scans stand in no sheet."""
    intake = study.definition.intake
    form = intake.forms.get("default") or Form()
    if intake.pattern or is_spectra_table(study.folder / intake.sheet, form):
        return {}
    sheet = read_sheet(study.folder / intake.sheet, intake.sheet, required=("scan",))
    return {row.get("scan"): row.get("note") for row in sheet.rows if row.get("note")}


def _path(role: str, session: str | None) -> str:
    rule = role if session else "acceptance"
    return outputs(Task(rule, session))[role]


def _measured(path: Path, columns: tuple[str, ...]) -> Measured:
    there = path.stat()
    return _read(path, columns, there.st_mtime_ns, there.st_size)


@lru_cache(maxsize=16)
def _read(path: Path, columns: tuple[str, ...], _changed: int, _size: int) -> Measured:
    table = read_spectra(path, columns)
    (values,) = table.spectra.values()
    place = {str(scan): k for k, scan in enumerate(table.rows["scan"])}
    if len(values):
        low, middle, high = np.percentile(values, (5, 50, 95), axis=0)
    else:
        low = middle = high = np.full(len(table.wavelength_nm), np.nan)
    return Measured(table.wavelength_nm, values, place, low, middle, high)


# What a reviewer may not read while deciding: which unit had which treatment.
# ----------------------------------------------------------------------
# Choosing exclusions by their effect is a way to pick results, so the page never names a treatment
# until decisions are saved. File names, notes and titles are the user's own words and may tell it.

_LONG_ENOUGH = 3


@dataclass(frozen=True)
class Blind:
    """Finds the names of treatments in text.

    Parameters
    ----------
    labels
        Labels of the treatments.
    """

    labels: frozenset[str]

    def tells(self, text: str) -> bool:
        """Tell whether a text names a treatment.

        A label of one or two characters counts only where it stands alone.

        Examples
        --------
        >>> blind = Blind(frozenset({"water", "B"}))
        >>> blind.tells("raw/Water3.txt"), blind.tells("bench b, left"), blind.tells("able")
        (True, True, False)
        """
        return any(_pattern(label).search(text) for label in self.labels)

    def shown(self, text: str, what: str) -> str:
        """Return a text, or words in its place if it names a treatment."""
        return f"({what} not shown: it names a treatment)" if self.tells(text) else text

    def telling(self, names: Iterable[str]) -> list[str]:
        """Return those of some names that tell a treatment."""
        return [name for name in names if self.tells(name)]


def blind_of(study: Study) -> Blind:
    """Return what must not be read in a study.

    A label of one or two characters (treatment ``1``, leaf ``1``) that also stands in the names of
    scans of other treatments tells nothing, and is left out.
    """
    column = study.definition.design.treatment
    own = {unit: row.get(column, "").strip() for unit, row in study.units.items()}
    names = [
        (own.get(study.unit_of(scan), ""), f"{study.unit_of(scan)} {scan.scan} {scan.file}")
        for scan in study.samples()
    ]

    def counts(label: str) -> bool:
        if len(label) >= _LONG_ENOUGH:
            return True
        pattern = _pattern(label)
        return not any(of != label and pattern.search(name) for of, name in names)

    return Blind(frozenset(label for label in set(own.values()) if label and counts(label)))


def _pattern(label: str) -> re.Pattern[str]:
    inner = re.escape(label)
    if len(label) < _LONG_ENOUGH:
        inner = rf"(?<![^\W_]){inner}(?![^\W_])"
    return re.compile(inner, re.IGNORECASE)


# Groups of scans to look at together: the leaves of one unit in one session, and references.
# ----------------------------------------------------------------------
# Groups come by session, then by the id of the unit: neither order tells a treatment.

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
