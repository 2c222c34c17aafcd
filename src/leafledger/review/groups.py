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

from leafledger.errors import input_fault
from leafledger.quality.session import raw_digest
from leafledger.report.gather import check_words
from leafledger.study.definition import Form
from leafledger.study.scan_sheet import Decision, Scan, digest_changed
from leafledger.study.sheets import read_sheet
from leafledger.study.study import Study, Task, outputs
from leafledger.study.table_files import read_csv, read_json, read_parquet, read_spectra
from leafledger.study.table_sheet import is_spectra_table

# Spectra thinned for drawing: numbers are never taken from these
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


# What the last run measured and its checks said
# ----------------------------------------------------------------------

SUGGESTING = ("fault", "outlier")
"""Severities that suggest to leave a scan out; a notice suggests nothing."""


@dataclass(frozen=True)
class CheckNote:
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
class SessionSpectra:
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


def require_results(study: Study) -> None:
    """Refuse a study without the tables that the review shows.

    Raises
    ------
    InputFault
        If one is missing.
    """
    needed = [path for s in study.session_ids for path in outputs(Task("intake", s)).values()]
    for session in study.session_ids:
        needed += [_path("reflectance", session), _path("quality", session)]
    needed += [_path(role, None) for role in ("accepted", "exclusions", "range")]
    missing = [path for path in needed if not (study.folder / path).is_file()]
    if missing:
        raise input_fault(
            file=missing[0],
            found="no such table",
            expected="a study that has been run: the review shows what was measured",
            mend="Run it first: leafledger run",
        )


def session_reflectance(study: Study, session: str) -> SessionSpectra:
    """Return the reflectance of the leaf scans of a session, a fraction."""
    return _measured(study.folder / _path("reflectance", session), ("reflectance",))


def session_raw_spectra(study: Study, session: str) -> SessionSpectra:
    """Return the raw spectra of all scans of a session, as the instrument gave them."""
    return _measured(
        study.folder / outputs(Task("intake", session))["scans"], ("counts", "reflectance")
    )


def raw_digests(study: Study, scans: Iterable[Scan]) -> dict[str, str]:
    """Return scan -> digest of its raw values, as the last run took them in."""
    digests: dict[str, str] = {}
    for scan in scans:
        raw = session_raw_spectra(study, scan.session)
        if scan.scan in raw.place:
            digests[scan.scan] = raw_digest(raw.values[raw.place[scan.scan]])
    return digests


def check_notes(study: Study) -> dict[str, list[CheckNote]]:
    """Return scan -> what the checks said of it, the gravest first.

    What only shows between sessions stands in ``exclusions.csv`` alone.
    """
    notes: dict[str, list[CheckNote]] = {}
    for session in study.session_ids:
        for row in read_parquet(study.folder / _path("quality", session)).to_dict("records"):
            nm = row["wavelength_nm"]
            has_wavelength = nm is not None and bool(np.isfinite(nm))
            check, severity, sentence = (str(row[k]) for k in ("check", "severity", "sentence"))
            note = CheckNote(check, severity, sentence, float(nm) if has_wavelength else None)
            notes.setdefault(str(row["scan"]), []).append(note)
    for excluded in exclusion_rows(study.folder):
        rule, of_scan = excluded["rule"], notes.setdefault(excluded["scan"], [])
        if rule != "decision" and not any(n.check == rule and n.suggests for n in of_scan):
            of_scan.append(CheckNote(rule, "fault", excluded["reason"], None))
    rank = {"fault": 0, "outlier": 1}
    return {
        scan: sorted(of_scan, key=lambda note: rank.get(note.severity, 2))
        for scan, of_scan in notes.items()
        if of_scan
    }


def exclusion_rows(folder: Path) -> list[dict[str, str]]:
    """Return the rows of ``exclusions.csv``."""
    rows = read_csv(folder / _path("exclusions", None)).to_dict("records")
    return [{str(name): str(value) for name, value in row.items()} for row in rows]


def acceptance_flags(study: Study) -> dict[str, bool]:
    """Return leaf scan -> whether it took part in the last run."""
    path = study.folder / _path("accepted", None)
    table = read_csv(path)
    return {str(s): bool(a) for s, a in zip(table["scan"], table["accepted"], strict=True)}


def trusted_range(study: Study) -> tuple[float, float]:
    """Return the wavelengths in which the last run trusts the spectra, nm."""
    limits: dict[str, Any] = read_json(study.folder / _path("range", None))
    return float(limits["start_nm"]), float(limits["stop_nm"])


def sheet_notes(study: Study) -> dict[str, str]:
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


def _measured(path: Path, columns: tuple[str, ...]) -> SessionSpectra:
    stat = path.stat()
    return _read(path, columns, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=16)
def _read(path: Path, columns: tuple[str, ...], _changed: int, _size: int) -> SessionSpectra:
    table = read_spectra(path, columns)
    (values,) = table.spectra.values()
    row_of = {str(scan): k for k, scan in enumerate(table.rows["scan"])}
    if len(values):
        low, middle, high = np.percentile(values, (5, 50, 95), axis=0)
    else:
        low = middle = high = np.full(len(table.wavelength_nm), np.nan)
    return SessionSpectra(table.wavelength_nm, values, row_of, low, middle, high)


# What is hidden while deciding: which unit had which treatment
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


def blinding_of(study: Study) -> Blind:
    """Return what must not be read in a study.

    A label of one or two characters (treatment ``1``, leaf ``1``) that also stands in the names of
    scans of other treatments tells nothing, and is left out.
    """
    column = study.definition.design.treatment
    treatment_of = {unit: row.get(column, "").strip() for unit, row in study.units.items()}
    names = [
        (
            treatment_of.get(study.unit_of(scan), ""),
            f"{study.unit_of(scan)} {scan.scan} {scan.file}",
        )
        for scan in study.samples()
    ]

    def counts(label: str) -> bool:
        if len(label) >= _LONG_ENOUGH:
            return True
        pattern = _pattern(label)
        return not any(treatment != label and pattern.search(name) for treatment, name in names)

    return Blind(
        frozenset(label for label in set(treatment_of.values()) if label and counts(label))
    )


def _pattern(label: str) -> re.Pattern[str]:
    inner = re.escape(label)
    if len(label) < _LONG_ENOUGH:
        inner = rf"(?<![^\W_]){inner}(?![^\W_])"
    return re.compile(inner, re.IGNORECASE)


# Groups: the leaves of one unit in one session, and references
# ----------------------------------------------------------------------
# Groups come by session, then by the id of the unit: neither order tells a treatment.

LEAST_FOR_DEPARTURE = 3
MOST_REFERENCES = 60
"""Lines of one figure of references; those with a flag are always among them."""


@dataclass(frozen=True)
class ScanFacts:
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

    said: Mapping[str, Sequence[CheckNote]]
    accepted: Mapping[str, bool]
    decisions: Mapping[str, Decision]
    digests: Mapping[str, str]
    notes: Mapping[str, str]
    blind: Blind

    def flagged(self, scan: str) -> bool:
        """Tell whether a check suggests to leave the scan out."""
        return any(note.suggests for note in self.said.get(scan, ()))

    def changed(self, scan: str) -> bool:
        """Tell whether the raw values are not those that the decision judged."""
        decision = self.decisions.get(scan)
        return decision is not None and bool(digest_changed([decision], self.digests))


def natural_key(text: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts ``p2`` before ``p10``.

    Examples
    --------
    >>> sorted(["p10", "p2", "P1"], key=natural_key)
    ['P1', 'p2', 'p10']
    """
    parts = re.findall(r"\d+|\D+", text)
    return [(0, int(p), "") if p.isdigit() else (1, 0, p.casefold()) for p in parts]


def leaf_groups(study: Study) -> dict[tuple[str, str], list[Scan]]:
    """Return (session, unit) -> its leaf scans, sorted by session, unit, leaf and replicate."""
    groups: dict[tuple[str, str], list[Scan]] = {}
    for session in study.session_ids:
        by_unit: dict[str, list[Scan]] = {}
        for scan in study.samples(session):
            by_unit.setdefault(study.unit_of(scan), []).append(scan)
        for unit in sorted(by_unit, key=natural_key):
            groups[session, unit] = sorted(
                by_unit[unit],
                key=lambda s: (natural_key(s.leaf), natural_key(s.replicate), natural_key(s.scan)),
            )
    return groups


def reference_groups(study: Study) -> dict[tuple[str, str], list[Scan]]:
    """Return (session, role) -> its references in sheet order: darks, whites, then the others."""
    rank = {"dark": 0, "white": 1}
    groups: dict[tuple[str, str], list[Scan]] = {}
    for session in study.session_ids:
        references = [s for s in study.scans if s.session == session and s.role != "sample"]
        for role in sorted({s.role for s in references}, key=lambda r: (rank.get(r, 2), r)):
            groups[session, role] = [s for s in references if s.role == role]
    return groups


def group_summary(key: tuple[str, str], scans: Sequence[Scan], facts: ScanFacts) -> dict[str, Any]:
    """Return a line of the list: which group, how many scans, which are flagged or decided."""
    return {
        "session": key[0],
        "name": key[1],
        "n_scans": len(scans),
        "flagged": [s.scan for s in scans if facts.flagged(s.scan)],
        "decided": [s.scan for s in scans if s.scan in facts.decisions],
        "changed": [s.scan for s in scans if facts.changed(s.scan)],
    }


def leaf_view(
    scans: Sequence[Scan], measured: SessionSpectra, facts: ScanFacts, trusted: tuple[float, float]
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
                **_about(scan, facts),
                "line": thinned(x, lines[scan.scan]) if scan.scan in lines else [],
                "departure": departures.get(scan.scan, []),
            }
            for scan in scans
        ],
    }


def reference_view(scans: Sequence[Scan], raw: SessionSpectra, facts: ScanFacts) -> dict[str, Any]:
    """Return the references of one role and session to draw; nothing is decided about them."""
    drawn = _drawn(scans, facts)
    departures = _departures([s for s in scans if s.scan in raw.place], raw, facts)
    x = raw.wavelength_nm

    def line(scan: str, values: Mapping[str, Floats]) -> list[list[float]]:
        return thinned(x, values[scan]) if scan in drawn and scan in values else []

    values = {scan: raw.values[row] for scan, row in raw.place.items()}
    return {
        "quantity": "counts",
        "n_not_drawn": len(scans) - len(drawn),
        "scans": [
            {
                **_about(scan, facts),
                "line": line(scan.scan, values),
                "departure": line(scan.scan, departures),
            }
            for scan in scans
        ],
    }


def _drawn(scans: Sequence[Scan], facts: ScanFacts) -> set[str]:
    """Return which references are drawn: the flagged ones, and evenly chosen others."""
    flagged = {s.scan for s in scans if facts.flagged(s.scan)}
    sound = [s.scan for s in scans if s.scan not in flagged]
    room = MOST_REFERENCES - len(flagged)
    if room <= 0:
        return flagged
    step = max(-(-len(sound) // room), 1)
    return flagged | set(sound[::step])


def _departures(scans: Sequence[Scan], raw: SessionSpectra, facts: ScanFacts) -> dict[str, Floats]:
    """Return each reference less the median of the sound ones of its integration time."""
    series: dict[float | None, list[str]] = {}
    for scan in scans:
        series.setdefault(scan.integration_ms, []).append(scan.scan)
    departures: dict[str, Floats] = {}
    for series_scans in series.values():
        sound = [s for s in series_scans if not facts.flagged(s)] or series_scans
        middle = np.median([raw.values[raw.place[s]] for s in sound], axis=0)
        if len(series_scans) >= LEAST_FOR_DEPARTURE:
            departures |= {s: raw.values[raw.place[s]] - middle for s in series_scans}
    return departures


def _about(scan: Scan, facts: ScanFacts) -> dict[str, Any]:
    notes = facts.said.get(scan.scan, ())
    decision = facts.decisions.get(scan.scan)
    masked = facts.blind.shown
    return {
        "scan": scan.scan,
        "leaf": scan.leaf,
        "replicate": scan.replicate,
        "time": scan.time or "",
        "integration_ms": scan.integration_ms,
        "file": masked(scan.file, "file name"),
        "item": masked(scan.item, "item"),
        "note": masked(facts.notes.get(scan.scan, ""), "note"),
        "photo": bool(scan.photo),
        "said": [{**asdict(note), "rule": check_words(note.check)} for note in notes],
        "suggested": facts.flagged(scan.scan),
        "accepted": facts.accepted.get(scan.scan),
        "decision": asdict(decision) if decision else None,
        "changed": facts.changed(scan.scan),
        "scan_sha256": facts.digests.get(scan.scan, ""),
    }
