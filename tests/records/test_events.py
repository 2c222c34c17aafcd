"""What is told of a run while it goes on."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from leafledger.records import events

ZONES = ("Pacific/Kiritimati", "UTC", "America/Los_Angeles")
"""From UTC+14 westwards to UTC-8."""


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    yield monkeypatch
    monkeypatch.undo()
    time.tzset()


def test_ids_and_times_keep_their_order_across_time_zones(zone: pytest.MonkeyPatch) -> None:
    ids, times = [], []
    for name in ZONES:
        zone.setenv("TZ", name)
        time.tzset()
        ids.append(events.new_run_id()[: len("20260504-1512")])
        times.append(events.now())
    in_utc = time.strftime("%Y%m%d-%H%M", time.gmtime())
    assert max(ids) == in_utc
    assert min(ids) >= time.strftime("%Y%m%d-%H%M", time.gmtime(time.time() - 90))
    assert times != sorted(times), "written as the clock on the wall shows them"
    moments = [events.moment(text) for text in times]
    assert moments == sorted(moments)
    assert moments[-1] - moments[0] < 90
    zone.setenv("TZ", ZONES[0])
    time.tzset()
    assert [events.moment(text) for text in times] == moments, "read alike in any zone"


def test_events_and_runs_are_in_order_across_time_zones(tmp_path: Path) -> None:
    first, second = "2026-05-05T01:00:00.000+14:00", "2026-05-04T12:00:00.000+00:00"
    event = {
        "task": "b",
        **dict.fromkeys(("rule", "outcome", "message", "log"), "x"),
        "seconds": 1.0,
        "peak_bytes": 1,
    }
    for name, started in (("b", first), ("a", second), ("c", "no time")):
        told = {**event, "task": name, "started": started}
        events.write_event(tmp_path, "r1", name, told)
    assert [e["task"] for e in events.events_of(tmp_path, "r1")] == ["b", "a", "c"]
    runs = [{"run": n, "started": s, "previous": None} for n, s in (("a", second), ("b", first))]
    assert [run["run"] for run in events.in_order(runs)] == ["b", "a"]


def test_a_line_that_a_full_disk_cut_off_does_not_stop_the_watcher(tmp_path: Path) -> None:
    events.append_progress(tmp_path, "r1", task="intake", state="started")
    with events.progress_file(tmp_path, "r1").open("ab") as file:
        file.write(b'{"state": "do')
    lines, place = events.read_progress(tmp_path, "r1")
    assert [line["task"] for line in lines] == ["intake"]
    events.append_progress(
        tmp_path, "r1", task="effects", state="started"
    )  # ends up in the line cut off
    events.append_progress(tmp_path, "r1", task="effects", state="done")
    lines, _ = events.read_progress(tmp_path, "r1", place)
    assert lines == [{"task": "effects", "state": "done"}]
