"""Axes that moved within a session are named; whites that move otherwise, or are smooth, are not.

Sources are simulated: a xenon lamp, a white LED, and tungsten through a filter with ripples
(shapes ours). Planted shifts are the truth.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from simulated import Simulated

from leafledger.quality.session import Session
from leafledger.quality.stage import run
from leafledger.quality.wavelength_axis import (
    axes_against_sessions,
    check_wavelengths,
    white_shifts,
    whites_moved,
)
from leafledger.study.table_files import SpectraTable, read_parquet, read_spectra

Floats = np.ndarray


def tungsten(x: Floats) -> Floats:
    return np.exp(-(((x - 690) / 190) ** 2)) + 0.004


def xenon(x: Floats) -> Floats:
    y = 1 + 0.3 * np.exp(-(((x - 560) / 200) ** 2))
    for at, height in ((468, 0.4), (485, 0.2), (764, 0.4), (823, 1.5), (882, 1.5), (980, 0.8)):
        y = y + height * np.exp(-0.5 * ((x - at) / 2.5) ** 2)
    return y


def led(x: Floats) -> Floats:
    blue, yellow = np.exp(-0.5 * ((x - 450) / 9) ** 2), np.exp(-0.5 * ((x - 565) / 50) ** 2)
    return 0.02 + blue + 0.6 * yellow


def filtered(x: Floats) -> Floats:
    return tungsten(x) * (1 + 0.03 * np.sin(x / 6))


def whites(
    source: Any, shifts: list[float], seed: int, step: float = 1.0, pattern: float = 0.01
) -> tuple[Floats, Floats, Floats]:
    """Return axis, whites above dark and usable pixels; level and colour drift from each to each.

    ``pattern`` is the relative sensitivity of the pixels, which does not move with the spectrum.
    """
    x = np.arange(395.0, 1000.0, step)
    sensitivity = 1 + pattern * np.random.default_rng(5).normal(size=len(x))
    rng = np.random.default_rng(seed)
    rows = []
    for shift in shifts:
        light = source(x - shift) * sensitivity * (1 + 0.02 * rng.normal() * (x - 700) / 300)
        light *= 40_000 * (1 + 0.01 * rng.normal()) / light.max()
        rows.append(light + rng.normal(size=len(x)) * np.sqrt((light / 4 + 25) / 10))
    counts = np.array(rows)
    middle = np.median(counts, axis=0)
    return x, counts, middle > 50 * np.sqrt(np.abs(middle) / 40 + 2.5)


@pytest.mark.parametrize("source", [xenon, led, filtered])
@pytest.mark.parametrize("step", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("planted", [0.6, -0.3])
def test_a_planted_shift_is_measured(source: Any, step: float, planted: float) -> None:
    for seed in range(5):
        found = white_shifts(*whites(source, [0, 0, 0, 0, planted], seed, step))
        assert found.why_not == ""
        assert found.shift_nm[-1] == pytest.approx(planted, abs=max(0.1 * abs(planted), 0.09))
        assert np.abs(found.shift_nm[:-1]).max() < 0.15
        assert (found.u_nm < 0.05).all()


@pytest.mark.parametrize("source", [xenon, led, filtered])
def test_a_dark_that_drifted_by_a_few_counts_is_no_shift(source: Any) -> None:
    x, counts, usable = whites(source, [0, 0, 0, 0, 0, 0.4], 3)
    counts[4:] += 200
    found = white_shifts(x, counts, usable & (counts > 0).all(axis=0))
    assert np.abs(found.shift_nm[:-1]).max() < 0.05
    assert found.shift_nm[-1] == pytest.approx(0.4, abs=0.05)


def test_a_session_in_two_halves_counts_from_the_first(tmp_path: Path) -> None:
    found = white_shifts(*whites(led, [0, 0, 0, 0.6, 0.6, 0.6], 1))
    np.testing.assert_allclose(found.shift_nm, [0, 0, 0, 0.6, 0.6, 0.6], atol=0.05)


@pytest.mark.parametrize("source", [xenon, led, filtered])
def test_whites_that_stood_still_are_not_called(source: Any) -> None:
    """Level and colour change, the axis does not: not one call in 1,500 whites."""
    calls = 0
    for seed in range(250):
        found = white_shifts(*whites(source, [0.0] * 6, seed))
        calls += int(np.sum(np.abs(found.shift_nm) > np.maximum(0.2, 4 * found.u_nm)))
    assert calls == 0


@pytest.mark.parametrize("pattern", [0.0, 0.01])
@pytest.mark.parametrize("step", [0.5, 1.0, 2.0])
def test_a_smooth_white_tells_nothing_and_that_is_said(pattern: float, step: float) -> None:
    for seed in range(5):
        found = white_shifts(*whites(tungsten, [0, 0, 0, 0, 0.6], seed, step, pattern))
        assert "too smooth" in found.why_not
        assert not len(found.shift_nm)


def test_what_cannot_be_compared_is_said() -> None:
    x, counts, usable = whites(led, [0.0, 0.0], 1)
    assert "two whites" in white_shifts(x, counts[:1], usable).why_not
    assert "too few pixels" in white_shifts(x, counts, np.zeros_like(usable)).why_not
    assert "too few pixels" in white_shifts(x, -counts, usable).why_not


def session_of(source: Any, folder: Path, moved: dict[str, float]) -> tuple[Any, Any]:
    """Run the rule on a session under a source; the whites named are measured shifted."""
    simulated = Simulated(3, n_units=4)
    simulated.rows, simulated.counts, simulated.minutes = [], [], 0.0
    simulated.lit = source(simulated.axis) / source(simulated.axis).max()
    simulated.references("r1")
    for scan in simulated.places:
        simulated.add(scan, "sample", 18.0, np.full(len(simulated.axis), 0.3))
    simulated.references("r2")
    for scan, shift in moved.items():
        row = simulated.at(scan)
        lit = source(simulated.axis - shift) / source(simulated.axis).max()
        light = 50_000 * lit * 0.985
        noise = simulated.rng.normal(size=len(light)) * np.sqrt(light / 10 + 40)
        simulated.counts[row] = np.round(948 + light + noise)
    job = simulated.job(folder)
    run(job)
    return job, read_parquet(job.outputs["quality"])


def test_the_rule_names_the_white_that_moved_and_the_leaves_on_it(tmp_path: Path) -> None:
    _, table = session_of(led, tmp_path, {"day0-r2-wb": 0.8})
    moved = table[table["check"] == "wavelength_shift"]
    assert list(moved["scan"]) == ["day0-r2-wb"]
    assert list(moved["severity"]) == ["fault"]
    assert moved["value"].iloc[0] == pytest.approx(0.8, abs=0.1)
    assert moved["unit"].iloc[0] == "nm"
    assert moved["value"].iloc[0] > moved["threshold"].iloc[0] >= 0.5
    assert "+0.8" in moved["sentence"].iloc[0]


def test_a_small_shift_is_a_notice(tmp_path: Path) -> None:
    _, table = session_of(led, tmp_path, {"day0-r2-wb": 0.35})
    moved = table[table["check"] == "wavelength_shift"]
    assert list(moved["severity"]) == ["notice"]


def test_the_rule_says_whether_it_could_tell(tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    for source, word in ((led, b'"assessed"'), (tungsten, b'"not assessable"')):
        job, table = session_of(source, tmp_path / source.__name__, {})
        assert not (table["check"] == "wavelength_shift").any()
        told = pq.read_schema(job.outputs["quality"]).metadata
        assert word in told[b"wavelength_shift"]


def lamp_told(axis: str, shift: float, second: float) -> dict[str, Any]:
    scans = [
        {"scan": "lamp-1", "from_mean_nm": -second / 2, "u_nm": 0.01},
        {"scan": "lamp-2", "from_mean_nm": second / 2, "u_nm": 0.01},
    ]
    lamp = {"shift_nm": shift, "u_shift_nm": 0.02, "by_scan": scans}
    return {"asked": axis, "axis": axis, "lamp": lamp, "refused": []}


@pytest.mark.parametrize(
    ("axis", "shift", "second", "expected"),
    [
        ("as_read", 0.0, 0.0, []),
        ("as_read", 0.9, 0.0, [("lamp-1", "notice")]),
        ("from_lamp", 0.9, 0.0, []),
        ("as_read", 0.0, -0.7, [("lamp-2", "fault")]),
        ("as_read", 0.0, 0.3, [("lamp-2", "notice")]),
    ],
)
def test_lamp_scans_tell_of_shift_and_of_movement(
    axis: str, shift: float, second: float, expected: list[tuple[str, str]], tmp_path: Path
) -> None:
    job = Simulated(3, n_units=4).job(tmp_path)
    leaves = read_spectra(job.inputs["reflectance"])
    told = {**leaves.metadata, "wavelengths": lamp_told(axis, shift, second)}
    leaves = SpectraTable(leaves.rows, leaves.wavelength_nm, leaves.spectra, told)
    moved = check_wavelengths(Session(read_spectra(job.inputs["scans"]), leaves), None)
    assert [(flag.scan, flag.severity) for flag in moved.flags] == expected


def mean_whites(
    source: Any, shifts: dict[str, float], seed: int, step: float = 1.0
) -> dict[str, pd.DataFrame]:
    """Return signal tables of sessions whose mean white stands shifted."""
    x, counts, usable = whites(source, list(shifts.values()), seed, step)
    signal = np.where(usable, 300.0, 10.0)
    columns = ("wavelength_nm", "signal_to_noise", "white")
    return {
        name: pd.DataFrame(dict(zip(columns, (x, signal, white), strict=True)))
        for name, white in zip(shifts, counts, strict=True)
    }


@pytest.mark.parametrize("source", [xenon, led, filtered])
@pytest.mark.parametrize("planted", [0.6, -0.4])
def test_a_session_on_a_moved_axis_is_told_by_its_whites(source: Any, planted: float) -> None:
    for seed in range(5):
        shifts = {"day0": 0.0, "day4": 0.0, "day8": planted, "day12": 0.0}
        found = whites_moved(mean_whites(source, shifts, seed), ())
        (said,) = found.warnings
        assert said.startswith("Session day8: the structure of its whites stands ")
        told = float(said.split("stands ")[1].split(" nm")[0])
        assert told == pytest.approx(planted, abs=0.1)
        assert found.largest_nm == pytest.approx(abs(planted), abs=0.15)


@pytest.mark.parametrize(
    "source", [xenon, *(pytest.param(lamp, marks=pytest.mark.slow) for lamp in (led, filtered))]
)
def test_sessions_that_stood_still_are_not_called(source: Any) -> None:
    """Not one call in 500 studies of 4 sessions and 500 of 2."""
    for seed in range(500):
        for days in (("day0", "day4", "day8", "day12"), ("day0", "day8")):
            assert (
                whites_moved(mean_whites(source, dict.fromkeys(days, 0.0), seed), ()).warnings == []
            )


def test_of_two_sessions_the_later_is_told() -> None:
    (said,) = whites_moved(mean_whites(led, {"day0": 0.0, "day8": 0.5}, 2), ()).warnings
    assert said.startswith("Session day8: the structure of its whites stands +0.5")


def test_another_kind_of_lamp_is_no_shift() -> None:
    tables = mean_whites(led, {"day0": 0.0, "day4": 0.0}, 1)
    other = mean_whites(xenon, {"day8": 0.0}, 1)
    assert not [w for w in whites_moved({**tables, **other}, ()).warnings if "have moved" in w]


def test_where_whites_are_smooth_that_is_said_once_and_a_lamp_speaks_before_them() -> None:
    smooth = mean_whites(tungsten, {"day0": 0.0, "day4": 0.8}, 1)
    (said,) = whites_moved(smooth, ()).warnings
    assert "cannot be told for day0, day4" in said
    assert "too smooth" in said
    assert whites_moved(smooth, ("day0", "day4")).warnings == []
    assert whites_moved({"day0": smooth["day0"]}, ()).warnings == []
    moved = mean_whites(led, {"day0": 0.0, "day4": 0.8}, 1)
    assert whites_moved(moved, ("day0", "day4")).warnings == []


def axes(
    shifts: dict[str, float], axis: str = "as_read", u: float = 0.02
) -> dict[str, dict[str, Any]]:
    told = {}
    for name, shift in shifts.items():
        ends = {"shift_at_ends_nm": [shift - 0.05, shift + 0.05], "u_shift_at_ends_nm": [3 * u] * 2}
        lamp = {"shift_nm": shift, "u_shift_nm": u, **ends}
        told[name] = {"axis": axis, "lamp": lamp}
    return told


@pytest.mark.parametrize(
    ("shifts", "axis", "u", "expected"),
    [
        ({"a": 0.3, "b": 0.35, "c": 0.28, "d": 0.9}, "as_read", 0.02, ["d"]),
        ({"a": 0.9, "b": 0.35, "c": 0.28, "d": 0.3}, "as_read", 0.02, ["a"]),
        ({"a": 0.3, "b": 0.4, "c": 0.22}, "as_read", 0.02, []),
        ({"a": 0.3, "b": 0.6}, "as_read", 0.02, ["b"]),
        ({"a": 0.3, "b": 0.6}, "as_read", 0.1, []),
        ({"a": 0.3, "b": 0.35, "c": 0.28, "d": 0.7}, "from_lamp", 0.02, []),
        ({"a": 0.3, "b": 0.35, "c": 0.28, "d": 1.4}, "from_lamp", 0.02, ["d"]),
        ({"a": 0.3}, "as_read", 0.02, []),
    ],
)
def test_axes_of_sessions_are_held_against_each_other(
    shifts: dict[str, float], axis: str, u: float, expected: list[str]
) -> None:
    told = {**axes(shifts, axis, u), "no lamp": {}}
    said, largest = axes_against_sessions(told)
    assert [sentence.split(":")[0] for sentence in said] == [f"Session {name}" for name in expected]
    assert all(("put right" in s) if axis == "from_lamp" else ("left as read" in s) for s in said)
    if len(shifts) > 1:
        assert largest == pytest.approx(max(shifts.values()) - min(shifts.values()))
    else:
        assert largest is None


def test_a_shift_at_one_end_counts_too() -> None:
    told = axes({"a": 0.3, "b": 0.3, "c": 0.3})
    told["c"]["lamp"]["shift_at_ends_nm"] = [0.25, 1.1]
    (said,) = axes_against_sessions(told)[0]
    assert said.startswith("Session c")
    assert "at the long end" in said


@pytest.mark.parametrize(
    ("lamps", "said"),
    [
        ({}, "there is no lamp scan, and"),
        ({"a": False}, "no lamp scan of a could be read, and"),
        ({"a": False, "b": True}, "no lamp scan of a could be read and only b has a lamp scan"),
    ],
)
def test_lamp_scans_that_do_not_tell_are_not_called_missing(
    lamps: dict[str, bool], said: str
) -> None:
    smooth = pd.DataFrame(
        {
            "wavelength_nm": np.arange(400.0, 1000.0),
            "white": 1000.0 + np.arange(600.0),
            "signal_to_noise": 500.0,
        }
    )
    (warning,) = whites_moved({"a": smooth, "b": smooth}, [], lamps).warnings
    assert said in warning


@pytest.mark.parametrize(
    ("by_nm", "axis", "u", "told"),
    [
        # The larger of 0.2 nm (0.5 nm where the axis was put right) and four uncertainties; all
        # three places of an axis are as certain here.
        (0.19, "as_read", 0.001, False),
        (0.21, "as_read", 0.001, True),
        (0.49, "from_lamp", 0.001, False),
        (0.51, "from_lamp", 0.001, True),
        (0.39, "as_read", 0.1, False),
        (0.41, "as_read", 0.1, True),
    ],
)
def test_how_far_the_axis_by_the_lamp_may_stand_off(
    by_nm: float, axis: str, u: float, told: bool
) -> None:
    found = axes(dict.fromkeys("abcd", 0.3) | {"e": 0.3 + by_nm}, axis, u)
    for of in found.values():
        of["lamp"]["u_shift_at_ends_nm"] = [u, u]
    said = axes_against_sessions(found)[0]
    assert [sentence[:9] for sentence in said] == (["Session e"] if told else [])
    assert all(
        f"tolerance {max(0.5 if axis == 'from_lamp' else 0.2, 4 * u):.2g} nm" in s for s in said
    )
