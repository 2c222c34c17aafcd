"""Another instrument: a silicon array of 512 pixels of 2.5 nm and 12 bit, other lamps, its faults.

Nothing here is taken from the demo or the other simulator: detector, source, noise, lamps and the
order of measuring are made anew, and reflectance is by plain division.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import prosail
import pytest
from simulated import MODEL_NM, Simulated

from leafledger.quality.stage import run
from leafledger.records.record import Outcome
from leafledger.study.table_files import read_parquet

FULL_SCALE = 4095.0
WHITE_MS, LEAF_MS, FWHM_NM = 30.0, 60.0, 5.0
PIXELS_NM = 310.0 + 2.5 * np.arange(512)
ELECTRONS_PER_COUNT, READ_COUNTS, AVERAGES = 60.0, 0.8, 20
# A tri-band tube and a mercury vapour lamp with positions and strengths as read off a spectrum
# (common practice, no source), unlike the templates of the filter.
TUBE = {405.0: 0.25, 436.0: 0.7, 488.0: 0.35, 543.5: 1.0, 546.1: 0.5, 586.5: 0.3, 611.6: 0.95,
        631.0: 0.15}  # fmt: skip
VAPOUR = {404.7: 0.5, 435.8: 1.3, 546.1: 1.0, 577.0: 0.55, 579.1: 0.55}


class Array512(Simulated):
    """A session of this instrument, in the tables of the other simulator."""

    def __init__(self, seed: int, n_units: int = 67) -> None:
        self.rng = np.random.default_rng(seed)
        self.axis = PIXELS_NM
        self.session, self.minutes = "day0", 0.0
        self.indices = []
        self.rows, self.counts, self.places = [], [], {}
        planck = PIXELS_NM**-5.0 / np.expm1(1.4388e7 / (PIXELS_NM * 3000.0))
        silicon = np.clip((PIXELS_NM - 330) / 500, 0.02, 1) * np.clip(
            (1120 - PIXELS_NM) / 180, 0.002, 1
        )
        self.lit = planck * silicon / (planck * silicon).max()
        self.pattern = self.rng.normal(0, 1.5, 512)
        self.references("r0")
        for k in range(n_units):
            green = self.rng.normal(30, 6)
            for position in "123":
                name = f"day0-p{k:02d}-{position}"
                self.add(name, "sample", LEAF_MS, self.leaf(green + self.rng.normal(0, 2)))
                self.places[name] = {"unit": f"p{k:02d}", "leaf": position, "replicate": "1"}
            if k % 20 == 19:
                self.references(f"r{k}")
        self.references("rz")

    def references(self, name: str) -> None:
        for ms in (WHITE_MS, LEAF_MS):
            self.add(f"day0-{name}-d{ms:.0f}", "dark", ms, None)
        for k in "abc":
            self.add(f"day0-{name}-w{k}", "white", WHITE_MS, np.full(512, 0.985))

    def leaf(self, green: float) -> np.ndarray:
        """Return a leaf (PROSPECT-D) seen through a response of 5 nm by a clip that varies."""
        cab = max(float(green), 3.0)
        model = prosail.run_prospect(
            self.rng.normal(1.6, 0.06), cab, 2 + 0.2 * cab, 0.0, self.rng.normal(0.012, 0.001),
            self.rng.normal(0.005, 0.0004), ant=max(self.rng.normal(1.0, 0.2), 0),
        )[1]  # fmt: skip
        near = np.exp(-0.5 * (np.arange(-10, 11) / (FWHM_NM / 2.3548)) ** 2)
        smooth = np.convolve(np.pad(model, 10, mode="edge"), near / near.sum(), "valid")
        value = np.interp(PIXELS_NM, MODEL_NM, smooth)
        return np.asarray(value * self.rng.normal(1, 0.01) + self.rng.normal(0, 0.002))

    def add(
        self,
        name: str,
        role: str,
        ms: float,
        value: np.ndarray | None,
        leak: float | np.ndarray = 0,
    ) -> None:
        full = 3300.0 * ms / WHITE_MS * self.lit
        light = full * ((0.0 if value is None else value) + leak)
        noise = np.sqrt((np.abs(light) / ELECTRONS_PER_COUNT + READ_COUNTS**2) / AVERAGES)
        counts = 150 + 0.3 * ms + self.pattern + light + self.rng.normal(size=512) * noise
        # Twenty readings are averaged and stored with one decimal.
        self.counts.append(np.clip(np.round(counts, 1), 0, FULL_SCALE))
        self.minutes += 0.25
        self.rows.append({"scan": name, "role": role, "ms": ms, "minutes": self.minutes})

    def reflectance(self) -> tuple[list[str], np.ndarray, np.ndarray]:
        counts = np.array(self.counts)
        role = np.array([row["role"] for row in self.rows])
        ms = np.array([row["ms"] for row in self.rows])
        dark = {t: np.median(counts[(role == "dark") & (ms == t)], axis=0) for t in np.unique(ms)}
        white = np.median(counts[role == "white"], axis=0) - dark[WHITE_MS]
        at = np.flatnonzero(role == "sample")
        scale = 0.985 * WHITE_MS / LEAF_MS / np.maximum(white, 1.0)
        signal = counts[at] - dark[LEAF_MS]
        variance = np.maximum(signal, 0) / ELECTRONS_PER_COUNT + READ_COUNTS**2
        return [self.rows[k]["scan"] for k in at], signal * scale, np.sqrt(variance / 20) * scale

    def leak_into(self, scan: str, share: np.ndarray) -> None:
        self.counts[self.at(scan)] += np.round(3300.0 * LEAF_MS / WHITE_MS * self.lit * share, 1)


def lines(strengths: dict[float, float], made: Array512) -> np.ndarray:
    """Return a lamp as a share of the white, 1 at its strongest pixel from 500 to 900 nm."""
    seen = np.zeros(512)
    for at, strength in strengths.items():
        seen += strength * np.exp(-0.5 * ((PIXELS_NM - at) / (FWHM_NM / 2.3548)) ** 2)
    return _largest_one(seen / made.lit)


def led(made: Array512) -> np.ndarray:
    """Return a white diode (CIE LED-B3, CIE 15:2018, through colour-science) as such a share."""
    import colour
    from scipy.interpolate import CubicSpline

    table = colour.SDS_ILLUMINANTS["LED-B3"]
    power = CubicSpline(table.wavelengths, table.values)(np.clip(PIXELS_NM, 380, 780))
    power = np.where((PIXELS_NM < 380) | (PIXELS_NM > 780), 0.0, power)
    planck = PIXELS_NM**-5.0 / np.expm1(1.4388e7 / (PIXELS_NM * 3000.0))
    return _largest_one(power / planck)


def _largest_one(share: np.ndarray) -> np.ndarray:
    inside = (PIXELS_NM >= 500) & (PIXELS_NM <= 900)
    return np.asarray(share / share[inside].max())


def judged(made: Array512, folder: Path) -> SimpleNamespace:
    job = made.job(folder, full_scale=FULL_SCALE)
    outcome: Outcome = run(job)
    table = read_parquet(job.outputs["quality"])
    faults = table[table["severity"] == "fault"]
    pairs = set(zip(faults["scan"], faults["check"], strict=True))
    return SimpleNamespace(table=table, faults=pairs, warnings=outcome.warnings)


def test_two_hundred_clean_scans(tmp_path: Path) -> None:
    for seed in (1, 2):
        seen = judged(Array512(seed), tmp_path / str(seed))
        assert seen.faults == set()
        assert not (seen.table["check"] == "clip_moved").any()


@pytest.mark.parametrize("strengths", [TUBE, VAPOUR], ids=["tube", "vapour"])
def test_open_clips_are_found(tmp_path: Path, strengths: dict[float, float]) -> None:
    made = Array512(3)
    scans = [f"day0-p{k:02d}-2" for k in range(0, 60, 3)]
    for scan, level in zip(scans, np.linspace(0.01, 0.05, len(scans)), strict=True):
        made.leak_into(scan, level * lines(strengths, made))
    found = {scan for scan, check in judged(made, tmp_path).faults if check == "ambient_light"}
    assert found <= set(scans)
    assert len(found) >= 19


def test_a_white_led_is_no_mercury_but_measured_by_an_ambient_scan(tmp_path: Path) -> None:
    made = Array512(4)
    scans = [f"day0-p{k:02d}-1" for k in range(0, 60, 6)]
    for scan in scans:
        made.leak_into(scan, 0.03 * led(made))
    without = judged(made, tmp_path / "without")
    assert not (without.table["check"] == "ambient_light").any()
    made.add("day0-amb", "ambient", LEAF_MS, None, 0.03 * led(made))
    seen = judged(made, tmp_path / "with")
    assert ("day0-amb", "ambient_scan") in seen.faults
    found = {scan for scan, check in seen.faults if check == "ambient_light"}
    assert found <= set(scans)
    assert len(found) >= 9
    assert not seen.table["sentence"].str.contains("mercury").any()


def test_single_faults_each_under_its_name(tmp_path: Path) -> None:
    made = Array512(5)
    dark = 150 + 0.3 * LEAF_MS + made.pattern
    full = 3300.0 * LEAF_MS / WHITE_MS * made.lit
    # What other leaves foretell suggests, and costs no scan by itself.
    lifted = {("day0-p05-1", "clip_moved")}
    planted = {
        "day0-p05-1": ("clip_moved", lambda counts: counts + 0.03 * full),
        "day0-p15-2": ("no_leaf", lambda counts: dark + 0.42 * full),
        "day0-p25-3": ("low_signal", lambda counts: dark + (counts - dark) / 400),
        "day0-p35-1": ("saturated", lambda counts: np.minimum(dark + 3.5 * (counts - dark), 4095)),
        "day0-p45-2": ("impossible_reflectance", lambda counts: counts - 0.08 * full),
    }
    noise = np.random.default_rng(9).normal(0, 0.4, 512)
    for scan, (_, change) in planted.items():
        k = made.at(scan)
        made.counts[k] = np.clip(np.round(change(made.counts[k]) + noise, 1), 0, FULL_SCALE)
    seen = judged(made, tmp_path)
    named = {(scan, check) for scan, (check, _) in planted.items()}
    assert named - lifted <= seen.faults
    assert {scan for scan, _ in seen.faults} == {scan for scan, _ in named - lifted}
    outliers = seen.table[seen.table["severity"] == "outlier"]
    assert lifted <= set(zip(outliers["scan"], outliers["check"], strict=True))
    told = seen.table[seen.table["severity"] == "fault"]
    assert np.isfinite(told[["value", "threshold"]].to_numpy(dtype=float)).all()
    assert (told["unit"].str.len() > 0).all()
    assert told["sentence"].str.endswith(".").all()


def test_a_fibre_bumped_in_mid_session_is_told_from_there_on(tmp_path: Path) -> None:
    made = Array512(6)
    names = [row["scan"] for row in made.rows if row["role"] == "sample"]
    dark = 150 + 0.3 * LEAF_MS + made.pattern
    for scan in names[150:]:
        k = made.at(scan)
        made.counts[k] = np.round(dark + 0.85 * (made.counts[k] - dark), 1)
    table = judged(made, tmp_path).table
    told = table[(table["check"] == "clip_moved") & (table["severity"] == "notice")]
    assert set(told["scan"]) == set(names[150:])
    assert told["sentence"].str.contains(f"From {names[150]} to {names[-1]}").all()
