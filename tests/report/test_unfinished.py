"""What the page shows of a study that is not complete, and of notes from the field."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pandas as pd
import pytest

from leafledger.report.answer import findings_part, measured_so_far, what_waits
from leafledger.report.figures import FigureSet
from leafledger.report.gather import Material
from leafledger.report.next_study import draw_balance, field_notes_part, tables_of, unfinished_part
from leafledger.report.stage import csv_text


def balance_row(index: str, treatment: str, difference: float | None) -> dict[str, Any]:
    return {
        "index": index,
        "unit": "nm" if index == "REP" else "1",
        "treatment": treatment,
        "reference": "" if difference is None else "water",
        "n_units": 4,
        "mean": 0.5,
        "sd": 0.1,
        "difference": None if difference is None else 0.1 * difference,
        "standardised_difference": difference,
    }


UNFINISHED = {
    "sessions": [
        {"session": "day0", "phase": "before", "why": ""},
        {"session": "day4", "phase": "after", "why": "waits: day4 has no scans yet"},
    ],
    "said": ["Every contrast with day4 waits: day4 has no scans yet."],
    "balance": [
        balance_row("NDVI", "water", None),
        balance_row("NDVI", "salt", -0.4),
        balance_row("REP", "water", None),
        balance_row("REP", "salt", 1.5),
    ],
    "detectable": [
        {
            "index": "REP",
            "level": "salt",
            "reference": "water",
            "n_units": 4,
            "n_units_reference": 4,
            "mean": 700.0,
            "sd": 2.0,
            "df_sd": 6,
            "alpha": 0.05,
            "power": 0.8,
            "detectable": [5.0, 4.5, None],
            "unit": "nm",
        }
    ],
    "detectable_said": ["With 4 and 4 plants ..."],
}


def material(**changes: Any) -> Material:
    held = {
        "effects_summary": {"unfinished": UNFINISHED, "primary": [{"index": "REP"}]},
        "no_classes": "",
        "unit_word": "plant",
        "field_notes": {},
        "omitted": (),
        **changes,
    }
    return cast(Material, SimpleNamespace(**held))


def test_a_complete_study_without_notes_has_neither_part() -> None:
    complete = material(effects_summary={"primary": []})
    assert unfinished_part(complete, FigureSet(["svg"])) is None
    assert field_notes_part(complete) is None
    assert list(tables_of(None, None)) == []


def test_the_primary_index_stands_first_and_every_table_can_be_saved() -> None:
    figures = FigureSet(["svg"])
    part = unfinished_part(material(), figures)
    assert part is not None
    assert [row["index"] for row in part["balance"]] == ["REP", "REP", "NDVI", "NDVI"]
    assert [row["state"] for row in part["sessions"]] == [
        "measured", "waits: day4 has no scans yet"
    ]  # fmt: skip
    assert [figure.name for figure in figures.figures] == ["balance"]
    tables = {name: csv_text(heads, rows) for name, _, heads, rows in tables_of(part, None)}
    assert (
        tables["balance"].splitlines()[2] == "REP,nm,salt,4,0.5,0.1,water,0.15000000000000002,1.5"
    )
    assert tables["detectable_before"].splitlines()[1].endswith(",0.05,0.8,5.0,4.5,")


def test_the_figure_shows_every_difference_and_says_that_nothing_is_tested() -> None:
    figures = FigureSet(["svg"])
    drawn = draw_balance(figures, UNFINISHED["balance"], "plant")  # type: ignore[arg-type]
    assert drawn is not None
    assert "Nothing is tested here" in drawn.caption
    assert "n = 4 plants in each treatment" in drawn.caption
    svg = figures.files["balance.svg"].decode()
    assert svg.count("<use ") >= 2
    assert draw_balance(figures, [balance_row("NDVI", "water", None)], "plant") is None


def first_screen(effects: list[Any], **summary: Any) -> dict[str, Any]:
    """Return the first part of a page without findings."""
    held = material(
        effects_summary={"unfinished": UNFINISHED, "findings": [], **summary},
        effects=pd.DataFrame({"verdict": effects}),
        primary_mark="",
        margin_mark="",
        plan_sentences=[],
        classes=None,
        records={},
        catalogue={},
        design={"unit": "plant"},
        groups=SimpleNamespace(names=["water", "salt"]),
        days=SimpleNamespace(sessions=["day0"]),
        leaf_model=None,
    )
    return findings_part(held, FigureSet(["svg"]))


def test_of_one_day_the_first_screen_says_what_waits_and_claims_nothing() -> None:
    shown = first_screen([])
    assert shown["nothing"].startswith(
        "Nothing is tested yet. Every contrast with day4 waits: day4 has no scans yet. No primary"
    )
    assert shown["measured_so_far"] == "1 of 2 sessions is measured (day0); to come: day4."
    # Once anything is tested, or nothing waits, it is not said.
    assert "yet" not in first_screen(["no_difference_shown"])["nothing"]
    skipped = {**UNFINISHED, "said": ["NDVI at day4 is not answered: storm."]}
    assert "No effect was tested" in first_screen([], unfinished=skipped)["nothing"]


def test_a_finding_that_waits_is_told_from_one_that_cannot_be_tested() -> None:
    row = {"rule": "Primary contrast", "verdict": "undefined"}
    waits = "NDVI at day4 waits: day4 has no scans yet."
    assert what_waits({**row, "sentence": f"Primary contrast. {waits}"}) == waits
    assert what_waits({**row, "sentence": "Primary contrast. NDVI is constant."}) == ""
    assert what_waits({**row, "verdict": "higher", "sentence": f"x {waits}"}) == ""
    three = [("day0", ""), ("day4", ""), ("day8", "waits: no scans"), ("day12", "skipped: storm")]
    sessions = [{"session": session, "why": why} for session, why in three]
    told = measured_so_far({"unfinished": {"sessions": sessions}})
    assert told == "2 of 4 sessions are measured (day0 and day4); to come: day8."


@pytest.mark.parametrize("hostile", ["=cmd()", "+1", "@x"])
def test_notes_and_reasons_cannot_run_in_a_spreadsheet(hostile: str) -> None:
    notes = {"scans": {"s1": {"session": "day0", "note": hostile}}}
    omitted = [{"scan": "s2", "session": "day0", "role": "sample", "reason": hostile}]
    part = field_notes_part(material(field_notes=notes, omitted=omitted))
    assert part is not None
    assert part["reasons"] == [{"reason": hostile, "scans": ["s2"], "n": 1}]
    tables = {name: csv_text(heads, rows) for name, _, heads, rows in tables_of(None, part)}
    assert f"s1,day0,'{hostile}," in tables["field_notes"]
    assert f"s2,day0,sample,'{hostile}" in tables["omitted_scans"]
