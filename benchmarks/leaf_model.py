"""Time of the inversion of the leaf model.

``python benchmarks/leaf_model.py [few] [ratio] [many]`` (about ten minutes on two cores). Bounds
of processor time:

- ``few``: 300 leaves, 400 to 2500 nm in steps of 1 nm, within 20 s (10 s of two cores);
- ``ratio``: a batch of 300 leaves at least 4 times faster, by processor time, than one leaf after
  the other by scipy.optimize.least_squares with the package prosail as its model, the plain way,
  with the same estimates;
- ``many``: 20,000 leaves within 20 minutes (10 of two cores).

Elapsed time is printed beside it. The coefficients are those of the package prosail, a tool of
these tests only.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "traits"))

import prosail
from bounds import at_least, at_most, finish
from scipy.optimize import least_squares
from simulated_leaves import MODEL_NM, drawn, spectra

from leafledger.traits.leaf_model import BY_NAME, Inversion, invert

Array = NDArray[np.float64]
U = 0.003


def noisy(n: int) -> tuple[Array, Inversion, float, float]:
    """Invert n leaves; return spectra, what was found, and elapsed and processor time."""
    table, reflectance = spectra(drawn(n, 1), MODEL_NM)
    reflectance = reflectance + U * np.random.default_rng(2).normal(size=reflectance.shape)
    u = np.full_like(reflectance, U)
    start, used = time.perf_counter(), time.process_time()
    found = invert(table, reflectance, u)
    return reflectance, found, time.perf_counter() - start, time.process_time() - used


def plain(spectrum: Array, found: Inversion, leaf: int) -> Array:
    """Return the estimates of one leaf by the general optimiser and the outside model."""
    of = [BY_NAME[name] for name in found.names]
    scale = np.array([one.sd for one in of])
    mean = np.array([one.mean for one in of])
    sd = U * np.sqrt(found.inflation[leaf])

    def distances(x: Array) -> Array:
        theta = dict(zip(found.names, x * scale, strict=True))
        _, r, _ = prosail.run_prospect(
            theta["structure"], theta["chlorophyll"], theta["carotenoids"], 0.0, theta["water"],
            theta["dry_matter"], ant=theta["anthocyanins"],
        )  # fmt: skip
        return np.append((r + theta["gloss"] - spectrum) / sd, x - mean / scale)

    low = np.array([one.low for one in of]) / scale
    high = np.array([one.high for one in of]) / scale
    start = np.array([1.7, 40, 9, 2, 0.012, 0.007, 0.0]) / scale
    answer = least_squares(distances, start, bounds=(low, high), xtol=1e-9, ftol=1e-12)
    return np.asarray(answer.x * scale)


def few() -> dict[str, float]:
    _, found, seconds, used = noisy(300)
    assert found.converged.all()
    at_most("300 leaves, processor time", used, 20, "s")
    return {"leaves": 300, "seconds": seconds, "processor_seconds": used}


def ratio() -> dict[str, float]:
    reflectance, found, _, used = noisy(300)
    start = time.process_time()
    n_plain = 8
    for leaf in range(n_plain):
        theirs = plain(reflectance[leaf], found, leaf)
        away = (theirs - found.estimate[leaf]) / found.u_posterior[leaf]
        assert np.abs(away).max() < 0.02, away
    each = (time.process_time() - start) / n_plain
    factor = each / (used / 300)
    at_least("300 leaves, times one by one with prosail", factor, 4, "x")
    return {"plain_seconds_a_leaf": each, "seconds_a_leaf": used / 300, "times_faster": factor}


def many() -> dict[str, float]:
    _, found, seconds, used = noisy(20_000)
    assert found.converged.mean() > 0.999
    at_most("20,000 leaves, processor time", used, 1200, "s")
    return {"leaves": 20_000, "seconds": seconds, "processor_seconds": used}


if __name__ == "__main__":
    parts = {"few": few, "ratio": ratio, "many": many}
    for name in sys.argv[1:] or parts:
        print(json.dumps({name: parts[name]()}), flush=True)
    finish()
