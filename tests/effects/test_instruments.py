"""Instruments: what they make untestable, and what must be said of them."""

from leafledger.effects.design import instrument_changed, no_common_instrument

TOLD = "cannot be told from the instrument"
PRIMARY = "(day8-day0)@chelate-water"


def by_arm(study, *sessions):
    """Let each treatment have an instrument of its own in these sessions."""

    def named(row):
        own = study.units[row["unit"]]["treatment"] if row["session"] in sessions else "one"
        return f"instrument {own}"

    study.instrument = named


def difference(effects):
    return effects[effects["contrast"] == PRIMARY].set_index(["index", "method"])


def test_one_instrument_changes_nothing(small_study):
    small_study.ask_everything()
    small_study.run()
    names = ("effects.csv", "effects.json", "spectrum_effects.csv", "sensitivity.csv")
    before = [(small_study.folder / "results" / name).read_bytes() for name in names]
    small_study.instrument = lambda row: "the only one"
    small_study.run()
    assert [(small_study.folder / "results" / name).read_bytes() for name in names] == before


def test_a_treatment_with_an_instrument_of_its_own_is_described_not_tested(small_study):
    small_study.ask_everything()
    small_study.run()
    free = difference(small_study.table("effects"))
    by_arm(small_study, "day8")
    effects, summary, band = small_study.run()
    found = difference(effects)
    assert (found["verdict"] == "undefined").all() and found["p"].isna().all()
    assert found["reason"].str.contains(TOLD).all()
    described = found.loc[("NDVI", "welch_t"), "estimate"].tolist()
    assert described == free.loc[("NDVI", "welch_t"), "estimate"].tolist(), "description stays"
    assert TOLD in " ".join(summary["plan"]) and PRIMARY not in set(band["contrast"])
    assert any(TOLD in text for text in small_study.outcome.warnings)
    course = effects[effects["method"].isin(["summary_mean", "mixed_model_f"])]
    assert len(course) and course["reason"].str.contains(TOLD).all()
    other = effects[effects["contrast"] == "(day4-day0)@chelate-water"]
    welch = other[other["method"] == "welch_t"]
    assert welch["p"].notna().all(), "on day 4 one instrument measured both"
    within = effects[(effects["question"] == "change") & (effects["method"] == "paired_t")]
    assert within["p"].notna().all()


def test_an_instrument_of_its_own_before_the_treatment_hinders_too(small_study):
    by_arm(small_study, "day0")
    effects, _, _ = small_study.run()
    reasons = difference(effects)["reason"]
    assert reasons.str.contains("in day0 no instrument measured both chelate and water").all()


def test_a_shared_instrument_among_several_is_enough(small_study):
    small_study.instrument = lambda row: f"instrument {row['leaf']}"
    effects, summary, _ = small_study.run()
    assert difference(effects)["p"].notna().all()
    assert "instrument" not in " ".join(summary["plan"])


def test_another_instrument_after_than_before_is_warned_of(small_study):
    small_study.instrument = lambda row: "old" if row["session"] == "day0" else "new"
    effects, summary, _ = small_study.run()
    told = [text for text in summary["plan"] if "another instrument" in text]
    assert len(told) == 2
    assert "In day8 another instrument measured (new) than before (old)" in told[1]
    assert "only as far as it is alike in both treatments" in told[1]
    assert [f"{text}." for text in small_study.outcome.warnings if "another" in text] == told
    assert difference(effects)["p"].notna().all(), "a warning, not a refusal"


def test_three_treatments_each_with_its_own_instrument_have_no_trend(small_study):
    for i, columns in enumerate(small_study.units.values()):
        columns["treatment"] = ("water", "half", "full")[i % 3]
    small_study.design["doses"] = {"water": 0, "half": 1, "full": 2}
    by_arm(small_study, "day0", "day4", "day8")
    effects, _, _ = small_study.run()
    trend = effects[effects["question"] == "trend"]
    assert len(trend) and (trend["verdict"] == "undefined").all()
    assert trend["reason"].str.contains(TOLD).all()


def test_what_is_not_named_says_nothing():
    known = {"d0": {"p1": frozenset({"A"})}}
    assert not no_common_instrument(known, "d0", ["p1"], ["p2"])
    assert not instrument_changed(known, ["d0"], "d8", ["p1", "p2"])
