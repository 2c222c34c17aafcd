"""Two versions of a table: same bytes, within what another processor may do, or not."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from leafledger.runner.reproduce import compare_files
from leafledger.study.table_files import write_parquet, write_spectra


def csv(path: Path, *rows: str) -> Path:
    path.write_text("index,estimate,p\n" + "".join(f"{row}\n" for row in rows), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("row", "same", "column"),
    [
        ("PRI,0.25,0.04", "bytes", None),
        ("PRI,0.25000000000000006,0.04", "within_tolerance", "estimate"),
        ("PRI,0.2500001,0.04", "differs", "estimate"),
        ("PRI,0.25,0.0400001", "differs", "p"),
        ("WI,0.25,0.04", "differs", "index"),
        ("PRI,,0.04", "differs", "estimate"),
    ],
)
def test_a_row_of_a_csv(tmp_path: Path, row: str, same: str, column: str | None) -> None:
    one = csv(tmp_path / "a.csv", "NDVI,0.5,", "PRI,0.25,0.04")
    other = csv(tmp_path / "b.csv", "NDVI,0.5,", row)
    found = compare_files(one, other, "results/effects.csv")
    assert (found.same, found.column) == (same, column)
    if column:
        assert found.row == 1


def test_rows_or_columns_more_differ(tmp_path: Path) -> None:
    one = csv(tmp_path / "a.csv", "NDVI,0.5,")
    two = csv(tmp_path / "b.csv", "NDVI,0.5,", "PRI,0.25,0.04")
    assert compare_files(one, two, "x.csv").same == "differs"
    two.write_text("index,estimate,q\nNDVI,0.5,\n", encoding="utf-8")
    assert compare_files(one, two, "x.csv").same == "differs"


def spectra(path: Path, factor: float, name: str = "reflectance") -> Path:
    values = np.linspace(0.1, 0.5, 12).reshape(3, 4)
    values[1, 2] *= factor
    rows = pa.table({"scan": ["a", "b", "c"]})
    write_spectra(path, rows, np.arange(500.0, 504.0), {name: values}, {})
    return path


@pytest.mark.parametrize(
    ("factor", "same"), [(1.0, "bytes"), (1 + 1.2e-7, "within_tolerance"), (1.001, "differs")]
)
def test_spectra_may_differ_by_a_step_of_a_32_bit_number(
    tmp_path: Path, factor: float, same: str
) -> None:
    one, other = spectra(tmp_path / "a", 1.0), spectra(tmp_path / "b", factor)
    found = compare_files(one, other, "results/reflectance/day0.parquet")
    assert found.same == same
    assert found.row == (None if same == "bytes" else 1)


def test_weights_of_latent_variables_may_differ_by_a_millionth(tmp_path: Path) -> None:
    for name, value in (("a", 0.5), ("b", 0.5 * (1 + 1e-7))):
        table = pa.table({"term": ["weight", "vip"], "value": [value, 1.0]})
        write_parquet(tmp_path / name, table, {}, ["term"])
    one, other = tmp_path / "a", tmp_path / "b"
    assert compare_files(one, other, "classes/spectra_terms.parquet").same == "within_tolerance"
    assert compare_files(one, other, "quality/day0.parquet").same == "differs"


def test_json_is_compared_value_by_value_and_digests_follow(tmp_path: Path) -> None:
    one, other = tmp_path / "a", tmp_path / "b"
    before = {"sentence": "x", "n": 3, "limits": [1.0, {"q": 0.1}], "training": "a" * 64}
    one.write_text(json.dumps(before), encoding="utf-8")
    after = before | {"limits": [1.0, {"q": 0.1 * (1 + 1e-14)}], "training": "b" * 64}
    other.write_text(json.dumps(after), encoding="utf-8")
    found = compare_files(one, other, "model.json")
    assert (found.same, found.column) == ("within_tolerance", "limits.1.q")
    other.write_text(json.dumps(before | {"sentence": "y"}), encoding="utf-8")
    assert compare_files(one, other, "model.json").column == "sentence"


def test_a_page_is_not_compared(tmp_path: Path) -> None:
    one, other = csv(tmp_path / "a", "x,1,1"), csv(tmp_path / "b", "x,1,2")
    assert compare_files(one, other, "results/report.html").same == "not_compared"
