"""The figures that answer the pointer, in a real browser: drawn, closed to the network, told true.

The fixture ``watched`` fails a test when the console complains, a script throws or anything is
asked of a network.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import Page, expect

from browser import DESKTOP, PHONE, SIZES, Watched
from leafledger.report.stage import run

from . import tables

pytestmark = pytest.mark.slow
BAD = "</script><img src=x onerror=alert(1)>"
LIVE = ("courses", "spectra", "difference", "path", "terms")


def opened(watched: Watched, report: Path, size: tuple[int, int] = DESKTOP) -> Page:
    watched.size(size)
    page = watched.open_file(report)
    unfold(page)
    return page


def unfold(page: Page) -> None:
    """Open all folded parts; a figure in one is drawn then."""
    expect(page.locator("html[data-live=drawn]")).to_be_attached(timeout=90_000)
    page.locator("#open-all").dispatch_event("click")
    expect(page.locator("[data-live]:not(html):not([data-drawn])")).to_have_count(0, timeout=90_000)


def report_of(made: tables.Made) -> Path:
    return made.job().outputs["report"]


@pytest.fixture(scope="module")
def hostile(tmp_path_factory) -> tables.Made:
    plan = tables.Plan(
        title=BAD,
        treatments=(BAD, "$\\foo$ & <b>bold</b> %{x}"),
        cultivars=("<b>Kestrel</b>", BAD),
        sessions=("day0", "day4"),
        n_units=8,
        indices=("NDVI", "CI_rededge"),
        max_components=3,
        repeats=2,
        unit_word="<i>plant</i>",
    )
    made = tables.make(tmp_path_factory.mktemp("hostile"), plan)
    run(made.job())
    return made


def lines_of(page: Page, name: str) -> int:
    """Return how many traces of a figure are drawn as lines or symbols."""
    return int(page.locator(f"#drawn-{name} .scatterlayer .trace").count())


def single_scans(page: Page) -> None:
    """Switch single scans on; the means of the groups stand first."""
    page.locator("[data-live=spectra]").get_by_label("single scans").check()


def point_at_a_line(page: Page) -> str:
    """Move the pointer over the spectra until it is told of one, and return what is told."""
    single_scans(page)
    area = page.locator("#drawn-spectra .nsewdrag")
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    assert box is not None
    told = page.locator("#drawn-spectra .hovertext")
    for down in (0.1, 0.12, 0.14, 0.16, 0.18, 0.2, 0.25, 0.3):
        page.mouse.move(box["x"] + 0.8 * box["width"], box["y"] + down * box["height"])
        page.wait_for_timeout(250)
        if told.count():
            return "|".join(told.locator("tspan").all_text_contents()) or str(told.text_content())
    raise AssertionError("the pointer was told of no line")


@SIZES
def test_every_figure_is_drawn_and_fits(whole, watched, size):
    page = opened(watched, report_of(whole), size)
    for name in LIVE:
        assert lines_of(page, name) > 0, name
        figure = page.locator(f"figure:has([data-live={name}])")
        assert figure.evaluate("f => f.classList.contains('on')")
        expect(figure.locator(".frame")).to_be_hidden()
        box = page.locator(f"#drawn-{name}").bounding_box()
        assert box is not None and 200 < box["width"] <= size[0] and box["height"] > 250
    assert watched.fits()
    assert page.locator(".modebar").count() == 0


@SIZES
def test_words_of_a_figure_do_not_lie_over_each_other(whole, watched, size):
    page = opened(watched, report_of(whole), size)
    for name in LIVE:
        over = page.locator(f"#drawn-{name}").evaluate(
            """plot => {
              const words = '.xtick text, .ytick text, .y2tick text, .gtitle, .xtitle, .ytitle,'
                + '.y2title, .annotation-text';
              const boxes = [...plot.querySelectorAll(words)].map(
                (t) => [t.textContent, t.getBoundingClientRect()]);
              const out = [];
              boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
                const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
                const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
                if (wide > 1 && high > 1) out.push(`${a} | ${b}`);
              }));
              return out;
            }"""
        )
        assert over == [], (name, size)


def test_a_line_tells_its_file_and_digest(whole, watched):
    page = opened(watched, report_of(whole))
    told = point_at_a_line(page)
    scans = {
        str(row["scan"]): row
        for session in whole.plan.sessions
        for row in whole_rows(whole, session)
    }
    named = next(scan for scan in scans if f"scan {scan}|" in told)
    assert str(scans[named]["file"]) in told
    assert f"sha256 {scans[named]['file_sha256'][:12]}" in told
    assert "day12" in told and ("chelate" in told or "water" in told) and "leaf " in told


def whole_rows(made: tables.Made, session: str) -> list[dict[str, str]]:
    frame = pd.read_parquet(
        made.inputs[f"scans/{session}"], columns=["scan", "file", "file_sha256"]
    )
    return frame.to_dict("records")


def test_a_scan_left_out_is_told_by_key_with_its_rule_and_drawn_dashed(whole, watched):
    page = opened(watched, report_of(whole))
    live = page.locator("[data-live=spectra]")
    single_scans(page)
    for session in whole.plan.sessions:
        live.get_by_label(session, exact=True).check()
    live.get_by_label("accepted", exact=True).uncheck()
    left_out = pd.read_csv(whole.inputs["accepted"]).query("not accepted")["scan"].tolist()
    expect(live.locator(".said")).to_contain_text(f"Drawn: {len(left_out)} scans (0 accepted")
    dashes = page.locator("#drawn-spectra .scatterlayer .trace path.js-line").evaluate_all(
        "lines => lines.map(line => line.style.strokeDasharray)"
    )
    assert dashes and all(d not in ("", "none") for d in dashes)
    live.locator("select").last.select_option(label=left_out[0])
    expect(live.locator(".told")).to_contain_text("left out: lines of room lamps")
    expect(live.locator(".told")).to_contain_text(f"scan {left_out[0]}")


def test_groups_and_sessions_are_switched_off(whole, watched):
    page = opened(watched, report_of(whole))
    live = page.locator("[data-live=spectra]")
    single_scans(page)
    before = lines_of(page, "spectra")
    live.get_by_label("water").uncheck()
    expect(live.locator(".said")).to_contain_text("Drawn: 36 scans")
    assert lines_of(page, "spectra") < before
    live.get_by_label("day12").uncheck()
    expect(live.locator(".said")).to_contain_text("Drawn: 0 scans")
    assert lines_of(page, "spectra") == 0


def test_means_with_their_spread_stand_first_and_scans_behind_a_switch(whole, watched):
    page = opened(watched, report_of(whole))
    live = page.locator("[data-live=spectra]")
    expect(live.locator(".said")).to_contain_text(
        "Mean with SD: water day12, n = 12; chelate day12, n = 12."
    )
    # A line, its marks and two edges of its band for each group.
    assert lines_of(page, "spectra") == 8
    expect(live.get_by_label("accepted", exact=True)).to_be_hidden()
    single_scans(page)
    expect(live.get_by_label("accepted", exact=True)).to_be_visible()
    expect(live.locator(".said")).to_contain_text("Drawn: ")


def test_a_switch_does_not_move_the_axis_of_an_index(whole, watched):
    page = opened(watched, report_of(whole))
    live = page.locator("[data-live=courses]")

    def axis():
        return page.locator("#drawn-courses").evaluate("plot => plot.layout.yaxis.range")

    before = axis()
    live.get_by_label("chelate").uncheck()
    expect(live.locator(".said")).to_have_text("CI_rededge: water, n = 12")
    assert axis() == before
    names = page.locator("#drawn-courses .annotation-text").all_text_contents()
    assert names == ["water"]


def test_lineage_opens_beside_the_number_and_closes_by_key(whole, watched):
    page = watched.open_file(report_of(whole))
    expect(page.locator("html[data-live=drawn]")).to_be_attached(timeout=90_000)
    top = page.evaluate("scrollY")
    link = page.locator("a.origin:has(svg)").filter(visible=True).first
    link.focus()
    page.keyboard.press("Enter")
    panel = page.get_by_role("dialog")
    expect(panel).to_be_visible()
    expect(panel).to_contain_text("SHA-256")
    expect(panel).to_contain_text("leafledger trace . ")
    box, at = panel.bounding_box(), link.bounding_box()
    assert box is not None and at is not None
    assert abs(box["y"] - at["y"]) < 120 and page.evaluate("scrollY") - top < 800
    assert watched.barriers() == []
    page.keyboard.press("Escape")
    expect(panel).to_have_count(0)
    assert link.evaluate("a => a === document.activeElement")
    # The rest of it is one more click away, in the appendix.
    link.click()
    page.get_by_role("link", name="All of it, in the appendix").click()
    expect(panel).to_have_count(0)
    expect(page.locator(":target")).to_be_visible()


def test_text_of_every_figure_is_at_least_8_points_on_a_screen(whole, watched):
    page = opened(watched, report_of(whole), (1280, 800))
    small = page.evaluate(
        """() => [...document.querySelectorAll('svg.plot')].flatMap((plot) => {
          const scale = plot.getBoundingClientRect().width / plot.viewBox.baseVal.width;
          return [...plot.querySelectorAll('text')].map((t) => [plot.closest('figure').id,
            t.textContent, parseFloat(getComputedStyle(t).fontSize) * scale * 0.75]);
        }).filter(([, , points]) => points > 0 && points < 8)"""
    )
    assert small == []


def test_the_dark_page_has_dark_figures(whole, chromium):
    context = chromium.new_context(color_scheme="dark")
    page = context.new_page()
    page.goto(report_of(whole).resolve().as_uri())
    ground = page.locator("#fig-taken_for").evaluate("f => getComputedStyle(f).backgroundColor")
    assert max(int(x) for x in re.findall(r"\d+", ground)[:3]) < 60
    plot = page.locator("#fig-taken_for .plot:visible")
    turned = plot.evaluate("p => getComputedStyle(p).filter")
    assert turned.startswith("invert")
    page.emulate_media(media="print")
    printed = plot.evaluate("p => getComputedStyle(p).filter")
    assert printed == "none"
    context.close()


def test_the_words_of_a_figure_open_by_a_button_and_stand_whole_in_print(whole, watched):
    page = watched.open_file(report_of(whole))
    caption = page.locator("#fig-taken_for figcaption")
    short = caption.locator(".words").bounding_box()
    caption.get_by_role("button", name="How to read it").click()
    whole_words = caption.locator(".words").bounding_box()
    assert short is not None and whole_words is not None
    assert whole_words["height"] > short["height"]
    caption.get_by_role("button", name="Less").click()
    watched.as_print()
    expect(caption.get_by_role("button")).to_be_hidden()
    clamp = caption.locator(".words").evaluate("w => getComputedStyle(w).display")
    assert clamp == "block"


def test_the_slider_moves_accuracy_confusion_and_loading_together(whole, watched):
    page = opened(watched, report_of(whole))
    path, terms = page.locator("[data-live=path] .said"), page.locator("[data-live=terms] .said")
    expect(path).to_contain_text("validation")
    expect(path).to_contain_text("4 latent variables (chosen)")
    curve = page.locator("#drawn-terms .scatterlayer .trace path.js-line").last
    ring = page.locator("#drawn-path .scatterlayer .trace").last.locator(".point").first
    old = (curve.get_attribute("d"), ring.get_attribute("transform"))
    page.locator("#lv").focus()
    page.keyboard.press("ArrowRight")
    expect(path).to_contain_text("with 5 latent variables.")
    expect(terms).to_contain_text("Latent variable 5:")
    shown = page.locator("details.step:not([hidden])")
    expect(shown).to_have_count(1)
    assert shown.get_attribute("data-n") == "5"
    new = (curve.get_attribute("d"), ring.get_attribute("transform"))
    assert old[0] != new[0] and old[1] != new[1]
    expect(page.locator("#lv-annex")).to_have_value(page.locator("#lv").input_value())
    page.get_by_role("button", name="Back to the chosen number").first.click()
    expect(terms).to_contain_text("Latent variable 4:")
    assert curve.get_attribute("d") == old[0]


def test_a_size_picked_on_the_curve_opens_its_matrix_and_loadings(whole, watched):
    watched.size(DESKTOP)
    page = watched.open_file(report_of(whole))
    expect(page.locator("[data-live=path][data-drawn]")).to_be_attached(timeout=90_000)
    expect(page.locator("details.step:not([hidden])")).to_be_hidden()
    page.locator("#drawn-path").scroll_into_view_if_needed()
    # The library's own marks lie below its layer for the pointer: click where the mark is.
    mark = page.locator("#drawn-path .scatterlayer .trace .point").nth(6).bounding_box()
    assert mark is not None
    page.mouse.move(mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2)
    page.wait_for_timeout(300)
    page.mouse.click(mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2)
    shown = page.locator("details.step:not([hidden])")
    expect(shown).to_be_visible()
    assert shown.get_attribute("data-n") == "7"
    expect(page.locator("[data-live=terms] .said")).to_contain_text("Latent variable 7:")


def test_an_index_is_chosen_and_a_plant_named(whole, watched):
    page = opened(watched, report_of(whole))
    live = page.locator("[data-live=courses]")
    expect(live.locator(".said")).to_contain_text("CI_rededge")
    live.locator("select").first.select_option(label="WI")
    expect(live.locator(".said")).to_have_text("WI: water, n = 12; chelate, n = 12")
    live.locator("select").last.select_option(label="p03")
    means = pd.read_csv(whole.inputs["unit_indices"]).query("unit == 'p03' and index == 'WI'")
    day12 = means.loc[means["session"] == "day12", "mean"].iloc[0]
    expect(live.locator(".told")).to_contain_text(f"day12 {float(f'{day12:.4g}'):g}")


def test_zooming_by_key_and_back(whole, watched):
    page = opened(watched, report_of(whole))
    live = page.locator("[data-live=difference]")

    def ticks() -> list[str]:
        # The library keeps no order among the ticks it adds again.
        page.wait_for_timeout(500)
        return sorted(page.locator("#drawn-difference .xtick text").all_text_contents(), key=float)

    before = ticks()
    live.get_by_role("button", name="Zoom in").focus()
    page.keyboard.press("Enter")
    assert ticks() != before
    live.get_by_role("button", name="Move left").click()
    live.get_by_role("button", name="Whole view").click()
    assert ticks() == before


@pytest.mark.parametrize("name", LIVE)
def test_a_figure_is_saved_without_a_network(whole, watched, tmp_path, name):
    page = opened(watched, report_of(whole))
    for form, start in (("svg", b"<svg"), ("png", b"\x89PNG")):
        with page.expect_download() as waiting:
            page.locator(f"[data-live={name}] [data-save={form}]").click()
        waiting.value.save_as(tmp_path / waiting.value.suggested_filename)
        saved = (tmp_path / f"{name}.{form}").read_bytes()
        assert saved.startswith(start) and len(saved) > 5_000


def test_a_still_figure_is_saved_too(whole, watched, tmp_path):
    page = opened(watched, report_of(whole))
    for form, start in (("svg", b"<svg"), ("png", b"\x89PNG")):
        with page.expect_download() as waiting:
            page.locator(f"#fig-effect_sizes [data-save={form}]").click()
        waiting.value.save_as(tmp_path / f"still.{form}")
        saved = (tmp_path / f"still.{form}").read_bytes()
        assert saved.startswith(start) and len(saved) > 5_000


def test_in_print_the_still_figures_stand(whole, watched):
    page = opened(watched, report_of(whole))
    watched.as_print()
    for name in LIVE:
        figure = page.locator(f"figure:has([data-live={name}])")
        expect(figure.locator(".frame .plot")).to_be_visible()
        expect(page.locator(f"#drawn-{name}")).to_be_hidden()
        expect(figure.locator("figcaption .live-words")).to_be_hidden()


def test_the_still_picture_can_be_asked_for(whole, watched):
    page = opened(watched, report_of(whole))
    figure = page.locator("#fig-spectrum_difference")
    figure.get_by_role("button", name="Still picture").click()
    expect(figure.locator(".frame .plot")).to_be_visible()
    expect(page.locator("#drawn-difference")).to_be_hidden()
    figure.get_by_role("button", name="Live picture").click()
    expect(page.locator("#drawn-difference")).to_be_visible()


def test_without_script_the_still_figures_stand(whole, chromium):
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(report_of(whole).resolve().as_uri())
    for summary in page.locator("details.annex > summary").all():
        summary.click()
    for name in ("index_courses", "spectra_by_group", "spectrum_difference", "loadings"):
        expect(page.locator(f"#fig-{name} .frame .plot")).to_be_visible()
        expect(page.locator(f"#fig-{name} figcaption .live-words")).to_be_hidden()
    context.close()


def test_a_browser_that_cannot_unpack_keeps_the_still_figures(whole, watched):
    watched.page.add_init_script("delete window.DecompressionStream")
    page = watched.open_file(report_of(whole))
    page.locator("#open-all").dispatch_event("click")
    note = page.locator("[data-live=spectra] .note")
    expect(note).to_contain_text("the still one stands below")
    expect(page.locator("#fig-spectra_by_group .frame .plot")).to_be_visible()


@SIZES
def test_hostile_labels_stay_text(hostile, watched, size):
    page = opened(watched, report_of(hostile), size)
    for name in LIVE:
        assert lines_of(page, name) > 0, name
    assert page.locator("main img").count() == 0
    assert page.locator("#drawn-courses b, #drawn-spectra b").count() == 0
    live = page.locator("[data-live=spectra]")
    expect(live.locator("fieldset").first).to_contain_text(BAD)
    single_scans(page)
    live.get_by_label("day0").check()
    expect(live.locator(".said")).to_contain_text("Drawn: ")
    told = point_at_a_line(page).replace("|", "")
    assert "<i>plant</i> p0" in told
    assert "onerror=alert(1)>" in told or "<b>bold</b> %{x}" in told
    weights = page.locator("#drawn-spectra .hovertext tspan").evaluate_all(
        "all => all.map(one => one.style.fontWeight)"
    )
    assert "bold" not in weights
    page.locator("[data-live=courses] select").last.select_option(label="p01")
    expect(page.locator("[data-live=courses] .told")).to_contain_text(BAD)


def test_hostile_labels_stay_text_in_a_saved_figure(hostile, watched, tmp_path):
    page = opened(watched, report_of(hostile))
    with page.expect_download() as waiting:
        page.locator("[data-live=courses] [data-save=svg]").click()
    waiting.value.save_as(tmp_path / "saved.svg")
    saved = (tmp_path / "saved.svg").read_text(encoding="utf-8")
    assert "<img" not in saved and "<script" not in saved
    # The library writes the brackets as numbers or as names.
    assert re.search(r"\$\\foo\$ &amp; &(lt|#60);b&(gt|#62);bold", saved)


@SIZES
def test_nothing_keeps_people_out(whole, watched, size):
    page = opened(watched, report_of(whole), size)
    assert page.locator("#drawn-spectra").get_attribute("role") == "img"
    assert watched.barriers() == []


def test_many_scans_are_thinned_in_the_drawing_and_said_so(watched, tmp_path):
    plan = tables.Plan(
        sessions=("day0", "day4"), indices=("NDVI",), n_units=120, n_leaves=3, classes=False,
        effects=False, figures=("svg",),
    )  # fmt: skip
    made = tables.make(tmp_path, plan)
    run(made.job())
    page = opened(watched, report_of(made))
    single_scans(page)
    said = page.locator("[data-live=spectra] .said")
    expect(said).to_contain_text("of 360 switched on; the study has 720.")
    expect(page.locator("#fig-spectra_by_group figcaption")).to_contain_text(
        "At most 332 lines are drawn at once"
    )
    page.locator("[data-live=spectra] select").first.select_option(label="p77")
    expect(said).to_contain_text("Drawn: 3 scans")


def test_the_pointer_finds_a_finger_that_scrolls(whole, chromium):
    """On a touch screen a finger on a figure scrolls the page; it does not zoom."""
    context = chromium.new_context(
        viewport={"width": PHONE[0], "height": PHONE[1]}, has_touch=True, is_mobile=True
    )
    page = context.new_page()
    page.goto(report_of(whole).resolve().as_uri())
    unfold(page)
    mode = page.locator("#drawn-spectra").evaluate("plot => plot.layout.dragmode")
    assert json.dumps(mode) == "false"
    context.close()
