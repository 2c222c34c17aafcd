"""Processor seconds, peak memory and bytes of every stage as a study grows, against a plain script.

``python benchmarks/scale.py`` makes studies of 1,000 and 10,000 simulated scans of counts (500
pixels, sessions of 1,000 scans with their darks and whites), does every task of each in a process
of its own and prints a table. ``--sizes 1000 10000 100000`` runs others; ``--up-to 1000000``
extends the table beyond what was run, in proportion to the scans or by the slope of the last two
sizes if that is steeper, and marks it so.
``--table`` writes table and figure into docs/scale.md and docs/scale.svg; ``--judge`` times
``status``; ``--add RESULTS.json`` takes sizes from an earlier call instead of running them again,
and ``--keep RESULTS.json`` writes one.

The plain script does the same arithmetic with NumPy, pandas and PyArrow, in one process, reading
the same raw files: counts to reflectance with its uncertainty on the grid, twelve indices, means of
leaves and units, a t-test of each index and session. It checks nothing and keeps no record, and the
tool's checks (``quality``, ``validation``) have no peer in it.

Bounds, checked at the end: no process over 1 GB; the whole measuring path grows at most 1.1 times
as fast as the scans; with ``--judge`` 4 s for ``status`` at up to 100,000 scans.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

PIXELS, SCANS_PER_SESSION, LEAVES_PER_BLOCK, REPEATS = 500, 1_000, 80, 3
STAGES = (
    *("intake", "reflectance", "quality", "acceptance", "catalogue", "indices", "validation"),
    *("unit_means", "effects"),
)
MEASURING = STAGES[:-1]
LARGEST_BYTES, FASTEST_GROWTH, JUDGE_S = 1_000_000_000, 1.1, 4.0
DOCS = Path(__file__).resolve().parent.parent / "docs"
STUDY = """\
version: 1
title: benchmark
design: {{unit: plant, treatment: treatment, control: a, sessions: [{sessions}]}}
intake: {{forms: {{default: {{form: parquet, quantity: counts, scan_column: scan}}}}}}
instrument: {{full_scale_counts: 65535, panel: {{reflectance: 0.985, u_relative: 0.005}}}}
"""


# --- a study of any size ------------------------------------------------------------------------


def roles_of(n_scans: int) -> list[str]:
    """Return darks and whites before, between and after blocks of 80 leaves; three each."""
    roles: list[str] = []
    while len(roles) + 4 * REPEATS < n_scans:
        roles += ["dark"] * REPEATS + ["white"] * REPEATS
        roles += ["sample"] * min(LEAVES_PER_BLOCK, n_scans - len(roles) - 2 * REPEATS)
    return roles + ["white"] * REPEATS + ["dark"] * REPEATS


def write_session(path: Path, names: list[str], roles: list[str], pixels: int, seed: int) -> None:
    """Write the raw counts of a session: smooth lamp, leaves with a red edge and noise."""
    rng, nm = np.random.default_rng(seed), np.linspace(400.0, 900.0, pixels)
    lamp = 46_000 * (0.03 + np.exp(-(((nm - 680) / 160) ** 2)))
    pattern = 1000 + rng.normal(0, 6, pixels)
    kind = pa.list_(pa.float32(), pixels)
    fields = [("scan", pa.string()), ("counts", kind)]
    schema = pa.schema(fields, metadata={"wavelength_nm": json.dumps(nm.tolist())})
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for start in range(0, len(roles), 500):
            part = np.array(roles[start : start + 500])
            edge = 1 / (1 + np.exp(-(nm - 710 - rng.normal(0, 3, (len(part), 1))) / 14))
            green = 0.09 * np.exp(-(((nm - 552) / 32) ** 2))
            leaf = (0.045 + 0.42 * edge + green) * (1 + rng.normal(0, 0.01, (len(part), 1)))
            white = 1 + rng.normal(0, 3e-4, (len(part), 1))
            share = np.where((part == "white")[:, None], white, leaf)
            light = lamp * np.where((part == "dark")[:, None], 0.0, share)
            noise = np.sqrt((light + 144) / 10) * rng.normal(size=light.shape)
            counts = np.round(pattern + light + noise, 1).astype(np.float32)
            values = pa.FixedSizeListArray.from_arrays(pa.array(counts.ravel()), type=kind)
            writer.write_table(pa.table([pa.array(names[start : start + 500]), values], schema))


def make_study(folder: Path, n_scans: int, n_sessions: int, pixels: int = PIXELS) -> None:
    """Write a study of ``n_scans`` counts in ``n_sessions`` sessions of the same plants."""
    (folder / "raw").mkdir(parents=True)
    rows = ["scan,file,item,role,session,unit,leaf,replicate,time,integration_ms,averages"]
    start, units = np.datetime64("2026-05-04T08:00:00"), dict[str, None]()
    days = [f"s{k:04d}" for k in range(n_sessions)]
    for k, day in enumerate(days):
        roles = roles_of(n_scans // n_sessions)
        names = [f"{day}-{i:06d}" for i in range(len(roles))]
        write_session(folder / f"raw/{day}.parquet", names, roles, pixels, seed=k)
        n_leaves = 0
        for i, (name, role) in enumerate(zip(names, roles, strict=True)):
            place = ",,"
            if role == "sample":
                unit = f"p{n_leaves // 10:04d}"
                units[unit] = None
                place = f"{unit},{n_leaves // 2 % 5 + 1},{n_leaves % 2 + 1}"
                n_leaves += 1
            moment = start + np.timedelta64(k, "D") + np.timedelta64(10 * i, "s")
            rows.append(f"{name},raw/{day}.parquet,{name},{role},{day},{place},{moment},12,10")
    (folder / "scans.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    text = "".join(f"{unit},{'ab'[k % 2]}\n" for k, unit in enumerate(units))
    (folder / "units.csv").write_text("unit,treatment\n" + text, encoding="utf-8")
    phases = ["before", *["after"] * (n_sessions - 1)]
    stated = ", ".join(
        f"{{session: {day}, phase: {phase}}}" for day, phase in zip(days, phases, strict=True)
    )
    (folder / "study.yaml").write_text(STUDY.format(sessions=stated), encoding="utf-8")


# --- the tool -----------------------------------------------------------------------------------


@dataclass
class Used:
    """Processor seconds, largest peak memory of one process and bytes written."""

    seconds: float = 0.0
    peak_bytes: int = 0
    n_bytes: int = 0

    def add(self, other: Used) -> None:
        """Add another process."""
        self.seconds += other.seconds
        self.peak_bytes = max(self.peak_bytes, other.peak_bytes)
        self.n_bytes += other.n_bytes


def started(command: Sequence[str], folder: Path, **more: str) -> Used:
    """Run a command in the study folder; return what it and its children took."""
    threads = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    log = folder / "benchmark.log"
    with log.open("wb") as out:
        child = subprocess.Popen(
            command, cwd=folder, env={**os.environ, **threads, **more}, stdout=out, stderr=out
        )
        _, code, used = os.wait4(child.pid, 0)
    if code:
        raise SystemExit(f"{' '.join(command)}:\n{log.read_text(errors='replace')}")
    return Used(used.ru_utime + used.ru_stime, used.ru_maxrss * 1024)


def tool(folder: Path, stages: Sequence[str]) -> dict[str, Used]:
    """Do every task of some stages, each in a process of its own as in a run, its job handed over.

    Beside the stages: ``hand over``, what a run does once to read the study and write the jobs.
    """
    found = {"hand over": started([sys.executable, __file__, "--hand-over", str(folder)], folder)}
    run = (folder / "run").read_text(encoding="utf-8")
    for task in json.loads((folder / "tasks.json").read_text(encoding="utf-8")):
        if task["rule"] not in stages:
            continue
        names = [task["rule"], *([task["session"]] if task["session"] else [])]
        command = [sys.executable, "-m", "leafledger.runner.step", *names]
        used = started(command, folder, LEAFLEDGER_RUN=run, LEAFLEDGER_NO_STORE="1")
        used.n_bytes = sum((folder / p).stat().st_size for p in task["outputs"])
        found.setdefault(task["rule"], Used()).add(used)
    return found


def hand_over(folder: Path) -> None:
    """Read the study and hand out the job of every task that does not read everything."""
    from leafledger.records import events
    from leafledger.runner.step import hand_jobs
    from leafledger.study.reading import read_study_at_rest
    from leafledger.study.study import outputs, tasks

    study, rests = read_study_at_rest(folder)
    wanted = [task for task in tasks(study) if task.rule != "report"]
    run = events.new_run_id()
    hand_jobs(study, run, wanted, rests)
    (folder / "run").write_text(run, encoding="utf-8")
    told = [
        {"rule": t.rule, "session": t.session, "outputs": [*outputs(t).values()]} for t in wanted
    ]
    (folder / "tasks.json").write_text(json.dumps(told), encoding="utf-8")


# --- the plain script ---------------------------------------------------------------------------

BANDS = [(a, b) for a, b in zip(range(420, 900, 40), range(460, 940, 40), strict=True)]


def plain(folder: Path) -> dict[str, Any]:
    """Do the same arithmetic the plain way, session by session; return its parts' seconds."""
    import pandas as pd
    from scipy import stats

    rows = pd.read_csv(folder / "scans.csv", dtype={"unit": str, "leaf": str})
    treatment = pd.read_csv(folder / "units.csv").set_index("unit")["treatment"]
    grid, indices = np.arange(400.0, 900.5, 1.0), []
    seconds = dict.fromkeys(("intake", "reflectance", "indices", "unit_means", "effects"), 0.0)
    clock = _processor()

    def lap(part: str) -> None:
        nonlocal clock
        now = _processor()
        seconds[part] += now - clock
        clock = now

    for day, sheet in rows.groupby("session"):
        table = pq.read_table(folder / f"raw/{day}.parquet")
        nm = np.array(json.loads(table.schema.metadata[b"wavelength_nm"]))
        flat = table["counts"].combine_chunks().flatten().to_numpy()
        counts = flat.reshape(len(table), len(nm)).astype(np.float64)
        _save(folder / f"plain.{day}.scans.parquet", counts=counts)
        lap("intake")
        r, u = _plain_reflectance(sheet["role"].to_numpy(), counts, nm, grid)
        _save(folder / f"plain.{day}.parquet", reflectance=r, u=u)
        lap("reflectance")
        means = [r[:, (grid >= a) & (grid < b)].mean(axis=1) for a, b in BANDS]
        values = {
            f"I{k}": (one - other) / (one + other)
            for k, (one, other) in enumerate(zip(means, means[1:] + means[:1], strict=True))
        }
        leaves = sheet[sheet["role"] == "sample"]
        place = {name: leaves[name].to_numpy() for name in ("unit", "leaf")}
        indices.append(pd.DataFrame({**values, **place, "session": day}))
        lap("indices")
    every = pd.concat(indices)
    by_leaf = every.groupby(["session", "unit", "leaf"]).mean()
    by_unit = by_leaf.groupby(["session", "unit"]).mean()
    by_unit.to_csv(folder / "plain.units.csv")
    lap("unit_means")
    for _, units in by_unit.groupby("session"):
        arm = treatment.loc[units.index.get_level_values("unit")].to_numpy()
        stats.ttest_ind(units[arm == "a"], units[arm == "b"], equal_var=False)
    lap("effects")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return {"seconds": seconds, "peak_bytes": peak}


def _processor() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def _plain_reflectance(
    role: np.ndarray, counts: np.ndarray, nm: np.ndarray, grid: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return reflectance and its uncertainty on the grid; whites are interpolated by place."""
    dark = np.median(counts[role == "dark"], axis=0)
    at = np.flatnonzero(role == "white")
    blocks = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    whites = np.stack([np.median(counts[block], axis=0) for block in blocks]) - dark
    places, leaves = np.array([block.mean() for block in blocks]), np.flatnonzero(role == "sample")
    after = np.clip(np.searchsorted(places, leaves), 1, len(places) - 1)
    share = ((leaves - places[after - 1]) / (places[after] - places[after - 1]))[:, None]
    white = (1 - share) * whites[after - 1] + share * whites[after]
    signal = counts[leaves] - dark
    r = 0.985 * signal / white
    own = (0.985 / white) ** 2 * (np.maximum(signal, 0) + 144) / 10
    reference = (r / white) ** 2 * 0.45 * (white + 144) / 10
    drift = r / white * (whites[after] - whites[after - 1]) / np.sqrt(12)
    right = np.clip(np.searchsorted(nm, grid), 1, len(nm) - 1)
    part = (grid - nm[right - 1]) / (nm[right] - nm[right - 1])

    def on_grid(values: np.ndarray, power: int) -> np.ndarray:
        return (1 - part) ** power * values[:, right - 1] + part**power * values[:, right]

    u = np.sqrt(on_grid(own, 2) + on_grid(reference, 2) + on_grid(drift, 1) ** 2)
    return on_grid(r, 1), u


def _save(path: Path, **arrays: np.ndarray) -> None:
    columns = {
        name: pa.FixedSizeListArray.from_arrays(
            pa.array(np.ascontiguousarray(a, dtype=np.float32).ravel()), a.shape[1]
        )
        for name, a in arrays.items()
    }
    split = [f"{name}.list.element" for name in arrays]
    pq.write_table(
        pa.table(columns), path, compression="zstd", use_dictionary=False,
        use_byte_stream_split=split, row_group_size=500,
    )  # fmt: skip


# --- measuring ----------------------------------------------------------------------------------


def measured(n_scans: int, pixels: int, stages: Sequence[str], judge: bool) -> dict[str, Any]:
    """Return what a study of one size took, stage by stage, and the plain script."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "study"
        n_sessions = max(2, n_scans // SCANS_PER_SESSION)
        make_study(folder, n_scans, n_sessions, pixels)
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            peer = pool.submit(plain, folder).result()
        found: dict[str, Any] = {
            "scans": n_scans,
            "sessions": n_sessions,
            "pixels": pixels,
            "raw_bytes": sum(path.stat().st_size for path in (folder / "raw").iterdir()),
            "stages": {name: asdict(used) for name, used in tool(folder, stages).items()},
            "plain": peer,
        }
        if judge:
            status = [sys.executable, "-m", "leafledger.cli", "status", str(folder)]
            found["status"] = asdict(started(status, folder))
    return found


def slope(sizes: Sequence[float], values: Sequence[float]) -> float:
    """Return the slope between the last two sizes in a plot of logarithms."""
    if len(sizes) < 2 or min(values[-2:]) <= 0:
        return 1.0
    return math.log(values[-1] / values[-2]) / math.log(sizes[-1] / sizes[-2])


def extended(results: list[dict[str, Any]], up_to: int) -> dict[str, list[tuple[int, float, bool]]]:
    """Return stage -> size, seconds and whether it was run, up to a size by powers of 10."""
    sizes = [one["scans"] for one in results]
    names = [name for name in results[0]["stages"] if all(name in one["stages"] for one in results)]
    rows: dict[str, list[float]] = {
        name: [one["stages"][name]["seconds"] for one in results] for name in names
    }
    rows["plain script"] = [sum(one["plain"]["seconds"].values()) for one in results]
    found = {}
    for name, values in rows.items():
        line = [(n, s, True) for n, s in zip(sizes, values, strict=True)]
        size = 10 ** (math.floor(math.log10(sizes[-1])) + 1)
        while size <= up_to:
            # Where starting processes hides the work the slope is too small: proportional at least.
            grown = values[-1] * (size / sizes[-1]) ** max(1.0, slope(sizes, values))
            line.append((size, grown, False))
            size *= 10
        found[name] = line
    every = zip(*(found[name] for name in names), strict=True)
    whole = [(parts[0][0], sum(s for _, s, _ in parts), parts[0][2]) for parts in every]
    peer = found.pop("plain script")
    return {**found, "all stages": whole, "plain script": peer}


def page(results: list[dict[str, Any]], lines: dict[str, list[tuple[int, float, bool]]]) -> str:
    """Return the table of docs/scale.md: seconds by stage and size, then memory and bytes."""
    sizes = [(n, ran) for n, _, ran in next(iter(lines.values()))]
    heads = [f"{n:,}" + ("" if ran else " (extrapolated)") for n, ran in sizes]
    last = results[-1]
    text = f"| processor seconds | {' | '.join(heads)} | slope | peak MB | MB written |\n"
    text += "|---|" + "---:|" * (len(heads) + 3) + "\n"
    for name, line in lines.items():
        cells = [f"{s:.3g}" for _, s, _ in line]
        ran = [(n, s) for n, s, was in line if was]
        used = last["stages"].get(name, {})
        peak, written = used.get("peak_bytes"), used.get("n_bytes")
        if name == "plain script":
            peak = last["plain"]["peak_bytes"]
        if name == "all stages":
            peak = max(s["peak_bytes"] for s in last["stages"].values())
            written = sum(s["n_bytes"] for s in last["stages"].values())
        cells.append(f"{slope(*zip(*ran, strict=True)):.2f}" if len(ran) > 1 else "")
        cells.append("" if peak is None else f"{peak / 1e6:.0f}")
        cells.append(f"{written / 1e6:.3g}" if written else "")
        text += f"| {name} | {' | '.join(cells)} |\n"
    return text


def figure(lines: dict[str, list[tuple[int, float, bool]]], path: Path) -> None:
    """Draw seconds over scans, both as logarithms; what was not run is dashed and hollow."""
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams["svg.hashsalt"] = "scale"
    from matplotlib import pyplot as plt

    fig, axes = plt.subplots(figsize=(7, 5), layout="constrained")
    shades = plt.get_cmap("viridis")(np.linspace(0, 0.9, len(lines)))
    markers = "osD^v<>pPX*hd"
    for k, (name, line) in enumerate(lines.items()):
        ran = [(n, s) for n, s, was in line if was]
        style = {"color": shades[k], "marker": markers[k % len(markers)], "markersize": 4}
        wide = 2.0 if name in ("all stages", "plain script") else 1.0
        axes.loglog(*zip(*ran, strict=True), label=name, linewidth=wide, **style)
        rest = [(n, s) for n, s, was in line if not was]
        if rest:
            style["markerfacecolor"] = "none"
            axes.loglog(*zip(ran[-1], *rest, strict=True), linestyle="--", linewidth=wide, **style)
    axes.set_xlabel("scans")
    axes.set_ylabel("processor seconds")
    axes.grid(visible=True, which="major", alpha=0.3)
    axes.legend(fontsize="small", ncols=2)
    fig.savefig(path, metadata={"Date": None})
    plt.close(fig)


def check_bounds(results: list[dict[str, Any]], judge: bool) -> list[str]:
    """Return the bounds that do not hold, in words."""
    broken = [
        f"{name} at {one['scans']:,} scans: {used['peak_bytes'] / 1e6:.0f} MB"
        for one in results
        for name, used in one["stages"].items()
        if used["peak_bytes"] > LARGEST_BYTES
    ]
    for one, other in pairwise(results):
        spent = [sum(r["stages"][n]["seconds"] for n in MEASURING) for r in (one, other)]
        allowed = FASTEST_GROWTH * other["scans"] / one["scans"]
        if spent[1] / spent[0] > allowed:
            broken.append(
                f"measuring path: {spent[1] / spent[0]:.1f} times from {one['scans']:,} to "
                f"{other['scans']:,} scans"
            )
    if judge:
        broken += [
            f"status at {one['scans']:,} scans: {one['status']['seconds']:.1f} s"
            for one in results
            if one.get("status") and one["scans"] <= 100_000 and one["status"]["seconds"] > JUDGE_S
        ]
    return broken


def write_docs(results: list[dict[str, Any]], lines: dict[str, Any]) -> None:
    """Put the table between its marks in docs/scale.md and draw docs/scale.svg."""
    place = DOCS / "scale.md"
    head, rest = place.read_text(encoding="utf-8").split("<!-- table -->\n", 1)
    _, tail = rest.split("<!-- end -->", 1)
    marked = f"<!-- table -->\n\n{page(results, lines)}\n<!-- end -->"
    place.write_text(head + marked + tail, encoding="utf-8")
    figure(lines, DOCS / "scale.svg")


def main() -> None:
    """Measure, print and check the bounds."""
    parser = argparse.ArgumentParser(description="Time every stage as a study grows.")
    parser.add_argument("--sizes", type=int, nargs="*", default=[1_000, 10_000])
    parser.add_argument("--pixels", type=int, default=PIXELS)
    parser.add_argument("--up-to", type=int, default=0)
    parser.add_argument("--without-effects", action="store_true")
    parser.add_argument("--judge", action="store_true")
    parser.add_argument("--table", action="store_true", help="write docs/scale.md and .svg")
    parser.add_argument("--add", type=Path, nargs="*", default=[])
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--hand-over", type=Path)
    parser.add_argument("--make", type=Path, help="only make a study of the one size in a folder")
    options = parser.parse_args()
    if options.hand_over:
        hand_over(options.hand_over)
        return
    if options.make:
        (size,) = options.sizes
        make_study(options.make, size, max(2, size // SCANS_PER_SESSION), options.pixels)
        return
    stages = MEASURING if options.without_effects else STAGES
    results = [one for path in options.add for one in json.loads(path.read_text())]
    results += [measured(n, options.pixels, stages, options.judge) for n in options.sizes]
    results.sort(key=lambda one: one["scans"])
    if options.keep:
        options.keep.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    lines = extended(results, options.up_to)
    print(page(results, lines))
    if options.table:
        write_docs(results, lines)
    if broken := check_bounds(results, options.judge):
        raise SystemExit("bounds that do not hold:\n" + "\n".join(broken))


if __name__ == "__main__":
    main()
