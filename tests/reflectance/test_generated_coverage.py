"""Sessions of the demo generator, every shared term drawn anew: intervals hold the planted truth.

Each seed is another panel (off its certificate by its uncertainty), another lamp, other darks,
whites and leaves. The truth is the reflectance under the clip at the instrument's resolution, as
``planted.json`` has it. The readings are those of the stages intake and reflectance, from files.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from generated import generator, shrink
from leafledger.intake import stage as intake
from leafledger.reflectance import stage as reflectance
from leafledger.runner.step import job_of
from leafledger.study.reading import read_study
from leafledger.study.study import Task
from leafledger.study.table_files import read_spectra

READ_NM = (450.0, 550.0, 680.0, 720.0, 800.0)
Z95 = 1.959964


def deviations(folder: Path, seed: int) -> np.ndarray:
    """Return (measured - planted) / u of two leaves of a session, shape ``(2, 5)``."""
    study_folder = folder / str(seed)
    generator().generate(
        study_folder,
        seed=seed,
        n_plants=2,
        n_leaves=1,
        n_sessions=1,
        n_pixels=512,
        fault_list="none",
    )
    shrink(study_folder)
    study = read_study(study_folder)
    (session,) = study.session_ids
    for stage, rule in ((intake, "intake"), (reflectance, "reflectance")):
        stage.run(job_of(study, Task(rule, session)))
    table = read_spectra(study_folder / f"results/reflectance/{session}.parquet")
    at = np.searchsorted(table.wavelength_nm, READ_NM)
    assert table.wavelength_nm[at].tolist() == list(READ_NM)
    planted = json.loads((study_folder / "planted.json").read_text(encoding="utf-8"))
    names = table.rows["scan"].tolist()
    out = []
    for scan, true in planted["clean_scans"].items():
        row = names.index(scan)
        value = table.spectra["reflectance"][row, at]
        u = np.sqrt(
            table.spectra["u_scan"][row, at] ** 2
            + table.spectra["u_reference"][row, at] ** 2
            + (table.metadata["panel_u_relative"] * value) ** 2
        )
        truth = np.interp(
            READ_NM, true["first_nm"] + np.arange(len(true["in_clip"])), true["in_clip"]
        )
        out.append((value - truth) / u)
    return np.array(out)


def coverage(folder: Path, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return coverage and standard deviation of the deviations at each wavelength, over seeds."""
    found = np.array([deviations(folder, seed) for seed in range(1000, 1000 + n)])
    held = np.abs(found) <= Z95
    return held.mean(axis=(0, 1)), found.reshape(-1, len(READ_NM)).std(axis=0)


@pytest.mark.slow
def test_deviations_are_as_large_as_their_uncertainty(tmp_path: Path) -> None:
    n = 30
    held, spread = coverage(tmp_path, n)
    # The panel rules, so that a session is one draw: the allowance is three standard errors.
    assert np.abs(spread - 1).max() < 3 / np.sqrt(2 * n)
    assert held.min() > 0.95 - 3 * np.sqrt(0.95 * 0.05 / n)


@pytest.mark.slow
@pytest.mark.longest
def test_95_percent_intervals_hold_the_planted_reflectance(tmp_path: Path) -> None:
    """Over 500 seeds, at five wavelengths: 93 to 97 %."""
    held, spread = coverage(tmp_path, 500)
    assert held.min() >= 0.93, held
    assert held.max() <= 0.97, held
    assert np.abs(spread - 1).max() < 3 / np.sqrt(2 * 500)
