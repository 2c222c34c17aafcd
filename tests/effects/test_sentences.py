"""The wording of every verdict, word for word."""

import math
from dataclasses import replace

import numpy as np
import pytest

from leafledger.effects.analysis import Effect, Percent
from leafledger.effects.design import Contrast, Layout, Plan, Primary
from leafledger.effects.families import adjusted_tests
from leafledger.effects.sentences import findings, sentence
from leafledger.effects.two_sample_tests import EffectSize, Result
from leafledger.words import decimals, quantity, shown_p

ARMS = {"chelate": tuple("abc"), "water": tuple("defg")}
LAYOUT = Layout("plant", ARMS, "water", {}, ("day0",), ("day4", "day12"))
PRIMARY = Primary("CI_rededge", "difference_in_change", "day12", "welch_t")
PLAN = Plan((), 0.95, 0.05, {}, 99, 1, PRIMARY)
EXPLORATORY = Plan((), 0.95, 0.05, {}, 99, 1, None)
DIFFERENCE = Contrast(
    "difference_in_change", "(day12-day0)@chelate-water", "day12", "chelate", "water", ""
)
CHANGE = Contrast("change", "day12-day0@chelate", "day12", "chelate", "", "")
EQUIVALENCE = Contrast("equivalence", "(day12-day0)@chelate-water", "day12", "chelate", "water", "")


def effect(contrast, method, tested, *, primary=False, margin=math.nan, remarks=(), covariates=()):
    return Effect(
        contrast,
        "CI_rededge",
        method,
        tested,
        EffectSize("hedges_g_independent"),
        12,
        11 if contrast.reference else None,
        0,
        Percent(),
        math.nan,
        margin,
        primary,
        remarks,
        covariates,
    )


def t(estimate, low, high, p, level=0.95):
    return Result(estimate, low, high, level, estimate / 0.0162, "t", 21.34, p)


def said(*effects, unit="1", exploratory=False, layout=LAYOUT):
    return [
        sentence(r, layout, EXPLORATORY if exploratory else PLAN, unit)
        for r in adjusted_tests(effects, PLAN)
    ]


def test_significant_primary_difference():
    assert said(effect(DIFFERENCE, "welch_t", t(0.136, 0.1021, 0.1699, 4e-8), primary=True)) == [
        "The change of CI_rededge from day0 to day12 was higher under chelate than under water: "
        "difference 0.136 (95 % interval 0.102 to 0.170); Welch t test on the change of each "
        "plant, 12 plants under chelate and 11 under water (n counts plants), t = 8.395, "
        "df = 21.34; p < 0.0001, not adjusted: the primary contrast."
    ]


def test_lower_with_a_unit():
    (text,) = said(
        effect(DIFFERENCE, "welch_t", t(-1.5, -2.1, -0.9, 0.001), primary=True), unit="nm"
    )
    assert text.startswith(
        "The change of CI_rededge from day0 to day12 was lower under chelate than under water: "
        "difference -1.50 nm (95 % interval -2.10 to -0.90 nm);"
    )


def test_the_linear_model_says_what_it_adjusts_for():
    names = ("value before", "block")
    tested = t(0.136, 0.1021, 0.1699, 4e-8)
    (text,) = said(effect(DIFFERENCE, "linear_model", tested, primary=True, covariates=names))
    assert text.startswith(
        "The change of CI_rededge from day0 to day12 was higher under chelate than under water: "
        "difference adjusted for the value before and block 0.136 (95 % interval 0.102 to 0.170); "
        "linear model, robust errors with variances by treatment, 12 plants under chelate and 11 "
        "under "
        "water"
    )


def test_not_significant_claims_no_absence():
    assert said(effect(DIFFERENCE, "welch_t", t(0.01, -0.0236, 0.0436, 0.54), primary=True)) == [
        "No difference between chelate and water in the change of CI_rededge from day0 to day12 "
        "was shown: difference 0.010 (95 % interval -0.024 to 0.044, all of which the data leave "
        "possible); Welch t test on the change of each plant, 12 plants under chelate and 11 under "
        "water (n counts plants), t = 0.6173, df = 21.34; p = 0.54, not adjusted: the primary "
        "contrast."
    ]


def test_undefined_gives_the_reason_and_no_number():
    tested = Result(0.2, ci_level=0.95)
    why = "chelate has 1 plant with the pair; at least 2 are needed: description only"
    assert said(effect(DIFFERENCE, "welch_t", tested, primary=True, remarks=(why,))) == [
        f"Nothing can be concluded about the difference between chelate and water in the change of "
        f"CI_rededge from day0 to day12: {why}."
    ]
    (text,) = said(effect(CHANGE, "paired_t", tested, remarks=("why",)))
    assert text == (
        "Nothing can be concluded about the change of CI_rededge from day0 to day12 under "
        "chelate: why."
    )


def test_equivalent():
    tested = t(0.001, -0.002, 0.004, 0.003, level=0.9)
    assert said(effect(EQUIVALENCE, "tost", tested, margin=0.006)) == [
        "The change of CI_rededge from day0 to day12 was equivalent under chelate and under water "
        "within a margin of 0.006: difference 0.0010 (90 % interval -0.0020 to 0.0040); two "
        "one-sided t tests in the linear model, 12 plants under chelate and 11 under water (n "
        "counts plants), "
        "t = 0.06173, df = 21.34; p = 0.003, not adjusted: the only test of its family."
    ]


def test_equivalence_not_shown():
    (text,) = said(effect(EQUIVALENCE, "tost", t(0.005, 0.001, 0.009, 0.3, 0.9), margin=0.006))
    assert text.startswith(
        "Equivalence of the change of CI_rededge from day0 to day12 under chelate and under water "
        "within a margin of 0.006 was not shown: difference 0.0050 (90 % interval 0.0010 to "
        "0.0090, all of which the data leave possible);"
    )


@pytest.mark.parametrize(("estimate", "verb"), [(0.3, "higher"), (-0.3, "lower")])
def test_change_within_a_treatment(estimate, verb):
    low, high = sorted((estimate * 0.5, estimate * 1.5))
    (text,) = said(effect(CHANGE, "paired_t", t(estimate, low, high, 0.01)))
    assert text.startswith(
        f"CI_rededge was {verb} at day12 than at day0 under chelate (time, instrument and "
        "treatment "
        "together): mean change "
    )
    assert "paired t test, 12 plants (n counts plants)" in text


def test_no_change_shown_and_no_interval():
    tested = Result(
        0.02, ci_level=0.95, statistic=9.0, statistic_name="V", p=0.25, p_smallest=0.125
    )
    (text,) = said(effect(CHANGE, "signed_rank", tested, remarks=("no exact interval",)))
    assert text.startswith(
        "No change of CI_rededge from day0 to day12 under chelate was shown: Hodges-Lehmann "
        "estimate of the change 0.020 (no 95 % interval); Wilcoxon signed-rank test"
    )
    assert "Note: no exact interval; so few units reach p = 0.125 at best" in text


def test_adjustment_is_named():
    several = [effect(CHANGE, "paired_t", t(0.3, 0.1, 0.5, p)) for p in (0.01, 0.03)]
    text = said(*several)[0]
    assert "p = 0.01, Holm-adjusted p = 0.02 over the 2 tests of its family" in text
    text = said(*several, exploratory=True)[0]
    assert "exploratory, no primary contrast was named: p = 0.01" in text
    assert "Benjamini-Hochberg-adjusted p = 0.02" in text


def test_verdict_follows_the_adjusted_p():
    several = [effect(CHANGE, "paired_t", t(0.3, 0.1, 0.5, 0.03)) for _ in range(2)]
    text = said(*several)[0]
    assert text.startswith(
        "No change of CI_rededge from day0 to day12 under chelate was shown once the 2 tests of "
        "its family are counted: mean change 0.30 (95 % interval for this test by itself 0.10 to "
        "0.50);"
    )
    alone = effect(CHANGE, "paired_t", t(0.3, 0.1, 0.5, 0.03), primary=True)
    assert said(alone)[0].startswith("CI_rededge was higher")


def test_several_before_sessions_and_another_word():
    layout = Layout("tray", ARMS, "water", {}, ("a", "b"), ("day12",))
    (text,) = said(
        effect(DIFFERENCE, "welch_t", t(1, 0.5, 1.5, 0.001), primary=True), layout=layout
    )
    assert "from the mean of the before sessions to day12" in text
    assert "12 trays under chelate" in text


def test_digits():
    assert decimals(0.104, 0.168, 0.136) == 3
    assert decimals(-300.0, 500.0, 100.0) == 0
    # Darwin's maize: 0.0312 to 41.8355 does not hold zero and must not read "0 to 42".
    assert decimals(0.0312, 41.8355, 20.9333) == 2
    assert decimals(math.nan, math.nan, 0.02) == 3
    assert quantity(-0.0004, 2, "1") == "0.00"
    for p in (0.0499999, 0.05, 0.0500001):
        assert (float(shown_p(p, 0.05).split()[1]) < 0.05) == (p < 0.05)
    assert np.isclose(float(shown_p(0.123456, 0.05)[2:]), 0.123)


def test_a_test_without_a_p_is_no_finding():
    """The smallest adjusted p is that of a test that has one, wherever the others stand."""
    first = replace(effect(DIFFERENCE, "welch_t", Result(0.4, ci_level=0.95)), index="ANTH")
    second = replace(effect(DIFFERENCE, "welch_t", t(0.1, -0.1, 0.3, 0.4)), index="NDVI")
    third = replace(effect(DIFFERENCE, "welch_t", t(0.2, 0.1, 0.3, 0.002)), index="WI")
    plan = replace(EXPLORATORY, methods=("welch_t",))
    rows = adjusted_tests([first, second, third], plan)
    named = [(one["id"], one["index"]) for one in findings(rows, LAYOUT, plan, {})]
    assert named == [("smallest_p", "WI"), ("smallest_other_p", "NDVI")]
    assert findings(adjusted_tests([first], plan), LAYOUT, plan, {}) == []
