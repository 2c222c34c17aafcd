"""Sessions of counts with a known truth, for the tests of reflectance."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from leafledger.records.record import Job
from leafledger.reflectance.references import Scans
from leafledger.study.table_files import write_spectra

INSTRUMENT: dict[str, Any] = {
    "full_scale_counts": None,
    "gain_electrons_per_count": "estimate",
    "read_noise_counts": "estimate",
    "linearity": None,
    "panel": {"reflectance": 1.0, "u_relative": 0.0},
}
REFLECTANCE: dict[str, Any] = {
    "grid": "native",
    "references": "bracket",
    "dark": "per_integration_time",
    "stray_light": None,
    "smoothing": None,
}


@dataclass
class Bench:
    """Measures one scan after another; ``noise`` None gives exact counts."""

    wavelength_nm: np.ndarray = field(default_factory=lambda: np.linspace(400.0, 1000.0, 301))
    offset: float = 1200.0
    dark_rate: float = 20.0
    lamp: float = 3000.0
    drift_per_s: float = 0.0
    panel: float = 1.0
    electrons_per_count: float = 4.0
    read_counts: float = 6.0
    noise: np.random.Generator | None = None
    whole: bool = False
    rows: list[dict[str, Any]] = field(default_factory=list)
    counts: list[np.ndarray] = field(default_factory=list)

    def source(self, time_s: float) -> np.ndarray:
        shape = 0.2 + np.exp(-(((self.wavelength_nm - 680.0) / 180.0) ** 2))
        return self.lamp * shape * (1.0 + self.drift_per_s * time_s)

    def add(
        self,
        role: str,
        time_s: float,
        value: Any = 0.0,
        ms: float = 10.0,
        averages: int = 10,
        scan: str = "",
    ) -> str:
        """Measure a leaf of reflectance ``value``, the panel, or the dark; return the scan id."""
        light = {"sample": value, "white": self.panel, "dark": 0.0}.get(role, 0.5)
        signal = self.source(time_s) * light * ms
        dark = self.offset + self.dark_rate * ms
        counts = np.broadcast_to(dark + signal, self.wavelength_nm.shape).astype(float)
        if self.noise is not None:
            variance = signal / self.electrons_per_count + self.read_counts**2
            counts = counts + self.noise.normal(0, 1, counts.shape) * np.sqrt(variance / averages)
        if self.whole:
            counts = np.rint(counts)
        scan = scan or f"{role}-{len(self.rows)}"
        self.rows.append(
            {"scan": scan, "role": role, "time": time_s, "ms": ms, "averages": averages}
        )
        self.counts.append(counts)
        return scan

    def scans(self, **changes: Any) -> Scans:
        """Return the session as the arrays that the science works on."""
        column = {name: [row[name] for row in self.rows] for name in self.rows[0]}
        out = Scans(
            session="day0",
            scan=np.array(column["scan"]),
            role=np.array(column["role"]),
            file=np.array([f"raw/day0/{scan}.txt" for scan in column["scan"]]),
            time_s=np.array(column["time"], dtype=float),
            integration_ms=np.array(column["ms"], dtype=float),
            averages=np.array(column["averages"], dtype=float),
            counts=np.array(self.counts),
            wavelength_nm=self.wavelength_nm,
        )
        return replace(out, **changes)


def reordered(scans: Scans, order: np.ndarray) -> Scans:
    names = ("scan", "role", "file", "time_s", "integration_ms", "averages", "counts")
    return replace(scans, **{name: getattr(scans, name)[order] for name in names})


def job_of(
    folder: Path,
    scans: Scans,
    instrument: dict[str, Any] | None = None,
    settings: dict[str, Any] | None = None,
    quantity: str = "counts",
) -> Job:
    """Write the session as the scans table of the contract and return the stage's job."""

    def or_none(values: np.ndarray) -> list[Any]:
        return [None if np.isnan(v) else v for v in values]

    start = np.datetime64("2026-05-04T09:00:00", "ms")
    times = [
        None if np.isnan(t) else (start + np.timedelta64(round(t * 1000), "ms")).item()
        for t in scans.time_s
    ]
    n = len(scans.scan)
    averages = [None if np.isnan(v) else int(v) for v in scans.averages]
    rows = pa.table(
        {
            "scan": pa.array(scans.scan.tolist()),
            "role": pa.array(scans.role.tolist()).dictionary_encode(),
            "file": pa.array(scans.file.tolist()),
            "item": pa.array([""] * n),
            "file_sha256": pa.array(["0" * 64] * n),
            "order": pa.array(np.arange(n), pa.int32()),
            "time": pa.array(times, pa.timestamp("ms")),
            "integration_ms": pa.array(or_none(scans.integration_ms), pa.float64()),
            "averages": pa.array(averages, pa.int32()),
        }
    )
    path = folder / "results/scans/day0.parquet"
    write_spectra(
        path,
        rows,
        scans.wavelength_nm,
        {quantity: scans.counts},
        {"quantity": quantity, "full_scale_counts": scans.full_scale_counts},
    )
    return Job(
        rule="reflectance",
        session="day0",
        settings={
            "instrument": {**INSTRUMENT, **(instrument or {})},
            "reflectance": {**REFLECTANCE, **(settings or {})},
        },
        inputs={"scans": path},
        outputs={"reflectance": folder / "results/reflectance/day0.parquet"},
        folder=folder,
    )
