"""The assays of the demo study: planted contents lie inside the stated uncertainty."""

from __future__ import annotations

from collections import Counter
from importlib import import_module
from pathlib import Path

import pytest

pytest.importorskip("prosail", reason="the leaf model is part of the development set-up")

from generated import ROOT, generator
from leafledger.pigments.assay_sheets import read_assays, read_chromatograms
from leafledger.pigments.chromatograms import strips
from leafledger.pigments.extracts import contents, examine


def test_planted_contents_lie_inside_at_the_stated_rate(tmp_path: Path) -> None:
    """30 seeds of 20 extracts: 92 to 98 % within 1.96 standard uncertainties, none at fault."""
    generator()
    scenario, assays = (import_module(f"seedlings.{name}") for name in ("scenario", "assays"))
    units, sessions = scenario.units_of(24), scenario.chosen_sessions(4)
    leaves = [(u.unit, "day12", str(leaf)) for u in units for leaf in (1, 2, 3)]
    inside: Counter[str] = Counter()
    for seed in range(30):
        parameters = scenario.leaf_parameters(seed, 1.0, units, sessions, 3)
        text, truths = assays.assays_csv(seed, 20, units, sessions, parameters)
        path = tmp_path / f"{seed}.csv"
        path.write_text(text, encoding="utf-8")
        found = read_assays(path, path.name, leaves)
        assert len(found) == len({one.leaf[0] for one in found}) == 20
        for one, truth in zip(found, truths, strict=True):
            assert one.extract is not None and not examine(one.extract).faults
            a, b = truth["chlorophyll_a_ug_cm2"], truth["chlorophyll_b_ug_cm2"]
            true = {
                "chlorophyll_a": a, "chlorophyll_b": b, "chlorophyll": a + b,
                "carotenoids": truth["carotenoids_ug_cm2"], "chlorophyll_a_to_b": a / b,
            }  # fmt: skip
            for content in contents(one.extract):
                inside[content.quantity] += (
                    abs(content.value - true[content.quantity]) <= 1.96 * content.u
                )
    assert len(inside) == 5
    assert all(0.92 <= n / 600 <= 0.98 for n in inside.values()), inside


def test_the_committed_sheets_are_read_and_the_strip_shows_what_was_planted() -> None:
    demo = ROOT / "demo_data" / "chelate"
    leaves = [(f"p{i:02d}", "day12", str(leaf)) for i in range(1, 25) for leaf in (1, 2, 3)]
    found = read_assays(demo / "assays.csv", "assays.csv", leaves)
    assert len(found) == 20
    (strip,) = strips(read_chromatograms(demo / "chromatograms.csv", "chromatograms.csv", leaves))
    assert [[one.pigment for one in spot.candidates] for spot in strip] == [
        ["carotene"], ["xanthophyll (lutein)"], ["chlorophyll a"], ["chlorophyll b"],
    ]  # fmt: skip
