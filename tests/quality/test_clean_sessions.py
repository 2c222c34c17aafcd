"""How often clean scans are called, over more than ten thousand of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from simulated import Simulated

from leafledger.quality.stage import run
from leafledger.study.table_files import read_parquet

N_SESSIONS = 140
N_UNITS = 24


@pytest.mark.slow
def test_clean_scans_are_called_less_than_once_in_a_thousand(tmp_path: Path) -> None:
    n_scans = n_leaves = 0
    called = {"fault": 0, "outlier": 0}
    for seed in range(N_SESSIONS):
        session = Simulated(1000 + seed, n_units=N_UNITS)
        job = session.job(tmp_path)
        run(job)
        table = read_parquet(job.outputs["quality"])
        for severity in called:
            called[severity] += table.loc[table["severity"] == severity, "scan"].nunique()
        n_scans += len(session.rows)
        n_leaves += len(session.places)
    assert n_leaves > 10_000
    assert called["fault"] <= n_scans / 1000, called
    assert called["outlier"] <= n_leaves / 1000, called
