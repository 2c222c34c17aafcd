"""Small invented studies, written to disk as the stages before would write them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.effects import stage, unit_means
from leafledger.records.record import Job
from leafledger.study.table_files import (
    read_csv,
    read_json,
    write_csv,
    write_json,
    write_parquet,
    write_spectra,
)
from leafledger.study.tables import ACCEPTED, EXCLUSIONS, written_by

Rows = list[dict[str, Any]]

SETTINGS: dict[str, Any] = {
    "primary": {"index": "NDVI", "question": "difference_in_change", "session": None},
    "alpha": 0.05,
    "interval": 0.95,
    "methods": ["paired_t", "signed_rank", "sign_flip", "welch_t", "label_permutation"],
    "margin": {"WI": 0.1},
    "n_draws": 499,
    "seed": 3,
}


EVERY_METHOD = [
    *("paired_t", "signed_rank", "sign_flip", "welch_t", "label_permutation", "ancova"),
    *("summary_mean", "summary_slope", "summary_area"),
    *("mixed_model", "mixed_model_slope", "mixed_model_unstructured"),
]


def design(sessions: Mapping[str, str], **changes: Any) -> dict[str, Any]:
    base = {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "block": None,
        "factors": [],
        "sessions": [{"session": s, "date": None, "phase": p} for s, p in sessions.items()],
    }
    return {**base, **changes}


class SmallStudy:
    """Readings per scan and what the study says of units; edit, then run."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sessions = {"day0": "before", "day4": "after", "day8": "after"}
        self.units: dict[str, dict[str, str]] = {}
        self.rows: Rows = []
        self.settings = {**SETTINGS}
        self.design: dict[str, Any] = {}
        self.indices = {"NDVI": "1", "WI": "1", "REP": "nm"}
        self.axis = np.arange(500.0, 520.0)
        self.shuffle: int | None = None
        self.instrument: Callable[[dict[str, Any]], str] | None = None

    def grow(self, n: int = 6, effect: float = 0.5, seed: int = 1, blocks: bool = False) -> None:
        """Fill with ``n`` plants per treatment, 2 leaves each, one scan per leaf."""
        rng = np.random.default_rng(seed)
        for i in range(2 * n):
            unit = f"p{i + 1:02d}"
            level = "chelate" if i % 2 == 0 else "water"
            self.units[unit] = {"treatment": level, "block": "AB"[(i // 2) % 2]}
            base = rng.normal(0, 0.3, 3)
            for step, session in enumerate(self.sessions):
                for leaf in "12":
                    rise = effect * step if level == "chelate" else 0.0
                    noise = rng.normal(0, 0.1, 3)
                    values = np.array([2.0 + rise, 1.0, 710.0 + rise]) + base + noise
                    self.rows.append(
                        {
                            "scan": f"{session}-{unit}-{leaf}",
                            "session": session,
                            "unit": unit,
                            "leaf": leaf,
                            "accepted": True,
                            "values": dict(zip(self.indices, values.tolist(), strict=True)),
                        }
                    )
        self.design = design(self.sessions, block="block" if blocks else None)

    def ask_everything(self) -> None:
        """Ask for every method, within two cultivars too, with dates a week apart."""
        for i, columns in enumerate(self.units.values()):
            columns["cultivar"] = "KL"[(i // 4) % 2]
        for i, session in enumerate(self.design["sessions"]):
            session["date"] = f"2026-05-{4 + 7 * i:02d}"
        self.settings = {**self.settings, "methods": EVERY_METHOD, "strata": "cultivar"}

    def table(self, name: str) -> pd.DataFrame:
        path = self.folder / "results" / f"{name}.csv"
        return read_csv(path)

    def run(self) -> tuple[pd.DataFrame, dict[str, Any], pd.DataFrame]:
        """Run both rules and return effects.csv, effects.json and spectrum_effects.csv."""
        inputs = self._write()
        out = self.folder / "results"
        unit_means.run(
            Job(
                "unit_means",
                None,
                {
                    "scans": {
                        r["scan"]: {k: r[k] for k in ("session", "unit", "leaf")} for r in self.rows
                    }
                },
                inputs,
                {"unit_indices": out / "unit_indices.csv"},
                self.folder,
            )
        )
        self.outcome = stage.run_effects(
            Job(
                "effects",
                None,
                {
                    "design": self.design,
                    "effects": self.settings,
                    "units": self.units,
                    **self._instruments(),
                },
                {**inputs, "unit_indices": out / "unit_indices.csv"},
                {r.role: out / r.path for r in written_by("effects")},
                self.folder,
            )
        )
        return (
            read_csv(out / "effects.csv"),
            read_json(out / "effects.json"),
            read_csv(out / "spectrum_effects.csv"),
        )

    def _instruments(self) -> dict[str, Any]:
        """Return what the rule is told of instruments: nothing where the sheet names none."""
        if self.instrument is None:
            return {}
        return {
            "scans": {
                r["scan"]: {
                    "session": r["session"],
                    "unit": r["unit"],
                    "instrument": self.instrument(r),
                }
                for r in self.rows
            }
        }

    def unit_indices(self) -> pd.DataFrame:
        return read_csv(self.folder / "results" / "unit_indices.csv")

    def _write(self) -> dict[str, Path]:
        folder = self.folder
        rows = list(self.rows)
        if self.shuffle is not None:
            order = np.random.default_rng(self.shuffle).permutation(len(rows))
            rows = [rows[i] for i in order]
        accepted = pd.DataFrame(rows).drop(columns="values").assign(replicate="")
        write_csv(folder / "accepted.csv", accepted, ACCEPTED)
        out = [r["scan"] for r in rows if not r["accepted"]]
        exclusions = pd.DataFrame(
            [(scan, "saturated", "exclude", "exclude", "", "", "") for scan in out],
            columns=list(EXCLUSIONS),
        )
        write_csv(folder / "exclusions.csv", exclusions, EXCLUSIONS)
        write_json(folder / "range.json", {"start_nm": 502.0, "stop_nm": 515.0})
        catalogue = [{"index": name, "unit": unit} for name, unit in self.indices.items()]
        write_json(folder / "catalogue.json", {"indices": catalogue})
        write_json(folder / "passed.json", {"passed": True})
        inputs = {
            name: folder / f"{name}.{kind}"
            for name, kind in (
                ("accepted", "csv"),
                ("exclusions", "csv"),
                ("range", "json"),
                ("catalogue", "json"),
                ("passed", "json"),
            )
        }
        for session in dict.fromkeys(r["session"] for r in self.rows):
            here = [r for r in rows if r["session"] == session]
            inputs[f"indices/{session}"] = folder / f"indices.{session}.parquet"
            inputs[f"reflectance/{session}"] = folder / f"reflectance.{session}.parquet"
            _indices(inputs[f"indices/{session}"], here)
            first = np.array([next(iter(r["values"].values())) for r in here])
            shape = np.linspace(0.05, 0.2, len(self.axis))
            write_spectra(
                inputs[f"reflectance/{session}"],
                pa.table({"scan": [r["scan"] for r in here]}),
                self.axis,
                {"reflectance": first[:, None] * shape},
                {},
            )
        return inputs


def _indices(path: Path, rows: Rows) -> None:
    long = [
        {
            "scan": r["scan"],
            "index": index,
            "value": value,
            "u_scan": 0.02,
            "u_reference": 0.01,
            "u_panel": 0.0,
            "status": "undefined" if value is None else "ok",
        }
        for r in rows
        for index, value in r["values"].items()
    ]
    write_parquet(path, pa.Table.from_pylist(long), {}, keys=("scan", "index"))


@pytest.fixture
def small_study(tmp_path: Path) -> SmallStudy:
    study = SmallStudy(tmp_path)
    study.grow()
    return study


@pytest.fixture
def new_study(tmp_path: Path) -> Callable[[str], SmallStudy]:
    return lambda name: SmallStudy(tmp_path / name)
