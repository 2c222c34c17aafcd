"""The error of an estimated linearity is part of the uncertainty, and only it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from simulated_sessions import INSTRUMENT, REFLECTANCE, Bench
from uncertainties import correlated_values

from leafledger.reflectance.count_corrections import Linearity, fit_linearity
from leafledger.reflectance.detector import Noise
from leafledger.reflectance.measurement_equation import DarkPart, WhitePart, reflect
from leafledger.reflectance.references import References, Scans, build_references, fill_defaults
from leafledger.reflectance.stage import Reflected, to_reflectance
from leafledger.spectra.grid import resampling_weights

AXIS = np.linspace(400.0, 1000.0, 121)
GRID = np.arange(405.0, 1000.0, 5.0)
READ_NM = (450.0, 550.0, 680.0, 720.0, 800.0)
FULL = 65_535.0
EIGHT = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
SIX = (2.0, 4.0, 8.0, 12.0, 14.0, 16.0)
FOUR = (4.0, 8.0, 12.0, 16.0)


@cache
def weights() -> Any:
    return resampling_weights(AXIS, GRID)


def recorded(linear: np.ndarray, bend: Linearity) -> np.ndarray:
    x = linear.copy()
    for _ in range(10):
        x -= (bend.value(x) - linear) / bend.slope(x)
    return x


def session(
    rng: np.random.Generator, times: tuple[float, ...], flicker: float, bend: Linearity
) -> tuple[Scans, np.ndarray]:
    """Return a session of a bent detector, its lamp flickering through the integration times."""
    bench = Bench(wavelength_nm=AXIS, lamp=2800.0, read_counts=8.0)
    for ms in sorted({*times, 10.0, 20.0}):
        for k in range(3):
            bench.add("dark", k, ms=ms)
    flickers = {}
    for ms in times:
        for k in range(2):
            flickers[bench.add("white", 20 + ms + k, ms=ms)] = 1 + rng.normal(0, flicker)
    for k in range(3):
        bench.add("white", 60 + k)
    truth = [level * (1 + (AXIS - 700) / 1e4) for level in (0.04, 0.1, 0.3, 0.5)]
    for k, value in enumerate(truth):
        bench.add("sample", 80 + 50 * k, value, ms=20.0 if k < 3 else 10.0)
    for k in range(3):
        bench.add("white", 300 + k)
    for k, row in enumerate(bench.rows):
        dark = bench.offset + bench.dark_rate * row["ms"]
        linear = (bench.counts[k] - dark) * flickers.get(row["scan"], 1.0)
        variance = (linear / bench.electrons_per_count + bench.read_counts**2) / row["averages"]
        linear = linear + rng.normal(size=len(AXIS)) * np.sqrt(variance)
        bench.counts[k] = np.rint(dark + recorded(linear, bend))
    return fill_defaults(bench.scans(full_scale_counts=FULL))[0], np.array(truth)


def measured(scans: Scans, *, carried: bool = True) -> Reflected:
    instrument = {**INSTRUMENT, "linearity": "estimate", "full_scale_counts": FULL}
    references, said = build_references(scans, instrument, REFLECTANCE)
    assert references.noise.known, said
    return to_reflectance(scans, references if carried else certain(references), 1.0, weights())


def certain(references: References) -> References:
    """Return the same references with an estimated linearity that is taken as exact."""
    return replace(
        references,
        linearity=Linearity(references.linearity.coefficients),
        whites=replace(references.whites, bends=references.whites.bends[:0]),
        blocks=replace(references.blocks, bends=references.blocks.bends[:, :0]),
    )


def held(out: Reflected, truth: np.ndarray) -> np.ndarray:
    u = np.hypot(out.u_scan, out.u_reference)
    off = out.reflectance - (weights() @ truth.T).T
    return (np.abs(off) <= 1.959964 * u)[:, np.searchsorted(GRID, READ_NM)]


@pytest.mark.parametrize(
    ("times", "flicker", "bend"),
    [
        (FOUR, 0.002, Linearity((1.0, 2.5e-6))),
        pytest.param(SIX, 0.001, Linearity((1.0, -8e-7, 2.5e-11)), marks=pytest.mark.slow),
        pytest.param(EIGHT, 0.001, Linearity((1.0, 2.5e-6)), marks=pytest.mark.slow),
        pytest.param(EIGHT, 0.0, Linearity((1.0, -8e-7, 2.5e-11)), marks=pytest.mark.slow),
    ],
)
def test_coverage_with_an_estimated_linearity(
    times: tuple[float, ...], flicker: float, bend: Linearity
) -> None:
    rng = np.random.default_rng(20260504)
    inside = []
    for _ in range(200):
        scans, truth = session(rng, times, flicker, bend)
        inside.append(held(measured(scans), truth))
    assert 0.93 <= np.mean(inside) <= 0.97, np.mean(inside, axis=(0, 2))


def test_taken_as_exact_the_estimate_leaves_too_narrow_intervals() -> None:
    rng = np.random.default_rng(20260505)
    inside = []
    for _ in range(60):
        scans, truth = session(rng, FOUR, 0.003, Linearity((1.0, 2.5e-6)))
        inside.append(held(measured(scans, carried=False), truth))
    assert np.mean(inside) < 0.9


def test_its_error_cancels_where_leaf_and_white_have_equal_counts() -> None:
    scans, _ = session(np.random.default_rng(1), FOUR, 0.003, Linearity((1.0, 2.5e-6)))
    carried, exact = measured(scans), measured(scans, carried=False)
    assert np.array_equal(carried.reflectance, exact.reflectance)
    assert np.array_equal(carried.u_scan, exact.u_scan)
    part = np.sqrt(carried.u_reference**2 - exact.u_reference**2) / carried.reflectance
    # Leaf 4 has half the counts of the white, leaf 1 less than a tenth.
    assert part[3].max() < part[0].max()
    assert (part[0] > 0).all()


def test_law_of_propagation_for_an_uncertain_polynomial() -> None:
    """One pixel against the package `uncertainties`, the coefficients correlated."""
    modes = ((0.0, 3e-8, 2e-13), (0.0, -1e-8, 4e-13))
    bend = Linearity((1.0, 1e-6, 3e-12), modes)
    leaf, white, time_white, time_leaf = 9_000.0, 41_000.0, 10.0, 25.0
    covariance = np.array(modes)[:, 1:].T @ np.array(modes)[:, 1:]
    c1, c2 = correlated_values(bend.coefficients[1:], covariance)
    linear = [x * (1 + c1 * x + c2 * x * x) for x in (leaf, white)]
    expected = 0.98 * (linear[0] / time_leaf) / (linear[1] / time_white)
    at = np.array([[white]])
    part = reflect(
        np.array([[leaf]]),
        time_leaf,
        np.ones(1),
        DarkPart(np.zeros(1), np.ones(1), np.zeros(1), np.zeros(1)),
        WhitePart(
            bend.value(at) / time_white,
            np.zeros((1, 1)),
            np.zeros((1, 1)),
            np.zeros((1, 1, 1)),
            bends=bend.bends(at) / time_white,
        ),
        0.98,
        bend,
        Noise(1e300, 0.0),
    )
    assert part.reflectance[0, 0] == pytest.approx(expected.nominal_value, rel=1e-12)
    assert part.drift[0, 0] == pytest.approx(expected.std_dev, rel=1e-9)


def test_stated_spread_is_that_of_repeated_estimates() -> None:
    """Monte Carlo: coefficients of 400 redrawn ramps scatter as the fit says of each."""
    bend, times = Linearity((1.0, 2.5e-6)), np.repeat(FOUR, 2)
    rate = 2800 * (0.2 + np.exp(-(((AXIS - 680) / 180) ** 2)))
    rng = np.random.default_rng(5)
    found, stated = [], []
    for _ in range(400):
        linear = times[:, None] * rate * (1 + rng.normal(0, 0.002, (len(times), 1)))
        linear += rng.normal(size=linear.shape) * np.sqrt(linear / 40)
        fit = fit_linearity(recorded(linear, bend), times, np.full(8, 10.0), FULL, "day0")
        found.append(fit.linearity.coefficients[1])
        stated.append(fit.u_coefficients[0])
    # The factor of Student's t (two to three degrees of freedom) is meant to widen it.
    assert 1.0 < np.sqrt(np.mean(np.square(stated))) / np.std(found) < 2.5
    within = np.abs(np.array(found) - 2.5e-6) < 1.959964 * np.array(stated)
    assert 0.92 <= within.mean() <= 0.99
