"""No unit on both sides of any split, and classes spread evenly."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.classes.fold_assignment import planned
from leafledger.classes.labelled_scans import labelled_spectra
from leafledger.resampling.splits import assign_folds, members_of, scheme_of


@settings(max_examples=60, deadline=None)
@given(
    counts=st.lists(st.integers(2, 7), min_size=2, max_size=4),
    n_leaves=st.integers(1, 4),
    asked=st.integers(2, 6),
    seed=st.integers(0, 2**16),
)
def test_no_unit_is_on_both_sides(counts, n_leaves, asked, seed):
    labels = np.repeat(np.arange(len(counts)), counts)
    n_folds = min(asked, min(counts))
    rng = np.random.default_rng(seed)
    units = np.repeat(np.arange(len(labels)), n_leaves)
    fold = assign_folds(labels, np.zeros(len(labels), dtype=int), n_folds, rng)[units]
    scheme = scheme_of(fold, units, rng)
    assert scheme.n_folds == n_folds
    for i, outer in enumerate(scheme.outer):
        held = set(units[scheme.fold == i])
        assert held and held.isdisjoint(units[scheme.training[outer]])
        # Every class stays in training.
        assert set(labels[units[scheme.training[outer]]]) == set(range(len(counts)))
        judged_once = np.zeros(len(units), dtype=int)
        for inner, judged in scheme.inner[i]:
            learned = set(units[scheme.training[inner]])
            assert learned.isdisjoint(units[judged])
            assert learned.isdisjoint(held), "an inner set saw the outer fold"
            assert set(units[judged]).isdisjoint(held)
            judged_once += judged
        np.testing.assert_array_equal(judged_once, scheme.fold != i)


def test_six_folds_need_twenty_one_training_sets():
    labels = np.arange(24) % 4
    fold = assign_folds(labels, np.zeros(24, dtype=int), 6, np.random.default_rng(0))
    scheme = scheme_of(fold, np.arange(24), np.random.default_rng(0))
    assert len(scheme.training) == 21
    for i in range(6):
        assert sorted(labels[fold == i]) == [0, 1, 2, 3]


def test_blocks_are_spread_within_classes():
    labels, blocks = np.arange(24) % 2, np.arange(24) // 12
    fold = assign_folds(labels, blocks, 6, np.random.default_rng(1))
    for i in range(6):
        pairs = sorted(zip(labels[fold == i], blocks[fold == i], strict=True))
        assert pairs == [(0, 0), (0, 1), (1, 0), (1, 1)]


def test_other_draws_deal_otherwise():
    labels, nothing = np.arange(24) % 4, np.zeros(24, dtype=int)
    one, other = (assign_folds(labels, nothing, 6, np.random.default_rng(s)) for s in (1, 2))
    assert not np.array_equal(one, other)


def test_scans_of_every_unit_in_the_order_of_the_table():
    units = np.array([2, 0, 3, 2, 0, 1, 2])
    assert [scans.tolist() for scans in members_of(units)] == [[1, 4], [5], [0, 3, 6], [2]]


def test_as_many_repeats_as_asked_for(make_job):
    for asked in (1, 3):
        job = make_job(classes={"folds": {"outer": 4, "repeats": asked}})
        plan = planned(labelled_spectra(job), job.settings)
        assert len(plan.schemes) == asked
        assert {scheme.n_folds for scheme in plan.schemes} == {4}


def test_as_many_latent_variables_as_the_smallest_training_set_less_one(make_job):
    job = make_job(classes={"max_components": 40, "sessions": ["day8"]})
    plan = planned(labelled_spectra(job), job.settings)
    smallest = min(int(scheme.training.sum(axis=1).min()) for scheme in plan.schemes)
    assert 2 < smallest < 35
    assert plan.widths == (smallest - 1,)
