"""The demo's raw data through the stages: all planted faults are found, no clean scan is called."""

from __future__ import annotations

import json
import shutil
from importlib import import_module
from pathlib import Path

import pandas as pd
import pytest

from leafledger import Study
from leafledger.records.record import Outcome
from leafledger.runner.step import job_of
from leafledger.study.rules import BY_NAME
from leafledger.study.study import Task
from leafledger.study.table_files import read_json, read_parquet
from leafledger.study.tables import ORDER_EFFECTS, SESSION_EFFECTS

DEMO = Path(__file__).parents[2] / "demo_data" / "chelate"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Outcome]:
    folder = tmp_path_factory.mktemp("demo") / "study"
    shutil.copytree(DEMO, folder)
    study = Study.open(folder)
    outcome = Outcome()
    for rule in ("intake", "catalogue", "reflectance", "quality", "acceptance"):
        for session in study.session_ids if BY_NAME[rule].per_session else (None,):
            outcome = import_module(BY_NAME[rule].module).run(job_of(study, Task(rule, session)))
    return study, outcome


def _flags(study: Study) -> pd.DataFrame:
    tables = [
        read_parquet(study.folder / f"results/quality/{s}.parquet") for s in study.session_ids
    ]
    return pd.concat(tables)


CHECK_OF = {
    "open_clip": ("ambient_light", "fault"),
    "saturated": ("saturated", "fault"),
    "swapped_leaf": ("replicate", "outlier"),
    "bad_dark": ("bad_dark", "fault"),
    "lamp_drift": ("reference_drift", "notice"),
}


def test_every_planted_fault_is_found_by_its_check(demo: tuple[Study, Outcome]) -> None:
    study, _ = demo
    flags = _flags(study)
    planted = json.loads((DEMO / "planted.json").read_text())["faults"]
    assert {fault["fault"] for fault in planted} == set(CHECK_OF)
    for fault in planted:
        check, severity = CHECK_OF[fault["fault"]]
        own = flags[(flags["check"] == check) & (flags["severity"] == severity)]
        found = set(own["scan"]) & set(fault["scans"])
        # A drifting lamp is named where the white changed, not on every white of the day.
        assert found if fault["fault"] == "lamp_drift" else found == set(fault["scans"]), fault


def test_no_clean_scan_is_called(demo: tuple[Study, Outcome]) -> None:
    study, _ = demo
    planted = json.loads((DEMO / "planted.json").read_text())["faults"]
    bad = {scan for fault in planted for scan in fault["scans"]}
    flags = _flags(study)
    assert set(flags.loc[flags["severity"].isin(["fault", "outlier"]), "scan"]) <= bad


def test_systematic_tables_of_the_demo(demo: tuple[Study, Outcome]) -> None:
    study, outcome = demo
    shifts = study.table("session_effects.csv")
    assert tuple(shifts.columns) == SESSION_EFFECTS
    assert set(shifts["group"]) == {"control", "white", "dark"}
    orders = study.table("order_effects.csv")
    assert tuple(orders.columns) == ORDER_EFFECTS
    assert set(orders["term"]) == {"order", "leaf_position", "white_signal", "dark_level"}
    drift = orders[(orders["term"] == "white_signal") & (orders["session"] == "day4")]
    # Planted: the lamp changes by 2.4 % from the first to the last scan of the day.
    assert drift["estimate"].to_numpy() == pytest.approx(0.024, abs=0.003)
    assert (drift["p_holm"] < 0.05).all()
    # Nothing was planted on the order of measuring, nor on the dark.
    assert (orders.loc[orders["term"] == "order", "p_holm"] > 0.05).all()
    assert (orders.loc[orders["term"] == "dark_level", "p_holm"] > 0.05).all()
    assert any("cannot be told from growth" in w for w in outcome.warnings)


def test_noise_on_a_dark_leaf_is_told_and_leaves_the_range_alone(
    demo: tuple[Study, Outcome],
) -> None:
    study, outcome = demo
    told = {m.name: m.value for m in outcome.metrics}
    assert 1e-4 < told["noise_at_reflectance_005"] < 0.005
    assert set(read_json(study.folder / "results/range.json")) == {
        "start_nm", "stop_nm", "rule", "why", "margin_nm", "limiting_session",
    }  # fmt: skip
