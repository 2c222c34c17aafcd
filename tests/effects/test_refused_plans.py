"""Plans that the design cannot answer are refused when the study is read, with the mend."""

import math
import shutil

import pandas as pd
import pytest
import yaml

from leafledger.errors import InputFault
from leafledger.study.reading import read_study

EMPTY = "an empty cell"
"""What the check of the cells says beside."""


@pytest.fixture
def study(small_study_made, tmp_path):
    return shutil.copytree(small_study_made, tmp_path / "study")


def sheet(study, **columns):
    """Change columns of the unit sheet (a function of place and row); return the sheet."""
    rows = pd.read_csv(study / "units.csv", dtype=str, keep_default_na=False)
    for name, of in columns.items():
        rows[name] = [of(i, row) for i, row in enumerate(rows.to_dict("records"))]
    rows.to_csv(study / "units.csv", index=False)
    return rows


def settings(study, **sections):
    path = study / "study.yaml"
    values = yaml.safe_load(path.read_text(encoding="utf-8"))
    for name, changes in sections.items():
        values[name] = {**values.get(name, {}), **changes}
    path.write_text(yaml.safe_dump(values, sort_keys=False), encoding="utf-8")


def problem(study, beside="", **sections):
    """Return the only problem of a study with changed settings, but for one named ``beside``."""
    settings(study, **sections)
    with pytest.raises(InputFault) as caught:
        read_study(study)
    problems = [p for p in caught.value.problems if not beside or p.found != beside]
    assert len(problems) == 1, [p.sentence() for p in problems]
    return problems[0]


def test_a_margin_needs_an_interval_of_equivalence(study):
    found = problem(study, effects={"alpha": 0.5, "margin": {"NDVI": 0.1}})
    assert (found.column, found.found) == ("effects.alpha", "0.5")
    assert "1 - 2 alpha" in found.expected
    settings(study, effects={"alpha": 0.49})
    read_study(study)
    settings(study, effects={"alpha": 0.5, "margin": {}})
    read_study(study)


@pytest.mark.parametrize("again", [["chelate", "water"], ["water", "chelate"]])
def test_a_pair_named_twice_is_refused_either_way_round(study, again):
    found = problem(study, effects={"compare": [["chelate", "water"], again]})
    assert found.column == "effects.compare.1"
    assert found.expected == "each pair once"


@pytest.mark.parametrize("key", ["block", "whole_plot"])
def test_a_block_or_plot_is_known_of_every_unit_or_of_none(study, key):
    sheet(study, bench=lambda i, row: "" if i == 2 else f"{row['treatment'][0]}{i // 4}")
    if key == "block":
        sheet(study, bench=lambda i, row: "" if i == 2 else "AB"[i // 4])
    found = problem(study, EMPTY, design={key: "bench"})
    third = pd.read_csv(study / "units.csv", dtype=str).iloc[2, 0]
    assert (found.file, found.column) == ("units.csv", "bench")
    assert found.found == f"an empty cell for {third}"
    assert f"design.{key}" in found.expected


def test_a_covariate_and_a_crossed_factor_are_known_of_every_unit(study):
    sheet(study, room=lambda i, _: "" if i == 3 else "NS"[(i // 2) % 2])
    settings(study, design={"factors": ["cultivar", "room"]})
    found = problem(study, EMPTY, effects={"covariates": ["room"]})
    assert (found.column, found.expected) == ("effects.covariates", "the room of every unit")
    found = problem(study, EMPTY, effects={"covariates": [], "crossed": "room"})
    assert (found.file, found.column) == ("units.csv", "room")


def test_a_covariate_has_three_units_in_a_level_on_average(study):
    sheet(study, tray=lambda i, _: f"t{i % 3}")
    settings(study, design={"factors": ["cultivar", "tray"]})
    found = problem(study, effects={"covariates": ["tray"]})
    assert found.found == '3 levels of "tray" in 8 units'
    sheet(study, tray=lambda i, _: f"t{i // 2 % 2}")
    read_study(study)


def test_a_primary_test_can_reach_alpha(study):
    """By counting arrangements: 8 choose 4, half of them mirror images of the others."""
    rows = sheet(study)
    sizes = rows["treatment"].value_counts()
    assert sizes.tolist() == [4, 4]
    primary = {"index": "NDVI", "question": "difference_in_change", "method": "label_permutation"}
    settings(study, design={"block": None})
    smallest = 2 / math.comb(8, 4)
    found = problem(study, effects={"primary": primary, "alpha": smallest})
    assert found.column == "effects.primary.method"
    assert f"p = {smallest:.3g} at best" in found.found
    settings(study, effects={"primary": primary, "alpha": smallest + 1e-6})
    read_study(study)
    # Within two blocks of two and two: (4 choose 2) squared.
    sheet(study, bench=lambda i, _: "AB"[i // 4])
    balanced = sheet(study).groupby(["bench", "treatment"]).size().tolist()
    assert balanced == [2, 2, 2, 2]
    found = problem(study, design={"block": "bench"})
    assert f"p = {2 / 36:.3g} at best" in found.found
    # Signs of four changes: two of sixteen patterns.
    change = {"index": "NDVI", "question": "change", "method": "sign_flip"}
    found = problem(study, effects={"primary": change, "alpha": 0.125})
    assert "p = 0.125 at best" in found.found
    settings(study, effects={"alpha": 0.126})
    read_study(study)


def test_whole_plots_bear_one_treatment_each_and_two_plots_each_treatment(study):
    rows = sheet(study)
    place = dict.fromkeys(rows["treatment"], 0)
    plots = []
    for level in rows["treatment"]:
        plots.append(f"{level} {place[level] // 2}")
        place[level] += 1
    sheet(study, tray=lambda i, _: plots[i])
    settings(study, design={"whole_plot": "tray"})
    read_study(study)
    first, level = rows.iloc[0, 0], rows["treatment"][0]
    other = next(name for name in place if name != level)
    sheet(study, treatment=lambda i, row: other if i == 0 else row["treatment"])
    found = problem(study)
    assert (found.file, found.column) == ("units.csv", "treatment")
    assert f"another treatment for {first} than in the rest of its tray" in found.found
    sheet(study, treatment=lambda i, _: rows["treatment"][i], tray=lambda _, row: row["treatment"])
    found = problem(study)
    assert found.column == "design.whole_plot"
    assert found.found == "one tray under chelate, water"


def test_a_comparison_needs_a_control_or_named_pairs(study):
    primary = {"index": "NDVI", "question": "difference_in_change"}
    found = problem(study, "no control", design={"control": None}, effects={"primary": primary})
    assert found.column == "effects.primary.question"
    assert found.found == "difference_in_change, but no control"
    assert "effects.compare" in found.mend
    settings(study, effects={"compare": [["chelate", "water"]]})
    read_study(study)
