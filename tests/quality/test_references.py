"""Darks and whites: shared shifts, drift, spikes, hot pixels, missing blocks, weak whites."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated import Simulated

from leafledger.quality.cross_session_checks import (
    dark_noises,
    darks_against_sessions,
    whites_against_sessions,
)
from leafledger.quality.darks import (
    bad_dark,
    dark_drift,
    dark_spikes,
    hot_pixels,
    shared_shifts,
)
from leafledger.quality.reference_checks import weak_white, white_drift
from leafledger.quality.session import dark_noise
from leafledger.quality.stage import run
from leafledger.study.table_files import read_parquet
from leafledger.study.tables import LEVELS, SIGNAL


def flags_of(session: Simulated, folder: Path) -> pd.DataFrame:
    job = session.job(folder)
    run(job)
    return read_parquet(job.outputs["quality"])


def named(table: pd.DataFrame, check: str) -> set[str]:
    return set(table.loc[table["check"] == check, "scan"])


def all_darks(session: Simulated, ms: float) -> list[int]:
    return [k for k, row in enumerate(session.rows) if row["role"] == "dark" and row["ms"] == ms]


def test_darks_that_are_all_above_the_lit_scans_are_named(tmp_path: Path) -> None:
    session = Simulated(21)
    darks = all_darks(session, 18.0)
    for k in darks:
        session.counts[k] = session.counts[k] + 4000
    table = flags_of(session, tmp_path)
    assert named(table, "bad_dark") == {session.rows[k]["scan"] for k in darks}


def test_darks_that_fall_with_integration_name_both_integration_times(tmp_path: Path) -> None:
    session = Simulated(22)
    darks = all_darks(session, 18.0)
    for k in darks:
        session.counts[k] = session.counts[k] - 400
    table = flags_of(session, tmp_path)
    every = {row["scan"] for row in session.rows if row["role"] == "dark"}
    assert named(table, "bad_dark") == every
    told = table.loc[table["check"] == "bad_dark", "sentence"]
    assert told.str.contains("no dark current does").all()


def test_a_fixed_pattern_accuses_no_dark() -> None:
    rng = np.random.default_rng(6)
    pattern = np.linspace(600.0, 1400.0, 512)
    darks = pattern + rng.normal(0.0, 3.0, (6, 512))
    # No light at all at the low end of the pattern.
    lit = pattern + np.linspace(0, 20_000, 512) + rng.normal(0.0, 3.0, (20, 512))
    for n in (1, 2, 6):
        names = [str(k) for k in range(n)]
        found = bad_dark(names, darks[:n], np.full(n, 18.0), 10_000.0, lit, np.full(20, 18.0))
        assert found == [], n


@pytest.mark.parametrize("bad", [0, 1, 2, 3, 4])
@pytest.mark.parametrize("shift", [-200.0, 300.0])
def test_of_five_integration_times_the_one_off_the_line_is_named(bad: int, shift: float) -> None:
    levels = {ms: 900 + 4 * ms for ms in (5.0, 10.0, 20.0, 40.0, 80.0)}
    ms = list(levels)[bad]
    levels[ms] += shift
    (found,) = shared_shifts(levels, {}, 50.0)
    assert found.integration_ms == ms
    assert found.shift == pytest.approx(shift)
    assert shared_shifts({ms: 900 + 4 * ms for ms in levels}, {}, 50.0) == []


def test_one_leaf_whose_baseline_fell_does_not_accuse_the_darks() -> None:
    rng = np.random.default_rng(5)
    darks = rng.normal(900.0, 3.0, (6, 512))
    lit = rng.normal(1500.0, 3.0, (20, 512))
    lit[3] -= 2500
    assert bad_dark(list("abcdef"), darks, np.full(6, 18.0), 30_000.0, lit, np.full(20, 18.0)) == []


def _levels(shift: dict[tuple[str, float], float]) -> dict[str, pd.DataFrame]:
    rng = np.random.default_rng(8)
    out = {}
    for session in ("day0", "day4", "day8", "day12"):
        rows = []
        for ms in (12.0, 18.0):
            for k in range(3):
                level = 900 + 4 * ms + shift.get((session, ms), 0.0) + rng.normal()
                rows.append((f"{session}-d{ms:g}-{k}", "dark", k, 0, ms, 550.0, level, "count"))
        rows.append((f"{session}-w", "white", 9, 0, 12.0, 550.0, 30_000 / 12, "count/ms"))
        names = [name for name in LEVELS if name not in ("hours", "digest")]
        out[session] = pd.DataFrame(rows, columns=names)
    return out


def test_darks_that_share_a_shift_are_told_by_the_other_sessions() -> None:
    flags, warnings = darks_against_sessions(_levels({("day8", 18.0): -150.0}))
    assert {flag.scan for flag in flags} == {f"day8-d18-{k}" for k in range(3)}
    assert {flag.severity for flag in flags} == {"fault"}
    assert [flag.value for flag in flags] == pytest.approx([150.0] * 3, abs=3)
    assert all("below" in flag.sentence for flag in flags)
    assert warnings == []


def test_a_session_whose_darks_all_moved_is_a_warning_not_a_fault() -> None:
    flags, (told,) = darks_against_sessions(_levels({("day8", 18.0): 300.0, ("day8", 12.0): 300.0}))
    assert flags == []
    assert told.startswith("Session day8: all its darks differ")
    assert darks_against_sessions(_levels({})) == ([], [])


def _scaled(factor: float, *sessions: str) -> dict[str, pd.DataFrame]:
    levels = _levels({})
    for session in sessions:
        table = levels[session]
        dark = table["role"] == "dark"
        levels[session] = table.assign(value=table["value"] * np.where(dark, factor, 1.0))
    return levels


NOISE = {"day0": 4.1, "day4": 3.9, "day8": 4.0, "day12": 4.05}


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_darks_of_a_session_that_are_all_scaled_alike_are_faults(factor: float) -> None:
    noise = {**NOISE, "day8": 4.0 * factor}
    flags, warnings = darks_against_sessions(_scaled(factor, "day8"), (), noise)
    assert {flag.scan for flag in flags} == {f"day8-d{ms}-{k}" for ms in (12, 18) for k in range(3)}
    assert {(flag.check, flag.severity) for flag in flags} == {("dark_against_sessions", "fault")}
    assert all(f"{factor:.2g} times as large, noise included" in flag.sentence for flag in flags)
    assert warnings == []


@pytest.mark.parametrize(
    ("factor", "noise"),
    [
        (0.5, 1.0),  # an offset that was set lower: the noise stays
        (2.0, 1.41),  # a dark current that doubled, all of the noise its shot noise
        (1.7, 1.7**0.5),
        (1.3, 1.3),  # too small a factor to tell
        (0.5, None),
    ],
)
def test_a_warmer_detector_is_no_fault(factor: float, noise: float | None) -> None:
    known = {} if noise is None else {**NOISE, "day8": 4.0 * noise}
    flags, warnings = darks_against_sessions(_scaled(factor, "day8"), (), known)
    assert flags == []
    assert len(warnings) == 1


def test_of_two_sessions_nothing_tells_which_was_halved() -> None:
    levels = {name: t for name, t in _scaled(0.5, "day4").items() if name in ("day0", "day4")}
    noise = {"day0": 4.0, "day4": 2.0}
    flags, (told,) = darks_against_sessions(levels, (), noise)
    assert flags == []
    assert "darks of session day4 are those of session day0 times 0.5" in told
    assert darks_against_sessions(levels, (), {"day0": 4.0, "day4": 4.0}) == ([], [])


def test_noise_of_the_darks_reaches_acceptance(tmp_path: Path) -> None:
    job = Simulated(7).job(tmp_path)
    run(job)
    noise = dark_noises({"day0": job.outputs["quality"]})
    # Read noise 20 electrons, 10 averages of 10 electrons per count in `Simulated`: 6.3 counts,
    # rounding included.
    assert noise["day0"] == pytest.approx(np.sqrt(10) * 20 / 10, rel=0.1)


def _dimmed(white: float, leaf: float, *sessions: str) -> dict[str, pd.DataFrame]:
    levels = _levels({})
    for session, table in levels.items():
        own = session in sessions
        lit = table["role"] == "white"
        table = table.assign(value=table["value"] * np.where(lit & own, white, 1.0))
        leaves = pd.DataFrame(
            [(f"{session}-p{k}", "sample", 20 + k, None, 12.0, 800.0, 0.45 * (leaf if own else 1.0),
              "1") for k in range(6)],
            columns=table.columns,
        )  # fmt: skip
        levels[session] = pd.concat([table, leaves], ignore_index=True)
    return levels


def test_whites_of_a_session_that_are_all_halved_are_told() -> None:
    (told,) = whites_against_sessions(_dimmed(0.5, 1.0, "day8"))
    assert told.startswith("Session day8: its whites give 0.5 times the signal")
    assert "divides out" in told and "(1 times the usual" in told
    (told,) = whites_against_sessions(_dimmed(0.5, 2.0, "day8"))
    assert "whites and leaves were not measured alike" in told
    assert whites_against_sessions(_dimmed(0.85, 1.0, "day8")) == []
    two = {name: table for name, table in _dimmed(0.5, 1.0, "day4").items() if name < "day5"}
    assert len(whites_against_sessions({n: two[n] for n in ("day0", "day4")})) == 1


def test_darks_named_alone_do_not_speak_for_the_others() -> None:
    levels = _levels({})
    rows = levels["day8"]
    wrong = rows["scan"].isin(["day8-d18-0", "day8-d18-1"])
    levels["day8"] = rows.assign(value=rows["value"] + 600.0 * wrong)
    assert darks_against_sessions(levels)[0]
    assert darks_against_sessions(levels, {"day8-d18-0", "day8-d18-1"}) == ([], [])


def test_dark_drift_and_spike_are_notices(tmp_path: Path) -> None:
    session = Simulated(23)
    darks = all_darks(session, 18.0)
    for step, k in enumerate(darks):
        session.counts[k] = session.counts[k] + 90 * step
    session.counts[all_darks(session, 12.0)[1]][300] += 900
    table = flags_of(session, tmp_path)
    assert set(table["severity"]) == {"notice"}
    (drift,) = table[table["check"] == "dark_drift"].to_dict("records")
    assert drift["scan"] == session.rows[darks[-1]]["scan"]
    assert drift["value"] == pytest.approx(90 * (len(darks) - 1), abs=5)
    (spike,) = table[table["check"] == "dark_pixel"].to_dict("records")
    assert spike["scan"] == session.rows[all_darks(session, 12.0)[1]]["scan"]
    assert spike["wavelength_nm"] == 690.0


def test_clean_darks_have_no_spikes() -> None:
    rng = np.random.default_rng(9)
    n = 0
    for _ in range(200):
        darks = np.round(rng.normal(900, 3, (int(rng.integers(3, 8)), 1024)))
        names = [str(k) for k in range(len(darks))]
        n += len(dark_spikes(names, np.arange(1024.0), darks, np.full(len(darks), 12.0)))
    assert n == 0


def test_an_unsteady_pixel_is_named_once_and_a_hot_one_not_again() -> None:
    rng = np.random.default_rng(4)
    darks = rng.normal(900, 3, (10, 1024))
    # A pixel that jumps between two levels: off in many darks, so no particle in "this dark only".
    darks[::3, 500] += 200
    darks[4, 700] += 90
    names = [f"d{k}" for k in range(10)]
    axis, times = np.arange(1024.0), np.full(10, 12.0)
    unsteady, spike = dark_spikes(names, axis, darks, times)
    assert "(500.0 nm) is unsteady: off in 4 of 10 darks" in unsteady.sentence
    assert "1 pixel stands out in this dark only, most at 700.0 nm" in spike.sentence
    assert spike.scan == "d4"
    (alone,) = dark_spikes(names, axis, darks, times, hot=[500])
    assert alone == spike


def test_noise_of_the_dark_is_what_was_planted_whatever_the_pattern() -> None:
    rng = np.random.default_rng(10)
    pattern = rng.normal(900, 40, 2048)
    darks = pattern + rng.normal(0, 5.0, (6, 2048)) + 3 * np.arange(6)[:, None]
    # Drift of 3 counts between darks is a constant and takes no part.
    assert dark_noise(darks, np.full(6, 12.0)) == pytest.approx(5.0, rel=0.03)
    assert dark_noise(darks[:1], np.full(1, 12.0)) is None


def test_hot_pixels_of_the_reflectance_step_are_shown() -> None:
    (flag,) = hot_pixels("d1", [512.3, 700.1])
    assert (flag.severity, flag.value, flag.wavelength_nm) == ("notice", 2.0, 512.3)
    assert "512.3, 700.1" in flag.sentence
    assert hot_pixels("d1", []) == []


def test_slow_drift_over_the_session_does_not_pass(tmp_path: Path) -> None:
    for total, severity in ((0.005, None), (0.02, "notice"), (0.06, "fault")):
        n = 24
        signal = 1000.0 * (1 + total * np.arange(n) / (n - 1))[:, None] * np.ones((n, 64))
        names = [f"w{k:02d}" for k in range(n)]
        flags = white_drift(names, np.linspace(400, 1000, 64), signal, np.ones(64, bool), 0.03)
        assert [f.severity for f in flags] == ([] if severity is None else [severity])
        if flags:
            assert flags[0].scan in {"w22", "w23"}
            assert flags[0].value == pytest.approx(total, rel=0.1)


def test_drift_tells_level_from_colour() -> None:
    signal = np.full((6, 64), 1000.0)
    signal[3:, :32] *= 1.04
    signal[3:, 32:] *= 0.96
    flags = white_drift(list("abcdef"), np.linspace(400, 1000, 64), signal, np.ones(64, bool), 0.03)
    assert [(f.scan, f.severity) for f in flags] == [("d", "fault")]
    assert "up to 4 % in colour" in flags[0].sentence


def test_a_deleted_block_of_whites_does_not_pass_silently(tmp_path: Path) -> None:
    session = Simulated(24, n_units=24)
    for row in session.rows:
        row["minutes"] *= 3  # so that blocks are about 21 min apart
    whole = session.job(tmp_path / "whole")
    outcome = run(whole)
    assert named(read_parquet(whole.outputs["quality"]), "far_from_white") == set()
    assert not any("far in time" in w for w in outcome.warnings)
    gone = [k for k, row in enumerate(session.rows) if "-r11-w" in row["scan"]]
    assert len(gone) == 3
    for k in reversed(gone):
        del session.rows[k], session.counts[k]
    job = session.job(tmp_path / "gone")
    outcome = run(job)
    far = named(read_parquet(job.outputs["quality"]), "far_from_white")
    assert far == {f"day0-p{u:02d}-{leaf}" for u in range(9, 15) for leaf in "123"}
    assert any("18 leaf scans are far in time" in w for w in outcome.warnings)
    assert any("a block of whites seems to be missing" in w for w in outcome.warnings)


def test_whites_on_one_side_only(tmp_path: Path) -> None:
    session = Simulated(25)
    gone = [k for k, row in enumerate(session.rows) if "-rz-w" in row["scan"]]
    for k in reversed(gone):
        del session.rows[k], session.counts[k]
    for row in session.rows:
        row["minutes"] *= 4
    table = flags_of(session, tmp_path)
    told = table[table["check"] == "far_from_white"]
    assert set(told["scan"]) == {"day0-p07-2", "day0-p07-3"}
    assert told["sentence"].str.contains("before it").all()


def test_weak_white_is_a_notice() -> None:
    signal = np.full((3, 100), 4000.0)
    (flag,) = weak_white(list("abc"), signal + 500, signal, 65535.0)
    assert flag.value == pytest.approx(4000 / 65035)
    assert weak_white(list("abc"), 5 * signal + 500, 5 * signal, 65535.0) == []
    assert weak_white(list("abc"), signal, signal, None) == []


def test_predicted_noise_of_a_dark_leaf_is_the_simulated_one(tmp_path: Path) -> None:
    session = Simulated(26)
    job = session.job(tmp_path)
    run(job)
    signal = read_parquet(job.outputs["signal"])
    assert tuple(signal.columns) == SIGNAL
    axis = signal["wavelength_nm"].to_numpy()
    for nm in (500.0, 600.0, 690.0, 800.0):
        lit = session.lit[np.argmin(np.abs(session.axis - nm))]
        # Ten averages of 18 ms: signal electrons at 0.05 of a perfect white, read noise 20.
        electrons = 50_000 * 18 / 12 * lit * 0.05 * 10
        noise = np.sqrt(electrons + 10 * 20.0**2) / 10
        white = 50_000 * 18 / 12 * lit
        predicted = signal["noise_at_005"].to_numpy()[np.argmin(np.abs(axis - nm))]
        # Rounding to whole counts adds 1/12, far below; relative to the panel (0.985).
        assert predicted == pytest.approx(noise / (white * 0.985), rel=0.1), nm


def test_levels_hold_every_scan_in_measuring_order(tmp_path: Path) -> None:
    session = Simulated(27)
    job = session.job(tmp_path)
    run(job)
    levels = read_parquet(job.outputs["levels"])
    assert tuple(levels.columns) == LEVELS
    assert set(levels["role"]) == {"sample", "white", "dark"}
    assert levels.groupby("scan").size().eq(4).all()
    whites = levels[(levels["role"] == "white") & (levels["wavelength_nm"] == 680.0)]
    assert sorted(whites["block"].unique()) == [0, 1, 2, 3]
    lit = session.lit[np.argmin(np.abs(session.axis - 680))]
    assert whites["value"].to_numpy() == pytest.approx(50_000 / 12 * lit * 0.985, rel=0.01)
    assert levels.loc[levels["role"] == "sample", "block"].isna().all()
    assert levels["hours"].max() == pytest.approx((len(session.rows) - 1) * 0.5 / 60)


def test_the_level_of_a_dark_is_known_as_well_as_its_blocks_of_pixels() -> None:
    """16 blocks of 64 pixels, noise of 4 counts: 6 standard deviations of a block are 3 counts."""
    rng = np.random.default_rng(4)
    times, lit = np.full(3, 10.0), np.full((1, 1024), 9000.0)
    for shift, named in ((1.5, []), (6.0, ["b"])):
        darks = 1000 + rng.normal(0, 4.0, (3, 1024)) + np.array([[0.0], [shift], [0.0]])
        flags = bad_dark([*"abc"], darks, times, 100.0, lit, np.array([10.0]))
        assert [flag.scan for flag in flags] == named
        for flag in flags:
            assert flag.threshold == pytest.approx(3.0, rel=0.1)


def test_a_change_of_the_dark_and_of_the_white_has_its_sign() -> None:
    """From 1000 to 1050 counts: +50. From 100 to 110 per ms: +10 % against the one before."""
    darks = np.full((4, 64), 1000.0)
    darks[2:] += 50.0
    block = np.array([0, 0, 1, 1], dtype=np.int32)
    (dark,) = dark_drift([*"abcd"], darks, np.full(4, 10.0), block, 10_000.0)
    assert (dark.scan, dark.value, dark.threshold) == ("c", 50.0, 20.0)
    assert "changed by +50 counts from a to here" in dark.sentence
    whites = np.full((4, 64), 100.0)
    whites[2:] = 110.0
    axis, usable = np.linspace(400, 1000, 64), np.ones(64, dtype=bool)
    (white,) = white_drift([*"wxyz"], axis, whites, usable, 0.03)
    assert white.scan == "y"
    assert white.value == pytest.approx(0.1)
    assert "differs by +10 % from the neighbouring white x" in white.sentence


def test_whites_are_weak_by_their_brightest_pixels_not_by_their_middle() -> None:
    """99 % of the pixels below 5 counts above dark, the brightest near 2000 of 9000: not weak."""
    signal = np.full((2, 200), 5.0)
    signal[:, :4] = 2000.0
    assert weak_white(["a", "b"], 1000 + signal, signal, 10_000.0) == []
    signal[:, :4] = 500.0
    (flag,) = weak_white(["a", "b"], 1000 + signal, signal, 10_000.0)
    assert (flag.scan, flag.check) == ("a", "weak_white")
    assert flag.value == pytest.approx(500 / 9000)
