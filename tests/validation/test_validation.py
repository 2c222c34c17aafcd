"""Every expectation has a mutated table that fails only it."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.errors import InputFault
from leafledger.records.record import Job
from leafledger.study.table_files import write_json, write_parquet, write_spectra
from leafledger.study.tables import INDICES, SCANS
from leafledger.validation import (
    SUITES,
    build_suites,
    check_tables,
    per_scan,
    run,
    split_indices,
)

SHEET = {
    "day0": [{"scan": f"a{k}", "role": "sample"} for k in range(4)]
    + [{"scan": "w", "role": "white"}],
    "day4": [{"scan": f"b{k}", "role": "sample"} for k in range(4)],
}
SAMPLES = [f"{s}{k}" for s in "ab" for k in range(4)]
NAMES = ["NDVI", "CI_rededge"]


def good() -> dict[str, pd.DataFrame]:
    """Return tables that hold to everything."""
    scans = pd.DataFrame(
        {
            "scan": [row["scan"] for rows in SHEET.values() for row in rows],
            "session": [s for s, rows in SHEET.items() for _ in rows],
            "role": [row["role"] for rows in SHEET.values() for row in rows],
            "integration_ms": [12.0] * 8 + [np.nan],
            "n_not_finite": 0,
            "minimum": 100.0,
            "maximum": 5e4,
            "mean": 1e4,
            "above_lowest": 100.0,
        }
    )
    reflectance = pd.DataFrame(
        {
            "scan": SAMPLES,
            "session": ["day0"] * 4 + ["day4"] * 4,
            "n_not_finite": 0,
            "minimum": 0.03,
            "maximum": 0.55,
            "mean": 0.3,
        }
    )
    axes = pd.DataFrame(
        {
            "session": ["day0", "day4"],
            "axis": ["x", "x"],
            "range_above_first_nm": [5.0, 5.0],
            "range_below_last_nm": [0.0, 0.0],
        }
    )
    long = pd.DataFrame([{"scan": s, "index": i} for s in SAMPLES for i in NAMES])
    long = long.assign(value=0.6, status="ok", session="day0")
    long.loc[3, ["value", "status"]] = [np.nan, "undefined"]
    return {"scans": scans, "reflectance": reflectance, "axes": axes, "long": long}


def failed(tables: dict[str, pd.DataFrame], suite: str) -> list[str]:
    """Return the names of the expectations of a suite that fail."""
    long = tables["long"]
    full = {
        **{k: v for k, v in tables.items() if k != "long"},
        **split_indices(long, NAMES),
        "indices_per_scan": per_scan(long, NAMES),
    }
    result = check_tables(suite, "error", full, build_suites(SHEET, NAMES)[suite])
    return [item["name"] for item in result["expectations"] if not item["success"]]


def _set(table: str, row: int, column: str, value: Any) -> Any:
    def change(tables: dict[str, pd.DataFrame]) -> None:
        tables[table].loc[row, column] = value

    return change


def _repeat(table: str) -> Any:
    def change(tables: dict[str, pd.DataFrame]) -> None:
        frame = tables[table]
        tables[table] = pd.concat([frame, frame.iloc[[0]]], ignore_index=True)

    return change


def _drop(table: str, rows: list[int]) -> Any:
    def change(tables: dict[str, pd.DataFrame]) -> None:
        tables[table] = tables[table].drop(rows).reset_index(drop=True)

    return change


def _foreign_index(tables: dict[str, pd.DataFrame]) -> None:
    row = {"scan": "a0", "index": "XYZ", "value": 1.0, "status": "ok", "session": "day0"}
    tables["long"] = pd.concat([tables["long"], pd.DataFrame([row])], ignore_index=True)


MUTATIONS = {
    ("scans", "scan_unique"): _repeat("scans"),
    ("scans", "scans_as_in_sheet"): _drop("scans", [2]),
    ("scans", "role_known"): _set("scans", 1, "role", "smaple"),
    ("scans", "integration_time_positive"): _set("scans", 1, "integration_ms", 0.0),
    ("scans", "values_finite"): _set("scans", 1, "n_not_finite", 3),
    ("scans", "values_not_negative"): _set("scans", 1, "above_lowest", -1.0),
    ("reflectance", "scan_unique"): _repeat("reflectance"),
    ("reflectance", "scans_as_in_sheet"): _drop("reflectance", [7]),
    ("reflectance", "values_finite"): _set("reflectance", 1, "n_not_finite", 1),
    ("reflectance", "lowest_plausible"): _set("reflectance", 1, "minimum", -1.5),
    ("reflectance", "highest_plausible"): _set("reflectance", 1, "maximum", 45.0),
    ("reflectance", "mean_plausible"): _set("reflectance", 1, "mean", 2.0),
    ("reflectance", "one_axis"): _set("axes", 1, "axis", "y"),
    ("reflectance", "range_starts_inside"): _set("axes", 1, "range_above_first_nm", -0.1),
    ("reflectance", "range_stops_inside"): _set("axes", 0, "range_below_last_nm", -0.1),
    ("indices", "scan_index_unique"): _repeat("long"),
    ("indices", "scans_as_in_sheet"): _drop("long", [0, 1]),
    ("indices", "index_known"): _foreign_index,
    ("indices", "every_index"): _drop("long", [1]),
    ("indices", "status_known"): _set("long", 3, "status", "maybe"),
    ("indices", "value_where_ok"): _set("long", 1, "value", np.nan),
    ("indices", "no_value_elsewhere"): _set("long", 3, "value", 0.5),
    ("indices", "values_finite"): _set("long", 1, "value", np.inf),
    ("indices", "bounds_NDVI"): _set("long", 0, "value", 1.4),
}


@pytest.mark.parametrize("suite", SUITES)
def test_good_tables_hold(suite: str) -> None:
    assert failed(good(), suite) == []


def test_every_expectation_has_a_mutation() -> None:
    suites = build_suites(SHEET, NAMES)
    assert {(s, e.name) for s, items in suites.items() for e in items} == set(MUTATIONS)


@pytest.mark.parametrize(("suite", "name"), list(MUTATIONS))
def test_mutation_fails_only_its_expectation(suite: str, name: str) -> None:
    tables = good()
    MUTATIONS[suite, name](tables)
    assert failed(tables, suite) == [name]
    for other in SUITES:
        if other != suite:
            assert failed(tables, other) == []


# --- the rule --------------------------------------------------------------------------------


def study(
    folder: Path, severity: str = "error", *, axis_shift: float = 0.0, percent: bool = False
) -> Job:
    """Write a small study and return its validation job."""
    axis = np.arange(500.0, 801.0, 5.0)
    rng = np.random.default_rng(5)
    inputs: dict[str, Path] = {}
    for session, rows in SHEET.items():
        own = [row["scan"] for row in rows]
        leaves = [row["scan"] for row in rows if row["role"] == "sample"]
        keys = {
            "scan": own,
            "role": [row["role"] for row in rows],
            "file": own,
            "item": [""] * len(own),
            "file_sha256": ["0"] * len(own),
        }
        table = pa.table(keys)
        table = table.append_column("order", pa.array(range(len(own)), pa.int32()))
        table = table.append_column("time", pa.array([None] * len(own), pa.timestamp("ms")))
        table = table.append_column("integration_ms", pa.array([12.0] * len(own)))
        table = table.append_column("averages", pa.array([10] * len(own), pa.int32()))
        assert tuple(table.column_names) == SCANS
        paths = {kind: folder / f"results/{kind}/{session}.parquet" for kind in SUITES}
        counts = rng.uniform(100, 5000, (len(own), len(axis)))
        write_spectra(paths["scans"], table, axis, {"counts": counts}, {"quantity": "counts"})
        values = rng.uniform(0.05, 0.5, (len(leaves), len(axis))) * (100 if percent else 1)
        shift = axis_shift if session == "day4" else 0.0
        write_spectra(
            paths["reflectance"],
            pa.table({"scan": leaves}),
            axis + shift,
            {"reflectance": values},
            {},
        )
        long = [(s, i) for s in leaves for i in NAMES]
        columns = {name: pa.array([0.5] * len(long)) for name in INDICES[2:6]}
        write_parquet(
            paths["indices"],
            pa.table(
                {"scan": [s for s, _ in long], "index": [i for _, i in long], **columns}
            ).append_column("status", pa.array(["ok"] * len(long))),
            {},
            ("scan", "index"),
        )
        inputs |= {f"{kind}/{session}": path for kind, path in paths.items()}
    inputs["catalogue"] = folder / "results/indices/catalogue.json"
    write_json(inputs["catalogue"], {"indices": [{"index": name} for name in NAMES]})
    inputs["range"] = folder / "results/range.json"
    write_json(inputs["range"], {"start_nm": 510.0, "stop_nm": 790.0})
    outputs = {name: folder / f"results/validation/{name}.json" for name in (*SUITES, "passed")}
    settings = {"severity": dict.fromkeys(SUITES, severity), "scans": SHEET}
    return Job("validation", None, settings, inputs, outputs, folder)


def test_rule_writes_the_same_bytes_twice_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = study(tmp_path / "study")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    monkeypatch.setenv("HOME", str(elsewhere))

    def refused(*_: Any, **__: Any) -> None:
        raise AssertionError("network")

    monkeypatch.setattr(socket, "create_connection", refused)
    monkeypatch.setattr(socket.socket, "connect", refused)
    run(job)
    first = {role: path.read_bytes() for role, path in job.outputs.items()}
    run(job)
    assert first == {role: path.read_bytes() for role, path in job.outputs.items()}
    assert json.loads(first["passed"]) == {"passed": True}
    assert list(elsewhere.iterdir()) == []
    told = json.loads(first["reflectance"])
    assert told["success"] is True
    assert told["n_expectations"] == len(told["expectations"]) == 9
    assert str(tmp_path) not in first["reflectance"].decode()


def test_error_names_table_expectation_and_scans(tmp_path: Path) -> None:
    job = study(tmp_path, percent=True)
    with pytest.raises(InputFault) as caught:
        run(job)
    sentences = [problem.sentence() for problem in caught.value.problems]
    assert any("mean_plausible" in s and "a0" in s and "percent" in s for s in sentences)
    assert any("highest_plausible" in s for s in sentences)
    assert not job.outputs["passed"].exists()


def test_warning_passes_and_is_told(tmp_path: Path) -> None:
    job = study(tmp_path, "warning", axis_shift=1.0)
    outcome = run(job)
    assert len(outcome.warnings) == 1
    assert "one wavelength axis" in outcome.warnings[0]
    assert json.loads(job.outputs["passed"].read_text()) == {"passed": True}
    told = json.loads(job.outputs["reflectance"].read_text())
    assert told["success"] is False


def test_passed_does_not_change_with_values(tmp_path: Path) -> None:
    first, second = study(tmp_path / "a"), study(tmp_path / "b", "warning", percent=True)
    run(first)
    run(second)
    assert first.outputs["passed"].read_bytes() == second.outputs["passed"].read_bytes()
