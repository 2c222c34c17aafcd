"""Time and memory of the discriminant model, as ratios taken in one run.

``python benchmarks/classes.py [paths] [permutations] [nested] [search] [large]``, with the one
thread that a run uses (about ten minutes). Bounds, of processor time:

- ``paths``: every number of latent variables to 25 under 10 folds of 20,000 x 500 spectra of 10
  classes, at least 10 times faster than scikit-learn's PLSRegression fitted once per fold;
- ``permutations``: 999 permutations of a 10-fold path of 15 for 300 x 2,000, at least 20 times
  faster than the same with scikit-learn (ten permutations, scaled up), within 60 s;
- ``nested``: 999 permutations of the whole nested procedure, 5 x 5 folds, three preprocessings,
  288 x 600, within 3 minutes;
- ``search``: the whole rule ``classes`` with default settings, 300 x 600 spectra of 28 classes,
  199 permutations, within 60 s;
- ``large``: 200,000 x 500 under 2.5 GB, time linear in rows.

Predictions are asserted to be equal to scikit-learn's but for near-ties: that one iterates, and at
the tolerance set here its memberships are true to about 1e-4, so a class may differ only where two
memberships are within 3e-4 of each other. The first fold is asserted to be equal, scan by scan and
without such an allowance, to a fit of the improved kernel algorithm by its own library.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from bounds import at_least, at_most, finish, peak_megabytes, processor_seconds
from numpy.typing import NDArray

from leafledger.classes import stage
from leafledger.classes.cross_validation import nested_predictions, nested_validation
from leafledger.classes.fold_fit import FittedPredictor, Procedure, batched_predictor
from leafledger.classes.negative_controls import arrangements, nested_accuracy
from leafledger.records.record import Job
from leafledger.resampling.splits import Scheme, assign_folds, scheme_of
from leafledger.spectra.applicability import preprocessed
from leafledger.spectra.pls import SplitProducts, fit_path, membership_of
from leafledger.study.definition import Classes
from leafledger.study.study import Task, outputs
from leafledger.study.table_files import write_csv, write_json, write_parquet
from leafledger.study.tables import ACCEPTED

Array = NDArray[np.float64]
Codes = NDArray[np.int_]


def spectra_of(n: int, p: int, codes: Codes, gap: float = 0.5) -> Array:
    """Return smooth spectra whose classes differ, built in blocks to spare memory."""
    rng = np.random.default_rng(1)
    x = np.linspace(0, 1, p)
    shapes = np.stack([np.sin((i + 1) * np.pi * x) for i in range(30)])
    centres = rng.normal(size=(int(codes.max()) + 1, 30))
    out = np.empty((n, p))
    for start in range(0, n, 10_000):
        part = codes[start : start + 10_000]
        scores = gap * centres[part] + rng.normal(size=(len(part), 30))
        out[start : start + 10_000] = 0.4 + 0.02 * scores @ shapes
        out[start : start + 10_000] += 0.002 * rng.normal(size=(len(part), p))
    return out


def reference(
    training: Array, codes: Codes, judged: Array, n_classes: int, n_components: int
) -> Array:
    """Return memberships of every count from one fit of scikit-learn's PLSRegression."""
    from sklearn.cross_decomposition import PLSRegression

    member = membership_of(codes, n_classes)
    fit = PLSRegression(n_components, scale=False, tol=1e-10, max_iter=10_000).fit(training, member)
    scores = (judged - training.mean(axis=0)) @ fit.x_rotations_
    steps = scores.T[:, :, None] * fit.y_loadings_.T[:, None, :]
    return np.asarray(np.cumsum(steps, axis=0) + member.mean(axis=0))


def equal(ours: Codes, member: Array) -> int:
    """Assert that ours are the reference's classes; return how many near-ties fell otherwise."""
    ours_member = np.take_along_axis(member, ours[..., None], axis=-1)[..., 0]
    largest = member.max(axis=-1)
    assert (largest - ours_member).max() <= 3e-4
    return int((ours_member < largest).sum())


def told(what: str, seconds: float, more: str = "") -> None:
    print(f"{what:62s} {seconds:9.2f} s  {more}", flush=True)


def paths() -> None:
    n, p, k, a, n_folds = 20_000, 500, 10, 25, 10
    codes = np.arange(n) % k
    spectra, fold = spectra_of(n, p, codes), (np.arange(n) // k) % n_folds
    training = np.array([fold != i for i in range(n_folds)])
    start = processor_seconds()
    products = SplitProducts(spectra, training)
    ours = np.empty((a, n), dtype=np.int_)
    for i in range(n_folds):
        rows = np.flatnonzero(fold == i)
        fit = products.fit(training[i], codes, k, a)
        for block in np.array_split(rows, 1 + len(rows) // 1000):
            ours[:, block] = fit.membership(spectra[block]).argmax(axis=-1)
    own = processor_seconds() - start
    start = processor_seconds()
    other = np.empty((*ours.shape, k))
    for i in range(n_folds):
        held = fold == i
        other[:, held] = reference(spectra[~held], codes[~held], spectra[held], k, a)
    theirs = processor_seconds() - start
    ties = equal(ours, other)
    first = fold == 0
    library = fit_path(spectra[~first], membership_of(codes[~first], k), a)
    np.testing.assert_array_equal(
        ours[:, first], library.membership(spectra[first]).argmax(axis=-1)
    )
    told("paths, ours", own, f"accuracy at {a}: {(ours[-1] == codes).mean():.3f}")
    told("paths, scikit-learn", theirs, f"ties {ties}")
    at_least("paths, times scikit-learn", theirs / own, 10, "x")


def permutations() -> None:
    n, p, k, a, n_folds, draws, some = 300, 2000, 4, 15, 10, 999, 10
    units, rng = np.arange(n) // 3, np.random.default_rng(0)
    labels = np.arange(n // 3) % k
    fold = assign_folds(labels, np.zeros(n // 3, dtype=np.int_), n_folds, rng)
    spectra = spectra_of(n, p, labels[units])
    drawn, _ = arrangements(labels, fold, draws, rng)
    every = drawn[:, units]
    start = processor_seconds()
    predict = batched_predictor(spectra, "none", Procedure(k, a))
    ours = np.empty((len(every), a, n), dtype=np.int_)
    for first in range(0, len(every), 100):
        block = slice(first, first + 100)
        for i in range(n_folds):
            held = fold[units] == i
            ours[block][:, :, held] = predict(~held, held, every[block], a)[0]
    own = processor_seconds() - start
    start = processor_seconds()
    other = np.empty((some, a, n, k))
    for row, codes in zip(other, every[:some], strict=True):
        for i in range(n_folds):
            held = fold[units] == i
            row[:, held] = reference(spectra[~held], codes[~held], spectra[held], k, a)
    theirs = (processor_seconds() - start) * len(every) / some
    ties = equal(ours[:some], other)
    held = fold[units] == 0
    library = fit_path(spectra[~held], membership_of(every[1][~held], k), a)
    np.testing.assert_array_equal(
        ours[1][:, held], library.membership(spectra[held]).argmax(axis=-1)
    )
    told("permutations, scikit-learn (scaled up from ten)", theirs, f"ties {ties}")
    at_least("permutations, times scikit-learn", theirs / own, 20, "x")
    at_most("permutations, processor time", own, 60, "s")


def five_by_five(fold: Codes, units: Codes) -> Scheme:
    """Return five outer folds, each with five inner ones of its own."""
    training = [fold != i for i in range(5)]
    listed = []
    for i in range(5):
        own = []
        for j in range(5):
            judged = (fold != i) & (units % 5 == j)
            own.append((len(training), judged))
            training.append((fold != i) & ~judged)
        listed.append(tuple(own))
    return Scheme(fold, np.array(training), tuple(range(5)), tuple(listed))


def nested() -> None:
    n, p, k, a, draws = 288, 600, 4, 15, 999
    steps = ("none", "standard_normal_variate", "multiplicative_scatter")
    units, rng = np.arange(n) // 12, np.random.default_rng(0)
    labels, axis = np.arange(24) % k, np.linspace(450.0, 975.0, p)
    fold = assign_folds(labels, np.zeros(24, dtype=np.int_), 5, rng)
    spectra, procedure = spectra_of(n, p, labels[units]), Procedure(k, a)
    drawn, _ = arrangements(labels, fold, draws, rng)
    schemes = {
        "inner folds of their own (30 sets)": five_by_five(fold[units], units),
        "the remaining outer folds (15 sets)": scheme_of(fold[units], units, rng),
    }
    for words, scheme in schemes.items():
        start = processor_seconds()
        predictors = [
            batched_predictor(preprocessed(spectra, step, axis), step, procedure) for step in steps
        ]
        reached = nested_accuracy(predictors, scheme, drawn[:, units], units, (a,))
        own = processor_seconds() - start
        fitted = [
            FittedPredictor(preprocessed(spectra, step, axis), step, procedure) for step in steps
        ]
        few = drawn[:3, units]
        check = nested_predictions(fitted, scheme, few, units, (a,)) == few
        assert np.array_equal(check.mean(axis=1), reached[:3])
        at_most(f"nested, {words}", own, 180, "s")


def search() -> None:
    """Run the rule ``classes`` whole, with the settings that it has if only the target is named.

    300 leaves of 28 classes on 600 wavelengths, 199 permutations: read, search, validation,
    permutations, resampled terms, model and tables.
    """
    with tempfile.TemporaryDirectory() as folder:
        job = written_job(Path(folder), 300, 600, 28, 199)
        cpu = processor_seconds()
        stage.run(job)
        cpu = processor_seconds() - cpu
        found = json.loads(job.outputs["summary"].read_text(encoding="utf-8"))
    assert found["n_draws"] == 199
    at_most("rule classes, 28 classes, 199 permutations", cpu, 60, "s")


def written_job(
    root: Path, n: int, p: int, k: int, draws: int, *, per: int = 1, rule: str = "classes"
) -> Job:
    """Write accepted spectra of ``k`` classes, ``per`` leaves of each unit; return a rule's job.

    Spectra are made and written in blocks, so that the memory measured is that of the rule; a file
    that is there already is kept.
    """
    units = np.arange(n) // per
    labels = units % k
    scans = [f"s{i:07d}" for i in range(n)]
    inputs = {
        "reflectance/all": root / "all.parquet",
        "indices/all": root / "indices.parquet",
        "accepted": root / "accepted.csv",
        "range": root / "range.json",
        "passed": root / "passed.json",
    }
    axis = np.linspace(400.0, 1000.0, p)
    if not inputs["reflectance/all"].exists():
        write_blocks(inputs["reflectance/all"], scans, labels, units, axis)
    some = [f"I{i}" for i in range(3)]
    values = np.random.default_rng(2).normal(size=(len(some), n)) + labels / k
    long = {"scan": scans * len(some), "index": np.repeat(some, n), "value": values.ravel()}
    write_parquet(inputs["indices/all"], pa.table(long), {}, ("scan", "index"))
    rows = pd.DataFrame(
        {"scan": scans, "session": "all", "unit": [f"u{u:07d}" for u in units], "leaf": "1",
         "replicate": "1", "accepted": True}
    )  # fmt: skip
    write_csv(inputs["accepted"], rows[list(ACCEPTED)], ACCEPTED)
    write_json(inputs["range"], {"start_nm": 400.0, "stop_nm": 1000.0, "rule": "stated"})
    write_json(inputs["passed"], {"passed": True})
    settings = {
        "design": {
            "unit": "tree", "treatment": "species", "block": None,
            "sessions": [{"session": "all", "phase": "after"}],
        },
        "classes": Classes(target="species", n_permutations=draws).model_dump(mode="json"),
        "units": {f"u{u:07d}": {"species": f"c{u % k:02d}"} for u in range(int(units[-1]) + 1)},
    }  # fmt: skip
    places = {role: root / path for role, path in outputs(Task(rule)).items()}
    return Job(rule, None, settings, inputs, places, root)


def write_blocks(path: Path, scans: list[str], labels: Codes, units: Codes, axis: Array) -> None:
    """Write spectra in the layout of the pipeline, row group after row group."""
    import pyarrow.parquet as pq

    kind = pa.list_(pa.field("element", pa.float32(), nullable=False), len(axis))
    fields = [pa.field("scan", pa.string()), pa.field("reflectance", kind, nullable=False)]
    schema = pa.schema(fields, {"wavelength_nm": json.dumps(axis.tolist())})
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1)
    shapes = np.stack([np.sin((i + 1) * np.pi * np.linspace(0, 1, len(axis))) for i in range(30)])
    centres = rng.normal(size=(int(labels.max()) + 1, 30))
    of_units = rng.normal(size=(int(units.max()) + 1, 30), scale=0.5)
    with pq.ParquetWriter(
        path, schema, compression="zstd", compression_level=3, use_dictionary=["scan"],
        use_byte_stream_split=["reflectance.list.element"],
    ) as writer:  # fmt: skip
        for start in range(0, len(scans), 5000):
            part = slice(start, start + 5000)
            codes = labels[part]
            scores = 0.5 * centres[codes] + of_units[units[part]]
            scores = scores + 0.8 * rng.normal(size=(len(codes), 30))
            spectra = 0.4 + 0.02 * scores @ shapes
            spectra += 0.002 * rng.normal(size=spectra.shape)
            flat = pa.array(spectra.astype(np.float32).ravel())
            column = pa.FixedSizeListArray.from_arrays(flat, type=kind)
            table = pa.Table.from_arrays([pa.array(scans[part]), column], schema=schema)
            writer.write_table(table, row_group_size=500)


def large() -> None:
    k, a = 10, 25
    seconds = {}
    for n in (50_000, 100_000, 200_000):
        codes = np.arange(n) % k
        units = np.arange(n) // (2 * k) * k + codes
        spectra = spectra_of(n, 500, codes)
        fold = (np.arange(n) // (2 * k)) % 6
        scheme = scheme_of(fold, units, np.random.default_rng(0))
        start = processor_seconds()
        predictor = FittedPredictor(spectra, "none", Procedure(k, a))
        predictor.prepare(scheme.training)
        found = nested_validation([predictor], scheme, codes[None], units, (a,), a)
        seconds[n] = processor_seconds() - start
        right = float((found.predicted[0] == codes).mean())
        told(f"large, {n:,} x 500, nested in 6 folds", seconds[n], f"accuracy {right:.3f}")
        del spectra, predictor, found
    at_most("large, peak", peak_megabytes(), 2500, "MB")
    at_most("large, time of four times the rows", seconds[200_000] / seconds[50_000], 5.2, "x")


PARTS = {
    "paths": paths,
    "permutations": permutations,
    "nested": nested,
    "search": search,
    "large": large,
}

if __name__ == "__main__":
    wanted = sys.argv[1:] or list(PARTS)
    if len(wanted) == 1:
        PARTS[wanted[0]]()
        finish()
    # Each part in a process of its own, so that its peak of memory is its own.
    parts = [subprocess.run([sys.executable, __file__, part], check=False) for part in wanted]
    sys.exit(max(part.returncode for part in parts))
