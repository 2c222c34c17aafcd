"""Chromatograms: Rf by hand, and candidates by colour and order within one system."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.pigments.assay_sheets import Spot
from leafledger.pigments.chromatograms import (
    handbook,
    identify_strip,
    possible_orders,
    rf_of,
    strip_sentence,
    strips,
    system_named,
    systems,
)

PAPER = "cellulose paper, petroleum ether-acetone 9:1"
SILICA = "silica gel thin layer, petroleum ether-acetone-chloroform 3:1:1"


def strip(system: str, front: float, *spots: tuple[float, str], u: float = 0.5) -> list[Spot]:
    return [Spot(i, "s1", system, front, mm, colour, u, "", "") for i, (mm, colour) in
            enumerate(spots, start=2)]  # fmt: skip


def named(spots: list[Spot]) -> list[list[str]]:
    return [[one.pigment for one in found.candidates] for found in identify_strip(spots)]


TABLE = {
    # Typed a second time, from the front down.
    SILICA: [("carotene", 0.98), ("pheophytin", 0.81), ("chlorophyll a", 0.59),
             ("chlorophyll b", 0.42), ("xanthophyll 1", 0.28), ("xanthophyll 2", 0.15)],
    PAPER: [("carotene", 0.95), ("pheophytin", 0.83), ("xanthophyll (lutein)", 0.71),
            ("chlorophyll a", 0.65), ("chlorophyll b", 0.45)],
}  # fmt: skip


def test_the_handbook_table_twice_typed() -> None:
    assert systems() == list(TABLE)
    for system, rows in TABLE.items():
        found = [one for one in handbook() if one.system == system]
        assert [(one.pigment, one.rf) for one in found] == rows
        assert [one.order_from_front for one in found] == list(range(1, len(rows) + 1))
    memory = {one.verification for one in handbook() if one.system == PAPER}
    assert memory == {"from memory"}


def test_the_worked_example() -> None:
    """Front 82 mm; spots at 78, 58, 53 and 37 mm: Rf 0.9512, 0.7073, 0.6463, 0.4512."""
    spots = strip(PAPER, 82.0, (37.0, "yellow-green"), (78.0, "orange-yellow"),
                  (53.0, "blue-green"),
                  (58.0, "yellow"))  # fmt: skip
    found = identify_strip(spots)
    assert [round(one.rf, 4) for one in found] == [0.9512, 0.7073, 0.6463, 0.4512]
    assert named(spots) == [
        ["carotene"], ["xanthophyll (lutein)"], ["chlorophyll a"], ["chlorophyll b"],
    ]  # fmt: skip
    assert "consistent with carotene" in strip_sentence(found)


def test_uncertainty_of_rf_against_draws() -> None:
    draws = np.random.default_rng(1)
    spot, front = (mm + 0.5 * draws.standard_normal(200_000) for mm in (53.0, 82.0))
    assert rf_of(53.0, 82.0, 0.5)[1] == pytest.approx(float(np.std(spot / front)), rel=0.01)
    assert math.isnan(rf_of(53.0, 82.0, math.nan)[1])


def test_the_same_rf_means_another_pigment_in_another_system() -> None:
    """Xanthophyll runs ahead of chlorophyll a on paper, behind chlorophyll b on silica."""
    assert named(strip(PAPER, 100, (65, "blue-green"), (70, "yellow"))) == [
        ["xanthophyll (lutein)"], ["chlorophyll a"],
    ]  # fmt: skip
    assert named(strip(SILICA, 100, (59, "blue-green"), (32, "yellow"))) == [
        ["chlorophyll a"], ["xanthophyll 1"],
    ]  # fmt: skip


def test_never_by_rf_alone() -> None:
    (mauve,) = identify_strip(strip(PAPER, 100, (65, "mauve")))
    assert mauve.candidates == () and "colour is in no table" in mauve.reason
    (yellow,) = identify_strip(strip(PAPER, 100, (45, "yellow")))
    assert yellow.candidates == () and "xanthophyll (lutein) (0.71)" in yellow.reason
    (grey,) = identify_strip(strip(PAPER, 100, (20, "grey")))
    assert grey.candidates == () and "more than 0.15 off" in grey.reason


def test_an_unknown_system_gives_rf_only() -> None:
    found = identify_strip(strip("chalk, petrol", 100, (65, "blue-green")))
    assert found[0].rf == 0.65
    assert found[0].candidates == () and "Rf alone names no pigment" in found[0].reason


def test_ambiguous_spots_are_listed_as_such() -> None:
    (one,) = identify_strip(strip(SILICA, 100, (22, "yellow")))
    assert [known.pigment for known in one.candidates] == ["xanthophyll 1", "xanthophyll 2"]
    assert one.is_ambiguous and one.reason.startswith("ambiguous")
    (green,) = identify_strip(strip(SILICA, 100, (50, "green")))
    assert [known.pigment for known in green.candidates] == ["chlorophyll a", "chlorophyll b"]


def test_order_decides_where_colour_does_not() -> None:
    assert named(strip(SILICA, 100, (55, "green"), (45, "green"))) == [
        ["chlorophyll a"], ["chlorophyll b"],
    ]  # fmt: skip


def test_colours_out_of_order_name_nothing() -> None:
    found = identify_strip(strip(PAPER, 100, (55, "yellow-green"), (53, "blue-green")))
    assert [one.candidates for one in found] == [(), ()]
    assert all("order" in one.reason for one in found)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Paper, petroleum ether:acetone 9:1", PAPER),
        ("cellulose paper,  petroleum ether - acetone 9 : 1", PAPER),
        ("silica gel, petroleum ether/acetone/chloroform 3:1:1", SILICA),
        ("paper, petroleum ether-acetone 9:2", None),
        ("silica gel, petroleum ether-acetone 9:1", None),
        ("paper", None),
    ],
)
def test_systems_by_name(text: str, name: str | None) -> None:
    assert system_named(text) == name


def test_strips_come_apart_by_name() -> None:
    a, b = strip(PAPER, 100, (65, "blue-green"))[0], strip(PAPER, 100, (95, "orange"))[0]
    other = Spot(9, "s0", b.system, b.front_mm, b.spot_mm, b.colour, b.u_mm, "", "")
    assert [found[0].spot.strip for found in strips([a, other])] == ["s0", "s1"]


@given(st.lists(st.lists(st.integers(1, 5), min_size=1, max_size=4), max_size=5))
def test_possible_orders_against_every_choice(choices: list[list[int]]) -> None:
    from itertools import pairwise, product

    rising = [c for c in product(*choices) if all(x < y for x, y in pairwise(c))]
    expected = [sorted({c[i] for c in rising}) for i in range(len(choices))]
    assert possible_orders(choices) == expected
