"""Means of units: exact, and blind to the order and to copies of scans."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.effects.unit_means import IndexValue, unit_mean, unit_means

numbers = st.floats(-10, 10, allow_subnormal=False)
leaves = st.lists(st.lists(numbers, min_size=1, max_size=4), min_size=1, max_size=5)


def readings(groups, copies=1):
    return {
        str(i): [
            IndexValue(f"s{i}-{j}-{k}", value, 0.1, 0.02, 0.03)
            for j, value in enumerate(values)
            for k in range(copies)
        ]
        for i, values in enumerate(groups)
    }


@settings(max_examples=60, deadline=None)
@given(groups=leaves, copies=st.integers(3, 20))
def test_copies_of_every_scan_change_no_digit(groups, copies):
    one, many = unit_mean(readings(groups)), unit_mean(readings(groups, copies))
    assert one.mean == many.mean
    assert one.sd_leaves == many.sd_leaves or len(groups) == 1
    assert (one.n_leaves, one.n_scans * copies) == (many.n_leaves, many.n_scans)


@settings(max_examples=60, deadline=None)
@given(groups=leaves, order=st.randoms())
def test_order_changes_no_digit(groups, order):
    before = unit_mean(readings(groups))
    mixed = {
        leaf: sorted(rows, key=lambda _: order.random()) for leaf, rows in readings(groups).items()
    }
    names = list(mixed)
    order.shuffle(names)
    after = unit_mean({name: mixed[name] for name in names})
    assert repr(before) == repr(after)


def test_leaves_count_alike_whatever_their_scans():
    found = unit_mean(readings([[1.0, 1.0, 1.0, 1.0], [3.0]]))
    assert found.mean == 2.0
    assert found.sd_leaves == pytest.approx(math.sqrt(2), rel=1e-15)
    assert math.isnan(unit_mean(readings([[1.0, 2.0]])).sd_leaves)


def test_only_the_independent_part_of_the_uncertainty_averages_down():
    """GUM (JCGM 100:2008) 5.1.2 and 5.2.2, by hand: two leaves of two scans and one scan."""
    found = unit_mean(readings([[1.0, 2.0], [3.0]]))
    independent = 0.1 * math.sqrt(0.25**2 + 0.25**2 + 0.5**2)
    assert found.u == pytest.approx(math.sqrt(independent**2 + 0.02**2 + 0.03**2), rel=1e-12)
    many = unit_mean(readings([[1.0] * 100]))
    assert many.u == pytest.approx(math.sqrt(0.01**2 + 0.02**2 + 0.03**2), rel=1e-12)


def test_uncertainty_by_simulation():
    """The same by Monte Carlo: shared draws for reference and panel (GUM supplement 1 in idea)."""
    rng = np.random.default_rng(5)
    n = 40_000
    scans = rng.normal(0, 0.1, (n, 3))
    shared = rng.normal(0, 0.02, n) + rng.normal(0, 0.03, n)
    means = (scans[:, :2].mean(axis=1) + scans[:, 2]) / 2 + shared
    assert unit_mean(readings([[1.0, 2.0], [3.0]])).u == pytest.approx(means.std(), rel=0.02)


def test_unknown_uncertainty_stays_unknown():
    assert math.isnan(unit_mean({"1": [IndexValue("a", 1.0, 0.1, math.nan, 0.0)]}).u)


def test_a_scan_without_leaf_is_a_leaf_of_its_own():
    key = ("p01", "day0", "NDVI")
    rows = [
        (key, "", IndexValue("a", 1.0)),
        (key, "", IndexValue("b", 2.0)),
        (key, "1", IndexValue("c", 3.0)),
    ]
    found = unit_means(rows)[key]
    assert (found.n_leaves, found.n_scans, found.mean) == (3, 3, 2.0)


def test_stage_writes_the_contract(small_study):
    for row in small_study.rows:
        if row["unit"] == "p02" and row["session"] == "day4":
            row["accepted"] = False
        if row["scan"] == "day0-p03-1":
            row["accepted"] = False
        if row["scan"] == "day0-p04-1":
            row["values"]["WI"] = None
    small_study.run()
    table = small_study.unit_indices()
    keys = list(zip(table["unit"], table["session"], table["index"], strict=True))
    assert keys == sorted(keys)
    by_key = table.set_index(["unit", "session", "index"])
    assert not ((table["unit"] == "p02") & (table["session"] == "day4")).any()
    lost = by_key.loc[("p03", "day0", "NDVI")]
    assert (lost["n_scans"], lost["n_leaves"], lost["n_excluded"]) == (1, 1, 1)
    assert math.isnan(lost["sd_leaves"])
    assert by_key.loc[("p04", "day0", "WI"), "n_scans"] == 1
    assert by_key.loc[("p04", "day0", "NDVI"), "n_scans"] == 2
    assert by_key.loc[("p01", "day0", "NDVI"), "n_excluded"] == 0
