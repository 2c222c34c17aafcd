"""What the last run measured and its checks said, as the reviewer sees it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.quality.sheet_order import raw_digest
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.definition import Form
from leafledger.study.layout import Task, outputs
from leafledger.study.scan_sheet import Scan
from leafledger.study.sheets import read_sheet
from leafledger.study.study import Study
from leafledger.study.table_sheet import is_spectra_table
from leafledger.study.tables import read_csv, read_json, read_parquet, read_spectra

Floats = NDArray[np.float64]
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
