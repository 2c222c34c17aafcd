"""Files on pixels: wavelengths by the stated polynomial, p from 0, and refusals by name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.stage import run
from leafledger.intake.text import read_counts_alone
from leafledger.records.record import Job, Outcome
from leafledger.study.definition import Form
from leafledger.study.table_files import SpectraTable, read_spectra

COEFFICIENTS = [345.2, 0.382, -1.5e-5, 2e-10]
COUNTS = [1200 + 7 * i % 91 for i in range(40)]


def taken_in(folder: Path, texts: list[str], **form: Any) -> tuple[Outcome, SpectraTable]:
    files = {}
    for i, text in enumerate(texts):
        path = folder / f"raw/{i}.txt"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())
        files[f"raw/raw/{i}.txt"] = path
    wide = form.get("form") == "wide_table"
    rows = [
        {
            "scan": f"s{i}",
            "file": f"raw/{0 if wide else i}.txt",
            "item": f"leaf{i}" if wide else "",
            "role": "sample",
            "time": None,
            "integration_ms": None,
            "averages": None,
        }
        for i in range(2 if wide else len(texts))
    ]
    stated = {"pixel_coefficients": COEFFICIENTS, **form}
    told = {"session": "day0", "form": Form(**stated).model_dump(mode="json"), "scans": rows}
    out = folder / "scans.parquet"
    outcome = run(Job("intake", "day0", told, files, {"scans": out}, folder))
    return outcome, read_spectra(out)


def expected() -> np.ndarray:
    # By Horner's rule, apart from the package.
    c0, c1, c2, c3 = COEFFICIENTS
    return np.array([c0 + p * (c1 + p * (c2 + p * c3)) for p in range(len(COUNTS))])


@pytest.mark.parametrize("first", [0, 1])
def test_pixel_numbers_become_wavelengths(first: int, tmp_path: Path) -> None:
    text = "Pixel;Counts\n" + "".join(f"{i + first};{c}\n" for i, c in enumerate(COUNTS))
    outcome, table = taken_in(tmp_path, [text, text.replace("1200", "1300")])
    np.testing.assert_allclose(table.wavelength_nm, expected(), rtol=1e-15)
    np.testing.assert_array_equal(table.spectra["counts"][0], COUNTS)
    (said,) = [w for w in outcome.warnings if "pixel_coefficients" in w]
    assert "345.2 nm at the first of 40 pixels (p = 0)" in said
    assert ("numbers its pixels from 1" in said) == (first == 1)
    assert "1 more files" in said


@pytest.mark.parametrize("mark", ["\n", "\r\n", "\n\n"])
def test_counts_alone(mark: str, tmp_path: Path) -> None:
    text = f"Saved 2026-05-04{mark}Integration 12 ms{mark}" + mark.join(map(str, COUNTS)) + mark
    outcome, table = taken_in(tmp_path, [text], wavelength_column="none", value_column="1")
    np.testing.assert_allclose(table.wavelength_nm, expected(), rtol=1e-15)
    np.testing.assert_array_equal(table.spectra["counts"][0], COUNTS)
    assert any("the first of 40 pixels" in w for w in outcome.warnings)


def test_counts_alone_in_a_second_column_with_decimal_commas(tmp_path: Path) -> None:
    text = "".join(f"dark;{c},5\n" for c in COUNTS)
    _, table = taken_in(tmp_path, [text], wavelength_column="none", value_column="2")
    np.testing.assert_array_equal(table.spectra["counts"][0], np.array(COUNTS) + 0.5)


def test_wide_table_with_pixel_headings(tmp_path: Path) -> None:
    heading = "label," + ",".join(f"pixel {i}" for i in range(40))
    rows = [f"leaf{k}," + ",".join(str(c + k) for c in COUNTS) for k in range(2)]
    _, table = taken_in(
        tmp_path, ["\n".join([heading, *rows]) + "\n"], form="wide_table", scan_column="label"
    )
    np.testing.assert_allclose(table.wavelength_nm, expected(), rtol=1e-15)
    np.testing.assert_array_equal(table.spectra["counts"][1], np.array(COUNTS) + 1)


def test_wavelengths_that_fall_with_the_pixel_are_turned_round(tmp_path: Path) -> None:
    text = "".join(f"{i}\t{c}\n" for i, c in enumerate(COUNTS))
    _, table = taken_in(tmp_path, [text], pixel_coefficients=[900.0, -0.5])
    assert table.wavelength_nm[0] == 900.0 - 0.5 * 39
    np.testing.assert_array_equal(table.spectra["counts"][0], COUNTS[::-1])


ROWS = [f"{i}\t{c}\n" for i, c in enumerate(COUNTS)]
ALONE = {"wavelength_column": "none", "value_column": "1"}


@pytest.mark.parametrize(
    ("text", "form", "words"),
    [
        ("".join(ROWS), {"pixel_coefficients": [400.0, 0.5, -0.01]}, "turn back at pixel 26 of 40"),
        ("".join(ROWS), {"pixel_coefficients": [10.0, 0.5]}, "a wavelength of 10 nm at pixel 0"),
        ("".join(ROWS[10:] * 1), {}, "a first pixel 10"),
        ("".join(ROWS[:20] + ROWS[21:]), {}, "pixel 21 after 19"),
        ("".join(f"{400 + i / 2}\t5\n" for i in range(40)), {}, "a first pixel 400"),
        ("".join(ROWS), {"form": "jcamp_dx"}, "pixel_coefficients with `form: jcamp_dx`"),
        ("".join(ROWS), {**ALONE, "pixel_coefficients": None}, "`wavelength_column: none` without"),
        ("1\n2\n3\n", ALONE, "3 rows of counts"),
        ("\n".join(map(str, COUNTS)) + "\n12a4\n5\n", ALONE, '"12a4"'),
        ("\n".join(map(str, COUNTS)) + "\nend\n5\n", ALONE, "1 rows of numbers apart"),
        ("\n".join(map(str, COUNTS)) + "\n", {**ALONE, "value_column": "Counts"}, '"Counts"'),
    ],
)
def test_refusals(text: str, form: dict[str, Any], words: str, tmp_path: Path) -> None:
    with pytest.raises(InputFault) as fault:
        taken_in(tmp_path, [text], **form)
    assert any(words in problem.found for problem in fault.value.problems), fault.value


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=400),
        st.lists(
            st.sampled_from(["12", "1,5", "x", "", "12a4", "NaN", "3.5e2", "-7 8"]), max_size=60
        )
        .map("\n".join)
        .map(str.encode),
    ),
    st.sampled_from(["1", "2"]),
)
def test_no_bytes_give_anything_but_counts_or_our_own_error(data: bytes, column: str) -> None:
    form = FileForm(wavelength_column="none", value_column=column, pixel_coefficients=(400.0, 0.5))
    try:
        scans = read_counts_alone(data, "a.txt", form)
    except InputFault as fault:
        assert 1 <= len(fault.problems) <= 51
    else:
        assert scans.values.shape == (1, len(scans.wavelength_nm))
        assert np.isfinite(scans.values).all()
