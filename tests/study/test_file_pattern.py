"""Files beside the raw scans that no file name pattern fits are told, not passed over."""

from pathlib import Path

import pytest

from leafledger.study.definition import Pattern
from leafledger.study.table_sheet import without_pattern


def put(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("400 1", encoding="utf-8")


PATTERNS = [
    Pattern(pattern="raw/{session}/{unit}_{leaf}.txt"),
    Pattern(pattern="raw/{session}/white_{}.dat", role="white"),
]


def test_nothing_is_said_where_every_file_fits(tmp_path: Path) -> None:
    put(tmp_path, "raw/day0/p1_1.txt", "raw/day0/white_1.dat", "study.yaml", "notes/a.txt")
    put(tmp_path, "raw/day0/.hidden")
    assert without_pattern(tmp_path, PATTERNS) is None


def test_files_that_fit_none_are_counted_and_named(tmp_path: Path) -> None:
    put(tmp_path, "raw/day0/p1_1.txt", "raw/day0/p2-1.txt")
    assert without_pattern(tmp_path, PATTERNS) == (
        '1 file fits no `intake.pattern` and will not be read: "raw/day0/p2-1.txt"'
    )
    put(tmp_path, *(f"raw/day0/p{i}.TXT" for i in range(7)))
    told = without_pattern(tmp_path, PATTERNS)
    assert told is not None
    assert told.startswith("8 files fit no `intake.pattern`")
    assert told.endswith("and 3 more")


@pytest.mark.parametrize("name", ["raw/day0/p1\x1b[31m.txt", "raw/day0/p1\n.txt"])
def test_names_are_shown_without_control_characters(tmp_path: Path, name: str) -> None:
    put(tmp_path, name)
    told = without_pattern(tmp_path, PATTERNS)
    assert told is not None
    assert told.isprintable()


def test_the_study_folder_itself_is_not_searched(tmp_path: Path) -> None:
    put(tmp_path, "p1.txt", "study.yaml", "units.csv")
    assert without_pattern(tmp_path, [Pattern(pattern="{unit}.txt")]) is None
