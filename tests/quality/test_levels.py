"""The table of levels for sessions that lack times, integration times or counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from leafledger.quality.reference_checks import _white_blocks, measuring_order, reference_blocks
from leafledger.quality.session import Session
from leafledger.quality.session_levels import level_table, tile_reflectance
from leafledger.study.table_files import SpectraTable

AXIS = np.arange(500.0, 901.0, 2.0)
ROLES = ("dark", "white", "white", "sample", "check", "white", "check")
COUNTS = (100.0, 1100.0, 1100.0, 600.0, 500.0, 2100.0, 900.0)


def session(
    *, minutes: list[float] | None = None, ms: float = np.nan, counts: bool = True
) -> Session:
    ids = [f"s{k}" for k in range(len(ROLES))]
    if minutes is None:
        time = np.full(len(ROLES), np.datetime64("NaT"), dtype="datetime64[ms]")
    else:
        time = np.datetime64("2026-05-04T09:00", "ms") + (60_000 * np.array(minutes)).astype(int)
    rows = pd.DataFrame(
        {
            "scan": ids,
            "role": list(ROLES),
            "time": time,
            "integration_ms": np.full(len(ROLES), ms),
            "averages": np.full(len(ROLES), np.nan),
        }
    )
    values = np.array(COUNTS)[:, None] * np.ones(len(AXIS)) / (1 if counts else 2000)
    name = "counts" if counts else "reflectance"
    scans = SpectraTable(rows, AXIS, {name: values}, {})
    leaf = SpectraTable(
        pd.DataFrame({"scan": ["s3"]}), AXIS, {"reflectance": np.full((1, len(AXIS)), 0.3)}, {}
    )
    return Session(scans, leaf)


def test_without_times_the_sheet_gives_the_order() -> None:
    one = session()
    assert measuring_order(one).tolist() == [0, 1, 2, 3, 4, 5, 6]
    assert reference_blocks(one).tolist() == [0, 0, 0, -1, 0, 1, 0]
    table = level_table(one).to_pandas()
    assert table["hours"].isna().all()
    assert table["integration_ms"].isna().all()
    assert set(table.loc[table["role"] == "white", "unit"]) == {"count"}
    assert len(table) == 4 * len(ROLES)
    assert list(table["scan"] + table["wavelength_nm"].astype(str)) == sorted(
        table["scan"] + table["wavelength_nm"].astype(str)
    )


def test_a_long_pause_ends_a_block_and_time_rules_over_the_sheet() -> None:
    one = session(minutes=[0, 1, 12, 13, 14, 2, 15], ms=10.0)
    assert measuring_order(one).tolist() == [0, 1, 3, 4, 5, 2, 6]
    # Whites at minute 1, 2 and 12: the pause of ten minutes is not more than ten.
    assert reference_blocks(one).tolist() == [0, 0, 0, -1, 0, 0, 0]
    later = session(minutes=[0, 1, 12.5, 13, 14, 2, 15], ms=10.0)
    assert reference_blocks(later).tolist() == [0, 0, 1, -1, 0, 0, 0]
    # What a leaf rests on is a block of the same whites, as in the conversion to reflectance.
    assert _white_blocks(one) == dict.fromkeys(["s1", "s5", "s2"], ("s1", "s5", "s2"))
    assert _white_blocks(later) == {"s1": ("s1", "s5"), "s5": ("s1", "s5"), "s2": ("s2",)}


def test_tile_is_held_against_the_white_of_its_time() -> None:
    tile = tile_reflectance(session(ms=10.0))
    # White block 1 at place 1.5 reads 1,000, block 2 at place 5 reads 2,000 above dark; the tile
    # at place 4 reads 400 against 1,000 + 1,000 * 2.5 / 3.5; at place 6 800 against 2,000.
    assert tile[0] == pytest.approx(400 / (1000 + 1000 * 2.5 / 3.5))
    assert tile[1] == pytest.approx(0.4)


def test_reflectance_as_it_came_has_leaves_and_tile_only() -> None:
    table = level_table(session(counts=False)).to_pandas()
    assert set(table["role"]) == {"sample", "check"}
    assert table.loc[table["role"] == "check", "value"].tolist() == pytest.approx(
        [0.25] * 4 + [0.45] * 4
    )
    assert set(table["unit"]) == {"1"}


def test_equal_raw_values_have_equal_digests() -> None:
    table = level_table(session()).to_pandas().drop_duplicates("scan").set_index("scan")["digest"]
    assert table["s1"] == table["s2"]
    assert table.nunique() == len(ROLES) - 1
