"""Every kind of split keeps units apart, says what it did, and refuses what it cannot do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from leafledger.classes import baselines, stage
from leafledger.classes.fold_assignment import planned
from leafledger.classes.labelled_scans import labelled_spectra
from leafledger.errors import InputFault
from leafledger.resampling.splits import later_days_scheme, one_by_one_scheme
from leafledger.study.table_files import read_json

from .conftest import default_units

FIXED = {"column": "set"}


def units_with(sets: dict[str, str]) -> dict[str, dict[str, str]]:
    return {u: {**row, "set": sets.get(u, "train")} for u, row in default_units().items()}


def apart(scheme, units):
    """Assert that no unit is on both sides of any split, outer or inner."""
    for i, outer in enumerate(scheme.outer):
        test = scheme.fold == i
        assert test.any()
        assert not set(units[scheme.training[outer]]) & set(units[test])
        assert scheme.inner[i], "the inner loop has something to choose on"
        for inner, judged in scheme.inner[i]:
            assert not set(units[scheme.training[inner]]) & set(units[judged])
            assert not (judged & ~scheme.training[outer]).any(), "judged inside the training part"
            assert not (scheme.training[inner] & ~scheme.training[outer]).any()


@pytest.mark.parametrize("n_folds", [2, 3, 5])
def test_later_days_are_judged_by_earlier_ones_on_other_units(n_folds):
    rng = np.random.default_rng(0)
    units = np.repeat(np.arange(15), 6)
    day = np.tile([0, 0, 1, 1, 2, 2], 15)
    fold = (np.arange(15) % n_folds)[units]
    scheme = later_days_scheme(fold, day, units, rng)
    apart(scheme, units)
    assert (scheme.fold[day == 0] == -1).all() and (scheme.fold[day > 0] >= 0).all()
    assert scheme.n_folds == 2 * n_folds
    for i, outer in enumerate(scheme.outer):
        assert day[scheme.training[outer]].max() < day[scheme.fold == i].min()


def test_every_unit_by_itself():
    units = np.repeat(np.arange(7), 3)
    scheme = one_by_one_scheme(units, np.random.default_rng(0))
    apart(scheme, units)
    assert scheme.n_folds == 7
    assert all(len(set(units[scheme.fold == i])) == 1 for i in range(7))


def test_split_by_session(make_job):
    job = make_job(classes={"split": "session", "sessions": "all", "n_permutations": 19})
    stage.run(job)
    said, told = pd.read_csv(job.outputs["predictions"]), read_json(job.outputs["summary"])
    assert set(said["session"]) == {"day4", "day8"}, "the first day is never judged"
    assert len(said) == 2 * 48
    assert "sessions before it" in told["split_rule"]
    assert told["n_scans"] == 72 and told["n_scans_tested"] == 48
    assert told["accuracy"] > 0.6
    drawn = pd.read_csv(job.outputs["permutation"])
    assert drawn["accuracy"][0] == told["accuracy_by_repeat"][0]
    confused = pd.read_csv(job.outputs["confusion"])
    sums = confused.groupby(["n_components", "true"])["n_scans"].sum()
    np.testing.assert_allclose(sums, 16)


def test_leaving_out_one_unit_at_a_time(make_job):
    job = make_job(classes={"split": "leave_one_unit_out", "n_permutations": 19})
    outcome = stage.run(job)
    told, said = read_json(job.outputs["summary"]), pd.read_csv(job.outputs["predictions"])
    assert told["n_folds"] == 12 and told["n_repeats"] == 1
    assert (said.groupby("fold")["unit"].nunique() == 1).all()
    assert any("fold of its own" in warning for warning in outcome.warnings)
    assert told["permuted_within"] == "the whole study"
    assert told["p_permutation"] == 1 / 20


def test_a_split_that_the_study_fixes(make_job):
    judged = {"p10", "p11", "p12", "p07"}
    job = make_job(classes={"split": FIXED}, units=units_with(dict.fromkeys(judged, "test")))
    stage.run(job)
    said, path = (pd.read_csv(job.outputs[role]) for role in ("predictions", "path"))
    told = read_json(job.outputs["summary"])
    assert set(said["unit"]) == judged and set(said["repeat"]) == {1}
    assert set(path["split"]) == {"fixed", "training"}
    assert set(pd.read_csv(job.outputs["confusion"])["split"]) == {"fixed"}
    assert told["n_units_tested"] == 4 and told["split"] == "set"
    assert told["permuted_within"] == "side of the split"
    assert "as column set says" in told["split_rule"]
    rivals = make_job(
        classes={"split": FIXED}, units=units_with(dict.fromkeys(judged, "test")), rule="rivals"
    )
    baselines.run(rivals)
    counts = pd.read_csv(rivals.outputs["rivals"])
    assert (counts["n_scans"] == 16).all()


def test_one_class_of_the_test_side_may_be_missing(make_job):
    judged = dict.fromkeys(("p01", "p04", "p02"), "test")
    job = make_job(classes={"split": FIXED, "n_permutations": 0}, units=units_with(judged))
    stage.run(job)
    table = pd.read_csv(job.outputs["per_class"]).set_index("class")
    assert table.loc["Plover", "n_scans"] == 0 and np.isnan(table.loc["Plover", "sensitivity"])
    assert table.loc["Heron", "n_units"] == 2


def problems_of(job):
    with pytest.raises(InputFault) as caught:
        stage.run(job)
    assert not any(path.exists() for path in job.outputs.values())
    return list(caught.value.problems)


def test_units_without_a_side_are_all_named(make_job):
    sets = {"p03": "", "p05": "Test", "p06": "test"}
    problems = problems_of(make_job(classes={"split": FIXED}, units=units_with(sets)))
    assert [p.found for p in problems] == ["nothing for p03", '"Test" for p05']
    assert {p.column for p in problems} == {"set"}


def test_a_column_that_the_design_does_not_name(make_job):
    (problem,) = problems_of(make_job(classes={"split": FIXED}))
    assert problem.column == "classes.split" and '"set"' in problem.found


@pytest.mark.parametrize("word", ["train", "test"])
def test_a_side_without_units(make_job, word):
    sets = dict.fromkeys(default_units(), word)
    (problem,) = problems_of(make_job(classes={"split": FIXED}, units=units_with(sets)))
    assert "no unit" in problem.found


def test_a_class_that_hardly_trains(make_job):
    sets = dict.fromkeys(("p01", "p04", "p07"), "test")
    (problem,) = problems_of(make_job(classes={"split": FIXED}, units=units_with(sets)))
    assert '"Heron" with 1 of its units' in problem.found


def test_one_session_cannot_be_split_by_session(make_job):
    (problem,) = problems_of(make_job(classes={"split": "session", "sessions": ["day4"]}))
    assert problem.column == "classes.split" and "day4" in problem.found


def test_a_class_that_was_not_there_on_the_first_day(make_job):
    job = make_job(
        classes={"split": "session"}, excluded=lambda scan: scan in {
            f"day4-{unit}-{leaf}" for unit in ("p01", "p04", "p07", "p10") for leaf in (1, 2)
        }
    )  # fmt: skip
    (problem,) = problems_of(job)
    assert "Heron" in problem.found and "later sessions" in problem.found


def test_units_that_a_fixed_split_judges_train_nothing(make_job):
    judged = {"p10", "p11", "p12", "p07"}
    job = make_job(classes={"split": FIXED}, units=units_with(dict.fromkeys(judged, "test")))
    data = labelled_spectra(job)
    held = np.isin(np.array(data.units)[data.unit_of], sorted(judged))
    plan = planned(data, job.settings)
    (scheme,) = plan.schemes
    apart(scheme, data.unit_of)
    np.testing.assert_array_equal(scheme.training[scheme.outer[0]], ~held)
    np.testing.assert_array_equal(scheme.tested, held)
    np.testing.assert_array_equal(plan.test_scheme.training[plan.test_scheme.outer[0]], ~held)
    for inner, own in scheme.inner[0]:
        assert not (scheme.training[inner] & held).any() and not (own & held).any()
