"""Simulated leaves (PROSPECT-D) and sessions of raw counts with planted faults, for these tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import prosail
import pyarrow as pa
from numpy.typing import NDArray
from scipy.stats import norm

from leafledger.records.record import Job
from leafledger.study.table_files import write_json, write_spectra

Floats = NDArray[np.float64]
MODEL_NM = np.arange(400.0, 2501.0)


def leaf(axis: Floats, chlorophyll: float, rng: np.random.Generator) -> Floats:
    """Return the reflectance of one leaf (model PROSPECT-D, package prosail)."""
    out = prosail.run_prospect(
        rng.normal(1.5, 0.04),
        chlorophyll,
        2 + 0.19 * chlorophyll,
        0.0,
        rng.normal(0.0115, 0.0007),
        rng.normal(0.0042, 0.0003),
        ant=max(rng.normal(1.2, 0.25), 0),
    )
    return np.interp(axis, MODEL_NM, out[1])


def any_leaves(axis: Floats, n: int, rng: np.random.Generator) -> Floats:
    """Return leaves from pale to dark, thin to thick, green to red."""
    rows = []
    for _ in range(n):
        chlorophyll = rng.uniform(3, 60)
        out = prosail.run_prospect(
            rng.uniform(1.2, 2.2),
            chlorophyll,
            2 + 0.19 * chlorophyll,
            0.0,
            rng.uniform(0.005, 0.02),
            rng.uniform(0.002, 0.01),
            ant=rng.uniform(0, 6),
        )
        rows.append(np.interp(axis, MODEL_NM, out[1]))
    return np.array(rows)


MERCURY = {404.6565: 0.8, 435.8335: 2.0, 546.075: 1.0, 576.961: 0.25, 579.067: 0.25}
"""Air wavelengths (nm): Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77. Strengths ours."""
TRI_BAND = {
    404.6565: 0.1, 435.8335: 0.3, 487.7: 0.1, 489.0: 0.1, 542.4: 0.5, 544.0: 0.1, 546.075: 0.45,
    587.0: 0.08, 593.0: 0.05, 599.0: 0.05, 611.6: 0.6, 631.0: 0.05, 708.0: 0.06,
}  # fmt: skip
"""The same with terbium and europium bands (positions: common practice, no source)."""


def lamp(axis: Floats, lines: dict[float, float], fwhm_nm: float) -> Floats:
    """Return line spectra as pixels read them: the mean over each pixel of an even axis.

    The same light on every axis: 1 is the strongest line from 500 nm up as a resolution of
    ``fwhm_nm`` shows it before the pixels.
    """
    sigma = fwhm_nm / np.sqrt(8 * np.log(2))
    half = float(np.median(np.diff(axis))) / 2
    edges = (np.append(axis - half, axis[-1] + half)[:, None] - [*lines]) / sigma
    area = np.diff(norm.cdf(edges), axis=0) * sigma * np.sqrt(2 * np.pi) / (2 * half)
    fine = np.arange(500.0, 700.0, 0.01)[:, None]
    seen = np.exp(-0.5 * ((fine - [*lines]) / sigma) ** 2)
    strength = np.array([*lines.values()])
    return np.asarray(area @ strength / (seen @ strength).max())


class Simulated:
    """One session: raw counts, and reflectance by plain division."""

    def __init__(self, seed: int, n_units: int = 8, session: str = "day0") -> None:
        rng = np.random.default_rng(seed)
        self.axis = np.arange(390.0, 1010.0, 1.0)
        self.session = session
        x = self.axis
        lit = np.exp(-(((x - 690) / 190) ** 2)) + 0.004
        self.rows: list[dict[str, Any]] = []
        self.counts: list[Floats] = []
        self.places: dict[str, dict[str, str]] = {}
        self.indices: list[dict[str, str]] = []
        self.rng, self.lit, self.minutes = rng, lit, 0.0
        self.references("r1")
        for k in range(n_units):
            base = rng.normal(25, 4)
            for position in ("1", "2", "3"):
                value = leaf(x, max(base + rng.normal(0, 1.5), 4), rng)
                name = f"{session}-p{k:02d}-{position}"
                self.add(name, "sample", 18.0, value)
                self.places[name] = {"unit": f"p{k:02d}", "leaf": position, "replicate": "1"}
            if k % 3 == 2:
                self.references(f"r{k}")
        self.references("rz")

    def references(self, name: str) -> None:
        for ms in (12.0, 18.0):
            self.add(f"{self.session}-{name}-d{ms:.0f}", "dark", ms, None)
        for k in "abc":
            self.add(f"{self.session}-{name}-w{k}", "white", 12.0, np.full(len(self.axis), 0.985))

    def add(self, name: str, role: str, ms: float, value: Floats | None) -> None:
        dark = 900 + 4.0 * ms
        electrons = 0.0 if value is None else 50_000 * ms / 12 * self.lit * value * 10
        noise = np.sqrt(np.asarray(electrons) + 10 * 20.0**2 + 0 * self.axis)
        light = (electrons + self.rng.normal(size=len(self.axis)) * noise) / 10
        self.counts.append(np.round(dark + light))
        self.minutes += 0.5
        self.rows.append({"scan": name, "role": role, "ms": ms, "minutes": self.minutes})

    def at(self, scan: str) -> int:
        return next(k for k, row in enumerate(self.rows) if row["scan"] == scan)

    def reflectance(self) -> tuple[list[str], Floats, Floats]:
        """Return ids, reflectance and u_scan of the leaves, with medians of all references."""
        counts = np.array(self.counts)
        role = np.array([row["role"] for row in self.rows])
        ms = np.array([row["ms"] for row in self.rows])
        dark = {t: np.median(counts[(role == "dark") & (ms == t)], axis=0) for t in (12.0, 18.0)}
        white = np.median(counts[role == "white"], axis=0) - dark[12.0]
        at = np.flatnonzero(role == "sample")
        signal = counts[at] - dark[18.0]
        scale = 0.985 * 12 / 18 / np.maximum(white, 1)
        u = np.sqrt(np.maximum(signal, 0) / 10 + 40.0) * scale
        return [self.rows[k]["scan"] for k in at], signal * scale, u

    def job(
        self, folder: Path, *, full_scale: float | None = 65535.0, known: bool = True, **checks: Any
    ) -> Job:
        """Write the tables and return the job of the rule `quality`."""
        ids, value, u = self.reflectance()
        n = len(self.rows)
        order = list(range(n))
        table = pa.table(
            {
                "scan": [row["scan"] for row in self.rows],
                "role": pa.array([row["role"] for row in self.rows]).dictionary_encode(),
                "file": [f"raw/{row['scan']}.txt" for row in self.rows],
                "item": [""] * n,
                "file_sha256": ["0" * 64] * n,
                "order": pa.array(order, pa.int32()),
                "time": pa.array(
                    [int(1_777_888_000_000 + 60_000 * row["minutes"]) for row in self.rows],
                    pa.int64(),
                ).cast(pa.timestamp("ms")),
                "integration_ms": [row["ms"] for row in self.rows],
                "averages": pa.array([10] * n, pa.int32()),
            }
        )
        paths = {
            "scans": folder / f"results/scans/{self.session}.parquet",
            "reflectance": folder / f"results/reflectance/{self.session}.parquet",
        }
        told = {"quantity": "counts", "full_scale_counts": full_scale}
        write_spectra(paths["scans"], table, self.axis, {"counts": np.array(self.counts)}, told)
        paths["visible_indices"] = folder / "results/indices/visible.json"
        write_json(paths["visible_indices"], {"indices": self.indices})
        white = next(row["scan"] for row in self.rows if row["role"] == "white")
        ms = next(row["ms"] for row in self.rows if row["role"] == "sample")
        dark = next(r["scan"] for r in self.rows if r["role"] == "dark" and r["ms"] == ms)
        inside = (self.axis >= 400) & (self.axis <= 1000)
        rows = pa.table(
            {
                "scan": ids,
                "reference": ["w1-d1"] * len(ids),
                "white_before": [white] * len(ids),
                "white_after": [""] * len(ids),
                "dark_before": [dark] * len(ids),
                "dark_after": [""] * len(ids),
                "white_after_weight": pa.array([None] * len(ids), pa.float64()),
            }
        )
        spectra = {
            "reflectance": value[:, inside],
            "u_scan": u[:, inside],
            "u_reference": 0.3 * u[:, inside],
        }
        meta = {
            "panel_u_relative": 0.005,
            "full_scale_counts": full_scale,
            "has_references": True,
            "u": "known" if known else "unknown",
            "smoothing": None,
        }
        write_spectra(paths["reflectance"], rows, self.axis[inside], spectra, meta)
        settings = {
            "checks": {
                "saturated_share": 0.0,
                "low_signal_to_noise": 20.0,
                "replicate_distance": 4.5,
                "lamp_lines": True,
                "ambient_share": 0.005,
                "reference_drift": 0.03,
                **checks,
            },
            "scans": self.places,
        }
        outputs = {
            "quality": folder / f"results/quality/{self.session}.parquet",
            "signal": folder / f"results/quality/{self.session}.signal.parquet",
            "levels": folder / f"results/quality/{self.session}.levels.parquet",
        }
        return Job("quality", self.session, settings, paths, outputs, folder)
