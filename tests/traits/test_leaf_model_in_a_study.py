"""The leaf model in a whole study: nothing changes without it, and with it all registries know."""

from __future__ import annotations

import json
import shutil
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from generated import generator
from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.ledger.book import study_files
from leafledger.records.digests import FileDigests
from leafledger.runner.outdated import would_run
from leafledger.runner.run import run_study
from leafledger.runner.study_check import checked_study
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.study import Task, own_files, tasks
from leafledger.study.table_files import read_spectra

from .simulated_leaves import write_table

TABLE = "leaf_coefficients.csv"
ASKED = f"traits: {{leaf_model: {{coefficients: {TABLE}}}}}\n"
LEAF_MODEL = Task("leaf_model")


def ask(study: Path, text: str = ASKED) -> None:
    path = study / "study.yaml"
    path.write_text(path.read_text() + text)


def test_without_the_setting_there_is_no_task(small_study: Path) -> None:
    write_table(small_study / TABLE)
    study = checked_study(small_study)
    assert LEAF_MODEL not in tasks(study)
    assert TABLE not in study_files(study)


def test_with_it_the_table_is_a_file_of_the_task(small_study: Path) -> None:
    write_table(small_study / TABLE)
    ask(small_study)
    study = checked_study(small_study)
    assert LEAF_MODEL in tasks(study)
    assert own_files(study, LEAF_MODEL) == [TABLE]
    assert TABLE in study_files(study)
    assert settings_of(study, "leaf_model", None) == {
        "leaf_model": {"coefficients": TABLE, "brown_pigments": False, "interval": 0.95}
    }


def test_a_missing_table_is_refused_and_says_where_it_is_published(small_study: Path) -> None:
    ask(small_study)
    done = CliRunner().invoke(cli, ["check", str(small_study), "--json"])
    assert done.exit_code == 2
    (problem,) = json.loads(done.output)["problems"]
    assert problem["column"] == "traits.leaf_model.coefficients"
    assert "Feret et al. (2017)" in problem["mend"]


def test_a_table_at_fault_and_a_path_outside_are_refused(small_study: Path) -> None:
    write_table(small_study / TABLE, step=7)
    ask(small_study)
    with pytest.raises(InputFault, match="at most 5 nm"):
        checked_study(small_study)
    path = small_study / "study.yaml"
    path.write_text(path.read_text().replace(TABLE, "../out.csv"))
    with pytest.raises(InputFault, match=r"traits\.leaf_model\.coefficients"):
        checked_study(small_study)


@pytest.mark.slow
def test_a_study_with_the_leaf_model_from_check_to_report(
    small_study_run: Path, tmp_path: Path
) -> None:
    study = Path(shutil.copytree(small_study_run, tmp_path / "study"))
    plain = (study / "results/report.html").read_bytes()
    write_table(study / TABLE)
    ask(study)
    leaf = next(s for s in read_study(study).samples("day12"))
    (study / "assays.csv").write_text(
        "unit,session,leaf,quantity,value,unit_of_value,u\n"
        f"{leaf.unit},day12,{leaf.leaf},chlorophyll,20,ug/cm2,0.6\n"
    )
    planned = {one.task for one in would_run(read_study(study), FileDigests(study)) if one.certain}
    assert LEAF_MODEL in planned and Task("effects") not in planned
    done = run_study(study, cores=2)
    assert done.outcome == "done", (done.message, done.problems)
    record = json.loads((study / "records/leaf_model.json").read_text())
    assert {one["role"] for one in record["inputs"]} >= {"leaf_coefficients", "accepted", "range"}
    opened = read_study(study)
    scans = opened.table("leaf_model/scans.csv")
    accepted = opened.table("accepted.csv").query("accepted")
    assert sorted(set(scans["scan"])) == sorted(accepted["scan"])
    # The planted truth: the demo's leaves are PROSPECT-D leaves.
    truth = planted(study)
    green = scans.query("quantity == 'chlorophyll' and fits").set_index("scan")
    assert len(green) > 0.9 * len(accepted)
    away = np.array([green.loc[scan, "value"] - truth[scan] for scan in green.index])
    assert np.sqrt((away**2).mean()) < 3.0
    table = read_spectra(study / "results/leaf_model/residuals.parquet", ("fitted", "residual"))
    assert table.spectra["residual"].shape == (len(accepted), len(table.wavelength_nm))
    page = (study / "results/report.html").read_text(encoding="utf-8")
    for text in ('id="leaf-model"', "PROSPECT-D", "by assay", 'data-csv="leaf_model_units"'):
        assert text in page
    assert would_run(opened, FileDigests(study)) == []
    # Another table is another run of this rule, and of nothing before it.
    write_table(study / TABLE, step=2)
    planned = {one.task for one in would_run(read_study(study), FileDigests(study)) if one.certain}
    assert planned == {LEAF_MODEL}
    # Without the setting the study is as if it had never been asked for.
    path = study / "study.yaml"
    path.write_text(path.read_text().replace(ASKED, ""))
    (study / "assays.csv").unlink()
    assert run_study(study, cores=2).outcome == "done"
    assert (study / "results/report.html").read_bytes() == plain


def planted(study: Path) -> dict[str, float]:
    """Return scan -> chlorophyll (ug/cm2) that the demo planted in its leaf."""
    generator()  # it makes its own modules known
    scenario = import_module("seedlings.scenario")
    options = json.loads((study / "planted.json").read_text(encoding="utf-8"))["options"]
    units = scenario.units_of(options["plants"])
    sessions = scenario.chosen_sessions(options["sessions"])
    leaves = scenario.leaf_parameters(options["seed"], 1.0, units, sessions, options["leaves"])
    names, days = [u.unit for u in units], [s.session for s in sessions]
    return {
        s.scan: float(leaves[names.index(s.unit), days.index(s.session), int(s.leaf) - 1, 1])
        for s in read_study(study).samples()
    }
