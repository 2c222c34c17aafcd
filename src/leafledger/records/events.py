"""What happened in a run and is not content: times, memory, outcomes, messages.

Events and run files are written without MLflow; the tracking store is made from them and can be
made again.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from leafledger.study.tables import read_json, write_json

RUN_VARIABLE = "LEAFLEDGER_RUN"
EVENTS = "ledger/events"
RUNS = "ledger/runs"
HISTORY = "ledger/history"
ENDED_WELL = frozenset({"done", "restored"})

Event = dict[str, Any]
Run = dict[str, Any]


def now() -> str:
    """Return local wall clock time, ISO 8601, to the millisecond."""
    return dt.datetime.now().isoformat(timespec="milliseconds")


def new_run_id() -> str:
    """Return an id for a run: its time and four random digits."""
    return f"{dt.datetime.now():%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


def progress_file(folder: Path, run: str) -> Path:
    """Return the path of the lines that tell a watcher how far a run has come."""
    return folder / EVENTS / run / "progress.jsonl"


def tell(folder: Path, run: str, **what: Any) -> None:
    """Append one line to the progress of a run; a single write, so lines never mix."""
    path = progress_file(folder, run)
    path.parent.mkdir(parents=True, exist_ok=True)
    line = json.dumps(what, ensure_ascii=False, sort_keys=True) + "\n"
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    try:
        os.write(handle, line.encode("utf-8"))
    finally:
        os.close(handle)


def told(folder: Path, run: str, start: int = 0) -> tuple[list[Event], int]:
    """Return the progress lines from byte ``start`` on, and where to go on reading."""
    try:
        with progress_file(folder, run).open("rb") as file:
            file.seek(start)
            data = file.read()
    except OSError:
        return [], start
    whole = data[: data.rfind(b"\n") + 1]
    return [json.loads(line) for line in whole.splitlines()], start + len(whole)


def write_event(folder: Path, run: str, name: str, event: Event) -> None:
    """Write the event of one task."""
    write_json(folder / EVENTS / run / f"{name}.json", event)


def events_of(folder: Path, run: str) -> list[Event]:
    """Return the events of a run's tasks, in the order of their start."""
    found = [read_json(path) for path in sorted((folder / EVENTS / run).glob("*.json"))]
    return sorted(found, key=lambda event: (event["started"], event["task"]))


def write_run(folder: Path, run: Run) -> None:
    """Write what is known of a run."""
    write_json(folder / RUNS / f"{run['run']}.json", run)


def runs(folder: Path) -> Iterator[Run]:
    """Yield the runs of a study in the order of their start."""
    found = [read_json(path) for path in (folder / RUNS).glob("*.json")]
    yield from sorted(found, key=lambda run: (run["started"], run["run"]))
