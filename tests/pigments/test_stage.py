"""The rule pigments on invented tables: what becomes of assays, good and bad."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.errors import InputFault
from leafledger.pigments.stage import run
from leafledger.records.record import Job, Outcome
from leafledger.study.table_files import read_csv, read_json, write_csv, write_json, write_parquet
from leafledger.study.tables import ACCEPTED, INDICES, written_by

HEAD = ("unit,session,leaf,solvent,A663.2,A646.8,A470,A750,volume_ml,leaf_area_cm2,u_absorbance,"
        "u_volume_ml,u_leaf_area_cm2\n")  # fmt: skip
UNITS = [f"p{i:02d}" for i in range(1, 13)]
EQUATIONS = np.array([[12.25, -2.79], [-5.1, 21.5]])


def chlorophyll(i: int) -> float:
    """Return the planted content of unit ``i``, ug/cm2."""
    return 12.0 + 1.5 * i


def readings(total: float, carotenoids: float = 6.0) -> tuple[float, float, float]:
    """Return A663.2, A646.8 and A470 of 2 cm2 in 6 ml, with a ratio of a to b of 3."""
    c = np.array([0.75, 0.25]) * total * 2.0 / 6.0
    red, short = np.linalg.solve(EQUATIONS, c)
    blue = (198.0 * carotenoids * 2.0 / 6.0 + 1.82 * c[0] + 85.02 * c[1]) / 1000.0
    return float(red), float(short), float(blue)


def extract_row(unit: str, total: float, leaf: str = "1", factor: float = 1.0) -> str:
    read = ",".join(f"{value * factor + 0.004:.6f}" for value in readings(total))
    return f"{unit},d1,{leaf},acetone 80 %,{read},0.004,6,2,0.003,0.03,0.02\n"


def study(
    folder: Path,
    assays: str | None,
    chromatograms: str | None = None,
    left_out: Sequence[str] = (),
    noise: float = 0.2,
    u_scan: float = 0.002,
    settings: Mapping[str, Any] | None = None,
) -> Job:
    """Write the tables of twelve plants of two leaves: X follows chlorophyll, Z nothing."""
    draws = np.random.default_rng(2)
    scans, rows = {}, []
    for i, unit in enumerate(UNITS):
        for leaf in ("1", "2"):
            scan = f"d1-{unit}-{leaf}"
            scans[scan] = {"unit": unit, "session": "d1", "leaf": leaf}
            x = (chlorophyll(i) - 5.0 + noise * draws.standard_normal()) / 50.0
            for index, value in (("X", x), ("Z", draws.uniform(0.3, 0.7))):
                rows.append((scan, index, value, u_scan, 0.001, 0.0005, "ok"))
    frame = pd.DataFrame(rows, columns=list(INDICES))
    results = folder / "results"
    write_parquet(results / "indices/d1.parquet", pa.Table.from_pandas(frame), {},
                  keys=("scan", "index", "status"))  # fmt: skip
    accepted = [
        (s, "d1", of["unit"], of["leaf"], "1", s not in left_out) for s, of in scans.items()
    ]
    write_csv(results / "accepted.csv", pd.DataFrame(accepted, columns=list(ACCEPTED)), ACCEPTED)
    write_json(results / "validation/passed.json", {})
    inputs = {
        "indices/d1": results / "indices/d1.parquet",
        "accepted": results / "accepted.csv",
        "passed": results / "validation/passed.json",
    }
    for name, text in (("assays", assays), ("chromatograms", chromatograms)):
        if text is not None:
            (folder / f"{name}.csv").write_text(text, encoding="utf-8")
            inputs[name] = folder / f"{name}.csv"
    return Job(
        rule="pigments",
        session=None,
        settings={
            "pigments": settings or {"index": None, "interval": 0.95},
            "design": {"unit": "plant"},
            "scans": scans,
        },
        inputs=inputs,
        outputs={one.role: results / one.path for one in written_by("pigments")},
        folder=folder,
    )


def table(job: Job, name: str) -> pd.DataFrame:
    return read_csv(job.outputs[name])


def metrics(outcome: Outcome) -> dict[str, float]:
    return {one.name: one.value for one in outcome.metrics}


GOOD = HEAD + "".join(extract_row(unit, chlorophyll(i)) for i, unit in enumerate(UNITS))


def test_planted_contents_come_back(tmp_path: Path) -> None:
    job = study(tmp_path, GOOD)
    outcome = run(job)
    contents = table(job, "pigment_contents")
    total = contents[contents["quantity"] == "chlorophyll"]
    assert total["value"].tolist() == pytest.approx([chlorophyll(i) for i in range(12)], rel=1e-5)
    assert contents.loc[contents["quantity"] == "carotenoids", "value"].tolist() == pytest.approx(
        [6.0] * 12, rel=1e-5
    )
    ratio = contents[contents["quantity"] == "chlorophyll_a_to_b"]
    assert ratio["value"].tolist() == pytest.approx([3.0] * 12, rel=1e-5)
    assert set(total["unit_of_value"]) == {"ug/cm2"} and set(ratio["unit_of_value"]) == {"1"}
    assert metrics(outcome)["n_leaves_assayed"] == 12 == metrics(outcome)["n_units_assayed"]


def test_the_index_that_follows_is_chosen_and_estimates(tmp_path: Path) -> None:
    job = study(tmp_path, GOOD)
    run(job)
    calibrations = table(job, "pigment_calibrations")
    chosen = calibrations[calibrations["chosen"] & (calibrations["quantity"] == "chlorophyll")]
    assert chosen["index"].tolist() == ["X"] and chosen["n_tried"].tolist() == [2]
    assert chosen["rmse_cv"].iloc[0] < 0.5 < chosen["rmse_nested"].iloc[0] + 0.4
    estimates = table(job, "pigment_estimates")
    own = estimates[estimates["quantity"] == "chlorophyll"]
    assert len(own) == 24 and own["assayed"].sum() == 12
    inside = own[own["in_range"]]
    true = [chlorophyll(UNITS.index(unit)) for unit in inside["unit"]]
    assert inside["estimate"].tolist() == pytest.approx(true, abs=1.0)
    held = (inside["estimate_low"] <= true) & (true <= inside["estimate_high"])
    assert held.mean() > 0.85
    outside = own[~own["in_range"]]
    assert outside["estimate"].isna().all() and outside["estimate_low"].isna().all()
    assert outside["reason"].str.contains("outside the range").all()
    # Carotenoids do not vary: there is nothing to calibrate.
    assert not calibrations.loc[calibrations["quantity"] == "carotenoids", "chosen"].any()


def test_a_leaf_left_out_of_the_study_is_no_calibration_leaf(tmp_path: Path) -> None:
    whole, fewer = (
        study(tmp_path / name, GOOD, left_out=out)
        for name, out in (("a", ()), ("b", ("d1-p03-1",)))
    )
    for job in (whole, fewer):
        run(job)
    n = [
        table(job, "pigment_calibrations").query("index == 'X'")["n_leaves"].max()
        for job in (whole, fewer)
    ]
    assert n == [12, 11]


def test_uncertainty_of_the_leaf_and_the_line_with_both_errors(tmp_path: Path) -> None:
    job = study(tmp_path, GOOD)
    run(job)
    row = table(job, "pigment_calibrations").query(
        "index == 'X' and form == 'linear' and quantity == 'chlorophyll'"
    )
    assert row["york_slope"].iloc[0] == pytest.approx(50.0, rel=0.05)
    assert row["york_intercept"].iloc[0] == pytest.approx(5.0, abs=1.0)
    assert row["york_df"].iloc[0] == 10
    unknown = study(tmp_path / "b", GOOD, u_scan=math.nan)
    run(unknown)
    assert table(unknown, "pigment_calibrations")["york_slope"].isna().all()


def test_all_assays_on_one_plant_calibrate_nothing(tmp_path: Path) -> None:
    text = HEAD + extract_row("p01", 20.0) + extract_row("p01", 25.0, leaf="2")
    job = study(tmp_path, text)
    outcome = run(job)
    assert table(job, "pigment_estimates").empty
    said = read_json(job.outputs["pigments_summary"])["sentences"][0]["sentence"]
    assert "all 2 assayed leaves are of one plant (p01)" in said
    assert any("of one plant" in text for text in outcome.warnings)
    assert table(job, "pigment_contents").query("quantity == 'chlorophyll'")["value"].tolist() == (
        pytest.approx([20.0, 25.0], rel=1e-5)
    )


def test_leaves_of_a_plant_are_not_counted_as_plants(tmp_path: Path) -> None:
    rows = [extract_row(u, chlorophyll(i), leaf) for i, u in enumerate(UNITS[:6]) for leaf in "12"]
    job = study(tmp_path, HEAD + "".join(rows))
    run(job)
    row = table(job, "pigment_calibrations").query(
        "index == 'X' and form == 'linear' and quantity == 'chlorophyll'"
    )
    assert (row["n_units"].iloc[0], row["n_leaves"].iloc[0], row["df"].iloc[0]) == (6, 12, 4)


def test_an_extract_at_fault_is_kept_out_and_named(tmp_path: Path) -> None:
    text = GOOD + extract_row("p02", 30.0, leaf="2", factor=4.0)
    job = study(tmp_path, text)
    outcome = run(job)
    contents = table(job, "pigment_contents")
    bad = contents[contents["row"] == 14]
    assert not bad["used"].any() and bad["reason"].str.contains("outside the linear range").all()
    assert any("row 14" in w and "linear range" in w for w in outcome.warnings)
    assert metrics(outcome)["n_assays_not_used"] == 1
    calibrations = table(job, "pigment_calibrations")
    assert calibrations.query("index == 'X'")["n_leaves"].max() == 12


def test_contents_that_contradict_each_other(tmp_path: Path) -> None:
    head = "unit,session,leaf,quantity,value,unit_of_value\n"
    rows = (
        "p01,d1,1,chlorophyll_a,5,ug/cm2\np01,d1,1,chlorophyll_b,15,ug/cm2\n"
        "p02,d1,1,chlorophyll_a,15,ug/cm2\np02,d1,1,chlorophyll_b,5,ug/cm2\n"
        "p02,d1,1,chlorophyll,30,ug/cm2\n"
        "p03,d1,1,chlorophyll_a,15,ug/cm2\np03,d1,1,chlorophyll_b,5,ug/cm2\n"
        "p03,d1,1,chlorophyll,20.3,ug/cm2\n"
    )
    job = study(tmp_path, head + rows)
    run(job)
    contents = table(job, "pigment_contents")
    reasons = contents.groupby("unit")["reason"].first()
    assert "are the two swapped?" in reasons["p01"]
    assert "the total is not the sum" in reasons["p02"]
    assert contents.set_index("unit").loc["p03", "used"].all()


def test_arnon_is_shown_and_not_used(tmp_path: Path) -> None:
    text = GOOD.replace("A663.2,A646.8", "A663,A645")
    job = study(tmp_path, text)
    run(job)
    contents = table(job, "pigment_contents")
    assert set(contents["equation"]) == {"arnon1949_acetone80"} and not contents["used"].any()
    assert table(job, "pigment_estimates").empty
    (row,) = read_json(job.outputs["pigments_summary"])["equations"]
    assert row["comparison_only"] and "from memory" in row["verification"]


def test_extracts_of_one_leaf_are_averaged(tmp_path: Path) -> None:
    head = HEAD.strip() + ",extract\n"
    lines = [extract_row(u, chlorophyll(i)).strip() + ",a\n" for i, u in enumerate(UNITS)]
    lines += [extract_row("p01", chlorophyll(0) + 4.0).strip() + ",b\n"]
    job = study(tmp_path, head + "".join(lines))
    run(job)
    plain = study(tmp_path / "b", GOOD.replace(extract_row("p01", 12.0), extract_row("p01", 14.0)))
    run(plain)
    both = [
        table(one, "pigment_calibrations").query("index == 'X' and form == 'linear'")["b1"].iloc[0]
        for one in (job, plain)
    ]
    assert both[0] == pytest.approx(both[1], rel=1e-5)


def test_a_stated_index_is_the_one_used(tmp_path: Path) -> None:
    job = study(tmp_path, GOOD, settings={"index": "Z", "interval": 0.9})
    outcome = run(job)
    assert not table(job, "pigment_calibrations")["chosen"].any()
    (warning,) = [text for text in outcome.warnings if "not calibrated" in text]
    assert warning.startswith("Total chlorophyll in ug/cm2, chlorophyll a")
    assert "of chlorophyll a to b are not calibrated: Z does not estimate plants" in warning
    said = read_json(job.outputs["pigments_summary"])["sentences"][0]["sentence"]
    assert "Z does not estimate plants left out clearly better than the mean of the others" in said
    good = study(tmp_path / "b", GOOD, settings={"index": "X", "interval": 0.9})
    run(good)
    own = table(good, "pigment_calibrations").query("chosen and quantity == 'chlorophyll'")
    assert own["n_tried"].tolist() == [1]
    assert set(table(good, "pigment_estimates")["interval_level"]) == {0.9}


STRIP = (
    "strip,system,front_mm,spot_mm,colour,u_mm\n"
    's1,"paper, petroleum ether-acetone 9:1",82,78,orange,0.5\n'
    's1,"paper, petroleum ether-acetone 9:1",82,53,blue-green,0.5\n'
)


def test_chromatograms_by_themselves(tmp_path: Path) -> None:
    job = study(tmp_path, None, STRIP)
    outcome = run(job)
    spots = table(job, "chromatogram_spots")
    assert spots["candidates"].tolist() == ["carotene", "chlorophyll a"]
    assert spots["source"].str.contains("from memory").all()
    assert spots["rf"].tolist() == pytest.approx([78 / 82, 53 / 82])
    assert table(job, "pigment_contents").empty
    assert metrics(outcome)["n_strips"] == 1
    assert read_json(job.outputs["pigments_summary"])["cautions"]


def test_tables_are_written_as_they_are_declared(tmp_path: Path) -> None:
    holds = {
        "text": lambda c: pd.api.types.is_string_dtype(c) or c.isna().all(),
        "number": lambda c: pd.api.types.is_numeric_dtype(c) and not pd.api.types.is_bool_dtype(c),
        "whole number": lambda c: pd.api.types.is_numeric_dtype(c) and (c.dropna() % 1 == 0).all(),
        "true or false": pd.api.types.is_bool_dtype,
    }
    job = study(tmp_path, GOOD, STRIP)
    profile = tmp_path / "s1.csv"
    profile.write_text(
        "distance_mm,density,density_red,density_green,density_blue\n"
        "-1,0,0,0,0\n41,0.2,0.3,0.2,0.1\n82,0,0,0,0\n"
    )
    unknown = tmp_path / "other.csv"  # of a strip that does not stand in the sheet
    unknown.write_text(profile.read_text())
    given = {f"strip_profiles/chromatograms/{p.name}": p for p in (profile, unknown)}
    job = replace(job, inputs={**job.inputs, **given})
    run(job)
    kept = table(job, "strip_profiles")
    assert set(kept["strip"]) == {"s1"} and kept["rf"].tolist() == pytest.approx([-1 / 82, 0.5, 1])
    declared = [one for one in written_by("pigments") if one.is_table]
    assert len(declared) == 5
    for one in declared:
        frame = table(job, one.role)
        assert len(frame) and list(frame.columns) == list(one.names)
        assert not frame.duplicated([*one.key]).any(), one.name
        for column in one.columns:
            assert holds[column.dtype](frame[column.name]), (one.name, column.name)


def test_the_order_of_rows_changes_no_estimate(tmp_path: Path) -> None:
    lines = GOOD.splitlines(keepends=True)
    one = study(tmp_path / "a", GOOD)
    other = study(tmp_path / "b", "".join([lines[0], *reversed(lines[1:])]))
    for job in (one, other):
        run(job)
    for name in ("pigment_estimates", "pigment_calibrations"):
        assert one.outputs[name].read_bytes() == other.outputs[name].read_bytes()


def test_a_sheet_that_changed_since_the_check_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="p99"):
        run(study(tmp_path, GOOD + extract_row("p99", 20.0)))
