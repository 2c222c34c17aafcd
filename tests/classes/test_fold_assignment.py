"""How many folds and repeats a study gets, and what each of its schemes holds out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from leafledger.classes.fold_assignment import TEST_FOLDS, FoldAssignment, planned
from leafledger.classes.labelled_scans import Labelled, label_sequences
from leafledger.resampling.splits import later_days_scheme

N_DAYS = 2


def study(per_class=6, n_blocks=1, n_days=N_DAYS, gone=()):
    """Return two classes of units measured once a day; ``gone`` are pairs of class and day."""
    labels = np.arange(2 * per_class) % 2
    pairs = [
        (unit, day)
        for unit in range(len(labels))
        for day in range(n_days)
        if (int(labels[unit]), day) not in gone
    ]
    units, day = np.array(pairs).T
    codes = labels[units]
    by, unit_codes, sequences = label_sequences(codes, units, day)
    return Labelled(
        spectra=np.zeros((len(codes), 3)), wavelength_nm=np.arange(3.0), rows=pd.DataFrame(),
        classes=("a", "b"), codes=codes, units=tuple(f"u{i:02d}" for i in range(len(labels))),
        unit_of=units, unit_codes=unit_codes, blocks=tuple("ABCDEFGH"[:n_blocks]),
        unit_blocks=np.arange(len(labels)) // 2 % n_blocks,
        sessions=tuple(f"d{i}" for i in range(n_days)), day=day, labels_by=by,
        sequences=sequences,
    )  # fmt: skip


def settings(split="unit", outer=3, repeats=4, block=None):
    return {
        "design": {"unit": "plant", "treatment": "t", "block": block, "sessions": []},
        "units": {},
        "classes": {
            "target": "t", "split": split, "preprocessing": ["none"], "max_components": 2,
            "folds": {"outer": outer, "repeats": repeats}, "seed": 7,
        },
    }  # fmt: skip


def n_repeats(data, asked):
    folds = FoldAssignment(data, asked)
    return len(folds.repeats()[0]), folds.warnings


def test_whole_blocks_are_held_out_once_only_if_each_is_a_fold_and_nothing_is_dealt():
    """Four blocks in four folds: no repeat differs. Two in two: the inner folds are dealt anew."""
    by_block = {"split": "block", "outer": "auto", "block": "bench"}
    assert n_repeats(study(n_blocks=4), settings(**by_block)) == (
        1,
        ["every block is a fold of its own, so all 4 repeats would be the same: one was done"],
    )
    assert n_repeats(study(n_blocks=2), settings(**by_block)) == (4, [])
    assert n_repeats(study(n_blocks=4), settings(**{**by_block, "outer": 3})) == (4, [])
    # As many blocks as folds of units: units are dealt anew in every repeat.
    assert n_repeats(study(n_blocks=3), settings(outer=3, block="bench")) == (4, [])


@pytest.mark.parametrize(
    ("outer", "same"), [(TEST_FOLDS - 1, True), (TEST_FOLDS, True), (6, False)]
)
def test_the_permutation_test_takes_the_first_repeat_up_to_five_folds(outer, same):
    plan = planned(study(), settings(outer=outer))
    assert (plan.test_scheme is plan.schemes[0]) == same
    assert plan.test_scheme.n_folds == min(outer, TEST_FOLDS)
    assert len(set(plan.cells.tolist())) == plan.test_scheme.n_folds


def test_a_class_of_two_sessions_is_held_out_and_one_of_a_single_session_is_not():
    plan = planned(study(n_days=3, gone={(1, 0)}), settings())
    assert plan.unseen_days is not None and plan.no_unseen_days == ""
    plan = planned(study(n_days=3, gone={(1, 0), (1, 2)}), settings())
    assert plan.unseen_days is None
    assert plan.no_unseen_days.endswith("when it is held out: b (d1)")


def test_three_folds_are_enough_to_hold_out_sessions():
    """Three units of each class: three folds, every scan is held out with its session once."""
    data = study(per_class=3)
    plan = planned(data, settings(outer=2))
    (first, seen), days = plan.unseen_days, set(range(N_DAYS))
    for scheme in (first, seen):
        assert scheme.n_folds == 3 * N_DAYS and (scheme.fold >= 0).all()
    for i, outer in enumerate(first.outer):
        (held,) = set(data.day[first.fold == i])
        assert set(data.day[first.training[outer]]) == days - {held}


@pytest.mark.parametrize("n_folds", [3, 6])
def test_a_day_without_scans_of_a_fold_still_judges_the_folds_after_it(n_folds):
    """Units of the first fold were not measured on the second day: the others are held out."""
    units = np.repeat(np.arange(2 * n_folds), 3)
    day, fold = np.tile([0, 1, 2], 2 * n_folds), units % n_folds
    there = ~((fold == 0) & (day == 1))
    units, day, fold = units[there], day[there], fold[there]
    scheme = later_days_scheme(fold, day, units, np.random.default_rng(0))
    np.testing.assert_array_equal(scheme.fold >= 0, day > 0)
    assert scheme.n_folds == 2 * n_folds - 1 == len(scheme.inner)
    for i, outer in enumerate(scheme.outer):
        (held_day,), (held_fold,) = set(day[scheme.fold == i]), set(fold[scheme.fold == i])
        expected = (day < held_day) & (fold != held_fold)
        np.testing.assert_array_equal(scheme.training[outer], expected)


@pytest.mark.parametrize(("per_class", "repeats"), [(6, 10), (35, 9), (150, 3)])
def test_units_times_repeats_reach_600_with_at_most_ten(per_class, repeats):
    """70 units: eight repeats would be 560, nine are 630."""
    assert n_repeats(study(per_class), settings(repeats="auto")) == (repeats, [])
