"""Session, order and position effects: published examples, planted shifts, coverage."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from simulated import Simulated

from leafledger.quality.session_drift import (
    ACROSS,
    BETWEEN,
    Leaves,
    order_effects,
    order_warnings,
    position_effects,
    reference_course,
    shift_warnings,
)
from leafledger.quality.session_levels import (
    Look,
    control_limits,
    dark_shifts,
    looks,
    tile_shifts,
    white_shifts,
)
from leafledger.quality.stage import run
from leafledger.resampling.intervals import huber_fit, t_quantile
from leafledger.study.table_files import read_parquet

# Brownlee 1965, Statistical Theory and Methodology: oxidation of ammonia (stack loss).
STACK_LOSS = np.array(
    [
        [80, 27, 89, 42], [80, 27, 88, 37], [75, 25, 90, 37], [62, 24, 87, 28], [62, 22, 87, 18],
        [62, 23, 87, 18], [62, 24, 93, 19], [62, 24, 93, 20], [58, 23, 87, 15], [58, 18, 80, 14],
        [58, 18, 89, 14], [58, 17, 88, 13], [58, 18, 82, 11], [58, 19, 93, 12], [50, 18, 89, 8],
        [50, 18, 86, 7], [50, 19, 72, 8], [50, 19, 79, 8], [50, 20, 80, 9], [56, 20, 82, 15],
        [70, 20, 91, 15],
    ],
    dtype=float,
)  # fmt: skip


def test_huber_regression_of_the_stack_loss_data() -> None:
    terms = np.column_stack([np.ones(21), STACK_LOSS[:, :3]])
    fit = huber_fit(terms, STACK_LOSS[:, 3])
    assert fit is not None
    # Venables & Ripley, Modern Applied Statistics with S, help page of rlm (from memory; the
    # same from statsmodels.RLM with HuberT(1.345)).
    assert fit.coefficient == pytest.approx([-41.0265, 0.8294, 0.9261, -0.1278], abs=6e-5)
    assert fit.error == pytest.approx([9.7919, 0.1110, 0.3029, 0.1286], abs=6e-5)
    # Days 3, 4 and 21, known to be odd (Daniel & Wood 1971, Fitting Equations to Data), are held
    # back: 18 points less 4 terms.
    assert fit.df == pytest.approx(14)


def test_tails_of_the_robust_line_keep_their_level() -> None:
    rng = np.random.default_rng(12)
    place = np.linspace(0, 1, 24)
    beyond = n = 0
    for _ in range(2000):
        fit = huber_fit(np.column_stack([place, np.ones(24)]), rng.normal(size=24))
        assert fit is not None
        beyond += abs(fit.coefficient[0]) > t_quantile(0.99, fit.df) * fit.error[0]
        n += 1
    # 1 %, with three Monte Carlo standard errors of 0.22 % and a fifth for the approximation.
    assert 0.003 <= beyond / n <= 0.0187


def test_huber_regression_agrees_with_a_library_and_refuses_what_has_no_answer() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    terms = np.column_stack([rng.random(30), np.ones(30)])
    values = 2 * terms[:, 0] + rng.standard_t(2, 30)
    fit = huber_fit(terms, values)
    assert fit is not None
    other = sm.RLM(values, terms, M=sm.robust.norms.HuberT(1.345)).fit(maxiter=500, tol=1e-12)
    assert fit.coefficient == pytest.approx(other.params, rel=1e-4)
    assert fit.error == pytest.approx(other.bse, rel=1e-4)
    assert huber_fit(np.ones((4, 2)), np.arange(4.0)) is None
    assert huber_fit(np.eye(3), np.arange(3.0)) is None
    exact = huber_fit(terms, terms @ [3.0, 1.0])
    assert exact is not None
    assert exact.coefficient == pytest.approx([3.0, 1.0])


def made(
    rng: np.random.Generator,
    slope: float,
    *,
    n_sessions: int = 3,
    n_units: int = 24,
    shuffled: bool = True,
) -> tuple[dict[str, Leaves], dict[str, str]]:
    """Return leaf scans whose log reflectance rises by ``slope`` over the last session."""
    units = [f"u{k:02d}" for k in range(n_units)]
    groups = {unit: "ab"[k % 2] for k, unit in enumerate(units)}
    own = dict(zip(units, rng.normal(0, 0.15, n_units), strict=True))
    first = rng.permutation(n_units)
    out = {}
    for s in range(n_sessions):
        order = rng.permutation(n_units) if shuffled else first
        names, leaves, place, value = [], [], [], []
        for k, at in enumerate(order):
            unit = units[at]
            now = own[unit] + rng.normal(0, 0.03) + 0.1 * s * (groups[unit] == "a")
            for leaf in range(3):
                where = (3 * k + leaf) / (3 * n_units - 1)
                names.append(unit)
                leaves.append(str(leaf))
                place.append(where)
                drift = slope * where if s == n_sessions - 1 else 0.0
                value.append(now + 0.05 * leaf + drift + rng.normal(0, 0.04))
        out[f"s{s}"] = Leaves(
            tuple(names), tuple(leaves), np.array(place), np.array(value)[:, None]
        )
    return out, groups


def test_interval_of_the_order_effect_holds_the_truth() -> None:
    rng = np.random.default_rng(2)
    hits = n = 0
    for _ in range(300):
        sessions, groups = made(rng, 0.0)
        for row in order_effects(sessions, groups, [680.0]):
            assert row.reason == ACROSS
            assert row.ci_low is not None and row.ci_high is not None
            hits += row.ci_low <= 0.0 <= row.ci_high
            n += 1
    # 900 intervals, three a study that share data: 95 %, with an allowance of about 3 SE.
    assert 0.92 <= hits / n <= 0.975


def test_planted_drift_over_a_session_is_estimated_and_told() -> None:
    sessions, groups = made(np.random.default_rng(3), 0.2)
    rows = {row.session: row for row in order_effects(sessions, groups, [680.0])}
    last = rows["s2"]
    assert last.estimate == pytest.approx(np.expm1(0.2), abs=0.06)
    assert last.p_holm is not None and last.p_holm < 0.001
    (told,) = [w for w in order_warnings(list(rows.values())) if "Session s2" in w]
    assert "order of measuring" in told


def test_the_same_order_every_day_leaves_the_comparison_between_units() -> None:
    sessions, groups = made(np.random.default_rng(4), 0.0, shuffled=False)
    assert {row.reason for row in order_effects(sessions, groups, [680.0])} == {BETWEEN}


def test_order_that_follows_the_treatment_or_few_units_give_no_number() -> None:
    rng = np.random.default_rng(5)
    sessions, groups = made(rng, 0.0, n_units=8)
    (row, *_) = order_effects(sessions, groups, [680.0])
    assert row.estimate is None
    assert "8 units, at least 12" in row.reason
    one = sessions["s0"]
    units = tuple(f"u{k:02d}" for k in range(12))
    half = Leaves(units, ("1",) * 12, np.repeat([0.0, 1.0], 6), rng.normal(size=(12, 1)))
    (row,) = order_effects({"s": half}, {u: "ab"[k >= 6] for k, u in enumerate(units)}, [680.0])
    assert row.estimate is None
    assert "order follows the treatment" in row.reason
    assert len(one.unit) == 24


def test_position_is_the_paired_difference_and_says_that_order_is_the_same() -> None:
    # Student 1908, Biometrika 6:1-25 (extra sleep): mean difference 1.58, t = 4.0621, p 0.00283.
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    units = tuple(f"u{k}" for k in range(10)) * 2
    leaves = Leaves(units, ("1",) * 10 + ("2",) * 10, np.arange(20.0), np.array(one + two)[:, None])
    (row,) = position_effects({"s": leaves}, [680.0])
    assert (row.position, row.n_units) == ("2", 10)
    assert row.estimate == pytest.approx(np.expm1(1.58))
    assert row.p == pytest.approx(0.00283289, rel=1e-5)
    assert row.ci_low is not None
    assert np.log1p(row.ci_low) == pytest.approx(0.7001142, rel=1e-6)
    assert "always measured after it" in row.reason


SESSIONS = [("a", "before"), ("b", "after"), ("c", "after")]


def test_welch_of_references() -> None:
    # Welch's t on Student's sleep data as two groups: t = -1.8608, df = 17.776, p = 0.07939
    # (R, t.test(extra ~ group, data = sleep)).
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    darks = {
        "a": [Look(12.0, np.array([v])) for v in two],
        "b": [Look(12.0, np.array([v])) for v in one],
    }
    (row,) = dark_shifts(SESSIONS, darks, [680.0])
    assert (row.session, row.group, row.unit, row.n_units) == ("b", "dark", "count", 10)
    assert row.estimate == pytest.approx(-1.58)
    assert row.p == pytest.approx(0.07939, abs=5e-6)
    assert (row.ci_low, row.ci_high) == pytest.approx((-3.3654832, 0.2054832), rel=1e-6)


def test_white_shift_is_relative_and_one_block_has_no_interval() -> None:
    whites = {"a": [Look(12.0, np.array([1000.0]))], "b": [Look(12.0, np.array([900.0]))]}
    (row,) = white_shifts(SESSIONS, whites, [680.0])
    assert row.estimate == pytest.approx(-0.1)
    assert row.ci_low is None
    assert "one block" in row.reason


def test_darks_without_a_common_integration_time_say_so() -> None:
    darks = {"a": [Look(12.0, np.ones(1))], "b": [Look(18.0, np.ones(1))]}
    (row,) = dark_shifts(SESSIONS, darks, [680.0])
    assert row.estimate is None
    assert "no integration time" in row.reason


def test_control_limits_of_repeats_and_of_the_moving_range() -> None:
    repeats = [np.array([0.50, 0.52]), np.array([0.51, 0.51]), np.array([0.49, 0.51])]
    found = control_limits(repeats, 2, 2)
    # Pooled variance: (0.0002 + 0 + 0.0002) / 3; both means of two.
    assert found.half == pytest.approx(t_quantile(0.9973, 3) * np.sqrt(0.0004 / 3))
    single = [np.array([v]) for v in (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)]
    # NIST/SEMATECH e-Handbook 6.3.2.2, ten batches: mean moving range 1.8778, limits 3 x
    # 1.8778 / 1.128 from the mean; a difference of two is wider by the root of two.
    assert control_limits(single, 1, 1).half == pytest.approx(
        3 * 1.8778 / 1.128 * np.sqrt(2), rel=1e-4
    )
    assert control_limits(single[:2], 1, 1).half is None


def tiles(tmp_path: Path, shift: float) -> dict[str, pd.DataFrame]:
    levels = {}
    for k, name in enumerate("abc"):
        session = Simulated(31 + k, n_units=6, session=name)
        for repeat in range(3):
            value = 0.4 * (1 + (shift if name == "c" else 0.0))
            session.add(f"{name}-tile-{repeat}", "check", 18.0, np.full(len(session.axis), value))
        job = session.job(tmp_path / name)
        run(job)
        levels[name] = read_parquet(job.outputs["levels"])
    return levels


def test_a_tile_that_moves_leaves_its_limits_and_a_still_one_does_not(tmp_path: Path) -> None:
    still = looks(tiles(tmp_path / "still", 0.0), "check", [550.0, 680.0])
    # Relative to the panel of 0.985.
    assert np.array([look.value for look in still["a"]]) == pytest.approx(0.4 / 0.985, rel=0.01)
    rows = tile_shifts(SESSIONS, still, [550.0, 680.0])
    assert [row.session for row in rows] == ["b", "b", "c", "c"]
    assert all(abs(row.estimate or 9) < (row.limit_high or 0) for row in rows)
    assert shift_warnings(rows) == []
    moved = looks(tiles(tmp_path / "moved", 0.03), "check", [550.0, 680.0])
    rows = tile_shifts(SESSIONS, moved, [550.0, 680.0])
    (told,) = shift_warnings(rows)
    assert told.startswith("Session c: the stable tile left its control limits")
    assert rows[-1].estimate == pytest.approx(0.012 / 0.985, rel=0.1)


def test_course_of_white_and_dark(tmp_path: Path) -> None:
    session = Simulated(35)
    for kind in "abc":
        k = session.at(f"day0-rz-w{kind}")
        session.counts[k] = np.round((session.counts[k] - 948) * 0.95 + 948)
    for ms in (12, 18):
        session.counts[session.at(f"day0-rz-d{ms}")] += 20
    job = session.job(tmp_path)
    run(job)
    levels = {"day0": read_parquet(job.outputs["levels"])}
    # The dark of its own integration time is the median of all, so that the 20 counts stay out.
    (white,) = reference_course(levels, "white", [680.0])
    assert white.estimate == pytest.approx(-0.05, abs=0.003)
    assert white.p is not None and white.p < 0.01
    (dark,) = reference_course(levels, "dark", [680.0])
    assert dark.estimate == pytest.approx(20, abs=6)
    assert "no repeats" in dark.reason
