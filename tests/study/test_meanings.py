"""Every column of every table has a meaning, and numbers have a unit."""

from __future__ import annotations

import pytest

from leafledger.study import tables
from leafledger.study.tables import OF_TABLE, TABLES, meaning_of, unit_in

CONTRACT = {
    name.lower(): value
    for name, value in vars(tables).items()
    if isinstance(value, tuple) and name.isupper() and name != "EFFECTS_KEY"
}


def test_every_table_of_the_contract_is_told():
    assert set(TABLES) == set(CONTRACT) == set(OF_TABLE)


@pytest.mark.parametrize("kind", sorted(CONTRACT))
def test_every_column_has_a_meaning_and_every_number_a_unit(kind):
    for column in CONTRACT[kind]:
        unit, meaning = meaning_of(kind, column)
        assert meaning, f"{kind}.{column} has no meaning"
        is_text = column in tables.TEXT | tables.FLAGS or column in {"digest", "time"}
        # The latent variable is a number, the variance component of the same name a word.
        if (kind, column) != ("spectra_terms", "component"):
            assert bool(unit) != is_text, f"{kind}.{column}: unit {unit!r}"


@pytest.mark.parametrize("kind", sorted(CONTRACT))
def test_no_meaning_is_of_a_column_that_does_not_exist(kind):
    assert set(OF_TABLE[kind]) <= set(CONTRACT[kind])


def test_the_unit_is_as_narrow_as_the_rows_allow():
    assert unit_in("variance_components.csv", "variance", ["nm", "nm"], []) == "square of nm"
    assert unit_in("variance_components.csv", "variance", ["1"], []) == "1"
    assert unit_in("variance_components.csv", "variance", ["1", "nm"], []) == (
        "square of column unit"
    )
    assert unit_in("unit_indices.csv", "mean", ["p1", "p2"], ["1", "1"]) == "1"
    assert unit_in("unit_indices.csv", "n_leaves", ["p1"], ["1", "nm"]) == "1"
    assert unit_in("effects.csv", "p", ["nm"], []) == "1"
