"""The registry of results: whole in itself, and a real run writes what it declares."""

from __future__ import annotations

import ast
import copy
import pickle
import re
from collections import Counter
from dataclasses import fields
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import leafledger
from leafledger import Study
from leafledger.report.gather import ClassTables, Material
from leafledger.study.rules import BY_NAME as RULES
from leafledger.study.table_files import read_csv
from leafledger.study.tables import (
    RESULTS,
    TABLES,
    Result,
    meaning_of,
    result_at,
    unit_in,
    written_by,
)
from leafledger.validation import indices_suite, reflectance_suite, scans_suite

HOLDS = {
    "text": lambda c: pd.api.types.is_string_dtype(c) or c.isna().all(),
    "number": lambda c: pd.api.types.is_numeric_dtype(c) and not pd.api.types.is_bool_dtype(c),
    "whole number": lambda c: pd.api.types.is_numeric_dtype(c) and (c.dropna() % 1 == 0).all(),
    "true or false": pd.api.types.is_bool_dtype,
    "date and time": pd.api.types.is_datetime64_any_dtype,
}
WORKED_OUT = {
    "n_not_finite", "above_lowest", "minimum", "maximum", "mean", "axis", "range_above_first_nm",
    "range_below_last_nm", "n_indices",
}  # fmt: skip
"""What validation computes of a row's spectrum or of several rows."""


def test_names_paths_and_roles_are_given_once() -> None:
    for values in (
        [r.name for r in RESULTS],
        [r.path for r in RESULTS],
        [(r.rule, r.role) for r in RESULTS],
        [(r.report_role, r.per_session) for r in RESULTS if r.rule != "report"],
        [r.sheet for r in RESULTS if r.sheet],
    ):
        assert max(Counter(values).values()) == 1


def test_every_rule_writes_what_is_declared() -> None:
    assert {r.rule for r in RESULTS} == set(RULES)
    for rule, about in RULES.items():
        assert about.writes == written_by(rule)
        assert all(result.per_session == about.per_session for result in about.writes)


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
def test_a_table_is_declared_whole(table: Result) -> None:
    names = [column.name for column in table.columns]
    assert len(set(names)) == len(names)
    assert table.key and set(table.key) <= set(table.names)
    assert table.path.endswith((".csv", ".parquet"))
    for column in table.columns:
        assert column.meaning, column.name
        numeric = column.dtype in {"number", "whole number", "spectrum"}
        assert bool(column.unit) == numeric, column.name
        if column.unit == "{unit}":
            assert "unit" in names, f"{column.name} has the unit of a column that is missing"


def test_a_column_of_a_csv_is_read_alike_in_every_table() -> None:
    kinds: dict[str, set[str]] = {}
    for table in TABLES.values():
        if table.path.endswith(".csv"):
            for column in table.columns:
                kind = "number" if "number" in column.dtype else column.dtype
                kinds.setdefault(column.name, set()).add(kind)
    assert {name: k for name, k in kinds.items() if len(k) > 1} == {}


def test_a_path_leads_to_its_table() -> None:
    paths = ("quality/a.parquet", "quality/a.signal.parquet", "classes/path.csv", "levels", "x.csv")
    found = [result_at(path) for path in paths]
    assert [r and r.name for r in found] == ["quality", "signal", "path", "levels", None]


def test_the_unit_is_as_narrow_as_the_rows_allow() -> None:
    assert unit_in("variance_components.csv", "variance", ["nm", "nm"], []) == "square of nm"
    assert unit_in("variance_components.csv", "variance", ["1"], []) == "1"
    assert unit_in("variance_components.csv", "variance", ["1", "nm"], []) == (
        "square of column unit"
    )
    assert unit_in("unit_indices.csv", "mean", ["p1", "p2"], ["1", "1"]) == "1"
    assert unit_in("unit_indices.csv", "n_leaves", ["p1"], ["1", "nm"]) == "1"
    assert unit_in("effects.csv", "p", ["nm"], []) == "1"


def test_a_label_of_the_study_never_takes_the_meaning_of_a_column_elsewhere() -> None:
    assert meaning_of("accepted.csv", "method") == ("", "")
    assert meaning_of("quality/day4.parquet", "session") == ("", "id of the session")


def test_paths_named_anywhere_in_the_package_are_declared() -> None:
    looked_up = 0
    for file in Path(leafledger.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            text = node.value if isinstance(node, ast.Constant) else None
            if isinstance(text, str) and re.fullmatch(r"results/[\w/.]+\.(csv|json|parquet)", text):
                assert result_at(text.removeprefix("results/")), (file.name, text)
                looked_up += 1
    assert looked_up >= 4


def test_the_report_names_no_attribute_that_its_material_lacks() -> None:
    """The report asks for tables by names that no type checker holds against the registry."""
    of_study = {name for name, table in TABLES.items() if not table.per_session}
    of_session = set(TABLES) - of_study
    known = of_study | set(dir(Material)) | {field.name for field in fields(Material)}
    asked: set[str] = set()
    for file in (Path(leafledger.__file__).parent / "report").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                if node.value.id == "material":
                    assert node.attr in known, (file.name, node.attr)
                    asked.add(node.attr)
            elif isinstance(node, ast.Subscript) and isinstance(node.value, ast.Attribute):
                key = node.slice.value if isinstance(node.slice, ast.Constant) else None
                if node.value.attr == "by_session" and isinstance(key, str):
                    assert key in of_session, (file.name, key)
                    asked.add(key)
    assert len(asked & of_study) >= 12 and len(asked & of_session) >= 4


def test_a_material_reads_its_tables_by_name_and_can_be_copied() -> None:
    frame = pd.DataFrame({"p": [0.5]})
    classes = ClassTables({"path": frame}, {}, {})
    assert classes.path is frame and copy.copy(classes).path is frame
    assert pickle.loads(pickle.dumps(classes)).path.equals(frame)
    for name in ("effects", "no_table"):
        with pytest.raises(AttributeError, match=name):
            getattr(classes, name)


def test_sheets_have_places_of_their_own() -> None:
    places = Counter(result.place for result in RESULTS if result.place < Result.place)
    assert len(places) >= 30 and set(places.values()) == {1}
    assert all(result.sheet for result in RESULTS if result.place in places)


def test_expectations_are_of_columns_that_are_declared() -> None:
    for suite in (scans_suite([]), reflectance_suite([]), indices_suite([], ["NDVI"])):
        for expected in suite:
            table = TABLES.get(re.split(r"[/_]", expected.table)[0])
            known = WORKED_OUT | set(table.names if table else ())
            assert set(expected.column.split("+")) <= known, expected.name


def written(study: Study, table: Result, path: str) -> pd.DataFrame:
    file = study.folder / "results" / path
    if path.endswith(".csv"):
        return read_csv(file)
    # A second dark or direction of a shared source is numbered; its meaning says so.
    spectra = {c.name for c in table.columns if c.dtype == "spectrum"}
    names = [n for n in pq.read_schema(file).names if re.sub(r"_\d+$", "", n) not in spectra]
    return pq.read_table(file, columns=names).to_pandas()


def test_a_real_run_writes_what_is_declared(small_study_run: Path) -> None:
    study = Study.open(small_study_run)
    folder = small_study_run / "results"
    checked = set()
    for file in folder.rglob("*"):
        path = file.relative_to(folder).as_posix()
        if file.is_dir() or path.startswith("figures/"):
            continue
        table = result_at(path)
        assert table is not None, f"{path} is not declared"
        if not table.is_table:
            continue
        frame = written(study, table, path)
        more = [name for name in frame.columns if name not in table.names]
        assert [*frame.columns] == [*table.names, *more], path
        assert bool(more) == (table.per_class is not None), path
        assert all(table.column(name) for name in more), path
        assert not frame.duplicated([*table.key]).any(), f"{path}: rows share a key"
        for column in table.columns:
            if column.dtype == "spectrum":
                schema = pq.read_schema(file)
                if column.optional and column.name not in schema.names:
                    continue
                assert pa.types.is_fixed_size_list(schema.field(column.name).type), column.name
            elif len(frame):
                values = frame[column.name]
                assert HOLDS[column.dtype](values), (path, column.name, values.dtype)
        checked.add(table.name)
    others = {
        table.name
        for table in TABLES.values()
        if table.of_pigments or table.of_traits or table.of_leaf_model
    }
    assert checked == set(TABLES) - {"variants"} - others  # tests/pigments, tests/traits have these
