"""Whole studies as a run does them: processor seconds and peak by stage, status, idle run, bytes.

``python benchmarks/whole_study.py`` makes the studies of ``scale.py`` (counts of 500 pixels with
darks and whites, without classes) and runs each with ``leafledger run --cores 1`` from nothing:
20,000 scans in 10 sessions, 20,000 in 50, and 100,000 in 50 (a quarter of an hour of processor
time, 3 GB of disk). ``--sizes 2000x2`` runs others; ``--folder`` keeps the studies; ``--table``
writes docs/scale.md; ``--keep`` and ``--add`` write and read what was measured.

Processor seconds of the whole are those of the system's own account, of the command and all that it
started. Those of a stage are sampled four times a second from ``/proc`` (Linux), so that up to a
quarter of a second of each task is missing there, and stands in the row of what is left.

Bounds: no process above 1 GB; at 100,000 scans in 50 sessions ``status`` and a run with nothing to
do 4 s of processor time each, the whole study at most 5.5 times that of 20,000 in 10, the ledger no
larger than the results; 20,000 scans in 50 sessions at most 1.75 times what they take in 10.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

from bounds import at_most, finish
from scale import DOCS, make_study

SIZES = ("20000x10", "20000x50", "100000x50")
BASE, MANY_SESSIONS, LARGE = SIZES
LARGEST_MB, JUDGE_S, GROWTH, SESSIONS_COST = 1000, 4.0, 5.5, 1.75
SMALLEST_LEDGER = 100_000
"""In studies of fewer scans the database and the page, kept twice, weigh more than the results."""
STEP_S = 0.25
_TICKS = os.sysconf("SC_CLK_TCK")
MARKS = ("<!-- whole -->\n", "<!-- end of whole -->")
COMMAND, MANAGER = "command and book", "Snakemake and server"


# --- watching a command and all that it starts ----------------------------------------------------


def below(root: int) -> dict[int, float]:
    """Return the processes below one, with their processor seconds."""
    children: dict[int, list[tuple[int, float]]] = {}
    for place in Path("/proc").iterdir():
        if not place.name.isdigit():
            continue
        try:
            fields = (place / "stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        spent = (int(fields[11]) + int(fields[12])) / _TICKS
        children.setdefault(int(fields[1]), []).append((int(place.name), spent))
    found: dict[int, float] = {}
    waiting = [root]
    while waiting:
        for child, spent in children.get(waiting.pop(), []):
            found[child] = spent
            waiting.append(child)
    return found


def seen(process: int) -> tuple[str, float] | None:
    """Return what a process works at (the task by its log) and its peak, megabytes."""
    try:
        status = Path(f"/proc/{process}/status").read_text()
        told = Path(f"/proc/{process}/fd/1").readlink()
        words = Path(f"/proc/{process}/cmdline").read_text().split("\0")
    except OSError:
        return None
    peak = next((line for line in status.splitlines() if line.startswith("VmHWM")), None)
    if peak is None or "-S" in words:
        return None  # at its end; or the client of a task, which waits
    stage = MANAGER
    if told.suffix == ".log" and told.parent.name == "logs" and told.stem != "snakemake":
        stage = told.name.split(".")[0]
    return stage, int(peak.split()[1]) * 1024 / 1e6


def watched(command: list[str]) -> dict[str, Any]:
    """Run a command; return its processor seconds and largest peak, and those of each stage."""
    spent: dict[int, float] = {}
    peaks: dict[int, float] = {}
    stage_of: dict[int, str] = {}
    ended = threading.Event()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)

    def look() -> None:
        while not ended.wait(STEP_S):
            for process, seconds in [*below(child.pid).items(), (child.pid, 0.0)]:
                if found := seen(process):
                    stage, peak = found
                    stage_of[process] = COMMAND if process == child.pid else stage
                    spent[process] = seconds
                    peaks[process] = max(peak, peaks.get(process, 0.0))

    thread = threading.Thread(target=look)
    thread.start()
    _, code, used = os.wait4(child.pid, 0)
    ended.set()
    thread.join()
    if code:
        raise SystemExit(f"{' '.join(command)}: ended with {os.waitstatus_to_exitcode(code)}")
    stages: dict[str, list[float]] = {}
    for process, stage in stage_of.items():
        of = stages.setdefault(stage, [0, 0.0, 0.0])
        of[0] += 1
        of[1] += spent[process]
        of[2] = max(of[2], peaks[process])
    seconds = used.ru_utime + used.ru_stime
    # What was not seen is the command itself, and the last moments of each task.
    stages.setdefault(COMMAND, [1, 0.0, 0.0])[1] = seconds - sum(of[1] for of in stages.values())
    peak = max([used.ru_maxrss * 1024 / 1e6, *peaks.values()])
    return {"seconds": seconds, "peak_mb": peak, "stages": stages}


# --- one study ------------------------------------------------------------------------------------


def megabytes(folder: Path) -> float:
    """Return the size of all files below a folder."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6


def measured(size: str, place: Path) -> dict[str, Any]:
    """Make a study, run it whole, ask for its status and run it again with nothing to do."""
    n_scans, n_sessions = map(int, size.split("x"))
    folder = place / size
    make_study(folder, n_scans, n_sessions)
    leafledger = [sys.executable, "-m", "leafledger.cli"]
    whole = watched([*leafledger, "run", str(folder), "--cores", "1"])
    status = watched([*leafledger, "status", str(folder)])
    idle = watched([*leafledger, "run", str(folder), "--cores", "1"])
    parts = ("raw", "results", "records", "ledger", ".snakemake")
    return {
        "size": size,
        "whole": whole,
        "status": status["seconds"],
        "idle": idle["seconds"],
        "mb": {part: megabytes(folder / part) for part in parts},
    }


def hold(found: dict[str, dict[str, Any]]) -> None:
    """Hold what was measured to the bounds."""
    for size, one in found.items():
        at_most(f"{size}: largest process", one["whole"]["peak_mb"], LARGEST_MB, "MB")
        if int(size.split("x")[0]) >= SMALLEST_LEDGER:
            ratio = one["mb"]["ledger"] / one["mb"]["results"]
            at_most(f"{size}: ledger over results", ratio, 1.0, "x")
        if int(size.split("x")[0]) <= 100_000:
            at_most(f"{size}: status", one["status"], JUDGE_S, "s")
            at_most(f"{size}: a run with nothing to do", one["idle"], JUDGE_S, "s")
    seconds = {size: one["whole"]["seconds"] for size, one in found.items()}
    if {BASE, LARGE} <= seconds.keys():
        at_most(f"{LARGE} over {BASE}", seconds[LARGE] / seconds[BASE], GROWTH, "x")
    if {BASE, MANY_SESSIONS} <= seconds.keys():
        cost = seconds[MANY_SESSIONS] / seconds[BASE]
        at_most(f"{MANY_SESSIONS} over {BASE}", cost, SESSIONS_COST, "x")


def page(found: dict[str, dict[str, Any]]) -> str:
    """Return the table of docs/scale.md: seconds and peak of each stage, status, bytes."""
    heads = [f"{int(n):,} in {k}" for n, k in (size.split("x") for size in found)]
    text = f"| | {' | '.join(heads)} |\n|---|{'---:|' * len(heads)}\n"
    names = list(dict.fromkeys(name for one in found.values() for name in one["whole"]["stages"]))
    for name in names:
        cells = []
        for one in found.values():
            _, seconds, peak = one["whole"]["stages"].get(name, (0, 0.0, 0.0))
            cells.append(f"{seconds:.1f} s" + (f", {peak:.0f} MB" if peak else ""))
        text += f"| {name} | {' | '.join(cells)} |\n"
    columns = [
        {
            "**whole study**": f"**{one['whole']['seconds']:.1f} s**",
            "largest process": f"{one['whole']['peak_mb']:.0f} MB",
            "`status`": f"{one['status']:.2f} s",
            "run with nothing to do": f"{one['idle']:.2f} s",
            **{f"bytes of `{part}`": f"{size:.1f} MB" for part, size in one["mb"].items()},
        }
        for one in found.values()
    ]
    for name in columns[0]:
        text += f"| {name} | {' | '.join(column[name] for column in columns)} |\n"
    return text


def main() -> None:
    """Measure, print, and hold to the bounds."""
    asked = argparse.ArgumentParser(description="Run whole studies of many scans.")
    asked.add_argument("--sizes", nargs="*", default=list(SIZES))
    asked.add_argument("--folder", type=Path)
    asked.add_argument("--keep", type=Path)
    asked.add_argument("--add", type=Path, nargs="*", default=[])
    asked.add_argument("--table", action="store_true", help="write docs/scale.md")
    given = asked.parse_args()
    found = {one["size"]: one for path in given.add for one in json.loads(path.read_text())}
    with tempfile.TemporaryDirectory() as name:
        for size in given.sizes:
            found[size] = measured(size, given.folder or Path(name))
    found = dict(sorted(found.items(), key=lambda one: [int(n) for n in one[0].split("x")]))
    if given.keep:
        given.keep.write_text(json.dumps([*found.values()], indent=1) + "\n", encoding="utf-8")
    print(page(found))
    if given.table:
        place = DOCS / "scale.md"
        head, rest = place.read_text(encoding="utf-8").split(MARKS[0], 1)
        tail = rest.split(MARKS[1], 1)[1]
        place.write_text(f"{head}{MARKS[0]}\n{page(found)}\n{MARKS[1]}{tail}", encoding="utf-8")
    hold(found)
    finish()


if __name__ == "__main__":
    main()
