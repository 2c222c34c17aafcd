"""Lots: equal numbers in every block for every seed, and no unit preferred over ten thousand."""

from __future__ import annotations

import hashlib
import itertools
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from leafledger.planning.randomisation import (
    BLOCKS,
    FREE,
    PAIRS,
    alike_blocks,
    balance,
    block_names,
    draw,
    in_words,
    stated_blocks,
    unit_names,
)

ARMS = ("water", "chelate", "sulphate", "urea", "none")


@given(st.integers(2, 5), st.integers(1, 4), st.integers(1, 6), st.integers(0, 2**32 - 1))
@settings(max_examples=200, deadline=None)
def test_every_block_holds_every_treatment_equally_often(
    k: int, inside: int, n_blocks: int, seed: int
) -> None:
    units = unit_names(k * inside * n_blocks)
    block = stated_blocks(units, n_blocks, BLOCKS)
    allocation = draw(units, ARMS[:k], BLOCKS, block, seed)
    assert list(allocation.treatment) == units
    held = Counter((block[unit], arm) for unit, arm in allocation.treatment.items())
    assert set(held.values()) == {inside}
    assert len(held) == k * n_blocks
    again = draw(units, ARMS[:k], BLOCKS, block, seed)
    assert again.sha256 == allocation.sha256 == hashlib.sha256(again.text.encode()).hexdigest()


def test_unequal_blocks_are_refused() -> None:
    with pytest.raises(ValueError, match="3 units for 2"):
        draw(["p1", "p2", "p3"], ARMS[:2], FREE, {}, 1)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("layout", "n_blocks", "k"), [(FREE, 0, 2), (PAIRS, 0, 2), (BLOCKS, 3, 2), (BLOCKS, 2, 3)]
)
def test_no_unit_is_preferred_over_ten_thousand_seeds(layout: str, n_blocks: int, k: int) -> None:
    units = unit_names(12)
    block = stated_blocks(units, n_blocks, layout)
    counts = np.zeros((12, k))
    together = Counter()
    for seed in range(10_000):
        drawn = draw(units, ARMS[:k], layout, block, seed).treatment
        for i, unit in enumerate(units):
            counts[i, ARMS.index(drawn[unit])] += 1
        together[drawn[units[0]] == drawn[units[-1]]] += 1
    tests = [chisquare(row).pvalue for row in counts]
    assert min(tests) > 0.001 / len(tests)
    # Two units of different blocks are independent; in one of twelve without blocks they agree
    # with probability 5 / 11.
    alike = 5 / 11 if layout == FREE else 1 / k
    expected = [10_000 * alike, 10_000 * (1 - alike)]
    assert chisquare([together[True], together[False]], expected).pvalue > 0.001


def test_every_arrangement_of_a_small_study_is_equally_likely() -> None:
    units = unit_names(4)
    seen = Counter(
        tuple(draw(units, ARMS[:2], FREE, {}, seed).treatment.values()) for seed in range(3000)
    )
    assert len(seen) == 6
    assert chisquare(list(seen.values())).pvalue > 0.001


def test_pairs_of_one_value_are_neighbours() -> None:
    rng = np.random.default_rng(1)
    values = {f"p{i:02d}": [float(v)] for i, v in enumerate(rng.normal(size=12))}
    blocks = alike_blocks(values, 2)
    cost = sum(abs(values[a][0] - values[b][0]) for a, b in blocks)
    # No pairing is better: all of them, by enumeration.
    assert cost == pytest.approx(min(costs_of_pairings(sorted(values), values)))


def costs_of_pairings(units: list[str], values) -> list[float]:
    if not units:
        return [0.0]
    first, *rest = units
    return [
        abs(values[first][0] - values[other][0]) + more
        for other in rest
        for more in costs_of_pairings([u for u in rest if u != other], values)
    ]


def within(values: dict[str, list[float]], blocks: list[list[str]]) -> float:
    """Return the sum of squared Mahalanobis distances to block means, by the inverse covariance."""
    x = np.array([values[unit] for unit in sorted(values)])
    inverse = np.linalg.inv(np.cov(x.T, ddof=0))
    total = 0.0
    for block in blocks:
        rows = np.array([values[unit] for unit in block])
        off = rows - rows.mean(axis=0)
        total += float(np.einsum("ij,jk,ik->", off, inverse, off))
    return total


def test_two_values_are_matched_by_mahalanobis_distance() -> None:
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        x = rng.normal(size=(8, 2)) @ np.array([[1.0, 0.9], [0.0, 0.3]])
        values = {f"p{i}": [float(a), float(b) * 1000.0] for i, (a, b) in enumerate(x)}
        found = alike_blocks(values, 2)
        assert sorted(itertools.chain(*found)) == sorted(values)
        best = min(within(values, pairs) for pairs in pairings(sorted(values)))
        ratios.append(within(values, found) / best)
        by_chance = np.mean([within(values, pairs) for pairs in pairings(sorted(values))])
        assert within(values, found) < 0.7 * by_chance
    assert min(ratios) >= 1 - 1e-9
    assert np.median(ratios) < 1.02
    assert max(ratios) < 1.6


def pairings(units: list[str]) -> list[list[list[str]]]:
    if not units:
        return [[]]
    first, *rest = units
    return [
        [[first, other], *more]
        for other in rest
        for more in pairings([u for u in rest if u != other])
    ]


@given(
    st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=6, max_size=18).filter(
        lambda xs: len(xs) % 3 == 0
    ),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_every_unit_is_in_one_block(values: list[tuple[float, float]], two: bool) -> None:
    of = {f"u{i:02d}": list(v if two else v[:1]) for i, v in enumerate(values)}
    blocks = alike_blocks(of, 3)
    assert all(len(block) == 3 for block in blocks)
    assert sorted(itertools.chain(*blocks)) == sorted(of)


def test_scales_do_not_matter() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(size=(12, 2))
    plain = {f"p{i:02d}": [float(a), float(b)] for i, (a, b) in enumerate(x)}
    scaled = {unit: [1e4 * a + 7.0, 1e-3 * b] for unit, (a, b) in plain.items()}
    key = {frozenset(block) for block in alike_blocks(plain, 4)}
    assert {frozenset(block) for block in alike_blocks(scaled, 4)} == key


def test_words_and_balance() -> None:
    units = unit_names(8)
    block = block_names([units[:4], units[4:]], units)
    allocation = draw(units, ARMS[:2], BLOCKS, block, 2)
    words = in_words(allocation, ARMS[:2], "plants")
    assert words.startswith("8 plants were allocated to water and chelate at random, 4 to each")
    assert "2 complete blocks of 4" in words
    assert "occurs twice" in words
    values = {unit: [float(i)] for i, unit in enumerate(units)}
    rows = balance(allocation, values, ["PRI"])
    assert [row["n"] for row in rows] == [4, 4]
    assert sum(row["mean"] for row in rows) == pytest.approx(7.0)
