"""What a check of replicates can and cannot find of leaves swapped between plants.

The figures stand in docs/method.md. Leaves (PROSPECT-D) of 24 plants of four cultivars, three each,
with the standard deviations of the demo's design.
"""

from __future__ import annotations

import numpy as np
import prosail
import pytest

from leafledger.quality.replicates import log_bands, replicate

AXIS = np.arange(420.0, 951.0, 5.0)
MODEL_NM = np.arange(400.0, 2501.0)
CHLOROPHYLL = (-4.0, -1.5, 1.5, 4.0)
STRUCTURE = (-0.09, 0.06, -0.03, 0.06)
NAMES = [f"u{unit:02d}-{leaf}" for unit in range(24) for leaf in range(3)]
PLACES = {name: (name[:3], name[-1]) for name in NAMES}


def session(rng: np.random.Generator) -> np.ndarray:
    """Return log reflectance in bands of one session, shape (72, n_bands)."""
    rows = []
    for unit in range(24):
        plant = 20 + CHLOROPHYLL[unit % 4] + rng.normal(0, np.hypot(2.5, 1.3))
        layers = 1.45 + STRUCTURE[unit % 4] + rng.normal(0, 0.04)
        red = 1.2 + rng.normal(0, 0.25)
        for _ in range(3):
            green = max(plant + rng.normal(0, np.hypot(2.0, 1.0)), 3.0)
            leaf = prosail.run_prospect(
                layers + rng.normal(0, 0.05),
                green,
                2 + 0.19 * green + rng.normal(0, 0.35),
                0.0,
                0.0115 + rng.normal(0, 0.001),
                0.0042 + rng.normal(0, 0.0003),
                ant=max(red + rng.normal(0, 0.15), 0.0),
            )[1]
            seen = np.interp(AXIS, MODEL_NM, leaf) * (1 + rng.normal(0, 0.012))
            rows.append(seen + rng.normal(0, 0.002) + rng.normal(0, 0.002, len(AXIS)))
    return log_bands(AXIS, np.array(rows), np.ones(len(AXIS), dtype=bool))


def swapped(bands: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, list[int]]:
    one, other = rng.choice(24, 2, replace=False)
    leaf = int(rng.integers(3))
    at = [3 * int(one) + leaf, 3 * int(other) + leaf]
    out = bands.copy()
    out[at] = bands[at[::-1]]
    return out, at


@pytest.mark.slow
def test_most_swapped_leaves_cannot_be_found() -> None:
    rng = np.random.default_rng(20260504)
    days = [session(rng) for _ in range(60)]
    # What the best possible check would do, knowing how leaves of one plant differ: the distance
    # of a leaf from the mean of the other two, in the eight main directions of that difference.
    apart = np.array([_from_others(day) for day in days]).reshape(-1, days[0].shape[1])
    axes = np.linalg.svd(apart, full_matrices=False)[2][:8].T
    scale = np.linalg.inv(np.cov((apart @ axes).T))
    clean = np.einsum("ij,jk,ik->i", apart @ axes, scale, apart @ axes)
    limit = float(np.quantile(clean, 0.999))
    ours, best, either, called = [], [], [], 0
    for day in days:
        called += len(_named(day, 4.5))
        for _ in range(4):
            bands, at = swapped(day, rng)
            named = _named(bands, 4.5)
            ours += [NAMES[k] in named for k in at]
            off = _from_others(bands)[at] @ axes
            over = np.einsum("ij,jk,ik->i", off, scale, off) > limit
            best += list(over)
            either.append(over.any())
    assert called <= 2e-3 * 72 * len(days)
    assert 0 < np.mean(ours) <= 0.06
    assert 0.05 <= np.mean(best) <= 0.2
    assert 0.1 <= np.mean(either) <= 0.3


def _named(bands: np.ndarray, limit: float) -> set[str]:
    flags = replicate(NAMES, PLACES, bands, limit)
    return {flag.scan for flag in flags if flag.severity == "outlier"}


def _from_others(bands: np.ndarray) -> np.ndarray:
    """Return each leaf less the mean of the other two of its plant."""
    plants = bands.reshape(24, 3, -1)
    return np.asarray((plants - (plants.sum(axis=1, keepdims=True) - plants) / 2).reshape(72, -1))
