"""Permutation against full enumeration done by hand and against published worked examples."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.resampling.permutation import (
    equal_tailed,
    flip_sums,
    generator,
    label_arrangements,
    two_sided_p,
)


def test_flip_sums_are_all_sign_patterns():
    changes = np.array([1.0, 2.5, -4.0])
    flips = flip_sums(changes, 99, generator(1))
    by_hand = sorted(
        sum(s * c for s, c in zip(signs, changes, strict=True))
        for signs in itertools.product((-1, 1), repeat=3)
    )
    assert flips.enumerated
    assert sorted(flips.sums.tolist()) == by_hand
    assert flips.kept.sum() == 3 * 4


def test_flip_sums_beyond_the_limit_are_drawn_and_repeat():
    changes = np.arange(21.0)
    one, two = (flip_sums(changes, 500, generator(7, "x")) for _ in range(2))
    assert not one.enumerated
    assert len(one.sums) == 500
    assert np.array_equal(one.sums, two.sums)


def test_darwin_maize_sign_flips():
    """Fisher (1935), The Design of Experiments, section 21: 1,726 of 32,768 patterns.

    Differences in eighths of an inch; values from memory of the book, count recomputed here.
    """
    eighths = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], dtype=float)
    flips = flip_sums(eighths, 99, generator(1))
    assert len(flips.sums) == 32_768
    assert int(np.count_nonzero(np.abs(flips.sums) >= eighths.sum())) == 1726
    p = two_sided_p(flips.sums, eighths.sum(), np.abs(eighths).sum(), enumerated=True)
    assert p == 1726 / 32_768


def test_arrangements_keep_their_count_within_blocks():
    member = np.array([True, False, True, False, False, True, False])
    blocks = ["A", "A", "A", "B", "B", "B", "B"]
    dealt = label_arrangements(member, blocks, 99, generator(1))
    assert dealt.enumerated
    assert len(dealt.member) == dealt.n_possible == math.comb(3, 2) * math.comb(4, 1)
    assert len({tuple(row) for row in dealt.member.tolist()}) == dealt.n_possible
    assert (dealt.member[:, :3].sum(axis=1) == 2).all()
    assert (dealt.member[:, 3:].sum(axis=1) == 1).all()
    assert (dealt.member == member).all(axis=1).sum() == 1


def test_many_arrangements_are_drawn_evenly_within_blocks():
    member = np.arange(24) % 2 == 0
    blocks = ["A"] * 12 + ["B"] * 12
    dealt = label_arrangements(member, blocks, 4000, generator(5))
    assert not dealt.enumerated
    assert dealt.n_possible == math.comb(12, 6) ** 2
    assert (dealt.member[:, :12].sum(axis=1) == 6).all()
    # each unit carries the label half of the time: 4000 draws, SD 0.008
    assert np.abs(dealt.member.mean(axis=0) - 0.5).max() < 0.04


def test_drawn_p_counts_the_observed_arrangement():
    """Phipson and Smyth (2010): p = (b + 1) / (B + 1) is never zero."""
    assert two_sided_p(np.zeros(99), 5.0, 1.0, enumerated=False) == 0.01
    assert two_sided_p(np.full(99, -6.0), 5.0, 1.0, enumerated=False) == 1.0


def test_ties_within_rounding_count_as_reached():
    values = np.array([0.1 + 0.2, -0.3, 0.0, 0.0])
    assert two_sided_p(values, 0.3, 0.3, enumerated=True) == 0.5


def test_interval_names_the_level_it_attains():
    low, high, level = equal_tailed(np.arange(63.0), 64, 0.95)
    assert (low, high, level) == (0.0, 62.0, 1 - 2 / 64)
    low, high, level = equal_tailed(np.arange(15.0), 16, 0.95)
    assert math.isnan(low)
    assert math.isnan(high)
    assert level == 0.875


@given(st.lists(st.integers(-50, 50), min_size=2, max_size=9))
def test_flipping_every_change_leaves_p(changes):
    values = np.array(changes, dtype=float)
    stream = generator(1)

    def p(v):
        flips = flip_sums(v, 99, stream)
        return two_sided_p(flips.sums, v.sum(), np.abs(v).sum(), enumerated=True)

    assert p(values) == p(-values)


@pytest.mark.parametrize("n", [4, 7])
def test_smallest_p_of_flips_is_two_patterns(n):
    values = np.arange(1.0, n + 1)
    flips = flip_sums(values, 99, generator(1))
    assert two_sided_p(flips.sums, values.sum(), values.sum(), enumerated=True) == 2 / 2**n
