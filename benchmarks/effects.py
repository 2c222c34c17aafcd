"""Time and memory of the rule ``effects``: 50 indices, 4 sessions, 24 plants, 9,999 permutations.

Run with the threads that a run uses: ``OPENBLAS_NUM_THREADS=1 python benchmarks/effects.py``.
Bounds, checked at the end: 20 s of processor time, 500 MB.
"""

from __future__ import annotations

import json
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from leafledger.effects import stage, unit_means_stage
from leafledger.records.record import Job
from leafledger.study.definition import Effects
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra
from leafledger.study.tables import ACCEPTED, EXCLUSIONS, written_by

SESSIONS = {"day0": "before", "day4": "after", "day8": "after", "day12": "after"}
N_INDICES, N_PLANTS, N_LEAVES = 50, 24, 3
METHODS = [
    *("paired_t", "signed_rank", "sign_flip", "linear_model", "linear_model_equal"),
    *("welch_t", "label_permutation", "ancova"),
    *("summary_mean", "summary_slope", "summary_area"),
    *("mixed_model", "mixed_model_slope", "mixed_model_unstructured"),
]


def scans() -> pd.DataFrame:
    rows = [
        (f"{s}-p{p:02d}-{leaf}", s, f"p{p:02d}", str(leaf), "1", True)
        for s in SESSIONS
        for p in range(1, N_PLANTS + 1)
        for leaf in range(1, N_LEAVES + 1)
    ]
    return pd.DataFrame(rows, columns=list(ACCEPTED))


def inputs(folder: Path) -> dict[str, Path]:
    """Write what the rule reads, as the rules before it would."""
    rng = np.random.default_rng(1)
    names = [f"I{k:02d}" for k in range(N_INDICES)]
    table, axis = scans(), np.arange(430.0, 976.0)
    write_csv(folder / "accepted.csv", table, ACCEPTED)
    write_csv(folder / "exclusions.csv", pd.DataFrame(columns=list(EXCLUSIONS)), EXCLUSIONS)
    write_json(folder / "range.json", {"start_nm": 430.0, "stop_nm": 975.0})
    write_json(folder / "catalogue.json", {"indices": [{"index": n, "unit": "1"} for n in names]})
    write_json(folder / "passed.json", {"passed": True})
    found = {n: folder / f"{n}.csv" for n in ("accepted", "exclusions")}
    found |= {n: folder / f"{n}.json" for n in ("range", "catalogue", "passed")}
    plant = rng.normal(0, 0.3, (N_PLANTS, N_INDICES))
    for session in SESSIONS:
        here = table[table["session"] == session]
        rows = [int(unit[1:]) - 1 for unit in here["unit"]]
        values = 2.0 + plant[rows] + rng.normal(0, 0.1, (len(here), N_INDICES))
        long = {
            "scan": np.repeat(here["scan"].to_numpy(), N_INDICES).tolist(),
            "index": names * len(here),
            "value": values.ravel(),
            "u_scan": np.full(values.size, 0.02),
            "u_reference": np.full(values.size, 0.01),
            "u_panel": np.full(values.size, 0.005),
            "status": ["ok"] * values.size,
        }
        found[f"indices/{session}"] = folder / f"indices.{session}.parquet"
        write_parquet(found[f"indices/{session}"], pa.table(long), {}, keys=("scan", "index"))
        found[f"reflectance/{session}"] = folder / f"reflectance.{session}.parquet"
        spectra = 0.2 + 0.01 * rng.normal(size=(len(here), len(axis)))
        write_spectra(
            found[f"reflectance/{session}"],
            pa.table({"scan": here["scan"].tolist()}),
            axis,
            {"reflectance": spectra},
            {},
        )
    return found


def settings() -> dict[str, object]:
    units = {
        f"p{p:02d}": {
            "treatment": ["chelate", "water"][p % 2],
            "block": "AB"[(p // 2) % 2],
            "cultivar": "KL"[(p // 4) % 2],
        }
        for p in range(1, N_PLANTS + 1)
    }
    effects = Effects.model_validate(
        {
            "primary": {"index": "I00", "session": "day12"},
            "methods": METHODS,
            "margin": {"I01": 0.1},
            "strata": "cultivar",
        }
    )
    design = {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "block": "block",
        "factors": ["cultivar"],
        "sessions": [
            {"session": s, "date": f"2026-05-{4 + 4 * i:02d}", "phase": phase}
            for i, (s, phase) in enumerate(SESSIONS.items())
        ],
    }
    return {"design": design, "effects": effects.model_dump(mode="json"), "units": units}


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found = inputs(folder)
        places = {
            r.scan: {"session": r.session, "unit": r.unit, "leaf": r.leaf}
            for r in scans().itertuples()
        }
        means = folder / "unit_indices.csv"
        outputs = {r.role: folder / r.path for r in written_by("effects")}
        unit_means_stage.run(
            Job("unit_means", None, {"scans": places}, found, {"unit_indices": means}, folder)
        )
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        started, used = time.perf_counter(), time.process_time()
        job = Job("effects", None, settings(), {**found, "unit_indices": means}, outputs, folder)
        stage.run(job)
        told = {
            "seconds": round(time.perf_counter() - started, 2),
            "processor_seconds": round(time.process_time() - used, 2),
            "rows": len(pd.read_csv(outputs["effects"])),
            "peak_megabytes": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
            "megabytes_before": round(before / 1024),
        }
    print(json.dumps(told))
    within = told["processor_seconds"] <= 20 and told["peak_megabytes"] <= 500
    if not within:
        raise SystemExit("over the bounds of 20 s of processor time or 500 MB")


if __name__ == "__main__":
    main()
