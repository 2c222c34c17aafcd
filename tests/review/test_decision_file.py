"""Decisions are added to the file and nothing that stands in it is lost."""

from __future__ import annotations

import csv
import io
import threading
from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.errors import InputFault
from leafledger.study.sheet_changes import (
    DecisionRequest,
    current_decisions,
    remove_rows,
    save,
    with_column,
)

SAMPLES = {f"s{k}" for k in range(40)}
WHEN = "2026-05-08T17:40:00"
DIGEST = "0123456789abcdef" * 4
BY_HAND = (
    "\ufeff# looked at with A. Grower, 8 May\r\n"
    "scan,action,reason,by,when,bench\r\n"
    's1,exclude,"clip open, light in",A. Grower,,A\r\n'
    "\r\n"
    "# s2 is pale but sound\r\n"
    "s2, keep ,pale but healthy,A. Grower,2026-05-08,B"
).encode()
WITH_DIGESTS = (
    BY_HAND.replace(b",bench\r", b",bench,scan_sha256\r").replace(b",,A\r", b",,A,\r") + b","
)


def asked(
    scan: str, action: str = "exclude", seen: dict[str, str] | None = None
) -> DecisionRequest:
    return DecisionRequest(scan, action, f"reason for {scan}", seen, DIGEST)


def test_a_first_decision_makes_the_file(tmp_path: Path) -> None:
    saved = save(tmp_path, SAMPLES, [asked("s3")], " B.  Keeper\n", WHEN)
    text = (tmp_path / "decisions.csv").read_text()
    heads = "scan,action,reason,by,when,scan_sha256"
    assert text == f"{heads}\ns3,exclude,reason for s3,B. Keeper,{WHEN},{DIGEST}\n"
    assert not saved.conflicts


def test_what_was_written_by_hand_stays_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    path.write_bytes(WITH_DIGESTS)
    path.chmod(0o640)
    save(
        tmp_path,
        SAMPLES,
        [DecisionRequest("s3", "exclude", 'two, "quoted"', None, DIGEST)],
        "B",
        WHEN,
    )
    data = path.read_bytes()
    assert data.startswith(WITH_DIGESTS)
    added = data[len(WITH_DIGESTS) :].decode()
    assert added == f'\r\ns3,exclude,"two, ""quoted""",B,{WHEN},,{DIGEST}\r\n'
    assert path.stat().st_mode & 0o777 == 0o640
    assert current_decisions(tmp_path, SAMPLES)["s2"].action == "keep"


def test_a_file_by_hand_gets_the_column_and_keeps_all_else(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    path.write_bytes(BY_HAND)
    save(tmp_path, SAMPLES, [asked("s3")], "B", WHEN)
    assert path.read_bytes().startswith(WITH_DIGESTS + b"\r\n")
    now = current_decisions(tmp_path, SAMPLES)
    assert {scan: decision.scan_sha256 for scan, decision in now.items()} == {
        "s1": "",
        "s2": "",
        "s3": DIGEST,
    }
    again = path.read_bytes()
    save(tmp_path, SAMPLES, [asked("s4")], "B", WHEN)
    assert path.read_bytes().startswith(again)


_CELLS = st.text(alphabet='ab ,"\n\r#é', max_size=6)


@given(
    rows=st.lists(st.lists(_CELLS, min_size=2, max_size=2), max_size=5),
    end=st.sampled_from(["\n", "\r\n"]),
)
def test_the_column_is_added_to_any_sheet(rows: list[list[str]], end: str) -> None:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator=end).writerows([["scan", "reason"], *rows])
    data = out.getvalue().encode()
    widened = with_column(data, "more").decode()

    def shown(text: str) -> list[list[str]]:
        cells = csv.reader(io.StringIO(text, newline=""), strict=True)
        told = (row for row in cells if any(cell.strip() for cell in row))
        return [row for row in told if not row[0].lstrip().startswith("#")]

    heading, *others = shown(data.decode())
    assert shown(widened) == [[*heading, "more"], *([*row, ""] for row in others)]


def test_two_reviewers_from_one_state_lose_nothing(tmp_path: Path) -> None:
    ended: list[int] = []

    def review(name: str, scans: list[str]) -> None:
        for scan in scans:
            ended.append(len(save(tmp_path, SAMPLES, [asked(scan)], name, WHEN).written))

    halves = [[f"s{k}" for k in range(start, 40, 4)] for start in range(4)]
    threads = [threading.Thread(target=review, args=(f"R{k}", h)) for k, h in enumerate(halves)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert ended == [1] * 40
    now = current_decisions(tmp_path, SAMPLES)
    assert {scan: d.by for scan, d in now.items()} == {f"s{k}": f"R{k % 4}" for k in range(40)}


def test_the_later_on_the_same_scan_is_asked_to_look_again(tmp_path: Path) -> None:
    first = save(tmp_path, SAMPLES, [asked("s1"), asked("s2")], "A", WHEN)
    later = save(tmp_path, SAMPLES, [asked("s1", "keep"), asked("s3")], "B", WHEN)
    assert [d.scan for d in later.written] == ["s3"]
    assert later.conflicts == {"s1": first.written[0]}
    again = save(tmp_path, SAMPLES, [asked("s1", "keep", seen=asdict(first.written[0]))], "B", WHEN)
    assert not again.conflicts
    rows = (tmp_path / "decisions.csv").read_text().splitlines()
    assert [row.split(",")[:2] for row in rows[1:]] == [
        ["s1", "exclude"],
        ["s2", "exclude"],
        ["s3", "exclude"],
        ["s1", "keep"],
    ]


@pytest.mark.parametrize(
    ("ask", "by", "column"),
    [
        (DecisionRequest("s1", "exclude", " \n", None), "A", "reason"),
        (DecisionRequest("s1", "exclude", "=1+1", None), "A", "reason"),
        (DecisionRequest("s1", "exclude", "# not a comment", None), "A", "reason"),
        (DecisionRequest("s1", "exclude", "x" * 501, None), "A", "reason"),
        (DecisionRequest("s1", "exclude", "bell \x07", None), "A", "reason"),
        (DecisionRequest("s1", "exclude", "ok", None, "12"), "A", "scan_sha256"),
        (DecisionRequest("s1", "exclude", "ok", None), "", "by"),
        (DecisionRequest("s1", "drop", "ok", None), "A", "action"),
        (DecisionRequest("white-1", "exclude", "ok", None), "A", "scan"),
    ],
)
def test_a_decision_that_cannot_be_defended_is_refused(
    tmp_path: Path, ask: DecisionRequest, by: str, column: str
) -> None:
    (tmp_path / "decisions.csv").write_bytes(BY_HAND)
    with pytest.raises(InputFault) as fault:
        save(tmp_path, SAMPLES, [ask], by, WHEN)
    assert [p.column for p in fault.value.problems] == [column]
    assert (tmp_path / "decisions.csv").read_bytes() == BY_HAND


def test_a_file_at_fault_is_not_added_to(tmp_path: Path) -> None:
    broken = b"scan,action,reason,by,when\ns1,exclude,,A,\n"
    (tmp_path / "decisions.csv").write_bytes(broken)
    with pytest.raises(InputFault):
        save(tmp_path, SAMPLES, [asked("s2")], "A", WHEN)
    assert (tmp_path / "decisions.csv").read_bytes() == broken


def test_a_save_is_taken_back_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    path.write_bytes(WITH_DIGESTS + b"\r\n")
    saved = save(tmp_path, SAMPLES, [asked("s3"), asked("s4")], "B", WHEN)
    with_both = path.read_bytes()
    remove_rows(tmp_path, saved.lines)
    assert path.read_bytes() == WITH_DIGESTS + b"\r\n"
    path.write_bytes(with_both.replace(b"reason for s4", b"mended by hand"))
    with pytest.raises(InputFault, match="changed since"):
        remove_rows(tmp_path, saved.lines)
    assert b"reason for s3" in path.read_bytes()
