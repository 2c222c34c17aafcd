"""The report for people without a mouse, with a screen reader, on a phone and on paper."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from playwright.sync_api import expect

from browser import SIZES, Watched
from leafledger.report.stage import run

from . import pages, tables

HEADINGS = "[...document.querySelectorAll('h1, h2, h3, h4')].map((e) => Number(e.tagName[1]))"
MARKED = """(() => {
  const here = document.activeElement, style = getComputedStyle(here);
  here.dataset.reached = 1;
  return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 1;
})()"""
LEFT = """[...document.querySelectorAll("a[href], button, input, select, summary")].filter(
  (e) => !e.disabled && e.checkVisibility() && e.tabIndex >= 0 && e.type !== "radio"
    && !e.dataset.reached).map((e) => e.outerHTML.slice(0, 200))"""
WIDER = """(most) => [...document.querySelectorAll("table, figure, pre, dl")].filter(
  (e) => e.checkVisibility() && e.getBoundingClientRect().right > most + 1).map(
  (e) => e.outerHTML.slice(0, 120))"""
MOST_STOPS = 600


@SIZES
def test_nothing_keeps_people_out(watched: Watched, whole, size: tuple[int, int]) -> None:
    watched.size(size)
    watched.open_file(whole.job().outputs["report"])
    assert watched.barriers() == []
    assert watched.fits()


def test_headings_stand_in_order_and_the_skip_link_leads_to_the_text(
    watched: Watched, whole
) -> None:
    page = watched.open_file(whole.job().outputs["report"])
    levels = page.evaluate(HEADINGS)
    assert levels.count(1) == 1
    assert levels[0] == 1
    steps = [later - level for level, later in pairwise(levels)]
    assert max(steps) <= 1
    page.keyboard.press("Tab")
    expect(page.locator("a.skip")).to_be_focused()
    expect(page.locator("a.skip")).to_be_in_viewport()
    page.keyboard.press("Enter")
    assert page.url.endswith("#main")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_tab_reaches_every_control_and_shows_where_it_is(watched: Watched, whole) -> None:
    page = watched.open_file(whole.job().outputs["report"])
    for _ in range(MOST_STOPS):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement === document.body"):
            break
        assert page.evaluate(MARKED), page.evaluate("document.activeElement.outerHTML")
    else:
        pytest.fail(f"more than {MOST_STOPS} stops")
    assert page.evaluate(LEFT) == []


@pytest.mark.parametrize("folded", [True, False], ids=["folded", "open"])
def test_on_paper_nothing_is_wider_than_the_sheet(watched: Watched, whole, folded) -> None:
    """A4 upright less its margins is about 700 CSS pixels wide."""
    watched.as_print()
    watched.size((700, 1000))
    page = watched.open_file(whole.job().outputs["report"])
    if not folded:
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert watched.fits()
    assert page.evaluate(WIDER, 700) == []


@pytest.mark.slow
def test_a_long_class_name_leaves_the_confusion_matrix_in_sight(watched: Watched, tmp_path) -> None:
    plan = tables.Plan(cultivars=("K" * 60, "Dunlin", "Plover", "Avocet"), n_leaves=1, repeats=2)
    made = tables.make(tmp_path, plan)
    run(made.job())
    page = watched.open_file(made.job().outputs["report"])
    expect(page.locator("html[data-live=drawn]")).to_have_count(1)
    page.locator("#open-all").dispatch_event("click")
    table = page.locator(".step table.confusion:visible")
    cell = table.locator("tbody td").first.bounding_box()
    frame = table.locator("xpath=ancestor::div[contains(@class, 'scroll')]").bounding_box()
    assert cell["x"] + cell["width"] < frame["x"] + frame["width"]


def test_no_line_ends_within_a_number(whole) -> None:
    drawn = r"<svg.*?</svg>"  # its words do not flow
    seen = pages.read(re.sub(drawn, "", whole.page, flags=re.DOTALL))
    text = " ".join(seen.texts)
    assert "p\N{NO-BREAK SPACE}" in text
    assert re.findall(r".{0,40}(?:\bp [<=] ?\d|\d (?:%|nm)(?!\w))", text) == []
