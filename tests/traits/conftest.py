"""Simulated leaves with a trait that their spectra follow, and a small study of them on disk."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.records.record import Job
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra
from leafledger.study.tables import ACCEPTED, names_of, written_by
from leafledger.traits.samples import TraitValues

WAVELENGTH_NM = np.linspace(450.0, 900.0, 91)
TRAITS: dict[str, Any] = {
    "targets": ["chlorophyll"],
    "preprocessing": ["none"],
    "max_components": "auto",
    "folds": {"outer": "auto", "repeats": "auto"},
    "interval": 0.95,
    "n_permutations": 19,
    "seed": 3,
}


@dataclass(frozen=True)
class Leaves:
    """Simulated leaves: what is measured, and what is true."""

    spectra: np.ndarray
    true: np.ndarray
    known: np.ndarray
    unit: np.ndarray


def simulated(
    n_units: int,
    n_leaves: int,
    rng: np.random.Generator,
    *,
    noise: float = 1.0,
    u: float = 0.5,
    plant: float = 1.0,
) -> Leaves:
    """Return leaves whose trait is a sum of latent scores; plants and leaves add chance.

    Parameters
    ----------
    noise
        Standard deviation of what the spectrum cannot know of a leaf's trait.
    u
        Standard uncertainty of the assay.
    plant
        Standard deviation of what it cannot know of a whole plant.
    """
    x = np.linspace(0, 1, len(WAVELENGTH_NM))
    shapes = np.stack([np.sin((k + 1) * np.pi * x) for k in range(4)])
    unit = np.repeat(np.arange(n_units), n_leaves)
    scores = rng.normal(size=(n_units, 4))[unit] + 0.5 * rng.normal(size=(len(unit), 4))
    spectra = 0.4 + 0.02 * scores @ shapes + 0.001 * rng.normal(size=(len(unit), len(x)))
    true = 30 + 4 * scores[:, 0] - 2 * scores[:, 2]
    true += noise * rng.normal(size=len(unit)) + plant * rng.normal(size=n_units)[unit]
    return Leaves(spectra, true, true + u * rng.normal(size=len(unit)), unit)


def known_of(leaves: Leaves, u: float = 0.5, day: np.ndarray | None = None) -> TraitValues:
    """Return simulated leaves as leaves with a known trait."""
    days = np.zeros(len(leaves.unit), dtype=int) if day is None else day
    names = [
        (f"p{unit:03d}", f"d{when}", str(row))
        for row, (unit, when) in enumerate(zip(leaves.unit, days, strict=True))
    ]
    return TraitValues(
        "chlorophyll", "ug/cm2", np.arange(len(names)), leaves.known,
        np.full(len(names), u), tuple(names), "assays",
    )  # fmt: skip


@pytest.fixture
def make_job(tmp_path: Path) -> Callable[..., Job]:
    """Return a function that writes a study of 24 plants in two sessions and gives its job.

    Twenty plants are assayed on the second day; every leaf was scanned twice.
    """

    def make(
        *,
        traits: dict[str, Any] | None = None,
        assayed: Callable[[str, str, str], bool] = lambda unit, day, leaf: (
            day == "d2" and leaf == "1" and unit <= "p20"
        ),
        value: Callable[[float], float] = lambda true: true,
        columns: dict[str, Any] | None = None,
        excluded: Callable[[str], bool] = lambda scan: False,
        with_assays: bool = True,
        folder: str = "study",
        change: Callable[[np.ndarray, list[str]], np.ndarray] = lambda spectra, scans: spectra,
    ) -> Job:
        root = tmp_path / folder
        rng = np.random.default_rng(11)
        units = [f"p{i + 1:02d}" for i in range(24)]
        inputs: dict[str, Path] = {}
        accepted, contents = [], []
        for day in ("d1", "d2"):
            leaves = simulated(24, 2, rng)
            names = [(unit, leaf) for unit in units for leaf in ("1", "2")]
            scans = [f"{day}-{unit}-{leaf}-{r}" for unit, leaf in names for r in (1, 2)]
            spectra = np.repeat(leaves.spectra, 2, axis=0)
            spectra = change(spectra + 0.0005 * rng.normal(size=spectra.shape), scans)
            path = root / f"results/reflectance/{day}.parquet"
            write_spectra(path, pa.table({"scan": scans}), WAVELENGTH_NM,
                          {"reflectance": spectra}, {})  # fmt: skip
            inputs[f"reflectance/{day}"] = path
            table = pa.table(
                {
                    "scan": scans * 2,
                    "index": ["GOOD"] * len(scans) + ["NOISE"] * len(scans),
                    "value": np.concatenate(
                        [np.repeat(leaves.true, 2) / 50, rng.normal(size=len(scans))]
                    ),
                    "status": ["ok"] * 2 * len(scans),
                }
            )
            inputs[f"indices/{day}"] = root / f"results/indices/{day}.parquet"
            write_parquet(inputs[f"indices/{day}"], table, {}, ("scan", "index"))
            accepted += [
                (scan, day, scan.split("-")[1], scan.split("-")[2], scan[-1], not excluded(scan))
                for scan in scans
            ]
            for row, (unit, leaf) in enumerate(names):
                if assayed(unit, day, leaf):
                    contents.append((unit, day, leaf, value(float(leaves.known[row]))))
        inputs["accepted"] = root / "results/accepted.csv"
        frame = pd.DataFrame(accepted, columns=list(ACCEPTED)).sort_values("scan")
        write_csv(inputs["accepted"], frame, ACCEPTED)
        inputs["range"] = root / "results/range.json"
        write_json(inputs["range"], {"start_nm": 460.0, "stop_nm": 890.0, "rule": "stated"})
        inputs["passed"] = root / "results/validation/passed.json"
        write_json(inputs["passed"], {"passed": True})
        if with_assays:
            inputs["pigment_contents"] = root / "results/pigments/contents.csv"
            rows = [
                {"row": i + 2, "unit": unit, "session": day, "leaf": leaf, "extract": "",
                 "quantity": "chlorophyll", "value": content, "u": 0.5, "unit_of_value": "ug/cm2",
                 "equation": "", "method": "", "used": True, "reason": "", "remark": ""}
                for i, (unit, day, leaf, content) in enumerate(contents)
            ]  # fmt: skip
            table = pd.DataFrame(rows, columns=list(names_of("pigment_contents")))
            write_csv(inputs["pigment_contents"], table, names_of("pigment_contents"))
        settings = {
            "traits": {**TRAITS, **(traits or {})},
            "design": {"unit": "plant"},
            "columns": {"units": {}, "scans": {}, **(columns or {})},
        }
        outputs = {one.role: root / f"results/{one.path}" for one in written_by("traits")}
        return Job("traits", None, settings, inputs, outputs, root)

    return make
