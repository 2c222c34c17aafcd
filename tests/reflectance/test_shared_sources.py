"""Index uncertainty from each source that pixels share, against the index computed again.

The outside value is the index itself: the session is converted again with one input moved by its
standard uncertainty, either way (finite differences), or with all inputs drawn at once (Monte
Carlo, JCGM 101:2008), and every index of the catalogue is computed from that. The leaves are
PROSPECT-D (package prosail), as a detector sees them: a lamp with a colour, and no noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import prosail
import pytest
from simulated_sessions import INSTRUMENT, REFLECTANCE, job_of

from leafledger.indices.catalogue import averaged, catalogue, chosen, formulas_as_json
from leafledger.indices.stage import BandErrors, band_values, covariances, index_values, plan
from leafledger.indices.stage import run as run_indices
from leafledger.records.record import Job
from leafledger.reflectance.count_corrections import Linearity
from leafledger.reflectance.detector import Noise, pool_darks
from leafledger.reflectance.references import (
    Scans,
    above_dark,
    build_references,
    fill_defaults,
    pool_references,
)
from leafledger.reflectance.stage import Reflected, to_grid, to_reflectance, with_axis_doubt
from leafledger.reflectance.stage import run as run_reflectance
from leafledger.study.table_files import read_parquet, write_json

ENTRIES = [averaged(entry, entry.band_width_nm) for entry in catalogue().values()]
NAMES = np.array([entry.index for entry in ENTRIES])
AXIS = np.linspace(395.0, 2505.0, 3015)
GRID = np.arange(400.0, 2501.0)
MODEL_NM = np.arange(400.0, 2501.0)
# Without noise what is left is what pixels share.
KNOWN = {**INSTRUMENT, "gain_electrons_per_count": 1e14, "read_noise_counts": 0.0}
LEAVES = ((45.0, 9.0, 1.0, 0.014, 0.006), (12.0, 5.0, 3.0, 0.009, 0.004))
NEGLIGIBLE = 2e-6
"""Change of an index, relative to the index or to 1, that counts as none: it cancels."""


def leaf(place: int) -> np.ndarray:
    cab, car, ant, cw, cm = LEAVES[place]
    model = prosail.run_prospect(1.6, cab, car, 0.0, cw, cm, ant=ant)
    return np.interp(AXIS, MODEL_NM, model[1])


SPECTRA = tuple(leaf(place) for place in range(len(LEAVES)))


@dataclass(frozen=True)
class Bench:
    """A session, and how far each uncertain input is off, in units of the input.

    Attributes
    ----------
    grey, tilt
        Relative change of the lamp between the whites: alike everywhere, and per 1,000 nm.
    ms
        Integration time of the first white, the leaves and the second white.
    dark_range
        Difference of the two darks of each integration time, counts.
    bend
        Counts read as x (1 + bend x).
    lamp_off
        The lamp at the leaves, in standard uncertainties of its drift.
    dark_off, ms_off
        Integration time -> error of all its darks (counts), of the time itself (ms).
    axis_off_nm
        Error of the axis.
    """

    grey: float = 0.0
    tilt: float = 0.0
    ms: tuple[float, float, float] = (10.0, 10.0, 10.0)
    dark_range: Mapping[float, float] = field(default_factory=dict)
    bend: float = 0.0
    lamp_off: float = 0.0
    dark_off: Mapping[float, float] = field(default_factory=dict)
    ms_off: Mapping[float, float] = field(default_factory=dict)
    axis_off_nm: float = 0.0
    linear_times: tuple[float, ...] = ()

    def scans(self) -> Scans:
        early = 3000.0 * (0.3 + np.exp(-(((AXIS - 900.0) / 500.0) ** 2)))
        late = early * (1.0 + self.grey + self.tilt * (AXIS - 690.0) / 1000.0)
        lamp = 0.5 * (early + late) + self.lamp_off * (late - early) / np.sqrt(12)
        dark = np.zeros_like(AXIS)
        times = sorted({*self.ms, *self.linear_times})
        rows = []
        for ms in times:
            half, off = self.dark_range.get(ms, 0.0) / 2, self.dark_off.get(ms, 0.0)
            rows += [("dark", 0.0, ms, dark + off - half), ("dark", 1.0, ms, dark + off + half)]
        rows += [("white", 10.0, self.ms[0], self.read(early * self.ms[0]))]
        for level, ms in enumerate(self.linear_times):
            flicker = 1 + 0.002 * (-1) ** level * (1 + level % 3)
            # Long before: a block of their own, which no leaf rests on.
            rows += [("white", -5000.0, ms, self.read(early * ms * flicker))]
        for spectrum in SPECTRA:
            rows += [("sample", 110.0, self.ms[1], self.read(spectrum * lamp * self.ms[1]))]
        rows += [("white", 210.0, self.ms[2], self.read(late * self.ms[2]))]
        return Scans(
            session="day0",
            scan=np.array([f"s{k:02d}" for k in range(len(rows))]),
            role=np.array([row[0] for row in rows]),
            file=np.array([f"raw/s{k:02d}.txt" for k in range(len(rows))]),
            time_s=np.array([row[1] for row in rows]),
            integration_ms=np.array([row[2] + self.ms_off.get(row[2], 0.0) for row in rows]),
            averages=np.ones(len(rows)),
            counts=np.stack([1200.0 + row[3] for row in rows]),
            wavelength_nm=AXIS + self.axis_off_nm,
            full_scale_counts=1e6,
        )

    def read(self, signal: np.ndarray) -> np.ndarray:
        return signal * (1 + self.bend * signal)


def reflected(
    bench: Bench, instrument: Mapping[str, Any], settings: Mapping[str, Any]
) -> Reflected:
    scans, _ = fill_defaults(bench.scans())
    references, _ = build_references(scans, {**KNOWN, **instrument}, {**REFLECTANCE, **settings})
    return to_reflectance(scans, references, 0.98, to_grid(scans.wavelength_nm, GRID, None))


def indices(found: Reflected) -> tuple[np.ndarray, np.ndarray]:
    """Return value and u_reference of every index, each (n_leaves, n_indices)."""
    made = plan(ENTRIES, GRID, GRID[0], GRID[-1])
    read = found.reflectance[:, made.used]
    noise = covariances(made, found.u_noise[:, made.used])
    sources = [band_values(made, s[:, made.used].astype(float)) for s in found.shared.values()]
    errors = BandErrors(noise, noise, None, sources)
    numbers, status = index_values(made, band_values(made, read), errors, len(read))
    assert (status == "ok").all()
    return numbers["value"], numbers["u_reference"]


def disagreeing(
    told: np.ndarray, true: np.ndarray, value: np.ndarray, within: float = 0.1
) -> list[str]:
    """Return indices whose told uncertainty is not within 0.9 to 1.1 of the true change."""
    floor = NEGLIGIBLE * np.maximum(np.abs(value), 1.0)
    clear = np.maximum(told, true) > floor
    ratio = np.divide(told, true, out=np.full_like(told, np.inf), where=true > 0)
    wrong = clear & (np.abs(ratio - 1) > within)
    return [f"{NAMES[k]} of leaf {i}: {ratio[i, k]:.3g}" for i, k in np.argwhere(wrong)]


DRIFT = Bench(grey=0.05)
COLOUR = Bench(tilt=0.04)
DARK = Bench(dark_range={10.0: 12.0})
TWO_DARKS = Bench(ms=(10.0, 20.0, 10.0), dark_range={10.0: 9.0, 20.0: 14.0})
STRAY = {"fraction": 0.01, "u_relative": 0.29}
TIMES = Bench(ms=(10.0, 20.0, 10.0))
MIXED = Bench(
    ms=(10.0, 20.0, 12.0),
    tilt=0.02,
    grey=0.01,
    dark_range={10.0: 6.0, 12.0: 5.0, 20.0: 8.0},
)
DARKS = tuple(MIXED.dark_range.items())


def moved(name: str, sign: float) -> tuple[Bench, dict[str, Any], dict[str, Any]]:
    """Return session and settings with the one source of a case moved by its uncertainty."""
    stray = {**STRAY, "fraction": 0.01 * (1 + 0.29 * sign), "u_relative": 0.0}
    return {
        "grey drift": (replace(DRIFT, lamp_off=sign), {}, {}),
        "coloured drift": (replace(COLOUR, lamp_off=sign), {}, {}),
        "dark": (replace(DARK, dark_off={10.0: sign * 12 / np.sqrt(12)}), {}, {}),
        "dark of the leaf": (
            replace(TWO_DARKS, dark_range={20.0: 14.0}, dark_off={20.0: sign * 14 / np.sqrt(12)}),
            {},
            {},
        ),
        "dark of the white": (
            replace(TWO_DARKS, dark_range={10.0: 9.0}, dark_off={10.0: sign * 9 / np.sqrt(12)}),
            {},
            {},
        ),
        "stray light": (Bench(), {}, {"stray_light": STRAY if sign == 0 else stray}),
        "integration time": (
            replace(TIMES, ms_off={20.0: sign * 0.1 * np.sqrt(1 + (20 / 10) ** 2)}),
            {"integration_u_ms": 0.1},
            {},
        ),
        "axis": (Bench(axis_off_nm=sign * 0.05), {}, {}),
    }[name]


SOURCES = (
    "grey drift",
    "coloured drift",
    "dark",
    "dark of the leaf",
    "dark of the white",
    "stray light",
    "integration time",
    "axis",
)


def told_by(name: str) -> tuple[np.ndarray, np.ndarray]:
    found = reflected(*moved(name, 0.0))
    if name == "axis":
        found = with_axis_doubt(found, GRID, np.full((1, len(GRID)), 0.05))
    return indices(found)


@pytest.mark.parametrize("name", SOURCES)
def test_each_source_alone_moves_every_index_as_told(name: str) -> None:
    value, told = told_by(name)
    up, down = (indices(reflected(*moved(name, sign)))[0] for sign in (1.0, -1.0))
    assert disagreeing(told, np.abs(up - down) / 2, value) == []
    # A source of no effect would pass with nothing told: some indices must feel it.
    assert (told > 1e-4 * np.abs(value)).any() or name in ("grey drift", "integration time")


@pytest.mark.slow
def test_all_sources_at_once_spread_every_index_as_told() -> None:
    """Monte Carlo (JCGM 101:2008): three dark levels, three times, lamp, stray light and axis."""
    stray = {"stray_light": {**STRAY, "u_relative": 0.1}}
    u_ms, u_nm = 0.02, 0.05
    found = reflected(MIXED, {"integration_u_ms": u_ms}, stray)
    found = with_axis_doubt(found, GRID, np.full((1, len(GRID)), u_nm))
    value, told = indices(found)
    rng = np.random.default_rng(12)
    draws = []
    for _ in range(400):
        z = rng.normal(size=9)
        bench = replace(
            MIXED,
            lamp_off=z[0],
            dark_off={ms: w / np.sqrt(12) * z[1 + k] for k, (ms, w) in enumerate(DARKS)},
            ms_off={ms: u_ms * z[4 + k] for k, (ms, _) in enumerate(DARKS)},
            axis_off_nm=u_nm * z[7],
        )
        settings = {"stray_light": {"fraction": 0.01 * (1 + 0.1 * z[8]), "u_relative": 0.0}}
        draws.append(indices(reflected(bench, {}, settings))[0])
    spread = np.std(draws, axis=0, ddof=1)
    assert disagreeing(told, spread, value, within=0.13) == []


def test_an_estimated_linearity_moves_every_index_as_told() -> None:
    """Each direction in which the coefficients are uncertain, put in as stated coefficients."""
    bench = Bench(bend=2e-6, linear_times=(2.5, 5.0, 7.5, 10.0, 12.5, 15.0))
    asked = {"linearity": "estimate"}
    scans, _ = fill_defaults(bench.scans())
    line = build_references(scans, {**KNOWN, **asked}, REFLECTANCE)[0].linearity
    assert len(line.modes) == 2
    value, told = indices(reflected(bench, asked, {}))
    true = np.zeros_like(told)
    for mode in line.modes:
        near = []
        for sign in (0.5, -0.5):
            terms = [c + sign * m for c, m in zip(line.coefficients, mode, strict=True)]
            near.append(indices(reflected(bench, {"linearity": {"coefficients": terms}}, {}))[0])
        true = np.hypot(true, near[0] - near[1])
    assert disagreeing(told, true, value) == []


@pytest.mark.parametrize("name", ["grey drift", "dark", "stray light"])
def test_what_cancels_still_cancels_in_the_files(tmp_path: Path, name: str) -> None:
    """The tables on disk round; an index of few parts in a thousand of its terms must survive."""

    def table(folder: str, sign: float) -> tuple[np.ndarray, np.ndarray]:
        bench, instrument, settings = moved(name, sign)
        grid = {"start_nm": 400.0, "stop_nm": 2500.0, "step_nm": 1.0}
        job = job_of(tmp_path / folder, bench.scans(), {**KNOWN, **instrument}, settings)
        job.settings["reflectance"]["grid"] = grid
        run_reflectance(job)
        limits = tmp_path / folder / "results/range.json"
        write_json(limits, {"start_nm": 400.0, "stop_nm": 2500.0})
        formulas = tmp_path / folder / "results/indices/formulas.json"
        asked = {"use": ["all"], "band_read": "published", "formulas": []}
        write_json(formulas, formulas_as_json(chosen(asked)))
        out = tmp_path / folder / "results/indices/day0.parquet"
        run_indices(
            Job(
                rule="indices",
                session="day0",
                settings={},
                inputs={
                    "reflectance": job.outputs["reflectance"],
                    "range": limits,
                    "formulas": formulas,
                },
                outputs={"indices": out},
                folder=tmp_path / folder,
            )
        )
        rows = read_parquet(out).set_index(["scan", "index"])
        shaped = [
            rows[c].unstack("index")[list(NAMES)].to_numpy() for c in ("value", "u_reference")
        ]
        return shaped[0], shaped[1]

    value, told = table("told", 0.0)
    up, down = table("up", 1.0)[0], table("down", -1.0)[0]
    assert disagreeing(told, np.abs(up - down) / 2, value) == []


def test_the_middle_white_of_a_block_passes_its_own_sensitivities_on() -> None:
    """Three whites at three integration times: only that in the middle moves the median."""
    ms = np.array([5.0, 10.0, 20.0])
    counts = np.stack(
        [1000.0 + level * t * np.ones(4) for level, t in zip((98, 100, 103), ms, strict=True)]
    )
    darks = pool_darks(np.full((3, 4), 1000.0), ms, scaled=False)
    whites = above_dark(counts, ms, np.ones(3), darks, Linearity((1.0,), ((1e-3,),)))
    blocks = pool_references(whites, [np.arange(3)], np.arange(3.0), darks, Noise(1e14, 0.0))
    assert blocks.rate[0] == pytest.approx(100.0)
    assert blocks.dark_slope[0, :, 0] == pytest.approx([0.0, 1 / 10.0, 0.0])
    assert blocks.bends[0, 0] == pytest.approx(0.1)
    assert blocks.time_shares[0, :, 0].tolist() == [0.0, 1.0, 0.0]
