"""Time and memory from raw text scans to checked reflectance, against a plain script.

``python benchmarks/measurement.py`` makes a study of 10,000 text scans of 2,048 pixels in a
temporary folder (about 320 MB) and prints, as JSON:

``reader``
    The text reader alone, in one process, on 2,000 files, against ``numpy.loadtxt`` of the same
    files. Bound 1.3.
``reflectance``
    Intake and reflectance of 2,000 scans against a plain script that does the same reads, the same
    arithmetic (with uncertainties) and writes the same arrays. Bound 1.5.
``whole_path``
    Intake, reflectance and quality of 10,000 scans, sessions side by side on two processes, against
    a plain script that reads and divides on two processes. Bounds: 60 s of processor time (30 s of
    two cores), 2 GB; the ratio is printed. About five minutes in all.

Both sides are run in turn, three times; the best of each counts. Processor seconds are those of
all processes together and hardly change when others use the machine; wall seconds do, so the
machine's load is printed beside them. The stages are called in process. Not in these numbers:
starting Snakemake and one Python for each job, and reading the study's sheets, which each job of a
run does anew and which is timed apart.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import resource
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from bounds import at_most, finish

from leafledger.records.record import Job
from leafledger.runner.step import job_of
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME
from leafledger.study.study import Study, Task

PIXELS, LEAVES_PER_BLOCK, REPEATS, CORES = 2048, 40, 3, 2
STUDY = """\
version: 1
title: benchmark
design: {{unit: plant, treatment: treatment, control: a, sessions: [{sessions}]}}
intake: {{forms: {{default: {{form: text, quantity: counts, delimiter: tab, decimal: point}}}}}}
instrument: {{full_scale_counts: 65535, panel: {{reflectance: 0.985, u_relative: 0.005}}}}
"""
HEADER = "Serial\tB-1\nIntegration time (ms)\t12\n\nWavelength\tCounts\n"
HEADER_LINES = 4


@dataclass(frozen=True)
class Scan:
    """One scan of the made-up study."""

    scan: str
    role: str
    file: str
    session: str
    time_s: int
    unit: str = ""
    leaf: str = ""


def scans_of(session: str, n_scans: int) -> list[Scan]:
    """Return darks and whites before, between and after blocks of 40 leaves; three each."""
    out: list[Scan] = []
    clock = leaves = 0

    def add(role: str, **place: str) -> None:
        nonlocal clock
        name = f"{session}-{len(out):05d}"
        out.append(Scan(name, role, f"raw/{session}/{name}.txt", session, clock, **place))
        clock += 20

    while len(out) + 4 * REPEATS < n_scans:
        for role in ("dark", "white"):
            for _ in range(REPEATS):
                add(role)
        for _ in range(min(LEAVES_PER_BLOCK, n_scans - len(out) - 2 * REPEATS)):
            add("sample", unit=f"p{leaves // 3:04d}", leaf=str(leaves % 3 + 1))
            leaves += 1
    for role in ("white", "dark"):
        for _ in range(REPEATS):
            add(role)
    return out


def write_scans(folder: Path, scans: Sequence[Scan], seed: int) -> None:
    """Write raw text files: smooth lamp, leaves with a red edge, shot and read noise."""
    rng = np.random.default_rng(seed)
    nm = np.linspace(350.0, 1050.0, PIXELS)
    words = [f"{w:.3f}\t" for w in nm]
    lamp = 46_000 * (0.03 + np.exp(-(((nm - 680) / 160) ** 2)))
    pattern = 1000 + rng.normal(0, 6, PIXELS)
    (folder / scans[0].file).parent.mkdir(parents=True)
    for scan in scans:
        light = np.zeros(PIXELS)
        if scan.role == "white":
            light = lamp * (1 + rng.normal(0, 3e-4))
        elif scan.role == "sample":
            edge = 1 / (1 + np.exp(-(nm - 710 - rng.normal(0, 3)) / 14))
            green = 0.09 * np.exp(-(((nm - 552) / 32) ** 2))
            light = lamp * (0.045 + 0.42 * edge + green) * (1 + rng.normal(0, 0.01))
        sd = np.sqrt((light + 144) / 10)
        counts = np.round(pattern + light + sd * rng.normal(size=PIXELS), 1).tolist()
        rows = "\n".join([f"{w}{c}" for w, c in zip(words, counts, strict=True)])
        (folder / scan.file).write_text(HEADER + rows + "\n", encoding="ascii")


def make_study(folder: Path, n_scans: int, n_sessions: int) -> dict[str, list[Scan]]:
    """Write the whole study and return the scans of each session."""
    days = {f"s{k:02d}": scans_of(f"s{k:02d}", n_scans // n_sessions) for k in range(n_sessions)}
    names = ", ".join(f"{{session: {s}}}" for s in days)
    (folder / "study.yaml").write_text(STUDY.format(sessions=names), encoding="utf-8")
    start = np.datetime64("2026-05-04T08:00:00")
    rows = ["scan,file,role,session,unit,leaf,replicate,time,integration_ms,averages"]
    for session, scans in days.items():
        for s in scans:
            stamp = start + np.timedelta64(s.time_s, "s")
            replicate = "1" if s.unit else ""
            place = f"{s.role},{session},{s.unit},{s.leaf},{replicate}"
            rows.append(f"{s.scan},{s.file},{place},{stamp},12,10")
    (folder / "scans.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    units = sorted({s.unit for scans in days.values() for s in scans if s.unit})
    text = "".join(f"{u},{'ab'[k % 2]}\n" for k, u in enumerate(units))
    (folder / "units.csv").write_text("unit,treatment\n" + text, encoding="utf-8")
    with ProcessPoolExecutor(CORES) as pool:
        made = [pool.submit(write_scans, folder, s, k) for k, s in enumerate(days.values())]
        for one in made:
            one.result()
    return days


# --- the plain script -------------------------------------------------------------------------


def plain_values(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Read a scan the plain way: known header, known columns, nothing checked."""
    table = np.loadtxt(path, skiprows=HEADER_LINES)
    return table[:, 0], table[:, 1]


def plain_read(folder: Path, scans: Sequence[Scan]) -> tuple[np.ndarray, np.ndarray]:
    """Read all scans into one array, insisting on one axis."""
    counts = np.empty((len(scans), PIXELS))
    axis = None
    for k, scan in enumerate(scans):
        nm, counts[k] = plain_values(folder / scan.file)
        axis = nm if axis is None else axis
        if not np.array_equal(axis, nm):
            raise SystemExit(f"{scan.file}: another axis")
    assert axis is not None
    return axis, counts


def plain_divide(scans: Sequence[Scan], counts: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return reflectance by whites interpolated in time, and the white and dark behind it."""
    role = np.array([s.role for s in scans])
    when = np.array([s.time_s for s in scans], dtype=float)
    dark = np.median(counts[role == "dark"], axis=0)
    number = np.cumsum(np.diff(role == "white", prepend=False) & (role == "white"))
    blocks = [np.flatnonzero((role == "white") & (number == b)) for b in np.unique(number) if b]
    whites = np.stack([np.median(counts[b], axis=0) for b in blocks if len(b)]) - dark
    times = np.array([np.median(when[b]) for b in blocks if len(b)])
    at = np.flatnonzero(role == "sample")
    after = np.clip(np.searchsorted(times, when[at]), 1, len(times) - 1)
    share = ((when[at] - times[after - 1]) / (times[after] - times[after - 1]))[:, None]
    white = (1 - share) * whites[after - 1] + share * whites[after]
    signal = counts[at] - dark
    return 0.985 * signal / white, signal, white, whites[after] - whites[after - 1]


def plain_write(path: Path, **arrays: np.ndarray) -> None:
    """Write arrays as float32 lists, zstd at its default level (the tool's files: level 3)."""
    columns = {
        name: pa.FixedSizeListArray.from_arrays(
            pa.array(np.ascontiguousarray(a, dtype=np.float32).ravel()), a.shape[1]
        )
        for name, a in arrays.items()
    }
    split = [f"{name}.list.element" for name in arrays]
    pq.write_table(
        pa.table(columns),
        path,
        compression="zstd",
        use_dictionary=False,
        use_byte_stream_split=split,
        row_group_size=500,
    )


def plain_session(folder: Path, scans: Sequence[Scan]) -> None:
    """Parse and divide one session and write reflectance."""
    _, counts = plain_read(folder, scans)
    plain_write(folder / f"plain.{scans[0].session}.parquet", r=plain_divide(scans, counts)[0])


def plain_with_uncertainty(folder: Path, scans: Sequence[Scan]) -> None:
    """Do the reads and the arithmetic of intake and reflectance, unchecked, and write as much."""
    axis, counts = plain_read(folder, scans)
    plain_write(folder / f"plain.{scans[0].session}.scans.parquet", counts=counts)
    r, signal, white, change = plain_divide(scans, counts)
    variance = (np.maximum(signal, 0) + 144) / 10
    own = (0.985 / white) ** 2 * variance
    reference = (r / white) ** 2 * 0.45 * (white + 144) / 10
    reference += ((r / white - 0.985 / white) ** 2) * 0.1 * 14.4
    drift = -r / white * change / np.sqrt(12)
    spread = 0.3 * (r / white - 0.985 / white)
    grid = np.arange(350.0, 1050.5, 1.0)
    at = np.clip(np.searchsorted(axis, grid), 1, len(axis) - 1)
    share = (grid - axis[at - 1]) / (axis[at] - axis[at - 1])

    def on_grid(values: np.ndarray, power: int) -> np.ndarray:
        return (1 - share) ** power * values[:, at - 1] + share**power * values[:, at]

    noise, drift, spread = on_grid(reference, 2), on_grid(drift, 1), on_grid(spread, 1)
    plain_write(
        folder / f"plain.{scans[0].session}.parquet",
        reflectance=on_grid(r, 1),
        u_scan=np.sqrt(on_grid(own, 2)),
        u_reference=np.sqrt(noise + drift**2 + spread**2),
        u_noise=np.sqrt(noise),
        u_drift=drift,
        u_dark=spread,
    )


# --- the tool -----------------------------------------------------------------------------------


def jobs_of(study: Study, session: str, rules: Sequence[str]) -> list[Job]:
    """Return the jobs of some rules on a session."""
    return [job_of(study, Task(rule, session)) for rule in rules]


def tool_session(jobs: Sequence[Job]) -> None:
    """Do the jobs of a session one after another, in process."""
    for job in jobs:
        importlib.import_module(BY_NAME[job.rule].module).run(job)


def tool_reader(folder: Path, scans: Sequence[Scan]) -> None:
    """Read all scans with the text reader of intake."""
    from leafledger.intake.raw_scan import FileForm
    from leafledger.intake.text import read_text

    form, layout = FileForm(delimiter="tab", decimal="point"), None
    for scan in scans:
        _, found = read_text((folder / scan.file).read_bytes(), scan.file, form, layout)
        layout = found or layout


# --- measuring ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Used:
    """What a piece of work took."""

    wall: float
    processor: float
    peak_mb: float

    def told(self) -> dict[str, float]:
        """As numbers to print."""
        return {
            "wall_s": round(self.wall, 2),
            "processor_s": round(self.processor, 2),
            "peak_mb": round(self.peak_mb),
        }


def _measured(work: Callable[..., None], arguments: tuple[Any, ...]) -> tuple[float, float, float]:
    work(*arguments)
    used = resource.getrusage(resource.RUSAGE_SELF)
    return os.getpid(), used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def _started() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _warm() -> tuple[int, float]:
    """Import what both sides need, so that no side pays for it."""
    import pandas  # noqa: F401
    import scipy.sparse  # noqa: F401

    for rule in ("intake", "reflectance", "quality"):
        importlib.import_module(BY_NAME[rule].module)
    time.sleep(0.3)
    return os.getpid(), _started()


def measure(work: Callable[..., None], calls: Sequence[tuple[Any, ...]], cores: int) -> Used:
    """Run the calls on fresh processes and return wall and processor time and the peak memory."""
    with ProcessPoolExecutor(cores, mp_context=get_context("spawn")) as pool:
        begun = dict(w.result() for w in [pool.submit(_warm) for _ in range(cores)])
        started = time.perf_counter()
        done = [f.result() for f in [pool.submit(_measured, work, c) for c in calls]]
        wall = time.perf_counter() - started
    last: dict[int, tuple[float, float]] = {}
    for pid, processor, peak in done:
        last[int(pid)] = (processor, peak)
    processor = sum(p - begun.get(pid, 0.0) for pid, (p, _) in last.items())
    return Used(wall, processor, sum(peak for _, peak in last.values()))


def compare(
    ours: Callable[[], Used], plain: dict[str, Callable[[], Used]], repeats: int
) -> dict[str, Any]:
    """Run both sides in turn and return the best of each and their ratios."""
    found: dict[str, list[Used]] = {"leafledger": [], **{name: [] for name in plain}}
    for _ in range(repeats):
        found["leafledger"].append(ours())
        for name, run in plain.items():
            found[name].append(run())
    best = {
        name: Used(
            min(u.wall for u in us), min(u.processor for u in us), max(u.peak_mb for u in us)
        )
        for name, us in found.items()
    }
    told: dict[str, Any] = {name: used.told() for name, used in best.items()}
    for name in plain:
        told[f"ratio_to_{name}"] = {
            "wall": round(best["leafledger"].wall / best[name].wall, 2),
            "processor": round(best["leafledger"].processor / best[name].processor, 2),
        }
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description="Time intake, reflectance and quality.")
    parser.add_argument("--scans", type=int, default=10_000)
    parser.add_argument("--sessions", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"  # for the processes that do the work
    told: dict[str, Any] = {"load_before": [round(x, 1) for x in os.getloadavg()]}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        days = make_study(folder, options.scans, options.sessions)
        started = time.process_time()
        study = read_study(folder)
        told["reading_the_study_processor_s"] = round(time.process_time() - started, 2)
        few = list(days)[: max(1, round(2000 * len(days) / options.scans))]
        flat = [s for day in few for s in days[day]]
        told["reader"] = {"n_scans": len(flat)} | compare(
            lambda: measure(tool_reader, [(folder, flat)], 1),
            {"plain": lambda: measure(plain_read_only, [(folder, flat)], 1)},
            options.repeats,
        )
        both = ("intake", "reflectance")
        told["reflectance"] = {"n_scans": len(flat)} | compare(
            lambda: measure(tool_session, [(jobs_of(study, day, both),) for day in few], CORES),
            {
                "plain": lambda: measure(
                    plain_with_uncertainty, [(folder, days[day]) for day in few], CORES
                )
            },
            options.repeats,
        )
        rules = (*both, "quality")
        told["whole_path"] = {"n_scans": sum(map(len, days.values()))} | compare(
            lambda: measure(tool_session, [(jobs_of(study, day, rules),) for day in days], CORES),
            {"plain": lambda: measure(plain_session, [(folder, s) for s in days.values()], CORES)},
            options.repeats,
        )
    told["load_after"] = [round(x, 1) for x in os.getloadavg()]
    print(json.dumps(told, indent=1))
    reader, middle, whole = (told[name] for name in ("reader", "reflectance", "whole_path"))
    at_most("text reader, over numpy.loadtxt", reader["ratio_to_plain"]["processor"], 1.3, "x")
    at_most("intake and reflectance, over a plain script", middle["ratio_to_plain"]["processor"],
            1.5, "x")  # fmt: skip
    share = options.scans / 10_000
    path = whole["leafledger"]
    at_most("whole path, processor time", path["processor_s"], 60 * share, "s")
    at_most("whole path, peak of both processes", path["peak_mb"], 2000, "MB")
    finish()


def plain_read_only(folder: Path, scans: Sequence[Scan]) -> None:
    """Read all scans the plain way and keep nothing."""
    for scan in scans:
        plain_values(folder / scan.file)


if __name__ == "__main__":
    main()
