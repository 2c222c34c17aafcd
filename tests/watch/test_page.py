"""The page of a watch in a real browser: what is next, verdict, keys; never a treatment."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest
from playwright.sync_api import Page, expect

from browser import SIZES, Watched
from leafledger.watch.measuring_session import MeasuringSession
from leafledger.watch.watch_page import Watch

from .conftest import Bench

Opened = Callable[[MeasuringSession], Page]


@pytest.fixture
def opened(watched: Watched) -> Iterator[Opened]:
    with ExitStack() as until_the_end:

        def open_it(session: MeasuringSession) -> Page:
            watch = Watch(session, polling=True, say=print)
            guard = watch.serve(0)
            until_the_end.callback(watch.stop)
            watched.allow(guard.address.split("?")[0])
            watched.page.goto(guard.address)
            expect(watched.page.locator("#session")).to_have_text("day0")
            return watched.page

        yield open_it


def test_a_fault_is_measured_again_with_one_key(
    bench: Bench, opened: Opened, leaves: list[str], watched: Watched
) -> None:
    session = bench.watch()
    page = opened(session)
    expect(page.locator("#next-words")).to_have_text("Dark")
    expect(page.locator("#again")).to_be_disabled()
    instrument = bench.instrument(faults={leaves[0]: "room_light"})
    bench.measure(session, instrument, 6)
    expect(page.locator("#grade")).to_have_text("✕ Measure again: room light in the clip")
    expect(page.locator("#action")).to_contain_text("Close the clip over the whole leaf")
    expect(page.locator("#next-title")).to_have_text("Next, unless you measure again first")
    expect(page.locator("#figure svg.plot")).to_be_visible()
    text = page.content().lower()
    assert "chelate" not in text and "water" not in text
    page.keyboard.press("a")
    expect(page.locator("#next-title")).to_have_text("Next: again")
    expect(page.locator("#next-words")).to_have_text("plant p00 · leaf 1")
    page.keyboard.press("u")
    expect(page.locator("#grade")).to_contain_text("Measure again")
    page.keyboard.press("n")
    expect(page.locator("#words")).to_be_focused()
    page.keyboard.type("lamp <b>on</b> behind me")
    page.keyboard.press("Enter")
    expect(page.locator("#later")).to_contain_text("note: lamp <b>on</b> behind me")
    assert bench.rows()[leaves[0]]["note"] == "lamp <b>on</b> behind me"
    page.keyboard.press("s")
    page.keyboard.press("Enter")
    expect(page.locator("#problems")).to_contain_text("Give a reason")
    assert watched.forget()  # the console tells of the answer 422


@SIZES
def test_it_fits_and_keeps_nobody_out(
    bench: Bench, opened: Opened, leaves: list[str], watched: Watched, size: tuple[int, int]
) -> None:
    watched.size(size)
    (bench.study / "raw/day0/old scan of another day.txt").write_bytes(b"no scan\n")
    (bench.study / "raw/day0/old.txt").write_bytes(bench.finished.sound(leaves[-1]))
    session = bench.watch()
    page = opened(session)
    bench.settle(session, 1.0)
    expect(page.locator("#parked-list button")).to_have_count(1)
    assert watched.fits() and not watched.barriers()
    bench.measure(session, bench.instrument(faults={leaves[0]: "no_leaf"}), 7)
    expect(page.locator("#attention-list li")).to_have_count(1)
    page.locator("#note").click()
    assert watched.fits() and not watched.barriers()
    page.locator("#cancel").click()
    bench.measure(session, bench.instrument(), 2)
    expect(page.locator("#white")).to_have_class(
        "due" if "is next" in page.locator("#white").inner_text() else ""
    )
    assert watched.fits()


def test_only_who_knows_the_address_is_answered(bench: Bench) -> None:
    from leafledger.local_page import Guard
    from leafledger.watch.watch_page import make_app

    guard = Guard(8123)
    client = make_app(bench.watch(), guard).test_client()
    here = {"base_url": "http://127.0.0.1:8123"}
    assert client.get("/api/state", **here).status_code == 403
    assert client.get(f"/?token={guard.token}", **here).status_code == 303
    state = client.get("/api/state", **here).get_json()
    assert state["next"]["words"] == "Dark"
    same = client.get(f"/api/state?version={state['version']}", **here).get_json()
    assert same == {"version": state["version"], "same": True}
    assert client.post("/api/act", data="action=undo", **here).status_code == 403
    assert client.post("/api/act", json={"action": 1}, **here).status_code == 400
    assert client.post("/api/act", json={"action": "fly"}, **here).status_code == 422
    assert client.get("/api/state", base_url="http://evil.example:8123").status_code == 403
