"""The whole rule on small studies: what an outsider would try."""

import json
import math
import time

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from leafledger.errors import InputFault
from leafledger.study.tables import EFFECTS, SPECTRUM_EFFECTS

PRIMARY = "(day8-day0)@chelate-water"
SAME = [
    *("n_units", "n_units_reference", "df", "df2", "p", "estimate", "ci_low", "ci_high"),
    *("p_holm", "p_max_t"),
]


def raw(study, name="effects.csv"):
    return pd.read_csv(study.folder / "results" / name, dtype=str, keep_default_na=False)


def row(effects, method, contrast=PRIMARY, index="NDVI"):
    found = effects[
        (effects["method"] == method)
        & (effects["contrast"] == contrast)
        & (effects["index"] == index)
    ]
    assert len(found) == 1
    return found.iloc[0]


def test_contract_and_primary(small_study):
    effects, summary, band = small_study.run()
    assert tuple(effects.columns) == EFFECTS
    assert tuple(band.columns) == SPECTRUM_EFFECTS
    keys = list(effects[list(EFFECTS[:5])].itertuples(index=False, name=None))
    assert keys == sorted(keys)
    assert len(keys) == len(set(keys))
    # 3 indices, 2 after-sessions: 2 arms x 3 paired methods, 1 difference x 2 methods, WI tost
    assert len(keys) == 3 * 2 * (2 * 3 + 2) + 2
    assert effects["primary"].sum() == 1
    main = row(effects, "welch_t")
    assert main["primary"]
    assert main["family"] == "primary"
    assert main["n_family"] == 1
    assert main["p"] == main["p_holm"] == main["p_bh"]
    assert main["verdict"] == "significant"
    assert main["ci_low"] < 1.0 < main["ci_high"]  # planted: 0.5 a session
    assert (main["n_units"], main["n_units_reference"], main["n_missing"]) == (6, 6, 0)
    assert [p["contrast"] for p in summary["primary"]] == [PRIMARY]
    assert len(summary["findings"]) == 3
    others = effects[(effects["family"] == "difference_in_change, welch_t")]
    assert (others["n_family"] == len(others)).all()
    assert len(others) == 5


def test_units_come_from_the_catalogue(small_study):
    effects, _, _ = small_study.run()
    assert set(effects.loc[effects["index"] == "REP", "unit"]) == {"nm"}


def test_every_p_is_a_probability_and_every_number_finite(small_study):
    effects, _, _ = small_study.run()
    for name in ("p", "p_holm", "p_bh", "p_smallest"):
        known = effects[name].dropna()
        assert known.between(0, 1).all()
    assert (effects["p_holm"].dropna() >= effects["p"].dropna()).all()
    text = (small_study.folder / "results" / "effects.csv").read_text().lower()
    assert "nan" not in text
    assert "inf," not in text


def test_degrees_of_freedom_are_written_without_the_noise_of_the_search(small_study):
    small_study.ask_everything()
    small_study.run()
    written = raw(small_study)
    models = written[written["method"].str.startswith("mixed_model")]
    told = [text for name in ("df", "df2") for text in models[name] if text]
    assert told and max(len(text.partition(".")[2]) for text in told) <= 6
    free = models[models["method"] == "mixed_model_unstructured"]
    assert set(free["df"]) == {"10.0"}, "12 plants in 2 arms: the exact answer, found by search"


def test_ten_copies_of_every_scan_change_nothing(small_study, new_study):
    small_study.ask_everything()
    small_study.run()
    copied = new_study("copied")
    copied.grow()
    copied.ask_everything()
    copied.rows = [{**r, "scan": f"{r['scan']}-{k}"} for r in copied.rows for k in range(10)]
    copied.run()
    one, ten = raw(small_study), raw(copied)
    for name in SAME:
        assert one[name].tolist() == ten[name].tolist(), name


def test_row_order_changes_no_byte(small_study, new_study):
    small_study.run()
    other = new_study("other")
    other.grow()
    other.shuffle = 4
    other.units = dict(reversed(other.units.items()))
    other.run()
    tables = ("effects", "spectrum_effects", "sensitivity", "variance_components", "power")
    tables = (*tables, "group_means", "unit_changes")
    for name in ("effects.json", *(f"{table}.csv" for table in tables)):
        a, b = ((s.folder / "results" / name).read_bytes() for s in (small_study, other))
        assert a == b, name


@pytest.mark.parametrize("how", ["control", "labels"])
def test_swapping_control_and_treatment_changes_signs_only(new_study, how):
    one, other = new_study("one"), new_study("other")
    for study in (one, other):
        study.grow(n=7, blocks=True)
        study.ask_everything()
        study.units["p01"]["treatment"] = "water"  # arms of 6 and 8
    if how == "control":
        other.design["control"] = "chelate"
    else:
        swap = {"water": "chelate", "chelate": "water"}
        for unit in other.units.values():
            unit["treatment"] = swap[unit["treatment"]]
    one.run()
    other.run()
    a, b = raw(one), raw(other)
    for question in ("difference_in_change", "equivalence", "course"):
        order = ["index", "contrast", "stratum", "method"]
        first = a[a["question"] == question].sort_values(order)
        second = b[b["question"] == question].sort_values(order)
        assert len(first) == len(second) > 0
        for name in ("p", "p_holm", "p_max_t", "verdict"):
            assert first[name].tolist() == second[name].tolist(), name
        signed = (first["statistic_name"] != "F").to_numpy()
        for name in ("estimate", "statistic", "effect_size", "percent_change", "in_u"):
            one, two = (pd.to_numeric(t.loc[signed, name]).to_numpy() for t in (first, second))
            assert np.array_equal(one, -two, equal_nan=True), name
        low, high = pd.to_numeric(first["ci_low"]), pd.to_numeric(second["ci_high"])
        assert np.array_equal(low.to_numpy(), -high.to_numpy(), equal_nan=True)


def test_missing_day_is_named_and_switches_no_test(small_study):
    small_study.rows = [
        r for r in small_study.rows if not (r["unit"] == "p07" and r["session"] == "day8")
    ]
    effects, summary, _ = small_study.run()
    main = row(effects, "welch_t")
    assert main["n_missing"] == 1
    assert "no day8 value for p07" in main["reason"]
    assert (main["n_units"], main["n_units_reference"]) == (5, 6)
    assert "p07" in summary["sentences"][0]
    paired = row(effects, "paired_t", "day8-day0@chelate")
    assert (paired["n_units"], paired["n_missing"]) == (5, 1)
    assert row(effects, "paired_t", "day8-day0@water")["n_missing"] == 0
    assert row(effects, "welch_t", "(day4-day0)@chelate-water")["n_missing"] == 0


def test_all_scans_of_a_day_excluded_is_the_same_as_missing(small_study):
    for r in small_study.rows:
        if r["unit"] == "p07" and r["session"] == "day8":
            r["accepted"] = False
    effects, summary, _ = small_study.run()
    assert "no day8 value for p07" in row(effects, "welch_t")["reason"]
    (both,) = summary["with_and_without"]["rows"]
    assert both["n_excluded"] == 2
    assert both["excluded"] == ["day8-p07-1", "day8-p07-2"]
    assert both["with_exclusions"]["n_units"] == 5
    assert both["without_exclusions"]["n_units"] == 6
    assert both["with_exclusions"]["p"] != both["without_exclusions"]["p"]
    assert set(summary["with_and_without"]) == {"rows"}, "reasons stand in exclusions.csv alone"


def test_one_plant_per_treatment_is_description_only(new_study):
    study = new_study("one")
    study.grow(n=1)
    effects, summary, band = study.run()
    assert set(effects["verdict"]) == {"undefined"}
    assert effects["p"].isna().all()
    assert row(effects, "welch_t")["estimate"] == pytest.approx(1.0, abs=0.6)
    assert "chelate has 1 plant with the pair" in row(effects, "welch_t")["reason"]
    assert len(band) == 0
    assert "description only" in " ".join(summary["plan"])
    assert summary["sentences"][0].startswith("Nothing can be concluded")
    assert any("undefined" in w for w in study.outcome.warnings)


def test_four_pairs_reach_an_eighth(new_study):
    study = new_study("four")
    study.grow(n=4)
    effects, _, _ = study.run()
    ranked = row(effects, "signed_rank", "day8-day0@chelate")
    assert ranked["p_smallest"] == 0.125
    assert math.isnan(ranked["ci_low"])
    assert "no exact 95 % interval exists with 4 pairs" in ranked["reason"]
    assert "out of reach" in ranked["reason"]


def test_p_out_of_reach_of_a_family_but_not_of_a_test_by_itself(small_study):
    effects, _, _ = small_study.run()
    ranked = row(effects, "signed_rank", "day8-day0@chelate")
    assert (ranked["p_smallest"], ranked["n_family"]) == (0.03125, 12)
    assert ranked["reason"] == (
        "so few units reach p = 0.0312 at best; as the smallest of the 12 tests of its family "
        "that is 0.375 after adjustment"
    )


@pytest.mark.parametrize("phase", ["before", "after"])
def test_sessions_of_one_phase_only(new_study, phase):
    study = new_study(phase)
    study.grow()
    for session in study.design["sessions"]:
        session["phase"] = phase
    if phase == "before":
        assert study.run()[1]["onset"] == []  # with its primary contrast, as on the first evening
        study.settings = {**study.settings, "primary": None}
    effects, summary, band = study.run()
    if phase == "after":
        levels_after(study, effects, summary)
        return
    assert set(effects["verdict"]) == {"undefined"}
    assert effects["reason"].str.contains("no after session").all()
    assert effects["estimate"].isna().all()
    assert len(band) == 0
    (said,) = summary["sentences"]
    arms = "the difference between chelate and water in NDVI, REP and WI"
    assert said.startswith(
        "Nothing can be concluded about the difference between chelate and water"
    )
    assert "NDVI, REP and WI: the study has no after session" in said, arms


def levels_after(study, effects, summary):
    """Without a session before, treatments are compared by their values at each session."""
    assert set(effects["question"]) == {"difference", "equivalence"}
    assert set(effects["verdict"]) <= {"significant", "not_significant", "equivalent"}
    means = study.unit_indices().query("index == 'NDVI' and session == 'day8'").set_index("unit")
    level = pd.Series({u: c["treatment"] for u, c in study.units.items()})
    arms = [means.loc[level[level == name].index, "mean"] for name in ("chelate", "water")]
    found = row(effects, "welch_t", "day8@chelate-water")
    assert found["primary"]
    assert found["estimate"] == pytest.approx(arms[0].mean() - arms[1].mean(), rel=1e-12)
    assert found["p"] == pytest.approx(ttest_ind(*arms, equal_var=False).pvalue, rel=1e-9)
    assert found["percent_change"] == pytest.approx(
        100 * found["estimate"] / arms[1].mean(), rel=1e-12
    )
    assert found["percent_low"] < found["percent_change"] < found["percent_high"]
    assert summary["sentences"][0].startswith("NDVI at day8 was higher under chelate than under")
    assert any("allotment at random alone" in text for text in summary["plan"])


def test_several_before_sessions_are_averaged(new_study):
    study = new_study("several")
    study.sessions = {"day-2": "before", "day0": "before", "day8": "after"}
    study.grow()
    effects, summary, _ = study.run()
    found = row(effects, "welch_t", "(day8-before)@chelate-water")
    means = (
        study.unit_indices()
        .query("index == 'NDVI'")
        .pivot(index="unit", columns="session", values="mean")
    )
    change = means["day8"] - means[["day-2", "day0"]].mean(axis=1)
    level = pd.Series({u: c["treatment"] for u, c in study.units.items()})
    expected = change[level == "chelate"].mean() - change[level == "water"].mean()
    assert found["estimate"] == pytest.approx(expected, rel=1e-12)
    assert "the mean of day-2 and day0" in " ".join(summary["plan"])


def test_several_treatments_against_one_control(new_study):
    study = new_study("doses")
    study.grow(n=6)
    for unit in ("p01", "p03", "p05"):
        study.units[unit]["treatment"] = "double"
    effects, summary, band = study.run()
    assert effects["primary"].sum() == 2
    main = effects[effects["primary"]]
    assert set(main["contrast"]) == {PRIMARY, "(day8-day0)@double-water"}
    assert set(main["n_family"]) == {2}
    assert (main["p_holm"] > main["p"]).any()
    assert len(summary["sentences"]) == 2
    assert "over the 2 primary contrasts" in summary["sentences"][0]
    assert set(band["contrast"]) >= {PRIMARY, "(day8-day0)@double-water"}


def test_treatment_that_coincides_with_block_is_refused(small_study):
    for columns in small_study.units.values():
        columns["block"] = {"chelate": "A", "water": "B"}[columns["treatment"]]
    small_study.design["block"] = "block"
    effects, summary, band = small_study.run()
    assert row(effects, "welch_t")["verdict"] == "undefined"
    assert "cannot be told from the block" in row(effects, "welch_t")["reason"]
    assert "cannot be told from the block" in " ".join(summary["plan"])
    assert row(effects, "paired_t", "day8-day0@chelate")["verdict"] == "significant"
    assert len(band) == 0


def test_treatment_that_coincides_with_session_is_refused(small_study):
    small_study.rows = [
        r
        for r in small_study.rows
        if not (r["session"] == "day8" and small_study.units[r["unit"]]["treatment"] == "water")
    ]
    effects, summary, _ = small_study.run()
    main = row(effects, "welch_t")
    assert main["verdict"] == "undefined"
    assert main["reason"].startswith(
        "no plant of water has a value in day8 and those of chelate have: the treatment cannot be "
        "told from the session"
    )
    assert "told from the session" in summary["sentences"][0]
    assert row(effects, "welch_t", "(day4-day0)@chelate-water")["verdict"] != "undefined"


def test_an_index_that_one_treatment_never_has_is_not_laid_at_the_session(small_study):
    """Every plant was measured in every session; only this index is undefined under chelate."""
    for row in small_study.rows:
        if small_study.units[row["unit"]]["treatment"] == "chelate":
            row["values"]["REP"] = None
    effects, _, _ = small_study.run()
    found = effects.query("index == 'REP' and method == 'welch_t'")
    assert set(found["verdict"]) == {"undefined"}
    for reason in found["reason"]:
        assert reason.startswith("chelate has 0 plants with the pair; at least 2 are needed:")
        assert "session" not in reason


def test_equal_changes_are_undefined_not_infinite(small_study):
    for r in small_study.rows:
        step = list(small_study.sessions).index(r["session"])
        r["values"] = dict.fromkeys(r["values"], 1.0 + 0.25 * step)
    effects, summary, band = small_study.run()
    for method in ("paired_t", "welch_t", "tost"):
        some = effects[effects["method"] == method]
        assert set(some["verdict"]) == {"undefined"}
        assert some["reason"].str.contains("variation").all()
        assert some["statistic"].isna().all()
    assert band["low"].isna().all()
    assert band["estimate"].notna().all()
    assert "variation" in summary["sentences"][0]
    json.dumps(summary, allow_nan=False)


def test_index_without_any_value_is_shown_as_undefined(small_study):
    for r in small_study.rows:
        r["values"]["WI"] = None
    effects, _, _ = small_study.run()
    gone = effects[effects["index"] == "WI"]
    assert len(gone) == 2 * (2 * 3 + 2) + 2
    assert set(gone["verdict"]) == {"undefined"}
    why = "no unit has a defined value: the index lies outside the trusted range or is undefined"
    assert set(gone["reason"]) == {why}
    said = [text for text in small_study.outcome.warnings if "undefined" in text]
    assert said == [f"{len(gone)} tests are undefined: {why}"]


def test_session_without_accepted_scans_is_named_as_such(small_study):
    for r in small_study.rows:
        r["accepted"] = r["session"] != "day8"
    effects, _, _ = small_study.run()
    gone = effects[effects["contrast"].str.contains("day8")]
    assert set(gone["verdict"]) == {"undefined"}
    assert set(gone["reason"]) == {"no unit of this contrast has an accepted value in day8"}
    assert set(effects.loc[effects["method"] == "welch_t", "verdict"]) != {"undefined"}


def test_every_treatment_has_its_primary_finding(small_study):
    for unit in ("p01", "p03", "p05"):
        small_study.units[unit]["treatment"] = "kelp"
    effects, summary, _ = small_study.run()
    primary = effects[effects["primary"]]
    assert len(primary) == 2
    found = [f for f in summary["findings"] if f["id"] == "primary"]
    assert [f["contrast"] for f in found] == primary["contrast"].tolist()
    assert [f["id"] for f in summary["findings"]][2:] == ["first_session", "equivalence"]
    plan = next(text for text in summary["plan"] if text.startswith("Primary"))
    assert "its 2 contrasts, one for each treatment, are adjusted by Holm" in plan
    assert all("over the 2 primary contrasts" in f["sentence"] for f in found)


def test_unknown_units_are_described_not_tested(small_study):
    scans = [r for r in small_study.rows if r["session"] == "day0"]
    level = {u: c["treatment"] for u, c in small_study.units.items()}
    small_study.units = {r["scan"]: {"treatment": level[r["unit"]]} for r in scans}
    small_study.rows = [{**r, "session": "all", "unit": r["scan"], "leaf": ""} for r in scans]
    small_study.design = {**small_study.design, "unit": None, "control": None, "sessions": []}
    small_study.settings = {**small_study.settings, "primary": None, "margin": {}}
    effects, summary, band = small_study.run()
    assert len(effects) == len(band) == 0
    assert tuple(effects.columns) == EFFECTS
    assert summary["findings"] == summary["sentences"] == []
    assert summary["with_and_without"] is None
    described = {(d["index"], d["treatment"]): d for d in summary["description"]}
    values = [r["values"]["NDVI"] for r in scans if level[r["scan"].split("-")[1]] == "water"]
    assert described["NDVI", "water"]["n_scans"] == 12
    assert described["NDVI", "water"]["n_units"] is None
    assert described["NDVI", "water"]["mean"] == pytest.approx(np.mean(values), rel=1e-12)
    assert described["NDVI", "water"]["sd"] == pytest.approx(np.std(values, ddof=1), rel=1e-9)
    assert "not known" in summary["plan"][0]


def test_without_primary_everything_is_exploratory(small_study):
    small_study.settings = {**small_study.settings, "primary": None}
    effects, summary, _ = small_study.run()
    assert not effects["primary"].any()
    assert len(summary["sentences"]) == 3
    assert all("exploratory" in s and "Benjamini-Hochberg" in s for s in summary["sentences"])
    assert summary["primary"] == []
    assert summary["with_and_without"] is None
    assert summary["findings"][0]["id"] == "smallest_p"


def test_primary_question_change_stands_in_the_treated_arm(small_study):
    primary = {"index": "NDVI", "question": "change", "session": "day4"}
    small_study.settings = {**small_study.settings, "primary": primary}
    effects, _, _ = small_study.run()
    main = effects[effects["primary"]]
    assert main["contrast"].tolist() == ["day4-day0@chelate"]
    assert main["method"].tolist() == ["paired_t"]


def test_settings_that_do_not_fit_are_all_named(small_study):
    small_study.settings = {
        **small_study.settings,
        "primary": {"index": "NDVJ", "question": "difference_in_change", "session": "day0"},
        "margin": {"XX": 0.1},
        "methods": ["paired_t"],
    }
    small_study.design["control"] = None
    with pytest.raises(InputFault) as caught:
        small_study.run()
    assert {p.column for p in caught.value.problems} == {
        "effects.primary.index",
        "effects.primary.session",
        "effects.margin.XX",
        "effects.methods",
        "effects.primary.question",
    }
    assert 'Did you mean "NDVI"?' in str(caught.value)


def test_no_control_compares_nothing_and_says_so(small_study):
    small_study.design["control"] = None
    small_study.settings = {**small_study.settings, "primary": None}
    effects, summary, band = small_study.run()
    assert set(effects["question"]) == {"change"}
    assert len(band) == 0
    assert "No control is named" in " ".join(summary["plan"])
    assert any("no control" in w for w in small_study.outcome.warnings)


def test_percent_and_measurement_uncertainty(small_study):
    effects, _, _ = small_study.run()
    table = small_study.unit_indices()
    means = table.query("index == 'NDVI' and session == 'day0'")["mean"]
    main = row(effects, "welch_t")
    assert main["percent_change"] == pytest.approx(100 * main["estimate"] / means.mean())
    # two leaves: independent 0.02 / sqrt(2), shared 0.01; two sessions; two arms
    one = math.sqrt(0.02**2 / 2 + 0.01**2)
    assert main["in_u"] == pytest.approx(main["estimate"] / (2 * one), rel=1e-9)
    assert row(effects, "paired_t", "day8-day0@chelate")["in_u"] == pytest.approx(
        row(effects, "paired_t", "day8-day0@chelate")["estimate"] / (math.sqrt(2) * one), rel=1e-9
    )


def test_percent_of_a_quantity_that_runs_through_zero_is_left_out(small_study):
    for r in small_study.rows:
        r["values"]["NDVI"] -= 2.0
    effects, _, _ = small_study.run()
    assert math.isnan(row(effects, "welch_t")["percent_change"])
    assert not math.isnan(row(effects, "welch_t", index="WI")["percent_change"])


def test_tables_of_thirteen_indices_take_little_time(new_study):
    study = new_study("wide")
    study.sessions = {"day0": "before", "day4": "after", "day8": "after", "day12": "after"}
    study.grow(n=12, blocks=True)
    names = [f"I{k:02d}" for k in range(13)]
    rng = np.random.default_rng(8)
    for r in study.rows:
        r["values"] = {"NDVI": r["values"]["NDVI"], "WI": 1.0, "REP": 700.0} | dict(
            zip(names, rng.normal(1, 0.1, 13).tolist(), strict=True)
        )
    study.indices |= dict.fromkeys(names, "1")
    study.settings = {**study.settings, "n_draws": 9999}
    study.run()
    started = time.perf_counter()
    study.run()
    assert time.perf_counter() - started < 15  # about 2 s alone; the machine is shared
