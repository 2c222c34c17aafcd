"""What time does to the white: blocks, limits in minutes, and the drift that is carried on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from leafledger.quality.reference_checks import PAUSE_S
from leafledger.reflectance.reference_choice import bracket, distances, white_blocks
from leafledger.reflectance.stage import run
from leafledger.study.table_files import SpectraTable, read_spectra

LEAF = 0.4
PER_S = 1e-4
KNOWN = {"gain_electrons_per_count": 4.0, "read_noise_counts": 6.0}


def session(leaf_s: float, white_s: tuple[float, ...], drift: float = PER_S) -> Bench:
    bench = Bench(drift_per_s=drift)
    bench.add("dark", 0.0)
    for time in white_s:
        bench.add("white", time)
    bench.add("sample", leaf_s, LEAF)
    return bench


def reflect(folder: Path, bench: Bench, rule: str) -> SpectraTable:
    job = job_of(folder, bench.scans(), KNOWN, {"references": rule})
    run(job)
    return read_spectra(job.outputs["reflectance"], ("reflectance", "u_drift", "u_reference"))


@pytest.mark.parametrize(("pause_s", "n_blocks"), [(1.0, 1), (599.0, 1), (601.0, 2), (1800.0, 2)])
def test_a_pause_of_ten_minutes_ends_a_block_of_whites(pause_s: float, n_blocks: int) -> None:
    blocks = white_blocks(np.array([0.0, pause_s]), np.ones(2, dtype=bool))
    assert len(blocks) == n_blocks
    assert pytest.approx(600.0) == PAUSE_S


@pytest.mark.parametrize(("apart_min", "said"), [(0.5, 0), (10, 0), (29.9, 0), (30.1, 1), (50, 1)])
def test_whites_half_an_hour_apart_are_near_enough(apart_min: float, said: int) -> None:
    block_s = np.array([0.0, 60.0 * apart_min])
    choice = bracket(block_s, np.array([30.0 * apart_min]))
    assert len(distances("bracket", choice, ["leaf"], block_s)) == said


@pytest.mark.parametrize(("after_min", "said"), [(0.5, 0), (9.9, 0), (10.1, 1), (29.0, 1)])
def test_a_white_on_one_side_serves_for_ten_minutes(after_min: float, said: int) -> None:
    block_s = np.array([0.0])
    choice = bracket(block_s, np.array([60.0 * after_min]))
    far = [s for s in distances("nearest", choice, ["leaf"], block_s) if "only white" in s]
    assert len(far) == said


def test_between_two_whites_the_drift_is_their_change_over_the_root_of_twelve(
    tmp_path: Path,
) -> None:
    table = reflect(tmp_path, session(300.0, (0.0, 600.0)), "bracket")
    # The lamp gains 6 % of its first level: at the leaf it stands at 1.03.
    expected = LEAF * 0.06 / 1.03 / np.sqrt(12)
    assert np.abs(table.spectra["u_drift"]) == pytest.approx(expected, rel=1e-4)
    assert (table.spectra["u_reference"] > 0.999 * expected).all()


def test_after_the_last_white_the_drift_goes_on_as_fast_as_before(tmp_path: Path) -> None:
    bench = session(300.0, (0.0, 600.0))
    bench.add("sample", 900.0, LEAF)
    table = reflect(tmp_path / "two", bench, "bracket")
    # 6 % in 600 s may go on for 300 s either way (rectangular): 3 % / sqrt(3) of a rate of 1.06.
    value = table.spectra["reflectance"][1].astype(float)
    expected = value * (0.06 * 300 / 600) / np.sqrt(3) / 1.06
    assert np.abs(table.spectra["u_drift"][1]) == pytest.approx(expected, rel=1e-4)


def test_the_mean_of_all_whites_carries_their_range(tmp_path: Path) -> None:
    table = reflect(tmp_path, session(300.0, (0.0, 600.0)), "mean")
    value = table.spectra["reflectance"].astype(float)
    assert np.abs(table.spectra["u_drift"]) == pytest.approx(
        value * (0.06 / 1.03) / np.sqrt(12), rel=1e-4
    )


def test_a_steady_lamp_has_no_drift(tmp_path: Path) -> None:
    table = reflect(tmp_path, session(300.0, (0.0, 600.0), drift=0.0), "bracket")
    assert not np.abs(table.spectra.get("u_drift", np.zeros(1))).max() > 1e-9
