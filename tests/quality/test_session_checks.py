"""Planted faults are found and clean scans are not called, through the whole rule."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated import TRI_BAND, Simulated, lamp, leaf

from leafledger.quality.darks import bad_dark
from leafledger.quality.stage import run
from leafledger.study.table_files import read_parquet
from leafledger.study.tables import QUALITY, SIGNAL


def checked(session: Simulated, folder: Path, **settings: object) -> pd.DataFrame:
    job = session.job(folder, **settings)  # type: ignore[arg-type]
    run(job)
    return read_parquet(job.outputs["quality"])


def found(table: pd.DataFrame, severity: str = "fault") -> set[tuple[str, str]]:
    rows = table[table["severity"] == severity]
    return set(zip(rows["scan"], rows["check"], strict=True))


def test_clean_session_has_no_fault_and_no_outlier(tmp_path: Path) -> None:
    job = Simulated(1).job(tmp_path)
    outcome = run(job)
    table = read_parquet(job.outputs["quality"])
    assert tuple(table.columns) == QUALITY
    assert len(table) == 0
    assert outcome.warnings == []
    signal = read_parquet(job.outputs["signal"])
    assert tuple(signal.columns) == SIGNAL
    assert len(signal) == 601
    middle = signal["signal_to_noise"][(signal["wavelength_nm"] - 690).abs().idxmin()]
    # Planted: 10 averages of 50,000 electrons, read noise 20: sqrt(500,000 * 0.985) about 700.
    assert middle == pytest.approx(np.sqrt(500_000 * 0.985 * 1.004), rel=0.1)


def test_same_bytes_twice(tmp_path: Path) -> None:
    job = Simulated(1).job(tmp_path)
    run(job)
    first = {role: path.read_bytes() for role, path in job.outputs.items()}
    run(job)
    assert first == {role: path.read_bytes() for role, path in job.outputs.items()}


def test_saturated_leaf_and_white(tmp_path: Path) -> None:
    session = Simulated(2)
    for scan in ("day0-p01-1", "day0-r2-wb"):
        session.counts[session.at(scan)][300:320] = 65535
    faults = found(checked(session, tmp_path))
    assert ("day0-p01-1", "saturated") in faults
    assert ("day0-r2-wb", "saturated") in faults
    assert {scan for scan, check in faults if check == "saturated"} == {"day0-p01-1", "day0-r2-wb"}


def test_a_saturated_lamp_scan_is_told_and_is_no_fault(tmp_path: Path) -> None:
    session = Simulated(2)
    session.add("day0-lamp", "lamp", 12.0, np.full(len(session.axis), 0.5))
    session.counts[-1][300:304] = 65535
    table = checked(session, tmp_path)
    own = table[table["scan"] == "day0-lamp"]
    assert list(zip(own["check"], own["severity"], strict=True)) == [("saturated", "notice")]
    assert "not used for the wavelengths" in own["sentence"].iloc[0]
    assert found(table) == set()


def test_full_scale_is_proposed_from_a_flat_top(tmp_path: Path) -> None:
    session = Simulated(3)
    for k, counts in enumerate(session.counts):
        session.counts[k] = np.minimum(counts, 45000.0)
    job = session.job(tmp_path, full_scale=None)
    outcome = run(job)
    flagged = {s for s, c in found(read_parquet(job.outputs["quality"])) if c == "saturated"}
    truly = {
        row["scan"]
        for row, counts in zip(session.rows, session.counts, strict=True)
        if (counts == 45000).any()
    }
    assert truly
    assert flagged == truly
    assert any("45000" in warning for warning in outcome.warnings)


def test_no_full_scale_is_proposed_without_a_flat_top(tmp_path: Path) -> None:
    assert found(checked(Simulated(3), tmp_path, full_scale=None)) == set()


def test_weak_and_missing_leaf(tmp_path: Path) -> None:
    session = Simulated(4)
    dark, weak, empty = (session.at(s) for s in ("day0-rz-d18", "day0-p03-2", "day0-p05-3"))
    light = session.counts[weak] - session.counts[dark]
    noise = session.rng.normal(size=len(light)) * 60
    session.counts[weak] = np.round(session.counts[dark] + light / 100 + noise)
    session.counts[empty] = np.round(session.counts[dark] + session.lit * 0.4 * 75_000)
    faults = found(checked(session, tmp_path))
    assert ("day0-p03-2", "low_signal") in faults
    assert ("day0-p05-3", "no_leaf") in faults
    assert {scan for scan, _ in faults} == {"day0-p03-2", "day0-p05-3"}


def test_impossible_reflectance(tmp_path: Path) -> None:
    session = Simulated(5)
    high, low = session.at("day0-p02-1"), session.at("day0-p06-2")
    session.counts[high] = np.round((session.counts[high] - 972) * 2.8 + 972)
    session.counts[low] = session.counts[low] - 2500.0
    for known in (True, False):
        faults = found(checked(session, tmp_path / str(known), known=known))
        hit = {scan for scan, check in faults if check == "impossible_reflectance"}
        assert hit == {"day0-p02-1", "day0-p06-2"}


def test_open_clip_under_a_fluorescent_lamp(tmp_path: Path) -> None:
    session = Simulated(6)
    k = session.at("day0-p04-2")
    white = 75_000 * session.lit[np.argmin(np.abs(session.axis - 546))]
    session.counts[k] = np.round(
        session.counts[k] + 0.03 * white * lamp(session.axis, TRI_BAND, 1.5)
    )
    table = checked(session, tmp_path)
    assert ("day0-p04-2", "ambient_light") in found(table)
    assert {scan for scan, _ in found(table)} == {"day0-p04-2"}
    off = found(checked(session, tmp_path / "off", lamp_lines=False))
    assert ("day0-p04-2", "ambient_light") not in off


def test_copied_scan_is_a_fault_under_another_leaf_and_a_notice_on_the_same(tmp_path: Path) -> None:
    session = Simulated(7)
    session.counts[session.at("day0-p05-1")] = session.counts[session.at("day0-p01-1")].copy()
    session.places["day0-p02-2"] = dict(session.places["day0-p02-1"])
    session.counts[session.at("day0-p02-2")] = session.counts[session.at("day0-p02-1")].copy()
    table = checked(session, tmp_path)
    copies = {pair for pair in found(table) if pair[1] == "duplicate"}
    assert copies == {("day0-p05-1", "duplicate"), ("day0-p01-1", "duplicate")}
    assert ("day0-p02-2", "duplicate") in found(table, "notice")
    assert ("day0-p02-1", "duplicate") not in found(table, "notice")


def test_wrong_time_is_noticed(tmp_path: Path) -> None:
    session = Simulated(8)
    session.rows[session.at("day0-p06-1")]["minutes"] = 1.2
    notices = found(checked(session, tmp_path), "notice")
    assert {scan for scan, check in notices if check == "time_order"} == {"day0-p06-1"}


def test_sheet_in_another_order_is_told_once(tmp_path: Path) -> None:
    session = Simulated(8)
    for k, row in enumerate(session.rows):
        if row["role"] == "sample":
            row["minutes"] = float((k * 37) % 101)
    job = session.job(tmp_path)
    outcome = run(job)
    table = read_parquet(job.outputs["quality"])
    assert not (table["check"] == "time_order").any()
    assert any("not in the order of measuring" in warning for warning in outcome.warnings)


@pytest.mark.parametrize("factor", [0.5, 1.3])
@pytest.mark.parametrize("kind", ["d12", "d18"])
@pytest.mark.parametrize("block", ["r1", "r2", "rz"])
def test_each_dark_in_turn(tmp_path: Path, block: str, kind: str, factor: float) -> None:
    session = Simulated(9)
    scan = f"day0-{block}-{kind}"
    session.counts[session.at(scan)] = np.round(session.counts[session.at(scan)] * factor)
    faults = {name for name, check in found(checked(session, tmp_path)) if check == "bad_dark"}
    assert faults == {scan}


@pytest.mark.parametrize("bad", [0, 1, 2])
@pytest.mark.parametrize("shift", [-150.0, 200.0])
def test_of_three_darks_only_the_bad_one_is_named(bad: int, shift: float) -> None:
    darks = np.random.default_rng(11).normal(340.0, 3.0, (3, 2048))
    darks[bad] += shift
    flags = bad_dark(list("abc"), darks, np.full(3, 40.0), 3600.0, np.empty((0, 2048)), np.empty(0))
    assert [(flag.scan, flag.check) for flag in flags] == [("abc"[bad], "bad_dark")]
    assert flags[0].value == pytest.approx(abs(shift), abs=2)
    assert ("above" if shift > 0 else "below") in flags[0].sentence


def test_leaves_on_a_bad_dark_are_told(tmp_path: Path) -> None:
    session = Simulated(9)
    session.counts[session.at("day0-r1-d18")] += 600
    table = checked(session, tmp_path)
    told = table[table["check"] == "reference_at_fault"]
    assert len(told) == len(session.places)
    assert set(told["severity"]) == {"notice"}
    assert told["sentence"].str.contains("day0-r1-d18").all()


@pytest.mark.parametrize("which", ["wa", "wb", "wc"])
@pytest.mark.parametrize("block", ["r1", "r5", "rz"])
def test_each_halved_white_in_turn(tmp_path: Path, block: str, which: str) -> None:
    session = Simulated(10)
    scan = f"day0-{block}-{which}"
    k = session.at(scan)
    session.counts[k] = np.round((session.counts[k] - 948) / 2 + 948)
    faults = {s for s, check in found(checked(session, tmp_path)) if check == "reference_drift"}
    assert faults == {scan}


@pytest.mark.parametrize(("factor", "severity"), [(0.94, "fault"), (0.98, "notice")])
def test_lamp_that_drifts_is_named_where_it_changed(
    tmp_path: Path, factor: float, severity: str
) -> None:
    session = Simulated(11)
    for name in ("r5", "rz"):
        for kind in "abc":
            k = session.at(f"day0-{name}-w{kind}")
            session.counts[k] = np.round((session.counts[k] - 948) * factor + 948)
    table = checked(session, tmp_path)
    drift = table[table["check"] == "reference_drift"]
    assert set(drift["scan"]) == {"day0-r5-wa"}
    assert set(drift["severity"]) == {severity}
    assert drift["sentence"].str.contains("day0-r2-wc").all()


def test_swapped_leaf_is_an_outlier(tmp_path: Path) -> None:
    session = Simulated(12, n_units=16)
    k = session.at("day0-p07-2")
    session.counts[k] = np.round(972 + 75_000 * session.lit * leaf(session.axis, 70.0, session.rng))
    table = checked(session, tmp_path)
    assert found(table, "outlier") == {("day0-p07-2", "replicate")}
    assert found(table) == set()


def test_scans_without_a_leaf_id_are_leaves_of_their_own(tmp_path: Path) -> None:
    session = Simulated(12, n_units=16)
    k = session.at("day0-p07-2")
    session.counts[k] = np.round(972 + 75_000 * session.lit * leaf(session.axis, 70.0, session.rng))
    for place in session.places.values():
        place["leaf"] = ""
    table = checked(session, tmp_path)
    assert found(table, "outlier") == {("day0-p07-2", "replicate")}
    (told,) = table.loc[table["scan"] == "day0-p07-2", "sentence"]
    assert "from the other leaves of p07" in told


def test_reflectance_without_references_is_checked_for_what_it_can(tmp_path: Path) -> None:
    session = Simulated(13)
    keep = [k for k, row in enumerate(session.rows) if row["role"] == "sample"]
    job = session.job(tmp_path, known=False)
    import pyarrow.parquet as pq

    from leafledger.study.table_files import read_spectra, write_spectra

    path = job.inputs["scans"]
    table = pq.read_table(path).drop_columns(["counts"]).take(keep)
    value = read_spectra(path).spectra["counts"][keep] / 1e5
    told = {"quantity": "reflectance", "full_scale_counts": None}
    write_spectra(path, table, session.axis, {"reflectance": value}, told)
    outcome = run(job)
    assert len(read_parquet(job.outputs["signal"])) == 0
    assert found(read_parquet(job.outputs["quality"])) == set()
    assert any("uncertainty is unknown" in warning for warning in outcome.warnings)
