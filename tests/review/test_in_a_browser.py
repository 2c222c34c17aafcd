"""The review as a person meets it, in a real browser: keys, pictures, nothing from outside."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from pathlib import Path

import chromium
import desks
import pytest
from chromium import Chromium

from leafledger.review.desk import Desk
from leafledger.review.server import open_server

pytestmark = pytest.mark.skipif(chromium.PROGRAM is None, reason="needs the program chromium")
READY = "document.querySelector('#figures svg')"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    with Chromium(tmp_path_factory.mktemp("profile")) as one:
        yield one


def served(desk: Desk) -> Iterator[str]:
    server, guard = open_server(desk, 0)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield guard.address
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def address(desk: Desk) -> Iterator[str]:
    yield from served(desk)


def title(browser: Chromium) -> str:
    return str(browser.value("document.getElementById('group-title').textContent"))


def press_until(browser: Chromium, key: str, wanted: str) -> None:
    for _ in range(12):
        before = title(browser)
        if wanted in before:
            return
        browser.press(key)
        browser.wait(f"document.getElementById('group-title').textContent != {before!r}")
    raise AssertionError(f"{wanted} was not reached; last {title(browser)}")


def decide(browser: Chromium, key: str, words: str) -> None:
    browser.press(key)
    browser.wait("document.activeElement.id == 'reason'")
    browser.type(words)
    browser.press("Enter")
    browser.wait("!document.getElementById('save').disabled")


def test_a_decision_made_with_keys_lands_in_the_file(
    browser: Chromium, address: str, study: Path
) -> None:
    browser.events.clear()
    browser.size(1280, 900)
    browser.go(address, READY)
    assert title(browser) == "day0 · darks"
    press_until(browser, "n", "day12 · plant p2")
    chosen = "document.querySelector('.scan.chosen h3').textContent"
    assert browser.value(chosen) == f"3. {desks.OUTLIER}"
    assert browser.value("document.getElementById('progress-words').textContent") == (
        "2 of 2 flagged groups seen"
    )
    decide(browser, "e", "clip slipped")
    browser.press("s")
    browser.wait("document.activeElement.id == 'by'")
    browser.type("B. <b>Keeper</b>")
    browser.value("document.getElementById('by').blur()")
    browser.press("s")
    browser.wait("!document.getElementById('after').hidden")
    (row,) = (study / "decisions.csv").read_text().splitlines()[1:]
    assert row.startswith(f"{desks.OUTLIER},exclude,clip slipped,B. <b>Keeper</b>,20")
    browser.wait("document.querySelector('#rerun li')")
    browser.press("u")
    browser.wait("document.getElementById('undo').disabled")
    assert (study / "decisions.csv").read_text() == "scan,action,reason,by,when\n"
    assert browser.troubles() == []
    outside = [url for url in browser.requests() if not url.startswith(address.split("?")[0])]
    assert outside == []


def test_hostile_names_stay_text(browser: Chromium, address: str) -> None:
    browser.go(address, READY)
    press_until(browser, "n", "day12 · plant p2")
    text = browser.value("document.getElementById('scans').textContent")
    assert desks.HOSTILE in text
    assert desks.HOSTILE_FILE in text
    assert browser.value("document.title") == "Review of scans"
    assert browser.value("document.querySelectorAll('main img, main i').length") == 0


def test_no_treatment_stands_on_the_page(browser: Chromium, address: str) -> None:
    browser.go(address, READY)
    seen = {title(browser)}
    for _ in range(9):
        text = browser.value("document.documentElement.outerHTML").lower()
        assert not [word for word in desks.LABELS if word in text], title(browser)
        before = title(browser)
        browser.press("n")
        browser.wait(f"document.getElementById('group-title').textContent != {before!r}")
        seen.add(title(browser))
    assert len(seen) == 10


def test_the_later_of_two_reviewers_is_told(browser: Chromium, address: str, study: Path) -> None:
    browser.go(address, READY)
    browser.value("sessionStorage.setItem('review-by', 'Second')")
    browser.go(address, READY)
    press_until(browser, "n", "day12 · plant p2")
    decide(browser, "k", "a pale leaf, sound")
    other = Desk(study)
    other.save("First", [desks.asked(desks.OUTLIER, "exclude", "clip open")])
    browser.press("s")
    browser.wait("document.querySelector('#problems .problem')")
    told = browser.value("document.getElementById('problems').textContent")
    assert "First decided meanwhile: exclude (clip open)" in told
    assert "Second" not in (study / "decisions.csv").read_text()
    browser.press("s")
    browser.wait("!document.getElementById('drafts').children.length")
    rows = (study / "decisions.csv").read_text().splitlines()[1:]
    assert [row.split(",")[1] for row in rows] == ["exclude", "keep"]


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_fits_and_every_control_has_a_name(
    browser: Chromium, address: str, width: int
) -> None:
    browser.size(width, 844)
    browser.go(address, READY)
    press_until(browser, "n", "day12 · plant p2")
    browser.press("e")
    browser.wait("document.activeElement.id == 'reason'")
    assert browser.value("document.documentElement.scrollWidth <= innerWidth")
    nameless = """[...document.querySelectorAll('input, button, progress')].filter(e =>
        !(e.labels && e.labels.length) && !e.textContent.trim() && !e.ariaLabel).length"""
    assert browser.value(nameless) == 0
    small = """[...document.querySelectorAll('button')].filter(e => e.offsetParent
        && e.getBoundingClientRect().height < 24).length"""
    assert browser.value(small) == 0
    landmarks = "['header', 'nav', 'main'].map(n => document.querySelectorAll(n).length).join()"
    assert browser.value(landmarks) == "1,1,1"
    assert browser.value("document.querySelector('svg.plot').getAttribute('aria-label')")
    ids = "[...document.querySelectorAll('[id]')].map(e => e.id)"
    assert browser.value(f"new Set({ids}).size == {ids}.length")


def test_tab_reaches_every_control_in_reading_order(browser: Chromium, address: str) -> None:
    browser.size(1280, 900)
    browser.go(address, READY)
    browser.value("document.body.focus()")
    reached: list[str] = []
    where = "(e => e.id || e.textContent.trim())(document.activeElement)"
    for _ in range(40):
        browser.press("Tab")
        place = str(browser.value(where))
        if place in reached:
            break
        reached.append(place)
    named = [re.sub(r"▲.*| seen", "", place).strip() for place in reached]
    order = ["To the scans", "by", "flagged-only", "day0 · darks", "day12 · p10", "next", "Keys"]
    assert [place for place in named if place in order] == order


@pytest.mark.slow
def test_a_rerun_from_the_page_touches_what_it_should(browser: Chromium, ran_study: Path) -> None:
    desk = Desk(ran_study, "A. Grower")
    for address in served(desk):
        browser.events.clear()
        browser.size(1280, 900)
        browser.go(address, READY)
        assert "chelate" not in browser.value("document.documentElement.outerHTML").lower()
        press_until_leaves(browser)
        decide(browser, "e", "clip slipped")
        browser.press("s")
        browser.wait("document.querySelector('#rerun .stages')")
        planned = browser.value("document.querySelector('#rerun .stages').textContent")
        assert "acceptance" in planned
        for rule in ("intake", "reflectance", "quality"):
            assert rule not in re.findall(r"\w+", planned)
        browser.value("document.querySelector('#rerun button').click()")
        for _ in range(600):
            if desk.rerun.progress()["state"] not in {"idle", "running"}:
                break
            threading.Event().wait(0.5)
        assert desk.rerun.progress()["state"] == "done", desk.rerun.progress()
        ran = {entry["task"] for entry in desk.rerun.progress()["ended"]}
        assert {"acceptance", "unit_means", "effects", "report"} <= ran
        assert not [task for task in ran if task.split(".")[0] in {"intake", "reflectance"}]
        browser.wait("document.querySelector('#rerun button')")
        browser.value("document.querySelector('#rerun button').click()")
        browser.wait("document.querySelector('#effects table')")
        table = browser.value("document.getElementById('effects').textContent")
        assert "as analysed" in table
        assert "with every scan" in table
        assert "clip slipped" in table
        assert browser.value("document.querySelectorAll('.notice').length") == 0
        assert browser.troubles() == []


def press_until_leaves(browser: Chromium) -> None:
    """Go to the first group of leaves."""
    browser.value("document.querySelector('#groups button').click()")
    browser.wait("document.querySelector('[data-action=exclude]')")
    browser.value("document.activeElement.blur()")
