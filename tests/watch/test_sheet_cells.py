"""Setting a cell changes that cell: every other byte of the sheet stays."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.study.sheet_changes import SheetCells, cell_text, change_sheet

CELL = st.text(alphabet='ab 1,"\n\r;é#=', max_size=6).map(lambda t: t.replace("\r", ""))


def written(rows: list[list[str]], end: str) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator=end).writerows([["scan", "file", "note"], *rows])
    return out.getvalue().encode()


def read(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(CELL, CELL), min_size=1, max_size=5), CELL, st.sampled_from(["\n", "\r\n"])
)
def test_a_cell_that_is_set_is_read_back_and_no_other_changes(
    cells: list[tuple[str, str]], text: str, end: str
) -> None:
    rows = [[f"s{k}", *pair] for k, pair in enumerate(cells)]
    sheet = SheetCells(written(rows, end))
    assert sheet.data() == written(rows, end)
    sheet.set("s0", "note", text)
    expected = [list(row) for row in rows]
    if rows[0][2].strip() != text:
        expected[0][2] = text
    assert read(sheet.data())[1:] == expected
    after = written(rows[1:], end).partition(end.encode())[2]
    assert sheet.data().endswith(after)


def test_comments_marks_and_odd_quotes_stay() -> None:
    data = b'\xef\xbb\xbf# "by hand\r\n"scan",file , note\r\n\r\n"a" , x"y,"1""2"\r\nb,,\r\n# end'
    sheet = SheetCells(data)
    assert sheet.data() == data
    sheet.set("b", "note", "x, y")
    assert sheet.data() == data.replace(b"b,,\r\n", b'b,,"x, y"\r\n')
    assert sheet.get("a", "note") == '1"2'


def test_a_new_column_is_added_once_it_is_needed() -> None:
    sheet = SheetCells(b"scan,file\na,1\nb,2\n")
    sheet.set("a", "omitted", "")
    assert sheet.data() == b"scan,file\na,1\nb,2\n"
    sheet.set("b", "omitted", "not measured: rain")
    assert sheet.data() == b"scan,file,omitted\na,1,\nb,2,not measured: rain\n"


@pytest.mark.parametrize("end", [b"", b"\n"])
def test_rows_are_inserted_and_removed(end: bytes) -> None:
    data = b"scan,file\na,1\nb,2" + end
    sheet = SheetCells(data)
    sheet.insert_after("b", {"scan": "c", "file": "3"})
    sheet.insert_before("b", {"scan": "a2", "file": "1b"})
    assert sheet.data() == b"scan,file\na,1\na2,1b\nb,2\nc,3" + end
    sheet.remove("a2")
    sheet.remove("c")
    assert sheet.data().rstrip(b"\n") == data.rstrip(b"\n")
    with pytest.raises(KeyError):
        sheet.set("z", "file", "x")


def test_the_sheet_on_disk_is_whole_or_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "scans.csv"
    path.write_bytes(b"scan,file\na,1\n")
    path.chmod(0o640)
    change_sheet(tmp_path, "scans.csv", lambda sheet: sheet.set("a", "file", "2"))
    assert path.read_bytes() == b"scan,file\na,2\n"
    assert path.stat().st_mode & 0o777 == 0o640
    with pytest.raises(InputFault, match="no row of scan b any more"):
        change_sheet(tmp_path, "scans.csv", lambda sheet: sheet.set("b", "file", "2"))
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "study").mkdir()
    (tmp_path / "study/scans.csv").symlink_to(path)
    with pytest.raises(InputFault, match="leaves the study"):
        change_sheet(tmp_path / "study", "scans.csv", lambda sheet: sheet.set("a", "file", "3"))
    assert path.read_bytes() == b"scan,file\na,2\n"


@pytest.mark.parametrize("text", ["=1+1", "# no", "x" * 501, "a\x07b"])
def test_words_that_a_sheet_would_take_otherwise_are_refused(text: str) -> None:
    with pytest.raises(InputFault):
        cell_text(text, "note")
