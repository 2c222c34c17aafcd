"""What is told of a run while it goes on."""

from __future__ import annotations

from pathlib import Path

from leafledger.records import events


def test_a_line_that_a_full_disk_cut_off_does_not_stop_the_watcher(tmp_path: Path) -> None:
    events.tell(tmp_path, "r1", task="intake", state="started")
    with events.progress_file(tmp_path, "r1").open("ab") as file:
        file.write(b'{"state": "do')
    lines, place = events.told(tmp_path, "r1")
    assert [line["task"] for line in lines] == ["intake"]
    events.tell(tmp_path, "r1", task="effects", state="started")  # ends up in the line cut off
    events.tell(tmp_path, "r1", task="effects", state="done")
    lines, _ = events.told(tmp_path, "r1", place)
    assert lines == [{"task": "effects", "state": "done"}]
