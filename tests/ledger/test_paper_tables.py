"""The sentences and tables of contents in the paper kit: as computed, in words, none where none."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd

from leafledger.ledger import paper_tables
from leafledger.ledger.paper_tables import CONTENT_TABLES, content_sentences
from leafledger.report.works import WORKS, keys_in
from leafledger.study.tables import RESULTS

CALIBRATION = {
    "quantity": "chlorophyll_a", "unit_of_value": "ug/cm2", "index": "CI_rededge",
    "form": "linear", "n_units": 20, "n_leaves": 40, "b0": 1.25, "b1": -3.5, "b2": float("nan"),
    "rmse_cv": 1.42, "rmse_nested": 1.53, "range_low": 0.164, "range_high": 0.547, "chosen": True,
}  # fmt: skip
TRAIT = {
    "target": "n_mass", "unit_of_value": "%", "trained": True, "n_leaves": 40, "n_units": 20,
    "n_components": 4, "interval": 0.95, "sentence": "n_mass is estimated.",
    "error_sentence": "The error.", "interval_sentence": "The interval.", "rivals": ["A rival."],
    "measures": {
        "rmsep": [1.58, 1.06, 2.34], "r2": [0.95, 0.9, 0.97], "bias": [0.37, -0.36, 1.11],
        "slope": [1.04, 0.91, 1.17], "rpd": [4.6, None, None],
    },
}  # fmt: skip
TEST = {
    "target": "n_mass", "unit_of_value": "%", "question": "difference", "stratum": "all",
    "contrast": "day4@iron-water", "method": "linear_model", "estimate": 8.6, "ci_low": 6.3,
    "ci_high": 10.9, "ci_level": 0.95, "n_units": 12.0, "n_units_reference": 11.0, "df": 13.8,
    "p": 0.0123, "p_holm": 0.0246, "sentence": "Estimated n_mass was higher.",
}  # fmt: skip
WITHIN = {**TEST, "question": "change", "sentence": "Within iron n_mass rose.", "estimate": 99.0}
STRATUM = {**TEST, "stratum": "cultivar = a", "sentence": "In a.", "estimate": 77.0}


def study(**changes: Any) -> Any:
    """Return what a report reads of a study; contents only as given."""
    parts: dict[str, Any] = {
        "pigments": None, "traits": None, "leaf_model": None, "tables": {}, "unit_word": "plant",
        "unit_words": "plants", "stated_sessions": ["day0", "day4"],
        "groups": SimpleNamespace(names=["water", "iron"]),
    }  # fmt: skip
    return SimpleNamespace(**(parts | changes))


def content_tables(whole: Any) -> dict[str, str]:
    """Return name -> LaTeX of the tables of contents."""
    return {table.name: table.as_tex() for table in paper_tables.content_tables(whole)}


def cells(table: str) -> list[list[str]]:
    """Return the rows of a LaTeX table below its heading, which it has for every page."""
    lines = [line for line in table.splitlines() if line.endswith(r"\\") and " & " in line]
    assert lines[0] == lines[1]
    return [[cell.strip() for cell in line.removesuffix(r"\\").split(" & ")] for line in lines[2:]]


def test_a_study_without_contents_has_no_sentence_and_no_table() -> None:
    assert content_sentences(study()) == []
    assert content_tables(study()) == {}


def test_a_calibrated_index_stands_with_error_and_range() -> None:
    other = {**CALIBRATION, "index": "PRI", "chosen": False}
    whole = study(
        pigments={
            "sentences": [{"quantity": "chlorophyll_a", "sentence": "chlorophyll_a = 2 CI_x."}],
            "strips": ["Strip 1 shows 4 spots."],
        },
        tables={"pigment_calibrations": pd.DataFrame([CALIBRATION, other])},
    )
    assert content_sentences(whole) == ["chlorophyll a = 2 CI_x.", "Strip 1 shows 4 spots."]
    (row,) = cells(content_tables(whole)["calibrations"])
    assert row == [
        r"chlorophyll a (µg/cm\textsuperscript{2})", r"CI\_rededge", "linear",
        r"1.250, \ensuremath{-}3.500",
        "40 (20)", "1.42", "1.53", "0.164 to 0.547",
    ]  # fmt: skip


def test_traits_have_errors_with_intervals_and_the_tests_between_treatments() -> None:
    tables = {"trait_effects": pd.DataFrame([WITHIN, STRATUM, TEST])}
    whole = study(traits={"targets": [TRAIT]}, tables=tables)
    assert content_sentences(whole) == [
        "n mass is estimated. The error. The interval. A rival.",
        "Estimated n mass was higher.",
    ]
    made = content_tables(whole)
    (row,) = cells(made["traits"])
    assert row[:4] == [r"n mass (\%)", "40 (20)", "4", "1.58 (1.06 to 2.34)"]
    assert row[5] == r"0.37 (\ensuremath{-}0.36 to 1.11)" and row[7] == "4.60"
    (row,) = cells(made["trait_tests"])
    assert row[2:] == ["8.6", "6.3 to 10.9", "12 + 11", "13.8", "0.0123", "0.0246"]
    within = study(traits={"targets": [TRAIT]}, tables={"trait_effects": pd.DataFrame([WITHIN])})
    assert content_sentences(within)[1] == "Within iron n mass rose."
    none = {**TRAIT, "trained": False, "sentence": "n_mass is not estimated: few."}
    assert content_sentences(study(traits={"targets": [none]})) == ["n mass is not estimated: few."]
    assert content_tables(study(traits={"targets": [none]})) == {}


def test_the_leaf_model_is_averaged_over_units_and_says_what_rests_on_its_prior() -> None:
    units = pd.DataFrame(
        {
            "quantity": ["water"] * 3, "unit_of_value": ["cm"] * 3, "session": ["day0"] * 3,
            "value": [0.010, 0.014, float("nan")], "u": [0.001, 0.003, float("nan")],
        }
    )  # fmt: skip
    summary = {"model": "PROSPECT-D", "sentences": ["It fits.", "Do not read water."],
               "determined_by_prior": ["water"]}  # fmt: skip
    whole = study(leaf_model=summary, tables={"leaf_model_units": units})
    assert content_sentences(whole) == ["It fits. Do not read water."]
    (row,) = cells(content_tables(whole)["leaf_model"])
    # By hand: mean 0.012; SD is 0.004 over the root of 2, 0.00283.
    assert row == ["water (cm), by its prior", "day0", "2", "0.0120", "0.0028", "0.0020"]


def test_copied_tables_are_declared_and_works_exist() -> None:
    declared = {result.path for result in RESULTS}
    assert {f"{path}.csv" for path in CONTENT_TABLES} <= declared
    whole = study(traits={"targets": [TRAIT]}, tables={"trait_effects": pd.DataFrame([TEST])})
    text = "".join(content_tables(whole).values())
    assert "wold1983" in text and keys_in(text) == []
    assert {"wold1983", "efron1981", "holm1979", "feret2017"} <= set(WORKS)
