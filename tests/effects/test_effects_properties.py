"""What must hold of every test, whatever the numbers are."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from leafledger.effects.two_sample_tests import (
    doubled_ranks,
    hedges_g_independent,
    hedges_g_paired,
    label_permutation,
    paired_t,
    sign_flip,
    signed_rank,
    welch_t,
)
from leafledger.resampling.multiplicity import benjamini_hochberg, holm

TINY = 1e-9
few = settings(max_examples=40, deadline=None)
changes = arrays(
    float,
    st.integers(3, 10),
    elements=st.integers(-4000, 4000).map(lambda k: k / 1000),
)
paired = {
    "paired_t": lambda d: paired_t(d, 0.95, TINY),
    "signed_rank": lambda d: signed_rank(d, 0.95, TINY),
    "sign_flip": lambda d: sign_flip(d, 0.95, 99, 1, TINY),
}


def two(values):
    half = len(values) // 2 + 1
    return values[:half], values[half:]


@pytest.mark.parametrize("name", paired)
@few
@given(d=changes)
def test_swapping_before_and_after_keeps_p(name, d):
    one, other = paired[name](d), paired[name](-d)
    assert one.estimate == -other.estimate
    assert repr(one.p) == repr(other.p)
    if not math.isnan(one.ci_low):
        assert (one.ci_low, one.ci_high) == pytest.approx(
            (-other.ci_high, -other.ci_low), abs=1e-12
        )


@pytest.mark.parametrize("name", paired)
@few
@given(d=changes, seed=st.integers(0, 999))
def test_order_of_units_does_not_matter(name, d, seed):
    shuffled = np.random.default_rng(seed).permutation(d)
    one, other = paired[name](d), paired[name](shuffled)
    assert one.estimate == pytest.approx(other.estimate, abs=1e-12)
    assert one.p == pytest.approx(other.p, rel=1e-9, nan_ok=True)


@pytest.mark.parametrize("name", paired)
@few
@given(d=changes)
def test_numbers_are_finite_or_absent_and_p_is_a_probability(name, d):
    found = paired[name](d)
    assert math.isnan(found.p) or 0 <= found.p <= 1
    assert not any(math.isinf(v) for v in (found.statistic, found.ci_low, found.ci_high))
    if math.isnan(found.p):
        assert found.remark
    if not math.isnan(found.p_smallest) and not math.isnan(found.p):
        # zeros are dropped from the ranks, so p may not reach the bound, never pass it
        assert found.p >= found.p_smallest
    if not math.isnan(found.ci_low):
        assert found.ci_low - 1e-12 <= found.estimate <= found.ci_high + 1e-12


@few
@given(d=changes, shift=st.integers(-1000, 1000))
def test_interval_moves_with_the_data(d, shift):
    for name, test in paired.items():
        one, other = test(d), test(d + shift)
        if not math.isnan(one.ci_low) and not math.isnan(other.ci_low):
            assert other.ci_low - one.ci_low == pytest.approx(shift, abs=1e-6), name


@few
@given(values=arrays(float, st.integers(6, 12), elements=st.floats(-5, 5, width=32)))
def test_swapping_groups_changes_the_sign_and_no_digit_of_p(values):
    a, b = two(values)
    one, other = welch_t(a, b, 0.95, TINY), welch_t(b, a, 0.95, TINY)
    assert repr(one.p) == repr(other.p)
    assert one.estimate == -other.estimate
    g, h = hedges_g_independent(a, b, 0.95, TINY), hedges_g_independent(b, a, 0.95, TINY)
    if not math.isnan(g.g):
        assert (g.g, g.low) == (-h.g, -h.high)


@few
@given(
    values=arrays(float, 12, elements=st.floats(-5, 5, width=32)),
    treated=st.permutations([True] * 5 + [False] * 7),
)
def test_swapping_labels_changes_no_digit_of_the_permutation_p(values, treated):
    held = np.array(treated)
    blocks = ["A", "B"] * 6
    one = label_permutation(values, held, blocks, 0.95, 199, 4)
    other = label_permutation(values, ~held, blocks, 0.95, 199, 4)
    assert repr(one.p) == repr(other.p)
    assert one.estimate == -other.estimate
    if not math.isnan(one.ci_low):
        assert (one.ci_low, one.ci_high) == (-other.ci_high, -other.ci_low)


def test_swapping_labels_with_drawn_arrangements():
    rng = np.random.default_rng(2)
    values, held = rng.normal(size=26), np.arange(26) % 3 == 0
    one = label_permutation(values, held, [""] * 26, 0.95, 499, 4)
    other = label_permutation(values, ~held, [""] * 26, 0.95, 499, 4)
    assert one.n_draws == 499
    assert one.seed == 4
    assert repr(one.p) == repr(other.p)
    assert one.p_smallest == 1 / 500


@few
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_p_is_never_below_raw(p):
    for adjusted in (holm(p), benjamini_hochberg(p)):
        assert (adjusted >= np.array(p)).all()
        assert (adjusted <= 1).all()
    assert (holm(p) >= benjamini_hochberg(p) - 1e-12).all()


@settings(max_examples=12, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_adjusted_p_agree_with_statsmodels(p):
    from statsmodels.stats.multitest import multipletests

    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-12)
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


def test_equal_changes_have_no_t_and_say_so():
    same = np.array([0.1 + 0.2, 0.3, 0.3, 0.3])
    for found in (
        paired_t(same, 0.95, 1e-12),
        welch_t(same, same[:3], 0.95, 1e-12),
    ):
        assert math.isnan(found.p)
        assert math.isnan(found.statistic)
        assert "variation" in found.remark
    assert math.isnan(hedges_g_paired(same, 0.95, 1e-12).g)
    zero = np.zeros(5)
    assert signed_rank(zero, 0.95).remark.startswith("all 5 changes are zero")
    assert math.isnan(sign_flip(zero, 0.95, 99, 1).p)


def test_more_than_twenty_pairs_are_drawn_and_say_so():
    values = np.random.default_rng(1).normal(0.2, 1, 24)
    found = sign_flip(values, 0.95, 999, 8)
    assert (found.n_draws, found.seed) == (999, 8)
    assert found.p_smallest == 1 / 1000
    assert found.p * 1000 == pytest.approx(round(found.p * 1000), abs=1e-9)
    # the drawn p and the t test look at the same mean
    assert abs(found.p - paired_t(values, 0.95).p) < 0.05


def test_blocks_that_hold_one_treatment_leave_nothing_to_exchange():
    found = label_permutation(
        np.arange(4.0), np.array([True, True, False, False]), ["A", "A", "B", "B"], 0.95, 99, 1
    )
    assert math.isnan(found.p)
    assert "labels cannot be exchanged" in found.remark


def test_ranks_of_sizes_that_differ_by_rounding_are_tied():
    assert doubled_ranks(np.array([1.3, 1.3 + 1e-15, 0.5]), 1e-12).tolist() == [5, 5, 2]


def test_signed_rank_agrees_with_scipy_without_ties():
    from scipy.stats import wilcoxon

    rng = np.random.default_rng(3)
    for n in (5, 12, 30):
        d = rng.normal(0.3, 1, n)
        assert signed_rank(d, 0.95).p == pytest.approx(wilcoxon(d, method="exact").pvalue, rel=1e-9)


def test_signed_rank_of_very_many_changes_is_approximate_and_says_so():
    from scipy.stats import wilcoxon

    d = np.random.default_rng(4).normal(0.1, 1, 250)
    found = signed_rank(d, 0.95)
    by_scipy = wilcoxon(d, method="approx", correction=False).pvalue
    assert found.p == pytest.approx(by_scipy, rel=1e-9)
    assert "normal approximation" in found.remark
