"""Sample sizes and powers against R and published tables, and against simulated studies."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from leafledger.effects.linear_model import LEAST_SQUARES, fit
from leafledger.errors import InputFault
from leafledger.planning.study_size import (
    AFTER,
    CHANGE,
    COVARIATE,
    OtherStudyScatter,
    Question,
    StatedScatter,
    detectable,
    fewest_units,
    model_known,
    power_of,
    scatter_of_study,
    smallest_p,
    standard_error,
    standing_of,
    units_needed,
)

R_VALUES = Path(__file__).parents[1] / "reference" / "power" / "power_t_test.csv"
PLAIN = StatedScatter(1.0, 0.0)


def asked(
    alpha: float = 0.05,
    power: float = 0.8,
    n_before: int = 0,
    *,
    n_blocks: int = 0,
    paired: bool = False,
    n_contrasts: int = 1,
) -> Question:
    return Question(alpha, power, n_contrasts, n_before, 1, 1, n_blocks, paired)


def rows(kind: str) -> list[tuple[float, float, float, float]]:
    with R_VALUES.open(encoding="utf-8", newline="") as file:
        return [
            (float(r["delta"]), float(r["alpha"]), float(r["n_or_power"]), float(r["value"]))
            for r in csv.DictReader(file)
            if r["type"] == kind
        ]


@pytest.mark.parametrize(("delta", "alpha", "n", "power"), rows("two.sample"))
def test_power_of_two_groups_is_that_of_r(
    delta: float, alpha: float, n: float, power: float
) -> None:
    assert power_of(int(n), delta, asked(alpha), PLAIN) == pytest.approx(power, abs=1e-9)


@pytest.mark.parametrize(("delta", "alpha", "n", "power"), rows("paired"))
def test_power_of_pairs_is_that_of_r(delta: float, alpha: float, n: float, power: float) -> None:
    # R states the standard deviation of differences within pairs: sqrt(2) that of a unit.
    scatter = StatedScatter(1.0 / math.sqrt(2.0), 0.0)
    found = power_of(int(n), delta, asked(alpha, paired=True), scatter)
    assert found == pytest.approx(power, abs=1e-9)


@pytest.mark.parametrize(("delta", "alpha", "power", "n"), rows("needed"))
def test_needed_units_are_those_of_r_rounded_up(
    delta: float, alpha: float, power: float, n: float
) -> None:
    assert units_needed(delta, asked(alpha, power), PLAIN) == math.ceil(n)


@pytest.mark.parametrize(
    ("d", "power", "n"),
    # Cohen (1988), table 2.4.1, a2 = .05, from memory.
    [(0.2, 0.80, 393), (0.5, 0.80, 64), (0.8, 0.80, 26), (0.5, 0.90, 85), (0.8, 0.90, 34)],
)
def test_needed_units_are_those_of_cohens_table(d: float, power: float, n: int) -> None:
    # The table gives the nearest number (393.4 and 85.03 rounded down), here all are rounded up.
    found = units_needed(d, asked(power=power), PLAIN)
    assert found in ((n + 1,) if (d, power) in {(0.2, 0.8), (0.5, 0.9)} else (n,))


def test_a_covariate_leaves_one_minus_r_squared() -> None:
    # Borm et al. (2007): r = 0.5 saves a quarter, r = 0.8 leaves 0.36.
    for r, left in ((0.0, 1.0), (0.5, 0.75), (0.8, 0.36)):
        assert StatedScatter(2.0, r).variance(COVARIATE, 1, 3, 1) == pytest.approx(4.0 * left)
        assert StatedScatter(2.0, r).variance(CHANGE, 1, 3, 1) == pytest.approx(8.0 * (1 - r))
    assert StatedScatter(2.0, 0.8).variance(AFTER, 0, 3, 1) == 4.0


def test_several_sessions_before_follow_frison_and_pocock() -> None:
    # One after, p before, all correlated by rho: 1 - p rho^2 / (1 + (p - 1) rho).
    for p in (1, 2, 3, 5):
        for rho in (0.3, 0.7):
            expected = 1.0 - p * rho**2 / (1.0 + (p - 1) * rho)
            assert StatedScatter(1.0, rho).variance(COVARIATE, p, 1, 1) == pytest.approx(expected)


def test_leaves_and_scans_shrink_their_own_part_only() -> None:
    scatter = StatedScatter(1.0, 0.6, sd_leaves=0.8, sd_scans=0.4)
    assert scatter.variance(AFTER, 0, 4, 2) == pytest.approx(1.0 + 0.64 / 4 + 0.16 / 8)
    noise = 0.64 / 4 + 0.16 / 8
    given = 1.0 + noise - 0.36 / (1.0 + noise)
    assert scatter.variance(COVARIATE, 1, 4, 2) == pytest.approx(given)


def test_the_value_before_is_no_covariate_with_few_units() -> None:
    question = asked(n_before=1)
    assert not question.model(4).before  # 8 units: 5 degrees of freedom with it
    assert question.model(5).before
    assert question.model(4).df == 6
    assert asked(n_before=1, paired=True).model(8).before
    assert not asked(n_before=1, paired=True).model(7).before


def test_several_contrasts_share_alpha() -> None:
    one = power_of(12, 1.0, asked(alpha=0.025), PLAIN)
    assert power_of(12, 1.0, asked(n_contrasts=2), PLAIN) == pytest.approx(one)


def test_needed_units_and_detectable_difference_agree() -> None:
    for question in (asked(n_before=1), asked(n_before=1, n_blocks=4), asked(paired=True)):
        scatter = StatedScatter(0.08, 0.6)
        n = units_needed(0.05, question, scatter)
        assert n is not None
        step = max(1, question.n_blocks)
        assert n % step == 0
        assert detectable(n, question, scatter) <= 0.05 < detectable(n - step, question, scatter)
        found = power_of(n, detectable(n, question, scatter), question, scatter)
        assert found == pytest.approx(0.8, abs=1e-8)


def test_a_difference_out_of_reach_is_none() -> None:
    assert units_needed(1e-4, asked(), PLAIN) is None


def test_the_smallest_p_of_lots_alone() -> None:
    # 2 over the number of ways to choose 3 of 6, 4 of 8; 2^n signs of pairs.
    assert smallest_p(3) == pytest.approx(0.1)
    assert smallest_p(4) == pytest.approx(2 / 70)
    assert smallest_p(6, paired=True) == pytest.approx(2 / 64)
    assert smallest_p(6, n_blocks=3) == pytest.approx(2 / 6**3)
    assert smallest_p(1) == 1.0
    assert fewest_units(0.05, n_blocks=3) == 6
    assert fewest_units(0.01) == 5


# --- the variation of another study ------------------------------------------------------------


def power_table(folder: Path, lines: list[str]) -> Path:
    heading = (
        "index,session,n_units,n_leaves,n_scans,sd_residual,residual_df,covariates,df,alpha,power,"
        "detectable,power_simulated,margin,power_at_margin,unit,reason"
    )
    (folder / "results").mkdir(parents=True)
    text = "\n".join([heading, *lines]) + "\n"
    (folder / "results" / "power.csv").write_text(text, encoding="utf-8")
    return folder


def line(n: int, leaves: int, scans: int, variance: float, adjusted: str) -> str:
    sd = math.sqrt(variance)
    return f'PRI,d4,{n},{leaves},{scans},{sd!r},9,"{adjusted}",9,0.05,0.8,1,0.8,,,1,'


def test_variation_is_taken_from_another_study(tmp_path: Path) -> None:
    grid = [(le, s) for le in (1, 2, 3, 5) for s in (1, 2)]
    lines = [line(4, le, s, 0.05 + 0.02 / le + 0.01 / (le * s), "block") for le, s in grid]
    lines += [
        line(32, le, s, 0.03 + 0.02 / le + 0.01 / (le * s), "value before, block") for le, s in grid
    ]
    scatter = scatter_of_study(power_table(tmp_path / "other", lines), "PRI")
    assert scatter.variance(COVARIATE, 1, 4, 3) == pytest.approx(0.03 + 0.005 + 0.01 / 12)
    assert scatter.variance(CHANGE, 1, 4, 3) == pytest.approx(0.05 + 0.005 + 0.01 / 12)
    assert scatter.source_of(COVARIATE).endswith("study other found, given value before and block")
    assert scatter.source_of(CHANGE).endswith("the change itself that the study other found, given "
                                              "block")  # fmt: skip
    with pytest.raises(InputFault, match="without a session before"):
        scatter.variance(AFTER, 0, 1, 1)


def test_another_study_without_leaves_apart_is_one_number(tmp_path: Path) -> None:
    folder = power_table(tmp_path / "other", [line(32, 1, 1, 0.04, "")])
    scatter = scatter_of_study(folder, "PRI")
    assert isinstance(scatter, OtherStudyScatter)
    assert scatter.variance(AFTER, 0, 7, 2) == pytest.approx(0.04)


def test_the_scatter_of_a_change_is_planned_as_that_of_a_change(tmp_path: Path) -> None:
    # 10 units in each of two groups: 2 n - 2 = 18 degrees of freedom, sd sqrt(2 / n), no price of
    # an adjustment; never the 17 of the model that the analysis adjusts.
    folder = power_table(tmp_path / "other", [line(32, 1, 1, 0.04, "")])
    (folder / "results" / "effects.csv").write_text("question\ndifference_in_change\n")
    scatter = scatter_of_study(folder, "PRI")
    question = asked(n_before=1)
    assert question.model(10).before
    model, use = model_known(10, question, scatter)
    assert (model.df, use) == (18, CHANGE)
    plain = power_of(10, 0.2, asked(), StatedScatter(0.2, 0.0))
    assert power_of(10, 0.2, question, scatter) == pytest.approx(plain)
    assert standard_error(10, question, scatter) == pytest.approx(math.sqrt(0.04 * 2 / 10))
    with pytest.raises(InputFault, match="change itself"):
        scatter.variance(COVARIATE, 1, 1, 1)


def test_the_scatter_given_the_value_before_is_none_of_the_change(tmp_path: Path) -> None:
    folder = power_table(tmp_path / "other", [line(32, 1, 1, 0.04, "value before")])
    scatter = scatter_of_study(folder, "PRI")
    question = asked(n_before=1)  # 4 units in each group are too few to adjust
    assert power_of(4, 10.0, question, scatter) == 0.0
    with pytest.raises(InputFault, match="in the change itself, as so few units"):
        detectable(4, question, scatter)
    assert units_needed(10.0, question, scatter) == 5


def test_what_the_scatter_of_another_study_leaves_out_is_said(tmp_path: Path) -> None:
    folder = power_table(tmp_path / "other", [line(32, 1, 1, 0.04, "value before, block")])
    scatter = scatter_of_study(folder, "PRI")
    assert scatter.remarks(True, 1, 1) == []
    (blocks,) = scatter.remarks(False, 1, 1)
    assert "within its blocks only" in blocks
    assert "too hopeful" in blocks
    leaves, scans = scatter.remarks(True, 3, 2)
    assert "--leaves 3 changes nothing" in leaves
    assert "--scans 2 changes nothing" in scans
    scanned = [line(32, 1, s, 0.03 + 0.02 / s, "") for s in (1, 2)]
    twice = scatter_of_study(power_table(tmp_path / "twice", scanned), "PRI")
    assert twice.variance(AFTER, 0, 3, 2) == pytest.approx(0.03 + 0.02 / 2)
    grid = [line(32, le, s, 0.03 + 0.02 / le, "") for le in (1, 2) for s in (1, 2)]
    both = scatter_of_study(power_table(tmp_path / "both", grid), "PRI")
    assert both.remarks(False, 3, 2) == []


def test_another_study_that_says_nothing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="leafledger run"):
        scatter_of_study(tmp_path, "PRI")
    folder = power_table(tmp_path / "other", [line(32, 1, 1, 0.04, "")])
    with pytest.raises(InputFault, match="no NDVI"):
        scatter_of_study(folder, "NDVI")
    unknown = power_table(tmp_path / "un", ["PRI,,,,,,,,,,,,,,,1,the study has no after session"])
    with pytest.raises(InputFault, match="no after session"):
        scatter_of_study(unknown, "PRI")


def test_another_study_whose_results_are_out_of_date_is_warned_of(
    tmp_path: Path, small_study: Path
) -> None:
    power_table(small_study, [line(32, 1, 1, 0.04, "value before")])
    why = standing_of(small_study)  # results that no run has made
    assert "out of date (effects would run: " in why
    scatter = replace(scatter_of_study(small_study, "PRI"), standing=why)
    assert scatter.remarks(True, 1, 1)[0] == why
    alone = power_table(tmp_path / "alone", [line(32, 1, 1, 0.04, "value before")])
    assert "cannot be run as it is now" in standing_of(alone)


@pytest.mark.slow
def test_another_study_as_its_run_left_it_is_not(ran_study: Path) -> None:
    assert standing_of(ran_study) == ""
    with (ran_study / "results" / "power.csv").open("a", encoding="utf-8") as file:
        file.write("\n")
    assert "out of date (effects would run: " in standing_of(ran_study)


# --- simulated studies -------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "n_blocks", "paired", "n_before"),
    [(10, 0, False, 1), (12, 4, False, 1), (12, 0, True, 1), (8, 0, False, 2), (10, 0, False, 0)],
)
def test_simulated_studies_find_it_as_often_as_planned(
    n: int, n_blocks: int, paired: bool, n_before: int
) -> None:
    """Studies with leaves, sessions and blocks drawn from the stated components."""
    scatter = StatedScatter(1.0, 0.6, sd_leaves=0.7)
    question = Question(0.05, 0.8, 1, n_before, 3, 1, n_blocks, paired)
    difference = detectable(n, question, scatter)
    rng = np.random.default_rng(20260504)
    n_studies = 6000
    groups = n if paired else max(1, n_blocks)
    block = np.tile(np.arange(n) * groups // n, 2)
    arm = np.repeat([1.0, 0.0], n)
    found = 0
    for _ in range(n_studies):
        common = rng.normal(0, math.sqrt(0.6), (2 * n, 1))
        own = rng.normal(0, math.sqrt(0.4), (2 * n, n_before + 1))
        leaves = rng.normal(0, 0.7, (2 * n, n_before + 1, 3)).mean(axis=2)
        shift = rng.normal(0, 2.0, (groups, n_before + 1))[block]
        y = common + own + leaves + shift
        after = y[:, -1] + difference * arm
        columns = [arm, *(np.equal(block, b).astype(float) for b in range(groups))]
        if n_before:
            columns.append(y[:, :-1].mean(axis=1))
        result = fit(after, np.column_stack(columns), (1 - arm).astype(np.intp), LEAST_SQUARES)
        t = abs(result.estimate / result.error)
        from scipy.special import stdtr

        found += 2 * stdtr(result.df, -t) < 0.05
    # Three standard errors of a share of 0.8 in 6,000 studies are 0.0155; the value before costs
    # a share of power that the factor 1 + 1 / (df - 1) gives on average only.
    assert found / n_studies == pytest.approx(0.8, abs=0.018)


@pytest.mark.slow
def test_a_study_that_was_run_tells_its_variation(small_study_run: Path) -> None:
    """The variance model read back from power.csv is that of every row, leaves and scans alike."""
    from leafledger.study.table_files import read_csv

    table = read_csv(small_study_run / "results" / "power.csv")
    rows_ = table[(table["index"] == "CI_rededge") & (table["n_units"] == 32)]
    assert len(rows_) >= 4
    scatter = scatter_of_study(small_study_run, "CI_rededge")
    for row in rows_.to_dict("records"):
        use = COVARIATE if "value before" in row["covariates"] else CHANGE
        found = scatter.variance(use, 1, int(row["n_leaves"]), int(row["n_scans"]))
        assert math.sqrt(found) == pytest.approx(row["sd_residual"], rel=1e-9)
