"""Means of units: exact, and blind to the order and to copies of scans."""

import math
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.effects import variance_components
from leafledger.effects.unit_means import (
    IndexValue,
    index_columns,
    means_of_sessions,
    unit_mean,
    unit_means,
)

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


NUMBERS = ("value", "u_scan", "u_reference", "u_panel")


def index_table(seed):
    """Return rows of a table of indices in a random order, some of them not defined."""
    rng = np.random.default_rng(seed)
    rows = []
    for scan in range(int(rng.integers(1, 30))):
        for index in ("NDVI", "PRI", "WI"):
            numbers = rng.normal(size=4).tolist()
            ok = rng.random() < 0.8 and (scan, index) != (0, "WI")
            if rng.random() < 0.2:
                numbers[2] = math.nan
            rows.append((f"s{scan}", index, *(numbers if ok else [None] * 4), "ok" if ok else "no"))
    rng.shuffle(rows)
    return [tuple(row) for row in rows]


def write_indices(path, rows, per_group):
    names = ("scan", "index", *NUMBERS, "status")
    columns = dict(zip(names, zip(*rows, strict=True), strict=True))
    numbers = {name: pa.array(columns[name], pa.float64()) for name in NUMBERS}
    words = {name: pa.array(columns[name], pa.string()) for name in ("scan", "index", "status")}
    pq.write_table(pa.table({**words, **numbers}).select(names), path, row_group_size=per_group)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), per_group=st.integers(1, 40), n_held=st.integers(1, 60))
def test_means_and_cells_do_not_depend_on_how_the_tables_are_read(
    tmp_path_factory, seed, per_group, n_held
):
    """Any row group, any part of the indices at once: as all rows grouped in one dictionary."""
    folder = tmp_path_factory.mktemp("indices")
    sessions = {
        "d0": index_table(seed),
        "d1": [("t" + r[0], *r[1:]) for r in index_table(seed + 1)],
    }
    paths = {session: folder / f"{session}.parquet" for session in sessions}
    places, readings, cells = {}, [], {}
    for session, rows in sessions.items():
        write_indices(paths[session], rows, per_group)
        for scan, index, *numbers, status in rows:
            number = int(scan.strip("ts"))
            place = (f"p{number % 3}", session, "" if number % 5 == 0 else str(number % 2))
            places[scan] = place
            if status == "ok" and number % 7 != 3:
                numbers = [math.nan if n is None else n for n in numbers]
                reading = IndexValue(scan, *numbers)
                readings.append(((*place[:2], index), place[2], reading))
                leaf = f"leaf {place[2]}" if place[2] else f"scan {scan}"
                cell = cells.setdefault(index, {}).setdefault(place[:2], {})
                cell.setdefault(leaf, []).append((scan, reading.value))
    dropped = frozenset(scan for scan in places if int(scan.strip("ts")) % 7 == 3)
    assert repr(means_of_sessions(paths, places, set(places) - dropped)) == repr(
        unit_means(readings)
    )
    job = SimpleNamespace(by_session=lambda _: paths)
    scans = variance_components.Scans(places, dropped)
    names = ("PRI", "WI", "none", "NDVI")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(variance_components, "_HELD", n_held)
        found = [*variance_components.accepted_cells(job, scans, names)]
    assert [name for name, _ in found] == list(names)
    for name, by_unit in found:
        expected = {
            key: {leaf: [v for _, v in sorted(values)] for leaf, values in sorted(leaves.items())}
            for key, leaves in sorted(cells.get(name, {}).items())
        }
        assert by_unit == expected
        assert list(by_unit) == sorted(expected)
        assert all(list(by_unit[key]) == list(expected[key]) for key in expected)


def test_columns_that_are_not_asked_for_are_not_read(tmp_path):
    write_indices(tmp_path / "x.parquet", index_table(3), 10)
    (column,) = index_columns(tmp_path / "x.parquet", {"s0"}, ("value",), {"NDVI", "none"})
    assert (column.index, column.scans.tolist(), column.numbers.shape) == ("NDVI", ["s0"], (1, 1))
