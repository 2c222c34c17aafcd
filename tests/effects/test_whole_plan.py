"""Strata, courses, doses, robustness and the next study, through the whole rule."""

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS

from leafledger.errors import InputFault
from leafledger.study.tables import (
    GROUP_MEANS,
    POWER,
    SENSITIVITY,
    UNIT_CHANGES,
    VARIANCE_COMPONENTS,
)

PRIMARY = "(day8-day0)@chelate-water"


def rows(effects, **wanted):
    for name, value in wanted.items():
        effects = effects[effects[name] == value]
    return effects


def one(effects, **wanted):
    found = rows(effects, **wanted)
    assert len(found) == 1, wanted
    return found.iloc[0]


@pytest.fixture
def asked(small_study):
    small_study.ask_everything()
    return small_study


def unit_values(study, index="NDVI"):
    table = study.unit_indices().query("index == @index")
    values = table.pivot(index="unit", columns="session", values="mean")
    return values, pd.Series({u: c["treatment"] for u, c in study.units.items()})


def test_summaries_of_the_course_are_what_they_say(asked):
    effects, _, _ = asked.run()
    values, level = unit_values(asked)
    change = values[["day4", "day8"]].sub(values["day0"], axis=0)
    expected = {
        "summary_mean": (change.mean(axis=1), "(mean-day0)@chelate-water", "1"),
        "summary_slope": (
            pd.Series([np.polyfit([0, 7, 14], v, 1)[0] for v in values.to_numpy()], values.index),
            "(slope)@chelate-water",
            "1/day",
        ),
        "summary_area": (
            7 * change["day4"] / 2 + 7 * (change["day4"] + change["day8"]) / 2,
            "(area-day0)@chelate-water",
            "day",
        ),
    }
    for method, (each, contrast, unit) in expected.items():
        found = one(effects, method=method, index="NDVI")
        columns = [level == "chelate", np.ones(len(each)), values["day0"]]
        x = np.column_stack(columns).astype(float)
        expected_estimate = np.linalg.lstsq(x, each.to_numpy(), rcond=None)[0][0]
        assert found["estimate"] == pytest.approx(expected_estimate, rel=1e-9)
        assert (found["contrast"], found["unit"], found["question"]) == (contrast, unit, "course")
        assert found["verdict"] == "significant"
    assert one(effects, method="summary_slope", index="REP")["unit"] == "nm/day"
    assert one(effects, method="summary_area", index="REP")["unit"] == "nm day"


def test_a_unit_that_misses_a_day_is_left_out_of_summaries_and_kept_in_models(asked):
    asked.rows = [r for r in asked.rows if not (r["unit"] == "p07" and r["session"] == "day4")]
    effects, _, _ = asked.run()
    mean = one(effects, method="summary_mean", index="NDVI")
    assert (mean["n_units"], mean["n_missing"]) == (5, 1)
    assert "no day4 value for p07" in mean["reason"]
    model = one(effects, method="mixed_model", index="NDVI", contrast=PRIMARY)
    assert model["n_units"] == 6
    assert "p07 lacks day4: its other sessions stay in the model" in model["reason"]


def test_a_unit_without_any_value_is_named_by_the_models_too(small_study):
    small_study.ask_everything()
    for row in small_study.rows:
        row["accepted"] = row["unit"] != "p02"
    effects, _, _ = small_study.run()
    models = effects[effects["method"].isin(["mixed_model", "mixed_model_f"])]
    assert len(models) > 0
    assert (models["n_missing"] == 1).all()
    assert (models["n_units_reference"] == 5).all()
    assert models["reason"].str.contains("no value at all for p02: not part of the model").all()


def test_models_name_the_treatment_that_was_not_measured_in_a_session(asked):
    chelated = {u for u, columns in asked.units.items() if columns["treatment"] == "chelate"}
    asked.rows = [r for r in asked.rows if not (r["unit"] in chelated and r["session"] == "day4")]
    effects, _, _ = asked.run()
    for row in (
        one(effects, method="mixed_model", index="NDVI", contrast="(day4-day0)@chelate-water"),
        one(effects, method="mixed_model_f", index="NDVI"),
    ):
        assert row["verdict"] == "undefined"
        assert row["reason"].startswith("no plant of chelate has a value in day4")
    last = one(effects, method="mixed_model", index="NDVI", contrast=PRIMARY)
    assert last["verdict"] == "significant"


def test_one_after_session_has_no_course(new_study):
    study = new_study("short")
    study.sessions = {"day0": "before", "day4": "after"}
    study.grow()
    study.ask_everything()
    effects, summary, _ = study.run()
    assert len(rows(effects, question="course")) == 0
    assert not any("whole course" in text for text in summary["plan"])


def test_strata_are_families_of_their_own_with_a_test_of_interaction(asked):
    for r in asked.rows:  # the treatment works in one cultivar only
        number = int(r["unit"][1:]) - 1
        if (number // 4) % 2 == 1 and r["session"] != "day0":
            r["values"]["NDVI"] -= (
                0.5 * list(asked.sessions).index(r["session"]) * (number % 2 == 0)
            )
    effects, summary, _ = asked.run()
    within = one(effects, method="welch_t", index="NDVI", contrast=PRIMARY, stratum="cultivar=K")
    assert within["family"] == "difference_in_change, welch_t, by cultivar"
    assert not within["primary"]
    assert (within["n_units"], within["n_units_reference"]) == (4, 4)
    values, level = unit_values(asked)
    cultivar = pd.Series({u: c["cultivar"] for u, c in asked.units.items()})
    change = (values["day8"] - values["day0"])[cultivar == "K"]
    arms = change[level == "chelate"], change[level == "water"]
    assert within["estimate"] == pytest.approx(arms[0].mean() - arms[1].mean(), rel=1e-9)
    differs = one(effects, method="interaction_f", index="NDVI", contrast=PRIMARY)
    assert (differs["stratum"], differs["statistic_name"]) == ("cultivar", "F")
    assert differs["p"] < 0.001
    assert one(effects, method="interaction_f", index="WI", contrast=PRIMARY)["p"] > 0.01
    assert len(rows(effects, primary=True)) == 1
    assert any("within each cultivar (K and L)" in text for text in summary["plan"])


@pytest.mark.parametrize("column", ["cultivar", "treatment"])
def test_strata_must_be_a_factor_beside_the_treatment(small_study, column):
    small_study.settings = {**small_study.settings, "strata": column}
    with pytest.raises(InputFault) as caught:
        small_study.run()
    assert [p.column for p in caught.value.problems] == ["effects.strata"]


def dosed(study):
    """Three doses, unbalanced, one plant lost on the last day; the rise goes with the dose."""
    for i, columns in enumerate(study.units.values()):
        columns["treatment"] = ["water", "half", "full", "water"][i % 4]
    for r in study.rows:
        level = study.units[r["unit"]]["treatment"]
        step = list(study.sessions).index(r["session"])
        dose = {"water": 0.0, "half": 1.0, "full": 2.0}[level]
        r["values"] = {**r["values"], "WI": 1.0 + r["values"]["WI"] * 0.01 + 0.3 * step * dose}
    study.rows = [r for r in study.rows if not (r["unit"] == "p02" and r["session"] == "day8")]
    study.design["doses"] = {"water": 0, "half": 1, "full": 2}


def test_dose_response_of_unbalanced_doses_with_a_missing_plant(small_study):
    dosed(small_study)
    effects, summary, _ = small_study.run()
    found = one(effects, question="trend", index="WI", contrast="(day8-day0)/dose")
    assert found["method"] == "linear_trend"
    assert found["estimate"] == pytest.approx(0.6, abs=0.02)
    assert found["unit"] == "1/dose"
    assert (found["n_units"], found["n_missing"], found["covariates"]) == (
        *(11, 1, "value before"),
    )
    assert 2 < found["df"] < 9
    assert "no day8 value for p02" in found["reason"]
    assert found["verdict"] == "significant"
    assert any("Trend over the dose" in text for text in summary["plan"])
    main = rows(effects, primary=True)
    assert sorted(main["contrast"]) == ["(day8-day0)@full-water", "(day8-day0)@half-water"]
    assert [p["contrast"] for p in summary["primary"]] == main["contrast"].tolist()
    assert len(summary["robustness"]) == len(summary["assumptions"]) == 2


def test_levels_that_are_numbers_are_doses(small_study):
    dosed(small_study)
    small_study.design["doses"] = {}
    words = {"water": "0", "half": "1", "full": "2.5"}
    for columns in small_study.units.values():
        columns["treatment"] = words[columns["treatment"]]
    small_study.design["control"] = "0"
    effects, summary, _ = small_study.run()
    assert len(rows(effects, question="trend")) == 3 * 2
    assert any("(0, 1 and 2.5): a straight line" in text for text in summary["plan"])
    assert any(" under 0 (control)" in text for text in summary["plan"])


def test_doses_that_do_not_fit_the_treatments_are_named(small_study):
    small_study.design["doses"] = {"chelate": 1, "watr": 0}
    with pytest.raises(InputFault) as caught:
        small_study.run()
    assert [p.column for p in caught.value.problems] == ["design.doses.watr", "design.doses"]
    assert caught.value.problems[0].expected == "a treatment that a unit of this study has"
    assert "no amount for water" in str(caught.value)


def test_one_plant_per_treatment_tests_nothing_by_any_method(new_study):
    study = new_study("alone")
    study.grow(n=1)
    study.ask_everything()
    effects, _, _ = study.run()
    assert set(effects["verdict"]) == {"undefined"}
    assert effects["p"].isna().all()
    assert effects["reason"].str.len().min() > 10


@pytest.mark.parametrize("phase", ["before", "after"])
def test_sessions_of_one_phase_test_no_change_by_any_method(new_study, phase):
    study = new_study(phase)
    study.grow()
    study.ask_everything()
    for session in study.design["sessions"]:
        session["phase"] = phase
    study.settings = {**study.settings, "primary": None}
    effects, _, _ = study.run()
    if phase == "after":  # treatments can be compared by their values, and nothing else be asked
        assert set(effects["question"]) == {"difference", "equivalence"}
        assert effects["p"].notna().all()
    else:
        assert effects["p"].isna().all()
        assert set(effects["verdict"]) == {"undefined"}


def test_conclusions_under_other_choices(asked):
    for r in asked.rows:
        if r["unit"] == "p03" and r["session"] == "day8" and r["leaf"] == "1":
            r["accepted"] = False
    effects, summary, _ = asked.run()
    table = asked.table("sensitivity")
    assert tuple(table.columns) == SENSITIVITY
    planned = one(table, variant="as_planned")
    main = one(effects, primary=True)
    for name in ("estimate", "ci_low", "ci_high", "p", "n_units", "verdict"):
        assert planned[name] == main[name], name
    assert planned["same_conclusion"]
    assert one(table, variant="every_scan")["estimate"] != planned["estimate"]
    left = rows(table, variant="without_unit")
    assert left["left_out"].tolist() == [f"p{i:02d}" for i in range(1, 13)]
    assert ((left["n_units"] + left["n_units_reference"]) == 11).all()
    day = one(table, variant="without_session", left_out="day8")
    assert day["contrast"] == "(day4-day0)@chelate-water"
    assert "the contrast to day4 in its place" in day["reason"]
    assert set(rows(table, variant="other_method")["left_out"]) == {
        *("label_permutation", "ancova", "linear_model", "linear_model_equal"),
    }
    (said,) = summary["robustness"]
    assert "leaving out any one of the 12 plants does not change it" in said
    assert "without day8 (the contrast to day4 in its place; p = " in said


def test_a_plant_that_decides_is_named(small_study):
    for r in small_study.rows:
        spread = {"p01": 30.0}.get(r["unit"], 0.0)
        if r["session"] == "day8":
            r["values"]["NDVI"] += spread
    _, summary, _ = small_study.run()
    (said,) = summary["robustness"]
    assert said.startswith(f"NDVI, {PRIMARY}: the conclusion is not significant; ")
    assert "it changes without p01, one at a time" in said
    (looked,) = summary["assumptions"]
    assert looked["influential"] == ["p01"]
    assert looked["variance_ratio"] > 100
    worst = max(looked["residuals"], key=lambda r: abs(r["standardised"]))
    assert worst["unit"] == "p01"
    assert sum(r["residual"] for r in looked["residuals"]) == pytest.approx(0, abs=1e-9)


def test_a_unit_without_which_nothing_can_be_tested_changes_no_conclusion(new_study):
    """With two plants in each treatment every one of them is needed for any test."""
    study = new_study("two")
    study.grow(n=2, effect=0.0)
    _, summary, _ = study.run()
    (said,) = summary["robustness"]
    assert "without p01, p02, p03 and p04, one at a time, nothing can be tested;" in said
    assert "it changes without p" not in said
    table = rows(study.table("sensitivity"), variant="without_unit")
    assert not table["same_conclusion"].any()
    assert set(table["verdict"]) == {"undefined"}


def test_an_index_that_never_varies_is_undefined_by_every_method_and_warns_of_nothing(asked):
    for row in asked.rows:
        row["values"]["NDVI"] = 1.0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        effects, summary, _ = asked.run()
    found = rows(effects, index="NDVI", stratum="all")
    assert found["p"].isna().all()
    reasons = {method: set(one["reason"]) for method, one in found.groupby("method")}
    assert reasons["ancova"] == {"the model leaves no variation between units: there is no t"}
    assert reasons["mixed_model_unstructured"] == {"the model leaves no variation between values"}
    assert summary["sentences"] == [
        "Nothing can be concluded about the difference between chelate and water in the change of "
        "NDVI from day0 to day8: no variation between units in either treatment: there is no t."
    ]


def test_models_say_that_the_treatment_cannot_be_told_from_the_block(asked):
    for columns in asked.units.values():
        columns["block"] = "A" if columns["treatment"] == "water" else "B"
    asked.design["block"] = "block"
    effects, _, _ = asked.run()
    joint = one(effects, method="mixed_model_f", index="NDVI")
    assert (joint["verdict"], joint["reason"]) == (
        "undefined",
        "the treatment cannot be told from the block",
    )


def test_studentised_residual_by_leaving_the_unit_out(small_study):
    _, summary, _ = small_study.run()
    (looked,) = summary["assumptions"]
    values, level = unit_values(small_study)
    from statsmodels.regression.linear_model import OLS
    from statsmodels.stats.outliers_influence import OLSInfluence

    change = values["day8"] - values["day0"]
    x = np.column_stack([np.ones(len(change)), level == "chelate"]).astype(float)
    expected = OLSInfluence(OLS(change, x).fit()).resid_studentized_external
    for unit, t in zip(change.index, expected, strict=True):
        residual = next(r for r in looked["residuals"] if r["unit"] == unit)
        assert residual["standardised"] == pytest.approx(t, rel=1e-8)


def test_components_and_designs_have_their_columns(asked):
    asked.run()
    parts, power, means = (
        asked.table(name) for name in ("variance_components", "power", "unit_indices")
    )
    assert tuple(parts.columns) == VARIANCE_COMPONENTS
    assert tuple(power.columns) == POWER
    assert set(parts["component"]) == {"unit", "unit_x_session", "leaf", "scan", "session"}
    scan = rows(parts, component="scan")
    assert scan["variance"].isna().all()
    assert scan["reason"].str.startswith("every leaf was scanned once").all()
    ndvi = rows(parts, index="NDVI").set_index("component")
    assert math.sqrt(ndvi.loc["leaf", "variance"]) == pytest.approx(0.1, abs=0.03)  # planted
    assert ndvi["share"].sum() == pytest.approx(1)
    first = rows(power, index="WI", n_units=12, n_leaves=2).iloc[0]
    assert (first["session"], first["covariates"], first["df"]) == ("day8", "value before", 21)
    assert first["detectable"] == pytest.approx(
        first["sd_residual"] * math.sqrt(2 / 12 * (1 + 1 / 20)) * 2.94, rel=0.01
    )  # noncentrality for 80 % power, 21 df: 2.94; 1 / 20 for values before that differ by chance
    # At the leaves measured it is what least squares leaves: of statsmodels, beside the package.
    frame = means.query("index == 'WI'").pivot(index="unit", columns="session", values="mean")
    level = [float(asked.units[unit]["treatment"] == "water") for unit in frame.index]
    x = np.column_stack([np.ones(12), level, frame["day0"]])
    model = OLS(frame["day8"].to_numpy(), x).fit()
    assert first["residual_df"] == model.df_resid == 9
    assert first["sd_residual"] == pytest.approx(math.sqrt(model.scale), rel=1e-9)
    assert 0 < first["power_at_margin"] <= 1
    assert power["power_simulated"].between(0.69, 0.84).all()
    assert rows(power, n_units=32)["power_simulated"].between(0.78, 0.82).all()
    rising = rows(power, index="NDVI", n_leaves=2).sort_values("n_units")["detectable"]
    assert rising.is_monotonic_decreasing


def test_families_say_what_they_can_reach(asked):
    _, summary, _ = asked.run()
    families = {f["family"]: f for f in summary["families"]}
    ranked = families["change, signed_rank"]
    assert ranked["p_holm_smallest"] == pytest.approx(0.03125 * ranked["n_defined"])
    assert families["difference_in_change, welch_t"]["p_max_t_smallest"] == 2 / 924
    assert families["change, paired_t"]["p_max_t_smallest"] == 2 / 64
    assert families["primary"]["max_t_draws"] == 0


def test_max_t_stands_beside_holm_and_uses_the_correlation(asked):
    for r in asked.rows:
        r["values"]["REP"] = 700 + r["values"]["NDVI"]  # the same index under another name
    effects, _, _ = asked.run()
    of = rows(effects, question="change", stratum="all", method="paired_t")
    assert of["p_max_t"].notna().all()
    same = of.pivot(index="contrast", columns="index", values="p_max_t")
    assert same["REP"].tolist() == pytest.approx(same["NDVI"].tolist(), abs=1e-9)
    assert rows(effects, method="signed_rank")["p_max_t"].isna().all()


def test_number_mean_and_spread_by_group_and_session(asked):
    for r in asked.rows:
        if r["unit"] == "p03" and r["session"] == "day8":
            r["accepted"] = False
    # Both scans of one plant are of one leaf.
    same = next(u for u, c in asked.units.items() if c["treatment"] == "chelate" and u != "p03")
    for r in asked.rows:
        if r["unit"] == same:
            r["leaf"] = "1"
    _, summary, _ = asked.run()
    table = asked.table("group_means")
    assert tuple(table.columns) == GROUP_MEANS
    assert len(table) == 3 * 2 * 3
    assert table["session"].tolist()[:3] == ["day0", "day4", "day8"]
    found = one(table, index="REP", treatment="chelate", session="day8")
    values, level = unit_values(asked, "REP")
    own = values["day8"][level == "chelate"].dropna()
    assert (found["n_units"], found["n_missing"], found["n_scans"]) == (5, 1, 10)
    assert found["n_leaves"] == 9
    assert (found["unit"], found["ci_level"]) == ("nm", 0.95)
    assert found["mean"] == pytest.approx(own.mean(), rel=1e-12)
    assert found["sd"] == pytest.approx(own.std(ddof=1), rel=1e-9)
    outside = stats.t.interval(0.95, 4, own.mean(), stats.sem(own))
    assert (found["ci_low"], found["ci_high"]) == pytest.approx(outside, rel=1e-12)
    assert found["se"] == pytest.approx(stats.sem(own), rel=1e-9)
    assert len(summary["description"]) == len(table)


def test_the_change_of_every_unit_gives_the_paired_t_of_the_effects(asked):
    for r in asked.rows:
        if r["unit"] == "p03" and r["session"] == "day8":
            r["accepted"] = False
    effects, _, _ = asked.run()
    table = asked.table("unit_changes")
    assert tuple(table.columns) == UNIT_CHANGES
    values, _ = unit_values(asked, "REP")
    changes = table[(table["index"] == "REP") & (table["session"] == "day8")].set_index("unit")
    assert set(changes.index) == {*asked.units} - {"p03"}
    expected = (values["day8"] - values["day0"]).loc[changes.index]
    np.testing.assert_allclose(changes["change"], expected, rtol=1e-9)
    np.testing.assert_allclose(changes["before"], values["day0"].loc[changes.index], rtol=1e-12)
    for treatment in ("water", "chelate"):
        arm = changes[changes["treatment"] == treatment]
        outside = stats.ttest_rel(arm["after"], arm["before"])  # SciPy
        tested = rows(effects, index="REP", question="change", method="paired_t")
        tested = tested[tested["contrast"] == f"day8-day0@{treatment}"].iloc[0]
        assert tested["p"] == pytest.approx(outside.pvalue, rel=1e-9)
        assert tested["estimate"] == pytest.approx(arm["change"].mean(), rel=1e-9)


def test_whole_plots_are_the_units_of_means_components_and_designs(asked):
    """Trays of two plants were treated: six of them, so everything counts six units."""
    asked.settings = {**asked.settings, "strata": None}
    for i, unit in enumerate(sorted(asked.units)):
        tray = f"t{(i // 4) * 2 + i % 2}"
        asked.units[unit]["tray"] = tray
    asked.design = {**asked.design, "whole_plot": "tray", "block": None}
    for r in asked.rows:
        if r["unit"] == "p03" and r["session"] == "day8" and r["leaf"] == "1":
            r["accepted"] = False
    _, summary, _ = asked.run()
    means = asked.table("group_means")
    found = one(means, index="NDVI", treatment="chelate", session="day0")
    assert (found["n_units"], found["n_missing"], found["n_scans"]) == (3, 0, 12)
    assert found["n_leaves"] == 12  # leaves of both plants of each tray
    values, level = unit_values(asked)
    tray = pd.Series({unit: c["tray"] for unit, c in asked.units.items()})
    own = values["day0"][level == "chelate"].groupby(tray).mean()
    assert found["sd"] == pytest.approx(own.std(ddof=1), rel=1e-9)
    parts = rows(asked.table("variance_components"), index="NDVI").set_index("component")
    assert parts.loc["unit", "n_groups"] == 6
    # 6 trays in 3 sessions with 4 leaves each, one of them left out.
    assert parts.loc["leaf", "n_groups"] == 71
    assert parts.loc["leaf", "df"] == 71 - 18
    power = rows(asked.table("power"), index="NDVI")
    assert set(power["residual_df"]) == {4}  # 6 trays less 2 means; too few for the value before
    assert set(power["covariates"].fillna("")) == {""}
    change = (values["day8"] - values["day0"]).groupby(tray).mean()
    of_tray = level.groupby(tray).first()
    residuals = change - change.groupby(of_tray).transform("mean")
    told = np.sqrt((residuals**2).sum() / 4)
    wide = rows(power, n_units=12).sort_values("n_leaves")
    assert wide.query("n_leaves == 3")["sd_residual"].iloc[0] > told * 0.9
    (compared,) = summary["with_and_without"]["rows"]
    assert (compared["n_excluded"], compared["excluded"]) == (1, ["day8-p03-1"])


def test_an_index_without_any_value_has_a_row_of_power_that_says_why(asked):
    for r in asked.rows:
        r["values"]["WI"] = None
    asked.run()
    row = one(asked.table("power"), index="WI")
    assert math.isnan(row["n_units"]) and math.isnan(row["detectable"])
    assert row["reason"].startswith("no unit has a defined value")
    means = rows(asked.table("group_means"), index="WI")
    assert set(means["n_units"]) == {0} and set(means["n_missing"]) == {6}


def test_studies_without_a_session_before_have_designs_too(asked):
    for session in asked.design["sessions"]:
        session["phase"] = "after"
    asked.run()
    power = rows(asked.table("power"), index="NDVI", n_units=12, n_leaves=2)
    values, level = unit_values(asked)
    day = values["day8"]
    left = day - day.groupby(level).transform("mean")
    assert power["sd_residual"].iloc[0] == pytest.approx(math.sqrt((left**2).sum() / 10), rel=1e-9)
    assert (power["df"].iloc[0], power["residual_df"].iloc[0]) == (22, 10)


def test_a_conclusion_that_turns_round_is_another_one(small_study):
    """Every scan counted, the two treatments change places: both results are significant."""
    for r in small_study.rows:
        r["accepted"] = r["leaf"] == "1"
        if r["leaf"] == "2" and small_study.units[r["unit"]]["treatment"] == "chelate":
            r["values"]["NDVI"] -= 4.0 * list(small_study.sessions).index(r["session"])
        r["values"] = {name: 0.1 * value for name, value in r["values"].items()}
    small_study.run()
    table = small_study.table("sensitivity").set_index("variant")
    planned, every = table.loc["as_planned"], table.loc["every_scan"]
    assert planned["verdict"] == every["verdict"] == "significant"
    assert 0 < planned["estimate"] < 1 and every["estimate"] < 0
    assert planned["same_conclusion"] and not every["same_conclusion"]
