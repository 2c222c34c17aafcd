"""The review as a person meets it, in a real browser: keys, pictures, nothing from outside."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from browser import DESKTOP, SIZES, Watched
from leafledger.review.review_session import ReviewSession

from . import invented_study

Opened = Callable[[], Page]


def title(page: Page) -> str:
    return str(page.locator("#group-title").text_content())


def press_until(page: Page, key: str, wanted: str) -> None:
    for _ in range(12):
        before = title(page)
        if wanted in before:
            return
        page.keyboard.press(key)
        expect(page.locator("#group-title")).not_to_have_text(before)
    raise AssertionError(f"{wanted} was not reached; last {title(page)}")


def decide(page: Page, key: str, words: str) -> None:
    page.keyboard.press(key)
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.type(words)
    page.keyboard.press("Enter")
    expect(page.locator("#save")).to_be_enabled()


def test_a_decision_made_with_keys_lands_in_the_file(opened: Opened, study: Path) -> None:
    page = opened()
    assert title(page) == "day0 · darks"
    press_until(page, "n", "day12 · plant p2")
    expect(page.locator(".scan.chosen h3")).to_have_text(f"3. {invented_study.OUTLIER}")
    expect(page.locator("#progress-words")).to_have_text("2 of 2 flagged groups seen")
    decide(page, "e", "clip slipped")
    page.keyboard.press("s")
    expect(page.locator("#by")).to_be_focused()
    page.keyboard.type("B. <b>Keeper</b>")
    page.evaluate("document.getElementById('by').blur()")
    page.keyboard.press("s")
    expect(page.locator("#after")).to_be_visible()
    (row,) = (study / "decisions.csv").read_text().splitlines()[1:]
    assert row.startswith(f"{invented_study.OUTLIER},exclude,clip slipped,B. <b>Keeper</b>,20")
    expect(page.locator("#rerun li").first).to_be_visible()
    page.keyboard.press("u")
    expect(page.locator("#undo")).to_be_disabled()
    assert (study / "decisions.csv").read_text().count("\n") == 1


def test_a_spike_outside_the_trusted_range_does_not_set_the_scale(opened: Opened) -> None:
    page = opened()
    heights = """(scale) => {
      const points = [[400, 90], [500, 0.1], [600, 0.3], [700, 0.2]];
      const one = { points, look: 0, strong: false, label: "1" };
      const svg = Draw.plot({ lines: [one], scale, width: 700, height: 300, words: "", y: "" });
      const ticks = [...svg.querySelectorAll("text[text-anchor=end]")];
      return ticks.map((tick) => parseFloat(tick.textContent));
    }"""
    assert max(page.evaluate(heights, None)[:-1]) >= 50
    assert max(page.evaluate(heights, [450, 700])[:-1]) < 0.5
    assert max(page.evaluate(heights, [800, 900])[:-1]) >= 50  # no point in it: all of them


def test_labels_of_a_figure_end_inside_it_and_are_written_like_numbers(opened: Opened) -> None:
    page = opened()
    seen = page.evaluate("""() => {
      const points = [[400, -12000], [500, 0], [600, 46000]];
      const one = { points, look: 0, strong: true, label: "11 \u25b2" };
      const y = "counts less the median of the sound ones of the same integration time";
      const svg = Draw.plot({ lines: [one], width: 330, height: 180, words: "", y });
      document.getElementById("figures").replaceChildren(svg);
      const frame = svg.getBoundingClientRect();
      return [...svg.querySelectorAll("text")].map((text) => {
        const box = text.getBoundingClientRect();
        const wide = box.left >= frame.left - 1 && box.right <= frame.right + 1;
        const high = box.top >= frame.top - 1 && box.bottom <= frame.bottom + 1;
        return [text.textContent, wide && high];
      });
    }""")
    assert [text for text, inside in seen if not inside] == []
    words = {text for text, _ in seen}
    assert "40\N{THIN SPACE}000" in words and not [w for w in words if w.startswith("-")]


def test_of_many_groups_the_first_flagged_one_is_opened(opened: Opened, watched: Watched) -> None:
    first = {}

    def crowded(route: Route) -> None:
        study = route.fetch().json()
        quiet = [g for g in study["groups"] if not g["flagged"]]
        study["groups"] += [{**quiet[0], "name": f"filler{k}"} for k in range(60)]
        first["flagged"] = next(g for g in study["references"] + study["groups"] if g["flagged"])
        route.fulfill(json=study)

    watched.page.route("**/api/study", crowded)
    page = opened()
    assert page.locator("#flagged-only").is_checked()
    assert page.locator("nav [aria-current]").count() == 1
    assert title(page).startswith(first["flagged"]["session"])
    assert "group 1 of" in page.locator("#group-place").inner_text()


def test_hostile_names_stay_text(opened: Opened) -> None:
    page = opened()
    press_until(page, "n", "day12 · plant p2")
    text = page.locator("#scans").text_content() or ""
    assert invented_study.HOSTILE in text
    assert invented_study.HOSTILE_FILE in text
    assert page.title() == "Review of scans"
    assert page.locator("main img, main i").count() == 0


def test_no_treatment_stands_on_the_page(opened: Opened) -> None:
    page = opened()
    seen = {title(page)}
    for _ in range(9):
        text = page.content().lower()
        assert not [word for word in invented_study.LABELS if word in text], title(page)
        before = title(page)
        page.keyboard.press("n")
        expect(page.locator("#group-title")).not_to_have_text(before)
        seen.add(title(page))
    assert len(seen) == 10


def test_the_later_of_two_reviewers_is_told(opened: Opened, study: Path) -> None:
    page = opened()
    page.locator("#by").fill("Second")
    page.evaluate("document.getElementById('by').blur()")
    press_until(page, "n", "day12 · plant p2")
    decide(page, "k", "a pale leaf, sound")
    other = ReviewSession(study)
    other.save("First", [invented_study.asked(invented_study.OUTLIER, "exclude", "clip open")])
    page.keyboard.press("s")
    expect(page.locator("#problems .problem")).to_contain_text(
        "First decided meanwhile: exclude (clip open)"
    )
    assert "Second" not in (study / "decisions.csv").read_text()
    for _ in range(60):  # keys are not taken while the group is loaded once more
        page.keyboard.press("s")
        page.wait_for_timeout(500)
        if page.locator("#drafts li").count() == 0:
            break
    expect(page.locator("#drafts li")).to_have_count(0)
    rows = (study / "decisions.csv").read_text().splitlines()[1:]
    assert [row.split(",")[1] for row in rows] == ["exclude", "keep"]


def test_a_scan_that_changed_since_its_decision_is_marked(
    opened: Opened, watched: Watched, study: Path
) -> None:
    scan, digest = "day12-p1-1", "ab" * 32
    (study / "decisions.csv").write_text(
        f"scan,action,reason,by,when,scan_sha256\n{scan},keep,pale,A,,{digest}\n", encoding="utf-8"
    )
    page = opened()
    line = page.locator("#groups button", has_text="day12 · p1")
    expect(line.first).to_contain_text("changed")
    expect(page.locator("#progress-words")).to_contain_text("of 3 flagged")
    line.first.click()
    expect(page.locator(".scan.chosen .changed")).to_contain_text("changed since this decision")
    assert watched.barriers() == []
    page.evaluate("document.activeElement.blur()")
    decide(page, "e", "it is another leaf now")
    page.locator("#by").fill("B")
    page.locator("#save").click()
    expect(page.locator(".changed")).to_have_count(0)
    last = (study / "decisions.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert last.startswith(f"{scan},exclude,it is another leaf now,B,")
    assert digest not in last
    assert len(last.split(",")[-1]) == 64


@SIZES
def test_the_page_fits_and_every_control_has_a_name(
    opened: Opened, watched: Watched, size: tuple[int, int]
) -> None:
    watched.size(size)
    page = opened()
    press_until(page, "n", "day12 · plant p2")
    page.keyboard.press("e")
    expect(page.locator("#reason")).to_be_focused()
    assert watched.fits()
    nameless = """[...document.querySelectorAll('input, button, progress')].filter(e =>
        !(e.labels && e.labels.length) && !e.textContent.trim() && !e.ariaLabel).length"""
    assert page.evaluate(nameless) == 0
    small = """[...document.querySelectorAll('button')].filter(e => e.offsetParent
        && e.getBoundingClientRect().height < 24).length"""
    assert page.evaluate(small) == 0
    assert [page.locator(name).count() for name in ("header", "nav", "main")] == [1, 1, 1]
    assert page.locator("svg.plot").first.get_attribute("aria-label")
    ids = "[...document.querySelectorAll('[id]')].map(e => e.id)"
    assert page.evaluate(f"new Set({ids}).size == {ids}.length")


def test_tab_reaches_every_control_in_reading_order(opened: Opened) -> None:
    page = opened()
    page.evaluate("document.body.focus()")
    reached: list[str] = []
    where = "(e => e.id || e.textContent.trim())(document.activeElement)"
    for _ in range(40):
        page.keyboard.press("Tab")
        place = str(page.evaluate(where))
        if place in reached:
            break
        reached.append(place)
    named = [re.sub(r"▲.*| seen", "", place).strip() for place in reached]
    order = ["To the scans", "by", "flagged-only", "day0 · darks", "day12 · p10", "next", "Keys"]
    assert [place for place in named if place in order] == order


MARKED = """(() => {
  const here = document.activeElement, style = getComputedStyle(here);
  here.dataset.reached = 1;
  return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
})()"""
LEFT = """[...document.querySelectorAll("a[href], button, input, summary")].filter(
  (e) => !e.disabled && e.checkVisibility() && !e.dataset.reached).map((e) => e.outerHTML)"""


def tab_to(page: Page, found: str) -> None:
    """Press Tab until an expression about the focused element ``e`` holds."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate(f"(e => Boolean({found}))(document.activeElement)"):
            return
    raise AssertionError(f"Tab does not reach: {found}")


def test_without_a_mouse_everything_is_reached_and_seen(opened: Opened, study: Path) -> None:
    page = opened()
    press_until(page, "n", "day12 · plant p2")
    page.evaluate("document.activeElement.blur()")
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement === document.body"):
            break
        assert page.evaluate(MARKED), page.evaluate("document.activeElement.outerHTML")
    assert page.evaluate(LEFT) == []
    tab_to(page, "e.id == 'by'")
    page.keyboard.type("A. Grower")
    tab_to(page, f"e.ariaLabel == 'exclude {invented_study.OUTLIER}'")
    page.keyboard.press("Enter")
    expect(page.locator("#reason")).to_be_focused()
    page.keyboard.type("clip slipped")
    tab_to(page, "e.textContent == 'Exclude'")
    page.keyboard.press("Enter")
    tab_to(page, "e.id == 'save'")
    page.keyboard.press("Space")
    expect(page.locator("#after")).to_be_visible()
    assert ",clip slipped,A. Grower," in (study / "decisions.csv").read_text()


def test_on_paper_it_fits_and_shows_no_controls(opened: Opened, watched: Watched) -> None:
    page = opened()
    press_until(page, "n", "day12 · plant p2")
    watched.as_print()
    watched.size((700, 1000))
    assert watched.fits()
    expect(page.locator(".scan h3").first).to_be_visible()
    for hidden in ("nav", "#next", "[data-action=exclude]", "#keys"):
        expect(page.locator(hidden).first).to_be_hidden()


@SIZES
def test_nothing_keeps_people_out(opened: Opened, watched: Watched, size: tuple[int, int]) -> None:
    watched.size(size)
    page = opened()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert watched.barriers() == []
    page.emulate_media(color_scheme="light")
    press_until(page, "n", "day12 · plant p2")
    page.locator("#keys summary").click()
    page.locator("[data-action=exclude]").last.click()
    expect(page.locator("#reason")).to_be_focused()
    assert watched.barriers() == []
    page.locator("#reason").fill("clip slipped")
    page.keyboard.press("Enter")
    page.locator("#by").fill("A. Grower")
    page.locator("#save").click()
    expect(page.locator("#rerun li").first).to_be_visible()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert watched.barriers() == []


@pytest.mark.slow
def test_a_rerun_from_the_page_touches_what_it_should(
    watched: Watched, ran_study: Path, served: Callable[[ReviewSession], str]
) -> None:
    sitting = ReviewSession(ran_study, "A. Grower")
    address = served(sitting)
    watched.allow(address.split("?")[0])
    watched.size(DESKTOP)
    page = watched.page
    page.goto(address)
    expect(page.locator("#figures svg").first).to_be_visible()
    assert "chelate" not in page.content().lower()
    page.locator("#groups button").first.click()
    expect(page.locator("[data-action=exclude]").first).to_be_visible()
    page.evaluate("document.activeElement.blur()")
    decide(page, "e", "clip slipped")
    page.keyboard.press("s")
    stages = page.locator("#rerun .stages")
    expect(stages).to_contain_text("acceptance")
    planned = re.findall(r"\w+", stages.text_content() or "")
    assert not {"intake", "reflectance", "quality"} & set(planned)
    page.get_by_role("button", name="Run now").click()
    result = page.get_by_role("button", name="Show the result with and without exclusions")
    result.wait_for(timeout=300_000)
    assert sitting.rerun.progress()["state"] == "done", sitting.rerun.progress()
    ran = {entry["task"] for entry in sitting.rerun.progress()["ended"]}
    assert {"acceptance", "unit_means", "effects", "report"} <= ran
    assert not [task for task in ran if task.split(".")[0] in {"intake", "reflectance"}]
    result.click()
    expect(page.locator("#effects table")).to_be_visible()
    for words in ("as analysed", "with every scan", "clip slipped", "move the estimate by"):
        expect(page.locator("#effects")).to_contain_text(words)
    expect(page.locator(".notice")).to_have_count(0)
    assert watched.barriers() == []


@SIZES
def test_a_decision_is_taken_above_the_fold_and_the_next_undecided_comes_by_a_key(
    opened: Opened, watched: Watched, size: tuple[int, int]
) -> None:
    watched.size((1440, 900) if size == DESKTOP else size)
    page = opened()
    expect(page.locator("#decide")).to_be_hidden()  # references are not decided
    page.keyboard.press("d")
    expect(page.locator("#group-title")).to_have_text("day12 · plant p2")
    page.evaluate("scrollTo(0, 0)")
    bar = page.locator("#decide")
    expect(bar).to_contain_text(invented_study.OUTLIER)
    expect(bar).to_contain_text("not decided")
    for words in ("Exclude…", "Keep…"):
        box = bar.get_by_role("button", name=re.compile(words[:-1], re.IGNORECASE)).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= page.evaluate("innerHeight"), words
    # The badge names the rule, in the words of the report where it has some.
    expect(page.locator(".scan.chosen .badge").first).to_have_text("▲ replicates (outlier)")
    decide(page, "e", "clip slipped")
    expect(bar).to_contain_text("exclude, not saved yet")
    page.keyboard.press("d")
    expect(page.locator("#status")).to_have_text("Every flagged scan is decided.")


def test_figures_keep_their_scale_from_group_to_group(opened: Opened) -> None:
    page = opened()
    page.locator("#groups button").first.click()
    seen = set()
    for _ in range(4):
        before = title(page)
        ticks = page.locator("#figures svg").first.locator("text[text-anchor=end]")
        seen.add(tuple(ticks.all_text_contents()))
        page.keyboard.press("n")
        expect(page.locator("#group-title")).not_to_have_text(before)
    assert len(seen) <= 2  # one scale for each session at most, as the next is brighter
