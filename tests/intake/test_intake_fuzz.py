"""Whatever the bytes are: scans or a fault with its file, soon and in little memory."""

import random
from itertools import islice

import pytest
from fuzz import MEMORY_BYTES, READERS, WHOLE, inputs, memory_of, survives
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_intake_text import scan_rows, text_of

from leafledger.errors import InputFault


@pytest.mark.parametrize("form", list(READERS))
def test_whole_files_are_read(form: str) -> None:
    for data in WHOLE[form]:
        survives(form, data)
        assert READERS[form](data).values.size


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


@pytest.mark.parametrize("form", list(READERS))
def test_fuzz(form: str) -> None:
    for data in islice(inputs(form, random.Random(3)), 250):
        survives(form, data)


@pytest.mark.slow
@pytest.mark.parametrize("form", list(READERS))
def test_fuzz_for_longer(form: str) -> None:
    for data in islice(inputs(form, random.Random(4)), 20_000):
        survives(form, data)


@pytest.mark.parametrize("form", list(READERS))
def test_memory_stays_small(form: str) -> None:
    for data in islice(inputs(form, random.Random(5)), 40):
        assert memory_of(form, data) < MEMORY_BYTES


ROWS = text_of(scan_rows(15))


@pytest.mark.parametrize(
    "data",
    [
        ROWS.replace(b"\t1013", b"\t\r013"),
        b"\xff\xfe" + ROWS,
        b"".join(b"%d;%d,5\n" % (400 + i, i) for i in range(14)) * 2 + ROWS,
        b"\x01\x02\x03" * 40 + b"\n" + ROWS,
    ],
    ids=["lone return", "other byte order mark", "rows above in another dialect", "binary above"],
)
def test_what_fuzzing_found_in_the_text_reader(data: bytes) -> None:
    """Read in the light of the file before, each of these once passed for a whole scan."""
    with pytest.raises(InputFault):
        READERS["text"](data)


def test_what_fuzzing_found_in_the_parquet_reader() -> None:
    """An index beyond the names of the scans, in a file whose check sums nobody asks for."""
    whole = WHOLE["parquet"][1]
    for at in range(4, len(whole) // 4):
        survives("parquet", whole[:at] + b"\x01" + whole[at + 1 :])
