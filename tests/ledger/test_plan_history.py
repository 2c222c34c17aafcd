"""Was the plan fixed before the data? Every course of events that the book can hold."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.study.written_plan import (
    BY_COMMAND,
    BY_RUN,
    MARK_CHANGED,
    MARK_OTHER,
    NOTHING_SHOWN,
    Recorded,
    core,
    course_lines,
    differences_between,
    digest_of,
    facts_of_plan,
    mark_of,
    mark_of_margins,
    others_between,
    plan_of,
    read_plan,
    sentences_of,
    text_of,
    words_of_others,
)

UNITS = {"p1": {"spray": "iron", "bench": "A"}, "p2": {"spray": "water", "bench": "A"}}


def settings(
    index: str | None = "CI",
    session: str | None = None,
    before: tuple[str, ...] = ("day0",),
    after: tuple[str, ...] = ("day4",),
    units: dict[str, dict[str, str]] = UNITS,
    design: dict[str, Any] | None = None,
    **effects: Any,
) -> dict[str, Any]:
    """Settings of the rule effects, as a record keeps them."""
    primary = {"index": index, "question": "difference_in_change", "session": session}
    sessions = [{"session": s, "date": None, "phase": "before"} for s in before]
    sessions += [{"session": s, "date": None, "phase": "after"} for s in after]
    return {
        "design": {
            "unit": "plant",
            "treatment": "spray",
            "control": "water",
            "block": "bench",
            "factors": [],
            "doses": {},
            "sessions": sessions,
            **(design or {}),
        },
        "effects": {
            "primary": primary if index else None,
            "alpha": 0.05,
            "interval": 0.95,
            "methods": ["welch_t", "mixed_model"],
            "margin": {},
            "strata": None,
            "n_draws": 99,
            "seed": 1,
            **effects,
        },
        "units": units,
    }


def plan(**given: Any) -> dict[str, Any]:
    return plan_of(settings(**given))


def ran(name: str, of: dict[str, Any] | None, *read: str) -> Recorded:
    """A run that followed a plan and read some sessions; all that the plan names were in place."""
    held = frozenset((of or {}).get("design.sessions.before", []))
    held |= frozenset((of or {}).get("design.sessions.after", []))
    return Recorded(BY_RUN, name, "2026-05-04", of, "d", held, frozenset(read))


def recorded(number: str, of: dict[str, Any], *read: str) -> Recorded:
    return Recorded(BY_COMMAND, number, "2026-05-01", of, digest_of(of), frozenset(read))


A = plan()
B = plan(index="NDVI")
C = plan(index="PRI")


def said(records: list[Recorded], of: dict[str, Any]) -> str | None:
    facts = facts_of_plan(records, of)
    return None if facts is None else facts["statement"]


# --- the text --------------------------------------------------------------------------------


def test_one_study_has_one_text_whatever_the_order_of_its_rows() -> None:
    turned = dict(reversed(list(UNITS.items())))
    assert text_of(plan(units=turned)) == text_of(A)
    assert digest_of(A) == hashlib.sha256(text_of(A).encode()).hexdigest()


def test_a_key_that_is_absent_is_one_that_is_none() -> None:
    given = settings()
    del given["effects"]["strata"]
    given["effects"]["primary"]["method"] = None
    given["effects"]["of_a_later_version"] = None
    assert plan_of(given) == A and text_of(plan_of(given)) == text_of(A)


def test_the_text_says_what_is_planned_and_no_time() -> None:
    text = text_of(A)
    for line in (
        "# Primary contrast: the difference in change of CI at day4, against water.",
        'effects.primary.index = "CI"',
        "effects.alpha = 0.05",
        'design.sessions.after = ["day4"]',
        'units.p1 = {"block": "A", "treatment": "iron"}',
    ):
        assert line in text.splitlines(), line
    assert "2026" not in text


def test_a_plan_without_a_primary_contrast_says_so() -> None:
    assert "No primary contrast is named: every effect of this plan is exploratory." in text_of(
        plan(index=None)
    )


@given(
    st.dictionaries(
        st.from_regex("[A-Za-z0-9_.-]{1,12}", fullmatch=True),
        st.fixed_dictionaries(
            {"spray": st.text(min_size=1, max_size=12), "bench": st.text(min_size=1, max_size=6)}
        ),
        max_size=5,
    )
)
def test_a_text_is_read_back_as_the_plan(units: dict[str, dict[str, str]]) -> None:
    one = plan(units=units)
    assert read_plan(text_of(one)) == one


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"index": "NDVI"}, "primary index CI -> NDVI"),
        ({"after": ("day4", "day8")}, "primary session day4 -> day8"),
        ({"alpha": 0.1}, "alpha 0.05 -> 0.1"),
        ({"interval": 0.9}, "interval 0.95 -> 0.9"),
        ({"margin": {"WI": 0.006}}, "margin of WI none -> 0.006"),
        ({"methods": ["ancova"]}, "methods welch_t, mixed_model -> ancova"),
        ({"design": {"control": "iron"}}, "control water -> iron"),
        ({"before": ("day0", "day1")}, "sessions before day0 -> day0, day1"),
        ({"of_a_later_version": True}, "of a later version none -> true"),
        (
            {"units": UNITS | {"p1": {"spray": "water", "bench": "A"}}},
            "treatment of p1 iron -> water",
        ),
        ({"units": {"p1": UNITS["p1"]}}, "treatment of p2 water -> none"),
        ({"index": None}, "primary index CI -> none"),
    ],
)
def test_what_changed_is_told_old_and_new(changed: dict[str, Any], words: str) -> None:
    other = plan(**changed)
    assert digest_of(other) != digest_of(A)
    assert words in [one.words for one in differences_between(A, other)]


def test_the_primary_contrast_rests_on_no_margin_and_no_later_session() -> None:
    named = plan(session="day4")
    assert core(named) == core(A), "naming the last session is no change"
    assert core(plan(session="day4", after=("day4", "day8"))) == core(A)
    assert core(plan(margin={"WI": 0.1}, strata="cultivar")) == core(A)
    assert core(plan(methods=["welch_t"])) == core(A), "other tests answer other questions"
    for changed in ({"methods": ["ancova"]}, {"alpha": 0.1}, {"after": ("day4", "day8")}):
        assert core(plan(**changed)) != core(A), changed
    assert core(plan(of_a_later_version=1)) != core(A), "what is not known counts"


def test_a_formula_of_ones_own_is_part_of_the_primary_contrast() -> None:
    def own(formula: str) -> dict[str, Any]:
        return plan_of(settings(), {"formulas": [{"index": "CI", "formula": formula}]})

    assert core(own("R(750)")) != core(own("R(760)"))
    (one,) = differences_between(own("R(750)"), own("R(760)"))
    assert one.words == "primary formula R(750) -> R(760)"
    assert plan_of(settings(), {"formulas": [{"index": "X", "formula": "R(750)"}]}) == A


# --- courses of events -----------------------------------------------------------------------


def test_a_first_run_that_held_everything_shows_nothing() -> None:
    assert facts_of_plan([ran("r1", A, "day0", "day4")], A) is None
    assert sentences_of(None, primary=True) == [NOTHING_SHOWN]
    assert sentences_of(None, primary=False) == []
    assert mark_of(None) == ""


def test_a_plan_recorded_before_the_data_is_fixed() -> None:
    facts = facts_of_plan([recorded("001", A), ran("r1", A, "day0", "day4")], A)
    assert facts is not None and facts["statement"] == "fixed_before"
    (sentence,) = sentences_of(facts, primary=True)
    assert "2026-05-01" in sentence and digest_of(A) in sentence
    assert "before any after-session had been read" in sentence
    assert mark_of(facts) == ""


def test_a_plan_recorded_after_the_data_shows_nothing() -> None:
    first = ran("r1", A, "day0", "day4")
    assert facts_of_plan([first, recorded("001", A, "day0", "day4")], A) is None
    # Plain Snakemake, which no run of the book tells of, had read them.
    assert facts_of_plan([recorded("001", A, "day4"), first], A) is None


def test_a_run_of_before_sessions_alone_comes_before_the_data() -> None:
    """Also where the design leaves the after-session open, as it must then."""
    early = plan(after=())
    assert said([ran("r1", early, "day0"), ran("r2", A, "day0", "day4")], A) == "fixed_before"
    facts = facts_of_plan([ran("r1", early, "day0"), ran("r2", A, "day0", "day4")], A)
    assert facts is not None and facts["recorded"]["id"] == "r1"
    assert "was left open then" in sentences_of(facts, primary=True)[0]


def test_the_session_that_was_left_open_is_fixed_once_results_exist() -> None:
    early, two = plan(after=()), plan(after=("day4", "day8"))
    runs = [ran("r1", early, "day0"), ran("r2", A, "day0", "day4"), ran("r3", two, "day8")]
    facts = facts_of_plan(runs, two)
    assert facts is not None and facts["statement"] == "changed_after_results"
    assert "primary session day4 -> day8" in sentences_of(facts, primary=True)[0]
    # Named at the old day, a further session changes nothing of the primary contrast.
    kept = plan(session="day4", after=("day4", "day8"))
    facts = facts_of_plan([*runs[:2], ran("r3", kept, "day8")], kept)
    assert facts is not None and facts["statement"] == "fixed_before"
    assert "sessions after day4 -> day4, day8" in sentences_of(facts, primary=True)[1]
    assert mark_of(facts) == ""


def test_a_plan_changed_after_results_says_what_and_when() -> None:
    runs = [ran("r1", A, "day0", "day4"), ran("r2", B, "day0", "day4")]
    facts = facts_of_plan(runs, B)
    assert facts is not None and facts["statement"] == "changed_after_results"
    (sentence,) = sentences_of(facts, primary=True)
    assert "in run r2 on 2026-05-04: primary index CI -> NDVI" in sentence
    assert "in run r1" in sentence and "exploratory" in sentence
    assert mark_of(facts) == MARK_CHANGED


def test_going_back_says_again_what_was_said_before() -> None:
    held = ran("r1", A, "day0", "day4"), ran("r2", B, "day0", "day4"), ran("r3", A, "day0", "day4")
    assert facts_of_plan(list(held), A) is None
    early = [recorded("001", A), *held]
    assert facts_of_plan(early, A) == facts_of_plan(early[:2], A)
    assert [one.id for one in others_between(early, A)] == ["r2"]
    (sentence,) = words_of_others(early, A)
    assert "in run r2" in sentence and "primary index CI -> NDVI" in sentence
    assert words_of_others(early[:2], A) == []


def test_a_third_plan_is_held_against_the_one_that_stood_when_results_came() -> None:
    runs = [ran("r1", A, "day4"), ran("r2", B, "day4"), ran("r3", C, "day4")]
    facts = facts_of_plan(runs, C)
    assert facts is not None and facts["against"]["id"] == "r1"
    assert facts["changed"][0] == {
        "name": "effects.primary.index",
        "before": "CI",
        "after": "PRI",
    }
    assert facts_of_plan([*runs, ran("r4", B, "day4")], B) == facts_of_plan(runs[:2], B)


def test_a_plan_changed_before_the_data_and_recorded_again_is_fixed() -> None:
    facts = facts_of_plan([recorded("001", A), recorded("002", B), ran("r1", B, "day4")], B)
    assert facts is not None and facts["statement"] == "fixed_before"
    assert facts["recorded"]["id"] == "002"


def test_another_plan_than_the_recorded_one_in_the_first_run_is_marked() -> None:
    facts = facts_of_plan([recorded("001", A), ran("r1", B, "day0", "day4")], B)
    assert facts is not None and facts["statement"] == "not_as_recorded"
    (sentence,) = sentences_of(facts, primary=True)
    assert "plan 001" in sentence and "primary index CI -> NDVI" in sentence
    assert "before or after the data were seen cannot be shown" in sentence
    assert mark_of(facts) == MARK_OTHER


def test_a_changed_plan_that_is_recorded_after_results_stays_marked() -> None:
    runs = [recorded("001", A), ran("r1", A, "day4"), recorded("002", B, "day4")]
    facts = facts_of_plan([*runs, ran("r2", B, "day4")], B)
    assert facts is not None and facts["statement"] == "changed_after_results"
    assert facts["recorded"] == runs[2].facts() and facts["against"]["id"] == "r1"


def test_a_run_that_was_killed_counts_by_what_it_had_read() -> None:
    # It had read nothing of day4, but the raw files were there: nothing is shown either way.
    cut = ran("r1", A, "day0")
    assert facts_of_plan([cut, ran("r2", A, "day0", "day4")], A) is None
    assert facts_of_plan([cut, ran("r2", B, "day0", "day4")], B) is None
    # It had read day4 (an intake that failed has read it as well).
    assert said([ran("r1", A, "day4"), ran("r2", B, "day4")], B) == "changed_after_results"


def test_settings_of_a_variant_are_no_plan_but_its_run_has_read_the_data() -> None:
    variant = Recorded(BY_RUN, "v1", "2026-05-04", None, read=frozenset({"day0", "day4"}))
    first = ran("r1", A, "day0", "day4")
    assert facts_of_plan([variant, first], A) is None
    assert said([recorded("001", A), variant, first], A) == "fixed_before"
    assert facts_of_plan([first, variant, ran("r2", A, "day4")], A) is None
    assert said([variant, first, ran("r2", B, "day4")], B) == "changed_after_results"


def test_a_margin_added_later_leaves_the_primary_contrast_and_marks_equivalence() -> None:
    later = plan(margin={"WI": 0.006})
    records = [recorded("001", A), ran("r1", A, "day4"), ran("r2", later, "day4")]
    facts = facts_of_plan(records, later)
    assert facts is not None and facts["statement"] == "fixed_before"
    assert mark_of(facts) == "" and mark_of_margins(facts) == MARK_CHANGED
    assert "margin of WI none -> 0.006" in sentences_of(facts, primary=True)[1]
    facts = facts_of_plan(records[1:], later)
    assert facts is not None and facts["statement"] == "not_provable"
    assert sentences_of(facts, primary=True)[0] == NOTHING_SHOWN
    assert facts_of_plan([*records, ran("r3", A, "day4")], A) == facts_of_plan(records[:2], A)


def test_a_unit_given_another_treatment_after_results_is_a_change() -> None:
    swapped = plan(units=UNITS | {"p1": {"spray": "water", "bench": "A"}})
    facts = facts_of_plan(
        [recorded("001", A), ran("r1", A, "day4"), ran("r2", swapped, "day4")], swapped
    )
    assert facts is not None and mark_of(facts) == MARK_CHANGED
    assert "treatment of p1 iron -> water" in sentences_of(facts, primary=True)[0]


def test_a_session_called_before_when_it_was_read_is_data_all_the_same() -> None:
    early = plan(before=("day0", "day4"), after=())
    assert said([ran("r1", early, "day0", "day4"), ran("r2", A, "day4")], A) == (
        "changed_after_results"
    )


def test_a_primary_contrast_named_or_dropped_after_results_is_a_change() -> None:
    none = plan(index=None)
    facts = facts_of_plan([ran("r1", none, "day4"), ran("r2", A, "day4")], A)
    assert facts is not None
    assert "primary index none -> CI" in sentences_of(facts, primary=True)[0]
    facts = facts_of_plan([ran("r1", A, "day4"), ran("r2", none, "day4")], none)
    assert facts is not None
    assert "primary index CI -> none" in sentences_of(facts, primary=False)[0]


def test_the_plans_on_record_are_listed_where_each_begins() -> None:
    lines = course_lines([recorded("001", A), ran("r1", A), ran("r2", B), ran("v", None)])
    assert len(lines) == 2
    assert lines[0].endswith("the first plan on record")
    assert lines[1] == "In run r2 on 2026-05-04: primary index CI -> NDVI"


def test_a_plan_that_is_not_on_record_is_an_error() -> None:
    with pytest.raises(ValueError, match="not on record"):
        facts_of_plan([ran("r1", A, "day4")], B)


def test_a_winner_picked_among_several_recorded_plans_is_marked() -> None:
    other = plan(index="PRI")
    picked = [recorded("001", A), recorded("002", other), ran("r1", other, "day4")]
    facts = facts_of_plan([*picked, ran("r2", A, "day4")], A)
    assert facts is not None and facts["statement"] == "another_followed"
    assert mark_of(facts) == "exploratory: another plan was followed when the data were read"
    (text,) = sentences_of(facts, primary=True)
    assert "first read under another, in run r1" in text and "PRI -> CI" in text
    assert said(picked, other) == "fixed_before"
    # undone: the plan in force when the data were read stays fixed
    followed = [recorded("001", A), ran("r1", A, "day4"), ran("r2", other, "day4")]
    assert said([*followed, ran("r3", A, "day4")], A) == "fixed_before"


def test_comparing_more_pairs_leaves_the_primary_contrast_as_it_was() -> None:
    assert core(plan(compare="all")) == core(plan())
    assert core(plan(compare=[["iron", "zinc"]])) != core(plan())


# --- treatments allocated after baseline -----------------------------------------------------

BLANK = plan(units={unit: {"bench": "A"} for unit in UNITS})
OTHERWISE = plan(units={"p1": UNITS["p2"], "p2": UNITS["p1"]})


def allocated(number: str, of: dict[str, Any], *read: str) -> Recorded:
    lots = {"sha256": f"lots {number}", "seed": 3}
    return Recorded(
        BY_COMMAND, number, "2026-05-05", of, digest_of(of), frozenset(read), frozenset(read), lots
    )


def told_of(records: list[Recorded], of: dict[str, Any] = A) -> str:
    return " ".join(sentences_of(facts_of_plan(records, of), primary=True))


def test_an_allocation_before_the_after_sessions_is_told_with_its_digest() -> None:
    blank = recorded("001", BLANK)
    evening = Recorded(BY_RUN, "r1", "2026-05-04", BLANK, "d", read=frozenset({"day0"}))
    told = told_of([blank, evening, allocated("002", A, "day0"), ran("r2", A, "day0", "day4")])
    assert (
        "Treatments were allocated after baseline on 2026-05-05, before any after-session had been "
        "read (plan 002, SHA-256 of the allocation lots 002)." in told
    )
    assert "fixed before the data" in told
    assert "by `plan allocate` on 2026-05-05" in told
    assert "again" not in told


def test_a_contrast_named_before_the_allocation_is_recorded_first_there() -> None:
    blank = recorded("001", BLANK)
    drawn = [allocated("002", OTHERWISE, "day0"), allocated("003", A, "day0")]
    told = told_of([blank, *drawn, ran("r1", A, "day0", "day4")])
    assert "recorded first by `plan record` on 2026-05-01 (plan 001" in told
    assert "as they were allocated by `plan allocate` on 2026-05-05 (plan 003" in told
    # Another contrast stood between: that of the allocation counts from the allocation on.
    other = recorded("002", {**BLANK, "effects.primary.index": "PRI"})
    told = told_of([blank, other, allocated("003", A, "day0"), ran("r1", A, "day0", "day4")])
    assert "recorded first by `plan allocate` on 2026-05-05 (plan 003" in told
    assert "plan 001" not in told
    # So it does where no record came before.
    told = told_of([allocated("001", A, "day0"), ran("r1", A, "day0", "day4")])
    assert "recorded first by `plan allocate` on 2026-05-05 (plan 001" in told


def test_lots_drawn_again_or_too_late_or_not_kept_are_told() -> None:
    again = [allocated("001", OTHERWISE, "day0"), allocated("002", A, "day0")]
    told = told_of([*again, ran("r1", A, "day0", "day4")])
    assert "lots 002" in told
    assert "Lots were drawn again once; the earlier allocation stays on record." in told
    late = told_of([ran("r1", BLANK, "day0", "day4"), allocated("001", A, "day0", "day4")])
    assert "when day4 had been read already" in late
    changed = told_of([allocated("001", OTHERWISE, "day0"), ran("r1", A, "day0", "day4")])
    assert "no longer those of the allocation" in changed


def test_without_an_allocation_nothing_is_told_of_one() -> None:
    facts = facts_of_plan([recorded("001", A), ran("r1", A, "day0", "day4")], A)
    assert facts is not None
    assert "allocated" not in facts
    assert "allocated" not in " ".join(sentences_of(facts, primary=True))
