"""Ambient scans: the leak of LEDs, daylight and tubes is measured, named and found in leaves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated import TRI_BAND, Simulated, lamp
from test_clip import AXIS, EVERYWHERE, NAMES, session

from leafledger.quality.fluorescent_lines import find_leak
from leafledger.quality.room_light import ambient_rows, ambient_share, leak_amounts, leaks_like
from leafledger.quality.stage import run
from leafledger.study.table_files import read_parquet

LEDS = ["LED-B1", "LED-B3", "LED-B5", "LED-V1"]


def illuminant(name: str, axis: np.ndarray) -> np.ndarray:
    """Return a CIE 15:2018 illuminant as the package colour-science tabulates it, largest 1."""
    import colour
    from scipy.interpolate import CubicSpline

    table = colour.SDS_ILLUMINANTS[name]
    power = CubicSpline(table.wavelengths, table.values)(np.clip(axis, 380.0, 780.0))
    return np.asarray(power / power.max())


def share_under_tungsten(name: str) -> np.ndarray:
    """Return a leak of the illuminant as a share of a white under illuminant A, largest 1."""
    share = illuminant(name, AXIS) / illuminant("A", AXIS)
    return np.asarray(share / share[AXIS >= 440].max())


@pytest.mark.parametrize("name", LEDS)
def test_an_led_is_never_called_mercury(name: str) -> None:
    for seed in range(3):
        spectra = session(seed)
        for level in (0.01, 0.05, 0.2):
            leaking = spectra + level * share_under_tungsten(name)
            assert not find_leak(AXIS, leaking, None).called.any()
            assert not find_leak(AXIS, leaking, np.full(spectra.shape, 0.002)).called.any()


@pytest.mark.parametrize("name", [*LEDS, "D65"])
def test_light_of_the_ambient_scan_is_found_in_a_leaf_and_not_in_the_others(name: str) -> None:
    template = 0.05 * share_under_tungsten(name)
    judged = found = 0
    for seed in range(6):
        spectra = session(seed, sd=5)
        clean = leak_amounts(AXIS, spectra, template, EVERYWHERE)
        assert clean is not None
        assert leaks_like(NAMES, clean, "amb", 0.05, 450.0, 0.005, "x") == []
        spectra[5] += 0.6 * template
        amounts = leak_amounts(AXIS, spectra, template, EVERYWHERE)
        assert amounts is not None
        flags = leaks_like(NAMES, amounts, "amb", 0.05, 450.0, 0.005, "x")
        assert {flag.scan for flag in flags} <= {"s005"}
        judged += int(amounts.reliable[5])
        found += len(flags)
        for flag in flags:
            assert flag.value == pytest.approx(0.03, abs=0.008)
    assert judged >= 4
    assert found == judged


def test_share_is_scaled_and_noise_is_no_leak() -> None:
    rng = np.random.default_rng(5)
    white = 4000.0 * illuminant("A", AXIS)
    leak = 0.03 * 4000.0 * illuminant("LED-B3", AXIS)
    noise = rng.normal(0, 2.0, len(AXIS))
    one = ambient_share("amb", AXIS, leak + noise, white, EVERYWHERE)
    none = ambient_share("amb", AXIS, noise, white, EVERYWHERE)
    assert one is not None
    assert none is not None
    inside = (AXIS >= 402) & (AXIS <= 698)
    smooth = np.convolve(leak / white, np.ones(5) / 5, "same")[inside]
    assert one.largest == pytest.approx(smooth.max(), rel=0.02)
    assert one.at_nm == pytest.approx(AXIS[inside][np.argmax(smooth)], abs=3)
    assert one.light == "no lines but the blue peak and gap of a white LED"
    assert one.seen
    assert not none.seen
    assert [flag.severity for flag in ambient_rows([one, none], 0.005)] == ["fault", "notice"]
    assert ambient_share("amb", AXIS, leak, white, AXIS > 800) is None


@pytest.mark.slow
def test_a_faint_filament_is_not_called_an_led() -> None:
    rng = np.random.default_rng(11)
    white = np.exp(-(((AXIS - 690) / 190) ** 2)) * 4000
    named = []
    for _ in range(200):
        net = 0.0004 * white + rng.normal(size=len(AXIS)) * 0.4
        one = ambient_share("a", AXIS, net, white, white > 0)
        assert one is not None
        named.append(one.light)
    assert not any("LED" in light and "blue peak" in light for light in named)


def test_dark_ambient_scans_are_not_called() -> None:
    rng = np.random.default_rng(6)
    white = 4000.0 * illuminant("A", AXIS)
    n_seen = 0
    for _ in range(2000):
        one = ambient_share("a", AXIS, rng.normal(0, 2.0, len(AXIS)), white, EVERYWHERE)
        assert one is not None
        n_seen += one.seen and one.largest > 0.005
    assert n_seen == 0


@pytest.mark.parametrize(
    ("name", "word"),
    [("LED-B3", "white LED"), ("D65", "daylight"), ("tube", "fluorescent lamp")],
)
def test_light_is_named(name: str, word: str) -> None:
    light = lamp(AXIS, TRI_BAND, 1.5) if name == "tube" else illuminant(name, AXIS)
    rng = np.random.default_rng(7)
    net = 200.0 * light + rng.normal(0, 1.0, len(AXIS))
    one = ambient_share("amb", AXIS, net, 4000.0 * illuminant("A", AXIS), EVERYWHERE)
    assert one is not None
    assert word in one.light


def measured(made: Simulated, folder: Path) -> tuple[pd.DataFrame, list[str], dict[str, float]]:
    job = made.job(folder)
    outcome = run(job)
    metrics = {metric.name: metric.value for metric in outcome.metrics}
    return read_parquet(job.outputs["quality"]), outcome.warnings, metrics


def with_ambient(made: Simulated, level: float, ms: float = 18.0) -> np.ndarray:
    """Add an ambient scan; return the LED leak it saw, counts per ms."""
    light = illuminant("LED-B3", made.axis)
    peak = (light / made.lit)[(made.axis >= 430) & (made.axis <= 700)].max()
    per_ms = level * 50_000 / 12 * light / peak
    made.add("day0-amb", "ambient", ms, None)
    made.counts[-1] = np.round(made.counts[-1] + ms * per_ms)
    return np.asarray(per_ms)


def test_led_leak_through_the_whole_rule(tmp_path: Path) -> None:
    made = Simulated(31, n_units=16)
    per_ms = with_ambient(made, 0.04)
    k = made.at("day0-p06-2")
    made.counts[k] = np.round(made.counts[k] + 18.0 * per_ms)
    table, warnings, metrics = measured(made, tmp_path)
    (row,) = table[table["check"] == "ambient_scan"].to_dict("records")
    assert (row["scan"], row["severity"]) == ("day0-amb", "fault")
    assert row["value"] == pytest.approx(0.04 / 0.985, rel=0.06)
    assert "white LED" in row["sentence"]
    assert metrics["ambient_light_share"] == row["value"]
    assert warnings == []
    light = table[table["check"] == "ambient_light"]
    faults = light[light["severity"] == "fault"]
    assert list(faults["scan"]) == ["day0-p06-2"]
    assert "mercury" not in faults["sentence"].iloc[0]
    assert "like that of the ambient scan day0-amb" in faults["sentence"].iloc[0]
    assert (light["severity"] == "notice").sum() == 48


def test_dark_room_is_tabulated_and_flags_no_leaf(tmp_path: Path) -> None:
    made = Simulated(32, n_units=16)
    with_ambient(made, 0.0)
    table, warnings, metrics = measured(made, tmp_path)
    (row,) = table.to_dict("records")
    assert (row["scan"], row["check"], row["severity"]) == ("day0-amb", "ambient_scan", "notice")
    assert row["value"] < row["threshold"]
    assert warnings == []
    assert metrics["ambient_light_share"] == row["value"]


def test_another_integration_time_takes_its_dark_from_two_others(tmp_path: Path) -> None:
    made = Simulated(33)
    with_ambient(made, 0.04, ms=40.0)
    table, _, metrics = measured(made, tmp_path)
    assert metrics["ambient_light_share"] == pytest.approx(0.04 / 0.985, rel=0.06)
    assert "day0-amb" in set(table["scan"])


def test_lamp_left_on_is_told_as_that(tmp_path: Path) -> None:
    made = Simulated(34)
    made.add("day0-amb", "ambient", 18.0, np.full(len(made.axis), 0.4))
    table, _, _ = measured(made, tmp_path)
    (row,) = table.to_dict("records")
    assert row["severity"] == "fault"
    assert "lamp was probably on" in row["sentence"]


def test_without_a_time_it_is_said_to_be_unmeasured(tmp_path: Path) -> None:
    made = Simulated(35)
    with_ambient(made, 0.04, ms=float("nan"))
    made.counts[-1] = made.counts[0] + np.arange(len(made.axis)) % 2
    table, warnings, _ = measured(made, tmp_path)
    assert len(table) == 0
    assert warnings == ["ambient scan day0-amb not measured: an integration time is missing"]
