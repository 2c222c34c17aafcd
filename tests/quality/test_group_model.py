"""T2 and Q on larger groups: what is found, and how often clean scans are called."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.quality.replicates import ALPHA, FEWEST_SCANS, fit_model, model_outliers

SHAPES = np.sin(np.outer([1, 2, 3], np.linspace(0, 3, 25)))


def groups(
    rng: np.random.Generator, n_units: int = 12, n: int = 8
) -> tuple[list[str], list[str], list[str], np.ndarray]:
    units = [f"u{k:02d}" for k in range(n_units) for _ in range(n)]
    leaves = [str(j) for _ in range(n_units) for j in range(n)]
    own = np.repeat(rng.normal(size=(n_units, 3)) @ SHAPES * 0.2, n, axis=0)
    within = (rng.normal(size=(len(units), 3)) * [0.08, 0.04, 0.02]) @ SHAPES
    noise = rng.normal(size=(len(units), 25)) * 0.003
    names = [f"{u}-{leaf}" for u, leaf in zip(units, leaves, strict=True)]
    return names, units, leaves, own + within + noise


def test_clean_groups_are_called_about_as_often_as_stated() -> None:
    rng = np.random.default_rng(61)
    n_called = n_scans = 0
    for _ in range(110):
        flags = model_outliers(*groups(rng))
        n_called += len({flag.scan for flag in flags})
        n_scans += 96
    assert n_scans > 10_000
    # Two limits at 1 in 10,000 each; the components are from few scans: at most 1 in 1,000.
    assert 2 * ALPHA <= 1e-3
    assert n_called <= n_scans / 1000


def test_scan_with_a_shape_of_its_own_is_beyond_q() -> None:
    rng = np.random.default_rng(62)
    names, units, leaves, bands = groups(rng)
    bands[20] += 0.03 * np.where(np.arange(25) % 2, 1.0, -1.0)
    flags = model_outliers(names, units, leaves, bands)
    assert {(f.scan, f.check, f.severity) for f in flags} == {(names[20], "replicate_q", "outlier")}
    assert "this session's scans" in flags[0].sentence


def test_scan_far_along_the_usual_ways_is_beyond_t2() -> None:
    rng = np.random.default_rng(63)
    names, units, leaves, bands = groups(rng)
    bands[33] += 0.8 * SHAPES[0]
    flags = model_outliers(names, units, leaves, bands)
    assert (names[33], "replicate_t2") in {(f.scan, f.check) for f in flags}
    assert {f.scan for f in flags} == {names[33]}


def test_a_leaf_whose_scans_all_differ_is_a_notice() -> None:
    rng = np.random.default_rng(64)
    names, units, leaves, bands = groups(rng)
    leaves[1] = leaves[0]
    bands[:2] += 0.8 * SHAPES[0]
    flags = [f for f in model_outliers(names, units, leaves, bands) if f.check == "replicate_t2"]
    assert {(f.scan, f.severity) for f in flags} == {(n, "notice") for n in names[:2]}


def test_small_groups_and_few_scans_are_left_to_the_pairs() -> None:
    rng = np.random.default_rng(65)
    names, units, leaves, bands = groups(rng, n_units=30, n=3)
    bands[0] += 5
    assert model_outliers(names, units, leaves, bands) == []
    assert fit_model(rng.normal(size=(FEWEST_SCANS - 1, 25))) is None


@pytest.mark.parametrize("n", [30, 200])
def test_limits_of_the_model_are_those_of_the_domain(n: int) -> None:
    from leafledger.spectra.applicability import t2_limit

    rng = np.random.default_rng(66)
    model = fit_model((rng.normal(size=(n, 3)) * [3, 2, 1]) @ SHAPES)
    assert model is not None
    assert model.t2_limit == t2_limit(model.n, len(model.variance), ALPHA)
