"""Which leaves to extract: Kennard and Stone's choice by hand, spread, and scores."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.pigments.extracts import CAUTIONS, advise, kennard_stone, leaf_scores
from leafledger.study.table_files import Spectra


def chosen(scores: list[list[float]], n: int) -> list[int]:
    one = ["p"] * len(scores)
    return [place for place, _ in kennard_stone(np.array(scores), n, one, one)]


def test_kennard_stone_by_hand() -> None:
    """On the line 0, 1, 2, 4, 9: the ends, then 4 (4 away from 0), then 2, then 1."""
    assert chosen([[0.0], [1.0], [2.0], [4.0], [9.0]], 5) == [0, 4, 3, 2, 1]


def test_kennard_stone_in_the_plane() -> None:
    """Corners of a square before its middle; ties go to the leaf that stands first."""
    assert chosen([[0.5, 0.5], [0, 0], [1, 0], [0, 1], [1, 1]], 5) == [1, 4, 2, 3, 0]


def test_distances_are_those_to_the_nearest_before() -> None:
    one = ["p"] * 4
    found = kennard_stone(np.array([[0.0], [3.0], [10.0], [4.0]]), 3, one, one)
    assert found == [(0, 10.0), (2, 10.0), (3, 4.0)]


def test_no_unit_and_no_session_gives_more_than_its_share() -> None:
    draws = np.random.default_rng(4)
    units = [f"p{i % 6}" for i in range(60)]
    sessions = [f"d{i % 4}" for i in range(60)]
    found = kennard_stone(draws.normal(size=(60, 3)), 12, units, sessions)
    by_unit = Counter(units[place] for place, _ in found)
    by_session = Counter(sessions[place] for place, _ in found)
    assert set(by_unit.values()) == {2} and len(by_unit) == 6
    assert max(by_session.values()) <= 3


def test_one_outlying_plant_does_not_take_the_list() -> None:
    scores = np.concatenate([100 + np.arange(10.0), np.arange(10.0)])[:, None]
    units = ["odd"] * 10 + [f"p{i}" for i in range(10)]
    found = kennard_stone(scores, 11, units, ["d"] * 20)
    assert Counter(units[place] for place, _ in found)["odd"] == 1


@given(st.integers(1, 12), st.integers(0, 15), st.integers(0, 5))
def test_as_many_as_asked_and_each_once(n_leaves: int, n: int, seed: int) -> None:
    draws = np.random.default_rng(seed)
    units = [f"p{draws.integers(3)}" for _ in range(n_leaves)]
    sessions = [f"d{draws.integers(2)}" for _ in range(n_leaves)]
    found = kennard_stone(draws.normal(size=(n_leaves, 2)), n, units, sessions)
    places = [place for place, _ in found]
    assert len(places) == len(set(places)) == min(n, n_leaves)


def test_scores_keep_distances_and_have_a_sign() -> None:
    draws = np.random.default_rng(7)
    spectra = draws.normal(size=(20, 2)) @ draws.normal(size=(2, 50))
    scores = leaf_scores(spectra)
    assert scores.shape == (20, 2)
    apart = np.linalg.norm(spectra[3] - spectra[8])
    assert np.linalg.norm(scores[3] - scores[8]) == pytest.approx(apart)
    assert leaf_scores(-spectra) == pytest.approx(leaf_scores(-spectra))
    assert np.all(scores[np.abs(scores).argmax(axis=0), [0, 1]] > 0)
    assert leaf_scores(np.ones((4, 5))).tolist() == [[0.0]] * 4


def test_scans_of_a_leaf_are_one_leaf() -> None:
    draws = np.random.default_rng(3)
    rows = pd.DataFrame(
        {
            "scan": [f"s{i}" for i in range(8)],
            "session": ["d0"] * 8,
            "unit": ["p1", "p1", "p1", "p2", "p2", "p2", "p3", "p3"],
            "leaf": ["1", "1", "2", "1", "2", "2", "", ""],
        }
    )
    spectra = Spectra(draws.normal(size=(8, 30)), np.arange(30.0), rows)
    found = advise(spectra, 20)
    assert len(found) == 6  # p1: 2, p2: 2, p3: two scans without a leaf stand each for itself
    assert {one.leaf for one in found if one.unit == "p3"} == {"s6", "s7"}
    assert [one.place for one in found] == list(range(1, 7))


def test_cautions_name_the_dangers_and_defer() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in ("flammable", "vapour", "fume hood", "gloves", "dark", "cold", "waste", "label",
                 "safety data sheet", "local codes", "licensed"):  # fmt: skip
        assert word in text
