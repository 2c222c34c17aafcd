"""What happened in a run and is not content: times, memory, outcomes, messages.

Events and run files are written without MLflow; the tracking store is made from them and can be
made again.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import secrets
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from leafledger.records.digests import sha256_of_file, sha256_of_value
from leafledger.study.table_files import (
    is_plain_name,
    leaves_the_study,
    not_through_a_link,
    write_json,
    write_text,
)

RUN_VARIABLE = "LEAFLEDGER_RUN"
EVENTS = "ledger/events"
RUNS = "ledger/runs"
HISTORY = "ledger/history"
ENDED_WELL = frozenset({"done", "restored"})

Event = dict[str, Any]
Run = dict[str, Any]


def now() -> str:
    """Return local wall clock time with its offset from UTC, ISO 8601, to the millisecond."""
    return dt.datetime.now().astimezone().isoformat(timespec="milliseconds")


def moment(text: str) -> float:
    """Return a time of the book in seconds since 1970, wherever it was written.

    Earlier versions wrote no offset: such a time is taken for one of this machine's zone. Text
    that is no time comes last.

    Examples
    --------
    >>> moment("2026-05-04T17:12:00.000+02:00") == moment("2026-05-04T15:12:00.000+00:00")
    True
    """
    try:
        return dt.datetime.fromisoformat(text).timestamp()
    except (ValueError, OverflowError):
        return float("inf")


def new_run_id() -> str:
    """Return an id for a run: its time in UTC and four random digits.

    Ids sort in the order of the runs, wherever the study travels.
    """
    return f"{dt.datetime.now(dt.UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


def progress_file(folder: Path, run: str, part: str | None = None) -> Path:
    """Return the path of the lines that tell a watcher how far a run has come.

    Parameters
    ----------
    folder, run
        The study folder and the run.
    part
        Name of a task on another machine, which has a file of its own: of several machines that
        append to one file of a network file system, one may write over the other.
    """
    name = "progress.jsonl" if part is None else f"progress.{part}.jsonl"
    return folder / EVENTS / run / name


def append_progress(folder: Path, run: str, part: str | None = None, **what: Any) -> None:
    """Append one line to the progress of a run; a single write, so lines never mix.

    The parameters are those of `progress_file`, and what the line says.
    """
    path = not_through_a_link(progress_file(folder, run, part))
    path.parent.mkdir(parents=True, exist_ok=True)
    line = json.dumps(what, ensure_ascii=False, sort_keys=True) + "\n"
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
    try:
        os.write(handle, line.encode("utf-8"))
    finally:
        os.close(handle)


def read_progress(
    folder: Path, run: str, start: Mapping[str, int] | None = None
) -> tuple[list[Event], dict[str, int]]:
    """Return the progress lines from a place on, and where to go on reading.

    Those of this machine come first, then those of each task on another. A line that a full disk
    cut off is left out: what it told is told by the events as well.

    Parameters
    ----------
    folder, run
        The study folder and the run.
    start
        What this returned before: bytes read of each file.
    """
    positions = dict(start or {})
    lines: list[Event] = []
    for path in sorted((folder / EVENTS / run).glob("progress*.jsonl"), key=_main_first):
        try:
            with path.open("rb") as file:
                file.seek(positions.get(path.name, 0))
                data = file.read()
        except OSError:
            continue
        whole = data[: data.rfind(b"\n") + 1]
        parsed = (_line(line) for line in whole.splitlines())
        lines += [line for line in parsed if line is not None]
        positions[path.name] = positions.get(path.name, 0) + len(whole)
    return lines, positions


def _main_first(path: Path) -> tuple[bool, str]:
    return path.name != "progress.jsonl", path.name


def _line(text: bytes) -> Event | None:
    try:
        value = json.loads(text)
    except ValueError:
        return None
    return value if isinstance(value, dict) else None


def write_event(folder: Path, run: str, name: str, event: Event) -> None:
    """Write the event of one task."""
    write_json(folder / EVENTS / run / f"{name}.json", event)


def events_of(folder: Path, run: str) -> list[Event]:
    """Return the events of a run's tasks, in the order of their start.

    One that was damaged behind our back is left out; ``leafledger verify`` names it.
    """
    read = (readable(path) for path in sorted((folder / EVENTS / run).glob("*.json")))
    events = [e for e in read if e is not None and _is_event(e)]
    return sorted(events, key=lambda event: (moment(event["started"]), event["task"]))


def event_digests(folder: Path, run: str) -> dict[str, str]:
    """Return the digest of every file that tells of a run, by name."""
    run_folder = folder / EVENTS / run
    files = sorted(run_folder.iterdir()) if run_folder.is_dir() else []
    return {
        path.name: sha256_of_file(path)
        for path in files
        if path.is_file() and not path.name.startswith(".")
    }


def readable(path: Path) -> dict[str, Any] | None:
    """Return the JSON object in a file, or ``None`` if there is none that can be read."""
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return value if isinstance(value, dict) else None


def _is_event(event: Event) -> bool:
    """Tell whether ``event`` has the form in which a step writes it."""
    texts = ("task", "rule", "started", "outcome", "message", "log")
    optional = ("session", "key", "record", "kernel", "threads")
    return (
        all(isinstance(event.get(name), str) for name in texts)
        and all(isinstance(event.get(name), str | None) for name in optional)
        and all(isinstance(event.get(name), int | float) for name in ("seconds", "peak_bytes"))
        and all(is_plain_name(event.get(name) or "none") for name in ("task", "rule", "session"))
        and not leaves_the_study(event["log"])
    )


def _is_run(run: Run) -> bool:
    """Tell whether ``run`` has the form in which the book writes it."""
    texts = ("run", "started", "outcome", "message", "package", "python", "title")
    previous = run.get("previous", "")
    linked = previous is None or (_all_texts(previous) and {"run", "sha256"} <= set(previous))
    return (
        linked
        and all(isinstance(run.get(name), str) for name in texts)
        and (run.get("ended") is None or isinstance(run["ended"], str))
        and all(_all_texts(run.get(name)) for name in ("records", "study", "logs"))
        and all(isinstance(run.get(name), str | None) for name in ("variant", "plan"))
        and all(_all_texts(run.get(name, {})) for name in ("events", "tables", "plans"))
        and all(_all_texts(run.get(name, {})) for name in ("branches", "about"))
        and not names_outside(run)
    )


def names_outside(run: Run) -> list[str]:
    """Return what a run's file names that cannot lie in its place in the study.

    Sheets and tables have paths below the study folder; tasks, logs and events plain names.
    """

    def names(kinds: Iterable[str]) -> list[str]:
        return [name for kind in kinds if isinstance(run.get(kind), dict) for name in run[kind]]

    paths = [name for name in names(("study", "tables")) if leaves_the_study(name)]
    return paths + [
        n for n in names(("records", "logs", "events", "plans", "branches")) if not is_plain_name(n)
    ]


def _all_texts(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(inner, str) for inner in value.values())


def seal_of(run: Run) -> str:
    """Return the digest of all that a run's file says but for the seal itself.

    It shows damage to the newest run, which no other run's digest covers yet.
    """
    return sha256_of_value({name: value for name, value in run.items() if name != "seal"})


def write_run(folder: Path, run: Run) -> None:
    """Write what is known of a run, sealed."""
    write_text(folder / RUNS / f"{run['run']}.json", text_of_run(run | {"seal": seal_of(run)}))


def text_of_run(run: Run) -> str:
    """Return the one text of a run's file."""
    return json.dumps(run, sort_keys=True, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def runs(folder: Path) -> Iterator[Run]:
    """Yield the runs of a study in the order of the chain, whatever the clock said.

    A file that was damaged behind our back is left out; ``leafledger verify`` names it.
    """
    read = {path.stem: readable(path) for path in (folder / RUNS).glob("*.json")}
    yield from in_order(
        [run for name, run in read.items() if run and _is_run(run) and run["run"] == name]
    )


def in_order(unordered: Iterable[Run]) -> list[Run]:
    """Return runs so that each follows the one it names as previous."""
    by_id = {
        run["run"]: run for run in sorted(unordered, key=lambda r: (moment(r["started"]), r["run"]))
    }
    after: dict[str | None, list[Run]] = {}
    for run in by_id.values():
        before = (run["previous"] or {}).get("run")
        after.setdefault(before if before in by_id else None, []).append(run)
    ordered: list[Run] = []
    waiting = list(reversed(after.get(None, [])))
    while waiting:
        run = waiting.pop()
        ordered.append(run)
        waiting += reversed(after.get(run["run"], []))
    return ordered
