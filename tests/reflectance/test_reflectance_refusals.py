"""What makes references unusable is said, with the scan's name; nothing is computed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from leafledger.errors import InputFault, Problem
from leafledger.reflectance.stage import run
from leafledger.study.table_files import read_spectra


def bench() -> Bench:
    out = Bench(noise=np.random.default_rng(5))
    for time in (0.0, 5.0):
        out.add("dark", time, scan=f"d{time:.0f}")
    for number, time in enumerate((30.0, 35.0, 40.0, 330.0, 335.0, 340.0)):
        out.add("white", time, scan=f"w{number}")
        if time == 40.0:
            out.add("sample", 100.0, 0.4, scan="leaf1")
            out.add("sample", 200.0, 0.2, scan="leaf2")
    return out


def problems(
    folder: Path, change: Callable[[Bench], None] = lambda _: None, **job: Any
) -> tuple[Problem, ...]:
    session = bench()
    change(session)
    task = job_of(folder, session.scans(), **job)
    with pytest.raises(InputFault) as fault:
        run(task)
    assert not task.outputs["reflectance"].exists()
    for problem in fault.value.problems:
        assert problem.found
        assert problem.expected
        assert problem.mend
    return fault.value.problems


def without(role: str) -> Callable[[Bench], None]:
    def change(session: Bench) -> None:
        kept = [i for i, row in enumerate(session.rows) if row["role"] != role]
        session.rows = [session.rows[i] for i in kept]
        session.counts = [session.counts[i] for i in kept]

    return change


def set_in(scan: str, **values: Any) -> Callable[[Bench], None]:
    def change(session: Bench) -> None:
        row = next(row for row in session.rows if row["scan"] == scan)
        row.update(values)

    return change


def test_the_session_itself_is_fine(tmp_path: Path) -> None:
    outcome = run(job_of(tmp_path, bench().scans()))
    assert outcome.warnings == []


@pytest.mark.parametrize("role", ["white", "dark"])
def test_no_white_or_no_dark(tmp_path: Path, role: str) -> None:
    (problem,) = problems(tmp_path, without(role))
    assert f"session day0 with leaf scans in counts but no {role}" in problem.found
    assert (problem.file, problem.column) == ("scans.csv", "role")


def test_both_missing_are_told_together(tmp_path: Path) -> None:
    def change(session: Bench) -> None:
        without("white")(session)
        without("dark")(session)

    assert len(problems(tmp_path, change)) == 2


def test_leaf_without_a_dark_of_its_integration_time(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, set_in("leaf2", ms=25.0))
    assert "no dark at 25 ms" in problem.found
    assert "leaf2" in problem.found
    assert "leaf1" not in problem.found
    assert "darks exist at 10 ms" in problem.expected


def test_scaled_needs_darks_at_two_times(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, settings={"dark": "scaled"})
    assert "one integration time only (10 ms)" in problem.found


@pytest.mark.parametrize(("column", "key"), [("integration_ms", "ms"), ("time", "time")])
def test_half_stated_columns(tmp_path: Path, column: str, key: str) -> None:
    (problem,) = problems(tmp_path, set_in("leaf2", **{key: np.nan}))
    assert problem.column == column
    assert "no value for 1 of" in problem.found
    assert "leaf2" in problem.found


def test_zero_integration_time(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, set_in("w1", ms=0.0))
    assert problem.column == "integration_ms"
    assert "w1" in problem.found


def test_white_no_brighter_than_the_dark(tmp_path: Path) -> None:
    def change(session: Bench) -> None:
        at = [row["scan"] for row in session.rows].index("w4")
        session.counts[at] = session.counts[0] + 1.0

    (problem,) = problems(tmp_path, change)
    assert problem.found.startswith("white w4 at")
    assert problem.file == "raw/day0/w4.txt"


def test_white_and_dark_swapped_names_both(tmp_path: Path) -> None:
    def change(session: Bench) -> None:
        names = [row["scan"] for row in session.rows]
        dark, white = names.index("d5"), names.index("w0")
        session.counts[dark], session.counts[white] = session.counts[white], session.counts[dark]

    found = " ".join(problem.found for problem in problems(tmp_path, change))
    assert "dark d5 at" in found
    assert "white w0 at" in found


def test_grid_outside_the_range(tmp_path: Path) -> None:
    grid = {"start_nm": 350.0, "stop_nm": 900.0, "step_nm": 1.0}
    (problem,) = problems(tmp_path, settings={"grid": grid})
    assert problem.column == "reflectance.grid"
    assert "400 to 1000 nm, the range of session day0" in problem.expected


def test_smoothing_on_an_uneven_axis(tmp_path: Path) -> None:
    def change(session: Bench) -> None:
        session.wavelength_nm = session.wavelength_nm + np.linspace(0, 1, 301) ** 2

    (problem,) = problems(tmp_path, change, settings={"smoothing": {"window_nm": 11.0, "order": 2}})
    assert problem.column == "reflectance.smoothing"


def test_linearity_that_turns_back(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, instrument={"linearity": {"coefficients": [1.0, -4e-5]}})
    assert problem.column == "instrument.linearity"
    assert "stops rising at 12" in problem.found


def test_all_times_missing_is_mean_with_a_warning(tmp_path: Path) -> None:
    scans = bench().scans(time_s=np.full(10, np.nan), integration_ms=np.full(10, np.nan))
    outcome = run(job_of(tmp_path, scans))
    assert any("mean of all whites is used instead of bracket" in w for w in outcome.warnings)
    assert any("all are taken as equal" in w for w in outcome.warnings)
    table = read_spectra(tmp_path / "results/reflectance/day0.parquet")
    assert set(table.rows["reference"]) == {"wm-d1"}
    assert np.median(table.spectra["reflectance"][0]) == pytest.approx(0.4, rel=0.01)


def test_missing_averages_count_as_one_and_say_so(tmp_path: Path) -> None:
    averages = np.full(10, 10.0)
    averages[3] = np.nan
    outcome = run(job_of(tmp_path, bench().scans(averages=averages)))
    assert outcome.warnings == [
        "1 of 10 scans do not state their averages: taken as single readings in the uncertainty."
    ]


def test_halved_references_and_drift_are_named(tmp_path: Path) -> None:
    session = bench()
    names = [row["scan"] for row in session.rows]
    session.counts[names.index("w1")] *= 0.5
    outcome = run(job_of(tmp_path / "white", session.scans()))
    assert any(w.startswith("White w1 is -5") for w in outcome.warnings)
    session = bench()
    session.counts[names.index("d5")] *= 0.5
    outcome = run(job_of(tmp_path / "dark", session.scans()))
    assert any(w.startswith("Dark d5 is -3") for w in outcome.warnings)
    session = bench()
    for name in ("w3", "w4", "w5"):
        session.counts[names.index(name)] *= 1.04
    outcome = run(job_of(tmp_path / "drift", session.scans()))
    assert any("The white changed by 4." in w for w in outcome.warnings)


def test_far_and_one_sided_whites_are_counted(tmp_path: Path) -> None:
    session = bench()
    session.add("sample", 341.0, 0.3)
    session.add("sample", 1000.0, 0.3)
    outcome = run(job_of(tmp_path / "one", session.scans()))
    said = " ".join(outcome.warnings)
    assert "2 of 4 leaf scans have whites on one side only" in said
    assert "1 of 4 leaf scans are more than 10 min from their only white (up to 11 min)" in said
    session.add("white", 2500.0)
    session.add("white", 2505.0)
    said = " ".join(run(job_of(tmp_path / "long", session.scans())).warnings)
    assert "2 of 4 leaf scans lie between whites more than 30 min apart (up to 36 min)" in said


@pytest.mark.parametrize("darks", [False, True])
def test_leaves_in_an_odd_gap_between_whites_are_named(tmp_path: Path, darks: bool) -> None:
    """Twice the time and twice the leaves: a block left out. Darks half way take time alone."""
    session = Bench()
    session.add("dark", 0.0)
    session.add("dark", 1.0)
    for block, start in enumerate((10, 310, 610, 1210, 1510)):
        session.add("white", start)
        session.add("white", start + 5)
        session.add("sample", start + 60, 0.3, scan=f"leaf{block}")
        if darks and block == 2:
            session.add("dark", start + 300)
        elif block == 2:
            session.add("sample", start + 360, 0.3, scan="leaf2b")
    said = run(job_of(tmp_path, session.scans())).warnings
    odd = [sentence for sentence in said if "seems to be missing" in sentence]
    told = (
        "2 of 6 leaf scans lie between whites 10 min apart, where 5 min is usual: a block of "
        "whites seems to be missing around leaf2, leaf2b."
    )
    assert odd == ([] if darks else [told])


@pytest.mark.parametrize("white_ms", [10.0, 20.0])
def test_dark_and_white_exchanged_is_said_as_such(tmp_path: Path, white_ms: float) -> None:
    """Also where the times of the exchanged roles no longer fit: one problem, not twenty."""

    def change(session: Bench) -> None:
        for row in session.rows:
            row["role"] = {"white": "dark", "dark": "white"}.get(row["role"], row["role"])
            row["ms"] = white_ms if row["role"] == "dark" else row["ms"]

    (problem,) = problems(tmp_path, change)
    assert "whites below darks in session day0: swapped?" in problem.found
    assert problem.column == "role"
    assert "Exchange the roles dark and white" in problem.mend


def test_dark_and_white_exchanged_in_little_light_is_said_as_such(tmp_path: Path) -> None:
    """Whites 8 % above darks, exchanged, and no dark at the leaves' time: not "say scaled"."""

    def change(session: Bench) -> None:
        level = {"white": 1080.0, "dark": 1000.0, "sample": 1030.0}
        for row, counts in zip(session.rows, session.counts, strict=True):
            counts[:] = level[row["role"]]
            row["role"] = {"white": "dark", "dark": "white"}.get(row["role"], row["role"])
            row["ms"] = 10.0 if row["role"] == "dark" else row["ms"]

    (problem,) = problems(tmp_path, change)
    assert "whites below darks in session day0: swapped?" in problem.found
    assert "scaled" not in problem.mend


def test_whites_with_the_lamp_off_are_not_called_exchanged(tmp_path: Path) -> None:
    def change(session: Bench) -> None:
        for row, counts in zip(session.rows, session.counts, strict=True):
            if row["role"] == "white":
                counts[:] = session.counts[0] - 0.5

    assert all("below darks" not in p.found for p in problems(tmp_path, change))
