"""The functions of the pipeline against published worked examples and other statistics programs.

Sources
-------
Sleep: Student (1908), Biometrika 6, 1-25. Results by R 4.2.2 (t.test, wilcox.test), the R package
exactRankTests and full enumeration.
Depression scale: Hollander and Wolfe (1973), Nonparametric Statistical Methods, pp. 29-33; R 4.2.2.
Anorexia summary values: Hand et al. (1993), A Handbook of Small Data Sets, set 285; R 4.2.2 and the
R package effectsize. Only means, standard deviations and results are given here, so the samples
are rebuilt with these moments.
Myocardial infarction p values: Benjamini and Hochberg (1995), JRSS B 57, 289-300; R p.adjust.
"""

import math

import numpy as np
import pytest

from leafledger.effects.two_sample_tests import (
    doubled_ranks,
    hedges_g_independent,
    hedges_g_paired,
    label_permutation,
    noncentrality_interval,
    paired_t,
    sign_flip,
    signed_rank,
    small_sample_factor,
    walsh_interval,
    welch_t,
)
from leafledger.resampling.multiplicity import benjamini_hochberg, holm

ONE = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
TWO = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
FIRST = np.array([1.83, 0.5, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.3])
SECOND = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
TINY = 1e-12

INFARCTION = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
    *(0.324, 0.4262, 0.5719, 0.6528, 0.759, 1.0),
]


def with_moments(n: int, mean: float, sd: float) -> np.ndarray:
    """Return ``n`` values with exactly this mean and standard deviation."""
    raw = np.sin(np.arange(n) * 1.7)
    return mean + sd * (raw - raw.mean()) / raw.std(ddof=1)


def test_sleep_paired_t():
    found = paired_t(ONE - TWO, 0.95)
    assert found.statistic == pytest.approx(-4.062127683382, abs=1e-11)
    assert found.df == 9
    assert found.p == pytest.approx(0.00283289019738, abs=1e-13)
    assert found.estimate == pytest.approx(-1.58, abs=1e-12)
    assert found.ci_low == pytest.approx(-2.459885763276982, abs=1e-12)
    assert found.ci_high == pytest.approx(-0.700114236723018, abs=1e-12)


def test_sleep_welch():
    found = welch_t(ONE, TWO, 0.95)
    assert found.statistic == pytest.approx(-1.860813467487, abs=1e-11)
    assert found.df == pytest.approx(17.77647351618, abs=1e-10)
    assert found.p == pytest.approx(0.0793941401874, abs=1e-12)
    assert found.ci_low == pytest.approx(-3.36548323071171, abs=1e-11)
    assert found.ci_high == pytest.approx(0.20548323071171, abs=1e-11)


def test_sleep_signed_rank_with_a_zero_and_ties():
    found = signed_rank(ONE - TWO, 0.95, TINY)
    assert found.statistic == 0
    assert found.p == 0.00390625
    assert "1 of 10 changes are zero" in found.remark


def test_sleep_sign_flip():
    found = sign_flip(ONE - TWO, 0.95, 999, 1, TINY)
    assert found.p == 4 / 1024
    assert found.n_draws == 0
    assert found.seed is None


def test_depression_scale():
    ranked = signed_rank(FIRST - SECOND, 0.95, TINY)
    assert ranked.statistic == 40
    assert ranked.p == 0.0390625
    assert ranked.estimate == pytest.approx(0.46, abs=1e-12)
    assert (ranked.ci_low, ranked.ci_high) == pytest.approx((0.01, 0.786), abs=1e-12)
    assert ranked.ci_level == 1 - 2 * 10 / 512  # attained by the order statistics that R gives
    flipped = sign_flip(FIRST - SECOND, 0.95, 999, 1, TINY)
    assert flipped.p == 14 / 512
    t = paired_t(FIRST - SECOND, 0.95)
    assert t.statistic == pytest.approx(3.035375415649, abs=1e-11)
    assert t.p == pytest.approx(0.0161766274349, abs=1e-12)
    assert (t.ci_low, t.ci_high) == pytest.approx((0.103778712272169, 0.759999065505609), abs=1e-12)


def test_signed_rank_of_four_pairs():
    """Handbook fact: with n = 4 the smallest two-sided p is 2 / 2^4."""
    found = signed_rank(np.array([1.0, 2.0, 3.5, 5.0]), 0.95)
    assert found.p == found.p_smallest == 0.125
    assert math.isnan(found.ci_low)
    assert "no exact 95 % interval exists with 4 pairs" in found.remark
    assert "87.5 %" in found.remark


@pytest.mark.parametrize("zeros", [0, 2])
def test_changes_of_zero_do_not_lower_the_smallest_p_within_reach(zeros):
    """Four changes that moved reach 2 / 2^4, however many zeros stand beside them."""
    d = np.array([1.0, 2.0, 4.0, 8.0, *[0.0] * zeros])
    for found in (signed_rank(d, 0.95), sign_flip(d, 0.95, 999, 1)):
        assert found.p == found.p_smallest == 0.125


@pytest.mark.parametrize(("n", "attained"), [(5, None), (6, 0.96875), (8, 0.9609375)])
def test_signed_rank_interval_levels(n, attained):
    """Hollander and Wolfe (1973), table A.4: critical values for n = 5 to 8."""
    found = signed_rank(np.arange(1.0, n + 1) ** 1.3, 0.95)
    if attained is None:
        assert math.isnan(found.ci_low)
    else:
        assert found.ci_level == attained


def test_hedges_g_paired():
    for changes, g, low, high in (
        (TWO - ONE, 1.1739249035142, 0.378917895996093, 1.93560211252563),
        (SECOND - FIRST, -0.913347835555134, -1.6313375367286, -0.159911737257076),
        (
            with_moments(17, 7.26470588235294, 7.15742107679772),
            *(0.96652746303022, 0.395316291050587, 1.5181395820825),
        ),
        (
            with_moments(26, -0.449999999999999, 7.98870452576637),
            *(-0.0546196832565376, -0.427094348413658, 0.318939923632527),
        ),
    ):
        found = hedges_g_paired(changes, 0.95)
        assert found.g == pytest.approx(g, abs=1e-11)
        assert (found.low, found.high) == pytest.approx((low, high), abs=1e-8)


def test_small_sample_factor_and_noncentrality():
    assert small_sample_factor(9) == pytest.approx(0.913874891792552, abs=1e-14)
    found = noncentrality_interval(4.06212768338204, 9, 0.95)
    assert found == pytest.approx((1.31116809128667, 6.69775630601739), abs=1e-8)


def test_difference_in_change_of_family_therapy():
    treated = with_moments(17, 7.26470588235294, 7.15742107679772)
    control = with_moments(26, -0.449999999999999, 7.98870452576637)
    found = welch_t(treated, control, 0.95)
    assert found.estimate == pytest.approx(7.71470588235294, abs=1e-12)
    assert found.statistic == pytest.approx(3.29916000389771, abs=1e-11)
    assert found.df == pytest.approx(36.9788639294643, abs=1e-10)
    assert found.p == pytest.approx(0.00215181355751961, abs=1e-13)
    expected = (2.97659664152477, 12.4528151231811)
    assert (found.ci_low, found.ci_high) == pytest.approx(expected, abs=1e-10)
    g = hedges_g_independent(treated, control, 0.95)
    assert g.g == pytest.approx(0.98665157168508, abs=1e-11)
    assert (g.low, g.high) == pytest.approx((0.344592727574676, 1.61800590638967), abs=1e-8)


def test_infarction_adjusted_p():
    """Printed in the paper: at 0.05 Benjamini-Hochberg rejects four hypotheses, Holm three."""
    strict, loose = holm(INFARCTION), benjamini_hochberg(INFARCTION)
    assert int((strict < 0.05).sum()) == 3
    assert int((loose < 0.05).sum()) == 4
    assert strict[:9] == pytest.approx(
        [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213], abs=1e-12
    )
    assert loose[:9] == pytest.approx(
        [
            *(0.0015, 0.003, 0.0095, 0.035625, 0.0603),
            *(0.06385714285714286, 0.06385714285714286, 0.0645, 0.0765),
        ],
        abs=1e-12,
    )


def test_missing_p_are_not_counted():
    """R p.adjust drops missing values: n is the number of p values that exist."""
    p = [0.01, math.nan, 0.02, 0.03]
    assert holm(p)[[0, 2, 3]] == pytest.approx([0.03, 0.04, 0.04])
    assert benjamini_hochberg(p)[[0, 2, 3]] == pytest.approx([0.03, 0.03, 0.03])
    assert math.isnan(holm(p)[1])
    assert np.isnan(holm([math.nan, math.nan])).all()


def test_label_permutation_agrees_with_scipy():
    """All 252 arrangements of 5 + 5 by scipy.stats.permutation_test."""
    from scipy.stats import permutation_test

    a, b = ONE[:5], TWO[:5]
    by_scipy = permutation_test(
        (a, b), lambda x, y: x.mean() - y.mean(), permutation_type="independent", n_resamples=1000
    )
    treated = np.arange(10) < 5
    found = label_permutation(np.concatenate([a, b]), treated, ["all"] * 10, 0.95, 999, 1)
    assert found.p == pytest.approx(by_scipy.pvalue, abs=1e-15)
    assert found.p_smallest == 2 / 252
    assert found.n_draws == 0


def test_label_permutation_interval_turns_the_test_round():
    values = np.concatenate([ONE[:5] + 3, TWO[:5]])
    treated, blocks = np.arange(10) < 5, ["all"] * 10
    found = label_permutation(values, treated, blocks, 0.95, 999, 1)
    wide = found.ci_high - found.ci_low

    def one_sided(shift: float) -> float:
        moved = values - shift * treated
        rows = label_permutation(moved, treated, blocks, 0.95, 999, 1)
        return rows.p

    # just outside either limit the tail is at most 1 - level, well inside it is larger
    spare = 1 - found.ci_level
    assert one_sided(found.ci_low - 0.01 * wide) <= spare + 2 / 252
    assert one_sided(found.ci_high + 0.01 * wide) <= spare + 2 / 252
    assert one_sided((found.ci_low + found.ci_high) / 2) > 0.2


def test_changes_without_spread_keep_their_degrees_of_freedom():
    found = paired_t(np.array([0.25, 0.25, 0.25, 0.25]), 0.95)
    assert (found.estimate, found.df) == (0.25, 3)
    assert math.isnan(found.p)
    assert found.remark.startswith("all 4 changes are equal")


def test_hedges_g_of_two_units_against_three_by_hand():
    """Hedges (1981), J. Educational Statistics 6, equation 6e: J by the gamma function."""
    two, three = np.array([0.0, 1.0]), np.array([1.0, 2.0, 4.0])
    pooled = math.sqrt((0.5 + 14 / 3) / 3)  # sums of squares 1/2 and 14/3 over 3 df
    factor = math.gamma(1.5) / (math.sqrt(1.5) * math.gamma(1.0))
    expected = factor * (7 / 3 - 1 / 2) / pooled
    assert hedges_g_independent(three, two, 0.95).g == pytest.approx(expected, rel=1e-12)
    assert hedges_g_independent(two, three, 0.95).g == pytest.approx(-expected, rel=1e-12)
    assert math.isnan(hedges_g_independent(three, two[:1], 0.95).g)


def test_interval_of_many_pairs_is_the_normal_one_of_hollander_and_wolfe():
    """Hollander and Wolfe (1973), section 3.3: the C-th smallest and C-th largest pairwise mean.

    C = n (n + 1) / 4 - z sqrt(n (n + 1) (2 n + 1) / 24), here rounded down, for n = 240.
    """
    n = 240
    changes = np.random.default_rng(5).normal(0.2, 1.0, n)
    pairs = np.sort([(changes[i] + changes[j]) / 2 for i in range(n) for j in range(i, n)])
    c = math.floor(n * (n + 1) / 4 - 1.959963985 * math.sqrt(n * (n + 1) * (2 * n + 1) / 24))
    low, high, attained = walsh_interval(changes, 0.95)
    assert (low, high) == (pairs[c - 1], pairs[len(pairs) - c])
    assert attained == 0.95


def test_tied_sizes_share_their_rank_without_any_resolution_stated():
    assert doubled_ranks(np.array([3.0, 1.0, 3.0, 2.0])).tolist() == [7, 2, 7, 4]
    assert doubled_ranks(np.array([1.0, 1.0 + 1e-9, 2.0]), 1e-8).tolist() == [3, 3, 6]
    # V and its exact p, by all 16 patterns of sign of the ranks 1, 2, 3.5 and 3.5.
    found = signed_rank(np.array([3.0, -1.0, 3.0, 2.0]), 0.9)
    assert (found.statistic, found.p) == (9.0, 0.25)
