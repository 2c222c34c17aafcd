"""What the page says of the study under other settings, in each case that can arise."""

from __future__ import annotations

import json
from typing import Any

import matplotlib as mpl
import pandas as pd
import pytest

from leafledger.effects.robustness import Origin, row_without_result, rows_of
from leafledger.records.digests import inputs_digest
from leafledger.report.conclusions_held import (
    NO_CHOICE,
    draw_variants,
    out_of_date,
    variant_row,
    variant_sentences,
)
from leafledger.report.figures import STYLE, FigureSet
from leafledger.report.stage import run
from leafledger.study import tables as registry
from leafledger.study.table_files import write_csv
from leafledger.study.tables import STATED

from . import pages, tables
from .beside import CONTRAST
from .test_page import small

WORDS = {CONTRAST: "chelate against water"}
EFFECTS, CLASSES = "a" * 64, "b" * 64


def row(name: str, estimate: float = 0.16, **more: Any) -> dict[str, Any]:
    own = {
        "variant": name, "question": "difference_in_change", "index": "CI_rededge",
        "contrast": CONTRAST, "stratum": "", "method": "welch_t",
        "settings": "" if name == STATED else "quality.apply: none (stated: faults)",
        "estimate": estimate, "ci_low": estimate - 0.1, "ci_high": estimate + 0.1,
        "ci_level": 0.95, "unit": "1", "n_units": 4, "n_units_reference": 4, "p": 0.01,
        "verdict": "significant", "reason": "", "accuracy": 0.8, "accuracy_low": 0.6,
        "accuracy_high": 0.9, "effects_sha256": EFFECTS, "classes_sha256": CLASSES,
        "inputs_sha256": "",
    }  # fmt: skip
    return own | more


def not_run(name: str) -> dict[str, Any]:
    found = row_without_result(Origin(name, "x: 1 (stated: 2)"), "it was not run to its end")
    return {k: "" if v is None and k in registry.TEXT else v for k, v in found.items()}


def views(*rows: dict[str, Any]) -> list[dict[str, Any]]:
    stated = [one for one in rows if one["variant"] == STATED]
    return [variant_row(one, stated, WORDS) for one in rows]


def said(*rows: dict[str, Any]) -> list[str]:
    shown = views(*rows)
    return variant_sentences(
        [v for v in shown if v["is_stated"]], [v for v in shown if not v["is_stated"]]
    )


def test_all_agree():
    told = said(row(STATED), row("one", 0.18), row("two", 0.11))
    assert told[0] == (
        "All 2 variants come to the verdict as stated (significant, in the same direction)."
    )
    # By hand: |0.11 - 0.16| = 0.05 is the largest move; the interval is 0.2 wide.
    assert told[1] == (
        "The estimate moves by at most 0.050 (two); half the width of its interval as stated is "
        "0.10."
    )
    assert told[2] == "The accuracy of the classifier is 80.0 % as stated and is 80.0 % otherwise."
    assert told[-1] == NO_CHOICE


def test_some_differ_and_are_named():
    told = said(row(STATED), row("one"), row("two", verdict="not_significant"), row("three", -0.16))
    assert told[0] == (
        "1 of 3 variants comes to the verdict as stated (significant, in the same direction); "
        "not under two and three."
    )


def test_none_agrees_and_a_single_one():
    none = [row("one", verdict="not_significant"), row("two", verdict="not_significant")]
    assert said(row(STATED), *none)[0].startswith("None of 2 variants comes to the verdict")
    assert said(row(STATED), none[0])[0].startswith("The one variant does not come to the")
    assert said(row(STATED), row("one"))[0].startswith("The one variant comes to the verdict")


def test_one_that_did_not_run_counts_for_nothing():
    told = said(row(STATED), row("one"), not_run("two"))
    assert told[0] == "The study was not run to its end under two: nothing is said of that."
    assert told[1].startswith("The one variant comes to the verdict as stated")
    told = said(row(STATED), not_run("one"), not_run("two"))
    assert told == [
        "The study was not run to its end under one and two: nothing is said of that.",
        NO_CHOICE,
    ]


def test_another_unit_is_not_compared_and_accuracies_are_a_range():
    told = said(row(STATED), row("one", 9.0, unit="nm", accuracy=0.7), row("two", accuracy=0.9))
    assert "Under one the index has another unit and is not compared." in told
    assert not any("9.0" in sentence or "8.8" in sentence for sentence in told)
    assert any(
        "80.0 % as stated and lies between 70.0 % and 90.0 % otherwise" in one for one in told
    )


def test_without_a_primary_effect_no_verdict_is_spoken_of():
    blank = {"index": "", "contrast": "", "verdict": "", "estimate": float("nan")}
    told = said(row(STATED, **blank), row("one", **blank))
    assert told[0].startswith("The study names no primary effect")
    assert not any("variants come" in one or "variant comes" in one for one in told)


def test_a_table_belongs_to_the_very_results_it_was_made_with():
    records = {
        "effects": {
            "outputs": [{"path": "results/effects.csv", "sha256": EFFECTS}],
            "inputs": [{"role": "unit_indices", "sha256": "c" * 64}],
        },
        "classes": {
            "outputs": [{"path": "results/classes/summary.json", "sha256": CLASSES}],
            "inputs": [],
        },
    }
    stated = row(STATED, inputs_sha256=inputs_digest(records))
    assert out_of_date([stated], records) == ""
    assert out_of_date([stated | {"effects_sha256": "d" * 64}], records) == "the effects"
    both = stated | {"effects_sha256": "d" * 64, "classes_sha256": "d" * 64}
    assert out_of_date([both], records) == "the effects and the accuracy"
    records["effects"]["inputs"][0]["sha256"] = "e" * 64
    assert "the data" in out_of_date([stated], records)
    assert out_of_date([], records) == "the results as stated"


def test_rows_are_the_primary_effects_with_the_accuracy_that_counts_units():
    effects = pd.DataFrame([row("x") | {"primary": True}, row("x", 0.5) | {"primary": False}])
    summary = {"accuracy": 0.75, "wilson": [0.5, 0.9]}
    (found,) = rows_of(Origin("one", "words", "e", "c", "i"), effects, summary)
    assert (found["variant"], found["estimate"], found["accuracy"]) == ("one", 0.16, 0.75)
    assert (found["accuracy_low"], found["accuracy_high"]) == (0.5, 0.9)
    (found,) = rows_of(Origin("one", "words"), effects.iloc[1:], None)
    assert found["index"] is None and found["accuracy"] is None


def drawn(*rows: dict[str, Any]) -> str:
    with mpl.rc_context(STYLE):
        book = FigureSet(["svg"])
        plate = draw_variants(book, views(*rows))
    return "" if plate is None else str(plate.markup)


def test_the_figure_has_a_row_for_each_and_says_where_there_is_nothing():
    svg = drawn(row(STATED), row("one", verdict="not_significant"), not_run("two"))
    assert "accuracy (share of scans right)" in svg
    for name in ("as stated", "one", "two", "none"):
        assert f">{name}<" in svg or f"<!-- {name} -->" in svg, name
    # Both panels have a row for each, so that the labels of the first serve both.
    assert svg.count(">none<") + svg.count("<!-- none -->") == 2
    assert drawn(row(STATED, estimate=float("nan"), index="", accuracy=float("nan"))) == ""


def test_the_caption_tells_n_error_bars_and_adjustment():
    with mpl.rc_context(STYLE):
        plate = draw_variants(FigureSet(["svg"]), views(row(STATED), row("one", n_units=3)))
    assert plate is not None
    assert "n of units: 7 to 8." in plate.caption
    assert "95 % interval" in plate.caption and "none is adjusted" in plate.caption


@pytest.fixture(scope="module")
def page_of(tmp_path_factory):
    def make(*rows: dict[str, Any]) -> pages.Seen:
        made = tables.make(tmp_path_factory.mktemp("variants"), small(figures=("svg",)))
        record = json.loads((made.folder / "records" / "effects.json").read_text("utf-8"))
        (digest,) = (o["sha256"] for o in record["outputs"] if o["path"] == "results/effects.csv")
        belong = {
            "effects_sha256": digest,
            "classes_sha256": "",
            "inputs_sha256": inputs_digest({"effects": record}),
        }
        present = [one | (belong if one["effects_sha256"] == EFFECTS else {}) for one in rows]
        frame = pd.DataFrame(present)
        frame = frame[list(registry.VARIANTS)]
        for name in ("n_units", "n_units_reference"):
            frame[name] = frame[name].astype("Int64")
        write_csv(made.place("variants", "variants.csv"), frame, registry.VARIANTS)
        run(made.job())
        return pages.read(made.job().outputs["report"].read_text(encoding="utf-8"))

    return make


def test_the_page_shows_every_row_with_what_differs(page_of):
    seen = page_of(row(STATED), row("one"), row("two", verdict="not_significant"), not_run("three"))
    assert not seen.unbalanced and not seen.stack
    assert "fig-variants" in {a.get("id") for t, a in seen.tags if t == "figure"}
    part = seen.text.split("Under other settings", 1)[1]
    assert "1 of 2 variants comes to the verdict as stated" in part
    assert "quality.apply: none (stated: faults)" in part
    assert "not as stated" in part and "it was not run to its end" in part


def test_the_page_shows_no_rows_of_other_results(page_of):
    seen = page_of(row(STATED, effects_sha256="f" * 64, classes_sha256=""), row("one"))
    assert "it was made before the effects changed" in seen.text
    assert "fig-variants" not in {a.get("id") for t, a in seen.tags if t == "figure"}
    assert "variants come to" not in seen.text and "variant comes to" not in seen.text
