"""The page of a strip in a real browser: clicks, keyboard alone, both sizes, nobody kept out."""

from __future__ import annotations

import json
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from browser import SIZES, Watched
from leafledger.local_page import open_port
from leafledger.review.strip_page import make_app, open_photograph
from leafledger.study.reading import read_study

from .painted_strips import SYSTEM, Painted, painted

Opened = Callable[..., Page]


@pytest.fixture
def strip() -> Painted:
    return painted(6.0)


@pytest.fixture
def opened(watched: Watched, small_study: Path, tmp_path: Path, strip: Painted) -> Iterator[Opened]:
    with ExitStack() as until_the_end:

        def open_it(**given: str) -> Page:
            photograph = open_photograph(
                read_study(small_study), strip.save(tmp_path / "strip.png")
            )
            server, guard = open_port(0, lambda guard: make_app(photograph, given, guard))
            serving = threading.Thread(target=server.serve_forever, daemon=True)
            serving.start()
            until_the_end.callback(server.server_close)
            until_the_end.callback(server.shutdown)
            watched.allow(guard.address.split("?")[0])
            watched.page.goto(guard.address)
            expect(watched.page.locator("#what")).to_have_text(
                "Point at: left end of the start line"
            )
            return watched.page

        yield open_it


def click_at(page: Page, at: tuple[float, float]) -> None:
    """Click the photograph at a pixel of its own."""
    page.locator("#photograph").scroll_into_view_if_needed()
    box = page.locator("#photograph").bounding_box()
    assert box is not None
    scale = box["width"] / 400
    page.locator("#photograph").click(position={"x": at[0] * scale, "y": at[1] * scale})


@SIZES
def test_a_strip_by_clicks(
    opened: Opened, watched: Watched, small_study: Path, strip: Painted, size: tuple[int, int]
) -> None:
    watched.size(size)
    page = opened(strip="s1", system=SYSTEM, u_mm="0.5")
    assert watched.fits() and not watched.barriers()
    for at in (strip.left, strip.right, strip.front):
        click_at(page, at)
    for i, (at, colour) in enumerate(strip.spots):
        if i:
            page.locator("#add").click()
        click_at(page, at)
        page.keyboard.type(colour)
    page.locator("#front_mm").fill("82")
    page.locator("#preview").click()
    expect(page.locator("#sentence")).to_contain_text("chlorophyll a")
    expect(page.locator("#profile polyline")).to_have_count(1)
    assert not (small_study / "chromatograms.csv").exists()
    page.locator("#save").click()
    expect(page.locator("#written")).to_contain_text("Written: chromatograms.csv")
    rows = (small_study / "chromatograms.csv").read_text().splitlines()[1:]
    distances = [float(row.split('",')[1].split(",")[1]) for row in rows]
    assert distances == pytest.approx([0.95 * 82, 0.65 * 82, 0.4 * 82], abs=0.6)
    points = json.loads((small_study / "chromatograms/s1.json").read_text())
    assert points["front"] == pytest.approx(strip.front, abs=2.5)
    assert watched.fits() and not watched.barriers()
    # A second time: told, not written over; then on purpose.
    before = (small_study / "chromatograms.csv").read_bytes()
    page.locator("#save").click()
    expect(page.locator("#problems")).to_contain_text("3 rows of strip")
    assert (small_study / "chromatograms.csv").read_bytes() == before
    assert not watched.barriers()
    page.locator("#replace").check()
    page.locator("#save").click()
    expect(page.locator("#written")).to_contain_text("Written: chromatograms.csv")
    assert (small_study / "chromatograms.csv").read_bytes() == before
    assert watched.forget()  # the console tells of the answer 422


def test_by_the_keyboard_alone(opened: Opened, small_study: Path, strip: Painted) -> None:
    page = opened(strip="k1", system=SYSTEM, u_mm="0.5", front_mm="82")
    page.keyboard.press("Tab")  # the cross
    expect(page.locator("#cross")).to_be_focused()
    for at in (strip.left, strip.right, strip.front, strip.spots[1][0]):
        page.locator("#cross").focus()
        x, y = (int(n) for n in page.locator("#cross-at").inner_text().split(", "))
        for now, wanted, less, more in (
            (x, at[0], "ArrowLeft", "ArrowRight"),
            (y, at[1], "ArrowUp", "ArrowDown"),
        ):
            steps, rest = divmod(abs(round(wanted) - now), 9)  # 900 pixels: a step is 9
            key = more if wanted > now else less
            for _ in range(steps):
                page.keyboard.press(key)
            for _ in range(rest):
                page.keyboard.press(f"Shift+{key}")
        page.keyboard.press("Enter")
    # After a spot the colour is asked for.
    page.keyboard.type("blue-green")
    page.keyboard.press("Enter")
    expect(page.locator("#written")).to_contain_text("Written: chromatograms.csv")
    (row,) = (small_study / "chromatograms.csv").read_text().splitlines()[1:]
    assert float(row.split('",')[1].split(",")[1]) == pytest.approx(0.65 * 82, abs=0.3)


def test_what_is_missing_is_said_at_once(opened: Opened, watched: Watched) -> None:
    page = opened(strip="s1", system=SYSTEM)
    page.locator("#preview").click()
    expect(page.locator("#problems .problem")).to_have_count(5)
    expect(page.locator("#problems")).to_contain_text("the solvent front")
    assert not watched.barriers()
    assert watched.forget()


def test_without_the_token_nothing_is_shown(opened: Opened, watched: Watched) -> None:
    page = opened()
    address = page.url.split("?")[0]
    for path in ("", "api/state", "api/photograph"):
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(address + path)
        assert refused.value.code == 403
