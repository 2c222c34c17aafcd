"""The panel's reflectance factor as a table over wavelength."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_sessions import Bench, job_of

from generated import shrink
from leafledger.errors import InputFault
from leafledger.reflectance.measurement_equation import read_panel
from leafledger.reflectance.stage import run
from leafledger.runner.step import job_of as job_of_task
from leafledger.runner.workflow import StudyWorkflow
from leafledger.study.reading import read_study
from leafledger.study.study import Task, inputs, own_files
from leafledger.study.table_files import SpectraTable, read_spectra

GRID = {"start_nm": 410.0, "stop_nm": 990.0, "step_nm": 2.0}
TABLE = "wavelength_nm,reflectance,u_relative\n400,0.95,0.004\n700,0.98,0.002\n1000,0.92,0.01\n"


def bench() -> Bench:
    out = Bench(noise=np.random.default_rng(1))
    for k in range(3):
        out.add("dark", k)
    for start in (10, 300):
        for k in range(3):
            out.add("white", start + k)
        out.add("sample", start + 60, 0.4)
    return out


def result(folder: Path, table: str | None, **panel: Any) -> SpectraTable:
    instrument = {"panel": {"reflectance": 1.0, "u_relative": 0.001, **panel}}
    job = job_of(folder, bench().scans(), instrument, {"grid": GRID})
    if table is not None:
        (folder / "panel.csv").write_text(table, encoding="utf-8")
        job = replace(job, inputs={**job.inputs, "panel": folder / "panel.csv"})
    run(job)
    return read_spectra(job.outputs["reflectance"])


def test_a_table_multiplies_each_wavelength_by_its_own_factor(tmp_path: Path) -> None:
    plain = result(tmp_path / "a", None)
    found = result(tmp_path / "b", TABLE, reflectance="panel.csv")
    grid = found.wavelength_nm
    factor = np.interp(grid, [400, 700, 1000], [0.95, 0.98, 0.92])
    assert found.spectra["reflectance"] == pytest.approx(
        plain.spectra["reflectance"] * factor, abs=1e-6
    )
    u = np.interp(grid, [400, 700, 1000], [0.004, 0.002, 0.01])
    assert found.metadata["panel_u_relative"] == pytest.approx(u)


def test_a_constant_table_is_the_constant(tmp_path: Path) -> None:
    plain = result(tmp_path / "a", None, reflectance=0.97)
    flat = "wavelength_nm,reflectance\n400,0.97\n1000,0.97\n"
    found = result(tmp_path / "b", flat, reflectance="panel.csv")
    assert found.spectra["reflectance"] == pytest.approx(plain.spectra["reflectance"], abs=1e-7)
    assert found.metadata["panel_u_relative"] == 0.001


@pytest.mark.parametrize(
    ("table", "row", "column", "found"),
    [
        ("wavelength_nm,reflectance\n450,0.9\n1000,0.9\n", None, "wavelength_nm", "450 to 1000"),
        ("wavelength_nm,reflectance\n400,0.9\n700,97\n", 3, "reflectance", '"97"'),
        ("wavelength_nm,reflectance\n400,0.9\n700\n", 3, "reflectance", '""'),
        ("wavelength_nm,reflectance\n400,nan\n700,0.9\n", 2, "reflectance", '"nan"'),
        ("wavelength_nm,reflectance\n700,0.9\n400,0.9\n", 3, "wavelength_nm", "400 after 700"),
        ("nm,reflectance\n400,0.9\n", 1, "wavelength_nm", "nm,reflectance"),
        ("wavelength_nm,reflectance\n400,0.9\n", None, None, "1 rows"),
        ("", 1, "wavelength_nm", "headings"),
        (TABLE.replace("0.004", "-1"), 2, "u_relative", '"-1"'),
        ('wavelength_nm,reflectance\n"400,0.9\n', None, None, "no CSV"),
    ],
)
def test_what_is_refused(
    tmp_path: Path, table: str, row: int | None, column: str | None, found: str
) -> None:
    with pytest.raises(InputFault) as fault:
        result(tmp_path, table, reflectance="panel.csv")
    problem = fault.value.problems[0]
    assert (problem.file, problem.row, problem.column) == ("panel.csv", row, column)
    assert found in problem.found


def test_all_rows_at_fault_are_told_together(tmp_path: Path) -> None:
    path = tmp_path / "panel.csv"
    path.write_text("wavelength_nm,reflectance\n400,x\n500,0.9\n600,0\n", encoding="utf-8")
    with pytest.raises(InputFault) as fault:
        read_panel(path, "panel.csv")
    assert [p.row for p in fault.value.problems] == [2, 4]


def with_table(study: Path) -> Path:
    shrink(study)
    (study / "certificates").mkdir()
    path = study / "certificates/panel A.csv"
    path.write_text(
        "wavelength_nm,reflectance,u_relative\n340,0.985,0.005\n1060,0.985,0.005\n",
        encoding="utf-8",
    )
    text = (study / "study.yaml").read_text(encoding="utf-8")
    old = "panel: {reflectance: 0.985, u_relative: 0.005}"
    assert old in text
    text = text.replace(old, 'panel: {reflectance: "certificates/panel A.csv"}')
    (study / "study.yaml").write_text(text, encoding="utf-8")
    return path


def test_the_table_is_an_input_of_reflectance_and_a_change_of_it_is_seen(small_study: Path) -> None:
    path = with_table(small_study)
    study = read_study(small_study)
    task = Task("reflectance", "day0")
    assert own_files(study, task) == ["certificates/panel A.csv"]
    assert inputs(study, task)["panel"] == "certificates/panel A.csv"
    assert "panel" not in inputs(study, Task("quality", "day0"))
    assert job_of_task(study, task).inputs["panel"] == path

    class Of:
        session = "day0"

    before = StudyWorkflow(small_study, {}).key_json("reflectance")(Of())
    path.write_text(path.read_text(encoding="utf-8").replace("0.985", "0.98"), encoding="utf-8")
    assert StudyWorkflow(small_study, {}).key_json("reflectance")(Of()) != before


def test_a_table_that_is_not_there_or_outside_is_refused_by_the_study(small_study: Path) -> None:
    path = with_table(small_study)
    path.unlink()
    with pytest.raises(InputFault) as fault:
        read_study(small_study)
    problem = fault.value.problems[0]
    assert problem.column == "instrument.panel.reflectance"
    assert problem.row is not None
    path.symlink_to("/etc/hostname")
    with pytest.raises(InputFault, match="leaves the study folder"):
        read_study(small_study)
