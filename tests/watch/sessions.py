"""Simulated sessions as a watch meets them, and what a run says of the whole session."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from leafledger.quality.stage import run as run_quality
from leafledger.records.record import Job
from leafledger.reflectance.stage import run as run_reflectance
from leafledger.study.definition import Definition
from leafledger.study.table_files import read_parquet, write_json, write_spectra
from leafledger.watch.saved_files import text_of
from leafledger.watch.scan_checks import MeasuredScan, ScanChecks, StudySettings
from quality.simulated import Simulated

DEFINITION = Definition.model_validate(
    {
        "version": "1",
        "title": "a simulated session",
        "design": {"unit": "plant", "treatment": "treatment", "control": "a"},
        "instrument": {
            "full_scale_counts": 65535,
            "panel": {"reflectance": 0.985, "u_relative": 0.005},
        },
    }
)
START = dt.datetime(2026, 5, 4, 9, 0)


def settings() -> StudySettings:
    definition = DEFINITION
    return StudySettings(
        "day0",
        "counts",
        {
            "instrument": definition.instrument.model_dump(mode="json"),
            "reflectance": definition.reflectance.model_dump(mode="json"),
        },
        definition.quality.checks.model_dump(mode="json"),
    )


def measured(session: Simulated) -> list[MeasuredScan]:
    """Return the scans of a simulated session in the order of measuring."""
    out = []
    for row, counts in zip(session.rows, session.counts, strict=True):
        place = session.places.get(row["scan"], {"unit": "", "leaf": ""})
        out.append(
            MeasuredScan(
                row["scan"],
                row["role"],
                place["unit"],
                place["leaf"],
                f"raw/{row['scan']}.txt",
                "",
                "0" * 64,
                START + dt.timedelta(minutes=row["minutes"]),
                row["ms"],
                10,
                session.axis,
                counts,
            )
        )
    return out


def flags_of_a_run(scans: list[MeasuredScan], folder: Path) -> pd.DataFrame:
    """Return the table of the rule quality after reflectance, both by their stages and files."""
    n = len(scans)
    table = pa.table(
        {
            "scan": [s.scan for s in scans],
            "role": pa.array([s.role for s in scans]).dictionary_encode(),
            "file": [s.file for s in scans],
            "item": [""] * n,
            "file_sha256": ["0" * 64] * n,
            "order": pa.array(range(n), pa.int32()),
            "time": pa.array([s.time for s in scans], pa.timestamp("ms")),
            "integration_ms": [s.integration_ms for s in scans],
            "averages": pa.array([s.averages for s in scans], pa.int32()),
        }
    )
    paths: dict[str, Any] = {name: folder / f"{name}.parquet" for name in ("scans", "reflectance")}
    told = {"quantity": "counts", "full_scale_counts": None}
    counts = np.array([s.values for s in scans])
    write_spectra(paths["scans"], table, scans[0].wavelength_nm, {"counts": counts}, told)
    paths["visible_indices"] = folder / "visible.json"
    write_json(paths["visible_indices"], {"indices": []})
    one = settings()
    run_reflectance(
        Job("reflectance", "day0", one.reflectance, {"scans": paths["scans"]}, paths, folder)
    )
    places = {s.scan: {"unit": s.unit, "leaf": s.leaf} for s in scans if s.role == "sample"}
    outputs = {name: folder / f"q-{name}.parquet" for name in ("quality", "signal", "levels")}
    job = Job("quality", "day0", {"checks": one.checks, "scans": places}, paths, outputs, folder)
    run_quality(job)
    return read_parquet(outputs["quality"])


def judged_one_by_one(scans: list[MeasuredScan]) -> tuple[ScanChecks, dict[str, Any]]:
    """Return the checks after the last scan, and scan -> the verdict given when it came."""
    checks = ScanChecks(settings())
    at_once = {}
    for k in range(1, len(scans) + 1):
        new = scans[k - 1]
        checks.judge_new(scans[:k], new.scan)
        rest = {s.unit for s in scans[k:] if s.role == "sample"}
        at_once[new.scan] = checks.verdict(
            new.scan, complete=k == len(scans), unit_complete=new.unit not in rest
        )
    return checks, at_once


# --- a study on the disk --------------------------------------------------------------------------

STUDY = """\
version: 1
title: "Iron chelate on seedlings"
question: "Does chelate raise chlorophyll?"
design:
  unit: plant
  treatment: treatment
  control: water
  sessions:
    - {session: day0, date: 2026-05-04, phase: before}
intake: {sheet: scans.csv}
instrument: {full_scale_counts: 65535, panel: {reflectance: 0.985, u_relative: 0.005}}
"""
COLUMNS = "scan,file,role,session,unit,leaf,replicate,time,integration_ms,averages,note,omitted"


def make_study(folder: Path, session: Simulated, *, measured: bool) -> Path:
    """Write a study of one simulated session; planned, its files are still to come."""
    (folder / "raw/day0").mkdir(parents=True)
    (folder / "study.yaml").write_text(STUDY)
    units = sorted({place["unit"] for place in session.places.values()})
    treatments = [("chelate", "water")[k % 2] for k in range(len(units))]
    text = "".join(f"{u},{t}\n" for u, t in zip(units, treatments, strict=True))
    (folder / "units.csv").write_text("unit,treatment\n" + text)
    lines = [f"# by hand, {folder.name}", COLUMNS]
    for row, counts in zip(session.rows, session.counts, strict=True):
        place = session.places.get(row["scan"], {"unit": "", "leaf": "", "replicate": ""})
        time = START + dt.timedelta(minutes=row["minutes"])
        file = f"raw/day0/{row['scan']}.txt"
        cells = [row["scan"], file, row["role"], "day0", place["unit"], place["leaf"],
                 place["replicate"], time.isoformat() if measured else "",
                 f"{row['ms']:g}", "10", "", ""]  # fmt: skip
        lines.append(",".join(cells))
        if measured:
            (folder / file).write_bytes(text_of(session.axis, counts))
    (folder / "scans.csv").write_text("\n".join(lines) + "\n")
    return folder
