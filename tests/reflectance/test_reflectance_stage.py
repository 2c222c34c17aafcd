"""The stage as a whole: the table of the contract, its metadata, metrics and bytes."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from simulated_sessions import Bench, job_of

from leafledger.reflectance.stage import run
from leafledger.spectra.grid import savitzky_golay
from leafledger.study.table_files import SpectraTable, read_spectra
from leafledger.study.tables import REFLECTANCE

GRID = {"start_nm": 410.0, "stop_nm": 990.0, "step_nm": 1.0}


def session(n_leaves: int = 12, **changes: Any) -> Bench:
    bench = Bench(
        **{
            "noise": np.random.default_rng(7),
            "wavelength_nm": np.linspace(400.0, 1000.0, 1024),
            "whole": True,
            **changes,
        }
    )
    for time in range(3):
        bench.add("dark", float(time))
    time = 30.0
    for number in range(n_leaves):
        if number % 6 == 0:
            for repeat in range(3):
                bench.add("white", time + 5 * repeat)
            time += 30
        bench.add("sample", time, 0.05 + 0.02 * number)
        time += 20
    for repeat in range(3):
        bench.add("white", time + 5 * repeat)
    bench.add("check", time + 60)
    bench.add("ambient", time + 70)
    return bench


def result(folder: Path, bench: Bench, **job: Any) -> SpectraTable:
    task = job_of(folder, bench.scans(), **job)
    run(task)
    return read_spectra(task.outputs["reflectance"])


def test_table_and_metadata_follow_the_contract(tmp_path: Path) -> None:
    bench = session()
    panel = {"reflectance": 0.985, "u_relative": 0.005}
    instrument = {"panel": panel, "full_scale_counts": 65535.0}
    table = result(tmp_path, bench, instrument=instrument, settings={"grid": GRID})
    assert tuple(table.rows.columns) == REFLECTANCE
    samples = [row["scan"] for row in bench.rows if row["role"] == "sample"]
    assert table.rows["scan"].tolist() == samples
    assert dict(table.metadata) == {
        "panel_u_relative": 0.005,
        "full_scale_counts": 65535.0,
        "has_references": True,
        "u": "known",
        "smoothing": None,
        "unlit_nm": [],
        "hot_pixels": [],
        "hot_pixels_nm": [],
        "linearity_coefficients": [1.0],
        "shared_sources": ["u_dark", "u_drift"],
    }
    np.testing.assert_array_equal(table.wavelength_nm, np.arange(410.0, 991.0))
    expected = 0.985 * (0.05 + 0.02 * np.arange(12))
    np.testing.assert_allclose(table.spectra["reflectance"].mean(axis=1), expected, rtol=2e-3)
    assert (table.spectra["u_scan"] > 0).all()
    assert (table.spectra["u_reference"] > 0).all()
    schema = pq.read_schema(tmp_path / "results/reflectance/day0.parquet")
    assert schema.field("reflectance").type.list_size == 581


def test_metrics_follow_the_session(tmp_path: Path) -> None:
    outcome = run(job_of(tmp_path, session(48, drift_per_s=4e-6).scans()))
    metrics = {metric.name: metric for metric in outcome.metrics}
    assert {name: metrics[name].value for name in ("n_samples", "n_whites", "n_darks")} == {
        "n_samples": 48,
        "n_whites": 27,
        "n_darks": 3,
    }
    assert metrics["n_reference_sets"].value == 8
    assert metrics["gain"].value == pytest.approx(4.0, rel=0.03)
    assert metrics["gain"].unit == "electron/count"
    assert metrics["read_noise"].value == pytest.approx(6.0, rel=0.05)
    last = 1200 + 30 - 35.0
    assert metrics["white_drift"].value == pytest.approx(4e-6 * last, rel=0.1)
    assert outcome.warnings == []


def test_u_scan_is_the_scatter_of_repeats_after_resampling_and_smoothing(tmp_path: Path) -> None:
    """Not a formula but what the scans do: SD over 200 scans of one leaf, per wavelength."""
    bench = session(0)
    for number in range(200):
        bench.add("sample", 20.0 + 0.001 * number, 0.2)
    for name, smoothing in (("plain", None), ("smooth", {"window_nm": 15.0, "order": 2})):
        settings = {"grid": {**GRID, "step_nm": 3.0}, "smoothing": smoothing}
        table = result(tmp_path / name, bench, settings=settings)
        scatter = table.spectra["reflectance"].std(axis=0, ddof=1)
        assert np.median(scatter / table.spectra["u_scan"].mean(axis=0)) == pytest.approx(
            1.0, abs=0.03
        )


def test_reflectance_passes_through_grid_and_smoothing_only(tmp_path: Path) -> None:
    native = np.linspace(400.0, 1000.0, 1024)
    rng = np.random.default_rng(1)
    values = np.round(rng.uniform(0.1, 0.6, (3, 1024)), 3).astype(np.float32).astype(float)
    scans = replace(
        session(0).scans(),
        scan=np.array(["a", "b", "tile"]),
        role=np.array(["sample", "sample", "check"]),
        file=np.array(["raw/t.csv"] * 3),
        time_s=np.full(3, np.nan),
        integration_ms=np.full(3, np.nan),
        averages=np.full(3, np.nan),
        counts=values,
    )
    task = job_of(tmp_path, scans, settings={"grid": "native"}, quantity="reflectance")
    outcome = run(task)
    table = read_spectra(task.outputs["reflectance"])
    np.testing.assert_array_equal(table.spectra["reflectance"], values[:2])
    assert not table.spectra["u_scan"].any()
    assert not table.spectra["u_reference"].any()
    assert table.metadata["u"] == "unknown"
    assert table.metadata["has_references"] is False
    assert table.rows["reference"].tolist() == ["", ""]
    assert table.rows["white_after_weight"].isna().all()
    assert [(m.name, m.value) for m in outcome.metrics] == [("n_samples", 2.0)]
    settings = {"grid": GRID, "smoothing": {"window_nm": 11.0, "order": 2}}
    run(job_of(tmp_path, scans, settings=settings, quantity="reflectance"))
    smooth = read_spectra(task.outputs["reflectance"])
    grid = smooth.wavelength_nm
    expected = savitzky_golay(
        np.array([np.interp(grid, native, v) for v in values[:2]]), grid, 11.0, 2
    )
    # the grid's step is wider than the file's 0.59 nm: averaged, hence near but not equal
    off = smooth.spectra["reflectance"] - expected
    assert 0 < np.abs(off).max() < 0.12


def test_a_session_without_leaves_is_an_empty_table_and_said(tmp_path: Path) -> None:
    task = job_of(tmp_path, session(0).scans())
    outcome = run(task)
    assert outcome.warnings == ["Session day0 holds no leaf scan (role sample)."]
    assert len(read_spectra(task.outputs["reflectance"]).rows) == 0


def test_same_bytes_in_two_processes(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; sys.path.insert(0, sys.argv[2]);"
        "from test_reflectance_stage import session, job_of, GRID, run;"
        "run(job_of(Path(sys.argv[1]), session().scans(), settings={'grid': GRID}))"
    )
    written = []
    for seed in ("1", "2"):
        folder = tmp_path / seed
        here = str(Path(__file__).parent)
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        subprocess.run([sys.executable, "-c", code, str(folder), here], env=environment, check=True)
        written.append((folder / "results/reflectance/day0.parquet").read_bytes())
    assert written[0] == written[1]


def test_what_is_known_of_the_panel_stays_known_without_references(tmp_path: Path) -> None:
    """The uncertainty of the panel is that of the index as well, though nothing else is known."""
    scans = session(0).scans()
    sample = replace(scans, role=np.full(len(scans.role), "sample"), counts=scans.counts * 1e-5)
    smoothing = {"window_nm": 11.0, "order": 2}
    settings = {"grid": GRID, "smoothing": smoothing}
    panel = {"panel": {"reflectance": 0.98, "u_relative": 0.012}}
    for found, quantity in ((sample, "reflectance"), (scans, "counts")):
        task = job_of(tmp_path, found, instrument=panel, settings=settings, quantity=quantity)
        outcome = run(task)
        metadata = read_spectra(task.outputs["reflectance"]).metadata
        assert metadata["panel_u_relative"] == 0.012
        assert metadata["smoothing"] == smoothing
        assert metadata["u"] == "unknown"
        n_leaves = float(len(found.scan)) if quantity == "reflectance" else 0.0
        assert [(m.name, m.value) for m in outcome.metrics] == [("n_samples", n_leaves)]
