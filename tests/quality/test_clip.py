"""Clip or fibre moved: offsets of single scans, jumps that last, leaves of every colour."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import prosail
import pytest
from simulated import MODEL_NM, Simulated

from leafledger.quality.leaves import (
    LEAST_OFFSET,
    baseline_offset,
    check_clip,
    clip_moved,
    clip_steps,
    find_step,
    offset_limit,
)
from leafledger.quality.session import Flag, Session
from leafledger.quality.stage import run
from leafledger.resampling.intervals import residuals
from leafledger.study.table_files import read_parquet, read_spectra

AXIS = np.arange(400.0, 1000.5, 1.0)
EVERYWHERE = np.ones(len(AXIS), dtype=bool)
NAMES = [f"s{k:03d}" for k in range(72)]
PLANTS = [f"p{k // 3:02d}" for k in range(72)]


def session(seed: int, mean: float = 22.0, sd: float = 4.0, arms: float = 0.0) -> np.ndarray:
    """Return 24 plants of 3 leaves (PROSPECT-D) as a clip of 1.2 % and 0.002 repeats them."""
    rng = np.random.default_rng(seed)
    green = np.repeat(rng.normal(mean, sd, 24) + arms * (np.arange(24) % 2), 3)
    structure = np.repeat(rng.normal(1.45, 0.06, 24), 3)
    rows = []
    for chlorophyll, n in zip(green + rng.normal(0, 2, 72), structure, strict=True):
        cab = max(float(chlorophyll), 1.0)
        model = prosail.run_prospect(
            n + rng.normal(0, 0.05),
            cab,
            2 + 0.19 * cab + rng.normal(0, 0.35),
            0.0,
            rng.normal(0.0115, 0.001),
            rng.normal(0.0042, 0.0004),
            ant=max(rng.normal(1.2, 0.3), 0),
        )
        rows.append(np.interp(AXIS, MODEL_NM, model[1]))
    gain, offset = 1 + 0.012 * rng.normal(size=(72, 1)), 0.002 * rng.normal(size=(72, 1))
    noise = 0.002 * rng.normal(size=(72, len(AXIS)))
    return np.asarray(np.array(rows) * gain + offset + noise)


def flagged(spectra: np.ndarray) -> set[str]:
    offsets = baseline_offset(AXIS, spectra, EVERYWHERE)
    assert offsets is not None
    return {flag.scan for flag in clip_moved(NAMES, offsets)}


@pytest.mark.parametrize(("mean", "sd", "arms"), [(22, 4, 0), (22, 7, 9), (35, 8, 0), (10, 4, 9)])
def test_clean_sessions_of_any_colour_are_not_called(mean: float, sd: float, arms: float) -> None:
    for seed in range(5):
        spectra = session(seed, mean, sd, arms)
        assert flagged(spectra) == set()
        for kind, series in _series(spectra).items():
            assert clip_steps(NAMES, PLANTS, series, [36], kind) == []


@pytest.mark.slow
def test_ten_thousand_clean_leaves() -> None:
    n_called = 0
    for seed in range(140):
        mean, sd, arms = [(22, 4, 0), (22, 7, 9), (35, 8, 0), (10, 4, 9)][seed % 4]
        n_called += len(flagged(session(1000 + seed, mean, sd, arms)))
    assert n_called <= 10, f"{n_called} of {140 * 72}"


def _series(spectra: np.ndarray) -> dict[str, np.ndarray]:
    offsets = baseline_offset(AXIS, spectra, EVERYWHERE)
    assert offsets is not None
    level = spectra[:, (AXIS >= 760) & (AXIS <= 850)].mean(axis=1)
    return {"offset": offsets.left, "gain": np.log(level)}


@pytest.mark.parametrize("offset", [0.025, -0.025])
def test_a_lifted_or_lowered_spectrum_is_found(offset: float) -> None:
    judged = found = 0
    for seed in range(12):
        spectra = session(seed)
        spectra[7] += offset
        offsets = baseline_offset(AXIS, spectra, EVERYWHERE)
        assert offsets is not None
        judged += int(offsets.reliable[7])
        flags = clip_moved(NAMES, offsets)
        assert {flag.scan for flag in flags} <= {"s007"}
        found += len(flags)
        for flag in flags:
            assert flag.threshold == pytest.approx(offset_limit(offsets))
            assert flag.threshold >= LEAST_OFFSET
            assert flag.value == pytest.approx(0.025, abs=0.009)
            assert ("above" if offset > 0 else "below") in flag.sentence
    assert judged >= 8
    assert found == judged


def test_an_offset_is_measured_as_large_as_it_is() -> None:
    # Adding a constant to one scan changes its own offset by that constant, and nothing else much.
    spectra = session(3)
    before = baseline_offset(AXIS, spectra, EVERYWHERE)
    spectra[20] += 0.1
    after = baseline_offset(AXIS, spectra, EVERYWHERE)
    assert before is not None
    assert after is not None
    assert after.left[20] - before.left[20] == pytest.approx(0.1, abs=0.004)


def test_too_few_leaves_or_too_short_an_axis_say_nothing() -> None:
    assert baseline_offset(AXIS, session(1)[:29], EVERYWHERE) is None
    short = AXIS < 700
    assert baseline_offset(AXIS[short], session(1)[:, short], EVERYWHERE[short]) is None


def test_all_scans_after_a_bump_are_told() -> None:
    spectra = session(4)
    spectra[51:] += 0.02
    (first, *rest) = clip_steps(NAMES, PLANTS, _series(spectra)["offset"], [36], "offset")
    assert [first.scan, *(flag.scan for flag in rest)] == NAMES[51:]
    assert first.severity == "notice"
    assert first.value > first.threshold
    assert "From s051 to s071" in first.sentence
    dimmed = session(5)
    dimmed[36:54] *= 0.85
    flags = clip_steps(NAMES, PLANTS, _series(dimmed)["gain"], [36, 54], "gain")
    assert [flag.scan for flag in flags] == NAMES[36:54]
    assert "less in the near infrared" in flags[0].sentence


def test_step_of_a_known_series() -> None:
    # A shift of one half of a series: its size is the difference of the two means.
    values = np.concatenate([np.tile([0.9, 1.1], 5), np.tile([2.9, 3.1], 5)])
    step = find_step(values, [])
    assert step is not None
    assert (step.first, step.stop) == (10, 20)
    assert step.size == pytest.approx(2.0)
    assert find_step(values[:4], []) is None


def test_through_the_whole_rule(tmp_path: Path) -> None:
    made = Simulated(21, n_units=16)
    k = made.at("day0-p06-2")
    made.counts[k] = np.round(made.counts[k] + 0.04 * 75_000 * made.lit)
    job = made.job(tmp_path)
    outcome = run(job)
    table = read_parquet(job.outputs["quality"])
    moved = table[table["check"] == "clip_moved"]
    assert list(moved["scan"]) == ["day0-p06-2"]
    assert list(moved["severity"]) == ["outlier"]
    metrics = {metric.name: metric.value for metric in outcome.metrics}
    assert metrics["n_scans_baseline_judged"] >= 40


def bumped(folder: Path) -> Session:
    """Return a session whose leaves reflect a fifth less from the middle on."""
    made = Simulated(23, n_units=16)
    leaves = [k for k, row in enumerate(made.rows) if row["role"] == "sample"]
    for k in leaves[24:]:
        dark = 900 + 4.0 * made.rows[k]["ms"]
        made.counts[k] = np.round(dark + 0.8 * (made.counts[k] - dark))
    job = made.job(folder)
    return Session(read_spectra(job.inputs["scans"]), read_spectra(job.inputs["reflectance"]))


def clip_flags(session: Session, said: list[Flag]) -> list[Flag]:
    places = {scan: (scan[:8], scan[-1]) for scan in session.leaf_ids}
    return check_clip(session, places, None, said).flags


def test_a_bump_is_told_where_times_are_known_and_the_white_is_sound(tmp_path: Path) -> None:
    session = bumped(tmp_path)
    assert {flag.severity for flag in clip_flags(session, [])} == {"notice"}
    untimed = replace(
        session.scans, rows=session.scans.rows.assign(time=np.datetime64("NaT", "ms"))
    )
    assert clip_flags(Session(untimed, session.leaves), []) == []
    white = str(session.leaves.rows["white_before"].iloc[0])
    fault = Flag(white, "reference_drift", "fault", 0.2, 0.03, "1", "The white changed.")
    assert clip_flags(session, [fault]) == []
    # A dark at fault says nothing of the clip.
    dark = str(session.leaves.rows["dark_before"].iloc[0])
    assert clip_flags(session, [replace(fault, scan=dark)]) != []


@pytest.mark.parametrize("seed", [320, 321, 322])
def test_one_odd_leaf_does_not_accuse_the_rest_of_the_session(tmp_path: Path, seed: int) -> None:
    made = Simulated(seed, n_units=16)
    k = [i for i, row in enumerate(made.rows) if row["role"] == "sample"][7]
    dark = 900 + 4.0 * made.rows[k]["ms"]
    made.counts[k] = np.round(dark + 0.5 * (made.counts[k] - dark) + 2250.0 * made.lit)
    job = made.job(tmp_path)
    session = Session(read_spectra(job.inputs["scans"]), read_spectra(job.inputs["reflectance"]))
    assert {flag.scan for flag in clip_flags(session, [])} <= {made.rows[k]["scan"]}


def test_scale_of_the_residuals_counts_the_terms_of_the_fit() -> None:
    """30 scans and 7 terms, noise of 2: without the factor sqrt(30 / 23) 13 % too small."""
    scale = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        others = rng.normal(size=(30, 6))
        scale.append(residuals(others @ np.arange(6.0) + rng.normal(0, 2.0, 30), others, ()).scale)
    # Simulated once: 0.957 of the truth, with a standard error of 0.012.
    assert 0.91 < np.mean(scale) / 2.0 < 1.01
