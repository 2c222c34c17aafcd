"""Processor time from a saved file to its verdict, in a session of 150 scans of 2,048 pixels.

``python benchmarks/watch.py`` (one minute) makes a planned session in a temporary folder, saves its
scans one by one and prints, as JSON, the processor time of the watch's own work for each scan:
reading the file, the verdict, the scan sheet. Bounds: the median 100 ms; the largest, a verdict on
a white with the whole session behind it, 1 s. Waiting for the file to rest is not in these numbers.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bounds import at_most, finish
from measurement import make_study

from leafledger.watch.measuring_session import MeasuringSession

N_SCANS, MEDIAN_S, LARGEST_S = 156, 0.100, 1.0


def planned(folder: Path) -> list[tuple[Path, Path]]:
    """Make the study, move its raw files away, and empty the times; return (kept, place)."""
    scans = make_study(folder, N_SCANS, 1)["s00"]
    kept = folder / "kept"
    (folder / "raw").rename(kept)
    text = (folder / "scans.csv").read_text()
    lines = [line.split(",") for line in text.splitlines()]
    column = lines[0].index("time")
    rows = [",".join([*line[:column], "" if k else "time", *line[column + 1 :]])
            for k, line in enumerate(lines)]  # fmt: skip
    (folder / "scans.csv").write_text("\n".join(rows) + "\n")
    return [(kept / Path(s.file).relative_to("raw"), folder / s.file) for s in scans]


def measure() -> dict[str, object]:
    """Save scan after scan; return processor seconds of each."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "study"
        folder.mkdir()
        files = planned(folder)
        watch = MeasuringSession(folder, "s00", lambda _message: None)
        watch.files.settled_s = 0.0
        seconds = []
        for kept, target in files:
            shutil.copyfile(kept, target)
            watch.look()  # sees the file for the first time
            begun = time.process_time()
            watch.look()
            seconds.append(time.process_time() - begun)
        done = len(watch.order.measured)
        watch.close()
    roles = [step.scan.role for step in watch.order.steps]
    leaves = [s for s, role in zip(seconds, roles, strict=True) if role == "sample"]
    others = [s for s, role in zip(seconds, roles, strict=True) if role != "sample"]
    assert done == len(files) >= 150, (done, len(files))
    return {
        "n_scans": done,
        "median_s": round(statistics.median(seconds), 4),
        "median_leaf_s": round(statistics.median(leaves), 4),
        "median_reference_s": round(statistics.median(others), 4),
        "median_last_20_leaves_s": round(statistics.median(leaves[-20:]), 4),
        "largest_s": round(max(seconds), 4),
        "load": round(os.getloadavg()[0], 2),
    }


def main() -> None:
    """Print the figures and hold them to their bounds."""
    found = measure()
    print(json.dumps(found, indent=1))
    at_most("verdict on a saved scan, median", float(str(found["median_s"])), MEDIAN_S, "s")
    at_most("verdict on a saved scan, largest", float(str(found["largest_s"])), LARGEST_S, "s")
    finish()


if __name__ == "__main__":
    main()
