"""Labels that change from session to session: splits, votes, exchange of labels, refusals."""

from __future__ import annotations

import json
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.classes import negative_controls, stage
from leafledger.classes.fold_assignment import planned, untrained
from leafledger.classes.fold_fit import Procedure, batched_predictor
from leafledger.classes.labelled_scans import (
    BY_SCAN,
    BY_SESSION,
    BY_UNIT,
    Labelled,
    label_sequences,
    labelled_spectra,
)
from leafledger.classes.negative_controls import arrangements, permutation_test
from leafledger.errors import InputFault
from leafledger.resampling.intervals import wilson_interval
from leafledger.resampling.permutation import n_arrangements
from leafledger.resampling.splits import assign_changing_labels

PLANTS = [f"p{i + 1:02d}" for i in range(12)]
EARLY, LATE = PLANTS[:3], PLANTS[:6]
"""Plants infected on day 4 already, and those infected on day 8."""


def labels(early=EARLY, late=LATE, days=("day4", "day8")):
    """Return the stage of disease of every scan: of six plants it changes."""
    sick = {"day0": [], "day4": early, "day8": late}
    return {
        f"{day}-{plant}-{leaf}": "infected" if plant in sick[day] else "healthy"
        for day in days
        for plant in PLANTS
        for leaf in (1, 2)
    }


def job_of(make_job, given=None, folder="study", rule="classes", **classes):
    job = make_job(classes={"target": "stage", **classes}, folder=folder, rule=rule)
    job.settings["labels"] = labels() if given is None else given
    return job


def test_what_labels_belong_to():
    unit_of, day = np.repeat([0, 1, 2], 4), np.tile([0, 0, 1, 1], 3)
    by, codes, _ = label_sequences(np.repeat([1, 0, 1], 4), unit_of, day)
    assert by == BY_UNIT and codes.tolist() == [1, 0, 1]
    by, codes, table = label_sequences(np.array([0] * 4 + [0, 0, 1, 1] * 2), unit_of, day)
    assert by == BY_SESSION and table[codes].tolist() == [[0, 0], [0, 1], [0, 1]]
    by, codes, _ = label_sequences(np.array([0] * 4 + [0, 1, 1, 1] * 2), unit_of, day)
    assert by == BY_SCAN and codes[1] == codes[2] != codes[0]


def test_labels_of_a_unit_move_as_one_sequence(make_job):
    data = labelled_spectra(job_of(make_job))
    assert data.labels_by == BY_SESSION and data.classes == ("healthy", "infected")
    assert np.array_equal(data.scan_codes(data.unit_codes), data.codes)
    swapped = data.unit_codes.copy()
    swapped[[0, 11]] = swapped[[11, 0]]
    moved = data.scan_codes(swapped)
    for day in (0, 1):
        for unit, other in ((0, 11), (11, 0)):
            own = (data.unit_of == unit) & (data.day == day)
            theirs = (data.unit_of == other) & (data.day == day)
            assert set(moved[own]) == set(data.codes[theirs])
    # Plants of each class, and each plant under each of its labels.
    assert data.units_per_class().tolist() == [9, 6]
    labelled, class_of = data.labelled_units()
    assert len(class_of) == 15 and np.array_equal(class_of[labelled], data.codes)


@settings(deadline=None)
@given(
    st.lists(st.lists(st.integers(0, 2), min_size=3, max_size=3), min_size=6, max_size=24),
    st.integers(2, 5),
    st.integers(0, 2**32 - 1),
)
def test_scans_of_a_unit_stay_together_and_classes_are_spread(rows, n_folds, seed):
    codes, units = np.array(rows).ravel(), np.repeat(np.arange(len(rows)), 3)
    if n_folds > np.bincount(codes).max():
        return
    fold = assign_changing_labels(codes, units, n_folds, np.random.default_rng(seed))
    assert fold.shape == (len(rows),)
    assert set(fold) == set(range(fold.max() + 1)) and 2 <= fold.max() + 1 <= n_folds
    again = assign_changing_labels(codes, units, n_folds, np.random.default_rng(seed))
    assert np.array_equal(fold, again)


def test_folds_hold_each_class_as_evenly_as_it_goes(make_job):
    data = labelled_spectra(job_of(make_job))
    for seed in range(20):
        fold = assign_changing_labels(data.codes, data.unit_of, 3, np.random.default_rng(seed))[
            data.unit_of
        ]
        # 18 scans of infected leaves in 9 pairs of plant and day: six for each of three folds.
        assert [int((data.codes[fold == i] == 1).sum()) for i in range(3)] == [6, 6, 6]


def test_the_stage_counts_units_and_votes_by_session(make_job):
    job = job_of(make_job, folds={"outer": "auto", "repeats": 2})
    outcome = stage.run(job)
    told = json.loads(job.outputs["summary"].read_text())
    assert told["labels_by"] == "session"
    assert told["n_units"] == 12 and told["n_units_per_class"] == {"healthy": 9, "infected": 6}
    assert told["n_scans_per_class"] == {"healthy": 30, "infected": 18}
    # The median class has 7.5 units.
    assert told["n_folds"] == 7
    assert told["n_unit_calls"] == 24
    assert told["wilson"] == pytest.approx(wilson_interval(told["accuracy"] * 12, 12))
    votes = pd.read_csv(job.outputs["predictions"])
    right = []
    for _, own in votes.groupby("repeat"):
        mean = own.groupby(["unit", "session", "true"])[["p_healthy", "p_infected"]].mean()
        named = mean.idxmax(axis=1).str.removeprefix("p_")
        right.append((named == mean.index.get_level_values("true")).mean())
    assert told["unit_accuracy"] == pytest.approx(np.mean(right))
    by_unit = votes.groupby(["repeat", "unit"])["fold"].nunique()
    assert (by_unit == 1).all()
    # Rows of a class add up to its plants.
    sums = pd.read_csv(job.outputs["confusion"]).groupby(["n_components", "true"])["n_units"].sum()
    assert sums.unstack().to_numpy() == pytest.approx(np.tile([9, 6], (6, 1)))
    assert told["p_permutation"] is not None and told["permuted_within"] == "the whole study"
    assert told["held_out_sessions"] is not None and told["held_out_sessions_reason"] is None
    assert not [w for w in outcome.warnings if "sessions held out" in w]


def test_a_class_of_one_session_leaves_the_held_out_sessions_out_and_says_why(make_job):
    job = job_of(make_job, labels(early=[]))
    outcome = stage.run(job)
    told = json.loads(job.outputs["summary"].read_text())
    assert told["held_out_sessions"] is None
    assert "infected (day8)" in told["held_out_sessions_reason"]
    (said,) = [w for w in outcome.warnings if "sessions held out" in w]
    assert "infected (day8)" in said


def test_too_few_units_elsewhere_leave_the_held_out_sessions_out(make_job):
    job = job_of(make_job, labels(early=EARLY[:1]))
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    assert plan.unseen_days is None and "too few units" in plan.no_unseen_days


def test_every_model_is_trained_on_what_it_is_tested_on(make_job):
    job = job_of(make_job)
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    for scheme in (*plan.schemes, plan.test_scheme, *plan.unseen_days):
        assert untrained(scheme, data.codes) == []
        for i, outer in enumerate(scheme.outer):
            assert not {*data.unit_of[scheme.fold == i]} & {*data.unit_of[scheme.training[outer]]}


def test_units_of_other_sessions_do_not_exchange_labels(make_job):
    job = make_job(
        classes={"target": "stage", "folds": {"outer": 2, "repeats": 1}},
        excluded=lambda scan: scan.startswith(("day8-p01", "day8-p12")),
    )
    job.settings["labels"] = labels()
    data = labelled_spectra(job)
    plan = planned(data, job.settings)
    whole = {data.units[i] for i in np.flatnonzero(data.measured() == data.measured()[1])}
    assert whole == {*PLANTS} - {"p01", "p12"}
    assert plan.exchangeable_within == "same sessions"
    assert plan.within == "outer fold and same sessions"
    pairs = {*zip(plan.cells.tolist(), data.measured().tolist(), strict=True)}
    assert len(pairs) == len({*plan.cells.tolist()})
    for row in arrangements(data.unit_codes, plan.exchangeable, 99, np.random.default_rng(0))[0]:
        assert (data.scan_codes(row) >= 0).all()
    with pytest.raises(ValueError, match="not measured"):
        data.scan_codes(np.roll(data.unit_codes, 1))


def test_p_counts_whole_sequences(make_job):
    """Five plants, two sessions: all orders of the sequences, written out one by one."""
    rng = np.random.default_rng(3)
    units, day = np.repeat(np.arange(5), 2), np.tile([0, 1], 5)
    codes = np.array([0, 0, 0, 0, 0, 1, 0, 1, 1, 1])
    by, unit_codes, sequences = label_sequences(codes, units, day)
    spectra = rng.normal(size=(10, 6)) + 0.8 * codes[:, None] * np.arange(6)
    data = Labelled(
        spectra=spectra, wavelength_nm=np.arange(6.0), rows=pd.DataFrame(), classes=("a", "b"),
        codes=codes, units=tuple("abcde"), unit_of=units, unit_codes=unit_codes, blocks=(),
        unit_blocks=np.zeros(5, dtype=int), sessions=("d0", "d1"), day=day, labels_by=by,
        sequences=sequences,
    )  # fmt: skip
    asked = {
        "design": {"unit": "plant", "treatment": "t", "block": None, "sessions": []},
        "units": {},
        "classes": {
            "target": "stage", "split": "leave_one_unit_out", "preprocessing": ["none"],
            "max_components": 2, "folds": {"outer": "auto", "repeats": 1}, "seed": 1,
        },
    }  # fmt: skip
    plan = planned(data, asked)
    predictor = batched_predictor(spectra, "none", Procedure(2, 2))
    test = permutation_test([predictor], data, plan, 999, np.random.default_rng(0))
    every = sorted(set(permutations(unit_codes.tolist())))
    assert test.enumerated and test.n_arrangements == len(every) == 30
    assert test.n_arrangements == n_arrangements(unit_codes, np.zeros(5, dtype=int))
    from leafledger.classes.negative_controls import nested_accuracy

    by_hand = []
    for order in every:
        own = np.concatenate([sequences[number] for number in order])
        (reached,) = nested_accuracy([predictor], plan.test_scheme, own[None], units, (2,))
        by_hand.append(reached)
    assert sorted(by_hand) == pytest.approx(sorted(test.accuracy))
    assert test.p == pytest.approx((np.array(by_hand) >= test.accuracy[0] - 1e-12).mean())


def test_labels_within_a_session_are_not_permuted_and_the_reason_is_named(make_job):
    own = {scan: "shaded" if scan.endswith("1") else "sunlit" for scan in labels()}
    job = job_of(make_job, own)
    outcome = stage.run(job)
    told = json.loads(job.outputs["summary"].read_text())
    assert told["labels_by"] == "scan" and told["p_permutation"] is None
    (said,) = [w for w in outcome.warnings if "no permutation test" in w]
    assert "p01 in day4: shaded and sunlit" in said
    assert told["n_unit_calls"] is None  # one scan of each label in a plant and session
    with pytest.raises(ValueError, match="one session"):
        labelled_spectra(job).scan_codes(np.zeros(12, dtype=int))


def test_a_class_seen_on_one_plant_is_set_aside_but_not_the_plant(make_job):
    own = labels()
    for leaf in (1, 2):
        own[f"day8-p01-{leaf}"] = "dead"
    data = labelled_spectra(job_of(make_job, own))
    assert data.classes == ("healthy", "infected") and "dead" in data.set_aside[0]
    assert "p01" in data.units and len(data.codes) == 46


def test_a_scan_without_label_is_named(make_job):
    own = labels() | {"day8-p05-2": ""}
    with pytest.raises(InputFault, match="day8-p05-2"):
        labelled_spectra(job_of(make_job, own))


def test_questions_follow_the_sequences(make_job):
    job = job_of(make_job, rule="negative_controls")
    negative_controls.run(job)
    rows = pd.read_csv(job.outputs["questions"]).set_index("asked")
    assert rows.loc["target", "n_draws"] == 19 and rows.loc["target", "n_units"] == 12
    assert 0 < rows.loc["target", "p"] <= 1


@pytest.mark.slow
def test_the_day_alone_does_not_make_labels_significant():
    """Of 400 studies without effect but with a strong day, at most 5 % (and chance) have p <= .05.

    Infection spreads with time, so the day alone tells much of the stage: accuracy is far above
    one half, and the permutation must not take that for an effect.
    """
    n_units, n_days, studies, draws = 16, 3, 400, 99
    units, day = np.repeat(np.arange(n_units), n_days), np.tile(np.arange(n_days), n_units)
    asked = {
        "design": {"unit": "plant", "treatment": "t", "block": None, "sessions": []},
        "units": {},
        "classes": {
            "target": "stage", "split": "unit", "preprocessing": ["none"],
            "max_components": 3, "folds": {"outer": 5, "repeats": 1}, "seed": 1,
        },
    }  # fmt: skip
    found, accuracy = [], []
    for seed in range(studies):
        rng = np.random.default_rng(seed)
        onset = rng.integers(1, n_days + 1, n_units)
        codes = (day >= onset[units]).astype(int)
        by, unit_codes, sequences = label_sequences(codes, units, day)
        plants, days = rng.normal(size=(n_units, 12)), 2 * rng.normal(size=(n_days, 12))
        spectra = plants[units] + days[day] + 0.5 * rng.normal(size=(len(units), 12))
        data = Labelled(
            spectra=spectra, wavelength_nm=np.arange(12.0), rows=pd.DataFrame(),
            classes=("healthy", "infected"), codes=codes,
            units=tuple(str(i) for i in range(n_units)), unit_of=units, unit_codes=unit_codes,
            blocks=(), unit_blocks=np.zeros(n_units, dtype=int), sessions=("d0", "d1", "d2"),
            day=day, labels_by=by, sequences=sequences,
        )  # fmt: skip
        plan = planned(data, asked)
        test = permutation_test(
            [batched_predictor(spectra, "none", Procedure(2, 3))], data, plan, draws, rng
        )  # fmt: skip
        found.append(test.p)
        accuracy.append(test.accuracy[0])
    assert np.mean(accuracy) > 0.65
    assert (np.array(found) <= 0.05).mean() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / studies)
