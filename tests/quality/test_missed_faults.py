"""Faults that must not pass, and clean sessions that must: saturated whites, weak scans, noise.

Sessions are simulated (PROSPECT-D, package prosail); what is planted is the truth.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from simulated import MERCURY, TRI_BAND, Simulated, any_leaves, lamp
from test_ambient_scan import illuminant

from leafledger.quality.cross_session_checks import between_sessions, compare_axes
from leafledger.quality.darks import bad_dark
from leafledger.quality.fluorescent_lines import THRESHOLD, find_leak, threshold
from leafledger.quality.reference_checks import _missing_block, shared_ceilings
from leafledger.quality.room_light import ambient_light, ambient_share
from leafledger.quality.session import Findings, Flag
from leafledger.quality.stage import run
from leafledger.records.record import Outcome
from leafledger.study.table_files import read_parquet

AXIS = np.arange(390.0, 1010.0, 1.0)


def result(session: Simulated, folder: Path) -> tuple[pd.DataFrame, Outcome]:
    job = session.job(folder)
    outcome = run(job)
    return read_parquet(job.outputs["quality"]), outcome


def named(table: pd.DataFrame, check: str, severity: str) -> set[str]:
    return set(table.loc[(table["check"] == check) & (table["severity"] == severity), "scan"])


def at_role(session: Simulated, role: str) -> list[int]:
    return [k for k, row in enumerate(session.rows) if row["role"] == role]


# --- whites ------------------------------------------------------------------------------------


@pytest.mark.parametrize("pixels", [slice(None), slice(200, 260)], ids=["everywhere", "in part"])
def test_leaves_on_saturated_whites_are_faults(tmp_path: Path, pixels: slice) -> None:
    session = Simulated(31)
    for k in at_role(session, "white"):
        session.counts[k][pixels] = 65535.0
    table, outcome = result(session, tmp_path)
    leaves = {session.rows[k]["scan"] for k in at_role(session, "sample")}
    assert named(table, "white_saturated", "fault") == leaves
    assert any("rest on whites at which the detector was full" in w for w in outcome.warnings)


def test_one_saturated_white_of_three_costs_no_leaf(tmp_path: Path) -> None:
    session = Simulated(32)
    first = at_role(session, "white")[0]
    session.counts[first][:] = 65535.0
    table, _ = result(session, tmp_path)
    assert session.rows[first]["scan"] in named(table, "saturated", "fault")
    assert (table["check"] != "white_saturated").all()


def two_sessions(folder: Path, **job: Any) -> tuple[dict[str, pd.DataFrame], Findings]:
    """Return the flags of a session whose whites are all 16383 and of a clean one, and of both."""
    tables, levels, signals = {}, {}, {}
    for seed, name in ((31, "day0"), (32, "day4")):
        session = Simulated(seed, session=name)
        if name == "day0":
            for k in at_role(session, "white"):
                session.counts[k][:] = 16383.0
        made = session.job(folder / name, full_scale=None, **job)
        outcome = run(made)
        tables[name] = read_parquet(made.outputs["quality"])
        tables[name].attrs["warnings"] = outcome.warnings
        levels[name] = read_parquet(made.outputs["levels"])
        signals[name] = read_parquet(made.outputs["signal"])
    records = [row for table in tables.values() for row in table.to_dict("records")]
    together = between_sessions(levels, [Flag(**row) for row in records], {})
    together += compare_axes({}, signals)
    return tables, together


def test_whites_at_a_ceiling_that_leaves_exceed_are_at_full_scale(tmp_path: Path) -> None:
    """Leaves reach 32,000 counts, all whites of the first session 16383, nobody stated a scale."""
    tables, together = two_sessions(tmp_path)
    bad = tables["day0"]
    faults = bad[bad["severity"] == "fault"]
    assert set(faults["check"]) == {"saturated", "white_saturated"}
    assert (faults["check"] == "saturated").sum() == 12
    assert (faults["check"] == "white_saturated").sum() == 24
    assert (faults.loc[faults["check"] == "saturated", "value"] == 1.0).all()
    sentence = faults.loc[faults["check"] == "saturated", "sentence"].iloc[0]
    assert "620 of 620 pixels" in sentence
    assert "full scale, 16383 counts (full scale proposed from the data" in sentence
    ceiling, lost = bad.attrs["warnings"]
    assert ceiling.startswith("12 scans (day0-r1-wa to day0-rz-wc) are cut flat at 16383 counts")
    assert lost.startswith("24 of 24 leaf scans rest on whites at which the detector was full (163")
    assert len(tables["day4"]) == 0
    assert tables["day4"].attrs["warnings"] == []
    assert together.warnings == []


def test_a_ceiling_is_flat_over_many_pixels_of_lit_scans_that_share_it() -> None:
    rng = np.random.default_rng(3)
    roles = ["white", "white", "sample", "dark", "dark"]
    counts = np.round(rng.normal(500, 20, (5, 400)))
    counts[:2, 100:120] = 1000.0  # 5 % of the pixels
    counts[2] += 4000
    assert shared_ceilings(counts, roles).tolist() == [1000.0, 1000.0, np.inf, np.inf, np.inf]
    narrow = counts.copy()
    narrow[:2, 119] = 990.0
    assert np.isinf(shared_ceilings(narrow, roles)).all()
    alone = counts.copy()
    alone[1, 100:120] = 999.0
    assert shared_ceilings(alone, roles)[:2].tolist() == [np.inf, np.inf]
    # The only white of a session shares its ceiling with no other.
    assert shared_ceilings(alone, ["white", "sample", *roles[2:]])[0] == 1000.0
    below_a_dark = counts.copy()
    below_a_dark[3, 7] = 1000.0
    assert np.isinf(shared_ceilings(below_a_dark, roles)).all()


def test_a_single_full_pixel_of_the_white_is_told_and_costs_no_leaf(tmp_path: Path) -> None:
    session = Simulated(33)
    for k in at_role(session, "white"):
        session.counts[k][300] = 65535.0
    table, outcome = result(session, tmp_path)
    leaves = {session.rows[k]["scan"] for k in at_role(session, "sample")}
    assert named(table, "white_saturated", "notice") == leaves
    assert named(table, "white_saturated", "fault") == set()
    assert not any("detector was full" in w for w in outcome.warnings)


def test_a_tube_that_burns_during_one_white_is_found(tmp_path: Path) -> None:
    """2 % of the white at the strongest line from 500 nm up, of either lamp."""
    for seed, lines in ((34, MERCURY), (35, TRI_BAND), (36, TRI_BAND)):
        session = Simulated(seed)
        k = at_role(session, "white")[1]
        white = session.counts[k] - (900 + 4.0 * 12)
        session.counts[k] = np.round(session.counts[k] + 0.02 * white * lamp(AXIS, lines, 1.5))
        table, _ = result(session, tmp_path / str(seed))
        whites = {session.rows[i]["scan"] for i in at_role(session, "white")}
        told = named(table, "ambient_light", "fault") | named(table, "ambient_light", "notice")
        assert told & whites == {session.rows[k]["scan"]}
        assert session.rows[k]["scan"] in named(table, "ambient_light", "fault")


def test_clean_whites_show_no_tube(tmp_path: Path) -> None:
    for seed in range(40, 43):
        session = Simulated(seed)
        table, _ = result(session, tmp_path / str(seed))
        whites = {session.rows[i]["scan"] for i in at_role(session, "white")}
        assert not whites & set(table.loc[table["check"] == "ambient_light", "scan"])


# --- leaves and darks -----------------------------------------------------------------------------


def test_two_scans_of_three_percent_exposure_are_named(tmp_path: Path) -> None:
    session = Simulated(51)
    weak = at_role(session, "sample")[4:6]
    for k in weak:
        dark = 900 + 4.0 * session.rows[k]["ms"]
        session.counts[k] = np.round(dark + 0.03 * (session.counts[k] - dark))
    table, _ = result(session, tmp_path)
    assert set(table.loc[table["check"] == "low_signal", "scan"]) == {
        session.rows[k]["scan"] for k in weak
    }


def test_a_short_integration_time_is_weak_as_well(tmp_path: Path) -> None:
    """The reflectance is right then and its signal-to-noise above the limit."""
    session = Simulated(52)
    weak = at_role(session, "sample")[7]
    light = session.counts[weak] - (900 + 4.0 * 18)
    for k in at_role(session, "dark"):
        if session.rows[k]["ms"] == 12.0:
            session.add(f"short-{k}", "dark", 0.6, None)
    session.counts[weak] = np.round(900 + 4.0 * 0.6 + light * 0.6 / 18.0)
    session.rows[weak]["ms"] = 0.6
    table, _ = result(session, tmp_path)
    assert session.rows[weak]["scan"] in set(table.loc[table["check"] == "low_signal", "scan"])


@pytest.mark.parametrize("n", [3, 4, 8, 9, 40])
def test_one_dark_of_eight_times_the_noise_is_named(n: int) -> None:
    """The fixed pattern of the detector is five times the noise, and hides nothing."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        pattern = 1000 + rng.normal(0, 15.0, 1024)
        darks = pattern + rng.normal(0, 3.0, (n, 1024))
        darks[1] = pattern + rng.normal(0, 24.0, 1024)
        ids = [f"d{k}" for k in range(n)]
        lit = np.full((1, 1024), 9000.0)
        flags = bad_dark(ids, darks, np.full(n, 10.0), 20000.0, lit, np.array([10.0]))
        assert [(f.scan, f.check) for f in flags] == [("d1", "dark_noise")]
        assert 6.0 < flags[0].value < 10.0


def test_darks_of_one_noise_are_not_named() -> None:
    for seed in range(60):
        rng = np.random.default_rng(seed)
        pattern = 1000 + rng.normal(0, 15.0, 512)
        darks = np.round(pattern + rng.normal(0, 1.0, (3 + seed % 4, 512)))
        ids = [f"d{k}" for k in range(len(darks))]
        lit = np.full((1, 512), 9000.0)
        times = np.full(len(darks), 10.0)
        assert bad_dark(ids, darks, times, 20000.0, lit, np.array([10.0])) == []


def two_darks(
    seed: int, *, pattern: float = 9.0, noisy: float = 1.0, grown: float = 0.0, n_others: int = 2
) -> list[Flag]:
    """Return flags of two darks of 10 ms (the second odd) and others of 20 ms; noise 3 counts."""
    rng = np.random.default_rng(seed)
    shape = rng.normal(0, pattern, 1024)
    darks = [1000 + shape, 1000 + shape * (1 + grown), *[1080 + shape] * n_others]
    noise = rng.normal(0, 3.0, (2 + n_others, 1024))
    noise[1] *= noisy
    ids = [f"d{k}" for k in range(len(darks))]
    lit = np.full((1, 1024), 9000.0)
    times = np.array([10.0, 10.0, *[20.0] * n_others])
    return bad_dark(ids, np.round(np.array(darks) + noise), times, 20000.0, lit, np.array([10.0]))


def test_the_noisier_of_two_darks_is_named_by_those_of_another_time() -> None:
    """Pitman-Morgan test of paired variances; eight times the noise, either of the two."""
    for seed in range(30):
        (flag,) = two_darks(seed, noisy=8.0)
        assert (flag.scan, flag.check, flag.severity) == ("d1", "dark_noise", "fault")
        assert flag.value == pytest.approx(8.0, rel=0.12)
    rng = np.random.default_rng(1)
    shape = rng.normal(1000, 9.0, 1024)
    darks = shape + rng.normal(0, 1.0, (4, 1024)) * np.array([[24.0], [3.0], [3.0], [3.0]])
    lit, times = np.full((1, 1024), 9000.0), np.array([10.0, 10.0, 20.0, 20.0])
    (flag,) = bad_dark([*"abcd"], darks, times, 20000.0, lit, np.array([10.0]))
    assert (flag.scan, flag.severity) == ("a", "fault")


def test_two_darks_alone_tell_only_that_one_may_be_noisy() -> None:
    for seed in range(30):
        flags = two_darks(seed, noisy=8.0, n_others=0)
        assert [(f.scan, f.severity) for f in flags] == [("d0", "notice"), ("d1", "notice")]
        assert "d1 seems to be the noisier" in flags[0].sentence
        assert "two darks do not tell which. Take three or more." in flags[1].sentence


def test_a_pattern_that_hides_which_dark_is_noisy_is_said() -> None:
    flags = two_darks(3, noisy=8.0, pattern=300.0)
    assert [(f.scan, f.severity) for f in flags] == [("d0", "notice"), ("d1", "notice")]
    assert "two darks do not tell which" in flags[0].sentence


@pytest.mark.parametrize("n_others", [0, 1, 2, 3])
def test_sound_pairs_of_darks_are_not_named(n_others: int) -> None:
    """None of 800, with a fixed pattern of 0 to 20 times the noise that grows by up to 20 %."""
    for seed in range(50):
        for pattern, grown in ((0.0, 0.0), (9.0, 0.04), (60.0, 0.04), (60.0, 0.2)):
            assert two_darks(seed, pattern=pattern, grown=grown, n_others=n_others) == []


# --- room light has a size ------------------------------------------------------------------------


def leaks(spectra: np.ndarray, noise: float | None, u: float | None, share: float) -> list[Flag]:
    known = None if noise is None else np.full(spectra.shape, noise)
    leak = find_leak(AXIS, spectra, known)
    names = [f"s{k}" for k in range(len(spectra))]
    every = None if u is None else np.full(len(spectra), u)
    return ambient_light(names, leak, threshold(known), share, every)


def test_three_leaves_without_noise_are_no_fault() -> None:
    """A model leaf in almost no noise seems to hold lines that move nothing."""
    faults = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        spectra = any_leaves(AXIS, 3, rng) + rng.normal(0, 1e-6, (3, len(AXIS)))
        faults += [f for f in leaks(spectra, 1e-6, 5e-4, 0.005) if f.severity == "fault"]
    assert faults == []


NOISES = (2e-4, 1e-3, 3e-3, 5e-3)


def leaves_and_noise(n: int, repeats: int, noise: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    clean = np.tile(any_leaves(AXIS, n, rng), (repeats, 1))
    return clean + rng.normal(0, noise, clean.shape)


def lost_of(spectra: np.ndarray, noise: float) -> list[Flag]:
    return [f for f in leaks(spectra, noise, noise, 0.005) if f.severity == "fault"]


def test_leaks_of_one_percent_are_faults_and_clean_leaves_are_not() -> None:
    for seed, noise in enumerate(NOISES[:3]):
        spectra = leaves_and_noise(100, 3, noise, seed)
        spectra[:60] += 0.01 * lamp(AXIS, MERCURY, 1.5)
        found = lost_of(spectra, noise)
        assert all(int(f.scan[1:]) < 60 for f in found)
        # One line alone tells the size: in 0.3 % of noise some are notices.
        assert len(found) >= (45 if noise > 1e-3 else 58), noise
        assert np.median([f.value for f in found]) == pytest.approx(0.0087, rel=0.2)


@pytest.mark.slow
def test_of_twenty_thousand_clean_leaves_none_is_lost() -> None:
    lost = [len(lost_of(leaves_and_noise(500, 10, noise, 7), noise)) for noise in NOISES]
    assert sum(lost) <= 2, lost


def test_light_that_would_have_to_be_negative_is_not_told() -> None:
    for seed in range(2):
        spectra = leaves_and_noise(100, 1, 2e-4, seed)
        spectra[:20] -= 0.01 * lamp(AXIS, MERCURY, 1.5)
        leak = find_leak(AXIS, spectra, np.full(spectra.shape, 2e-4))
        assert (leak.height[leak.called] > 0).all()
        assert not leak.called[:20].any()


def test_a_leak_below_the_tolerated_share_is_a_notice() -> None:
    rng = np.random.default_rng(3)
    spectra = any_leaves(AXIS, 60, rng) + rng.normal(0, 2e-4, (60, len(AXIS)))
    spectra[0] += 0.003 * lamp(AXIS, MERCURY, 1.5)
    spectra[1] += 0.008 * lamp(AXIS, MERCURY, 1.5)
    told = {f.scan: f for f in leaks(spectra, 2e-4, 1e-3, 0.005)}
    assert (told["s0"].severity, told["s1"].severity) == ("notice", "fault")
    assert "little room light, or chance" in told["s0"].sentence
    # Where reflectance is no better known than that, the larger one is a notice too.
    assert {f.severity for f in leaks(spectra, 2e-4, 1e-2, 0.005)} == {"notice"}
    assert told["s0"].value == pytest.approx(0.003, rel=0.3)
    assert THRESHOLD < 4.3


@pytest.mark.parametrize("pressure", ["low", "high"])
def test_a_sodium_lamp_is_named(pressure: str) -> None:
    """D lines at 588.995 and 589.592 nm (air), in a lamp of high pressure broad and reversed."""
    rng = np.random.default_rng(5)
    x = AXIS
    if pressure == "low":
        light = np.exp(-0.5 * ((x - 589.3) / 0.8) ** 2)
    else:
        broad = np.exp(-0.5 * ((x - 590.0) / 10.0) ** 2)
        dip = 0.8 * np.exp(-0.5 * ((x - 589.3) / 2.0) ** 2)
        lines = {466.7: 0.06, 498.0: 0.15, 568.6: 0.5, 615.7: 0.3, 819.0: 0.8}
        light = broad * (1 - dip) + 0.03
        for at, height in lines.items():
            light = light + height * np.exp(-0.5 * ((x - at) / 1.2) ** 2)
    assert light_of(light, rng) == SODIUM


SODIUM = "the yellow lines of a sodium lamp"
WHITE_LED = "no lines but the blue peak and gap of a white LED"


def light_of(light: np.ndarray, rng: np.random.Generator | None = None) -> str:
    """Return what an ambient scan of a light, 200 noise deviations high, is said to hold."""
    noise = (rng or np.random.default_rng(5)).normal(0, 1.0, len(AXIS))
    everywhere = np.ones(len(AXIS), dtype=bool)
    found = ambient_share("a", AXIS, 200.0 * light + noise, np.full(len(AXIS), 9000.0), everywhere)
    assert found is not None
    return found.light


def diode(peak_nm: float, width_nm: float) -> np.ndarray:
    """Return a Gaussian peak of this full width at half maximum."""
    return np.asarray(np.exp(-4 * np.log(2) * ((AXIS - peak_nm) / width_nm) ** 2))


def peaks_of(text: str) -> list[tuple[int, int]]:
    assert text.startswith("light of the room, peak at ")
    return [(int(a), int(b)) for a, b in re.findall(r"peak at (\d+) nm, width (\d+) nm", text)]


@pytest.mark.parametrize("width_nm", [14.0, 17.0, 20.0])
@pytest.mark.parametrize("peak_nm", [587.0, 589.3, 592.0])
def test_an_amber_led_is_no_sodium_lamp(peak_nm: float, width_nm: float) -> None:
    ((peak, width),) = peaks_of(light_of(diode(peak_nm, width_nm)))
    assert peak == pytest.approx(peak_nm, abs=1)
    assert width == pytest.approx(width_nm, abs=1)


def test_the_lamp_of_low_pressure_is_a_line_at_the_d_lines() -> None:
    assert light_of(diode(589.3, 8.0)) == SODIUM
    assert light_of(diode(589.3, 12.0)) != SODIUM
    assert light_of(diode(594.0, 5.0)) != SODIUM
    # A line half as high as the light beside it fits no sodium lamp.
    assert light_of(0.4 * diode(589.3, 3.0) + 0.5 * diode(600.0, 150.0)) != SODIUM


def test_a_grow_light_is_no_white_led() -> None:
    """Red 660, blue 450 and far-red 730 nm; the blue peak stands over a gap, without phosphor."""
    grow = diode(660, 20) + 0.6 * diode(450, 22) + 0.3 * diode(730, 25)
    peaks = peaks_of(light_of(grow))
    assert np.allclose(peaks, [(660, 20), (450, 22), (730, 25)], atol=1.5)
    assert np.allclose(peaks_of(light_of(diode(450, 20))), [(450, 20)], atol=1.5)
    # A peak below a fifth of the highest is not named.
    assert len(peaks_of(light_of(diode(660, 20) + 0.15 * diode(450, 22)))) == 1
    with_red = 0.6 * diode(450, 20) + 0.45 * diode(560, 110) + diode(660, 20)
    assert peaks_of(light_of(with_red))[0] == pytest.approx((660, 21), abs=1.5)


def test_a_white_led_has_a_broad_phosphor() -> None:
    assert light_of(diode(450, 20) + 0.5 * diode(565, 110)) == WHITE_LED
    assert light_of(diode(450, 20) + 0.15 * diode(565, 110)) == WHITE_LED
    assert light_of(diode(450, 20) + 0.06 * diode(565, 110)) != WHITE_LED
    assert light_of(diode(450, 20) + 0.5 * diode(545, 35)) != WHITE_LED


@pytest.mark.parametrize("name", ["LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "HP1", "A"])
def test_illuminants_of_the_cie_are_named(name: str) -> None:
    """CIE 15:2018: phosphor diodes, a sodium lamp of high pressure (HP1) and a filament."""
    named = {"HP1": SODIUM, "A": "no lines, as daylight, a filament lamp or some LEDs"}
    assert light_of(illuminant(name, AXIS)) == named.get(name, WHITE_LED)


# --- nothing to heed in a clean session --------------------------------------------------------


def test_darks_half_way_are_no_missing_block() -> None:
    whites = np.array([0.0, 10.0, 20.0, 36.0, 46.0, 56.0])
    # Ten leaf scans between any two; six minutes of darks in the middle of the longest gap.
    starts = np.delete(whites, -1)
    leaves = np.sort(np.concatenate([s + np.linspace(0.5, 9.0, 10) for s in starts]))
    assert _missing_block(whites, leaves) == []
    # A block left out: twice the time, twice the leaves.
    left_out = np.delete(whites, 2)
    (said,) = _missing_block(left_out, leaves)
    assert "a block of whites seems to be missing" in said
    assert "20 leaf scans" in said


def test_whites_cut_flat_below_the_stated_full_scale_are_saturated(tmp_path: Path) -> None:
    made = Simulated(77, n_units=6)
    for k, row in enumerate(made.rows):
        if row["role"] == "white":
            made.counts[k] = np.minimum(3 * made.counts[k], 60_000)
    outcome = run(made.job(tmp_path, full_scale=65_535))
    assert any(
        "cut flat at 60000 counts, below the full scale of 65535" in w for w in outcome.warnings
    )
    table = read_parquet(tmp_path / "results/quality/day0.parquet")
    lost = set(table[table["severity"] == "fault"]["scan"])
    assert lost >= {row["scan"] for row in made.rows if row["role"] in {"white", "sample"}}
