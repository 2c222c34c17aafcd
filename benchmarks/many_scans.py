"""Classes at sizes beyond memory: beside one BLAS product, scikit-learn's SGD and ikpls.

``python benchmarks/many_scans.py [--scans 20000] [--wavelengths 500] [products] [small] [rule]
[whole] [scatter] [rivals] [controls] [sgd] [ikpls]`` (about three minutes; a million scans of 1,000
values take hours and 4 GB of disk).
Each part is a process of its own with one thread, so that its peak of memory is its own; all read
the same Parquet file, written in row groups of 500 scans of ten classes, ten leaves of each unit.

``products``
    One pass that sums X'X of five folds from the file, against numpy's plain product of as many
    rows that are in memory already. Bound: 2,500 MB, and from 1,000 wavelengths on 2 times (with
    fewer the product is so quick that reading the file takes longer).
``small``
    The rules ``classes`` and ``rivals`` with default settings at 20,000 x 500, whatever ``--scans``
    says. Bound: 60 s of processor time each.
``rule``
    The whole rule ``classes`` without permutations, spectra as they are: nested choice of 5 folds,
    final model, tables. Bound: 2,500 MB.
``whole``
    The same with default settings: three preprocessings, permutations on a sample. Bound: 2,500 MB.
``scatter``
    The same with multiplicative scatter correction beside the spectra as they are: sums of their
    own for every training set, which are ten to sixteen. Bounds: 2,500 MB, 8 times ``rule``.
``rivals``, ``controls``
    The rules ``rivals`` and ``negative_controls``, on samples. Bounds: 2,500 MB, 60 s.
``sgd``
    SGDClassifier (logistic loss) out of core: standardised, five models (one a fold) that see every
    scan in five epochs of ``partial_fit``. No choice of anything, no probabilities.
``ikpls``
    The library's fast cross-validation of 12 latent variables under the same five folds, whole
    matrix in memory; no inner loop. Left out above 2 GB of spectra.

Accuracy, processor seconds and peak of ``rule``, ``sgd`` and ``ikpls`` stand side by side. Bounds:
``rule`` is at least as accurate less half a percent point, and within twice the time of ``sgd``.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from bounds import at_most, finish, peak_megabytes, processor_seconds, timed
from numpy.typing import NDArray

from classes import written_job
from leafledger.classes import baselines, fold_fit, negative_controls, stage
from leafledger.classes.labelled_scans import labelled_spectra
from leafledger.records.record import Job
from leafledger.study.table_files import read_json

CLASSES, PER_UNIT, FOLDS, EPOCHS, COMPONENTS = 10, 10, 5, 5, 12
MOST_IN_MEMORY = 2e9


def job_of(folder: Path, rule: str, n: int, p: int, draws: int = 0) -> Job:
    """Return the job of a rule on the file of this size, written if it is not there."""
    kept = folder / f"{n}x{p}"
    job = written_job(kept, n, p, CLASSES, draws, per=PER_UNIT, rule=rule)
    if draws == 0:
        # As SGD and ikpls: spectra as they are.
        classes = {**job.settings["classes"], "preprocessing": ["none"]}
        job = replace(job, settings={**job.settings, "classes": classes})
    return job


def folds_of(unit_of: NDArray[np.int_]) -> NDArray[np.int_]:
    """Return folds of whole units in which all classes are."""
    return unit_of // CLASSES % FOLDS


def products(folder: Path, n: int, p: int) -> dict[str, float]:
    data = labelled_spectra(job_of(folder, "classes", n, p))
    at_start = peak_megabytes()
    fold = folds_of(data.unit_of)
    ours = timed(lambda: fold_fit.summed(data, ["none"], fold, FOLDS))
    peak = peak_megabytes()
    some = min(n, int(4e8 // (8 * p)))
    rows = np.random.default_rng(1).normal(size=(some, p))
    plain = timed(lambda: rows.T @ rows) * n / some
    return {"seconds": ours, "plain_seconds": plain, "peak": peak, "before": at_start}


def small(folder: Path, *_size: int) -> dict[str, float]:
    out = {}
    for rule, run in (("classes", stage.run), ("rivals", baselines.run)):
        job = job_of(folder, rule, 20_000, 500, 999)
        out[rule] = timed(lambda run=run, job=job: run(job))
    return out


def rule(folder: Path, n: int, p: int) -> dict[str, float]:
    return of_stage(job_of(folder, "classes", n, p))


def whole(folder: Path, n: int, p: int) -> dict[str, float]:
    return of_stage(job_of(folder, "classes", n, p, 999))


def scatter(folder: Path, n: int, p: int) -> dict[str, float]:
    job = job_of(folder, "classes", n, p)
    classes = {**job.settings["classes"], "preprocessing": ["none", "multiplicative_scatter"]}
    return of_stage(replace(job, settings={**job.settings, "classes": classes}))


def rivals(folder: Path, n: int, p: int) -> dict[str, float]:
    job = job_of(folder, "rivals", n, p, 999)
    return {"seconds": timed(lambda: baselines.run(job)), "peak": peak_megabytes()}


def controls(folder: Path, n: int, p: int) -> dict[str, float]:
    job = job_of(folder, "negative_controls", n, p, 999)
    return {"seconds": timed(lambda: negative_controls.run(job)), "peak": peak_megabytes()}


def of_stage(job: Job) -> dict[str, float]:
    """Run the rule ``classes`` and return what it took and what it achieves."""
    seconds = timed(lambda: stage.run(job))
    told = read_json(job.outputs["summary"])
    return {"seconds": seconds, "accuracy": told["accuracy"], "peak": peak_megabytes(),
            "latent_variables": told["n_components"]}  # fmt: skip


def sgd(folder: Path, n: int, p: int) -> dict[str, float]:
    from sklearn.linear_model import SGDClassifier

    data = labelled_spectra(job_of(folder, "classes", n, p))
    fold, names = folds_of(data.unit_of), np.arange(CLASSES)
    start = processor_seconds()
    total, squares = np.zeros(p), np.zeros(p)
    for _, spectra in data.files.blocks():
        total += spectra.sum(axis=0)
        squares += (spectra**2).sum(axis=0)
    mean = total / n
    sd = np.sqrt(squares / n - mean**2)
    models = [SGDClassifier(loss="log_loss", random_state=i) for i in range(FOLDS)]
    rng = np.random.default_rng(1)
    for _ in range(EPOCHS):
        for rows, spectra in data.files.blocks():
            mixed = rng.permutation(len(rows))
            scaled, codes, held = ((spectra - mean) / sd)[mixed], data.codes[rows][mixed], \
                fold[rows][mixed]  # fmt: skip
            for i, model in enumerate(models):
                model.partial_fit(scaled[held != i], codes[held != i], classes=names)
    right = 0
    for rows, spectra in data.files.blocks():
        for i, model in enumerate(models):
            here = fold[rows] == i
            if here.any():
                said = model.predict((spectra[here] - mean) / sd)
                right += int((said == data.codes[rows][here]).sum())
    return {"seconds": processor_seconds() - start, "accuracy": right / n, "peak": peak_megabytes()}


def ikpls(folder: Path, n: int, p: int) -> dict[str, float]:
    from ikpls.fast_cross_validation.numpy import PLS

    data = labelled_spectra(job_of(folder, "classes", n, p))
    if n * p * 8 > MOST_IN_MEMORY:
        return {}
    fold = folds_of(data.unit_of)
    start = processor_seconds()
    spectra = data.files.read()
    member = np.eye(CLASSES)[data.codes]
    model = PLS(algorithm=2, scale_X=False, scale_Y=False, copy=False)

    def right(true: Any, said: Any) -> Any:
        return (said.argmax(axis=-1) == true.argmax(axis=-1)).sum(axis=-1)

    found = model.cross_validate(
        spectra, member, COMPONENTS, fold.tolist(), right, n_jobs=1, verbose=0
    )
    best = float(np.max(np.sum(list(found.values()), axis=0)) / n)
    return {"seconds": processor_seconds() - start, "accuracy": best, "peak": peak_megabytes()}


PARTS: dict[str, Callable[[Path, int, int], dict[str, float]]] = {
    "products": products, "small": small, "rule": rule, "whole": whole, "scatter": scatter,
    "rivals": rivals, "controls": controls, "sgd": sgd, "ikpls": ikpls,
}  # fmt: skip


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--scans", type=int, default=20_000)
    asked.add_argument("--wavelengths", type=int, default=500)
    asked.add_argument("--folder", type=Path)
    asked.add_argument("--child", action="store_true")
    asked.add_argument("parts", nargs="*", choices=[[], *PARTS])
    given = asked.parse_args()
    n, p = given.scans, given.wavelengths
    if given.child:
        print(json.dumps(PARTS[given.parts[0]](given.folder, n, p)))
        return
    seen: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as name:
        for part in given.parts or list(PARTS):
            done = subprocess.run(
                [sys.executable, __file__, "--child", part, "--scans", str(n), "--wavelengths",
                 str(p), "--folder", str(given.folder or name)],
                check=True, stdout=subprocess.PIPE, text=True,
            )  # fmt: skip
            seen[part] = json.loads(done.stdout.splitlines()[-1])
            hold(part, n, p, seen[part])
    beside(seen, f"{n:,} x {p:,}")
    finish()


def beside(seen: dict[str, dict[str, float]], size: str) -> None:
    """Hold the rule to what stands beside it, where both were run."""
    if "rule" not in seen:
        return
    ours = seen["rule"]
    if "scatter" in seen:
        ratio = seen["scatter"]["seconds"] / ours["seconds"]
        at_most(f"classes {size} with scatter correction, over without", ratio, 8, "x")
    if "sgd" in seen:
        at_most(f"classes {size}, over SGD", ours["seconds"] / seen["sgd"]["seconds"], 2, "x")
    for name in ("sgd", "ikpls"):
        if seen.get(name):
            lost = 100 * (seen[name]["accuracy"] - ours["accuracy"])
            at_most(f"classes {size}, less accurate than {name}", lost, 0.5, "pt")


def hold(part: str, n: int, p: int, found: dict[str, float]) -> None:
    """Print what a part found and hold it to its bounds."""
    size = f"{n:,} x {p:,}"
    if part == "products":
        ratio = found["seconds"] / found["plain_seconds"]
        bound = 2 if p >= 1000 else np.inf
        at_most(f"products {size}, over one X'X in memory", ratio, bound, "x")
        at_most(f"products {size}, peak", found["peak"], 2500, "MB")
    elif part == "small":
        for rule_name, seconds in found.items():
            at_most(f"{rule_name} 20,000 x 500, processor time", seconds, 60, "s")
    elif found:
        accuracy = f"accuracy {found['accuracy']:.4f}, " if "accuracy" in found else ""
        print(
            f"{part:8s} {size}: {accuracy}{found['seconds']:.1f} s of processor time, "
            f"peak {found['peak']:.0f} MB",
            flush=True,
        )
        if part not in ("sgd", "ikpls"):
            at_most(f"{part} {size}, peak", found["peak"], 2500, "MB")
        if part in ("rivals", "controls"):
            at_most(f"{part} {size}, processor time", found["seconds"], 60, "s")
    else:
        print(f"{part:8s} {size}: left out, the matrix in memory is over 2 GB", flush=True)


if __name__ == "__main__":
    main()
