"""Checks see the detector as the reflectance does: made linear, its hot pixels interpolated.

A planted detector (our own) loses 6e-6 of a signal for every count of it; the lamp is steady.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from leafledger.quality.reference_checks import check_counts
from leafledger.quality.room_light import check_ambient
from leafledger.quality.session import Session
from leafledger.quality.session_levels import tile_reflectance
from leafledger.study.table_files import SpectraTable

AXIS = np.arange(400.0, 1000.0)
LOSS, HOT = 6e-6, [150, 420]
CHECKS = {
    "saturated_share": 0.0,
    "reference_drift": 0.03,
    "ambient_share": 0.005,
    "lamp_lines": False,
}


def session(told: dict[str, Any], noise: float = 1.0) -> Session:
    """Whites at four times and a tile, then whites at one and the tile again; an ambient scan."""
    rng = np.random.default_rng(7)
    lit = 1200 * (0.05 + np.exp(-(((AXIS - 690) / 190) ** 2)))
    rows, counts = [], []

    def add(role: str, ms: float, reflectance: float) -> None:
        light = reflectance * lit * ms
        # Counts that become the light when the loss is put back: x (1 + LOSS x) = light.
        seen = (np.sqrt(1 + 4 * LOSS * light) - 1) / (2 * LOSS)
        value = 300 + seen + noise * rng.normal(size=len(AXIS))
        value[HOT] += 400 * rng.random(2)
        counts.append(value)
        k = len(rows)
        when = pd.Timestamp("2026-05-04") + pd.Timedelta(minutes=k)
        rows.append(
            {"scan": f"{role}{k}", "role": role, "integration_ms": ms, "averages": 8, "time": when}
        )

    for ms in (3.0, 5.0, 7.0, 9.0, 21.0):
        for _ in range(3):
            add("dark", ms, 0.0)
    for times in ((3.0, 5.0, 7.0, 9.0), (9.0,)):
        for ms in times:
            for _ in range(3):
                add("white", ms, 1.0)
        add("check", 21.0, 0.4)
    add("ambient", 21.0, 0.0)
    raw = SpectraTable(pd.DataFrame(rows), AXIS, {"counts": np.array(counts)}, {})
    none = pd.DataFrame({"scan": pd.Series([], dtype=str)})
    empty = {name: np.zeros((0, len(AXIS))) for name in ("reflectance", "u_scan")}
    return Session(raw, SpectraTable(none, AXIS, empty, told))


KNOWN = {"linearity_coefficients": [1.0, LOSS], "hot_pixels": HOT, "hot_pixels_nm": [550.0, 820.0]}


def test_whites_at_several_times_of_a_curved_detector_are_no_drift() -> None:
    flags, _ = check_counts(session(KNOWN), CHECKS, np.full(len(AXIS), 500.0))
    assert {flag.check for flag in flags} == {"hot_pixel"}
    curved = {**KNOWN, "linearity_coefficients": [1.0]}
    flags, _ = check_counts(session(curved), CHECKS, np.full(len(AXIS), 500.0))
    assert "reference_drift" in {flag.check for flag in flags}


def test_the_tile_reads_the_same_beside_whites_of_any_time() -> None:
    first, second = tile_reflectance(session(KNOWN))
    assert first == pytest.approx(np.full(len(AXIS), 0.4), abs=0.01)
    assert float(np.median(first - second)) == pytest.approx(0.0, abs=0.0005)


def test_a_hot_pixel_is_no_light_of_the_room() -> None:
    (flag,) = check_ambient(session(KNOWN), CHECKS, np.full(len(AXIS), 500.0)).flags
    assert "nothing stands above the noise" in flag.sentence
    blind = {**KNOWN, "hot_pixels": []}
    (flag,) = check_ambient(session(blind), CHECKS, np.full(len(AXIS), 500.0)).flags
    assert flag.wavelength_nm == pytest.approx(550.0, abs=3)
