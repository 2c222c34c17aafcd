"""Studies without a scan sheet: file name patterns, and a table that is its own sheet."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.study.names import as_id, is_id
from leafledger.study.reading import read_study

PATTERN_STUDY = """\
title: x
design:
  treatment: group
  control: dry
intake:
  pattern: "raw/{group}_{unit}_{leaf}.txt"
  forms: {default: {form: text, quantity: percent}}
"""


def write_pattern_study(folder: Path, names: list[str]) -> None:
    (folder / "raw").mkdir()
    (folder / "study.yaml").write_text(PATTERN_STUDY, encoding="utf-8")
    for name in names:
        (folder / "raw" / name).write_text("400 1\n", encoding="utf-8")


def test_a_pattern_yields_scans_units_and_groups(tmp_path: Path) -> None:
    write_pattern_study(tmp_path, ["dry_p1_1.txt", "dry_p1_2.txt", "wet_p2_1.txt", "notes.md"])
    study = read_study(tmp_path)
    assert [s.scan for s in study.samples()] == ["dry_p1_1", "dry_p1_2", "wet_p2_1"]
    assert study.units == {"p1": {"group": "dry"}, "p2": {"group": "wet"}}


def test_a_unit_of_two_groups_in_file_names_is_refused(tmp_path: Path) -> None:
    write_pattern_study(tmp_path, ["dry_p1_1.txt", "wet_p1_1.txt"])
    with pytest.raises(InputFault, match="one group for each unit"):
        read_study(tmp_path)


def test_a_pattern_that_fits_nothing_is_named(tmp_path: Path) -> None:
    write_pattern_study(tmp_path, ["odd.csv"])
    with pytest.raises(InputFault, match="which no file fits"):
        read_study(tmp_path)


def write_table(folder: Path, rows: list[str]) -> None:
    bands = [str(w) for w in range(500, 800, 20)]
    text = "\n".join([",".join(["Type", *bands]), *rows]) + "\n"
    (folder / "table.csv").write_text(text, encoding="utf-8")
    (folder / "study.yaml").write_text(
        "title: x\ndesign: {unit: none, treatment: Type}\n"
        "intake: {sheet: table.csv, forms: {default: {form: wide_table, quantity: percent}}}\n"
        "classes: {target: Type}\n",
        encoding="utf-8",
    )


def test_a_labelled_table_is_its_own_sheet(tmp_path: Path) -> None:
    draw = random.Random(1)
    rows = [
        ",".join([kind, *(f"{draw.uniform(5, 60):.3f}" for _ in range(15))])
        for kind in ("sick", "well") * 6
    ]
    write_table(tmp_path, rows)
    first = read_study(tmp_path)
    assert len(first.samples()) == 12
    assert {row["Type"] for row in first.units.values()} == {"sick", "well"}
    draw.shuffle(rows)
    write_table(tmp_path, rows)
    assert read_study(tmp_path).units == first.units, "ids must not depend on the row's place"


@given(st.text(max_size=200))
@settings(max_examples=200)
def test_any_text_becomes_an_id(text: str) -> None:
    made = as_id(text)
    assert is_id(made) or made.startswith(("-", "_")) is False
    assert is_id(made)
