"""The axis of a session: reported from a lamp scan, put right if asked, refused by name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr
from simulated_sessions import INSTRUMENT, REFLECTANCE, Bench, job_of

from leafledger.errors import InputFault
from leafledger.records.record import Outcome
from leafledger.reflectance.stage import Reflected, run, with_axis_doubt
from leafledger.reflectance.wavelength_correction import saturated_pixels
from leafledger.study.table_files import SpectraTable, read_spectra

# Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77; Sansonetti & Martin 2005, J. Phys. Chem.
# Ref. Data 34:1559 (argon, from memory); strengths ours.
LINES = {
    365.0158: 0.4, 404.6565: 0.5, 435.8335: 1.0, 546.0750: 0.9, 576.9610: 0.15, 579.0670: 0.15,
    696.5431: 0.35, 706.7218: 0.12, 738.3980: 0.25, 763.5106: 0.6, 811.5311: 0.4, 826.4522: 0.15,
    842.4648: 0.25, 912.2967: 0.2, 965.7786: 0.07,
}  # fmt: skip


def true_nm(as_read: np.ndarray, shift: float, stretch: float = 0.0) -> np.ndarray:
    return (as_read - shift + 600 * stretch) / (1 + stretch)


def lamp(bench: Bench, shift: float, rng: np.random.Generator, stretch: float = 0.0) -> np.ndarray:
    """Return counts of a mercury-argon lamp above dark, 2 nm wide."""
    true = true_nm(bench.wavelength_nm, shift, stretch)
    middle = (true[1:] + true[:-1]) / 2
    edges = np.r_[2 * true[0] - middle[0], middle, 2 * true[-1] - middle[-1]]
    counts = np.zeros(len(true))
    for at, strength in LINES.items():
        counts += 30_000 * strength * 2 * np.diff(ndtr((edges - at) / 0.85)) / np.diff(edges)
    return counts + rng.normal(size=len(counts)) * np.sqrt(36 + counts / 4)


def session(
    shift: float = 1.2, stretch: float = 0.001, lamps: int = 1, moved: float = 0.0
) -> Bench:
    """Return a session whose leaf has its red edge at 700 nm, read on a shifted axis."""
    bench = Bench(wavelength_nm=np.arange(350.0, 1000.0, 0.7))
    rng = np.random.default_rng(12)
    true = true_nm(bench.wavelength_nm, shift, stretch)
    for k in range(3):
        bench.add("dark", 10.0 * k)
    for k in range(3):
        bench.add("white", 60.0 + 10 * k)
    bench.add("sample", 120.0, 0.1 + 0.4 / (1 + np.exp(-(true - 700) / 12)))
    for k in range(3):
        bench.add("white", 180.0 + 10 * k)
    for k in range(lamps):
        bench.add("lamp", 300.0 + k, scan=f"lamp-{k + 1}")
        dark = bench.offset + bench.dark_rate * 10
        bench.counts[-1] = dark + lamp(bench, shift + moved * k, rng, stretch)
    return bench


def reflect(
    bench: Bench, folder: Path, full_scale: float | None = None, **settings: Any
) -> tuple[Outcome, SpectraTable]:
    grid = {"start_nm": 400.0, "stop_nm": 950.0, "step_nm": 1.0}
    job = job_of(
        folder,
        bench.scans(),
        {**INSTRUMENT, "full_scale_counts": full_scale},
        {**REFLECTANCE, "grid": grid, **settings},
    )
    return run(job), read_spectra(job.outputs["reflectance"])


def edge_nm(table: SpectraTable) -> float:
    """Return where the leaf passes half the height of its red edge (0.3)."""
    value = table.spectra["reflectance"][0]
    return float(np.interp(0.3, value, table.wavelength_nm))


def test_a_lamp_scan_is_reported_and_the_axis_left_as_read(tmp_path: Path) -> None:
    outcome, table = reflect(session(), tmp_path)
    told = table.metadata["wavelengths"]
    lamp = told["lamp"]
    assert (told["asked"], told["axis"]) == ("as_read", "as_read")
    assert lamp["scans"] == ["lamp-1"]
    assert lamp["n_lines"] >= 10
    middle = np.mean([line["found_nm"] for line in lamp["lines"]])
    truth = middle - true_nm(middle, 1.2, 0.001)
    assert abs(lamp["shift_nm"] - truth) < max(3 * lamp["u_shift_nm"], 0.05 * 0.7)
    assert lamp["resolution_nm"] == pytest.approx(2.0, rel=0.05)
    assert lamp["residual_nm"] < 0.05 * 0.7
    metrics = {metric.name: metric for metric in outcome.metrics}
    assert metrics["wavelength_shift"].value == lamp["shift_nm"]
    assert metrics["wavelength_shift"].unit == "nm"
    assert metrics["n_lamp_lines"].value == lamp["n_lines"]
    (said,) = [w for w in outcome.warnings if "mercury-argon" in w]
    assert "left as read" in said
    # The red edge of the leaf stands where the shifted axis puts it.
    assert edge_nm(table) == pytest.approx(700 + 1.2 + 0.1, abs=0.1)


def test_from_lamp_puts_the_red_edge_back(tmp_path: Path) -> None:
    outcome, table = reflect(session(), tmp_path, wavelengths="from_lamp")
    assert table.metadata["wavelengths"]["axis"] == "from_lamp"
    assert edge_nm(table) == pytest.approx(700.0, abs=0.04)
    assert any("were corrected" in w for w in outcome.warnings)
    # Shift of another sign, and an axis that needs no correction.
    for shift in (-2.0, 0.0):
        _, other = reflect(session(shift, 0.0), tmp_path / str(shift), wavelengths="from_lamp")
        assert edge_nm(other) == pytest.approx(700.0, abs=0.04)


def test_an_axis_that_stands_right_is_not_talked_about(tmp_path: Path) -> None:
    outcome, table = reflect(session(0.0, 0.0), tmp_path)
    assert abs(table.metadata["wavelengths"]["lamp"]["shift_nm"]) < 0.05
    assert not any("lamp" in w for w in outcome.warnings)


def test_several_lamp_scans_show_what_moved_between_them(tmp_path: Path) -> None:
    _, table = reflect(session(lamps=2, moved=0.6), tmp_path)
    first, second = table.metadata["wavelengths"]["lamp"]["by_scan"]
    moved = second["from_mean_nm"] - first["from_mean_nm"]
    assert moved == pytest.approx(0.6, abs=0.03)
    assert table.metadata["wavelengths"]["lamp"]["scans"] == ["lamp-1", "lamp-2"]


def test_nothing_is_told_without_a_lamp_scan(tmp_path: Path) -> None:
    _, table = reflect(session(lamps=0), tmp_path)
    assert "wavelengths" not in table.metadata


def test_from_lamp_without_a_lamp_scan_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputFault) as fault:
        reflect(session(lamps=0), tmp_path, wavelengths="from_lamp")
    (problem,) = fault.value.problems
    assert problem.column == "reflectance.wavelengths"
    assert "session day0 without a lamp scan" in problem.found


@pytest.mark.parametrize("ms", [10.0, 40.0])
def test_a_hot_pixel_is_not_taken_for_a_line(ms: float, tmp_path: Path) -> None:
    """Hot pixels beside three lines: longer integration makes them stand out of the lamp's dark."""
    clean = reflect(session(), tmp_path / "clean")[1].metadata["wavelengths"]["lamp"]
    bench = session()
    hot = np.searchsorted(bench.wavelength_nm, [548.5, 549.9, 765.5, 814.6, 620.0])
    for row, counts in zip(bench.rows, bench.counts, strict=True):
        if row["role"] == "lamp":
            row["ms"] = ms
            counts += bench.dark_rate * (ms - 10)
        counts[hot] += 900.0 * row["ms"]
    lamp = reflect(bench, tmp_path / "hot")[1].metadata["wavelengths"]["lamp"]
    assert lamp is not None
    assert lamp["shift_nm"] == pytest.approx(clean["shift_nm"], abs=3 * clean["u_shift_nm"])
    assert lamp["residual_nm"] < 2 * clean["residual_nm"] + 0.005
    found = np.array([line["found_nm"] for line in lamp["lines"]])
    assert np.abs(found[:, None] - bench.wavelength_nm[hot]).min() > 1.5
    assert lamp["n_lines"] >= clean["n_lines"] - 3


def test_lines_at_which_the_detector_is_full_are_told_and_not_used(tmp_path: Path) -> None:
    bench = session()
    bench.counts[-1] = np.minimum(1400 + 3 * (bench.counts[-1] - 1400), 65_535)
    outcome, table = reflect(bench, tmp_path, 65_535.0, wavelengths="from_lamp")
    lamp = table.metadata["wavelengths"]["lamp"]
    assert lamp["n_saturated"] == 2
    published = np.array([line["published_nm"] for line in lamp["lines"]])
    assert np.abs(published[:, None] - np.array([435.8335, 546.075])).min() > 5
    (said,) = [w for w in outcome.warnings if "was full at 2 published lines" in w]
    assert said.startswith("Lamp scan lamp-1")
    assert edge_nm(table) == pytest.approx(700.0, abs=0.04)


def test_an_axis_put_right_carries_its_uncertainty_into_reflectance(tmp_path: Path) -> None:
    """Worked: |dR / dwavelength| times the uncertainty that the lamp's lines leave."""
    quiet = {"gain_electrons_per_count": 1e9, "read_noise_counts": 1e-3}
    shared = {}
    for asked in ("as_read", "from_lamp"):
        settings = {"grid": {"start_nm": 400.0, "stop_nm": 950.0, "step_nm": 1.0}}
        settings["wavelengths"] = asked
        job = job_of(tmp_path / asked, session(0.0, 0.0).scans(), quiet, settings)
        run(job)
        table = read_spectra(job.outputs["reflectance"])
        shared[asked] = table.spectra["u_reference"][0]
    told = table.metadata["wavelengths"]["lamp"]
    at = np.searchsorted(table.wavelength_nm, [450.0, 700.0])
    # Slope of the logistic edge at its middle: 0.4 / (4 x 12 nm).
    u_nm = shared["from_lamp"][at[1]] / (0.4 / 48)
    assert told["u_shift_nm"] * 0.9 < u_nm < max(told["u_shift_at_ends_nm"])
    assert shared["as_read"][at[1]] < 0.1 * shared["from_lamp"][at[1]]
    assert shared["from_lamp"][at[0]] < 0.1 * shared["from_lamp"][at[1]]


def test_coverage_over_axes_that_are_redrawn() -> None:
    """200 sessions whose axis is off by its own uncertainty: 95 % intervals hold the truth."""
    grid, u_nm = np.arange(400.0, 950.0, 1.0), 0.15
    rng = np.random.default_rng(9)
    truth = 0.1 + 0.4 / (1 + np.exp(-(grid - 700) / 12))
    shift = rng.normal(0, u_nm, (200, 1))
    seen = 0.1 + 0.4 / (1 + np.exp(-(grid + shift - 700) / 12))
    u = np.full_like(seen, 2e-4)
    seen = seen + rng.normal(size=seen.shape) * u
    nothing = np.zeros(len(grid), dtype=bool)
    out = with_axis_doubt(
        Reflected(seen, u, np.zeros_like(u), nothing), grid, np.full((1, len(grid)), u_nm)
    )
    held = np.abs(seen - truth) <= 1.959964 * np.hypot(out.u_scan, out.u_reference)
    edge = (grid > 670) & (grid < 730)
    assert 0.93 <= held[:, edge].mean() <= 0.97
    assert (np.abs(seen - truth) <= 1.959964 * u)[:, edge].mean() < 0.6


def test_where_no_light_came_the_axis_adds_nothing() -> None:
    grid = np.arange(400.0, 420.0)
    unlit = grid < 405
    value = np.where(unlit, 0.0, 0.3)[None]
    out = with_axis_doubt(
        Reflected(value, value * 0, value * 0, unlit), grid, np.full((1, len(grid)), 0.2)
    )
    assert np.array_equal(out.u_reference, np.zeros_like(value))


def broken(kind: str) -> Bench:
    bench = session()
    x = bench.wavelength_nm
    rng = np.random.default_rng(1)
    if kind == "led":
        bench.counts[-1] = 1400 + 20_000 * np.exp(-0.5 * ((x - 450) / 9) ** 2)
        bench.counts[-1] += rng.normal(0, 6, len(x))
    elif kind == "dark":
        bench.counts[-1] = bench.counts[0].copy()
    elif kind == "saturated":
        bench.counts[-1] = np.minimum(1400 + (bench.counts[-1] - 1400) * 1000, 65_535)
    else:  # three strong lines, one of them full: two can be placed
        lines = sum(
            h * np.exp(-0.5 * ((x - nm) / 0.85) ** 2)
            for nm, h in ((435.8335, 90_000), (546.075, 9_000), (578.0, 9_000))
        )
        bench.counts[-1] = np.minimum(1400 + lines + rng.normal(0, 6, len(x)), 65_535)
    return bench


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("led", "narrow lines|the spectrum of a mercury-argon lamp"),
        ("dark", "lines"),
        ("saturated", "full|full scale"),
        ("few", "at least 3"),
    ],
)
def test_a_lamp_scan_that_does_not_serve_is_refused_by_name_or_said(
    kind: str, words: str, tmp_path: Path
) -> None:
    with pytest.raises(InputFault) as fault:
        reflect(broken(kind), tmp_path, 65_535.0, wavelengths="from_lamp")
    (problem,) = fault.value.problems
    assert problem.file == "raw/day0/lamp-1.txt"
    assert any(word in problem.found + problem.expected for word in words.split("|"))
    assert "as_read" in problem.mend
    # Not asked for: reflectance is computed, and the same is said as a warning.
    outcome, table = reflect(broken(kind), tmp_path, 65_535.0)
    assert table.metadata["wavelengths"]["lamp"] is None
    assert table.metadata["wavelengths"]["refused"][0]["scan"] == "lamp-1"
    assert any("lamp-1 does not tell the shift" in w for w in outcome.warnings)


def test_full_pixels_are_seen_without_a_stated_full_scale() -> None:
    assert saturated_pixels(np.array([1.0, 8, 8, 8, 2]), None).sum() == 3
    assert saturated_pixels(np.array([1.0, 8, 2, 8, 2]), None).sum() == 2
    assert saturated_pixels(np.array([1.0, 8, 8, 3, 2]), None).sum() == 0
    assert saturated_pixels(np.array([1.0, 99, 98, 3, 2]), 100.0).sum() == 1
