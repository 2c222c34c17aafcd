"""The rule leaf_model on a small table of spectra, and the rows that it writes."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.errors import InputFault
from leafledger.records.record import Job
from leafledger.report.answer import _sources
from leafledger.report.pigments import beside_assays, beside_sentences, beside_warnings
from leafledger.study.table_files import (
    read_csv,
    read_json,
    read_spectra,
    write_csv,
    write_json,
    write_spectra,
)
from leafledger.traits.leaf_estimates import measured_leaves, run, unit_rows
from leafledger.traits.leaf_model import Coefficients

from .simulated_leaves import Floats, coefficients, drawn, spectra, write_table

AXIS = np.arange(420.0, 1001.0, 2.0)
N = 12
OUTPUTS = {
    "leaf_model_scans": "scans.csv",
    "leaf_model_units": "units.csv",
    "leaf_model_residuals": "residuals.parquet",
    "leaf_model_summary": "leaf_model.json",
}


def job_of(
    folder: Path, spoiled: Floats | None = None, *, known: bool = True, first_nm: float = 430.0
) -> tuple[Job, dict[str, Floats]]:
    """Return the job of a study of two sessions, and the leaves of the first."""
    folder.mkdir(exist_ok=True)
    write_table(folder / "table.csv")
    reflectance, rows, all_leaves = {}, [], {}
    for day in ("day0", "day4"):
        leaves = drawn(N, 5 if day == "day0" else 6)
        value = spectra(leaves, AXIS)[1]
        value = value + 0.002 * np.random.default_rng(8).normal(size=value.shape)
        if spoiled is not None and day == "day0":
            value[0] = spoiled
        scans = [f"{day}-p{i // 4}-{i % 4}" for i in range(N)]
        columns = {
            "reflectance": value,
            "u_scan": np.full_like(value, 0.0016),
            "u_noise": np.full_like(value, 0.0012),
            "u_reference": np.full_like(value, 0.001),
            "u_white": 0.001 * value,
        }
        meta = {"u": "known" if known else "unknown", "shared_sources": ["u_white"],
                "panel_u_relative": 0.005}  # fmt: skip
        path = folder / f"{day}.parquet"
        write_spectra(path, pa.table({"scan": scans}), AXIS, columns, meta)
        reflectance[f"reflectance/{day}"] = path
        rows += [
            (scan, day, f"p{i // 4}", str(i % 4 // 2), "1", i != 3) for i, scan in enumerate(scans)
        ]
        all_leaves[day] = leaves
    names = ["scan", "session", "unit", "leaf", "replicate", "accepted"]
    write_csv(folder / "accepted.csv", pd.DataFrame(rows, columns=names), names)
    write_json(folder / "range.json", {"start_nm": first_nm, "stop_nm": 950.0})
    inputs = {
        **reflectance,
        "accepted": folder / "accepted.csv",
        "range": folder / "range.json",
        "leaf_coefficients": folder / "table.csv",
    }
    settings = {"leaf_model": {"coefficients": "table.csv", "brown_pigments": False,
                               "interval": 0.9}}  # fmt: skip
    outputs = {role: folder / name for role, name in OUTPUTS.items()}
    return Job("leaf_model", None, settings, inputs, outputs, folder), all_leaves["day0"]


@pytest.mark.slow
def test_the_rule_from_spectra_to_tables(tmp_path: Path) -> None:
    job, leaves = job_of(tmp_path / "study", spoiled=np.full(len(AXIS), 0.9))
    outcome = run(job)
    scans = read_csv(job.outputs["leaf_model_scans"])
    assert scans["scan"].nunique() == 2 * (N - 1)  # one of each day is not accepted
    green = scans[scans["quantity"] == "chlorophyll"].set_index("scan")
    for i in (1, 2, 5, 9):
        row = green.loc[f"day0-p{i // 4}-{i % 4}"]
        assert abs(row["value"] - leaves["chlorophyll"][i]) < 4 * row["u"]
        assert row["interval_high"] - row["value"] == pytest.approx(1.6449 * row["u"], rel=1e-3)
        assert row["interval_level"] == 0.9 and row["fits"] and row["unit_of_value"] == "ug/cm2"
    white = scans[scans["scan"] == "day0-p0-0"]
    assert not white["fits"].any() and white["reason"].str.contains("at its bound 4").all()
    units = read_csv(job.outputs["leaf_model_units"]).set_index(["session", "unit", "quantity"])
    row = units.loc[("day0", "p0", "chlorophyll")]
    # Leaf 0 has scan 1 (0 is white paper), leaf 1 has scan 2 (3 is not accepted).
    means = [green.loc["day0-p0-1", "value"], green.loc["day0-p0-2", "value"]]
    assert row["value"] == pytest.approx(np.mean(means))
    assert (row["n_leaves"], row["n_scans"], row["n_unfit"]) == (2, 2, 1)
    assert row["sd_leaves"] == pytest.approx(np.std(means, ddof=1))
    assert row["u"] == pytest.approx(
        np.mean([green.loc["day0-p0-1", "u"], green.loc["day0-p0-2", "u"]])
    )
    table = read_spectra(job.outputs["leaf_model_residuals"], ("fitted", "residual"))
    assert (table.wavelength_nm[0], table.wavelength_nm[-1]) == (430.0, 950.0)
    summary = read_json(job.outputs["leaf_model_summary"])
    assert summary["wavelength_nm"] == [430.0, 950.0] and summary["n_unfit"] == 1
    assert "dry_matter" in summary["determined_by_prior"]
    said = " ".join(summary["sentences"])
    assert "22 accepted scans from 430 to 950 nm" in said and "It describes 21" in said
    assert "1 scan is not described by the model and takes no part in means." in said
    assert "rests on the prior" in said and "interpolated linearly" in said
    assert {m.name: m.value for m in outcome.metrics}["leaf_model_unfit"] == 1
    assert any("does not fit 1 of 22" in text for text in outcome.warnings)
    before = {role: path.read_bytes() for role, path in job.outputs.items()}
    run(job)
    assert {role: path.read_bytes() for role, path in job.outputs.items()} == before


def test_what_differs_and_what_is_shared(tmp_path: Path) -> None:
    """0.0016 and 0.0012 are 0.002 together; the white and the panel are shared sources."""
    job, _ = job_of(tmp_path / "study")
    leaves = measured_leaves(job, coefficients(), "table.csv")
    assert leaves.u is not None
    assert leaves.u == pytest.approx(0.002, rel=2e-3)
    assert leaves.shared.shape == (2, 2 * (N - 1), len(leaves.wavelength_nm))
    assert leaves.shared[0] == pytest.approx(0.001 * leaves.reflectance, rel=2e-3)
    assert leaves.shared[1] == pytest.approx(0.005 * leaves.reflectance, rel=1e-6)
    assert leaves.rows["scan"].tolist()[:3] == ["day0-p0-0", "day0-p0-1", "day0-p0-2"]
    unknown, _ = job_of(tmp_path / "other", known=False)
    leaves = measured_leaves(unknown, coefficients(), "table.csv")
    assert leaves.u is None and len(leaves.shared) == 1


def test_the_overlap_of_table_and_instrument(tmp_path: Path) -> None:
    job, _ = job_of(tmp_path / "study", first_nm=520.0)
    with pytest.raises(InputFault, match="500 to 750 nm"):
        measured_leaves(job, coefficients(), "table.csv")
    job, _ = job_of(tmp_path / "study")
    whole = coefficients()
    cut = Coefficients(
        whole.wavelength_nm[:400],
        whole.refractive_index[:400],
        {name: k[:400] for name, k in whole.absorption.items()},
    )
    assert measured_leaves(job, cut, "table.csv").wavelength_nm[-1] == 798.0


def row(scan: str, leaf: str, value: float, *, fits: bool = True) -> dict[str, object]:
    return {
        "scan": scan, "unit": "p1", "session": "day0", "leaf": leaf, "quantity": "chlorophyll",
        "value": value, "u": 2.0, "prior_share": 0.1, "fits": fits,
    }  # fmt: skip


def test_means_are_over_leaves_and_do_not_gain_by_numbers() -> None:
    rows = [row("a", "1", 10.0), row("b", "1", 14.0), row("c", "2", 30.0)]
    rows.append(row("d", "2", 99.0, fits=False))
    (found,) = unit_rows(rows, 0.95, ["chlorophyll"])
    assert found["value"] == 21.0  # of 12 and 30
    assert found["u"] == 2.0 and found["sd_leaves"] == pytest.approx(18 / math.sqrt(2))
    assert found["interval_low"] == pytest.approx(21 - 1.95996 * 2, abs=1e-4)
    assert (found["n_leaves"], found["n_scans"], found["n_unfit"]) == (2, 3, 1)
    (none,) = unit_rows([row("d", "2", 99.0, fits=False)], 0.95, ["chlorophyll"])
    assert math.isnan(none["value"]) and none["reason"]


def test_assays_stand_beside_the_same_leaf_in_the_same_unit() -> None:
    place = {"unit": "p1", "session": "day0", "leaf": "1", "quantity": "chlorophyll"}
    scans = pd.DataFrame([
        {**place, "unit_of_value": "ug/cm2", "value": 22.0, "u": 1.0, "fits": True},
        {**place, "unit_of_value": "ug/cm2", "value": 24.0, "u": 1.0, "fits": True},
        {**place, "unit_of_value": "ug/cm2", "value": 90.0, "u": 1.0, "fits": False},
    ])  # fmt: skip
    contents = pd.DataFrame([
        {**place, "unit_of_value": "ug/cm2", "value": 20.0, "u": 0.5, "used": True},
        {**place, "unit_of_value": "ug/cm2", "value": 70.0, "u": 0.5, "used": False},
        {**place, "unit_of_value": "mg/g", "value": 2.0, "u": 0.1, "used": True},
    ])  # fmt: skip
    (both,) = beside_assays(contents, scans)
    assert (both["value_assay"], both["value_model"]) == (20.0, 23.0)
    (said,) = beside_sentences([both], "plant")
    assert "in 1 leaf of 1 plant: mean 3.00 µg/cm²" in said
    assert beside_assays(contents.iloc[:0], scans) == []


def test_an_estimate_far_from_its_assays_is_warned_of() -> None:
    """Of differences 30 and 40 the root mean square is 35.4; u is 5 (3 and 4 together)."""
    place = {"unit": "p1", "quantity": "chlorophyll", "unit_of_value": "ug/cm2", "u_assay": 3.0,
             "u_model": 4.0, "value_assay": 20.0}  # fmt: skip
    rows = [{**place, "value_model": 50.0}, {**place, "value_model": 60.0}]
    (said,) = beside_warnings(rows, "plant")
    assert "by the leaf model lies 35 µg/cm² from the assays of the same 1 plant" in said
    assert "7.1 times the standard uncertainty" in said
    rows[1] = {**place, "value_model": 24.0}  # 21.4: 4.3 times
    assert beside_warnings(rows, "plant") == []
    rows = [{**place, "u_assay": math.nan, "value_model": 41.0}]
    assert "5.2 times" in beside_warnings(rows, "plant")[0]
    assert beside_warnings([], "plant") == []


def test_the_warning_is_among_those_to_keep_in_mind() -> None:
    place = {"unit": "p1", "session": "day0", "leaf": "1", "quantity": "chlorophyll",
             "unit_of_value": "ug/cm2", "u": 1.0}  # fmt: skip
    tables = {
        "pigment_contents": pd.DataFrame([{**place, "value": 20.0, "used": True}]),
        "leaf_model_scans": pd.DataFrame([{**place, "value": 50.0, "fits": True}]),
    }
    material: Any = SimpleNamespace(
        records={}, effects_summary={}, classes=None, leaf_model={}, tables=tables,
        unit_word="plant",
    )  # fmt: skip
    (_, (rule, _, texts)) = _sources(material)
    assert rule == "leaf_model" and "30 µg/cm² from the assays" in texts[0]
