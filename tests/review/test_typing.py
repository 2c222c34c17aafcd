"""Keys act on what is shown or not at all, and a form never disappears under the typist."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from browser import Watched
from leafledger.errors import InputFault
from leafledger.study.sheet_changes import DecisionRequest, save

from . import invented_study

Opened = Callable[[], Page]
WORDS = "midrib under clip, seen"


class Late:
    """Groups that were asked for and come only when the test lets them."""

    def __init__(self) -> None:
        self.routes: list[Route] = []

    def hold(self, route: Route) -> None:
        """Keep a request until it may be answered."""
        self.routes.append(route)

    def come(self, page: Page) -> None:
        """Let the groups that were asked for come, once there is one."""
        for _ in range(500):
            if self.routes:
                break
            page.wait_for_timeout(20)
        while self.routes:
            self.routes.pop(0).continue_()


@pytest.fixture
def late() -> Late:
    return Late()


@pytest.fixture
def page(opened: Opened, watched: Watched, late: Late) -> Iterator[Page]:
    """Return the review at a group of leaves, whose other groups come late."""
    page = opened()
    page.get_by_role("button", name="day0 · p1", exact=True).click()
    expect(page.locator("#group-title")).to_have_text("day0 · plant p1")
    page.locator("#look").focus()
    watched.page.route(re.compile("/api/(leaves|references)/"), late.hold)
    yield page
    for route in late.routes:
        route.continue_()


def test_a_key_pressed_while_a_group_loads_decides_nothing(page: Page, late: Late) -> None:
    page.keyboard.press("n")
    page.keyboard.press("e")
    expect(page.locator("#status")).to_contain_text("not there yet")
    page.keyboard.press("e")  # however long that took: the words follow at once
    page.keyboard.type(WORDS[:8])
    late.come(page)
    page.keyboard.type(WORDS[8:], delay=30)  # in the midst of it the group is there
    page.keyboard.press("Enter")
    expect(page.locator("#group-title")).to_have_text("day0 · plant p2")
    expect(page.locator("#scans .reason")).to_have_count(0)
    expect(page.locator("#drafts li")).to_have_count(0)
    page.wait_for_timeout(1500)
    page.keyboard.press("e")
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.type(WORDS)
    page.keyboard.press("Enter")
    expect(page.locator("#drafts li")).to_have_text(re.compile(f": {WORDS}$"))


def test_a_form_opened_while_a_group_loads_keeps_its_group(page: Page, late: Late) -> None:
    page.keyboard.press("n")
    expect(page.locator("#look")).to_have_attribute("aria-busy", "true")
    page.locator("#scans [data-action=exclude]").first.click()
    page.keyboard.type(WORDS)
    late.come(page)
    page.wait_for_timeout(500)
    expect(page.locator("#group-title")).to_have_text("day0 · plant p1")
    expect(page.locator("#reason")).to_have_value(WORDS)
    expect(page.locator("#reason")).to_be_focused()


def test_a_form_with_words_outlives_every_button(page: Page, late: Late) -> None:
    page.keyboard.press("e")
    page.keyboard.type(WORDS)
    for button in ("#next", "#flagged-only", "#flagged-only"):
        page.locator(button).click()
    page.locator("#scans [data-action=keep]").last.click()
    page.get_by_role("button", name="day0 · p2", exact=True).click()
    page.wait_for_timeout(300)
    assert late.routes == [], "no other group is asked for"
    expect(page.locator("#group-title")).to_have_text("day0 · plant p1")
    expect(page.locator("#reason")).to_have_value(WORDS)
    expect(page.locator("#scans .reason")).to_have_count(1)
    page.keyboard.press("Escape")
    expect(page.locator("#scans .reason")).to_have_count(0)


def test_a_form_outlives_the_group_being_read_again(page: Page, late: Late) -> None:
    page.keyboard.press("e")
    page.keyboard.type("midrib")
    page.keyboard.press("ArrowLeft")
    page.evaluate("void Review.fresh()")
    late.come(page)
    expect(page.locator("#look")).to_have_attribute("aria-busy", "false")
    page.keyboard.type("XY")
    expect(page.locator("#reason")).to_have_value("midriXYb")
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#drafts li")).to_have_count(1)


def test_an_empty_form_does_not_hold_the_reviewer_back(page: Page, late: Late) -> None:
    page.keyboard.press("e")
    page.locator("#next").click()
    late.come(page)
    expect(page.locator("#group-title")).to_have_text("day0 · plant p2")


def test_brackets_by_the_thousand_are_a_bad_request(client) -> None:
    for text in ("[" * 100_000, '{"by":' * 100_000, "[" * 100_000 + "]" * 100_000):
        answer = client.post("/api/decisions", data=text, content_type="application/json")
        assert answer.status_code == 400
    odd = ("[" * 100_000, "", "{", "[]", "1", '"a"', "null", '{"a": 1}', b"\xff\xfe{}")
    for path in ("/api/rerun", "/api/effects"):
        for text in odd:
            answer = client.post(path, data=text, content_type="application/json")
            assert answer.status_code == 400, (path, text[:9])
            assert answer.json["problems"][0]["file"] == "the request"
    assert client.get("/api/progress").json["state"] == "idle", "none has started a run"
    answer = client.post("/api/undo", data="[" * 100_000, content_type="application/json")
    assert answer.status_code == 400
    assert json.loads(answer.data)["problems"][0]["mend"] == "Reload the page."


@pytest.mark.parametrize("sign", ["\N{FULLWIDTH EQUALS SIGN}", "\N{FULLWIDTH PLUS SIGN}", "=", "@"])
def test_a_reason_that_begins_with_a_formula_sign_is_refused(study: Path, sign: str) -> None:
    asked = [DecisionRequest(invented_study.OUTLIER, "exclude", f"{sign}1+1", None)]
    with pytest.raises(InputFault) as caught:
        save(study, {invented_study.OUTLIER}, asked, "A. Grower", "2026-05-17T09:00:00")
    assert "begins with a word" in caught.value.problems[0].expected
