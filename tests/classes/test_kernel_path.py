"""The batched walk through latent variables against the library's fits, one by one."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.classes.pls import (
    centred_products,
    fit_path,
    membership_of,
    membership_paths,
    scan_products,
)

from .conftest import leaves


@pytest.mark.parametrize(("n_classes", "n_wavelengths"), [(2, 60), (4, 60), (4, 25)])
def test_membership_is_that_of_the_library(n_classes, n_wavelengths):
    rng = np.random.default_rng(3)
    labels = np.arange(24) % n_classes
    spectra = leaves(labels, 3, n_wavelengths, 1.0, rng)
    codes = np.stack([np.repeat(rng.permutation(labels), 3) for _ in range(9)])
    training, others = np.arange(60), np.arange(60, 72)
    inner, across = centred_products(scan_products(spectra), training, others)
    batched = membership_paths(inner, across, codes[:, training], n_classes, 12)
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
    member = membership_paths(inner, across, codes, 3, 8)
    assert np.isfinite(member).all()
    np.testing.assert_allclose(member[7], member[2], atol=1e-6)


def test_one_class_in_training_is_always_named():
    spectra = np.random.default_rng(0).normal(size=(6, 20))
    inner, across = centred_products(scan_products(spectra), np.arange(4), np.arange(4, 6))
    member = membership_paths(inner, across, np.ones((2, 4), dtype=int), 3, 3)
    np.testing.assert_array_equal(member, np.broadcast_to([0.0, 1.0, 0.0], member.shape))


def test_centring_is_that_of_the_training_mean():
    spectra = np.random.default_rng(0).normal(size=(9, 20)) + 5
    training, others = np.array([0, 2, 4, 6]), np.array([1, 8])
    centred = spectra - spectra[training].mean(axis=0)
    inner, across = centred_products(scan_products(spectra), training, others)
    np.testing.assert_allclose(inner, centred[training] @ centred[training].T, atol=1e-10)
    np.testing.assert_allclose(across, centred[others] @ centred[training].T, atol=1e-10)
