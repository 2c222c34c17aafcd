"""Whatever the bytes are: scans or a fault with its file, and soon."""

import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_intake_jcamp import BODIES, jcamp
from test_intake_parquet import VALUES, lists, saved
from test_intake_text import scan_rows, text_of
from test_intake_wide_table import table

from leafledger.errors import InputFault
from leafledger.intake.jcamp_dx import read_jcamp
from leafledger.intake.parquet import read_parquet
from leafledger.intake.raw_scan import FileForm
from leafledger.intake.text import read_text
from leafledger.intake.wide_table import read_wide_table

READERS = {
    "text": lambda data: read_text(data, "f", FileForm())[0],
    "wide_table": lambda data: read_wide_table(data, "f", FileForm(scan_column="label")),
    "jcamp_dx": lambda data: read_jcamp(data, "f", FileForm(quantity="reflectance")),
    "parquet": lambda data: read_parquet(data, "f", FileForm(scan_column="label")),
}
WHOLE = {
    "text": [text_of(scan_rows(15)), text_of(scan_rows(15)).decode().encode("utf-16")],
    "wide_table": [("\n".join(table(3)) + "\n").encode()],
    "jcamp_dx": [jcamp(body) for body in BODIES.values()],
    "parquet": [saved(lists(VALUES)), saved(lists(VALUES), compression="zstd")],
}
SLOWEST_S = 3.0


def survives(form: str, data: bytes) -> None:
    start = time.perf_counter()
    try:
        scans = READERS[form](data)
    except InputFault as fault:
        assert all(p.file == "f" and p.found and p.expected and p.mend for p in fault.problems)
        assert len(fault.problems) <= 51
    else:
        assert np.isfinite(scans.values).all()
        assert scans.values.shape == (len(scans.items), len(scans.wavelength_nm))
        assert (np.diff(scans.wavelength_nm) > 0).all()
        assert len(scans.wavelength_nm) >= 10
    assert time.perf_counter() - start < SLOWEST_S


@pytest.mark.parametrize("form", list(READERS))
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.binary(max_size=400))
def test_random_bytes(form: str, data: bytes) -> None:
    survives(form, data)


@pytest.mark.parametrize("form", list(READERS))
@settings(max_examples=100, deadline=None)
@given(data=st.text(alphabet="0123456789.,;\t \r\n+-eE#$=?@AJS%nXlabe", max_size=300))
def test_random_text(form: str, data: str) -> None:
    survives(form, data.encode())


@pytest.mark.parametrize("form", list(READERS))
@settings(max_examples=60, deadline=None)
@given(choice=st.data())
def test_cut_off_files(form: str, choice) -> None:
    whole = choice.draw(st.sampled_from(WHOLE[form]))
    survives(form, whole[: choice.draw(st.integers(0, len(whole)))])


@pytest.mark.parametrize("form", list(READERS))
@settings(max_examples=200, deadline=None)
@given(choice=st.data())
def test_mutated_files(form: str, choice) -> None:
    data = bytearray(choice.draw(st.sampled_from(WHOLE[form])))
    for _ in range(choice.draw(st.integers(1, 6))):
        at = choice.draw(st.integers(0, len(data) - 1))
        data[at : at + choice.draw(st.integers(0, 4))] = choice.draw(st.binary(max_size=4))
        if not data:
            break
    survives(form, bytes(data))
