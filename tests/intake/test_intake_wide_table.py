"""Wide tables: one row per scan."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.wide_table import read_wide_table
from leafledger.study.table_sheet import content_ids


def table(n: int = 5, p: int = 12, style: str = "{}") -> list[str]:
    head = ",".join(["label", "note", *(style.format(500 + 10 * i) for i in range(p))])
    return [head, *(f"leaf{r},ok," + ",".join(f"{r}.{i:02d}" for i in range(p)) for r in range(n))]


def read(lines: list[str] | bytes, **form):
    data = lines if isinstance(lines, bytes) else ("\n".join(lines) + "\n").encode()
    form.setdefault("scan_column", "label")
    return read_wide_table(data, "raw/t.csv", FileForm(form="wide_table", **form))


def problems(lines, **form):
    with pytest.raises(InputFault) as caught:
        read(lines, **form)
    return caught.value.problems


@pytest.mark.parametrize("style", ["{}", "{}.0 nm", "X{}", "wl_{}.0", "R{}"])
def test_heading_styles(style: str) -> None:
    scans = read(table(style=style))
    assert scans.wavelength_nm.tolist() == [500 + 10 * i for i in range(12)]
    assert scans.items == tuple(f"leaf{r}" for r in range(5))
    assert scans.values[3, 7] == 3.07


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["tab", "comma", "semicolon", "space"]),
    st.booleans(),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    st.booleans(),
    st.booleans(),
    st.integers(0, 2**32 - 1),
)
def test_round_trip(delimiter, comma, newline, codec, falls, title, seed) -> None:
    rng = np.random.default_rng(seed)
    axis = 400 + 2.5 * np.arange(15)
    values = np.round(rng.normal(50, 30, (4, 15)), 3)
    comma = comma and delimiter != "comma"
    mark = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " "}[delimiter]
    order = slice(None, None, -1) if falls else slice(None)

    def cells(numbers) -> list[str]:
        return [str(x).replace(".", ",") if comma else str(x) for x in numbers]

    lines = ["Table of leaves"] if title else []
    lines.append(mark.join(["label", *cells(axis[order])]))
    lines += [mark.join([f"blätt{r}", *cells(values[r][order])]) for r in range(4)]
    scans = read(newline.join(lines).encode(codec))
    assert np.array_equal(scans.wavelength_nm, axis)
    assert np.array_equal(scans.values, values)
    assert scans.items == tuple(f"blätt{r}" for r in range(4))


def test_clean_and_careful_reading_agree() -> None:
    clean = read(table())
    careful = read([line.replace(",3.", ",+3.") for line in table()])  # a plus: not the fast way
    assert np.array_equal(clean.values, careful.values)
    assert clean.items == careful.items


def test_without_a_scan_column_the_ids_come_from_the_rows() -> None:
    lines = table()
    lines.append(lines[2])
    scans = read(lines, scan_column=None)
    assert scans.items == tuple(content_ids(lines[1:]))
    assert scans.items[-1].endswith("-2")
    with_blank = read([lines[0], "", *lines[1:]], scan_column=None)
    assert with_blank.items == scans.items


@pytest.mark.parametrize("bad", ["12a4", "NaN", "nan", "inf", "", "NULL", "1,5"])
def test_cells_that_are_no_numbers(bad: str) -> None:
    lines = table()
    fields = lines[3].split(",")
    fields[5] = f'"{bad}"' if "," in bad else bad
    lines[3] = ",".join(fields)
    (problem,) = problems(lines, decimal="point")
    assert (problem.row, problem.column) == (4, "530")


def test_all_bad_cells_and_rows_together() -> None:
    lines = table(80)
    for i in range(1, 81):
        lines[i] = lines[i].replace(".05", ".x")
    lines[2] += ",9"
    found = problems(lines)
    assert found[0].row == 2
    assert found[1].row == 3
    assert "15 fields" in found[1].found
    assert len(found) == 50


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("label", "labels", "no such column"),
        ("note", "label", "2 such columns"),
        ("530", "-530", "-530"),
        ("530", "99999", "99999"),
        ("530", "520", "wavelength 520 after 520"),
        ("530", "590", "wavelength 540 after 590"),
    ],
)
def test_headings_at_fault(old: str, new: str, word: str) -> None:
    lines = table()
    lines[0] = lines[0].replace(old, new)
    found = problems(lines)
    assert all(p.row == 1 for p in found)
    assert any(word in p.found for p in found), [p.sentence() for p in found]


def test_an_unnamed_row() -> None:
    lines = table()
    lines[2] = lines[2].replace("leaf1", " ")
    (problem,) = problems(lines)
    assert (problem.row, problem.column) == (3, "label")


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"\0\1\2" * 100, "binary"),
        (("\n".join(table(0)) + "\n").encode(), "without rows"),
        (b"label,500,510\na,1,2\n", "at most 2 wavelength headings"),
        (b",".join(b"%d" % i for i in range(1_000_000)) + b"\n1\n", "columns"),
    ],
)
def test_what_is_no_table(data: bytes, word: str) -> None:
    start = time.perf_counter()
    assert word in problems(data)[0].found
    assert time.perf_counter() - start < 5


def test_too_many_values_are_refused_before_they_are_read() -> None:
    head = ",".join(["label", *(str(200 + i) for i in range(20_000))])
    found = problems((head + "\n" + "a\n" * 2000).encode())
    assert "at most 32,000,000" in found[0].expected


def test_a_table_of_a_field_campaign_is_quick() -> None:
    rng = np.random.default_rng(4)
    values = np.round(rng.uniform(0, 100, (680, 201)), 5)
    lines = ["Type," + ",".join(str(505 + 10 * i) for i in range(201))]
    lines += ["Healthy," + ",".join(map(str, row)) for row in values]
    start = time.perf_counter()
    scans = read(lines, scan_column=None)
    assert time.perf_counter() - start < 2
    assert np.array_equal(scans.values, values)
    assert len(set(scans.items)) == 680
