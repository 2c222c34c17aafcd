"""The rule traits on a small study: what it writes, what it refuses, and what it says."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from leafledger.errors import InputFault
from leafledger.records.record import Job
from leafledger.study.table_files import read_csv, read_json, read_parquet
from leafledger.study.tables import names_of, written_by
from leafledger.traits.samples import target_problems
from leafledger.traits.stage import run

MakeJob = Callable[..., Job]


def table(job: Job, name: str) -> pd.DataFrame:
    return read_csv(job.outputs[name])


def target(job: Job, place: int = 0) -> dict:
    return read_json(job.outputs["traits_summary"])["targets"][place]


def test_a_planted_trait_comes_back(make_job: MakeJob) -> None:
    job = make_job()
    outcome = run(job)
    said = target(job)
    assert said["trained"] and said["n_units"] == 20 == said["n_leaves"]
    for name in ("estimated from the whole spectrum", "20 leaves of 20 plants"):
        assert name in said["sentence"]
    assert said["p_permutation"] == 0.05 and said["n_permutations"] == 19
    found = table(job, "trait_measures").set_index("measure")
    low, value, high = (found.loc["rmsep", name] for name in ("ci_low", "estimate", "ci_high"))
    # Noise 1 of the leaf, 1 of the plant and 0.5 of the assay: at best 1.5.
    assert low < 1.5 < high and low < value < high
    assert found.loc["r2", "estimate"] > 0.7 and found.loc["rmsep", "n_units"] == 20
    assert found.loc["rmsep_without_assay", "estimate"] == pytest.approx(
        np.sqrt(value**2 - 0.25), rel=1e-9
    )
    assert "All known leaves are of one session (d2)" in said["error_sentence"]
    assert "is as small in 0 of 19 draws, p = 0.05 (permutation test)." in said["error_sentence"]
    assert "remain (root of RMSEP^2 - u^2)" in said["error_sentence"]
    assert said["unclear"] == "" and "not compared" not in said["sentence"]
    metrics = {one.name: one.value for one in outcome.metrics}
    assert metrics["rmsep_chlorophyll"] == value and outcome.seeds == {"traits": 3}
    rivals = table(job, "trait_rivals").set_index("procedure")
    assert set(rivals.index) == {"plsr", "mean", "best_index", "ridge", "gaussian_process"}
    assert rivals.loc["plsr", "rmsep"] == pytest.approx(value, rel=1e-12)
    assert rivals.loc["mean", "difference_low"] > 0
    assert "does worse" in rivals.loc["mean", "sentence"]
    # The good index is the truth itself: only the assay's own error is left.
    assert (
        rivals.loc["best_index", "rmsep"] < 0.75
        and "does better" in (rivals.loc["best_index", "sentence"])
    )


def test_every_leaf_is_estimated_by_a_model_that_did_not_see_its_unit(make_job: MakeJob) -> None:
    job = make_job()
    run(job)
    found = table(job, "trait_estimates")
    assert len(found) == 24 * 2 * 2 and found["assayed"].sum() == 20
    seen = found["unit"] <= "p20"
    assert set(found.loc[seen, "model"]) == {"without its unit"}
    assert set(found.loc[~seen, "model"]) == {"all"}
    assert (found["estimate_low"] < found["estimate"]).all()
    held = table(job, "trait_predictions")
    both = held.merge(found[found["assayed"]], on=["unit", "session", "leaf"])
    np.testing.assert_allclose(both["estimate_x"], both["estimate_y"], rtol=1e-9)
    # A gross error in the assay of one plant moves nothing of that plant's own estimates.
    first = table(job, "trait_predictions").set_index("unit")
    worst = float(first["value"].max())
    other = make_job(folder="b", value=lambda true: true + 300 * (abs(true - worst) < 1e-9))
    run(other)
    unit = first["value"].idxmax()
    again = table(other, "trait_estimates")
    same = found["unit"] == unit
    np.testing.assert_allclose(found.loc[same, "estimate"], again.loc[same, "estimate"], rtol=1e-9)
    assert not np.allclose(found.loc[~same, "estimate"], again.loc[~same, "estimate"], rtol=1e-3)


def test_tables_are_as_declared_and_the_same_again(make_job: MakeJob) -> None:
    jobs = [make_job(folder=name) for name in ("a", "b")]
    for job in jobs:
        run(job)
    for one in written_by("traits"):
        path = jobs[0].outputs[one.role]
        if path.is_dir():
            files = sorted(file.name for file in path.iterdir())
            assert files == ["chlorophyll.json", "chlorophyll.skops"]
            for file in files:
                assert (path / file).read_bytes() == (
                    jobs[1].outputs[one.role] / file
                ).read_bytes(), file
            continue
        assert path.read_bytes() == jobs[1].outputs[one.role].read_bytes(), one.name
        if one.is_table:
            frame = read_csv(path) if path.suffix == ".csv" else read_parquet(path)
            assert list(frame.columns) == list(names_of(one.name)), one.name
            assert not frame.duplicated(list(one.key)).any(), one.name
    path = table(jobs[0], "trait_path")
    assert path["chosen"].sum() == 1 and set(path["preprocessing"]) == {"none"}
    terms = read_parquet(jobs[0].outputs["trait_terms"])
    importance = terms.loc[terms["term"] == "importance", "value"]
    assert float((importance**2).mean()) == pytest.approx(1.0)
    assert (terms.loc[terms["term"] == "coefficient", "sd"] > 0).all()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"assayed": lambda unit, day, leaf: unit == "p03"}, "are of one plant (p03)"),
        ({"assayed": lambda unit, day, leaf: unit <= "p04" and leaf == "1"}, "4 plants with a"),
        ({"value": lambda true: 31.0}, "is the same in all leaves"),
        ({"with_assays": False}, "no leaf has a known chlorophyll"),
    ],
)
def test_what_cannot_train_is_said_and_nothing_is_made_up(
    make_job: MakeJob, change: dict, reason: str
) -> None:
    job = make_job(**change)
    outcome = run(job)
    said = target(job)
    assert not said["trained"] and reason in said["sentence"]
    assert any(reason in text for text in outcome.warnings)
    assert len(table(job, "trait_estimates")) == 0
    assert not list(job.outputs["trait_models"].iterdir())


def test_an_assayed_leaf_without_spectrum_is_named(make_job: MakeJob) -> None:
    job = make_job(excluded=lambda scan: scan.startswith("d2-p07-1"))
    outcome = run(job)
    assert target(job)["n_units"] == 19
    (warning,) = [text for text in outcome.warnings if "no accepted spectrum" in text]
    assert "p07 d2 1" in warning


def test_columns_of_units_and_scans_are_traits_too(make_job: MakeJob) -> None:
    units = {f"p{i + 1:02d}": f"{10 + i % 7}" if i != 3 else "" for i in range(24)}
    job = make_job(
        traits={"targets": ["biomass", "SPAD"], "n_permutations": 0},
        columns={
            "units": {"biomass": units},
            "scans": {"SPAD": {f"d1-{u}-1-1": str(30 + i) for i, u in enumerate(units)}},
        },
    )
    run(job)
    biomass, spad = target(job), target(job, 1)
    assert (biomass["n_units"], biomass["n_leaves"], biomass["source"]) == (23, 92, "units")
    assert biomass["measures"]["rmsep_sessions"][0] is not None
    assert (spad["n_leaves"], spad["source"]) == (24, "scans")
    held = table(job, "trait_predictions")
    assert held.loc[held["target"] == "biomass", "value"].max() == 16


def test_wrong_targets_and_cells_are_refused_together(make_job: MakeJob) -> None:
    job = make_job(
        traits={"targets": ["nitrogen", "biomass"]},
        columns={"units": {"biomass": {"p01": "12,5", "p02": "13", "p03": "high"}}},
    )
    with pytest.raises(InputFault) as caught:
        run(job)
    text = str(caught.value)
    for part in ("nitrogen", "chlorophyll", "12,5", "high", "units.csv"):
        assert part in text
    assert not job.outputs["trait_estimates"].exists()


def test_many_wrong_cells_are_one_problem_and_text_is_not_offered() -> None:
    stages = {f"s{i:02d}": "early" for i in range(24)}
    columns = {"stage": stages, "SPAD": {"s00": "31.2", "s01": ""}}
    (problem,) = target_problems(["stage"], None, {}, columns)
    assert problem.found == '24 cells, such as "early" for s00'
    (problem,) = target_problems(["stagge"], [], {}, columns)
    assert "stage" not in problem.mend and "SPAD" in problem.mend


def test_a_column_not_measured_yet_waits_and_the_others_are_made(make_job: MakeJob) -> None:
    job = make_job(
        traits={"targets": ["SPAD", "chlorophyll"], "n_permutations": 0},
        columns={"scans": {"SPAD": {}}},
    )
    outcome = run(job)
    assert "no model of SPAD: no leaf has a known SPAD" in outcome.warnings
    assert not target(job)["trained"] and target(job, 1)["trained"]


def test_a_trait_that_spectra_do_not_follow_is_not_tested(make_job: MakeJob) -> None:
    rng = np.random.default_rng(5)
    for n in (19, 3, 0):
        job = make_job(
            folder=f"of {n}", value=lambda _: rng.normal(30, 2), traits={"n_permutations": n}
        )
        outcome = run(job)
        said = target(job)
        rivals = table(job, "trait_rivals").set_index("procedure")["rmsep"]
        assert rivals["plsr"] > 0.85 * rivals["mean"]
        assert "clearly better than the mean of the other plants does (error" in said["unclear"]
        assert f"not compared by it: {said['unclear']}" in said["sentence"]
        # Fewer than 19 draws cannot reach 0.05: nothing is claimed of exchanged values.
        warned = any("exchanged values" in text for text in outcome.warnings)
        assert warned == (n == 19 and said["p_permutation"] > 0.05)
        assert ("cannot reach p = 0.05" in said["error_sentence"]) == (n == 3)


def test_sessions_are_held_out_where_several_have_assays(make_job: MakeJob) -> None:
    job = make_job(assayed=lambda unit, day, leaf: leaf == "1", traits={"n_permutations": 0})
    run(job)
    said = target(job)
    assert (
        said["n_sessions"] == 2
        and "On sessions that the model has not seen" in (said["error_sentence"])
    )
    row = table(job, "trait_measures").set_index("measure").loc["rmsep_sessions"]
    assert row["ci_low"] < row["estimate"] < row["ci_high"]
