"""Limits of T2 and Q against published formulas, and what they mean for fresh spectra."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.spectra.applicability import (
    hotelling_t2,
    q_limit,
    residual_eigenvalues,
    residual_q,
    t2_limit,
)


@pytest.mark.parametrize(
    ("n", "n_components", "alpha", "expected"),
    # Tracy, Young & Mason 1992, J. Qual. Technol. 24:88-95, limit for future observations;
    # evaluated with scipy.
    [
        (20, 2, 0.05, 7.879268339550295),
        (20, 2, 0.01, 13.32860571714117),
        (30, 3, 0.05, 9.856873463895356),
        (30, 3, 0.01, 15.31931591963479),
        (50, 4, 0.05, 11.186980048578945),
        (50, 4, 0.01, 16.328062312503953),
    ],
)
def test_t2_limits(n, n_components, alpha, expected):
    assert t2_limit(n, n_components, alpha) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("eigenvalues", "alpha", "expected"),
    # Jackson & Mudholkar 1979, Technometrics 21:341-349; computed from the formula there.
    [
        ([48.03, 29.33, 16.41], 0.05, 259.59795491939036),
        ([48.03, 29.33, 16.41], 0.01, 402.4410360918182),
        ([1.0] * 6, 0.05, 12.568619817287178),
        ([1.0] * 6, 0.01, 16.84327161586681),
        ([0.9, 0.5, 0.3, 0.2, 0.1, 0.05], 0.05, 5.202249439409912),
        ([0.9, 0.5, 0.3, 0.2, 0.1, 0.05], 0.01, 7.99492796295142),
    ],
)
def test_q_limits(eigenvalues, alpha, expected):
    found = q_limit(np.array(eigenvalues), alpha)
    assert found.method == "jackson_mudholkar"
    assert found.value == pytest.approx(expected, rel=1e-9)
    # The unit of the spectra does not matter.
    tiny = q_limit(1e-120 * np.array(eigenvalues), alpha)
    assert tiny.value == pytest.approx(1e-120 * expected, rel=1e-9)


def test_where_the_formula_has_no_value_boxes_approximation_is_named():
    # One large and many small eigenvalues: the exponent h0 is not positive.
    eigenvalues = np.array([1.0, *([0.01] * 200)])
    first, second, third = ((eigenvalues**k).sum() for k in (1, 2, 3))
    assert 1 - 2 * first * third / (3 * second**2) < 0
    found = q_limit(eigenvalues, 0.05)
    assert found.method == "box"
    draws = np.random.default_rng(0).chisquare(1, size=(100_000, len(eigenvalues))) @ eigenvalues
    assert (draws > found.value).mean() == pytest.approx(0.05, abs=0.012)


def test_nothing_left_over_and_too_few_spectra():
    assert q_limit(np.zeros(3), 0.05).value == 0.0
    with pytest.raises(ValueError, match="3 spectra"):
        t2_limit(3, 3, 0.05)


def test_about_one_in_twenty_fresh_spectra_is_beyond_each_limit():
    rng = np.random.default_rng(4)
    axes, _ = np.linalg.qr(rng.normal(size=(40, 3)))
    spread = np.array([3.0, 2.0, 1.0])

    def draw(n):
        return (rng.normal(size=(n, 3)) * spread) @ axes.T + 0.1 * rng.normal(size=(n, 40))

    training, fresh = draw(4000), draw(20_000)
    mean = training.mean(axis=0)
    _, _, found = np.linalg.svd(training - mean, full_matrices=False)
    plane = found[:3].T
    variance = ((training - mean) @ plane).var(axis=0, ddof=1)
    left = (training - mean) - (training - mean) @ plane @ plane.T
    t2 = hotelling_t2((fresh - mean) @ plane, variance)
    q = residual_q((fresh - mean) - (fresh - mean) @ plane @ plane.T)
    assert (t2 > t2_limit(4000, 3, 0.05)).mean() == pytest.approx(0.05, abs=0.008)
    limit = q_limit(residual_eigenvalues(left), 0.05).value
    assert (q > limit).mean() == pytest.approx(0.05, abs=0.012)
