"""Heading rule and content ids of wide tables."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.study.table_sheet import (
    content_ids,
    impossible_wavelength,
    split_headings,
    wavelength_of,
)


@pytest.mark.parametrize(
    "heading",
    [
        "505.5",
        "505.5 nm",
        "505.5nm",
        "X505.5",
        "x505.5",
        "wl_505.5",
        "R505.5",
        "R_505.5",
        "505,5",
        " 505.5 ",
        "Wavelength 505.5 nm",
        "X505.5.nm",
        "reflectance-505.5",
        "λ505.5",
    ],
)
def test_a_heading_that_names_a_wavelength(heading: str) -> None:
    assert wavelength_of(heading) == 505.5


@pytest.mark.parametrize(
    "heading",
    [
        "",
        "Type",
        "plant505",
        "149.9",
        "30001",
        "-505",
        "1e3",
        "505 to 515",
        "505 um",
        "nan",
        "X",
        "505.5.5",
        "٥٠٥",
        "9" * 400,
    ],
)
def test_a_heading_that_names_none(heading: str) -> None:
    assert wavelength_of(heading) is None


def test_bare_numbers_that_are_no_wavelength_are_not_metadata() -> None:
    assert impossible_wavelength("-505") == -505
    assert impossible_wavelength("31000 nm") == 31000
    assert impossible_wavelength("505") is None
    assert impossible_wavelength("leaf 2") is None


@given(st.lists(st.one_of(st.integers(150, 30_000).map(str), st.sampled_from(["plant", "a", ""]))))
def test_split_keeps_every_column_once_and_in_order(headings: list[str]) -> None:
    metadata, positions, wavelengths = split_headings(headings)
    assert sorted(metadata + positions) == list(range(len(headings)))
    assert metadata == sorted(metadata)
    assert [float(headings[i]) for i in positions] == wavelengths


def test_content_id_is_the_published_digest_of_abc() -> None:
    # FIPS 180-4 example: SHA-256("abc") = ba7816bf 8f01cfea ...
    assert content_ids(["abc"]) == ["sba7816bf8f01"]


@given(st.lists(st.text(max_size=5), max_size=30), st.randoms(use_true_random=False))
def test_ids_are_unique_and_go_with_the_text(rows: list[str], random) -> None:
    ids = content_ids(rows)
    assert len(set(ids)) == len(ids)
    for row, name in zip(rows, ids, strict=True):
        assert name.startswith("s" + hashlib.sha256(row.encode()).hexdigest()[:12])
    moved = list(rows)
    random.shuffle(moved)
    assert sorted(content_ids(moved)) == sorted(ids)
