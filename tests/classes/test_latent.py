"""Partial least squares against R's kernel algorithm and against its own definitions."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.datasets import load_iris

from leafledger.spectra.pls import explained_shares, fit_path, importance, membership_of

# Fisher's iris, 150 flowers, three 0/1 columns, spectra and membership centred, nothing scaled:
# coefficients, intercepts and resubstitution hits of R 4.2.2, package pls 2.8-1, method kernelpls
# (run with that program). Agreement of several-column responses is asked for to 1e-6 there; the
# algorithm here is the same one, so 1e-8 is held.
R_COEFFICIENTS = {
    1: [
        [-0.0687966714086872, 0.0140894674692631, 0.0547072039394241],
        [0.0235475436101714, -0.00482250584051761, -0.0187250377696538],
        [-0.181691415771875, 0.0372101620550052, 0.14448125371687],
        [-0.0777339881854621, 0.0159198181448187, 0.0618141700406433],
    ],
    2: [
        [0.0391457181298526, -0.154505688091657, 0.115359969961805],
        [0.261429591617541, -0.376370338535415, 0.114940746917875],
        [-0.226349073156729, 0.106960931201148, 0.119388141955581],
        [-0.021998514370959, -0.0711333860522473, 0.0931319004232065],
    ],
    3: [
        [0.0665285823996421, 0.0585150766398547, -0.125043659039494],
        [0.242345594962545, -0.524831343984943, 0.282485749022398],
        [-0.225327724036321, 0.114906358989253, 0.110421365047068],
        [-0.0564909076592189, -0.339461634086969, 0.395952541746185],
    ],
    4: [
        [0.0660297693761963, -0.0201536848255185, -0.0458760845506746],
        [0.242847872054483, -0.445616257614038, 0.202768385559554],
        [-0.224657116235734, 0.220669205229334, 0.00398791100639838],
        [-0.0574727291859933, -0.494306595747792, 0.551779324933785],
    ],
}
R_INTERCEPTS = {
    1: [1.43936783023507, 0.106818928713286, -0.546186758948355],
    2: [0.182317817447756, 2.07020461398261, -1.25252243143037],
    3: [0.118186400027055, 1.57130415391111, -0.689490553938171],
    4: [0.118222889468141, 1.57705897385745, -0.6952818633256],
}
R_RIGHT = {1: 100, 2: 123, 3: 128, 4: 127}
# First weight and loading of the same fit; the sign there is the other way round.
R_FIRST_WEIGHT = [0.326708705359388, -0.11182499574102, 0.862834872767521, 0.369151154008991]
R_FIRST_LOADING = [0.359936031342674, -0.0863658867604705, 0.857923886946144, 0.358934953859199]


@pytest.fixture(scope="module")
def iris():
    data = load_iris()
    return data.data, data.target


@pytest.mark.parametrize("n_components", [1, 2, 3, 4])
def test_coefficients_and_hits_are_those_of_r(iris, n_components):
    spectra, codes = iris
    path = fit_path(spectra, membership_of(codes, 3), 4)
    coefficients = path.coefficients(n_components)
    intercept = path.membership_mean - path.spectrum_mean @ coefficients
    np.testing.assert_allclose(coefficients, R_COEFFICIENTS[n_components], atol=1e-8)
    np.testing.assert_allclose(intercept, R_INTERCEPTS[n_components], atol=1e-8)
    said = path.membership(spectra)[n_components - 1].argmax(axis=1)
    assert int((said == codes).sum()) == R_RIGHT[n_components]


def test_first_weight_and_loading_are_those_of_r(iris):
    path = fit_path(iris[0], membership_of(iris[1], 3), 4)
    np.testing.assert_allclose(path.weights[:, 0], R_FIRST_WEIGHT, atol=1e-8)
    np.testing.assert_allclose(path.loadings[:, 0], R_FIRST_LOADING, atol=1e-8)


def test_largest_weight_is_positive_and_terms_fit_together(iris):
    spectra, codes = iris
    path = fit_path(spectra, membership_of(codes, 3), 4)
    largest = np.abs(path.weights).argmax(axis=0)
    assert (path.weights[largest, np.arange(4)] > 0).all()
    np.testing.assert_allclose(
        (spectra - path.spectrum_mean) @ path.rotations, path.scores, atol=1e-10
    )
    products = path.scores.T @ path.scores
    assert np.abs(products - np.diag(np.diag(products))).max() < 1e-9 * products.max()
    np.testing.assert_allclose(
        path.rotations @ path.membership_loadings.T, path.coefficients(4), atol=1e-10
    )


def test_importance_has_mean_square_one_and_follows_its_formula(iris):
    path = fit_path(iris[0], membership_of(iris[1], 3), 4)
    for n_components in (1, 2, 4):
        vip = importance(path, n_components)
        assert np.mean(vip**2) == pytest.approx(1, abs=1e-12)
    # With one latent variable only its weights are left of the formula.
    np.testing.assert_allclose(importance(path, 1), 2 * np.abs(path.weights[:, 0]), atol=1e-12)


def test_more_latent_variables_than_the_data_hold_change_nothing():
    rng = np.random.default_rng(0)
    spectra = rng.normal(size=(20, 2)) @ rng.normal(size=(2, 30))
    codes = np.arange(20) % 3
    path = fit_path(spectra, membership_of(codes, 3), 6)
    assert path.n_stable == 2
    member = path.membership(spectra)
    np.testing.assert_array_equal(member[1], member[5])


def test_one_class_in_training_is_always_named():
    path = fit_path(
        np.random.default_rng(0).normal(size=(5, 8)), membership_of(np.ones(5, int), 3), 2
    )
    assert path.n_stable == 0
    assert (path.membership(np.ones((2, 8))).argmax(axis=-1) == 1).all()
    assert not importance(path, 2).any()


def test_explained_variance_of_the_irises_is_that_of_r(iris):
    """R 4.2.2, package pls 2.8-1, kernelpls: sums of squares of the spectra by component."""
    spectra, codes = iris
    member = membership_of(codes, 3)
    shares, of_member = explained_shares(fit_path(spectra, member, 4), spectra, member)
    by_r = np.array([629.938866681946, 34.8246573563976, 12.9006610524521, 3.70641490920444])
    np.testing.assert_allclose(shares, by_r / 681.3706, atol=1e-8)
    assert shares.sum() == pytest.approx(1)
    residual = member - fit_path(spectra, member, 4).membership(spectra)[-1]
    left = (residual**2).sum() / ((member - member.mean(axis=0)) ** 2).sum()
    assert of_member.sum() == pytest.approx(1 - left)


def test_importance_where_little_is_explained_has_mean_square_one_too():
    """Three scans whose spectra hardly follow their classes: sums of squares below 1."""
    spectra = np.array([[0.1, 0.9, 0.3], [0.2, 0.1, 0.5], [0.6, 0.95, 0.2]])
    path = fit_path(spectra, membership_of(np.array([0, 1, 1]), 2), 1)
    explained = float((path.membership_loadings[:, 0] ** 2).sum() * path.score_sizes[0])
    assert 0 < explained < 1
    assert np.mean(importance(path, 1) ** 2) == pytest.approx(1.0, rel=1e-12)


def test_nothing_is_explained_of_what_does_not_vary(iris):
    """Spectra or membership that stand at the mean of the fit have no variance: shares are 0."""
    spectra, codes = iris
    member = membership_of(codes, 3)
    path = fit_path(spectra, member, 2)
    still = np.repeat(path.spectrum_mean[None], 150, axis=0)
    alike = np.repeat(path.membership_mean[None], 150, axis=0)
    of_spectra, of_member = explained_shares(path, still, alike)
    np.testing.assert_array_equal([of_spectra, of_member], np.zeros((2, 2)))


def test_importance_weighs_latent_variables_by_the_membership_that_they_explain(iris):
    """``SS_a`` is the sum of squares of the membership fitted by latent variable ``a`` alone."""
    path = fit_path(iris[0], membership_of(iris[1], 3), 3)
    fitted = [np.outer(path.scores[:, a], path.membership_loadings[:, a]) for a in range(3)]
    sums = np.array([(part**2).sum() for part in fitted])
    expected = np.sqrt(4 * (path.weights**2 @ sums) / sums.sum())
    np.testing.assert_allclose(importance(path, 3), expected, rtol=1e-10)
