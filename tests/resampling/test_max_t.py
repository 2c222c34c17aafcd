"""Step-down largest |t| against enumeration by hand and against its own promises."""

import itertools
import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from leafledger.resampling.multiplicity import holm, max_t_flips, max_t_labels
from leafledger.resampling.permutation import generator


def step_down(observed, drawn):
    """Westfall and Young (1993), algorithm 2.8, word for word and slowly."""
    order = sorted(range(len(observed)), key=lambda k: -observed[k])
    p, last = [math.nan] * len(observed), 0.0
    for i, k in enumerate(order):
        rest = order[i:]
        share = np.mean([max(row[j] for j in rest) >= observed[k] - 1e-9 for row in drawn])
        last = max(last, share)
        p[k] = last
    return p


def hc2_t(values, held, blocks):
    """t of the label in values ~ label + block with HC2 errors, by statsmodels."""
    names = sorted(set(blocks))
    columns = [np.ones(len(values)), held.astype(float)]
    columns += [np.array([b == name for b in blocks], dtype=float) for name in names[1:]]
    fit = sm.OLS(values, np.column_stack(columns)).fit(cov_type="HC2")
    return fit.tvalues[1]


def test_flips_by_hand_enumeration():
    changes = np.random.default_rng(1).normal(0.6, 1, (7, 4))
    drawn = [
        np.abs(stats.ttest_1samp(np.array(s)[:, None] * changes, 0).statistic)
        for s in itertools.product((1, -1), repeat=7)
    ]
    observed = np.abs(stats.ttest_1samp(changes, 0).statistic)
    found = max_t_flips(changes, 99, generator(1))
    assert found.p == pytest.approx(step_down(observed, drawn), abs=1e-12)
    assert (found.n_draws, found.p_smallest) == (0, 2 / 128)


def test_labels_by_hand_enumeration_within_blocks():
    rng = np.random.default_rng(2)
    changes = rng.normal(size=(8, 3))
    changes[:4] += 1.5
    member = np.arange(8) < 4
    blocks = ["A", "A", "B", "B"] * 2

    def t(held):
        return np.abs([hc2_t(column, held, blocks) for column in changes.T])

    drawn = []
    places = [np.flatnonzero(np.array(blocks) == b) for b in "AB"]
    for pair in itertools.product(*(itertools.combinations(w.tolist(), 2) for w in places)):
        drawn.append(t(np.isin(np.arange(8), sum(pair, ()))))
    found = max_t_labels(changes, member, blocks, 99, generator(1))
    assert len(drawn) == 36
    assert found.p == pytest.approx(step_down(t(member), drawn), abs=1e-12)
    assert found.p_smallest == 2 / 36


def test_labels_without_blocks_are_compared_by_welch():
    changes = np.random.default_rng(12).normal(size=(8, 3)) * np.array([1.0, 5.0, 0.1])
    changes[:3] += [1.0, 8.0, 0.0]
    changes[:3] *= 3.0
    member = np.arange(8) < 3

    def t(held):
        return np.abs(stats.ttest_ind(changes[held], changes[~held], equal_var=False).statistic)

    drawn = [t(np.isin(np.arange(8), c)) for c in itertools.combinations(range(8), 3)]
    found = max_t_labels(changes, member, ["A"] * 8, 99, generator(1))
    assert found.p == pytest.approx(step_down(t(member), drawn), abs=1e-12)
    assert found.p_smallest == 1 / 56


def test_missing_units_leave_the_means_of_their_blocks():
    """Two columns, one without two units, against statsmodels on the units that take part."""
    rng = np.random.default_rng(13)
    blocks = ["A"] * 4 + ["B"] * 5
    changes = rng.normal(size=(9, 2)) + np.repeat([0.0, 30.0], [4, 5])[:, None]
    changes[[0, 4, 5], :] += 2.0
    changes[[1, 8], 1] = np.nan
    member = np.isin(np.arange(9), [0, 2, 4, 5])
    df = (6, 4)  # units less blocks less one

    def sizes(held):
        out = []
        for k in range(2):
            on = np.isfinite(changes[:, k])
            t = hc2_t(changes[on, k], held[on], [b for b, o in zip(blocks, on, strict=True) if o])
            out.append(-stats.t.logsf(abs(t), df[k]))
        return np.array(out)

    drawn = [
        sizes(np.isin(np.arange(9), one + two))
        for one in itertools.combinations(range(4), 2)
        for two in itertools.combinations(range(4, 9), 2)
    ]
    found = max_t_labels(changes, member, blocks, 99, generator(1))
    assert len(drawn) == 60
    assert found.p == pytest.approx(step_down(sizes(member), drawn), abs=1e-12)


def test_a_huge_t_still_counts_itself():
    """Rounding in sums of squares must not make the observed arrangement smaller than itself."""
    changes = np.random.default_rng(14).normal(size=(8, 40)) * 1e-5
    changes[:4] += 1.0
    found = max_t_labels(changes, np.arange(8) < 4, [""] * 8, 99, generator(1))
    assert found.p == pytest.approx(np.full(40, 2 / 70))


def test_one_column_is_the_plain_permutation_test():
    changes = np.random.default_rng(3).normal(0.5, 1, (9, 1))
    many = max_t_flips(np.repeat(changes, 30, axis=1), 99, generator(1))
    one = max_t_flips(changes, 99, generator(1))
    assert many.p == pytest.approx(np.full(30, one.p[0]))  # copies of one index cost nothing
    assert holm([one.p[0]] * 30)[0] == pytest.approx(min(1.0, 30 * one.p[0]))


def test_drawn_p_is_never_zero_and_repeats():
    changes = np.random.default_rng(4).normal(5, 1, (24, 6))
    one, two = (max_t_flips(changes, 199, generator(9, "x")) for _ in range(2))
    assert one.p.tolist() == two.p.tolist() == [1 / 200] * 6
    assert one.n_draws == 199


def test_missing_units_and_columns_without_t():
    changes = np.random.default_rng(5).normal(2, 1, (10, 3))
    changes[2, 0] = np.nan
    changes[1:, 2] = np.nan
    found = max_t_flips(changes, 99, generator(1))
    assert np.isfinite(found.p[:2]).all()
    assert math.isnan(found.p[2])
    member = np.arange(10) < 5
    found = max_t_labels(changes, member, [""] * 10, 99, generator(1))
    assert np.isfinite(found.p[:2]).all()
    assert math.isnan(found.p[2])


def test_swapping_the_groups_changes_no_digit():
    changes = np.random.default_rng(6).normal(size=(12, 5))
    member = np.arange(12) < 5
    one = max_t_labels(changes, member, [""] * 12, 99, generator(1))
    two = max_t_labels(-changes, member, [""] * 12, 99, generator(1))
    assert one.p.tolist() == two.p.tolist()


def test_adjusted_p_is_never_below_the_plain_one():
    changes = np.random.default_rng(7).normal(size=(8, 6))
    together = max_t_flips(changes, 99, generator(1)).p
    alone = [max_t_flips(changes[:, [k]], 99, generator(1)).p[0] for k in range(6)]
    assert (together >= np.array(alone) - 1e-12).all()


def test_columns_with_few_units_do_not_hide_the_others():
    """A column of three units has a huge |t| by chance; it must not swamp one of twelve."""
    rng = np.random.default_rng(8)
    changes = np.full((15, 2), np.nan)
    changes[:12, 0] = rng.normal(1.6, 1, 12)
    changes[12:, 1] = rng.normal(0, 1, 3)
    found = max_t_flips(changes, 99, generator(1))
    assert found.p[0] < 0.01
