"""The first screen: the answer in a sentence, its support, and every unit's change in a figure."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from browser import PHONE, Watched
from leafledger.report.answer import (
    Comparison,
    answer_sentence,
    answer_to,
    class_line,
    comparison_of,
    draw_estimation,
    findings_part,
    spread_out,
    unit_values,
)
from leafledger.report.figures import FigureSet
from leafledger.report.gather import gather
from leafledger.report.numbers import MINUS

CHANGE = Comparison("iron", "water", "d8", "d0")
RISES, FALLS = {"iron": 0.14, "water": 0.02}, {"iron": -0.02, "water": -0.14}


def said(verdict="significant", question="difference_in_change", compared=CHANGE, estimate=0.12,
         means=RISES):  # fmt: skip
    return answer_sentence(verdict, question, compared, "NDVI", estimate, "0.12", means)


@pytest.mark.parametrize(
    ("estimate", "means", "words"),
    [
        (0.12, RISES, "rose by 0.12 more under iron than under water"),
        (0.12, FALLS, "fell by 0.12 less under iron than under water"),
        (-0.12, {"iron": 0.02, "water": 0.14}, "rose by 0.12 less under iron than under water"),
        (-0.12, {"iron": -0.14, "water": -0.02}, "fell by 0.12 more under iron than under water"),
        (0.12, {"iron": 0.1, "water": -0.02}, "rose under iron and fell under water: a difference"),
        (
            -0.12,
            {"iron": -0.1, "water": 0.02},
            "fell under iron and rose under water: a difference",
        ),
        # Means that the adjusted estimate contradicts carry no claim about rise or fall.
        (
            0.12,
            {"iron": 0.02, "water": 0.14},
            "changed to a value 0.12 higher under iron than under",
        ),
        (-0.12, {}, "changed to a value 0.12 lower under iron than under water"),
    ],
)
def test_the_way_of_a_difference_in_change(estimate, means, words):
    assert said(estimate=estimate, means=means).startswith(f"From d0 to d8 the NDVI {words}")


@pytest.mark.parametrize(
    ("verdict", "question", "compared", "estimate", "words"),
    [
        ("significant", "difference", Comparison("iron", "water", "d8", ""), -0.1,
         "At d8 the NDVI was 0.12 lower under iron than under water."),
        ("significant", "change", Comparison("iron", "", "d8", "mean_before"), 0.1,
         "From the time before to d8 the NDVI rose by 0.12 under iron."),
        ("equivalent", "equivalence", CHANGE, 0.0,
         "From d0 to d8 the change of the NDVI was the same, within the stated margin, under iron "
         "and under water."),
        ("not_significant", "equivalence", CHANGE, 0.0,
         "From d0 to d8 the change of the NDVI was not shown to be the same, within the stated "
         "margin, under iron and under water."),
        ("not_significant", "difference_in_change", CHANGE, 0.1,
         "From d0 to d8 no difference in the change of the NDVI is shown between plants under iron "
         "and under water."),
        ("undefined", "difference_in_change", CHANGE, 0.1,
         "From d0 to d8 it could not be tested whether the change of the NDVI differed under iron "
         "and under water."),
        ("not_significant", "change", Comparison("iron", "", "d8", "d0"), 0.1,
         "From d0 to d8 a change of the NDVI under iron is not shown."),
    ],
)  # fmt: skip
def test_a_sentence_claims_no_more_than_its_verdict(verdict, question, compared, estimate, words):
    assert said(verdict, question, compared, estimate) == words


def test_a_contrast_of_awkward_names_is_taken_apart():
    groups, sessions = ["a-b", "a", "b@c"], ["d-1", "d"]
    assert comparison_of("(d-1-d)@a-b-b@c", sessions, groups) == Comparison(
        "a-b", "b@c", "d-1", "d"
    )
    assert comparison_of("d@a-b@c", sessions, groups) == Comparison("a", "b@c", "d", "")
    assert comparison_of("d-1-before@a", sessions, groups) == Comparison("a", "", "d-1", "before")
    assert comparison_of("(trend)@dose", sessions, groups) is None


def test_places_of_equal_values_differ_and_stay_within_the_column():
    places = spread_out([0.3] * 40)
    assert len(set(places)) == 40 and min(places) >= -0.25 and max(places) < 0.25


def test_a_class_line_says_interval_largest_class_and_other_days():
    facts = {
        "classes": ["a", "b", "c"],
        "target": "line",
        "accuracy": 0.7,
        "wilson": [0.5, 0.85],
        "ci_level": 0.95,
        "majority_accuracy": 0.4,
        "held_out_sessions": {"accuracy": 0.51},
    }
    assert class_line(facts) == (
        "70 % of held-out scans given the right one of 3 classes of line (95 % interval 50 to "
        "85 %; always naming the largest class: 40 %; on sessions not trained on: 51 %)."
    )
    assert class_line({}) == ""


# On the tables of a whole study.
# ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def material(whole):
    return gather(whole.job())


def primary_of(material):
    return material.effects_summary["findings"][0]


def test_values_of_units_are_their_changes(material):
    row = primary_of(material)
    compared = comparison_of(row["contrast"], material.days.sessions, material.groups.names)
    values = unit_values(material, row["index"], compared)
    table = material.unit_indices
    table = table[table["index"] == row["index"]].set_index(["unit", "session"])["mean"]
    assert set(values) == {compared.level, compared.reference}
    n = 0
    for arm, changes in values.items():
        for unit, change in changes.items():
            assert material.groups.of_unit[unit] == arm
            assert change == pytest.approx(
                table[unit, compared.after] - table[unit, compared.before], abs=1e-12
            )
            n += 1
    assert n > 10


def test_a_unit_without_a_value_before_is_in_neither_figure_nor_mean(material):
    row = primary_of(material)
    compared = comparison_of(row["contrast"], material.days.sessions, material.groups.names)
    whole = unit_values(material, row["index"], compared)
    unit = next(iter(whole[compared.level]))
    table = material.unit_indices
    gone = (table["unit"] == unit) & (table["session"] == compared.before)
    less = replace(material, tables={**material.tables, "unit_indices": table[~gone]})
    left = unit_values(less, row["index"], compared)
    assert set(whole[compared.level]) - set(left[compared.level]) == {unit}


def test_several_sessions_before_are_averaged(material):
    first, second, *_ = material.days.sessions
    sessions = [{"session": s, "phase": "before" if s in {first, second} else "after"}
                for s in material.days.sessions]  # fmt: skip
    two = replace(material, design={**material.design, "sessions": sessions})
    level = material.groups.names[-1]
    last = material.days.sessions[-1]
    index = primary_of(material)["index"]
    values = unit_values(two, index, Comparison(level, "", last, "mean_before"))[level]
    unit = next(iter(values))
    table = material.unit_indices
    table = table[table["index"] == index].set_index(["unit", "session"])["mean"]
    before = np.mean([table[unit, first], table[unit, second]])
    assert values[unit] == pytest.approx(table[unit, last] - before, abs=1e-12)


def test_interval_percentage_and_n_support_the_answer(material):
    row = primary_of(material)
    view = answer_to(row, material)
    same = {key: row[key] for key in ("index", "contrast", "method", "question")}
    (tested,) = [
        r
        for r in material.effects.to_dict("records")
        if r["stratum"] == "all" and same.items() <= r.items()
    ]
    n = f"n = {int(tested['n_units'])} + {int(tested['n_units_reference'])} plants"
    assert n in view["support"] and "95 % interval" in view["support"]
    assert row["index"] in view["answer"]


def test_units_without_a_value_stand_beside_n(material):
    row = primary_of(material)
    effects = material.effects.copy()
    effects["n_missing"] = 8
    less = replace(material, tables={**material.tables, "effects": effects})
    assert "plants, 8 without a value" in answer_to(row, less)["support"]
    effects["n_missing"] = 0
    assert "without a value" not in answer_to(row, less)["support"]


def test_without_a_comparison_the_whole_sentence_stands_and_no_figure(material):
    row = {**primary_of(material), "contrast": "(slope)@a-b"}
    odd = replace(material, effects_summary={**material.effects_summary, "findings": [row]})
    figures = FigureSet(["svg"])
    view = findings_part(odd, figures)
    assert view["figure"] is None and not figures.files
    assert view["answers"][0]["answer"] == "" and view["answers"][0]["sentence"]


def test_a_study_without_effects_is_answered_by_its_classes(material):
    none = replace(material, effects_summary={})
    view = findings_part(none, FigureSet(["svg"]))
    assert view["nothing"] and view["classes"] and not view["answers"]


def test_what_is_not_shown_is_not_said_to_be_absent(material):
    row = {**primary_of(material), "verdict": "not_significant"}
    text = "This does not show that there is none."
    assert text in answer_to(row, material)["support"]
    assert text not in answer_to({**row, "verdict": "significant"}, material)["support"]


def test_equivalence_stands_with_its_margin(material):
    row = {**primary_of(material), "question": "equivalence", "verdict": "not_significant"}
    settings = {"effects": {"margin": {str(row["index"]): 0.05}}}
    records = {**material.records, "effects": {"settings": settings}}
    whole = replace(material, records=records)
    support = answer_to(row, whole)["support"]
    assert f"margin {MINUS}0.05 to 0.05" in support and "not shown either" not in support
    assert "margin" not in answer_to(primary_of(material), whole)["support"]
    figures = FigureSet(["svg"])
    drawn = draw_estimation(figures, whole, [row])
    assert "Dotted: the margin." in drawn.caption
    assert "Dotted" not in draw_estimation(figures, whole, [primary_of(material)]).caption


# In a browser.
# ----------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("size", [(1280, 800), PHONE], ids=["laptop", "phone"])
def test_question_answer_trust_plan_and_figure_stand_on_the_first_screen(
    whole, watched: Watched, size
) -> None:
    watched.size(size)
    page = watched.open_file(whole.job().outputs["report"])
    assert page.locator(".answer .checks li").first.inner_text().startswith("Data.")
    for what in (
        ".question", ".answer .lead", ".answer .support", ".answer .checks li",
        ".answer figure svg.plot",
    ):  # fmt: skip
        box = page.locator(what).first.bounding_box()
        assert box is not None and box["y"] >= 0, what
        assert box["y"] + box["height"] <= size[1], what
        assert box["x"] >= 0 and box["x"] + box["width"] <= size[0], what


@pytest.mark.slow
def test_the_main_part_is_at_most_eight_screens_and_four_sheets(whole, watched, tmp_path) -> None:
    watched.size((1280, 800))
    page = watched.open_file(whole.job().outputs["report"])
    made = page.locator("#made").bounding_box()
    assert made is not None and made["y"] <= 8 * 800
    page.evaluate(
        "document.querySelectorAll('#made,#cautions,#lineage,footer').forEach((e) => e.remove())"
    )
    sheets = page.pdf(path=tmp_path / "main.pdf", format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", sheets)) <= 4


@pytest.mark.slow
def test_a_link_opens_the_folded_part_that_it_leads_into(whole, watched: Watched) -> None:
    page = watched.open_file(whole.job().outputs["report"])
    figure = page.locator("#fig-effect_sizes")
    assert not figure.is_visible()
    page.evaluate("location.hash = 'fig-effect_sizes'")
    figure.wait_for(state="visible")
    box = figure.bounding_box()
    assert box is not None and -50 < box["y"] < 800


@pytest.mark.slow
def test_a_figure_in_a_folded_part_is_drawn_at_its_full_width_when_opened(whole, watched) -> None:
    page = watched.open_file(whole.job().outputs["report"])
    page.locator("html[data-live=drawn]").wait_for(state="attached", timeout=90_000)
    host = page.locator("[data-live=spectra]")
    assert host.get_attribute("data-drawn") is None
    page.locator("#days details.annex > summary").first.click()
    page.locator("[data-live=spectra][data-drawn]").wait_for(state="attached", timeout=90_000)
    box = page.locator("#drawn-spectra .main-svg").first.bounding_box()
    assert box is not None and box["width"] > 500
