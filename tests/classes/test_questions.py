"""Is it the day or the treatment, and does a simple rival do as well?"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from leafledger.classes import baselines, negative_controls, stage
from leafledger.classes.baselines import comparison_table, prior_draw
from leafledger.study.table_files import read_json
from leafledger.study.tables import COMPARISON, QUESTIONS


@pytest.fixture
def asked(make_job):
    """Return the questions of a study whose sessions differ by an offset, or do not."""

    def ask(offset, **settings):
        job = make_job(rule="negative_controls", classes=settings, folder=f"study{offset}")
        from leafledger.study.table_files import read_spectra, write_spectra

        for i, (_, path) in enumerate(job.by_session("reflectance").items()):
            import pyarrow as pa

            table = read_spectra(path, ("reflectance",))
            bent = table.spectra["reflectance"] + offset * i * np.linspace(0, 1, 40) ** 2
            rows = pa.table({"scan": list(table.rows["scan"])})
            write_spectra(path, rows, table.wavelength_nm, {"reflectance": bent}, {})
        negative_controls.run(job)
        frame = pd.read_csv(job.outputs["questions"])
        assert tuple(frame.columns) == QUESTIONS
        return frame.set_index("asked"), job

    return ask


@pytest.mark.slow
def test_a_shift_between_days_is_seen(asked):
    with_shift, _ = asked(0.5)
    without, _ = asked(0.0)
    assert with_shift.loc["session", "accuracy"] > 0.9
    assert with_shift.loc["session", "p"] == 1 / 20
    assert with_shift.loc["session", "permuted_within"] == "unit"
    assert without.loc["session", "p"] > 0.05
    assert with_shift.loc["block", "p"] > 0.05
    assert with_shift.loc["session", "majority_accuracy"] == 0.5


def test_the_target_is_asked_by_the_same_procedure(asked, make_job):
    frame, _ = asked(0.0)
    job = make_job()
    stage.run(job)
    assert frame.loc["target", "accuracy"] == pytest.approx(
        read_json(job.outputs["summary"])["accuracy_by_repeat"][0]
    )


def test_what_cannot_be_asked_says_why(asked):
    frame, _ = asked(0.0, target="block", sessions=["day4"])
    assert frame.loc["block", "reason"] == "it is the target"
    assert frame.loc["session", "reason"] == "the scans are of one session"
    assert np.isnan(frame.loc["session", "accuracy"])


@pytest.mark.slow
def test_the_treatment_before_it_was_given_is_the_negative_control(asked):
    frame, _ = asked(0.0, target="treatment")
    row = frame.loc["treatment_before"]
    assert "before it was given (day0)" in row["sentence"]
    assert row["p"] > 0.05 and row["n_scans"] == 24
    frame, _ = asked(0.1, target="treatment", sessions="all")
    assert "treatment_before" not in frame.index, "day0 is in training already"
    assert "treatment_before" not in asked(0.2)[0].index, "the target is the cultivar"


def test_a_control_that_cannot_be_asked_says_why(make_job):
    job = make_job(
        rule="negative_controls",
        classes={"target": "treatment"},
        excluded=lambda scan: scan.startswith("day0") and scan.split("-")[1] in {
            "p01", "p03", "p05", "p07", "p09"
        },
    )  # fmt: skip
    negative_controls.run(job)
    row = pd.read_csv(job.outputs["questions"]).set_index("asked").loc["treatment_before"]
    assert 'class "chelate"' in row["reason"] and np.isnan(row["accuracy"])


def test_classes_that_differ_only_by_the_day_are_called_so(make_job):
    """Heron on day4, the others on day8: nobody can tell the class from the day."""
    from .conftest import default_units

    herons = {unit for unit, row in default_units().items() if row["cultivar"] == "Heron"}

    def other_day(scan):
        day, unit, _ = scan.split("-")
        return (day == "day4") != (unit in herons)

    job = make_job(excluded=other_day, classes={"n_permutations": 9})
    warnings = stage.run(job).warnings
    (told,) = [w for w in warnings if "never measured in the same session" in w]
    assert "Heron and Kestrel, Heron and Plover." in told and "may be the day" in told
    assert not any("never measured" in w for w in stage.run(make_job(folder="fair")).warnings)
    controls = make_job(excluded=other_day, rule="negative_controls", classes={"n_permutations": 9})
    negative_controls.run(controls)
    row = pd.read_csv(controls.outputs["questions"]).set_index("asked").loc["session"]
    cannot = "what names the cultivar may be the session, and these scans cannot tell which"
    assert cannot in row["reason"] and cannot in row["sentence"]
    assert row["permuted_within"] == "outer fold", "each unit has one day: it cannot swap its own"
    assert row["p"] < 0.5


def test_rivals_are_compared_unit_by_unit(make_job):
    job = make_job(rule="rivals")
    baselines.run(job)
    table = pd.read_csv(job.outputs["comparison"])
    assert tuple(table.columns) == COMPARISON
    rows = table.set_index("procedure")
    assert (rows["n_units"] == 12).all()
    away = rows.loc["majority_class"]
    assert away["difference"] == pytest.approx(
        away["accuracy"] - rows.loc["discriminant_model", "accuracy"]
    )
    assert away["difference_high"] < 0 and "does worse than" in away["sentence"]
    assert not bool(away["as_good"])


def test_better_and_as_good_by_a_margin_never_by_a_difference_that_is_not_significant():
    rng = np.random.default_rng(0)
    base = (rng.random(200) < 0.6).astype(float)
    better, near, few = base.copy(), base.copy(), base.copy()
    better[np.flatnonzero(base == 0)[:30]] = 1.0
    near[np.flatnonzero(base == 1)[0]] = 0.0
    few[np.flatnonzero(base == 1)[:12]], few[np.flatnonzero(base == 0)[:8]] = 0.0, 1.0
    right = {"model": base, "better": better, "near": near, "few": few, "worse": base * 0}
    words = {name: f"the {name}" for name in right}
    table = comparison_table(right, np.ones(200), "model", words, 0.05).set_index("procedure")
    assert table["better"].to_dict() == {
        "model": "", "better": True, "near": False, "few": False, "worse": False,
    }  # fmt: skip
    # 20 of 200 units differ, 4 net against it: no difference is shown, and nor is equality.
    assert table["as_good"].to_dict() == {
        "model": "", "better": True, "near": True, "few": False, "worse": False,
    }  # fmt: skip
    assert table.loc["few", "difference_high"] > 0 > -0.05 > table.loc["few", "difference_low"]
    assert "cannot be told by these units" in table.loc["few", "sentence"]
    assert "is as good as (not 5 points worse than)" in table.loc["near", "sentence"]
    wider = comparison_table(right, np.ones(200), "model", words, 0.08).set_index("procedure")
    assert bool(wider.loc["few", "as_good"])


def test_a_unit_counts_by_its_scans_as_in_the_accuracy():
    right = {"model": np.array([1.0, 0.0]), "rival": np.array([1.0, 1.0])}
    words = {"model": "the model", "rival": "a rival"}
    table = comparison_table(right, np.array([3.0, 1.0]), "model", words, 0.05)
    assert table.set_index("procedure")["accuracy"].to_dict() == {"model": 0.75, "rival": 1.0}


def test_a_rival_that_does_better_is_said_with_how_to_use_it():
    base = np.zeros(60)
    right = {"model": base, "random_forest": base + 1}
    words = {"model": "the model", "random_forest": "a random forest"}
    table = comparison_table(right, np.ones(60), "model", words, 0.05)
    (found,) = baselines._findings(table)
    assert found.startswith("A random forest does better than the model: +100 points")
    assert "RandomForestClassifier" in found


def test_indices_that_are_enough_are_called_enough(make_job):
    """Classes that differ at the index bands only as much as everywhere."""
    job = make_job(rule="rivals", gap=8.0)
    outcome = baselines.run(job)
    rows = pd.read_csv(job.outputs["comparison"]).set_index("procedure")
    if bool(rows.loc["index_logistic_regression", "as_good"]):
        assert "A handful of indices may be enough." in outcome.warnings[-1]
    else:
        assert all("handful" not in warning for warning in outcome.warnings)


def test_drawing_by_share_gives_the_shares():
    codes = np.repeat([0, 2], [300, 100])
    said = prior_draw(np.zeros((400, 1)), codes, np.zeros((4000, 1)), 3)
    assert set(said) == {0, 2}
    # 4,000 draws: three standard errors are 0.02.
    assert (said == 0).mean() == pytest.approx(0.75, abs=0.021)


def test_a_difference_of_nothing_carries_no_sign():
    right = {"model": np.array([1.0, 0.0] * 150), "rival": np.array([1.0, 0.0] * 150)}
    right["rival"][0] = 0.99
    words = {"model": "the model", "rival": "a rival"}
    frame = comparison_table(right, np.ones(300), "model", words, 0.05)
    said = frame.set_index("procedure").loc["rival", "sentence"]
    assert ": 0 points of accuracy (95 % interval -1 to +1" in said
