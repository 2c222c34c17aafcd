"""Parquet files of scans."""

import io
import json
import time

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.intake.parquet import n_values, read_parquet
from leafledger.intake.raw_scan import FileForm

AXIS = [400.0 + i for i in range(12)]


def lists(values: np.ndarray, axis=AXIS, column: str = "counts", kind=None, **extra) -> pa.Table:
    flat = pa.array(values.ravel().astype(np.float32))
    kind = kind or pa.list_(pa.float32(), values.shape[1])
    spectra = (
        pa.FixedSizeListArray.from_arrays(flat, values.shape[1])
        if pa.types.is_fixed_size_list(kind)
        else pa.array(values.tolist(), type=kind)
    )
    names = pa.array([f"leaf{i}" for i in range(len(values))])
    told = pa.table({"label": names, column: spectra, **extra})
    return told.replace_schema_metadata({"wavelength_nm": json.dumps(axis)})


def saved(table: pa.Table, **options) -> bytes:
    sink = io.BytesIO()
    pq.write_table(table, sink, **options)
    return sink.getvalue()


def read(data: bytes, **form):
    form.setdefault("scan_column", "label")
    return read_parquet(data, "raw/a.parquet", FileForm(form="parquet", **form))


def problems(data: bytes, **form):
    with pytest.raises(InputFault) as caught:
        read(data, **form)
    return caught.value.problems


VALUES = np.arange(60, dtype=np.float64).reshape(5, 12)


@pytest.mark.parametrize("kind", [None, pa.list_(pa.float64()), pa.list_(pa.int32())])
def test_list_columns(kind) -> None:
    scans = read(saved(lists(VALUES, kind=kind), row_group_size=2))
    assert np.array_equal(scans.values, VALUES)
    assert scans.wavelength_nm.tolist() == AXIS
    assert scans.items == tuple(f"leaf{i}" for i in range(5))


def test_wide_columns_and_a_falling_axis() -> None:
    columns = {f"X{int(w)}": VALUES[:, i] for i, w in reversed(list(enumerate(AXIS)))}
    table = pa.table({"label": list("abcde"), "note": list("xxxxx"), **columns})
    scans = read(saved(table), quantity="reflectance")
    assert np.array_equal(scans.values, VALUES)
    assert scans.wavelength_nm.tolist() == AXIS
    falling = read(saved(lists(VALUES[:, ::-1], AXIS[::-1])))
    assert np.array_equal(falling.values, VALUES)


def test_headings_with_a_point() -> None:
    columns = {f"{w + 0.5 * (i % 2)}": VALUES[:, i] for i, w in enumerate(AXIS)}
    columns["400"] = columns.pop("400.0")
    columns = {name: columns[name] for name in sorted(columns, key=float)}
    scans = read(saved(pa.table({"label": list("abcde"), **columns})))
    assert np.array_equal(scans.values, VALUES)
    assert scans.wavelength_nm[1] == 401.5


@pytest.mark.parametrize("unit", ["", " um", "_micron"])
def test_columns_in_micrometres_are_said_once(unit: str) -> None:
    names = [f"{0.4 + i / 100:.2f}{unit}" for i in range(60)]
    table = pa.table({"label": ["a", "b"], **{name: [0.1, 0.2] for name in names}})
    (found,) = problems(saved(table), quantity="reflectance")
    assert "micrometres" in found.found
    assert "multiply them by 1000" in found.mend
    (found,) = problems(saved(lists(VALUES, axis=[w / 1000 for w in AXIS])))
    assert "micrometres" in found.found


def test_a_single_scan_needs_no_name() -> None:
    assert read(saved(lists(VALUES[:1])), scan_column=None).items == ("",)
    assert "scan_column" in problems(saved(lists(VALUES)), scan_column=None)[0].mend


@pytest.mark.parametrize(
    ("table", "form", "word"),
    [
        (lists(VALUES), {"quantity": "reflectance"}, '"counts"'),
        (lists(VALUES), {"scan_column": "labels"}, "0 such columns"),
        (lists(VALUES, AXIS[:-1]), {}, "12 values"),
        (lists(VALUES, ["a"] * 12), {}, "no numbers"),
        (lists(VALUES).replace_schema_metadata({}), {}, "no wavelengths"),
        (lists(VALUES, [400.0] * 12), {}, "wavelength 400 after 400"),
        (lists(VALUES, [float(i) for i in range(12)]), {}, "wavelength 0"),
        (lists(VALUES[:, :5], AXIS[:5]), {}, "5 wavelengths"),
        (lists(VALUES[:0]), {}, "no rows"),
        (lists(np.where(VALUES == 30, np.nan, VALUES)), {}, "no value"),
        (lists(np.where(VALUES == 30, np.inf, VALUES)), {}, "infinite"),
        (lists(VALUES, tag=pa.array([1, 2, 3, 4, 5])), {"scan_column": "tag"}, "int64"),
    ],
)
def test_faults(table: pa.Table, form: dict, word: str) -> None:
    found = problems(saved(table), **form)
    assert any(word in p.found for p in found), [p.sentence() for p in found]


def test_ragged_rows_and_missing_rows_are_named() -> None:
    rows = VALUES.tolist()
    rows[2], rows[3] = rows[2][:-1], [*rows[3], 1.0]
    table = pa.table({"label": list("abcde"), "counts": rows})
    table = table.replace_schema_metadata({"wavelength_nm": json.dumps(AXIS)})
    assert [p.row for p in problems(saved(table))] == [3, 4]
    missing = pa.table({"label": ["a", None], "counts": pa.array([AXIS, AXIS])})
    missing = missing.replace_schema_metadata({"wavelength_nm": json.dumps(AXIS)})
    assert problems(saved(missing))[0].row == 2


def test_text_in_a_wavelength_column() -> None:
    columns = {str(int(w)): VALUES[:, i] for i, w in enumerate(AXIS)}
    columns["405"] = pa.array(list("12a45"))
    (problem,) = problems(saved(pa.table({"label": list("abcde"), **columns})))
    assert problem.column == "405"


def test_a_small_file_of_very_many_values_is_refused_unread() -> None:
    axis = [200.0 + i for i in range(2000)]
    values = pa.FixedSizeListArray.from_arrays(pa.array(np.zeros(40_000_000, np.float32)), 2000)
    table = pa.table({"label": pa.array(["a"] * 20_000), "counts": values})
    data = saved(table.replace_schema_metadata({"wavelength_nm": json.dumps(axis)}))
    del table, values
    assert len(data) < 1_000_000
    before = pa.total_allocated_bytes()
    start = time.perf_counter()
    assert "20,000 scans of 2,000" in problems(data)[0].found
    assert time.perf_counter() - start < 2
    assert pa.total_allocated_bytes() - before < 1_000_000


def test_one_row_of_very_many_values_is_refused_unread() -> None:
    kind = pa.list_(pa.float32())
    offsets = pa.array([0, 34_000_000], pa.int32())
    values = pa.ListArray.from_arrays(
        offsets, pa.array(np.zeros(34_000_000, np.float32)), type=kind
    )
    table = pa.table({"label": ["a"], "counts": values})
    data = saved(table.replace_schema_metadata({"wavelength_nm": json.dumps(AXIS)}))
    del table, values
    assert len(data) < 1_000_000
    before = pa.total_allocated_bytes()
    assert "34,000,000 values in 1 rows" in problems(data)[0].found
    assert pa.total_allocated_bytes() - before < 1_000_000


@pytest.mark.parametrize("groups", [1, 2, 5])
def test_the_footer_is_read_as_the_reference_library_reads_it(groups: int) -> None:
    data = saved(lists(VALUES), row_group_size=groups)
    metadata = pq.ParquetFile(io.BytesIO(data)).metadata
    told = {"label": 0, "counts": 0}
    for group in range(metadata.num_row_groups):
        for i, name in enumerate(told):
            told[name] += metadata.row_group(group).column(i).num_values
    assert {name: n_values(data, name) for name in told} == told == {"label": 5, "counts": 60}


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_damaged_description_is_a_fault(data) -> None:
    whole = bytearray(saved(lists(VALUES)))
    size = int.from_bytes(whole[-8:-4], "little")
    for _ in range(data.draw(st.integers(1, 4))):
        whole[-9 - data.draw(st.integers(0, size - 1))] = data.draw(st.integers(0, 255))
    try:
        assert np.isfinite(read(bytes(whole)).values).all()
    except InputFault as fault:
        assert fault.problems


@pytest.mark.parametrize("data", [b"", b"PAR1", b"PAR1" + b"\0" * 30 + b"PAR1", b"400\t1\n" * 50])
def test_no_parquet(data: bytes) -> None:
    assert problems(data)
