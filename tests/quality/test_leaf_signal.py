"""Scans that are no usable leaf: which they are called, and that leaves of any colour are not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from simulated import any_leaves

from leafledger.quality.leaves import low_signal, no_leaf
from leafledger.quality.session import combined_uncertainty
from leafledger.study.table_files import SpectraTable

AXIS = np.arange(400.0, 1000.5, 1.0)


@pytest.mark.parametrize(
    ("spectrum", "words"),
    [
        (np.full(len(AXIS), 0.985), "as bright as a panel"),
        (np.full(len(AXIS), 0.35), "no red edge"),
        (np.linspace(0.45, 0.5, len(AXIS)), "no red edge"),
        (np.full(len(AXIS), 0.004), "hardly any light came back"),
        (np.where(AXIS > 720, 0.03, 0.005), "hardly any light came back"),
    ],
    ids=["panel", "grey card", "paper", "empty clip", "dark with an edge"],
)
def test_no_leaf_is_told_as_what_it_is(spectrum: np.ndarray, words: str) -> None:
    (flag,) = no_leaf(["a"], AXIS, spectrum[None, :])
    assert (flag.check, flag.severity, flag.unit) == ("no_leaf", "fault", "1")
    assert words in flag.sentence
    assert flag.value < flag.threshold
    assert flag.wavelength_nm == 720.0


def test_leaves_from_pale_to_dark_are_leaves() -> None:
    leaves = any_leaves(AXIS, 400, np.random.default_rng(81))
    assert no_leaf([str(k) for k in range(400)], AXIS, leaves) == []


def test_a_dark_leaf_with_a_red_edge_is_a_leaf() -> None:
    # Half the light lost on the way: everything is halved, the red edge is what it was.
    leaves = 0.5 * any_leaves(AXIS, 50, np.random.default_rng(82))
    assert no_leaf([str(k) for k in range(50)], AXIS, leaves) == []


def test_low_signal_says_where_and_how_much() -> None:
    value = np.full((2, len(AXIS)), 0.2)
    u = np.stack([np.full(len(AXIS), 0.001), np.full(len(AXIS), 0.02)])
    (flag,) = low_signal(["good", "weak"], AXIS, value, u, 20.0)
    assert flag.scan == "weak"
    assert flag.value == pytest.approx(10.0)
    assert flag.threshold == 20.0
    assert flag.wavelength_nm == 650.0
    assert "only 10 times its noise from 550 to 750 nm" in flag.sentence


def test_panel_and_references_are_part_of_the_combined_uncertainty() -> None:
    """0.01 of the scan, 0.02 of the references, 4 % of R = 0.5 by the panel: 0.03 together."""
    one = np.ones((1, 2))
    spectra = {"reflectance": 0.5 * one, "u_scan": 0.01 * one, "u_reference": 0.02 * one}
    known = {"u": "known", "panel_u_relative": 0.04}
    table = SpectraTable(pd.DataFrame({"scan": ["a"]}), np.array([500.0, 600.0]), spectra, known)
    both = combined_uncertainty(table)
    assert both is not None
    np.testing.assert_allclose(both[0], 0.01)
    np.testing.assert_allclose(both[1], 0.03)
    unknown = SpectraTable(table.rows, table.wavelength_nm, spectra, {"u": "unknown"})
    assert combined_uncertainty(unknown) is None
