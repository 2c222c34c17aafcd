"""The three paths through partial least squares against each other and the library's own."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.classes.fold_fit import Procedure, sums_products
from leafledger.spectra.pls import (
    SplitProducts,
    _View,
    centred_products,
    class_weights,
    fit_path,
    label_paths,
    membership_of,
    scan_products,
)

from .conftest import leaves


def paths_of(n_classes: int, seed: int):
    """Return spectra, classes and folds of 180 scans of 60 plants."""
    rng = np.random.default_rng(seed)
    labels = np.arange(60) % n_classes
    spectra = leaves(labels, 3, 50, 1.0, rng)
    return spectra, np.repeat(labels, 3), np.repeat((np.arange(60) // n_classes) % 5, 3)


@pytest.mark.parametrize("n_classes", [2, 5, 12])
def test_no_prediction_differs_between_the_paths_and_the_librarys_fast_cross_validation(n_classes):
    """Every class number at 1 to 12 latent variables in five folds: all four ways agree."""
    from ikpls.fast_cross_validation.numpy import PLS

    n_components = 12
    spectra, codes, fold = paths_of(n_classes, seed=n_classes)
    member = membership_of(codes, n_classes)
    training = np.array([fold != i for i in range(5)])
    products, scans = SplitProducts(spectra, training), scan_products(spectra)
    one_by_one, by_scans, by_parts = (np.empty((n_components, 180), dtype=int) for _ in range(3))
    for i, own in enumerate(training):
        held, rows = np.flatnonzero(~own), np.flatnonzero(own)
        plain = fit_path(spectra[own], member[own], n_components)
        one_by_one[:, held] = plain.membership(spectra[held]).argmax(axis=-1)
        inner, across = centred_products(scans, rows, held)
        paths = label_paths(inner, across, codes[None, rows], n_classes, n_components)
        by_scans[:, held] = paths.membership[:, 0].argmax(axis=-1)
        summed = products.fit(training[i], codes, n_classes, n_components)
        by_parts[:, held] = summed.membership(spectra[held]).argmax(axis=-1)
    library = PLS(algorithm=1, scale_X=False, scale_Y=False)
    found = library.cross_validate(
        spectra, member, n_components, fold, lambda true, said: said.argmax(axis=-1), n_jobs=1,
        verbose=0,
    )  # fmt: skip
    theirs = np.empty_like(one_by_one)
    for i in range(5):
        theirs[:, fold == i] = found[i]
    np.testing.assert_array_equal(one_by_one, theirs)
    np.testing.assert_array_equal(by_scans, theirs)
    np.testing.assert_array_equal(by_parts, theirs)


@pytest.mark.parametrize(("n_classes", "n_wavelengths"), [(2, 60), (4, 60), (4, 25)])
def test_membership_is_that_of_the_library(n_classes, n_wavelengths):
    rng = np.random.default_rng(3)
    labels = np.arange(24) % n_classes
    spectra = leaves(labels, 3, n_wavelengths, 1.0, rng)
    codes = np.stack([np.repeat(rng.permutation(labels), 3) for _ in range(9)])
    training, others = np.arange(60), np.arange(60, 72)
    inner, across = centred_products(scan_products(spectra), training, others)
    batched = label_paths(inner, across, codes[:, training], n_classes, 12).membership
    for i, row in enumerate(codes):
        path = fit_path(spectra[training], membership_of(row[training], n_classes), 12)
        member = path.membership(spectra[others])
        # Stated tolerance: products of scans square the condition of the spectra.
        np.testing.assert_allclose(batched[:, i], member, atol=1e-8)
        np.testing.assert_array_equal(batched[:, i].argmax(-1), member.argmax(-1))


def test_past_the_rank_of_the_data_predictions_stand_still():
    rng = np.random.default_rng(3)
    spectra = rng.normal(size=(30, 3)) @ rng.normal(size=(3, 50))
    codes = np.stack([rng.permutation(np.arange(30) % 3) for _ in range(4)])
    rows = np.arange(30)
    inner, across = centred_products(scan_products(spectra), rows, rows)
    member = label_paths(inner, across, codes, 3, 8).membership
    assert np.isfinite(member).all()
    np.testing.assert_allclose(member[7], member[2], atol=1e-6)


def test_one_class_in_training_is_always_named():
    spectra = np.random.default_rng(0).normal(size=(6, 20))
    inner, across = centred_products(scan_products(spectra), np.arange(4), np.arange(4, 6))
    member = label_paths(inner, across, np.ones((2, 4), dtype=int), 3, 3).membership
    np.testing.assert_array_equal(member, np.broadcast_to([0.0, 1.0, 0.0], member.shape))


def test_centring_is_that_of_the_training_mean():
    spectra = np.random.default_rng(0).normal(size=(9, 20)) + 5
    training, others = np.array([0, 2, 4, 6]), np.array([1, 8])
    centred = spectra - spectra[training].mean(axis=0)
    inner, across = centred_products(scan_products(spectra), training, others)
    np.testing.assert_allclose(inner, centred[training] @ centred[training].T, atol=1e-10)
    np.testing.assert_allclose(across, centred[others] @ centred[training].T, atol=1e-10)


def test_latent_variables_from_sums_of_parts_are_those_of_the_library():
    """Weights have length 1, loadings and rotations go with them; the same model to the digit."""
    labels, rng = np.arange(18) % 3, np.random.default_rng(8)
    spectra = leaves(labels, 3, 20, 1.5, rng)
    codes, part = np.repeat(labels, 3), np.arange(54) % 3 != 0
    summed = SplitProducts(spectra, np.stack([part, ~part])).fit(part, codes, 3, 4)
    plain = fit_path(spectra[part], membership_of(codes[part], 3), 4)
    np.testing.assert_allclose(np.linalg.norm(summed.weights, axis=0), 1.0, rtol=1e-9)
    for name in ("weights", "loadings", "rotations", "membership_loadings"):
        # Of a pair of vectors the common sign is free.
        np.testing.assert_allclose(
            np.abs(getattr(summed, name)), np.abs(getattr(plain, name)), rtol=1e-6, atol=1e-8
        )
    for found in (summed, plain):
        coefficients = found.rotations @ found.membership_loadings.T
        mean = found.spectrum_mean
        np.testing.assert_allclose(
            found.membership(spectra)[-1],
            (spectra - mean) @ coefficients + found.membership_mean,
            atol=1e-9,
        )


def test_balanced_labellings_through_the_space_of_scans_are_the_weighted_fits():
    """Classes of 14, 6 and 4 scans that count alike; three labellings at once."""
    rng = np.random.default_rng(12)
    codes = np.stack([rng.permutation(np.repeat([0, 1, 2], [14, 6, 4])) for _ in range(3)])
    spectra = rng.normal(size=(30, 12)) + 0.5 * rng.normal(size=(30, 1))
    rows, held = np.arange(24), np.arange(24, 30)
    inner, across = centred_products(scan_products(spectra), rows, held)
    found = label_paths(inner, across, codes, 3, 3, balanced=True).membership
    for i, own in enumerate(codes):
        fit = fit_path(spectra[rows], membership_of(own, 3), 3, class_weights(own, 3))
        np.testing.assert_allclose(found[:, i], fit.membership(spectra[held]), atol=1e-9)


def test_combinations_of_weighted_scans_are_those_of_spectra_less_the_weighted_mean():
    """Any combination ``c`` of scans with weights W: ``W^1/2 Xc Xc' W^1/2 c``, written out."""
    rng = np.random.default_rng(5)
    spectra, weights = rng.normal(size=(11, 6)), rng.uniform(0.5, 2.0, (3, 8))
    weights *= 8 / weights.sum(axis=1, keepdims=True)
    combinations = rng.normal(size=(3, 8))
    rows, held = np.arange(8), np.arange(8, 11)
    view = _View(*centred_products(scan_products(spectra), rows, held), weights)
    times, others = view.times(combinations), view.others(combinations)
    for i, (w, c) in enumerate(zip(weights, combinations, strict=True)):
        mean = w @ spectra[rows] / 8
        weighed = np.sqrt(w)[:, None] * (spectra[rows] - mean)
        np.testing.assert_allclose(times[i], weighed @ (weighed.T @ c), atol=1e-10)
        np.testing.assert_allclose(others[i], (spectra[held] - mean) @ (weighed.T @ c), atol=1e-10)


@pytest.mark.parametrize(
    ("n", "p", "summed"),
    [
        (4001, 5000, True),
        (4000, 5000, False),
        (900, 100, True),
        (900, 500, False),
        (100, 10, False),
    ],
)
def test_products_are_summed_by_parts_for_many_scans_of_few_wavelengths(n, p, summed):
    spectra = np.broadcast_to(0.0, (n, p))
    assert sums_products(spectra, "none", Procedure(2, 3)) is summed
    assert not sums_products(spectra, "none", Procedure(2, 3, balanced=True))
