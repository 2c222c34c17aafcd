"""Intervals of a share against published limits, and that they count units."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.classes.baselines import nearest_class_mean
from leafledger.classes.fold_fit import DECISIONS, Procedure, fit_training
from leafledger.resampling.intervals import paired_share_interval, wilson_interval
from leafledger.resampling.splits import assign_folds

from .conftest import leaves


@pytest.mark.parametrize(
    ("successes", "n", "low", "high"),
    # Newcombe 1998, Stat. Med. 17:857-872, Table I (four digits); more digits by R.
    [(81, 263, 0.255288519878274, 0.3662095769828), (0, 20, 0.0, 0.161125158052819)],
)
def test_wilson_limits_are_the_published_ones(successes, n, low, high):
    found = wilson_interval(successes, n)
    assert found[0] == pytest.approx(low, abs=1e-9)
    assert found[1] == pytest.approx(high, abs=1e-9)


def test_wilson_is_symmetric_and_takes_fractions():
    low, high = wilson_interval(14.5, 24)
    other = wilson_interval(24 - 14.5, 24)
    assert (1 - other[1], 1 - other[0]) == pytest.approx((low, high), abs=1e-12)
    assert wilson_interval(20, 20)[1] == 1.0
    with pytest.raises(ValueError, match="25 successes of 24"):
        wilson_interval(25, 24)


def test_the_interval_of_a_difference_is_the_one_by_hand():
    """Agresti & Min 2005, eq. for paired proportions with one more pair to either side."""
    b, c, n = 14, 5, 100
    found = paired_share_interval(np.repeat([1.0, 0, -1], [b, n - b - c, c]))
    middle = (b - c) / (n + 2)
    error = np.sqrt((b + c + 1) - (b - c) ** 2 / (n + 2)) / (n + 2)
    assert found == pytest.approx((middle - 1.959964 * error, middle + 1.959964 * error), abs=1e-7)


def test_no_difference_at_all_still_has_an_interval_and_sides_are_alike():
    low, high = paired_share_interval(np.zeros(24))
    assert low == -high and 0.05 < high < 0.1
    some = np.array([0.5, -1, 0, 0, 0.25, 1, 0.5, 0])
    one, other = paired_share_interval(some), paired_share_interval(-some)
    assert one == pytest.approx((-other[1], -other[0]))
    with pytest.raises(ValueError, match="no unit"):
        paired_share_interval(np.zeros(0))


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
def test_wilson_as_statsmodels_has_it(level):
    """Both limits, every count of three sizes, four levels: statsmodels, method wilson."""
    from statsmodels.stats.proportion import proportion_confint

    for n in (1, 7, 24):
        for k in range(n + 1):
            expected = proportion_confint(k, n, alpha=1 - level, method="wilson")
            assert wilson_interval(k, n, level) == pytest.approx(expected, abs=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize(("share", "n"), [(0.6, 24), (0.85, 40), (0.75, 66)])
def test_wilson_on_units_covers(share, n):
    """Units of three scans that are mostly right or wrong together: 93 to 97 %, drawn 4,000 times.

    Beta shares with a correlation of 0.8 between the scans of a unit.
    """
    rng = np.random.default_rng(n)
    rho, leaves = 0.8, 3
    scale = (1 - rho) / rho
    inside = 0
    for _ in range(4000):
        own = rng.beta(share * scale, (1 - share) * scale, n)
        right = rng.binomial(leaves, own) / leaves
        low, high = wilson_interval(min(float(right.sum()), n), n)
        inside += low <= share <= high
    assert 0.93 <= inside / 4000 <= 0.985


@pytest.mark.slow
def test_intervals_of_a_nested_study_cover_what_fresh_plants_show():
    """150 studies of 24 plants: accuracy, and its difference to the nearest class mean."""
    covered = np.array([covers(seed) for seed in range(150)])
    share = covered.mean(axis=0)
    # 95 %, and three standard errors of 150 studies.
    assert (share >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 150)).all()
    assert share[0] <= 1.0 and (share < 0.999).any()


def covers(seed: int) -> tuple[bool, bool]:
    n_units, n_classes, n_leaves, n_folds = 24, 4, 3, 6
    rng = np.random.default_rng(seed)
    labels = np.arange(n_units) % n_classes
    units = np.repeat(np.arange(n_units), n_leaves)
    codes, fresh_codes = labels[units], np.arange(300) % n_classes
    spectra = leaves(labels, n_leaves, 30, 1.2, rng)
    fresh = leaves(fresh_codes, 1, 30, 1.2, rng)
    right, truth = np.zeros((2, len(units))), np.zeros(2)
    procedure = Procedure(n_classes, 6, DECISIONS)
    for _ in range(3):
        fold = assign_folds(labels, np.zeros(n_units, dtype=int), n_folds, rng)[units]
        for i in range(n_folds):
            held = fold == i
            fit = fit_training(spectra[~held], codes[~held], "none", procedure)
            for row, said in enumerate((
                lambda x, fit=fit: fit.decision_path(x)[-1].argmax(axis=1),
                lambda x, held=held: nearest_class_mean(spectra[~held], codes[~held], x, 0),
            )):  # fmt: skip
                right[row, held] += (said(spectra[held]) == codes[held]) / 3
                truth[row] += (said(fresh) == fresh_codes).mean() / (3 * n_folds)
    shares = right.reshape(2, n_units, n_leaves).mean(axis=2)
    low, high = wilson_interval(min(float(shares[0].sum()), n_units), n_units)
    d_low, d_high = paired_share_interval(shares[1] - shares[0])
    return low <= truth[0] <= high, d_low <= truth[1] - truth[0] <= d_high
