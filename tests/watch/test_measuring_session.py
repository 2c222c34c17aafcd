"""A session at the bench: files become steps, bad input gets a word, nothing is lost."""

from __future__ import annotations

import datetime as dt
import errno
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from interruptible import heed_interrupts
from leafledger.cli.plan_commands import line_of
from leafledger.errors import InputFault
from leafledger.watch import session_steps
from leafledger.watch.watch_page import Watch, page_state

from .conftest import Bench


def test_a_fault_is_said_and_the_repeat_supersedes_it(bench: Bench, leaves: list[str]) -> None:
    watch = bench.watch()
    before = (bench.study / "scans.csv").read_text().splitlines()
    instrument = bench.instrument(faults={leaves[1]: "room_light"}, halves=[leaves[0]])
    bench.measure(watch, instrument, 7)
    state = page_state(watch)
    assert state["last"]["scan"] == leaves[1]
    assert (state["last"]["grade"], state["last"]["reason"]) == ("fault", "room light in the clip")
    assert bench.said[-1].bell and "MEASURE AGAIN: room light in the clip" in bench.said[-1].text
    watch.again()
    assert page_state(watch)["next"]["repeats"] == leaves[1]
    bench.measure(watch, instrument, 1)
    rows = bench.rows()
    new = f"{leaves[1]}-r2"
    assert rows[leaves[1]]["omitted"] == f"superseded by {new}: room light in the clip"
    assert rows[leaves[1]]["file"] == "raw/day0/scan00007.txt"
    assert rows[new]["file"] == "raw/day0/scan00008.txt"
    assert (rows[new]["unit"], rows[new]["leaf"], rows[new]["omitted"]) == ("p00", "2", "")
    assert page_state(watch)["last"]["grade"] == "good"
    assert list(rows).index(new) == list(rows).index(leaves[1]) + 1
    after = (bench.study / "scans.csv").read_text().splitlines()
    assert [line for line in before if line not in after] == before[2:9]  # seven rows, no other


def test_it_goes_on_after_kill_where_the_sheet_is(bench: Bench, leaves: list[str]) -> None:
    watch = bench.watch()
    instrument = bench.instrument(faults={leaves[0]: "no_leaf"})
    bench.measure(watch, instrument, 6)
    watch.again(reason="panel in the clip")
    watch._held.close()  # as the kernel does when the process dies: the owner stays written
    path = instrument.save_next()  # while no watch is at work
    assert path is not None
    other = bench.watch()
    assert "Took over from a watch that ended without closing" in bench.words()
    bench.settle(other)
    assert bench.rows()[f"{leaves[0]}-r2"]["file"] == f"raw/day0/{path.name}"
    assert page_state(other)["tally"]["done"] == 7
    other.undo()  # of an action that this watch did not see
    rows = bench.rows()
    assert rows[f"{leaves[0]}-r2"]["time"] == ""
    taken_back = [row for row in rows.values() if row["omitted"].startswith("taken back")]
    assert [row["file"] for row in taken_back] == [f"raw/day0/{path.name}"]
    bench.settle(other)  # the file is no new one
    assert page_state(other)["next"]["scan"] == f"{leaves[0]}-r2"
    other.undo()
    assert bench.rows()[leaves[0]]["omitted"] == ""


def test_skip_note_and_undo_are_written_and_taken_back(bench: Bench) -> None:
    watch = bench.watch()
    bench.measure(watch, bench.instrument(), 1)
    first, second = list(bench.rows())[:2]
    whole = (bench.study / "scans.csv").read_bytes()
    watch.note("clip cleaned, twice")
    assert bench.rows()[first]["note"] == "clip cleaned, twice"
    watch.skip("no time")
    assert bench.rows()[second]["omitted"] == "not measured: no time"
    watch.undo()
    watch.undo()
    assert (bench.study / "scans.csv").read_bytes() == whole
    with pytest.raises(InputFault, match="no reason"):
        watch.skip(" ")
    with pytest.raises(InputFault, match="letter or digit"):
        watch.note("=1+1")


def test_a_file_that_is_no_step_waits_for_a_person(bench: Bench, leaves: list[str]) -> None:
    (bench.study / "raw/day0/old.txt").write_bytes(bench.finished.sound(leaves[-1]))
    watch = bench.watch()
    bench.settle(watch)
    assert "was here before the watch began" in bench.words()
    named = bench.instrument(numbered=False)
    bench.measure(watch, named, 2)
    (bench.study / "raw/day0/test.txt").write_bytes(bench.finished.sound(leaves[2]))
    bench.settle(watch)
    assert "a name that no step plans (next is day0-r1-wa.txt)" in bench.words()
    step = bench.instrument().order().step(leaves[1])
    named.save(step)  # out of order, by its name
    bench.settle(watch)
    assert "(out of order)" in bench.said[-1].text
    assert bench.rows()[leaves[1]]["file"] == f"raw/day0/{leaves[1]}.txt"
    watch.take("raw/day0/test.txt")
    assert bench.rows()["day0-r1-wa"]["file"] == "raw/day0/test.txt"


def test_all_steps_done_and_the_same_bytes_twice(bench: Bench) -> None:
    watch = bench.watch()
    instrument = bench.instrument()
    n = len(bench.rows())
    bench.measure(watch, instrument, n)
    assert bench.words().count("All steps of session day0 are done.") == 1
    state = page_state(watch)
    assert state["next"] is None and state["tally"]["good"] == n
    assert all(not watch._verdict(s).not_judged_yet for s in watch.order.measured)
    twin = bench.study / "raw/day0/scan00001 copy.txt"
    twin.write_bytes((bench.study / "raw/day0/scan00001.txt").read_bytes())
    bench.settle(watch)
    assert "the same bytes as raw/day0/scan00001.txt (day0-r1-d12)" in bench.said[-1].text
    twin.write_bytes(twin.read_bytes().replace(b"Value", b"Counts"))
    bench.settle(watch)
    assert "all steps of this session are done" in bench.said[-1].text
    assert len(bench.rows()) == n


def test_changed_grown_and_vanished_files(bench: Bench, leaves: list[str]) -> None:
    watch = bench.watch()
    instrument = bench.instrument()
    bench.measure(watch, instrument, 6)
    path = bench.study / "raw/day0/scan00006.txt"
    path.write_bytes(bench.finished.with_fault(leaves[0], "no_leaf"))
    bench.settle(watch)
    assert f"scan00006.txt changed after it was judged ({leaves[0]}): it is judged anew" in (
        bench.words()
    )
    assert page_state(watch)["last"]["grade"] == "fault"
    path.write_bytes(path.read_bytes() + bench.finished.sound(leaves[1]))
    bench.settle(watch, 0.3)
    assert "writes all scans into one file" in bench.words()
    path.unlink()
    bench.settle(watch)
    assert "scan00006.txt has gone: it was" in bench.said[-1].text or "has gone" in bench.words()
    assert page_state(watch)["next"]["scan"] == leaves[1]  # no other file may take its place
    assert bench.rows()[leaves[0]]["file"] == "raw/day0/scan00006.txt"


def test_a_file_saved_anew_is_dated_anew_and_its_verdict_is_said(
    bench: Bench, leaves: list[str]
) -> None:
    watch = bench.watch()
    bench.measure(watch, bench.instrument(), 6)
    first = bench.rows()[leaves[0]]["time"]
    path = bench.study / "raw/day0/scan00006.txt"
    path.write_bytes(bench.finished.sound(leaves[1]))  # as good as the one before
    later = dt.datetime.fromisoformat(first) + dt.timedelta(minutes=2)
    os.utime(path, (later.timestamp(), later.timestamp()))
    bench.settle(watch)
    assert bench.rows()[leaves[0]]["time"] == later.isoformat(timespec="milliseconds")
    assert bench.said[-1].text.startswith(f"Judged anew: {leaves[0]} (plant p00 · leaf 1): good")
    path.write_bytes(path.read_bytes() + b"\n")  # other bytes, the same values
    bench.settle(watch)
    assert bench.rows()[leaves[0]]["time"] == later.isoformat(timespec="milliseconds")


def test_a_file_that_went_while_no_watch_was_at_work_is_said(
    bench: Bench, leaves: list[str]
) -> None:
    watch = bench.watch()
    bench.measure(watch, bench.instrument(), 6)
    watch.close()
    (bench.study / "raw/day0/scan00006.txt").unlink()
    bench.said.clear()
    bench.watch()
    told = [m for m in bench.said if f"scan00006.txt has gone: it was {leaves[0]}." in m.text]
    assert len(told) == 1 and told[0].bell and told[0].kind == "fault"


@pytest.mark.parametrize("numbered", [True, False])
def test_rows_under_an_older_copy_are_put_back_before_a_file_is_taken(
    bench: Bench, leaves: list[str], numbered: bool
) -> None:
    watch = bench.watch()
    instrument = bench.instrument(numbered=numbered)
    bench.measure(watch, instrument, 6)
    sheet = bench.study / "scans.csv"
    older = sheet.read_text()
    bench.measure(watch, instrument, 2)
    watch.note("clip cleaned")
    before = bench.rows()
    third = next(line for line in older.splitlines() if line.startswith(f"{leaves[3]},"))
    sheet.write_text(older.replace(third, third[:-1] + "small leaf,"))  # saved by a spreadsheet
    bench.said.clear()
    bench.settle(watch)
    names = ["scan00007", "scan00008"] if numbered else list(before)[6:8]
    scans = list(before)[6:8]
    words = (
        f"Steps 7 and 8: {scans[0]} from {names[0]}.txt, {scans[1]} from {names[1]}.txt are no "
        "longer in scans.csv: an older copy was saved over it. Put back by the watch."
    )
    assert bench.words().startswith(words) and bench.said[0].bell
    rows = bench.rows()
    assert rows[leaves[3]]["note"] == "small leaf"
    assert {k: v for k, v in rows.items() if k != leaves[3]} == {
        k: v for k, v in before.items() if k != leaves[3]
    }
    instrument.save_next()
    bench.settle(watch)
    assert page_state(watch)["tally"]["done"] == 9
    assert bench.rows()[scans[0]] == before[scans[0]]


def test_rows_gone_are_put_back_or_no_file_is_taken(
    bench: Bench, leaves: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = bench.watch()
    instrument = bench.instrument(faults={leaves[0]: "no_leaf"})
    bench.measure(watch, instrument, 6)
    sheet = bench.study / "scans.csv"
    older = sheet.read_bytes()
    watch.again(reason="clip slipped")
    bench.measure(watch, instrument, 1)
    whole = bench.rows()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    sheet.write_bytes(older)
    with monkeypatch.context() as patch:
        patch.setattr(session_steps, "change_sheet", full)
        instrument.save_next()
        bench.settle(watch, 0.4)
        words = f"Step 7: {leaves[0]}-r2 from scan00007.txt is no longer in scans.csv"
        assert bench.words().count(words) == 1 and "no file is taken until" in bench.words()
        assert sheet.read_bytes() == older
    bench.settle(watch)
    rows = bench.rows()
    assert list(rows) == list(whole)
    assert {k: rows[k] for k in (leaves[0], f"{leaves[0]}-r2")} == {
        k: whole[k] for k in (leaves[0], f"{leaves[0]}-r2")
    }
    assert rows[leaves[1]]["file"] == "raw/day0/scan00008.txt"


def test_a_row_that_a_person_corrects_is_not_put_back(bench: Bench, leaves: list[str]) -> None:
    watch = bench.watch()
    bench.measure(watch, bench.instrument(), 6)
    raw, sheet = bench.study / "raw/day0", bench.study / "scans.csv"
    (raw / "scan00006.txt").rename(raw / "first leaf.txt")
    sheet.write_text(sheet.read_text().replace("scan00006.txt", "first leaf.txt"))
    bench.settle(watch)
    assert bench.rows()[leaves[0]]["file"] == "raw/day0/first leaf.txt"
    assert "older copy" not in bench.words()
    watch.skip("leaf fell")
    sheet.write_text(sheet.read_text().replace("not measured: leaf fell", ""))
    bench.settle(watch)
    assert "takes part again: column omitted was emptied" in bench.said[-1].text


def test_half_written_hidden_and_linked_files_are_no_scans(
    bench: Bench, leaves: list[str], tmp_path: Path
) -> None:
    watch = bench.watch()
    raw = bench.study / "raw/day0"
    data = bench.finished.sound("day0-r1-d12")
    bench.measure(watch, bench.instrument(), 1)
    second = bench.finished.sound("day0-r1-d18")
    (raw / "b.txt").write_bytes(second[: len(second) // 2])
    (raw / ".c.txt").write_bytes(data)
    (raw / "d.txt.part").write_bytes(data)
    (raw / "empty.txt").touch()
    outside = tmp_path / "outside.txt"
    outside.write_bytes(second)
    (raw / "link.txt").symlink_to(outside)
    bench.settle(watch, 0.4)
    assert page_state(watch)["tally"]["done"] == 1
    assert 'link.txt" is not taken: a path that leaves the study folder' in bench.words()
    with (raw / "b.txt").open("ab") as file:
        file.write(second[len(second) // 2 :])
    bench.settle(watch, 0.5)
    assert bench.rows()["day0-r1-d18"]["file"] == "raw/day0/b.txt"
    assert page_state(watch)["tally"]["done"] == 2


def test_a_name_that_no_cell_keeps_is_left_aside(bench: Bench) -> None:
    watch = bench.watch()
    raw = bench.study / "raw/day0"
    for name in ("IMG9.txt ", " IMG8.txt", "a\nx NOT A LINE.txt", "b\x1b[31m.txt"):
        (raw / name).write_bytes(bench.finished.sound("day0-r1-d12"))
    before = (bench.study / "scans.csv").read_bytes()
    bench.settle(watch, 0.4)
    assert bench.words().count("its name begins or ends with a blank. Save the scan") == 2
    assert bench.words().count("its name has a control character. Save the scan") == 2
    assert (bench.study / "scans.csv").read_bytes() == before
    lines = [line_of(message) for message in bench.said]
    assert all("\n" not in line and "\x1b" not in line for line in lines)
    bench.measure(watch, bench.instrument(), 1)
    assert page_state(watch)["tally"]["done"] == 1


def test_a_clock_set_back_is_said(bench: Bench) -> None:
    watch = bench.watch()
    instrument = bench.instrument()
    bench.measure(watch, instrument, 1)
    path = instrument.save_next()
    assert path is not None
    past = time.time() - 3600
    os.utime(path, (past, past))
    bench.settle(watch)
    assert "is dated 60 min before day0-r1-d12" in bench.words()
    assert page_state(watch)["tally"]["done"] == 2


def test_one_watch_at_a_time(bench: Bench) -> None:
    watch = bench.watch()
    with pytest.raises(InputFault, match=f"at work .process {os.getpid()}, machine "):
        bench.watch()
    watch.close()
    assert page_state(bench.watch())["tally"]["done"] == 0
    assert "Took over" not in bench.words()


def test_a_full_disk_loses_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    watch = bench.watch()
    instrument = bench.instrument()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(session_steps, "change_sheet", full)
    monkeypatch.setattr("leafledger.watch.measuring_session._PATIENCE_S", 0.05)
    instrument.save_next()
    bench.settle(watch, 0.4)
    assert "scan00001.txt waits: the disk is full, and scans.csv stays as it was" in bench.words()
    monkeypatch.undo()
    bench.settle(watch)
    assert bench.rows()["day0-r1-d12"]["file"] == "raw/day0/scan00001.txt"


def test_a_workbook_as_sheet_is_refused_with_the_mend(bench: Bench) -> None:
    (bench.study / "scans.csv").rename(bench.study / "scans.xlsx")
    text = (bench.study / "study.yaml").read_text().replace("scans.csv", "scans.xlsx")
    (bench.study / "study.yaml").write_text(text)
    with pytest.raises(InputFault, match="found a workbook; expected a scan sheet"):
        bench.watch()
    with pytest.raises(InputFault, match='session "day4"'):
        session_steps.study_to_measure(bench.study, "day4")


def test_names_by_a_pattern_are_judged_and_nothing_is_written(
    bench: Bench, leaves: list[str]
) -> None:
    (bench.study / "scans.csv").unlink()
    patterns = (
        "intake:\n  pattern:\n"
        "    - {pattern: 'raw/{session}/white{}.txt', role: white}\n"
        "    - {pattern: 'raw/{session}/dark{}.txt', role: dark}\n"
        "    - {pattern: 'raw/{session}/{unit}_{leaf}.txt'}\n"
    )
    text = (bench.study / "study.yaml").read_text()
    (bench.study / "study.yaml").write_text(text.replace("intake: {sheet: scans.csv}\n", patterns))
    watch = bench.watch()
    named = {
        "dark1": bench.finished.sound("day0-r1-d18"),
        "white1": bench.finished.sound("day0-r1-wa"),
        "p00_1": bench.finished.sound(leaves[0]),
        "p00_2": bench.finished.with_fault(leaves[1], "too_dark"),
        "odd": bench.finished.sound(leaves[2]),
    }
    for name, data in named.items():
        (bench.study / f"raw/day0/{name}.txt").write_bytes(data)
        bench.settle(watch)
    assert "(plant p00 · leaf 1) from p00_1.txt: good." in bench.words()
    assert "(plant p00 · leaf 2) from p00_2.txt: MEASURE AGAIN" in bench.words()
    assert "odd.txt is not taken: a name that intake.pattern does not fit" in bench.words()
    assert "All steps" not in bench.words()
    with pytest.raises(InputFault, match=r"intake\.pattern"):
        watch.again()
    assert not (bench.study / "scans.csv").exists()


def test_rows_of_one_growing_table_become_steps(bench: Bench, leaves: list[str]) -> None:
    text = (bench.study / "study.yaml").read_text()
    form = "intake: {sheet: scans.csv, forms: {default: {form: wide_table, scan_column: label}}}"
    (bench.study / "study.yaml").write_text(text.replace("intake: {sheet: scans.csv}", form))
    watch = bench.watch()
    axis, values = bench.finished.wavelength_nm, bench.finished.values
    path = bench.study / "raw/day0/day.csv"
    heading = ",".join(["label", *(f"{w:g}" for w in axis)]) + "\n"
    rows = list(bench.rows())[:3]
    for k in range(1, 4):
        lines = [",".join([f"n{j}", *(f"{v:g}" for v in values[rows[j]])]) for j in range(k)]
        path.write_text(heading + "\n".join(lines) + "\n")
        bench.settle(watch)
        assert page_state(watch)["tally"]["done"] == k, bench.words()
    assert [(r["file"], r["item"]) for r in list(bench.rows().values())[:3]] == [
        ("raw/day0/day.csv", f"n{k}") for k in range(3)
    ]
    assert "changed after it was judged" not in bench.words()


@pytest.mark.slow
def test_the_command_is_killed_and_begun_again(bench: Bench) -> None:
    command = [sys.executable, "-m", "leafledger.cli", "watch", str(bench.study), "day0"]
    instrument = bench.instrument(numbered=True)

    def begun() -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [*command, "--no-browser"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            preexec_fn=heed_interrupts,
        )
        assert process.stdout is not None
        while "Next: " not in (line := process.stdout.readline()):
            assert line, process.wait()
        return process

    def until(n: int) -> None:
        for _ in range(300):
            if sum(bool(row["time"]) for row in bench.rows().values()) == n:
                return
            time.sleep(0.1)
        raise AssertionError(bench.rows())

    first = begun()
    for n in (1, 2):
        instrument.save_next()
        until(n)
    first.kill()
    first.communicate()
    second = begun()
    instrument.save_next()
    until(3)
    second.send_signal(signal.SIGINT)
    out, _ = second.communicate(timeout=60)
    assert second.returncode == 0 and "Traceback" not in out
    assert "3/" in out and "The watch has ended" in out
    following = next(row["scan"] for row in bench.rows().values() if not row["time"])
    assert f"{following} is next: leafledger watch {bench.study} day0 goes on there." in out


def test_an_older_copy_saved_between_two_watches_is_noticed(bench: Bench) -> None:
    watch = bench.watch()
    instrument = bench.instrument()
    bench.measure(watch, instrument, 5)
    sheet = bench.study / "scans.csv"
    older = sheet.read_bytes()
    bench.measure(watch, instrument, 2)
    watch.note("small leaf", list(bench.rows())[6])
    whole = sheet.read_bytes()
    watch.close()
    sheet.write_bytes(older)
    bench.said.clear()
    again = bench.watch()
    first = bench.said[0]
    assert first.kind == "fault" and first.bell
    assert "an older copy was saved over it. Put back by the watch." in first.text
    assert first.text.startswith("Steps 6 and 7: ")
    assert sheet.read_bytes() == whole
    assert page_state(again)["tally"]["done"] == 7
    # Said once: the next watch finds what it expects.
    again.close()
    bench.said.clear()
    bench.watch()
    assert "older copy" not in bench.words()


def test_a_study_begun_anew_between_two_watches_is_no_older_copy(bench: Bench) -> None:
    sheet = bench.study / "scans.csv"
    planned = sheet.read_bytes()
    watch = bench.watch()
    bench.measure(watch, bench.instrument(numbered=False), 3)
    watch.close()
    # A person throws the session away, files and rows, and begins anew.
    for path in (bench.study / "raw/day0").iterdir():
        path.unlink()
    sheet.write_bytes(planned)
    bench.said.clear()
    again = bench.watch()
    assert "older copy" not in bench.words()
    assert page_state(again)["tally"]["done"] == 0
    assert sheet.read_bytes() == planned


def test_a_copy_that_cannot_be_read_changes_nothing(bench: Bench) -> None:
    watch = bench.watch()
    bench.measure(watch, bench.instrument(), 3)
    watch.close()
    whole = (bench.study / "scans.csv").read_bytes()
    (bench.study / "ledger/watch.day0.csv").write_bytes(b"no sheet")
    again = bench.watch()
    assert page_state(again)["tally"]["done"] == 3
    assert (bench.study / "scans.csv").read_bytes() == whole
    assert (bench.study / "ledger/watch.day0.csv").read_bytes() == whole


def test_a_full_disk_is_said_at_once_and_nothing_is_lost(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = bench.watch()
    instrument = bench.instrument()
    bench.measure(watch, instrument, 2)
    sheet = bench.study / "scans.csv"
    before = sheet.read_bytes()

    def full(path: Path, _data: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(path))

    with monkeypatch.context() as patch:
        patch.setattr("leafledger.study.sheet_changes.write_bytes", full)
        bench.said.clear()
        assert instrument.save_next() is not None
        bench.settle(watch, 0.5)
        told = [message for message in bench.said if "the disk is full" in message.text]
        assert len(told) == 1 and told[0].kind == "fault" and told[0].bell
        assert sheet.read_bytes() == before
    # Space is there again: the file that waited becomes its step.
    bench.settle(watch)
    assert page_state(watch)["tally"]["done"] == 3


def test_polling_finds_files_where_the_file_system_is_silent(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(*_: object, **__: object) -> object:
        raise AssertionError("the file system was asked for notices")

    monkeypatch.setattr("watchfiles.watch", silent)
    watch, instrument = bench.watch(), bench.instrument()
    at_work = Watch(watch, polling=True, say=lambda _words: None)
    at_work.start()
    try:
        for n in range(1, 4):
            assert instrument.save_next() is not None
            until = time.monotonic() + 60
            while page_state(watch)["tally"]["done"] < n:
                assert time.monotonic() < until
                time.sleep(0.05)
    finally:
        at_work.stop()
    assert at_work.failure is None


def test_a_share_without_notices_is_found_out_and_polled(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deaf(*_: object, stop_event: threading.Event, **__: object) -> object:
        stop_event.wait()
        return iter(())

    monkeypatch.setattr("watchfiles.watch", deaf)
    monkeypatch.setattr("leafledger.watch.saved_files._NOTICE_S", 0.2)
    monkeypatch.setattr("leafledger.watch.saved_files.IDLE_S", 0.2)
    said: list[str] = []
    watch = bench.watch()
    at_work = Watch(watch, polling=False, say=said.append)
    at_work.start()
    try:
        assert bench.instrument().save_next() is not None
        until = time.monotonic() + 30
        while not said or page_state(watch)["tally"]["done"] < 1:
            assert time.monotonic() < until
            time.sleep(0.05)
    finally:
        at_work.stop()
    assert "Files appear here without notice, as on a network share" in said[0]
