"""Keys act on what is shown or not at all, and a form never disappears under the typist."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from browser import Watched
from leafledger.errors import InputFault
from leafledger.review.decision_file import Asked, save

from . import desks

Opened = Callable[[], Page]
LATE_S = 0.5
WORDS = "midrib under clip, seen"


@pytest.fixture
def page(opened: Opened, watched: Watched) -> Page:
    """Return the review at a group of leaves, whose other groups come late."""

    def late(route: Route) -> None:
        time.sleep(LATE_S)
        route.continue_()

    page = opened()
    page.get_by_role("button", name="day0 · p1", exact=True).click()
    expect(page.locator("#group-title")).to_have_text("day0 · plant p1")
    page.locator("#look").focus()
    watched.page.route(re.compile("/api/(leaves|references)/"), late)
    return page


def test_a_key_pressed_while_a_group_loads_decides_nothing(page: Page) -> None:
    page.keyboard.press("n")
    page.wait_for_timeout(120)
    page.keyboard.press("e")
    expect(page.locator("#status")).to_contain_text("not there yet")
    page.keyboard.type(WORDS, delay=60)  # beyond the moment in which the group is there
    page.keyboard.press("Enter")
    expect(page.locator("#group-title")).to_have_text("day0 · plant p2")
    expect(page.locator("#scans .reason")).to_have_count(0)
    expect(page.locator("#drafts li")).to_have_count(0)
    page.wait_for_timeout(1100)
    page.keyboard.press("e")
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.type(WORDS)
    page.keyboard.press("Enter")
    expect(page.locator("#drafts li")).to_have_text(re.compile(f": {WORDS}$"))


def test_a_form_opened_while_a_group_loads_keeps_its_group(page: Page) -> None:
    page.keyboard.press("n")
    page.wait_for_timeout(120)
    page.locator("#scans [data-action=exclude]").first.click()
    page.keyboard.type(WORDS, delay=40)
    page.wait_for_timeout(600)
    expect(page.locator("#group-title")).to_have_text("day0 · plant p1")
    expect(page.locator("#reason")).to_have_value(WORDS)
    expect(page.locator("#reason")).to_be_focused()


def test_a_form_with_words_outlives_every_button(page: Page) -> None:
    page.keyboard.press("e")
    page.keyboard.type(WORDS)
    for button in ("#next", "#flagged-only", "#flagged-only"):
        page.locator(button).click()
    page.locator("#scans [data-action=keep]").last.click()
    page.get_by_role("button", name="day0 · p2", exact=True).click()
    page.wait_for_timeout(700)
    expect(page.locator("#group-title")).to_have_text("day0 · plant p1")
    expect(page.locator("#reason")).to_have_value(WORDS)
    expect(page.locator("#scans .reason")).to_have_count(1)
    page.keyboard.press("Escape")
    expect(page.locator("#scans .reason")).to_have_count(0)


def test_a_form_outlives_the_group_being_read_again(page: Page) -> None:
    page.keyboard.press("e")
    page.keyboard.type("midrib")
    page.keyboard.press("ArrowLeft")
    page.evaluate("Review.fresh()")
    page.wait_for_timeout(200)
    page.keyboard.type("XY")
    page.wait_for_timeout(700)
    expect(page.locator("#reason")).to_have_value("midriXYb")
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#drafts li")).to_have_count(1)


def test_an_empty_form_does_not_hold_the_reviewer_back(page: Page) -> None:
    page.keyboard.press("e")
    page.locator("#next").click()
    expect(page.locator("#group-title")).to_have_text("day0 · plant p2")


def test_brackets_by_the_thousand_are_a_bad_request(client) -> None:
    for text in ("[" * 100_000, '{"by":' * 100_000, "[" * 100_000 + "]" * 100_000):
        answer = client.post("/api/decisions", data=text, content_type="application/json")
        assert answer.status_code == 400
    answer = client.post("/api/undo", data="[" * 100_000, content_type="application/json")
    assert answer.status_code == 400
    assert json.loads(answer.data)["problems"][0]["mend"] == "Reload the page."


@pytest.mark.parametrize("sign", ["\N{FULLWIDTH EQUALS SIGN}", "\N{FULLWIDTH PLUS SIGN}", "=", "@"])
def test_a_reason_that_begins_with_a_formula_sign_is_refused(study: Path, sign: str) -> None:
    asked = [Asked(desks.OUTLIER, "exclude", f"{sign}1+1", None)]
    with pytest.raises(InputFault) as caught:
        save(study, {desks.OUTLIER}, asked, "A. Grower", "2026-05-17T09:00:00")
    assert "begins with a word" in caught.value.problems[0].expected
