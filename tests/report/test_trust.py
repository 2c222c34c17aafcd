"""The measurement part of the page: references over time, scans pointed at, shifts, warnings."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pandas as pd
import pytest

from leafledger.report.gather import Groups, warnings_of
from leafledger.report.numbers import with_true_minus
from leafledger.report.time_course import adjustment_words, nothing_words, primary_words
from leafledger.report.trust_figures import (
    FlaggedScan,
    chosen_to_draw,
    flagged_leaf_scans,
    reference_course,
    scan_context,
    white_counts,
)
from leafledger.study.table_files import Spectra

from .test_page import drawn, small


def levels(rows: list[tuple[str, str, float, float]], unit: str) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"scan": scan, "role": role, "place": k, "hours": k / 10, "integration_ms": ms,
             "wavelength_nm": at, "value": value, "unit": unit}
            for k, (scan, role, ms, value) in enumerate(rows)
            for at in (550.0, 680.0)
        ]
    )  # fmt: skip


def test_bad_white_is_marked_and_left_out_of_the_median():
    # Sound whites 98, 100, 104: median 100; worked by hand.
    table = levels([("a", "white", 10, 98), ("b", "white", 20, 100), ("c", "white", 10, 104),
                    ("d", "white", 10, 160)], "count/ms")  # fmt: skip
    course = reference_course(table, "white", {"d"}, 0.03)
    assert course is not None
    assert course.level == pytest.approx([-0.02, 0.0, 0.04, 0.6])
    assert course.bad.tolist() == [False, False, False, True]
    assert course.timed and course.time == pytest.approx([0.0, 0.1, 0.2, 0.3])
    # 98 * 10, 100 * 20 and 104 * 10 counts: the median is 1040.
    assert white_counts(table, {"d"}) == 1040.0


def test_darks_are_held_against_their_own_integration_time():
    table = levels([("a", "dark", 12, 1000), ("b", "dark", 12, 1004), ("c", "dark", 18, 1100),
                    ("d", "dark", 18, 1090)], "count")  # fmt: skip
    table["hours"] = np.nan
    course = reference_course(table, "dark", set(), None)
    assert course is not None
    assert course.level == pytest.approx([-2, 2, 5, -5])
    assert not course.timed and course.time == pytest.approx([1, 2, 3, 4])
    assert reference_course(table, "white", set(), None) is None


def test_all_references_bad_still_have_a_course():
    course = reference_course(levels([("a", "dark", 1, 7.0)], "count"), "dark", {"a"}, 1.0)
    assert course is not None and course.level.tolist() == [0.0]


def exclusion(scan: str, rule: str, suggested: str, applied: str) -> dict[str, str]:
    return {"scan": scan, "rule": rule, "suggested": suggested, "applied": applied,
            "reason": f"{rule} of {scan}", "by": "A. Grower", "when": ""}  # fmt: skip


def test_what_is_drawn_and_as_what():
    accepted = pd.DataFrame(
        [{"scan": s, "session": "d", "unit": "u", "accepted": s in "bde"} for s in "abcde"]
    )
    told = pd.DataFrame(
        [
            exclusion("a", "saturated", "exclude", "exclude"),
            exclusion("a", "replicate", "exclude", "exclude"),
            exclusion("b", "replicate", "exclude", "keep"),
            exclusion("c", "decision", "keep", "exclude"),
            exclusion("e", "decision", "keep", "keep"),
            exclusion("white-1", "reference_drift", "exclude", "keep"),
        ]
    )
    quality = pd.DataFrame(
        [("a", "saturated", "fault", 700.0), ("a", "replicate", "outlier", np.nan),
         ("b", "replicate", "outlier", np.nan), ("d", "far_from_white", "notice", np.nan)],
        columns=["scan", "check", "severity", "wavelength_nm"],
    )  # fmt: skip
    found = {p.scan: p for p in flagged_leaf_scans(told, accepted, {"d": quality})}
    assert list(found) == ["a", "b", "c"]  # no notice, no confirmed scan, no reference
    assert [found[s].outlier for s in "abc"] == [False, True, False]
    assert [found[s].left_out for s in "abc"] == [True, False, True]
    assert found["a"].at_nm == (700.0,)
    assert found["c"].reasons == ("Decided: decision of c (A. Grower).",)


def test_every_check_is_drawn_before_any_twice():
    some = [FlaggedScan(f"s{k}", "d", "u", ("light",), ("",), False, True, ()) for k in range(40)]
    some.append(FlaggedScan("z", "d", "u", ("clip",), ("",), False, True, ()))
    chosen = chosen_to_draw(some, 9)
    assert len(chosen) == 9 and chosen[-1].scan == "z"


def test_a_scan_is_no_part_of_its_own_group():
    rows = pd.DataFrame(
        [("a", "d1", "u1", False), ("b", "d1", "u1", True), ("c", "d1", "u2", True),
         ("e", "d1", "u3", True), ("f", "d2", "u1", True), ("g", "d1", "u2", False)],
        columns=["scan", "session", "unit", "accepted"],
    )  # fmt: skip
    values = np.array([[9.0], [1.0], [3.0], [5.0], [7.0], [8.0]])
    groups = Groups(("x", "y"), {"u1": "x", "u2": "x", "u3": "y"}, None)
    point = FlaggedScan("a", "d1", "u1", ("light",), ("",), False, True, ())
    found = scan_context(Spectra(values, np.array([500.0]), rows), groups, point)
    assert found is not None and found.low is not None and found.high is not None
    assert (found.scan[0], found.low[0], found.high[0], found.n_group) == (9.0, 1.0, 3.0, 2)
    assert list(found.siblings) == ["b"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("by -0.12 (95 %: -0.2 to -0.05)", "by −0.12 (95 %: −0.2 to −0.05)"),
        ("t = -2.3e-05; CI_rededge", "t = −2.3e-05; CI_rededge"),
        ("d8-p11-1, day8-day0, 849-1000 nm", "d8-p11-1, day8-day0, 849-1000 nm"),
        ("on 2026-05-08", "on 2026-05-08"),
        ("(day8-day0)@iron-2 and 550 - 700", "(day8-day0)@iron-2 and 550 - 700"),
        ("-3 nm", "−3 nm"),
    ],
)  # fmt: skip
def test_negative_numbers_get_a_true_minus_and_ids_do_not(text, shown):
    assert with_true_minus(text) == shown


def outside(index: str, needs: str) -> str:
    return (
        f"{index} is not computed: it needs {needs}, outside the trusted range 428 to 952 nm (x)."
    )


def test_one_line_for_many_indices_and_sessions():
    texts = [outside("WI", "R(970)"), outside("NDWI", "R(860) and R(1240)"), "Lamp drifted."]
    found = warnings_of([("indices", s, texts) for s in ("day0", "day4")])
    assert [w["sessions"] for w in found] == ["day0, day4", "day0, day4"]
    assert found[0]["text"] == (
        "2 indices are not computed: bands outside the trusted range 428 to 952 nm (NDWI and WI)."
    )
    assert found[1]["text"] == "Lamp drifted."
    (alone,) = warnings_of([("indices", "d", [outside("WI", "R(970)")])])
    assert alone["text"].startswith("WI is not computed: bands outside")
    (many,) = warnings_of([("indices", "d", [outside(f"I{k:02d}", "R(1)") for k in range(30)])])
    assert many["text"].startswith("30 indices are") and "I11 and 18 more" in many["text"]


def primary(n: int, tested: int, families: int = 1) -> pd.DataFrame:
    return pd.DataFrame(
        {"family": [f"f{k % families}" for k in range(n)], "n_family": [tested] * n}
    )


def test_words_on_the_adjustment_follow_the_number_of_primary_contrasts():
    assert primary_words(primary(0, 0)) == ""
    assert "stands alone and needs no adjustment" in primary_words(primary(1, 1))
    assert "needs no adjustment" not in primary_words(primary(2, 2))
    assert "2 primary contrasts" in primary_words(primary(2, 2))
    assert "adjusted by Holm over those tests" in primary_words(primary(3, 3))
    assert "2 of which could be tested" in primary_words(primary(3, 2))
    assert "nothing to adjust for" in primary_words(primary(2, 1))
    assert "within the family of each" in primary_words(primary(2, 5, families=2))


def test_equivalence_says_which_p_it_rests_on():
    assert "equivalence tests are a family of their own" in adjustment_words(
        pd.DataFrame({"question": ["equivalence"]})
    )
    assert "equivalence" not in adjustment_words(pd.DataFrame({"question": ["change"]}))


def test_nothing_tested_gives_its_reasons_and_no_empty_table():
    rows = [("undefined", "the study has no after session"), ("undefined", "one unit only")]
    table = pd.DataFrame(rows, columns=["verdict", "reason"])
    assert nothing_words(table) == (
        "No effect could be tested: the study has no after session; one unit only."
    )
    assert nothing_words(pd.DataFrame([("significant", "")], columns=table.columns)) == ""
    assert nothing_words(table.iloc[:0]) == ""


def test_page_names_the_bad_dark_and_the_outlier(whole):
    captions = (whole.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    assert "darks_over_time" in captions and "at fault (d0-dark-2, d1-dark-2" in captions
    assert "1: d0-dark-2 (+901 counts, off the scale)" in whole.seen.text
    assert "replicates" in captions and "suggested" in whole.seen.text
    assert "No reference is at fault." in captions  # the whites


def strokes(svg: str) -> Iterator[tuple[str, bool, float]]:
    """Yield colour, whether dashed and width of every stroked line of the drawing."""
    for style in re.findall(r'style="fill: none;([^"]*)"', svg):
        colour = re.search(r"stroke: (#\w+)", style)
        width = re.search(r"stroke-width: ([\d.]+)", style)
        if colour:
            dashed = "stroke-dasharray" in style
            yield colour[1].upper(), dashed, float(width[1]) if width else 1.0


@pytest.mark.parametrize("name", ["scans_at_fault", "replicates"])
def test_pointed_scan_reads_without_colour(whole, name):
    svg = (whole.job().outputs["figures"] / f"{name}.svg").read_text(encoding="utf-8")
    marked = [s for s in strokes(svg) if s[0] == "#D55E00"]
    assert marked and all(dashed and width > 1.5 for _, dashed, width in marked)
    # No other line of the figure is as wide: the difference survives a grey print.
    assert max(width for colour, _, width in strokes(svg) if colour != "#D55E00") < 1.2
    assert svg.count("<use") > 16  # and it carries crosses


def test_one_control_unit_no_references_and_two_primary_contrasts(tmp_path):
    plan = small(classes=False, lone_control=True, references=False, n_primary=2)
    made, seen = drawn(tmp_path, plan)
    assert "one control unit only: no interval and no test" in seen.text
    assert (
        "not tested" in seen.text and "– to –" not in seen.text.split("Session effects at")[1][:900]
    )
    assert "moss_<pad>" in seen.text  # a group of a later version is shown as it is named
    assert "None of it could be tested" in seen.text
    assert "There are no white and dark references to follow over time" in seen.text
    assert made.effects is not None and made.effects["primary"].sum() == 2
    assert "The settings name 2 primary contrasts" in seen.text
    assert "needs no adjustment" not in seen.text
    assert seen.text.count("adjusted by Holm over 2 :") == 2


@pytest.mark.slow
def test_many_sessions_and_flags_are_bounded(tmp_path):
    plan = small(classes=False, sessions=tuple(f"s{k:02d}" for k in range(14)), n_units=24,
                 n_faults=40, n_outliers=30, figures=("svg",), indices=("CI_rededge",))  # fmt: skip
    made, _ = drawn(tmp_path, plan)
    captions = (made.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    assert "And 32 more, see the table of every suggestion and decision." in captions
    assert "And 24 more, see the table of every suggestion and decision." in captions
    assert captions.count("And 2 more, see the flags by check above.") == 2
    assert "the other 13 in grey" in captions


def test_hostile_reason_in_a_figure(tmp_path):
    plan = small(classes=False, reason="</text><script>alert(1)</script> $\\foo$ [/b] \x1b[31m")
    made, seen = drawn(tmp_path, plan)
    svg = (made.job().outputs["figures"] / "scans_at_fault.svg").read_text(encoding="utf-8")
    assert "<script" not in svg and "\x1b" not in svg and "$\\foo$ [/b]" in svg
    assert len(seen.scripts) == 1 and "alert(1)" not in seen.scripts[0]
