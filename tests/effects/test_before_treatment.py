"""Balance, what a plan can detect, and what waits, before the sessions after the treatment."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from leafledger.effects.before_treatment import (
    balance,
    detectable,
    detectable_sentences,
    one_arm,
    values_before,
    waiting_sentences,
)
from leafledger.effects.design import Layout, Plan, contrasts, layout_from, plan_from
from leafledger.effects.unit_means import UnitTable

from .conftest import SETTINGS, SmallStudy

DAY12 = "waits: day12 has no scans yet"


def sessions(*, day0: Any = None, day4: Any = None, day12: Any = None) -> list[dict[str, Any]]:
    """Return three sessions; each may be ``True`` (to come) or a reason (skipped)."""
    out = []
    for name, what in (("day0", day0), ("day4", day4), ("day12", day12)):
        state = {} if what is None else {"to_come": True} if what is True else {"skipped": what}
        out.append({"session": name, "date": None, "phase": "before" if name == "day0" else "after",
                    **state})  # fmt: skip
    return out


def design(**states: Any) -> dict[str, Any]:
    return {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "block": None,
        "factors": [],
        "sessions": sessions(**states),
    }


UNITS = {f"p{i}": {"treatment": "water" if i % 2 else "salt"} for i in range(10)}
PRIMARY = {"index": "NDVI", "question": "difference_in_change", "session": None, "method": None}


def layout(units: dict[str, dict[str, str]] | None = None, **states: Any) -> Layout:
    return layout_from(design(**states), units or UNITS)


def plan(of: Layout, primary: dict[str, Any] | None = None) -> Plan:
    return plan_from({**SETTINGS, "primary": primary or PRIMARY}, of)


def table(of: Layout, seed: int = 3) -> UnitTable:
    units = tuple(sorted(unit for arm in of.levels.values() for unit in arm))
    values = np.random.default_rng(seed).normal(0.6, 0.1, (len(units), len(of.sessions), 1))
    return UnitTable(units, of.sessions, ("NDVI",), values, np.full_like(values, 0.01))


# --- what waits -----------------------------------------------------------------------------------


def test_the_primary_session_stays_the_last_one_stated() -> None:
    named = plan(layout(day12=True)).primary
    assert named is not None
    assert (named.session, named.question) == ("day12", "difference_in_change")
    unmeasured_start = plan(layout(day0="lamp broke")).primary
    assert unmeasured_start is not None
    assert unmeasured_start.question == "difference_in_change"


def test_contrasts_with_measured_sessions_alone_are_asked() -> None:
    assert {c.after for c in contrasts(layout(day12=True))} == {"day4"}
    assert contrasts(layout(day4=True, day12=True)) == []
    assert contrasts(layout(day0=True)) == [], "without its start no change is known"


@pytest.mark.parametrize(
    ("states", "said"),
    [
        (
            {"day12": True},
            [
                f"NDVI at day12 {DAY12} (the primary contrast).",
                f"Every other contrast with day12 {DAY12}.",
            ],
        ),
        (
            {"day12": "storm"},
            [
                "NDVI at day12 cannot be answered: day12 was not measured: storm "
                "(the primary contrast).",
                "Every other contrast with day12 cannot be answered: day12 was not measured: "
                "storm.",
            ],
        ),
        (
            {"day0": True},
            [
                "NDVI at day12 waits: day0 has no scans yet (the primary contrast).",
                "Every contrast with day4 waits: day0 has no scans yet.",
            ],
        ),
        (
            {"day0": "lamp broke"},
            [
                "NDVI at day12 cannot be answered: day0 was not measured: lamp broke "
                "(the primary contrast).",
            ],
        ),
    ],
)
def test_what_waits_is_said_once(states: dict[str, Any], said: list[str]) -> None:
    of = layout(**states)
    found = waiting_sentences(of, plan(of))
    assert found[: len(said)] == said


def test_treatments_that_are_not_allocated_make_everything_wait() -> None:
    of = layout_from(
        {**design(day4=True, day12=True), "unallocated": ["water", "salt"]},
        {unit: {"treatment": ""} for unit in UNITS},
    )
    assert waiting_sentences(of, plan(of)) == [
        "NDVI at day12 waits: treatments are not allocated yet (the primary contrast).",
        "Every contrast with day4 waits: treatments are not allocated yet.",
    ]


# --- balance --------------------------------------------------------------------------------------


def test_the_standardised_difference_is_that_of_the_pooled_standard_deviation() -> None:
    """Cohen's d of statsmodels for groups of one size pools both variances alike."""
    of = layout(day4=True, day12=True)
    means = table(of)
    water, salt = balance(of, means, {"NDVI": "1"})
    before = values_before(of, means, "NDVI")
    groups = [[before[unit] for unit in of.levels[level]] for level in ("salt", "water")]
    compared = CompareMeans(*(DescrStatsW(group) for group in groups))
    pooled = math.sqrt((compared.d1.var_ddof(1) + compared.d2.var_ddof(1)) / 2)
    assert (water["treatment"], water["reference"], water["standardised_difference"]) == (
        "water", "", None
    )  # fmt: skip
    assert salt["mean"] == pytest.approx(compared.d1.mean, rel=1e-12)
    assert salt["sd"] == pytest.approx(compared.d1.std_ddof(1), rel=1e-12)
    assert salt["n_units"] == 5
    assert salt["difference"] == pytest.approx(compared.d1.mean - compared.d2.mean, rel=1e-12)
    assert salt["standardised_difference"] == pytest.approx(salt["difference"] / pooled, rel=1e-12)


def test_exchanged_names_of_treatments_change_the_sign_and_no_digit() -> None:
    of = layout(day4=True, day12=True)
    other_name = {"water": "salt", "salt": "water"}
    renamed = {u: {"treatment": other_name[row["treatment"]]} for u, row in UNITS.items()}
    swapped = layout(renamed, day4=True, day12=True)
    one, other = (balance(each, table(of), {})[1] for each in (of, swapped))
    assert one["standardised_difference"] == -other["standardised_difference"]


def test_a_unit_without_a_value_before_is_not_counted() -> None:
    of = layout(day4=True, day12=True)
    means = table(of)
    means.mean[means.units.index("p0"), 0, 0] = np.nan
    assert [row["n_units"] for row in balance(of, means, {})] == [5, 4]


# --- what the plan can detect ---------------------------------------------------------------------


def test_the_detectable_difference_is_that_of_a_t_test_with_the_variance_left() -> None:
    """statsmodels' two-sample t test with n - 1 fewer degrees of freedom for the value before.

    Its effect size is solved at 2 n - 2 degrees of freedom, ours at 2 n - 3 with the chance
    difference before: with many units both agree.
    """
    n = 400
    units = {f"u{i:04d}": {"treatment": "water" if i % 2 else "salt"} for i in range(2 * n)}
    of = layout(units, day4=True, day12=True)
    (row,) = detectable(of, table(of), plan(of), {"NDVI": "1"})
    d = TTestIndPower().solve_power(nobs1=n, alpha=0.05, power=0.8)
    expected = [row["sd"] * d * math.sqrt(1 - r**2) for r in (0.0, 0.5, 0.8)]
    assert row["detectable"] == pytest.approx(expected, rel=3e-3)
    assert (row["n_units"], row["n_units_reference"], row["df_sd"]) == (n, n, 2 * n - 2)
    assert row["sd"] == pytest.approx(0.1, rel=0.1)


def test_with_few_units_the_value_before_costs_a_degree_of_freedom() -> None:
    """n = 5 and 5: t with 7 df and a variance of 1 + 1/6 (Cochran 1957), from scipy alone."""
    from scipy.stats import nct, t

    of = layout(day4=True, day12=True)
    (row,) = detectable(of, table(of), plan(of), {})
    error = row["sd"] * math.sqrt((1 - 0.5**2) * (2 / 5) * (1 + 1 / 6))
    noncentrality = row["detectable"][1] / error
    limit = t.ppf(0.975, 7)
    power = nct.sf(limit, 7, noncentrality) + nct.cdf(-limit, 7, noncentrality)
    assert power == pytest.approx(0.8, abs=1e-6)


def test_a_primary_change_is_that_of_a_paired_test() -> None:
    """statsmodels' one-sample t test of the changes, which vary by s sqrt(2 (1 - r))."""
    of = layout(day4=True, day12=True)
    asked = plan(of, {**PRIMARY, "question": "change"})
    (row,) = detectable(of, table(of), asked, {})
    d = TTestPower().solve_power(nobs=5, alpha=0.05, power=0.8)
    expected = [row["sd"] * math.sqrt(2 * (1 - r)) * d for r in (0.0, 0.5, 0.8)]
    assert row["detectable"] == pytest.approx(expected, rel=1e-6)
    assert (row["level"], row["reference"]) == ("salt", "")


def test_units_without_a_treatment_are_taken_as_divided_evenly() -> None:
    bare = layout_from(
        {**design(day4=True, day12=True), "unallocated": ["water", "salt"]},
        {unit: {"treatment": ""} for unit in UNITS},
    )
    of = one_arm(bare, [*UNITS])
    (row,) = detectable(of, table(of), plan(bare), {})
    assert (row["n_units"], row["n_units_reference"], row["df_sd"]) == (5, 5, 9)
    said = detectable_sentences([row], of)
    assert "which is an assumption" in said[0]
    assert said[1] == "The plants are taken as divided evenly among water and salt."


# --- the stage ------------------------------------------------------------------------------------


def unfinished(study: SmallStudy, **states: Any) -> None:
    """Let sessions of a small study be to come or skipped; their rows go."""
    for session in study.design["sessions"]:
        what = states.get(session["session"])
        if what is not None:
            session |= {"to_come": True} if what is True else {"skipped": what}
    study.rows = [row for row in study.rows if row["session"] not in states]


def test_the_first_evening_gives_balance_and_what_can_be_detected(small_study: SmallStudy) -> None:
    small_study.settings["primary"] = {**PRIMARY, "session": "day8"}
    unfinished(small_study, day4=True, day8=True)
    effects, summary, spectrum = small_study.run()
    (row,) = effects.to_dict("records")
    assert (row["primary"], row["verdict"], row["reason"]) == (
        True, "undefined", "waits: day8 has no scans yet"
    )  # fmt: skip
    assert row["contrast"] == "(day8-day0)@chelate-water"
    assert len(spectrum) == 0
    found = summary["unfinished"]
    assert found["said"][0] == "NDVI at day8 waits: day8 has no scans yet (the primary contrast)."
    assert [s["why"] for s in found["sessions"]] == [
        "", "waits: day4 has no scans yet", "waits: day8 has no scans yet"
    ]  # fmt: skip
    assert {(r["index"], r["treatment"]) for r in found["balance"]} == {
        (index, level) for index in small_study.indices for level in ("chelate", "water")
    }
    assert [r["index"] for r in found["detectable"]] == ["NDVI"]
    assert summary["findings"][0]["sentence"] == (
        "Primary contrast. NDVI at day8 waits: day8 has no scans yet."
    )
    assert not any("undefined" in text for text in small_study.outcome.warnings)


def test_measured_sessions_are_tested_as_if_there_were_no_other(small_study: SmallStudy) -> None:
    """Every number of day4 is that of a study that never planned a day8."""
    methods = [*SETTINGS["methods"], "summary_mean"]
    small_study.settings |= {"primary": {**PRIMARY, "session": "day8"}, "methods": methods}
    unfinished(small_study, day8=True)
    with_plan, summary, _ = small_study.run()
    small_study.settings["primary"] = None
    small_study.design["sessions"] = small_study.design["sessions"][:2]
    alone, complete, _ = small_study.run()
    assert "unfinished" not in complete
    tested = with_plan[~with_plan["primary"].astype(bool)].reset_index(drop=True)
    columns = ["question", "index", "contrast", "method", "estimate", "p", "p_holm", "n_family"]
    assert tested[columns].equals(alone[columns])
    assert set(tested["contrast"].str.contains("day4")) == {True}
    assert "The whole course waits: day8 has no scans yet." in summary["unfinished"]["said"]


def test_a_skipped_primary_session_leaves_the_rest_exploratory(small_study: SmallStudy) -> None:
    small_study.settings["primary"] = {**PRIMARY, "session": "day8"}
    unfinished(small_study, day8="storm")
    effects, summary, _ = small_study.run()
    primary = effects[effects["primary"].astype(bool)]
    assert set(primary["reason"]) == {"day8 was not measured: storm"}
    skipped = effects[effects["contrast"].str.contains("day8")]
    assert set(skipped["verdict"]) == {"undefined"}
    assert set(skipped["index"]) == set(small_study.indices)
    day4 = effects[effects["contrast"] == "(day4-day0)@chelate-water"]
    assert day4["p"].notna().any()
    assert "detectable" not in summary["unfinished"]
    assert (
        "Nothing can be concluded about the difference between chelate and water in the change of "
        "NDVI from day0 to day8: day8 was not measured: storm."
    ) in summary["sentences"]


def test_all_sessions_after_skipped_is_described_and_not_tested(small_study: SmallStudy) -> None:
    unfinished(small_study, day4="storm", day8="storm")
    effects, summary, spectrum = small_study.run()
    assert set(effects["verdict"]) == {"undefined"}
    assert len(spectrum) == 0
    assert len(summary["unfinished"]["balance"]) == 6
    assert "detectable" not in summary["unfinished"]


def test_without_its_only_session_before_nothing_can_be_compared(small_study: SmallStudy) -> None:
    small_study.settings["primary"] = {**PRIMARY, "session": "day8"}
    unfinished(small_study, day0=True)
    effects, summary, _ = small_study.run()
    assert set(effects["reason"]) == {"waits: day0 has no scans yet"}
    assert summary["unfinished"]["balance"] == []


def test_units_without_treatments_are_measured_and_wait(small_study: SmallStudy) -> None:
    small_study.settings["primary"] = {**PRIMARY, "session": "day8"}
    unfinished(small_study, day4=True, day8=True)
    small_study.units = {unit: {**row, "treatment": ""} for unit, row in small_study.units.items()}
    small_study.design["unallocated"] = ["chelate", "water"]
    effects, summary, _ = small_study.run()
    assert set(effects["reason"]) == {"waits: treatments are not allocated yet"}
    assert "balance" not in summary["unfinished"]
    said = summary["unfinished"]["said"]
    assert said[-1] == "The balance of the arms waits: treatments are not allocated yet."
    (row,) = summary["unfinished"]["detectable"]
    assert (row["n_units"], row["n_units_reference"]) == (6, 6)
