"""The linear model of a contrast against R, statsmodels and the tests that it becomes.

HC2 standard errors and Bell-McCaffrey degrees of freedom: R 4.2.2, package clubSandwich 0.5.8
(``coef_test`` with ``vcov = "CR2"``, every unit its own cluster). Analyses of variance: R 4.2.2
(``aov`` with ``Error``, ``drop1`` with sum-to-zero contrasts).
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from tests.effects.published_data import ANOREXIA, DRIED, OATS, PEAS, SLEEP, TEETH, YARN

from leafledger.effects.analysis import _factorial
from leafledger.effects.design import Layout
from leafledger.effects.linear_model import (
    BY_ARM,
    EQUAL,
    LEAST_SQUARES,
    NO_VARIATION,
    Joint,
    Terms,
    coefficient_test,
    effect_coded,
    fit,
    joint_test,
    products,
    terms_of,
    treatment_test,
)
from leafledger.effects.two_sample_tests import within_margin
from leafledger.effects.unit_means import Sample

ALONE = Terms({}, before=False)


def sample_of(change, treated, before=None, filled=()):
    n = len(change)
    names = tuple(f"u{i:02d}" for i in range(n))
    change = np.asarray(change, dtype=float)
    start = np.full(n, np.nan) if before is None else np.asarray(before, dtype=float)
    nothing = np.full(n, np.nan)
    return Sample(
        *(
            names,
            change,
            start,
            np.asarray(treated, dtype=bool),
            nothing,
            ("d0", "d4"),
            {},
            0,
            1e-12,
        ),
        n_before=0 if before is None else 1,
        filled=filled,
    )


def anorexia(treated):
    data = np.concatenate([ANOREXIA[treated], ANOREXIA["control"]])
    group = np.arange(len(data)) < len(ANOREXIA[treated])
    return sample_of(data[:, 1] - data[:, 0], group, data[:, 0])


def adjusted(found, kind=EQUAL, **factors):
    of = {name: dict(zip(found.units, levels, strict=True)) for name, levels in factors.items()}
    return treatment_test(*terms_of(found, of), 0.95, kind)


def holds(found, estimate, error, df, ci=None, rel=1e-8):
    tested, _, own = found
    assert tested.estimate == pytest.approx(estimate, rel=rel)
    assert own == pytest.approx(error, rel=rel)
    assert tested.df == pytest.approx(df, rel=rel)
    assert tested.statistic == pytest.approx(estimate / error, rel=rel)
    assert tested.p == pytest.approx(2 * stats.t.sf(abs(estimate / error), df), rel=1e-6)
    if ci:
        assert (tested.ci_low, tested.ci_high) == pytest.approx(ci, rel=rel)


def test_value_before_as_covariate():
    ci = (4.43067476239547, 13.636470386493)
    holds(adjusted(anorexia("family")), 9.03357257444422, 2.25915894542803, 31.7988990041581, ci)
    ci = (0.642453085628296, 7.84577144532181)
    holds(adjusted(anorexia("cognitive")), 4.24411226547505, 1.79225302224982, 49.0043636801545, ci)


def test_without_covariates():
    found = treatment_test(anorexia("family"), ALONE, 0.95, EQUAL)
    holds(found, 7.71470588235294, 2.3383848838003, 34.3616428173202)
    values = [*DRIED["second"], *DRIED["control"]]
    found = treatment_test(sample_of(values, np.arange(20) < 10), ALONE, 0.95, EQUAL)
    holds(found, 0.494, 0.231487940650624, 18)


def test_pairs_are_the_paired_t_test_whatever_the_working_variances():
    values, pairs = np.concatenate(SLEEP[::-1]), [*"ABCDEFGHIJ"] * 2
    found = sample_of(values, np.arange(20) < 10)
    for kind in (EQUAL, BY_ARM):
        ci = (0.700114236723018, 2.45988576327698)
        holds(adjusted(found, kind, block=pairs), 1.58, 0.388958723888395, 9, ci, rel=1e-10)
    paired = stats.ttest_rel(SLEEP[1], SLEEP[0])
    tested = adjusted(found, BY_ARM, block=pairs)[0]
    assert (tested.statistic, tested.p) == pytest.approx((paired.statistic, paired.pvalue), 1e-10)


def test_blocks():
    block, nitrogen, phosphate, values = (list(column) for column in zip(*PEAS, strict=True))
    found = sample_of(values, nitrogen)
    holds(adjusted(found, block=block), 5.61666666666666, 1.83588503349451, 17)
    other = sample_of(values, phosphate)
    factors = {"block": block, "nitrogen": [str(n) for n in nitrogen]}
    holds(adjusted(other, **factors), -1.18333333333333, 1.86912041107873, 16)
    rest = [i for i in range(24) if i not in (2, 16)]
    some = sample_of([values[i] for i in rest], [nitrogen[i] for i in rest])
    found = adjusted(some, block=[block[i] for i in rest])
    ci = (0.896151254004982, 9.56634874599504)
    holds(found, 5.23125, 2.02116705183914, 13.9956447822589, ci)


def yarn(leave_out=()):
    rows = [(w, t, v) for (w, t), values in YARN.items() for v in values]
    return [row for i, row in enumerate(rows, start=1) if i not in leave_out]


def test_factors_beside_the_treatment():
    for rows, expected in (
        (yarn(), (-5.77777777777778, 3.16178310894083, 50)),
        (yarn((1, 2, 3, 30, 50)), (-5.73575129533678, 3.48062325094128, 43.77602197809)),
    ):
        found = sample_of([v for *_, v in rows], [w == "B" for w, *_ in rows])
        holds(adjusted(found, tension=[t for _, t, _ in rows]), *expected)


def test_slope_over_the_dose():
    rows = [(s, d, v) for (s, d), values in TEETH.items() for v in values]
    found = sample_of([v for *_, v in rows], np.ones(60))
    dose = np.array([d for _, d, _ in rows])
    terms = Terms({"supplement": [s for s, *_ in rows]}, before=False)
    one = coefficient_test(found, dose, terms, np.zeros(60, dtype=int), 0.95, EQUAL)
    holds(one, 9.76357142857144, 0.881236373688022, 37.9853844051748)


def test_hc2_errors_are_those_of_statsmodels():
    from statsmodels.regression.linear_model import OLS

    rng = np.random.default_rng(4)
    x = np.column_stack([rng.integers(0, 2, 30), np.ones(30), rng.normal(size=(30, 2))])
    y = rng.normal(size=30) * (1 + 2 * x[:, 0])
    own = fit(y, x, x[:, 0].astype(int), EQUAL)
    assert own.error == pytest.approx(OLS(y, x).fit().HC2_se[0], rel=1e-10)
    plain = fit(y, x, x[:, 0].astype(int), LEAST_SQUARES)
    assert plain.error == pytest.approx(OLS(y, x).fit().bse[0], rel=1e-10)
    assert plain.df == 26


def test_degrees_of_freedom_are_those_of_the_whole_matrices():
    """tr(G Omega)^2 / tr(G Omega G Omega), with every matrix written out."""
    rng = np.random.default_rng(6)
    x = np.column_stack([np.arange(17) < 6, np.ones(17), rng.normal(size=17)]).astype(float)
    y, arms = rng.normal(size=17), (np.arange(17) >= 6).astype(int)
    hat = x @ np.linalg.inv(x.T @ x) @ x.T
    a, left = (np.linalg.inv(x.T @ x) @ x.T)[0], np.eye(17) - hat
    e, free = left @ y, 1 - np.diag(hat)
    scaled = e**2 / free
    omega = np.where(arms == 0, scaled[:6].mean(), scaled[6:].mean())
    d = a**2 * omega / np.diag(left @ np.diag(omega) @ left)
    product = left @ np.diag(d) @ left @ np.diag(omega)
    expected = np.trace(product) ** 2 / np.trace(product @ product)
    own = fit(y, x, arms, BY_ARM)
    assert own.df == pytest.approx(expected, rel=1e-10)
    assert own.error == pytest.approx(math.sqrt(np.sum(d * e**2)), rel=1e-10)
    plain = a**2 / free
    product = left @ np.diag(plain) @ left
    expected = np.trace(product) ** 2 / np.trace(product @ product)
    assert fit(y, x, arms, EQUAL).df == pytest.approx(expected, rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    values=arrays(float, st.integers(6, 16), elements=st.floats(-5, 5, width=32)),
    n=st.integers(2, 4),
)
def test_without_covariates_it_is_the_test_of_welch(values, n):
    found = treatment_test(sample_of(values, np.arange(len(values)) < n), ALONE, 0.95)[0]
    arms = values[:n], values[n:]
    if math.isnan(found.p):
        assert found.remark == NO_VARIATION
        return
    welch = stats.ttest_ind(*arms, equal_var=False)
    assert found.statistic == pytest.approx(welch.statistic, rel=1e-9, abs=1e-9)
    assert found.df == pytest.approx(welch.df, rel=1e-9)
    assert found.p == pytest.approx(welch.pvalue, rel=1e-7, abs=1e-10)
    low, high = welch.confidence_interval(0.95)
    assert (found.ci_low, found.ci_high) == pytest.approx((low, high), rel=1e-7, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(
    values=arrays(float, (14, 2), elements=st.floats(-5, 5, width=32)),
    treated=st.permutations([True] * 6 + [False] * 8),
)
def test_swapping_groups_changes_the_sign_and_no_digit(values, treated):
    held = np.array(treated)
    for kind in (BY_ARM, EQUAL, LEAST_SQUARES):
        pair = [
            adjusted(sample_of(values[:, 0], group, values[:, 1]), kind, block=["A", "B"] * 7)
            for group in (held, ~held)
        ]
        (one, size, error), (two, other, same) = pair
        assert repr(one.p) == repr(two.p)
        assert repr(error) == repr(same)
        if not math.isnan(one.p):
            assert (one.estimate, one.ci_low) == (-two.estimate, -two.ci_high)
        if not math.isnan(size.g):
            assert (size.g, size.low) == (-other.g, -other.high)


def test_classical_covariance_analysis():
    """R: lm(Postwt ~ Prewt + Treat) with classical errors."""
    found = anorexia("family")
    tested, size, _ = adjusted(found, LEAST_SQUARES)
    assert tested.statistic == pytest.approx(4.44678007370938, rel=1e-10)
    assert tested.p == pytest.approx(6.76777968538214e-05, rel=1e-9)
    assert tested.df == 40
    assert size.low < size.g < size.high
    # the value after in place of the change: the same coefficient
    after = sample_of(found.before + found.change, found.treated, found.before)
    other = adjusted(after, LEAST_SQUARES)[0]
    assert other.estimate == pytest.approx(tested.estimate, rel=1e-10)
    assert other.p == pytest.approx(tested.p, rel=1e-8)


def test_units_alone_in_their_block_are_left_out_one_after_the_other():
    rng = np.random.default_rng(1)
    treated = np.array([1, 0, 1, 0, 1, 0, 1, 1], dtype=bool)
    found = sample_of(rng.normal(size=8), treated)
    block = dict(zip(found.units, "AABBCCDE", strict=True))
    side = dict(zip(found.units, "xxxxxxxy", strict=True))
    kept, terms = terms_of(found, {"block": block, "side": side})
    assert terms.alone == dict.fromkeys(("u06", "u07"), "the only one of its block")
    assert kept.units == found.units[:6]
    assert kept.n_missing == 2
    assert list(terms.factors) == ["block"]
    tested = treatment_test(kept, terms, 0.95)[0]
    pairs = found.change[:6].reshape(3, 2)
    expected = stats.ttest_rel(pairs[:, 0], pairs[:, 1])
    assert (tested.p, tested.df) == pytest.approx((expected.pvalue, 2), rel=1e-9)


def test_the_value_before_needs_degrees_of_freedom_and_variation():
    rng = np.random.default_rng(2)
    for n, before in ((8, False), (9, True)):
        found = sample_of(rng.normal(size=n), np.arange(n) < 3, rng.normal(size=n))
        terms = terms_of(found, {})[1]
        assert terms.before is before
        assert bool(terms.why) is not before
        assert terms.names == (("value before",) if before else ())
    flat = sample_of(rng.normal(size=12), np.arange(12) < 6, np.ones(12))
    assert terms_of(flat, {})[1].why == "all values before are equal"
    # without the covariate nothing stands in for a value before
    filled = sample_of(rng.normal(size=7), np.arange(7) < 3, rng.normal(size=7), ("u06",))
    kept, terms = terms_of(filled, {})
    assert (terms.before, kept.units, kept.n_missing) == (False, filled.units[:6], 1)


def test_what_cannot_be_fitted_says_why():
    treated = np.arange(8) < 4
    aliased = Terms({"bench": ["x"] * 4 + ["y"] * 4}, before=False)
    found = sample_of(np.arange(8.0) ** 2, treated)
    assert (
        treatment_test(found, aliased, 0.95)[0].remark == "the treatment cannot be told from bench"
    )
    few = sample_of([1.0, 2.0, 4.0], [True, True, False])
    three = Terms({"block": ["a", "b", "b"]}, before=False)
    remark = "3 units are too few for the 3 coefficients of the model"
    assert treatment_test(few, three, 0.95)[0].remark == remark
    alone = sample_of([1.0, 2.0, 4.0, 3.0, 5.0], [True, True, True, False, False])
    one = Terms({"block": ["a", "b", "b", "b", "b"]}, before=False)
    assert "one unit alone" in treatment_test(alone, one, 0.95)[0].remark
    same = treatment_test(sample_of(treated * 2.0, treated), ALONE, 0.95)
    assert same[0].remark == NO_VARIATION
    assert same[0].estimate == 2.0
    assert math.isnan(same[0].p)
    assert math.isnan(same[2])


def test_many_units_give_the_same_degrees_of_freedom_in_pieces(monkeypatch):
    from leafledger.effects import linear_model

    rng = np.random.default_rng(3)
    found = sample_of(rng.normal(size=50), np.arange(50) % 3 == 0, rng.normal(size=50))
    whole = adjusted(found, BY_ARM)[0].df
    monkeypatch.setattr(linear_model, "_CHUNK", 7)
    assert adjusted(found, BY_ARM)[0].df == pytest.approx(whole, rel=1e-12)


def test_two_one_sided_tests_are_those_of_statsmodels():
    from statsmodels.stats.weightstats import ttost_ind

    rng = np.random.default_rng(8)
    one, two = rng.normal(0, 1, 9), rng.normal(0.2, 2, 12)
    for a, b in ((one, two), (two, one)):
        found = sample_of(np.concatenate([a, b]), np.arange(21) < len(a))
        tested, _, error = treatment_test(found, ALONE, 0.9)
        for margin in (0.5, 2.0):
            p = ttost_ind(a, b, -margin, margin, usevar="unequal")[0]
            assert within_margin(tested, error, margin).p == pytest.approx(p, rel=1e-9)


def test_interaction_by_hand_in_a_balanced_table():
    """Two by two with three units a cell: F = square of the t of the difference of differences."""
    y = np.random.default_rng(7).normal(size=12)
    groups, strata = ["t", "t", "t", "c", "c", "c"] * 2, ["K"] * 6 + ["L"] * 6
    one, two = effect_coded(groups), effect_coded(strata)
    joint = Joint(products(one, two), [*one, *two], groups, "")
    found = joint_test(sample_of(y, [g == "t" for g in groups]), joint, ALONE)
    cells = y.reshape(4, 3)
    means, within = cells.mean(axis=1), cells.var(axis=1, ddof=1).mean()
    contrast = means[0] - means[1] - means[2] + means[3]
    assert found.statistic == pytest.approx(contrast**2 / (within * 4 / 3), rel=1e-10)
    assert (found.df, found.df2) == (1, 8)


def crossed(rows, blocks=None, above=None, *, robust=False):
    """Return the three tests of (treatment, factor, value) rows."""
    names = [f"u{i:02d}" for i in range(len(rows))]
    levels = {}
    for name, row in zip(names, rows, strict=True):
        levels[str(row[0])] = (*levels.get(str(row[0]), ()), name)
    layout = Layout(
        *(
            "plant",
            levels,
            "",
            dict(zip(names, blocks, strict=True)) if blocks else {},
            (),
            ("d4",),
        ),
        crossed=dict(zip(names, (str(row[1]) for row in rows), strict=True)),
        crossed_name="kind",
        above=dict(zip(names, above, strict=True)) if above else {},
    )
    found = sample_of([row[2] for row in rows], np.ones(len(rows)))
    return {
        what: _factorial(layout, found, what, robust=robust)[2]
        for what in ("treatment", "kind", "interaction")
    }


@pytest.mark.parametrize(
    ("gone", "expected"),
    [
        (
            (),
            {
                "kind": (15.57198, 1, 54),
                "treatment": (91.99996, 2, 54),
                "interaction": (4.10699, 2, 54),
            },
        ),
        (
            (0, 1, 14, 30),
            {
                "kind": (15.80855, 1, 50),
                "treatment": (86.53965, 2, 50),
                "interaction": (4.55723, 2, 50),
            },
        ),
    ],
)
def test_two_crossed_factors_are_those_of_r(gone, expected):
    """R counts teeth with VC first: rows 1, 2, 15 and 31 of its table are left out."""
    order = [(s, d) for s in ("VC", "OJ") for d in (0.5, 1.0, 2.0)]
    rows = [(d, s, v) for s, d in order for v in TEETH[s, d]]
    found = crossed([row for i, row in enumerate(rows) if i not in gone])
    for what, (f, df, df2) in expected.items():
        assert found[what].statistic == pytest.approx(f, rel=1e-6)
        assert (found[what].df, found[what].df2) == (df, df2)


def test_joint_tests_that_stand_unequal_variances_are_those_of_r(monkeypatch):
    """R: clubSandwich, Wald_test(..., test = "HTZ") of vcovCR(type = "CR2"), one working "
    "variance."""
    from leafledger.effects import linear_model

    def equal(_q, h, e, _arms):
        return np.ones(len(e)), 1.0 - h

    monkeypatch.setattr(linear_model, "_working", equal)
    order = [(s, d) for s in ("VC", "OJ") for d in (0.5, 1.0, 2.0)]
    rows = [(d, s, v) for s, d in order for v in TEETH[s, d]]
    for gone, expected in (
        (
            (),
            {
                "kind": (15.5719794525, 54, 0.000231182809773),
                "treatment": (83.0857158622, 39.5, 7.04055192041e-15),
                "interaction": (3.8176247077, 39.5, 0.0304938950511),
            },
        ),
        (
            (0, 1, 14, 30),
            {
                "kind": (16.5249277825, 48.4167409861, 0.000175681015819),
                "treatment": (77.116569362, 35.6675708882, 1.117271826e-13),
                "interaction": (4.55593755559, 35.6675708882, 0.0172953582224),
            },
        ),
    ):
        found = crossed([row for i, row in enumerate(rows) if i not in gone], robust=True)
        for what, (f, df2, p) in expected.items():
            assert found[what].statistic == pytest.approx(f, rel=1e-9)
            assert found[what].df2 == pytest.approx(df2, rel=1e-9)
            assert found[what].p == pytest.approx(p, rel=1e-6)


@pytest.mark.slow
def test_joint_tests_keep_their_level_under_unequal_variances():
    """Six units of SD 3 and eighteen of SD 1, two kinds: least squares calls far too many."""
    rng = np.random.default_rng(12)
    groups = ["t"] * 6 + ["c"] * 18
    calls = {True: 0, False: 0}
    for _ in range(1000):
        y = rng.normal(size=24) * np.where(np.arange(24) < 6, 3.0, 1.0)
        rows = [(g, "KL"[i % 2], v) for i, (g, v) in enumerate(zip(groups, y, strict=True))]
        for robust in calls:
            calls[robust] += crossed(rows, robust=robust)["interaction"].p < 0.05
    assert calls[True] / 1000 < 0.075
    assert calls[False] / 1000 > 0.15


def test_a_factor_held_by_the_blocks_is_left_out_and_said():
    rng = np.random.default_rng(13)
    found = sample_of(rng.normal(size=16), np.arange(16) % 2 == 0)
    block = dict(zip(found.units, [f"b{i // 4}" for i in range(16)], strict=True))
    kind = {unit: {"b0": "K", "b1": "K"}.get(name, "L") for unit, name in block.items()}
    kept, terms = terms_of(found, {"block": block, "kind": kind})
    assert (list(terms.factors), terms.held) == (["block"], ("kind",))
    alone = terms_of(found, {"block": block})
    assert treatment_test(kept, terms, 0.95)[0].p == treatment_test(*alone, 0.95)[0].p


def test_a_split_plot_is_tested_at_both_levels():
    """R: aov(yield ~ Variety * N + Error(Block/Variety)) of the oats."""
    rows = [
        (n, v, OATS[b, v, n], f"{b}{v}", str(b))
        for b in range(6)
        for v in range(3)
        for n in range(4)
    ]
    found = crossed(rows, [row[3] for row in rows], [row[4] for row in rows])
    for what, f, df, df2, p in (
        *(("treatment", 37.68565, 3, 45, 2.4577e-12), ("interaction", 0.30282, 6, 45, 0.9322)),
        ("kind", 1.48534, 2, 10, 0.27239),
    ):
        assert found[what].statistic == pytest.approx(f, rel=2e-5)
        assert (found[what].df, found[what].df2) == (df, df2)
        assert found[what].p == pytest.approx(p, rel=1e-4)


def test_statistic_of_equivalence_is_that_of_the_larger_one_sided_p():
    from statsmodels.stats.weightstats import ttost_ind

    rng = np.random.default_rng(9)
    one, two = rng.normal(0, 1, 9), rng.normal(0.4, 2, 12)
    for a, b in ((one, two), (two, one)):
        found = sample_of(np.concatenate([a, b]), np.arange(21) < len(a))
        tested, _, error = treatment_test(found, ALONE, 0.9)
        for margin in (0.1, 2.0):
            _, *sides = ttost_ind(a, b, -margin, margin, usevar="unequal")
            statistic = max(sides, key=lambda side: side[1])[0]
            got = within_margin(tested, error, margin)
            assert got.statistic == pytest.approx(statistic, rel=1e-9)
