"""The parts of the page beside the headline: does it hold, other tests, next study, each class."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

import leafledger.quality
from leafledger.report.classification import (
    comparison_rows,
    confused_pairs,
    how_sure,
    most_confused,
    noise_words,
    question_rows,
    rival_words,
    sureness_words,
    taken_rows,
    why_this_size,
)
from leafledger.report.conclusions_held import (
    MOST_UNITS,
    assumption_words,
    chosen_rows,
    draw_sensitivity,
    variant_words,
    why_none,
)
from leafledger.report.figures import STYLE, FigureSet
from leafledger.report.gather import CHECK_WORDS, check_words, gather, table_or_empty
from leafledger.report.next_study import design_rows, remarks, share_rows
from leafledger.report.stage import run
from leafledger.report.time_course import (
    by_kind,
    family_view,
    kept_rows,
    kind_of,
    percent_of_what,
    percent_words,
)
from leafledger.report.trust import form_words
from leafledger.report.trust_figures import _course_caption, dark_tolerance, reference_course
from leafledger.study import tables as registry
from leafledger.study.definition import Form

from . import beside, pages, tables
from .test_page import drawn, small

NEW_FIGURES = {
    "sensitivity", "residuals", "variance_shares", "detectable_difference", "reliability",
}  # fmt: skip


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    made = tables.make(tmp_path_factory.mktemp("beside"), small())
    beside.add(made, sorted(made.settings["units"]))
    run(made.job())
    made.page = made.job().outputs["report"].read_text(encoding="utf-8")
    made.seen = pages.read(made.page)
    return made


MOST_WORDS = 36
FILE = re.compile(r"[\w./-]+\.(csv|json|parquet|xlsx|yaml|svg|png|skops)")


def machine_words(page: str, names: frozenset[str]) -> list[str]:
    """Return the words with @ or an underscore outside code; names of the study and files pass."""
    found = []
    for section, _, text in pages.prose(page):
        if section == "lineage":
            continue
        for name in sorted(names, key=len, reverse=True):
            text = text.replace(name, "NAME")
        found += [w for w in FILE.sub("FILE", text).split() if "_" in w or "@" in w]
    return found


def long_sentences(page: str) -> list[str]:
    """Return the sentences of the main part, what is not folded, of too many words."""
    return [
        sentence
        for section, folded, text in pages.prose(page)
        if not folded and section not in {"lineage", "cautions"}
        for sentence in re.split(r"[.?!;:]\s+", text)
        if len(sentence.split()) > MOST_WORDS
    ]


def test_no_machine_word_stands_on_a_page_outside_code(full, whole):
    for made in (full, whole):
        assert machine_words(made.page, gather(made.job()).names) == []
    assert machine_words("<p>the linear_model at day4@iron</p>", frozenset()) == [
        "linear_model", "day4@iron",
    ]  # fmt: skip
    assert machine_words("<p>CI_x in a_b.csv, <code>c_d</code></p>", frozenset({"CI_x"})) == []


def test_sentences_of_the_main_part_are_short(full, whole):
    for made in (full, whole):
        assert long_sentences(made.page) == []
    assert len(long_sentences(f"<p>{'word ' * (MOST_WORDS + 1)}</p>")) == 1
    folded = f"<details><p>{'word ' * (MOST_WORDS + 1)}</p></details>"
    assert long_sentences(folded) == []


def test_every_new_figure_is_drawn_described_and_balanced(full):
    shown = {a["id"].removeprefix("fig-") for t, a in full.seen.tags if t == "figure"}
    assert shown >= NEW_FIGURES
    assert not full.seen.unbalanced and not full.seen.stack
    drawings = [a for t, a in full.seen.tags if t == "svg" and a.get("class") == "plot"]
    assert all(a["aria-labelledby"] for a in drawings)


@pytest.mark.parametrize("name", ["sensitivity", "residuals"])
def test_captions_tell_n_error_bars_and_adjustment(full, name):
    text = (full.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    captions = dict(part.split("\n", 1) for part in text.strip().split("\n\n"))
    caption = next(words for head, words in captions.items() if head.startswith(name))
    assert re.search(r"\bn (of plants: \d|= \d)", caption)
    assert re.search(r"interval|standard deviation", caption)
    assert "adjusted" in caption


def test_changed_conclusion_is_marked_in_words_and_in_shape(full):
    assert full.seen.text.count("■ changed") == 3  # two in the table, p03 once more in the fold
    assert "without plant p03" in full.seen.text
    svg = (full.job().outputs["figures"] / "sensitivity.svg").read_text(encoding="utf-8")
    assert svg.count(">changed<") == 1 and "no estimate" in svg
    assert "stroke-dasharray" in svg


def test_the_first_part_says_whether_the_conclusion_holds(full):
    # Every scan, a session, twelve plants and a method; the session and p03 change it.
    found = full.seen.text.split("Can the data be trusted?")[0]
    assert "Of 15 other choices of scans, sessions, single plants and methods, 2 change it." in (
        " ".join(found.replace(" ,", ",").split())
    )


def test_robustness_sentence_is_told_without_codes(full):
    said = full.seen.text.split("Does the conclusion hold?")[2]
    assert "CI_rededge, change from day0 to day4: chelate minus water: the conclusion is" in said
    assert "It stays by analysis of covariance" in said
    assert "(day4-day0)@" not in said.split("What the test leans on")[0]


def test_other_tests_stand_apart_from_the_headline(full):
    for words in (
        "The same differences by other tests: 1 test",
        "Whether the effect differs between strata: 1 test",
        "The same tests within each stratum: 1 test",
        "One number per unit for the whole course: 1 test",
        "Trend over the dose: 1 test",
        "Mixed models of the whole course (secondary): 1 test",
        "F = 3.21 , df 3 and 54.1",
        " per day",
        "p (largest t)",
    ):
        assert words in full.seen.text, words
    assert (0.0123, "0.0123") in full.seen.values
    assert "– to –" not in full.seen.text and "nan" not in full.seen.text.lower().split()


def test_families_say_what_their_units_can_reach(full):
    assert "could not be significant at 0.05 after Holm in: change, signed rank." in full.seen.text
    assert (0.125, "0.125") in full.seen.values and (0.002, "0.002") in full.seen.values


def test_assumptions_and_next_study_are_told(full):
    for words in (
        "3.6 times the smaller",
        "p02 (4.2)",
        "Without plant p03 the conclusion changes.",
        "between sessions, in the control: growth and drift together.",
        "Detectable difference of CI_rededge at day4 with a power of 0.80 at 0.05",
        "linear model (adjusted for value before, block), known with 9 degrees of freedom.",
        "The variance of chelate is 3 times that of water: one for both is taken here.",
        "WI: no design, 2 units are too few for the 2 coefficients of the model.",
        "power for the margin of 0.050",
        "62.0 %",
    ):
        assert words in full.seen.text, words
    assert {0.4, 0.1, 0.3, 0.2} <= {v for v, _ in full.seen.values}


def test_groups_percentages_and_since_when_are_told(full):
    for words in (
        "Number, mean and spread by group and session",
        "SD 0.75",
        "1 missing",
        "12.3 % (9.1 to 15.4) of the mean before",
        "Adjusted for value before",
        "CI_rededge, chelate against water: shown from day4 on.",
    ):
        assert words in full.seen.text, words
    assert percent_of_what("difference") == "of the reference's mean"
    assert percent_words({"percent_change": 2.345}) == "2.3\N{NO-BREAK SPACE}%"
    assert percent_words({"percent_change": np.nan}) == ""


def test_classes_are_told_one_by_one(full):
    for words in (
        "never named",
        "705 nm (−2.5)",
        "705 nm (+2.5), 553 nm (−2.0)",
        "Brier score 0.610",
        "Loadings turn to noise from latent variable 2 on",
        "beyond that point: do not read them",
        "compares near-infrared with visible",
        "Asked for the session, the same procedure names 97 %",
        "As good as the classifier by a margin of 5 points: index logistic regression",
        "These units cannot tell whether it is worse by more than that: nearest class mean",
        "A random forest does better. Use it so.",
    ):
        assert words in full.seen.text, words
    assert full.seen.text.count("the design has no two blocks") == 1


def test_what_else_the_procedure_names_stands_after_its_accuracy(full):
    """`The same procedure` can be said once the procedure was named: not in the first line."""
    part = full.page.split('id="apart"', 1)[1].split("</section>", 1)[0]
    places = [
        part.index(text) for text in ('id="how-sure"', "the same procedure", 'id="confusion"')
    ]
    assert places == sorted(places)


MATRIX = {
    "rows": [
        {"true": "a", "total": 20.0, "cells": [{"share": s} for s in (0.75, 0.05, 0.2)]},
        {"true": "b", "total": 10.0, "cells": [{"share": s} for s in (0.4, 0.6, 0.0)]},
        {"true": "c", "total": 20.0, "cells": [{"share": s} for s in (0.15, 0.0, 0.85)]},
    ]
}


def test_classes_stand_by_how_badly_they_fare_and_what_they_are_taken_for():
    rows = taken_rows(MATRIX, ["a", "b", "c"])
    assert [(r["true"], r["right"], r["wrong"]) for r in rows] == [
        ("b", 0.6, [("a", 0.4)]),
        ("a", 0.75, [("c", 0.2), ("b", 0.05)]),
        ("c", 0.85, [("a", 0.15)]),
    ]  # fmt: skip
    # a and c: 0.2 of 20 and 0.15 of 20 scans; a and b: 0.05 of 20 and 0.4 of 10.
    assert most_confused(rows) == ("a", "c", pytest.approx(7.0))
    assert taken_rows(None, []) == [] and most_confused([]) is None
    right = [{"true": "a", "total": 3, "right": 1.0, "wrong": []}]
    assert most_confused(right) is None


def test_how_sure_is_one_number_with_days_and_the_weakest_class():
    said = how_sure(
        {"accuracy": 0.498, "wilson": [0.31, 0.68], "ci_level": 0.95, "majority_accuracy": 0.27,
         "majority_class": "Kite", "held_out_sessions": {"accuracy": 0.41, "interval": [0.2, 0.6]},
         "weakest_class": {"class": "Dunlin", "sensitivity": 0.18, "interval": [0.03, 0.5]}}
    )  # fmt: skip
    assert [row["value"] for row in said] == ["49.8 %", "41.0 %", "18.0 %", "27.0 %"]
    assert "not trained on" in said[1]["words"] and said[1]["more"].endswith("20.0 % to 60.0 %")
    assert said[2]["words"] == "of Dunlin, the class that fares worst"
    assert said[3]["more"] == "Kite"
    assert how_sure({}) == []


def test_why_this_size_names_a_higher_point_of_the_curve():
    curve = pd.DataFrame(
        {"split": ["outer", "outer", "training"], "n_components": [2, 7, 7],
         "mean": [0.5, 0.55, 0.9]}
    )  # fmt: skip
    last = why_this_size({"n_components": 2}, curve, "plants")[-1]
    assert (
        last
        == "With 2, 50.0 % of the held-out scans are right; the curve is highest at 7 (55.0 %)."
    )


def test_the_first_figures_of_the_classes_name_worst_class_and_weights(whole):
    text = (whole.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    assert "All classes share one scale. Band: SD over resamples" in text
    svg = (whole.job().outputs["figures"] / "class_weights.svg").read_text(encoding="utf-8")
    for name in sorted(whole.plan.cultivars):
        assert f">for {name}<" in svg
    order = [a for t, a in whole.seen.tags if t == "figure"]
    names = [a["id"].removeprefix("fig-") for a in order]
    part = names[names.index("taken_for") :]
    assert part[:3] == ["taken_for", "class_weights", "accuracy_by_latent_variables"]


def test_words_where_nothing_was_recorded(tmp_path):
    _, seen = drawn(tmp_path, small())
    for words in (
        "The primary contrast was not tested under other choices.",
        "No residuals were recorded",
        "No variance components were recorded",
        "No design table was recorded",
        "Sensitivity and precision of the single classes were not recorded.",
        "No pair of classes that were taken for each other was recorded.",
        "Class probabilities were not recorded.",
        "Where loadings turn to noise was not looked at.",
        "The procedure was not asked for session or block",
    ):
        assert words in seen.text, words


def _flag_names() -> set[str]:
    """Return every check that the quality stages can name, read from their source."""
    folder = Path(leafledger.quality.__file__).parent
    found: set[str] = set()
    for path in folder.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        constants = {
            target.id: node.value.value
            for node in tree.body
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Flag"):
                continue
            named = node.args[1:2] + [k.value for k in node.keywords if k.arg == "check"]
            for value in named:
                name = value.value if isinstance(value, ast.Constant) else None
                name = constants.get(value.id) if isinstance(value, ast.Name) else name
                found |= {name} if isinstance(name, str) else set()
    return found


def test_every_check_of_the_quality_stage_has_words():
    names = _flag_names()
    assert len(names) > 15 and {"ambient_scan", "clip_moved", "wavelength_shift"} <= names
    assert names <= set(CHECK_WORDS)
    assert len(set(CHECK_WORDS.values())) == len(CHECK_WORDS)
    assert check_words("decision") == "decision of a person"


def test_every_form_of_a_study_has_words():
    forms = Form.model_fields["form"].annotation.__args__
    words = {form: form_words(form) for form in forms}
    assert words["spreadsheet"] == "workbook (.xlsx)"
    assert all(words.values()) and not any("_" in word for word in words.values())


def test_dark_band_is_the_tolerance_that_the_check_wrote():
    rows = pd.DataFrame(
        [
            ("a", "bad_dark", "count", 21.0),
            ("b", "bad_dark", "count", 34.0),
            ("c", "dark_noise", "1", 99.0),
            ("d", "replicate", "1", 4.5),
        ],
        columns=["scan", "check", "unit", "threshold"],
    )
    assert dark_tolerance(rows) == 34.0
    assert dark_tolerance(rows[rows["check"] != "bad_dark"]) is None
    assert dark_tolerance(None) is None


def test_band_of_the_darks_says_where_it_comes_from(whole):
    # The invented bad darks carry a threshold in the unit 1: no tolerance in counts is known.
    least = "0.2 % of the session's white signal at these wavelengths"
    assert least in whole.seen.text
    levels = pd.read_parquet(whole.inputs["levels/day0"])
    course = reference_course(levels, "dark", set(), 25.0)
    assert course is not None
    shown = {"day0": course, "day4": course}
    some = _course_caption("dark", shown, ["day0"])
    assert "Band: the tolerance of the check in day0; elsewhere 0.2 %" in some
    every = _course_caption("dark", shown, ["day0", "day4"])
    assert "Band: the tolerance that the check of the darks held them against;" in every
    assert least not in every


def test_kinds_cover_every_row_once():
    frame = pd.DataFrame(
        [("change", "paired_t", "all"), ("course", "mixed_model", "all"),
         ("difference_in_change", "ancova", "all"), ("difference_in_change", "ancova", "x=1"),
         ("trend", "linear_trend", "all"), ("equivalence", "tost", "all"),
         ("difference_in_change", "interaction_f", "x"), ("factorial", "factorial_f", "all"),
         ("difference_in_change", "linear_model", "all")],
        columns=["question", "method", "stratum"],
    )  # fmt: skip
    found = by_kind(frame)
    assert sum(len(part) for part in found.values()) == len(frame)
    assert [kind_of(*row) for row in frame.itertuples(index=False)] == [
        "between", "models", "beside", "strata", "trend", "between", "interaction", "factorial",
        "between",
    ]  # fmt: skip
    older = by_kind(frame[frame["method"] != "linear_model"])
    assert "beside" not in older and "ancova" in set(older["between"]["method"])


def test_a_long_table_keeps_the_primary_row_and_the_smallest_p():
    frame = pd.DataFrame({"p": np.linspace(1, 0, 11), "primary": [True] + [False] * 10})
    kept, left = kept_rows(frame, 4)
    assert list(kept.index) == [0, 8, 9, 10] and left == 7
    assert kept_rows(frame, 11)[1] == 0


def test_families_without_a_bound_say_nothing():
    assert family_view({})["rows"] == []
    row = {"family": "primary", "p_holm_smallest": None}
    assert family_view({"families": [row], "alpha": 0.05})["reach"] == ""
    held = {**row, "p_holm_smallest": 0.01}
    assert (
        "could show a result at 0.05" in family_view({"families": [held], "alpha": 0.05})["reach"]
    )


def test_units_that_change_the_conclusion_are_always_drawn():
    rows = [beside.variant("as_planned", "", 0.05)]
    rows += [beside.variant("without_unit", f"u{i}", 0.05 + 1e-4 * i) for i in range(40)]
    rows[1]["same_conclusion"] = False
    drawn_rows, left = chosen_rows(rows)
    names = [r["left_out"] for r in drawn_rows]
    assert left == 40 - MOST_UNITS and len(drawn_rows) == MOST_UNITS + 1
    # u0 changes the conclusion, u39 moves the estimate most; u1 moves it least and is left out.
    assert "u0" in names and "u39" in names and "u1" not in names
    assert names == ["", *sorted(names[1:], key=lambda n: int(n[1:]))]


def test_several_contrasts_have_a_panel_each_and_hostile_names_stay_text():
    bad = "$\\foo$ </text><script>"
    rows = [
        {**beside.variant(kind, bad, 0.05), "contrast": f"(d4-d0)@{arm}-water", "words": bad,
         "contrast_words": bad, "unit": "nm/day"}
        for arm in ("a", "b", "c", "d", "e")
        for kind in ("as_planned", "every_scan")
    ]  # fmt: skip
    with mpl.rc_context(STYLE):
        plate = draw_sensitivity(FigureSet(["svg"]), rows, "leaf")
    assert plate.wide and plate.markup.count("(nm per day)") == 4
    assert "And 1 more, see the table." in plate.caption
    assert "<script>" not in plate.markup and "$\\foo$" in plate.markup


def test_words_of_variants_and_assumptions():
    assert variant_words("without_session", "day4", "plant") == "without session day4"
    one = {"index": "NDVI", "contrast": "c", "variance_ratio": None, "influential": ["a", "b"],
           "residuals": []}  # fmt: skip
    told = assumption_words(one, {"c": "a change"}, "pot")
    assert told == "NDVI, a change: Without pot a and b (one at a time) the conclusion changes."
    assert "No single pot decides" in assumption_words({**one, "influential": []}, {}, "pot")
    two = {**one, "influential": ["a"], "needed": ["c"]}
    assert assumption_words(two, {}, "pot") == (
        "NDVI, c: Without pot a the conclusion changes. Without pot c nothing can be tested."
    )
    none = {**one, "influential": [], "verdict": "undefined"}
    assert "decides" not in assumption_words(none, {}, "pot")


def test_shares_keep_unknown_parts_apart():
    rows = pd.DataFrame(
        [("NDVI", "unit", 0.8, 2.0, ""), ("NDVI", "leaf", 0.2, 1.0, ""),
         ("PRI", "unit", 1.0, 1.0, "scans were not repeated")],
        columns=["index", "component", "share", "sd", "reason"],
    ).assign(unit="1")  # fmt: skip
    told = share_rows(rows, ["PRI", "NDVI", "WI"])
    assert [row["index"] for row in told] == ["PRI", "NDVI"]
    assert told[1]["shares"] == {"unit": 0.8, "unit_x_session": None, "leaf": 0.2, "scan": None}
    assert remarks(rows, {"unit": "between plants"}) == [
        "between plants: scans were not repeated (PRI)."
    ]


def test_designs_are_laid_out_by_units_and_leaves():
    frame = pd.DataFrame(
        {"n_units": [8, 4, 4, 4], "n_leaves": [1, 1, 3, 1], "n_scans": [1, 1, 1, 2],
         "detectable": [0.1, 0.2, 0.15, 0.18], "margin": [np.nan] * 4}
    )  # fmt: skip
    told = design_rows(frame)
    assert told["leaves"] == [1, 3] and told["scans"] == 1 and told["margin"] is None
    assert [row["n"] for row in told["rows"]] == [4, 8]
    assert told["rows"][0]["cells"][1]["detectable"] == 0.15
    assert told["rows"][1]["cells"][1] is None
    assert design_rows(frame.iloc[:0])["rows"] == []


def test_tables_that_are_missing_or_older_say_nothing_false(tmp_path):
    path = tmp_path / "per_class.csv"
    path.write_text("class,n_units\nKite,3\n")
    older = table_or_empty(path, registry.PER_CLASS)
    assert set(registry.PER_CLASS) <= set(older.columns) and older["class"].tolist() == ["Kite"]
    for names in (registry.PER_CLASS, registry.COMPARISON, registry.QUESTIONS):
        frame = table_or_empty(None, names)
        assert list(frame.columns) == list(names) and not len(frame)
    assert rival_words(table_or_empty(None, registry.COMPARISON)) == ""
    assert question_rows(table_or_empty(None, registry.QUESTIONS)) == []
    assert confused_pairs(table_or_empty(None, registry.CONFUSED_PAIRS)) == []
    assert comparison_rows(table_or_empty(None, registry.COMPARISON)) == []
    assert noise_words({}) == "" and sureness_words({}) == ""
    assert noise_words({"stable_components": 3, "max_components": 3, "n_components": 2}) == (
        "No loading turned to noise among those that were looked at."
    )
    no_primary = pd.DataFrame({"primary": [False]})
    assert "names no primary contrast" in why_none(no_primary)
    assert "No effect was tested" in why_none(no_primary.iloc[:0])


def test_an_index_stands_with_its_name_what_it_follows_and_what_to_beware_of(tmp_path):
    made = tables.make(tmp_path, small())
    catalogue = json.loads(made.inputs["catalogue"].read_text(encoding="utf-8"))
    for entry in catalogue["indices"]:
        entry |= {"name": f"plain {entry['index']}", "responds_to": "chlorophyll <a>",
                  "confusions": "It moves without any. More of it."}  # fmt: skip
    made.inputs["catalogue"].write_text(json.dumps(catalogue), encoding="utf-8")
    run(made.job())
    page = made.job().outputs["report"].read_text(encoding="utf-8")
    table = page.split('aria-label="Effects by index and contrast"')[1].split("</table>")[0]
    row = table.split('<th scope="row" class="mid">CI_rededge')[1].split("</tr>")[0]
    assert "plain CI_rededge; follows chlorophyll &lt;a&gt;" in row
    assert "<b>Beware:</b> It moves without any.</span>" in row
    card = page.split("<dt>Index and contrast</dt>")[1].split("</dd>")[0]
    assert "<b>Beware:</b> It moves without any." in card
