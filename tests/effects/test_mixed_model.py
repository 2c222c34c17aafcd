"""The mixed model against other programs, closed forms and itself.

Sources
-------
Orthodont: Potthoff and Roy (1964), Biometrika 51, 313-326, table 1. Results by R 4.2.2: nlme
3.1-162, lme4 1.1-31 with lmerTest (Satterthwaite) and pbkrtest (Kenward-Roger).
BodyWeight: Crowder and Hand (1990), Analysis of Repeated Measures, p. 19. Results as above.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from leafledger.effects.design import Layout, plan_from
from leafledger.effects.mixed_model import (
    NotFitted,
    Repeated,
    fit_random_intercept,
    fit_random_slope,
    fit_unstructured,
    joint_f,
    kenward_roger,
    mixed_model_tests,
)
from leafledger.effects.two_sample_tests import difference
from leafledger.effects.unit_means import StudyData, UnitTable
from leafledger.effects.variance_components import (
    components,
)

BOYS = """26 25 29 31/21.5 22.5 23 26.5/23 22.5 24 27.5/25.5 27.5 26.5 27/20 23.5 22.5 26/
24.5 25.5 27 28.5/22 22 24.5 26.5/24 21.5 24.5 25.5/23 20.5 31 26/27.5 28 31 31.5/23 23 23.5 25/
21.5 23.5 24 28/17 24.5 26 29.5/22.5 25.5 25.5 26/23 24.5 26 30/22 21.5 23.5 25"""
GIRLS = """21 20 21.5 23/21 21.5 24 25.5/20.5 24 24.5 26/23.5 24.5 25 26.5/21.5 23 22.5 23.5/
20 21 21 22.5/21.5 22.5 23 25/23 23 23.5 24/20 21 22 21.5/16.5 19 19 19.5/24.5 25 28 28"""
RATS = {
    "1": """240 250 255 260 262 258 266 266 265 272 278/225 230 230 232 240 240 243 244 238 247 245/
245 250 250 255 262 265 267 267 264 268 269/260 255 255 265 265 268 270 272 274 273 275/
255 260 255 270 270 273 274 273 276 278 280/260 265 270 275 275 277 278 278 284 279 281/
275 275 260 270 273 274 276 271 282 281 284/245 255 260 268 270 265 265 267 273 274 278""",
    "2": """410 415 425 428 438 443 442 446 456 468 478/405 420 430 440 448 460 458 464 475 484 496/
445 445 450 452 455 455 451 450 462 466 472/555 560 565 580 590 597 595 595 612 618 628""",
    "3": """470 465 475 485 487 493 493 504 507 518 525/535 525 530 533 535 540 525 530 543 544 559/
520 525 530 540 543 546 538 544 553 555 548/510 510 520 515 530 538 535 542 550 553 569""",
}
TIMES = (1, 8, 15, 22, 29, 36, 43, 44, 50, 57, 64)
NAMES = tuple(f"t{t}" for t in TIMES)


def numbers(text):
    return np.array([[float(v) for v in row.split()] for row in text.split("/")])


@pytest.fixture(scope="module")
def orthodont():
    y = np.vstack([numbers(BOYS), numbers(GIRLS)])
    girl = (np.arange(27) >= 16).astype(float)
    age = np.array([8.0, 10, 12, 14])
    one = np.ones((27, 4))
    girls = girl[:, None] * one
    return Repeated(y, np.stack([one, one * age, girls, girls * age], axis=2))


def rats():
    y = np.vstack([numbers(text) for text in RATS.values()])
    arms, at = {}, 0
    for diet, text in RATS.items():
        n = len(text.split("/"))
        arms[diet] = tuple(f"r{i:02d}" for i in range(at, at + n))
        at += n
    times = dict(zip(NAMES, map(float, TIMES), strict=True))
    layout = Layout("rat", arms, "1", {}, NAMES[:1], NAMES[1:], times, "day")
    units = tuple(u for arm in arms.values() for u in arm)
    return layout, UnitTable(units, NAMES, ("weight",), y[:, :, None], np.full((*y.shape, 1), 1.0))


def plan(layout, *methods):
    settings = {"methods": list(methods), "interval": 0.95, "alpha": 0.05, "margin": {}}
    return plan_from({**settings, "n_draws": 99, "seed": 1}, layout)


def test_orthodont_as_three_programs_have_it(orthodont):
    found = fit_random_intercept(orthodont)
    assert found.theta == pytest.approx([3.2986340261795166, 1.9220548043728425], rel=1e-9)
    assert found.log_likelihood == pytest.approx(-216.878624600568, abs=1e-9)
    assert found.beta == pytest.approx(
        [16.340625, 0.784375, 1.03210227272727, -0.304829545454545], rel=1e-10
    )
    errors = [0.981312236680399, 0.0775011049176894, 1.5374208052977, 0.121420896102432]
    df = [103.986361028112, 79.0, 103.986361040717, 79.0]
    for k in range(4):
        line = kenward_roger(found, np.eye(4)[k])
        assert line.error == pytest.approx(errors[k], rel=1e-8)
        assert line.df == pytest.approx(df[k], rel=1e-8)
    joint = joint_f(found, np.eye(4)[[3]])
    assert joint.statistic == pytest.approx(6.30270890760995, rel=1e-9)
    assert joint.df2 == pytest.approx(79, rel=1e-9)
    assert joint.p == pytest.approx(0.01409745067313, rel=1e-8)


def test_body_weight_through_the_function_of_the_pipeline():
    layout, table = rats()
    found = mixed_model_tests(StudyData(layout, table, plan(layout, "mixed_model")))
    by_name = {e.contrast.name: e for e in found}
    two = by_name["(t64-t1)@2-1"].tested
    assert two.estimate == pytest.approx(41.625, rel=1e-10)
    assert two.statistic == pytest.approx(7.62151714131032, rel=1e-6)  # lme4 stops a little early
    assert two.df == pytest.approx(130, rel=1e-9)
    assert two.p == pytest.approx(4.62499607862857e-12, rel=1e-5)
    three = by_name["(t64-t1)@3-1"].tested
    assert three.statistic == pytest.approx(3.36445351283038, rel=1e-6)
    assert three.p == pytest.approx(0.0010083240329439, rel=1e-5)
    joint = by_name["treatment x session"].tested
    assert (joint.df, joint.df2) == pytest.approx((20, 130), rel=1e-9)
    assert joint.statistic == pytest.approx(6.16794108726137, rel=1e-9)  # nlme
    assert joint.p == pytest.approx(2.88251644775528e-11, rel=1e-8)
    assert (by_name["(t64-t1)@2-1"].n_units, by_name["(t64-t1)@2-1"].n_reference) == (4, 8)


def test_body_weight_variance_components_by_analysis_of_variance():
    layout, table = rats()
    cells = {
        (unit, session): {"1": [float(table.mean[i, j, 0])]}
        for i, unit in enumerate(table.units)
        for j, session in enumerate(NAMES)
    }
    by_name = {c.name: c for c in components(layout, cells)}
    assert by_name["unit"].variance == pytest.approx(1340.3402097902103, rel=1e-10)
    assert by_name["unit_x_session"].variance == pytest.approx(39.770804195804196, rel=1e-10)
    assert (by_name["unit"].df, by_name["unit_x_session"].df) == (13, 130)
    assert math.isnan(by_name["leaf"].variance)


def test_free_covariance_gives_the_pooled_t_test_of_the_changes(orthodont):
    """With complete data the contrast is the t test of the change, n - 2 degrees of freedom."""
    y = orthodont.y
    girl = np.arange(27) >= 16
    x = np.zeros((27, 4, 8))
    for i in range(27):
        for j in range(4):
            x[i, j, 4 * girl[i] + j] = 1.0
    found = fit_unstructured(Repeated(y, x))
    e = np.eye(8)
    line = kenward_roger(found, e[7] - e[4] - e[3] + e[0])
    change = y[:, 3] - y[:, 0]
    spread = math.sqrt((15 * change[~girl].var(ddof=1) + 10 * change[girl].var(ddof=1)) / 25)
    assert line.estimate == pytest.approx(change[girl].mean() - change[~girl].mean(), rel=1e-12)
    assert line.error == pytest.approx(spread * math.sqrt(1 / 16 + 1 / 11), rel=1e-9)
    assert line.df == pytest.approx(25, rel=1e-9)
    assert difference(change[girl], change[~girl]).estimate == pytest.approx(line.estimate)


def test_two_sessions_give_the_pooled_t_test_of_the_changes():
    """A random intercept with two balanced sessions: the same estimate, t and n - 2."""
    rng = np.random.default_rng(4)
    y = rng.normal(size=(14, 1)) + rng.normal(size=(14, 2))
    arm = np.arange(14) % 2
    x = np.zeros((14, 2, 4))
    for i in range(14):
        for j in range(2):
            x[i, j, 2 * arm[i] + j] = 1.0
    found = fit_random_intercept(Repeated(y, x))
    line = kenward_roger(found, np.array([1.0, -1.0, -1.0, 1.0]))
    change = y[:, 1] - y[:, 0]
    one, two = change[arm == 1], change[arm == 0]
    spread = math.sqrt((one.var(ddof=1) + two.var(ddof=1)) / 2)
    if not found.singular:
        assert line.error == pytest.approx(spread * math.sqrt(2 / 7), rel=1e-9)
        assert line.df == pytest.approx(12, rel=1e-9)
    assert line.estimate == pytest.approx(one.mean() - two.mean(), rel=1e-9)


@pytest.fixture(scope="module")
def gappy(orthodont):
    y = orthodont.y.copy()
    y[3, 1] = y[10, 3] = y[10, 2] = y[20, 0] = np.nan
    return Repeated(y, orthodont.x)


def test_missing_sessions_against_statsmodels(gappy):
    """Statsmodels MixedLM, REML; its optimiser stops early, so 1e-4."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    here = np.isfinite(gappy.y)
    groups = np.repeat(np.arange(27), 4).reshape(27, 4)[here]
    other = MixedLM(gappy.y[here], gappy.x[here], groups).fit(reml=True)
    found = fit_random_intercept(gappy)
    assert found.beta == pytest.approx(other.fe_params, rel=1e-4)
    assert found.theta == pytest.approx([other.cov_re[0, 0], other.scale], rel=1e-3)
    assert found.log_likelihood == pytest.approx(other.llf, abs=1e-6)
    assert found.log_likelihood >= other.llf - 1e-9


@pytest.mark.parametrize("kind", ["intercept", "slope"])
def test_degrees_of_freedom_against_numerical_derivatives(gappy, kind):
    """Kenward and Roger's P and the variance of the contrast, taken numerically."""
    from leafledger.effects import mixed_model as m

    basis = m.random_intercept(4) if kind == "intercept" else m.random_slope(np.arange(4.0))
    found = (
        fit_random_intercept(gappy)
        if kind == "intercept"
        else fit_random_slope(gappy, np.arange(4.0))
    )
    contrast = np.array([0.0, 1.0, 0.0, 0.5])

    def state(theta):
        total, log_det, xx, xy = 0.0, 0.0, 0.0, 0.0
        blocks = []
        for y, x in zip(gappy.y, gappy.x, strict=True):
            k = np.isfinite(y)
            v = np.tensordot(theta, basis, 1)[np.ix_(k, k)]
            w = np.linalg.inv(v)
            log_det += np.linalg.slogdet(v)[1]
            xx, xy = xx + x[k].T @ w @ x[k], xy + x[k].T @ w @ y[k]
            blocks.append((y[k], x[k], w))
        beta = np.linalg.solve(xx, xy)
        total = sum((y - x @ beta) @ w @ (y - x @ beta) for y, x, w in blocks)
        log_det += np.linalg.slogdet(xx)[1]
        return -0.5 * (total + log_det), contrast @ np.linalg.inv(xx) @ contrast

    theta, n = found.theta, len(found.theta)
    step = 1e-3 * np.abs(theta).max()
    e = np.eye(n) * step
    slope = np.array([(state(theta + a)[1] - state(theta - a)[1]) / (2 * step) for a in e])
    df = 2 * state(theta)[1] ** 2 / (slope @ np.linalg.inv(found.expected) @ slope)
    assert kenward_roger(found, contrast).df == pytest.approx(df, rel=1e-3)
    assert contrast @ found.phi @ contrast == pytest.approx(state(theta)[1], rel=1e-9)


def test_singular_fits_are_named():
    """Values of a unit that lie apart on purpose: the variance between units is zero."""
    rng = np.random.default_rng(1)
    y = rng.normal(size=(8, 4))
    y -= y.mean(axis=1, keepdims=True)
    found = fit_random_intercept(Repeated(y, np.ones((8, 4, 1))))
    assert found.singular
    assert len(found.theta) == 1
    with pytest.raises(NotFitted, match="singular fit"):
        fit_random_slope(Repeated(y, np.ones((8, 4, 1))), np.arange(4.0))
    with pytest.raises(NotFitted, match="too few for a free covariance of 4 sessions"):
        fit_unstructured(Repeated(y[:4], np.ones((4, 4, 1))))
    with pytest.raises(NotFitted, match="no variation"):
        fit_random_intercept(Repeated(np.ones((8, 4)), np.ones((8, 4, 1))))


def test_a_free_covariance_of_very_many_sessions_is_refused_in_words():
    """Its parts grow as the square of the sessions, and what they take as the sixth power."""
    rng = np.random.default_rng(7)
    for sessions, text in ((50, "of 50 sessions has 1,275 variances"), (70, "too few for")):
        y = rng.normal(size=(60, sessions))
        x = np.tile(np.eye(sessions), (60, 1, 1))
        with pytest.raises(NotFitted, match=text):
            fit_unstructured(Repeated(y, x))


def test_units_that_miss_a_session_stay_and_are_named():
    layout, table = rats()
    y = table.mean.copy()
    y[9, 3, 0] = np.nan
    table = UnitTable(table.units, table.sessions, table.indices, y, table.u)
    for effect in mixed_model_tests(StudyData(layout, table, plan(layout, "mixed_model"))):
        assert "r09 lacks t22: its other sessions stay in the model" in effect.remarks
        assert math.isfinite(effect.tested.p)


def test_block_is_fixed_and_takes_its_part():
    rng = np.random.default_rng(3)
    units = tuple(f"p{i:02d}" for i in range(12))
    arms = {"a": units[::2], "b": units[1::2]}
    blocks = {u: "XY"[i // 6] for i, u in enumerate(units)}
    sessions = ("d0", "d4", "d8")
    shift = np.array([5.0 * (blocks[u] == "Y") for u in units])
    mean = 1.0 + shift[:, None] + 0.1 * rng.normal(size=(12, 3))
    table = UnitTable(units, sessions, ("I",), mean[:, :, None], np.zeros((12, 3, 1)))
    times = {"d0": 0.0, "d4": 4.0, "d8": 8.0}
    layout = Layout("plant", arms, "b", blocks, sessions[:1], sessions[1:], times, "day")
    methods = "mixed_model", "mixed_model_slope", "mixed_model_unstructured"
    found = [
        e
        for e in mixed_model_tests(StudyData(layout, table, plan(layout, *methods)))
        if e.method == "mixed_model" and e.contrast.after == "d8"
    ]
    change = mean[:, 2] - mean[:, 0]
    assert found[0].tested.estimate == pytest.approx(change[::2].mean() - change[1::2].mean())
    assert found[0].tested.ci_high - found[0].tested.ci_low < 1.0  # without blocks: about 6


def test_a_fit_without_a_positive_variance_gives_no_number_and_no_error(orthodont):
    """Sessions that repeat one another leave a covariance that rounding can turn negative."""
    found = fit_random_intercept(orthodont)
    broken = replace(found, phi=-found.phi)
    contrast = np.array([0.0, 1.0, 0.0, 1.0])
    assert kenward_roger(found, contrast).error > 0
    assert np.isnan(kenward_roger(broken, contrast).error)
    assert np.isnan(joint_f(replace(found, phi=0 * found.phi), np.eye(4)[:2]).p)
