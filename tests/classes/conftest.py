"""A small study on disk, and a made-up world of leaves that differ between plants."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.records.record import Job
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra
from leafledger.study.tables import ACCEPTED

SESSIONS = [
    {"session": "day0", "date": None, "phase": "before"},
    {"session": "day4", "date": None, "phase": "after"},
    {"session": "day8", "date": None, "phase": "after"},
]
CLASSES = {
    "target": "cultivar",
    "sessions": "after",
    "split": "unit",
    "max_components": 6,
    "preprocessing": ["none"],
    "decision": "largest_membership",
    "weights": "equal",
    "margin": 0.05,
    "folds": {"outer": 4, "repeats": 2},
    "n_permutations": 19,
    "seed": 20260505,
}
OUTPUTS = {
    "path": "path.csv",
    "predictions": "predictions.csv",
    "confusion": "confusion.csv",
    "terms": "spectra_terms.parquet",
    "permutation": "permutation.csv",
    "reliability": "reliability.csv",
    "per_class": "per_class.csv",
    "confused_pairs": "confused_pairs.csv",
    "summary": "summary.json",
    "model": "model.skops",
    "model_card": "model.json",
}
RIVAL_OUTPUTS = {
    "rivals": "rivals.csv",
    "comparison": "comparison.csv",
}
CONTROL_OUTPUTS = {"questions": "questions.csv"}


def leaves(
    labels: np.ndarray, n_leaves: int, n_wavelengths: int, gap: float, rng: np.random.Generator
) -> np.ndarray:
    """Return spectra whose plants differ by smooth shapes of their own and classes by ``gap``."""
    x = np.linspace(0, 1, n_wavelengths)
    shapes = np.stack([np.sin((k + 1) * np.pi * x) for k in range(6)])
    centres = np.random.default_rng(1).normal(size=(int(labels.max()) + 1, 6))
    plants = gap * centres[labels] + rng.normal(size=(len(labels), 6))
    scores = np.repeat(plants, n_leaves, axis=0)
    scores = scores + 0.3 * rng.normal(size=scores.shape)
    noise = 0.002 * rng.normal(size=(len(scores), n_wavelengths))
    return 0.4 + 0.02 * scores @ shapes + noise


@pytest.fixture
def make_job(tmp_path: Path) -> Callable[..., Job]:
    """Return a function that writes a study of 12 plants (or as told) and gives its job."""

    def make(
        *,
        classes: dict[str, Any] | None = None,
        design: dict[str, Any] | None = None,
        units: dict[str, dict[str, str]] | None = None,
        gap: float = 3.0,
        n_wavelengths: int = 40,
        rule: str = "classes",
        excluded: Callable[[str], bool] = lambda scan: False,
        shift: dict[str, float] | None = None,
        folder: str = "study",
    ) -> Job:
        root = tmp_path / folder
        units = units or default_units()
        ids = sorted(units)
        cultivars = sorted({row.get("cultivar", "") for row in units.values()})
        labels = np.array([cultivars.index(units[u].get("cultivar", "")) for u in ids])
        rng = np.random.default_rng(5)
        wavelength = np.linspace(450, 900, n_wavelengths)
        inputs, accepted = {}, []
        for row in SESSIONS:
            session = row["session"]
            scans = [f"{session}-{u}-{leaf}" for u in ids for leaf in (1, 2)]
            spectra = leaves(labels, 2, n_wavelengths, gap, rng)
            for unit, by in (shift or {}).items():
                spectra[[f"-{unit}-" in scan for scan in scans]] += by
            path = root / f"results/reflectance/{session}.parquet"
            write_spectra(path, pa.table({"scan": scans}), wavelength, {"reflectance": spectra}, {})
            inputs[f"reflectance/{session}"] = path
            inputs[f"indices/{session}"] = write_indices(root, session, scans, spectra)
            accepted += [
                (scan, session, scan.split("-")[1], scan[-1], "1", not excluded(scan))
                for scan in scans
            ]
        inputs["accepted"] = root / "results/accepted.csv"
        frame = pd.DataFrame(accepted, columns=list(ACCEPTED)).sort_values("scan")
        write_csv(inputs["accepted"], frame, ACCEPTED)
        inputs["range"] = root / "results/range.json"
        write_json(inputs["range"], {"start_nm": 460.0, "stop_nm": 890.0, "rule": "stated"})
        inputs["passed"] = root / "results/validation/passed.json"
        write_json(inputs["passed"], {"passed": True})
        settings = {
            "design": {
                "unit": "plant",
                "treatment": "treatment",
                "control": "water",
                "block": "block",
                "factors": ["cultivar"],
                "sessions": SESSIONS,
                **(design or {}),
            },
            "classes": {**CLASSES, **(classes or {})},
            "units": units,
        }
        names = {"classes": OUTPUTS, "rivals": RIVAL_OUTPUTS, "negative_controls": CONTROL_OUTPUTS}[
            rule
        ]
        outputs = {role: root / "results/classes" / name for role, name in names.items()}
        return Job(rule, None, settings, inputs, outputs, root)

    return make


def default_units() -> dict[str, dict[str, str]]:
    """Return 12 plants: three cultivars, two treatments in two blocks."""
    return {
        f"p{i + 1:02d}": {
            "treatment": ("chelate", "water")[i % 2],
            "block": "AB"[i // 6],
            "cultivar": ("Heron", "Kestrel", "Plover")[i % 3],
        }
        for i in range(12)
    }


def write_indices(root: Path, session: str, scans: list[str], spectra: np.ndarray) -> Path:
    """Write two indices with a value everywhere and one without."""
    values = {
        "NDVI": spectra[:, 30] - spectra[:, 10],
        "PRI": spectra[:, 20],
        "WI": np.full(len(scans), np.nan),
    }
    rows = [
        (scan, name, float(column[i]))
        for i, scan in enumerate(scans)
        for name, column in values.items()
    ]
    table = pa.table(
        {
            "scan": [row[0] for row in rows],
            "index": [row[1] for row in rows],
            "value": pa.array([None if np.isnan(row[2]) else row[2] for row in rows], pa.float64()),
        }
    )
    path = root / f"results/indices/{session}.parquet"
    write_parquet(path, table, {}, ("scan", "index"))
    return path
