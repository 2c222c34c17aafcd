"""Lots on values before: what is read, what is written, and what stays as it was."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
import yaml

from leafledger.errors import InputFault
from leafledger.planning.baseline_allocation import rule_in_words, values_of_table
from leafledger.planning.design_checks import layout_problems
from leafledger.planning.planned_study import (
    SCAN_COLUMNS,
    scan_rows,
    units_with,
    with_block,
    with_rows_of_session,
)
from leafledger.planning.randomisation import PAIRS, Effort, block_names, draw, orders, steps

UNITS = ["p01", "p02", "p03", "p04"]


def index_table() -> pd.DataFrame:
    rows = [
        (unit, session, index, value + shift + 10.0 * (index == "NDVI"))
        for unit, value in zip(UNITS, (1.0, 2.0, 4.0, 8.0), strict=True)
        for session, shift in (("d0", 0.0), ("d1", 1.0), ("d9", 100.0))
        for index in ("PRI", "NDVI")
    ]
    return pd.DataFrame(rows, columns=["unit", "session", "index", "mean"])


def test_values_are_means_over_the_sessions_before() -> None:
    values = values_of_table(index_table(), UNITS, ["d0", "d1"], ["PRI", "NDVI"])
    assert values["p03"] == [4.5, 14.5]
    assert list(values) == UNITS


def test_a_unit_without_a_value_and_an_unknown_index_are_refused() -> None:
    table = index_table()
    table.loc[(table["unit"] == "p02") & (table["index"] == "NDVI"), "mean"] = float("nan")
    assert values_of_table(table, UNITS, ["d0"], ["PRI"])["p02"] == [2.0]
    with pytest.raises(InputFault, match="no value before of p02"):
        values_of_table(table, UNITS, ["d0"], ["PRI", "NDVI"])
    with pytest.raises(InputFault, match='Did you mean "PRI"'):
        values_of_table(table, UNITS, ["d0"], ["PRY"])


def test_a_session_before_that_is_to_come_is_waited_for() -> None:
    with pytest.raises(InputFault, match="no values of d2"):
        values_of_table(index_table(), UNITS, ["d0", "d2"], ["PRI"])


def lots(seed: int = 3):
    block = block_names([["p01", "p03"], ["p02", "p04"]], UNITS)
    return draw(UNITS, ["water", "iron"], PAIRS, block, seed)


def test_units_keep_columns_comments_and_line_ends() -> None:
    sheet = (
        b"\xef\xbb\xbfunit,cultivar,treatment\r\n# p00,old,water\r\np02,new,\r\n"
        b'p01,"a, b",\r\np03,x,\r\np04,y,\r\n'
    )
    allocation = lots()
    new = units_with(sheet, "treatment", "pair", allocation)
    text = new.decode("utf-8-sig")
    assert new.startswith(b"\xef\xbb\xbf")
    assert text.count("\r\n") == 6
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == ["unit", "cultivar", "treatment", "pair"]
    assert rows[1] == ["# p00", "old", "water"]
    for row in rows[2:]:
        assert row[2] == allocation.treatment[row[0]]
        assert row[3] == allocation.block[row[0]]
    assert rows[3][1] == "a, b"
    again = lots(8)
    with pytest.raises(InputFault, match="filled in"):
        units_with(new, "treatment", "pair", again)
    drawn = list(csv.reader(io.StringIO(units_with(new, "treatment", "pair", again, {"pair"}).decode("utf-8-sig"))))  # fmt: skip  # noqa: E501
    assert {row[0]: row[2] for row in drawn[2:]} == dict(again.treatment)


@pytest.mark.parametrize(
    ("design", "line"),
    [
        ("design:\n  unit: plant\n  # block:    # later\n     # or never\n  control: a\n", 2),
        ("design:\n    control: a  # the one\n    block: none\n", 2),
        ("title: x\ndesign: # what was done\n  control: a\n\n  levels: [a, b]\nintake: {}\n", 2),
    ],
)
def test_the_block_is_written_and_all_else_stays(design: str, line: int) -> None:
    new = with_block(design.encode(), "pair").decode()
    assert yaml.safe_load(new)["design"]["block"] == "pair"
    assert new.split("\n")[line].strip().startswith("block: pair")
    kept = [text for text in design.split("\n") if "block" not in text and "never" not in text]
    assert [text for text in new.split("\n") if "block" not in text] == kept
    assert with_block(new.encode(), "pair").decode() == new


def test_a_design_on_one_line_is_refused_with_what_to_write() -> None:
    with pytest.raises(InputFault, match="Write `block: pair` there yourself"):
        with_block(b"design: {control: a}\n", "pair")
    assert with_block(b"design: {control: a, block: pair}\n", "pair").startswith(b"design: {")


def scan_sheet(extra: str = "") -> tuple[bytes, list[list[str]]]:
    effort = Effort(1, 1, 2, 1)
    rows: list[list[str]] = []
    for session in ("d0", "d9"):
        order = orders([session], dict.fromkeys(UNITS, ""), {}, effort, 1)[session]
        rows += scan_rows(steps(session, order, effort, 2))
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([SCAN_COLUMNS, *rows])
    new = orders(["d9"], lots().treatment, lots().block, effort, 5)["d9"]
    return (text.getvalue() + extra).encode(), scan_rows(steps("d9", new, effort, 2))


def read(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode())))


def test_only_the_session_to_come_is_ordered_anew() -> None:
    old, rows = scan_sheet()
    new = with_rows_of_session(old, "d9", rows)
    assert new is not None
    before, after = read(old), read(new)
    mine = [row for row in after if row[3] == "d9"]
    assert mine == rows
    assert [row for row in before if row[3] != "d9"] == [row for row in after if row[3] != "d9"]
    assert sorted(before) == sorted(after)
    assert before != after


@pytest.mark.parametrize(
    "extra",
    [
        "d9-tile,raw/d9/tile.txt,check,d9,,,,,,,\n",
        "d9-p05-1,raw/d9/d9-p05-1.txt,sample,d9,p05,1,1,,,,\n",
        "d9-white9-1,raw/d9/w.txt,white,d9,,,1,2026-05-04T10:00:00,,,\n",
    ],
)
def test_rows_that_a_person_changed_are_left_alone(extra: str) -> None:
    old, rows = scan_sheet(extra)
    assert with_rows_of_session(old, "d9", rows) is None


def test_the_rule_is_told() -> None:
    assert "neighbours are pairs" in rule_in_words(1, PAIRS)
    assert "Mahalanobis" in rule_in_words(2, PAIRS)
    assert layout_problems(7, 2, PAIRS, 0, "plants")[0].mend == "Plan 6 or 8."
