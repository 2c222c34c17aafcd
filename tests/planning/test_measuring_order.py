"""Whether drift can pass for treatment: where treatments and units stand in the order."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from leafledger.planning.randomisation import (
    BLOCKS,
    FREE,
    PAIRS,
    Effort,
    draw,
    latin_square,
    orders,
    stated_blocks,
    steps,
    unit_names,
    units_between_references,
)

SESSIONS = ("day0", "day4", "day8", "day12")
ARMS = ("water", "chelate", "sulphate", "urea")


def planned(n_arms: int, per_arm: int, n_blocks: int, seed: int):
    units = unit_names(n_arms * per_arm)
    layout = BLOCKS if n_blocks else FREE
    block = stated_blocks(units, n_blocks, layout)
    return draw(units, ARMS[:n_arms], layout, block, seed)


def positions(order: dict[str, list[str]], treatment) -> dict[str, list[str]]:
    return {session: [treatment[unit] for unit in units] for session, units in order.items()}


designs = st.tuples(
    st.integers(2, 4), st.integers(2, 9), st.booleans(), st.integers(1, 3), st.integers(1, 30)
)


@given(designs, st.integers(0, 2**32 - 1))
@settings(max_examples=150, deadline=None)
def test_restrictions_hold_for_every_seed(design, seed: int) -> None:
    k, per_arm, in_blocks, leaves, every = design
    allocation = planned(k, per_arm, per_arm if in_blocks else 0, seed)
    effort = Effort(leaves, 1, every, 2)
    order = orders(SESSIONS, allocation.treatment, allocation.block, effort, seed)
    arms = positions(order, allocation.treatment)
    for session in SESSIONS:
        # 1. Every unit once; every round of k units holds every treatment once.
        assert sorted(order[session]) == sorted(allocation.treatment)
        for start in range(0, len(arms[session]), k):
            assert len(set(arms[session][start : start + k])) == k
        # 2. Blocks one after the other.
        if in_blocks:
            seen = [allocation.block[unit] for unit in order[session]]
            assert len(set(seen)) == 1 + sum(a != b for a, b in pairwise(seen))
    # 3. Over every k sessions each treatment stands once in every position of the session.
    for first in range(0, len(SESSIONS) - k + 1, k):
        days = SESSIONS[first : first + k]
        for at in range(k * per_arm):
            assert len({arms[day][at] for day in days}) == k


@pytest.mark.parametrize(
    ("k", "per_arm", "leaves", "every"),
    [(2, 12, 3, 12), (3, 9, 2, 12), (3, 9, 1, 9), (2, 8, 3, 6), (4, 8, 1, 9)],
)
def test_each_arm_is_equally_often_in_each_position_of_a_session(
    k: int, per_arm: int, leaves: int, every: int
) -> None:
    effort = Effort(leaves, 1, every, 3)
    between = units_between_references(effort, k)
    assert between >= k
    for seed in range(40):
        allocation = planned(k, per_arm, 0, seed)
        arms = positions(
            orders(SESSIONS, allocation.treatment, {}, effort, seed), allocation.treatment
        )
        for session in SESSIONS:
            n_groups = len(arms[session]) // between
            full = n_groups - n_groups % k
            for at in range(between):
                held = Counter(arms[session][g * between + at] for g in range(full))
                assert set(held.values()) == {full // k}, (session, at, held)


def test_references_between_rounds_that_do_not_fit_meet_each_arm_equally() -> None:
    # Three arms, references after every two units: 3 x 3 x 2 units until all is even.
    effort = Effort(3, 1, 7, 3)
    assert units_between_references(effort, 3) == 2
    for seed in range(30):
        allocation = planned(3, 6, 0, seed)
        arms = positions(orders(["day0"], allocation.treatment, {}, effort, seed),
                         allocation.treatment)["day0"]  # fmt: skip
        held = Counter((at % 2, arm) for at, arm in enumerate(arms))
        assert set(held.values()) == {3}


def test_a_linear_drift_cancels_between_two_treatments() -> None:
    effort = Effort(3, 1, 12, 3)
    for seed in range(200):
        allocation = planned(2, 12, 6, seed)
        order = orders(SESSIONS, allocation.treatment, allocation.block, effort, seed)
        for units in order.values():
            place = {unit: i for i, unit in enumerate(units)}
            sums = defaultdict(float)
            for unit, arm in allocation.treatment.items():
                sums[arm] += place[unit]
            assert sums["water"] == sums["chelate"]
            # Nor can a drift between two groups of references: four units lie between them.
            for start in range(0, 24, 4):
                near = units[start : start + 4]
                first, last = allocation.treatment[near[0]], allocation.treatment[near[3]]
                assert first == last != allocation.treatment[near[1]]


@pytest.mark.slow
def test_no_position_prefers_an_arm_or_a_unit_over_ten_thousand_seeds() -> None:
    n, effort = 12, Effort(1, 1, 4, 3)
    unit_at, arm_at = np.zeros((n, n)), np.zeros((n, 2))
    units = unit_names(n)
    for seed in range(10_000):
        allocation = planned(2, 6, 3, seed)
        order = orders(["day0"], allocation.treatment, allocation.block, effort, seed)["day0"]
        for at, unit in enumerate(order):
            unit_at[units.index(unit), at] += 1
            arm_at[at, allocation.treatment[unit] == "water"] += 1
    # Bonferroni over all rows: the smallest p of 24 uniform ones is above 0.001 / 24 but in 1 of
    # 1,000 choices of seeds, and the seeds are fixed.
    tests = [chisquare(row).pvalue for row in (*unit_at, *unit_at.T, *arm_at)]
    assert min(tests) > 0.001 / len(tests)


def test_sessions_and_seeds_have_orders_of_their_own() -> None:
    allocation = planned(2, 12, 6, 1)
    effort = Effort(3, 1, 12, 3)
    order = orders(SESSIONS, allocation.treatment, allocation.block, effort, 1)
    assert len({tuple(units) for units in order.values()}) == len(SESSIONS)
    assert order == orders(SESSIONS, allocation.treatment, allocation.block, effort, 1)
    other = orders(SESSIONS, allocation.treatment, allocation.block, effort, 2)
    assert all(order[session] != other[session] for session in SESSIONS)


def test_without_treatments_the_order_is_a_lot() -> None:
    units = unit_names(10)
    order = orders(SESSIONS, dict.fromkeys(units, ""), {}, Effort(3, 1, 12, 3), 5)
    assert all(sorted(held) == units for held in order.values())
    assert len({tuple(held) for held in order.values()}) == len(SESSIONS)


@given(st.integers(1, 8), st.integers(0, 1000))
def test_a_latin_square_has_each_symbol_once_in_rows_and_columns(k: int, seed: int) -> None:
    square = latin_square(k, np.random.default_rng(seed))
    for line in (*square, *zip(*square, strict=True)):
        assert sorted(line) == list(range(k))


def test_references_come_first_between_and_last() -> None:
    order = ["p01", "p02", "p03", "p04", "p05", "p06"]
    listed = steps("day0", order, Effort(3, 2, 12, 3), 2)
    roles = [step.role for step in listed]
    assert roles[:6] == ["dark"] * 3 + ["white"] * 3
    assert roles[-6:] == roles[:6]
    # A reference group, then two plants of six scans each, three times, and one group at the end.
    assert roles == (["dark"] * 3 + ["white"] * 3 + ["sample"] * 12) * 3 + roles[:6]
    assert [step.number for step in listed] == list(range(1, len(listed) + 1))
    assert len({step.scan for step in listed}) == len(listed)
    assert listed[6].scan == "day0-p01-1-1"
    without = steps("day0", order, Effort(3, 1, 500, 0), 2)
    assert [step.scan for step in without[:3]] == ["day0-p01-1", "day0-p01-2", "day0-p01-3"]
    assert {step.role for step in without} == {"sample"}


def test_pairs_are_measured_as_rounds() -> None:
    units = unit_names(12)
    block = stated_blocks(units, 0, PAIRS)
    allocation = draw(units, ARMS[:2], PAIRS, block, 4)
    order = orders(["day0"], allocation.treatment, block, Effort(1, 1, 4, 3), 4)["day0"]
    for i in range(0, 12, 2):
        assert block[order[i]] == block[order[i + 1]]
