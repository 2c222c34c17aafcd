"""The leaf model and its inversion.

Outside values: the package prosail 2.0.5 (`run_prospect`), and the check values of the project,
which an independent implementation confirmed to 3e-15 and the model authors' printed run to 5e-5.
"""

from __future__ import annotations

import numpy as np
import prosail
import pytest

from leafledger.traits.leaf_model import (
    BY_NAME,
    BY_PRIOR,
    Coefficients,
    ForwardModel,
    autocorrelation_sum,
    interface_transmissivity,
    invert,
    misfit_reasons,
    simulate,
)

from .simulated_leaves import MODEL_NM, coefficients, drawn, spectra

VISIBLE = np.arange(400.0, 1001.0)
WHOLE = np.arange(400.0, 2501.0)
# Reflectance and transmittance of leaf A (N 1.5, chlorophyll 40, carotenoids 8, water 0.01, dry
# matter 0.009) in the project's table of checks; prosail 2.0.5, confirmed independently.
LEAF_A = {
    445: (0.0412731458448394, 0.0008737418927108561),
    550: (0.15116726533202093, 0.15025279838113773),
    670: (0.036352075282125536, 0.006068119446351313),
    700: (0.12738699492991726, 0.13512363181687975),
    750: (0.42249442264937054, 0.45263950939656755),
    800: (0.44254253418675826, 0.4746348625067153),
    970: (0.43335357731568747, 0.46793475634998294),
}


def test_the_checked_leaf() -> None:
    leaf = {"structure": 1.5, "chlorophyll": 40.0, "carotenoids": 8.0, "water": 0.01,
            "dry_matter": 0.009}  # fmt: skip
    r, t = simulate(coefficients(), {k: np.array([v]) for k, v in leaf.items()})
    for nm, (reflectance, transmittance) in LEAF_A.items():
        assert r[0, nm - 400] == pytest.approx(reflectance, abs=1e-12)
        assert t[0, nm - 400] == pytest.approx(transmittance, abs=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_any_leaf_is_that_of_the_outside_implementation(seed: int) -> None:
    """Contents of any size, none included, brown pigments too: equal to 1e-12."""
    rng = np.random.default_rng(seed)
    leaf = {
        "structure": rng.uniform(1, 3.5),
        "chlorophyll": rng.choice([0.0, rng.uniform(0, 120)]),
        "carotenoids": rng.uniform(0, 25),
        "anthocyanins": rng.uniform(0, 30),
        "brown_pigments": rng.uniform(0, 2),
        "water": rng.uniform(0, 0.05),
        "dry_matter": rng.uniform(0.0005, 0.03),
    }
    _, r, t = prosail.run_prospect(
        *(leaf[k] for k in ("structure", "chlorophyll", "carotenoids", "brown_pigments", "water",
                            "dry_matter")),
        ant=leaf["anthocyanins"], prospect_version="D",
    )  # fmt: skip
    ours = simulate(coefficients(), {k: np.array([v]) for k, v in leaf.items()})
    np.testing.assert_allclose(ours[0][0], r, atol=1e-12, rtol=0)
    np.testing.assert_allclose(ours[1][0], t, atol=1e-12, rtol=0)


def test_nothing_absorbs_and_everything_does() -> None:
    """Without absorption all light comes out again; a black leaf shows its surface only."""
    table = Coefficients(np.array([500.0]), np.array([1.45]), {"water": np.array([1.0])})
    for n_plates in (1.0, 1.5, 4.0):
        leaf = {"structure": np.array([n_plates]), "water": np.array([0.0])}
        r, t = simulate(table, leaf)
        assert r[0, 0] + t[0, 0] == pytest.approx(1.0, abs=1e-6)
        r, t = simulate(table, leaf | {"water": np.array([1e4])})
        assert r[0, 0] == pytest.approx(1 - interface_transmissivity(np.array([1.45]), 40.0)[0])
        assert t[0, 0] < 1e-40


def test_two_plates_are_one_upon_the_other() -> None:
    """N = 2 by adding two plates (geometric series of reflections between them)."""
    table = coefficients().at(np.array([550.0]))
    leaf = {"structure": np.array([2.0]), "chlorophyll": np.array([20.0])}
    # One plate holds half the chlorophyll. It is the leaf of N = 1; lit diffusely it has the
    # transmissivity of 90 degrees instead of 40 at its top.
    n = float(table.refractive_index[0])
    half = 10.0 * table.absorption["chlorophyll"][0]
    from scipy.special import expn

    tau = 2 * expn(3, half)
    t12 = interface_transmissivity(np.array([n]), 90.0)[0]
    ta = interface_transmissivity(np.array([n]), 40.0)[0]
    t21 = t12 / n**2
    r21 = 1 - t21
    inner = tau * t21 / (1 - (r21 * tau) ** 2)
    r, t = 1 - t12 + r21 * tau * t12 * inner, t12 * inner
    top_r, top_t = 1 - ta + r21 * tau * ta * inner, ta * inner
    whole = top_r + top_t * r * t / (1 - r * r), top_t * t / (1 - r * r)
    ours = simulate(table, leaf)
    assert (ours[0][0, 0], ours[1][0, 0]) == pytest.approx(whole, abs=1e-13)


def test_derivatives_are_those_of_differences() -> None:
    names = coefficients().fitted(brown=True)
    model = ForwardModel(coefficients(), names)
    theta = np.array(
        [[1.7, 40, 8, 2, 0.1, 0.01, 0.008, 0.01], [1.02, 1, 0.2, 0, 0, 0.002, 0.001, 0]]
    )
    _, jacobian = model.jacobian(theta)
    for j in range(len(names)):
        step = np.zeros(len(names))
        step[j] = 1e-6 * BY_NAME[names[j]].sd
        change = (model.reflectance(theta + step) - model.reflectance(theta - step)) / 2 / step[j]
        size = np.abs(jacobian[:, j]).max()
        np.testing.assert_allclose(jacobian[:, j], change, atol=2e-6 * size)


@pytest.mark.slow
@pytest.mark.parametrize(("axis", "least"), [(WHOLE, 1e-5), (VISIBLE, 1e-3)])
def test_leaves_without_noise_are_recovered(axis: np.ndarray, least: float) -> None:
    """Every content within 1e-3 of the planted one, at a stated uncertainty of 1e-6."""
    leaves = drawn(120, 4)
    table, reflectance = spectra(leaves, axis)
    found = invert(table, reflectance, np.full_like(reflectance, 1e-6))
    assert found.converged.all()
    for j, name in enumerate(found.names):
        scale = 1.0 if name == "gloss" else np.abs(leaves[name])
        assert (np.abs(found.estimate[:, j] - leaves[name]) / scale).max() < least, name
    assert not any(misfit_reasons(axis, found))


def test_the_stored_leaves_are_recovered_from_the_outside_implementation() -> None:
    """Spectra of prosail itself; anthocyanins and gloss, which they do not have, come out as 0."""
    _, reflectance, _ = prosail.run_prospect(1.7, 15.0, 5.0, 0.0, 0.008, 0.01, ant=2.0)
    found = invert(coefficients(), reflectance[None, :], np.full((1, len(WHOLE)), 1e-6))
    planted = {"structure": 1.7, "chlorophyll": 15.0, "carotenoids": 5.0, "anthocyanins": 2.0,
               "water": 0.008, "dry_matter": 0.01, "gloss": 0.0}  # fmt: skip
    assert dict(zip(found.names, found.estimate[0], strict=True)) == pytest.approx(
        planted, rel=1e-5, abs=1e-7
    )


@pytest.mark.slow
@pytest.mark.parametrize("u", [0.002, 0.005])
@pytest.mark.parametrize("axis", [WHOLE[::2], VISIBLE])
def test_intervals_hold_the_planted_contents(axis: np.ndarray, u: float) -> None:
    """95 % intervals hold chlorophyll in 93 to 97 % of 600 leaves with noise."""
    leaves = drawn(600, 11)
    table, reflectance = spectra(leaves, axis)
    rng = np.random.default_rng(12)
    noisy = reflectance + u * rng.normal(size=reflectance.shape)
    found = invert(table, noisy, np.full_like(noisy, u))
    low, high = found.interval(0.95)
    j = found.names.index("chlorophyll")
    held = (low[:, j] <= leaves["chlorophyll"]) & (leaves["chlorophyll"] <= high[:, j])
    assert 0.93 <= held.mean() <= 0.97
    assert sum(map(bool, misfit_reasons(axis, found))) <= 5


@pytest.mark.slow
def test_an_uncertainty_that_is_not_stated_is_taken_from_the_residuals() -> None:
    leaves = drawn(300, 21)
    table, reflectance = spectra(leaves, VISIBLE)
    noisy = reflectance + 0.003 * np.random.default_rng(22).normal(size=reflectance.shape)
    found = invert(table, noisy)
    stated = invert(table, noisy, np.full_like(noisy, 0.003))
    j = found.names.index("chlorophyll")
    assert found.u[:, j] == pytest.approx(stated.u[:, j], rel=0.15)
    low, high = found.interval(0.95)
    held = (low[:, j] <= leaves["chlorophyll"]) & (leaves["chlorophyll"] <= high[:, j])
    assert 0.92 <= held.mean() <= 0.98


def test_noise_that_neighbours_share_widens_the_interval() -> None:
    """Noise smoothed over 9 nm carries a ninth of the information; its interval still holds."""
    leaves = drawn(150, 31)
    table, reflectance = spectra(leaves, VISIBLE)
    white = np.random.default_rng(32).normal(size=(150, len(VISIBLE) + 8))
    smooth = np.lib.stride_tricks.sliding_window_view(white, 9, axis=1).mean(axis=2) * 3 * 0.0005
    u = np.full_like(reflectance, 0.0005)
    plain = invert(table, reflectance + 0.0005 * white[:, 4:-4], u)
    found = invert(table, reflectance + smooth, u)
    j = found.names.index("chlorophyll")
    assert 2.0 < np.median(found.u[:, j] / plain.u[:, j]) < 4.0
    low, high = found.interval(0.95)
    held = (low[:, j] <= leaves["chlorophyll"]) & (leaves["chlorophyll"] <= high[:, j])
    assert held.mean() >= 0.9
    assert np.median(found.n_effective) == pytest.approx(len(VISIBLE) / 9, rel=0.3)


def test_what_wavelengths_share_moves_the_estimate_by_its_propagated_uncertainty() -> None:
    """The change by a shared source is that of an inversion of the changed spectrum."""
    leaves = drawn(12, 41)
    table, reflectance = spectra(leaves, VISIBLE)
    u = np.full_like(reflectance, 0.002)
    source = 0.002 * reflectance
    found = invert(table, reflectance, u, shared=source[None])
    moved = invert(table, reflectance + source, u)
    j = found.names.index("chlorophyll")
    change = moved.estimate[:, j] - found.estimate[:, j]
    assert found.shared[0, :, j] == pytest.approx(change, rel=0.25, abs=0.02)
    assert found.u[:, j] == pytest.approx(np.hypot(found.u_posterior[:, j], found.shared[0, :, j]))


def test_water_and_dry_matter_are_determined_by_the_infrared_only() -> None:
    leaves = drawn(60, 51)
    shares = {}
    for name, axis in (("visible", VISIBLE[:301]), ("whole", WHOLE)):
        table, reflectance = spectra(leaves, axis)
        noisy = reflectance + 0.004 * np.random.default_rng(1).normal(size=reflectance.shape)
        found = invert(table, noisy, np.full_like(noisy, 0.004))
        shares[name] = dict(zip(found.names, np.median(found.prior_share, axis=0), strict=True))
    for name in ("water", "dry_matter"):
        assert shares["visible"][name] > BY_PRIOR > 0.01 > shares["whole"][name]
    assert shares["visible"]["chlorophyll"] < 0.05


# Samples that are no leaves of the model.
# ----------------------------------------------------------------------


def _reasons(sample: np.ndarray, axis: np.ndarray, u: float = 0.002) -> str:
    table = coefficients().at(axis)
    noisy = sample + u * np.random.default_rng(3).normal(size=len(axis))
    found = invert(table, noisy[None, :], np.full((1, len(axis)), u))
    return "; ".join(misfit_reasons(axis, found)[0])


def _leaf(axis: np.ndarray) -> np.ndarray:
    leaves = {name: value[:1] for name, value in drawn(1, 61).items()}
    return np.asarray(spectra(leaves, axis)[1][0])


@pytest.mark.parametrize("axis", [VISIBLE, WHOLE])
def test_a_leaf_is_a_leaf(axis: np.ndarray) -> None:
    assert _reasons(_leaf(axis), axis) == ""


@pytest.mark.parametrize("axis", [VISIBLE, WHOLE])
def test_white_paper_and_an_empty_clip_are_none(axis: np.ndarray) -> None:
    assert _reasons(0.88 - 0.3 * np.exp(-(axis - 400) / 15), axis)
    assert _reasons(np.full(len(axis), 0.9), axis)
    assert _reasons(np.full(len(axis), 0.01), axis)


def test_a_leaf_in_the_light_of_a_lamp() -> None:
    """A mercury line of 0.03 at 546 nm, 3 nm wide (Sansonetti et al. 1996 for its place)."""
    line = 0.03 * np.exp(-0.5 * ((VISIBLE - 546.1) / 1.3) ** 2)
    said = _reasons(_leaf(VISIBLE) + line, VISIBLE)
    assert "narrow residual" in said
    assert "546 nm" in said


def test_a_wet_leaf() -> None:
    """A film of water mirrors the lamp and swallows the infrared."""
    table = coefficients().at(WHOLE)
    film = np.exp(-2 * 0.1 * table.absorption["water"])
    said = _reasons(0.9 * _leaf(WHOLE) * film + 0.12, WHOLE)
    assert "gloss" in said
    assert "gloss" in _reasons(0.9 * _leaf(VISIBLE) + 0.12, VISIBLE)


def test_a_column_that_is_absent_is_not_fitted() -> None:
    table = coefficients(without=("anthocyanins", "brown_pigments")).at(VISIBLE)
    assert table.fitted(brown=True) == (
        "structure", "chlorophyll", "carotenoids", "water", "dry_matter", "gloss",
    )  # fmt: skip
    leaves = drawn(3, 71)
    found = invert(table, spectra(leaves, VISIBLE)[1])
    assert "anthocyanins" not in found.names
    assert found.estimate.shape == (3, 6)


def test_brown_pigments_are_fitted_if_asked() -> None:
    leaves = drawn(20, 81) | {"brown_pigments": np.full(20, 0.4)}
    table, reflectance = spectra(leaves, WHOLE)
    u = np.full_like(reflectance, 1e-6)
    found = invert(table, reflectance, u, brown=True)
    assert found.estimate[:, found.names.index("brown_pigments")] == pytest.approx(0.4, rel=1e-3)
    assert "brown_pigments" not in invert(table, reflectance, u).names


def test_the_sum_of_an_autocorrelation() -> None:
    """Of a moving mean of 5 it is 5: (1 + 2 (4 + 3 + 2 + 1) / 5)."""
    white = np.random.default_rng(5).normal(size=(40, 4004))
    mean = np.lib.stride_tricks.sliding_window_view(white, 5, axis=1).mean(axis=2)
    assert autocorrelation_sum(mean).mean() == pytest.approx(5.0, rel=0.06)
    assert autocorrelation_sum(white).mean() == pytest.approx(1.0, abs=0.06)


def test_the_mean_transmissivity_of_an_interface() -> None:
    """Diffuse light, n = 1.5: 0.9080 (Stern 1964; reflectivity 0.092, a common table value)."""
    assert interface_transmissivity(np.array([1.5]), 90.0)[0] == pytest.approx(0.908, abs=5e-4)
    normal = 4 * 1.5 / (1 + 1.5) ** 2
    assert interface_transmissivity(np.array([1.5]), 0.5)[0] == pytest.approx(normal, abs=1e-5)
    from prosail.prospect_d import calctav

    n = np.linspace(1.2, 1.7, 6)
    for alpha in (40.0, 90.0):
        np.testing.assert_allclose(
            interface_transmissivity(n, alpha), calctav(alpha, n), atol=1e-12, rtol=0
        )
    assert MODEL_NM[0] == 400.0
