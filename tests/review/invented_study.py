"""A small invented study as a run leaves it, with names and notes that hold HTML."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from leafledger.quality.session import Flag, flag_table
from leafledger.study.sheet_changes import DecisionRequest
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra
from leafledger.study.tables import ACCEPTED, EFFECTS, EXCLUSIONS, SENSITIVITY

HOSTILE = '<img src=x onerror="document.title=1">'
HOSTILE_FILE = "raw/<b onmouseover=alert(1)>&amp;.txt"
NAMED_FILE = "raw/Chelate-plant.txt"
LABELS = ("chelate", "water")
SESSIONS = ("day0", "day12")
UNITS = {"p10": "water", "p2": "chelate", "p1": "water"}
OUTLIER = "day12-p2-3"
SENTENCE = "stands 6.1 robust distances from the other leaves of p2 <i>here</i>"
AXIS = np.arange(400.0, 1000.5, 1.0)

_STUDY = """\
version: 1
title: "Iron chelate on seedlings"
question: "Does it raise chlorophyll?"
design:
  unit: plant
  treatment: treatment
  control: water
  sessions:
    - {session: day0, date: 2026-05-04, phase: before}
    - {session: day12, date: 2026-05-16, phase: after}
intake: {sheet: scans.csv}
"""


def leaf(depth: float) -> np.ndarray:
    """Return the reflectance of an invented leaf: green peak, red trough, near-infrared plateau."""
    green = 0.1 * np.exp(-(((AXIS - 550) / 35) ** 2))
    edge = (0.45 - depth) / (1 + np.exp(-(AXIS - 715) / 14))
    return np.asarray(0.05 + green * (1 + 3 * depth) + edge)


def scan_rows() -> list[dict[str, str]]:
    """Return the rows of the scan sheet."""
    rows: list[dict[str, str]] = []
    for session in SESSIONS:
        for role, n in (("dark", 3), ("white", 4)):
            rows += [row(f"{session}-{role}-{k}", session, role) for k in range(1, n + 1)]
        for unit in UNITS:
            rows += [
                row(f"{session}-{unit}-{k}", session, "sample", unit, str(k)) for k in (1, 2, 3)
            ]
    return rows


def row(scan: str, session: str, role: str, unit: str = "", number: str = "") -> dict[str, str]:
    """Return one row of the scan sheet."""
    file, note = f"raw/{scan}.txt", ""
    if scan == OUTLIER:
        file, note = HOSTILE_FILE, HOSTILE
    if scan == "day0-p2-1":
        file, note = NAMED_FILE, "sprayed with CHELATE an hour ago"
    return {
        "scan": scan,
        "file": file,
        "role": role,
        "session": session,
        "unit": unit,
        "leaf": number,
        "replicate": "1" if number else "",
        "note": note,
    }


def make(folder: Path) -> Path:
    """Write the study and the tables that its run would leave."""
    (folder / "raw").mkdir(parents=True)
    (folder / "study.yaml").write_text(_STUDY)
    units = pd.DataFrame({"unit": list(UNITS), "treatment": list(UNITS.values())})
    units.to_csv(folder / "units.csv", index=False)
    rows = scan_rows()
    pd.DataFrame(rows).to_csv(folder / "scans.csv", index=False)
    for one in rows:
        (folder / one["file"]).write_text("counts")
    for session in SESSIONS:
        _measured(folder / "results", session, [r for r in rows if r["session"] == session])
    _study_tables(folder / "results", [r for r in rows if r["role"] == "sample"])
    return folder


def _measured(results: Path, session: str, rows: list[dict[str, str]]) -> None:
    counts = [_counts(one) for one in rows]
    names = pa.table({"scan": [one["scan"] for one in rows]})
    write_spectra(
        results / f"scans/{session}.parquet", names, AXIS, {"counts": np.array(counts)}, {}
    )
    leaves = [one for one in rows if one["role"] == "sample"]
    values = [leaf(0.12 if one["scan"] == OUTLIER else 0.01 * int(one["leaf"])) for one in leaves]
    write_spectra(
        results / f"reflectance/{session}.parquet",
        pa.table({"scan": [one["scan"] for one in leaves]}),
        AXIS,
        {"reflectance": np.array(values)},
        {},
    )
    flags = {
        "day0": [Flag("day0-white-2", "reference_drift", "fault", 0.1, 0.03, "1", "fell by 10 %")],
        "day12": [
            Flag(OUTLIER, "replicates", "outlier", 6.1, 4.5, "1", SENTENCE, 700.0),
            Flag("day12-p1-1", "room_light", "notice", 1.0, 2.0, "1", "a line of a lamp, faint"),
        ],
    }[session]
    write_parquet(results / f"quality/{session}.parquet", flag_table(flags), {}, ["scan"])


def _counts(one: dict[str, str]) -> np.ndarray:
    level = {"dark": 1000.0, "white": 40000.0}.get(one["role"], 20000.0)
    fallen = 0.9 if one["scan"] == "day0-white-2" else 1.0
    return level * fallen + 5 * np.sin(AXIS / 40)


def _study_tables(results: Path, leaves: list[dict[str, str]]) -> None:
    accepted = pd.DataFrame([{**one, "accepted": True} for one in leaves])[list(ACCEPTED)]
    write_csv(results / "accepted.csv", accepted, ACCEPTED)
    out = [(OUTLIER, "replicates", "exclude", "keep", SENTENCE, "", "")]
    write_csv(results / "exclusions.csv", pd.DataFrame(out, columns=list(EXCLUSIONS)), EXCLUSIONS)
    write_json(results / "range.json", {"start_nm": 430.0, "stop_nm": 980.0})
    rows = [sensitivity("as_planned", 0.16), sensitivity("every_scan", 0.11)]
    write_csv(results / "sensitivity.csv", pd.DataFrame(rows), SENSITIVITY)
    write_csv(results / "effects.csv", pd.DataFrame([effect(0.16)]), EFFECTS)


def sensitivity(variant: str, estimate: float) -> dict[str, object]:
    """Return a row of sensitivity.csv."""
    return {
        **dict.fromkeys(SENSITIVITY, ""),
        "question": "difference_in_change",
        "index": "NDVI",
        "contrast": "(day12-day0)@chelate-water",
        "method": "welch_t",
        "variant": variant,
        "estimate": estimate,
        "ci_low": estimate - 0.05,
        "ci_high": estimate + 0.05,
        "ci_level": 0.95,
        "unit": "1",
        "n_units": 4,
        "n_units_reference": 4,
        "p": 0.004,
        "p_holm": 0.004,
        "verdict": "significant",
        "same_conclusion": True,
    }


def asked(scan: str, action: str, reason: str) -> DecisionRequest:
    """Return a decision on a scan about which none was seen."""
    return DecisionRequest(scan, action, reason, None)


def effect(estimate: float) -> dict[str, object]:
    """Return the primary row of effects.csv."""
    planned = sensitivity("as_planned", estimate)
    told = {name: value for name, value in planned.items() if name in EFFECTS}
    sizes = {"effect_size": 2.1, "effect_size_name": "hedges_g"}
    return {**dict.fromkeys(EFFECTS, ""), **told, **sizes, "primary": True}
