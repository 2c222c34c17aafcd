"""Photographs beside scans: small, upright, and with nothing in them but their pixels."""

from __future__ import annotations

import csv
import io
import re
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image, PngImagePlugin
from playwright.sync_api import Page, expect

from browser import Watched
from leafledger.errors import InputFault
from leafledger.review.review_session import (
    LARGEST_SIDE,
    Guard,
    ReviewSession,
    make_app,
    small_picture,
)

from .conftest import PORT, Browser

SCAN = "day0-p1-1"
PLACE = b"50 deg 56 min 17 s"
GPS, ORIENTATION, SERIAL = 0x8825, 0x0112, 0xA431


def camera_picture(width: int = 1600, height: int = 900) -> bytes:
    """Return a JPEG as a phone makes it: lying on its side, with place, serial number and words.

    The left third is red, so that turning it upright can be seen.
    """
    picture = Image.new("RGB", (width, height), (20, 140, 40))
    picture.paste((220, 20, 20), (0, 0, width // 3, height))
    exif = picture.getexif()
    exif[ORIENTATION] = 6  # turn it a quarter clockwise to see it upright
    exif[SERIAL] = "SER-4711"
    exif.get_ifd(GPS).update({1: "N", 2: (50.0, 56.0, 17.0), 29: PLACE.decode()})
    out = io.BytesIO()
    picture.save(out, "JPEG", exif=exif, comment=PLACE)
    return out.getvalue()


def with_photo(study: Path, name: str, data: bytes) -> None:
    """Put a picture beside the scan and name it in the sheet."""
    (study / name).parent.mkdir(exist_ok=True)
    (study / name).write_bytes(data)
    path = study / "scans.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "photo"], lineterminator="\n")
        writer.writeheader()
        writer.writerows({**r, "photo": name if r["scan"] == SCAN else ""} for r in rows)


def test_what_a_camera_adds_to_a_picture_is_gone() -> None:
    data = camera_picture()
    assert PLACE in data
    assert b"SER-4711" in data
    small = small_picture(data, "p.jpg")
    assert PLACE not in small
    assert b"SER-4711" not in small
    assert b"Exif" not in small
    with Image.open(io.BytesIO(small)) as picture:
        assert dict(picture.getexif()) == {}
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_it_is_small_and_stands_upright() -> None:
    """Turned a quarter clockwise, what was left is at the top."""
    with Image.open(io.BytesIO(small_picture(camera_picture(), "p.jpg"))) as picture:
        assert picture.size == (LARGEST_SIDE * 900 // 1600, LARGEST_SIDE)
        top, bottom = (picture.getpixel((100, y)) for y in (20, LARGEST_SIDE - 20))
    assert top[0] > 180 > top[1]
    assert bottom[1] > 100 > bottom[0]


@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_a_transparent_picture_stands_on_white(form: str) -> None:
    out = io.BytesIO()
    told = PngImagePlugin.PngInfo()
    told.add_text("Comment", PLACE.decode())
    options = {"pnginfo": told} if form == "PNG" else {"lossless": True, "exif": PLACE}
    Image.new("RGBA", (40, 20), (0, 0, 0, 0)).save(out, form, **options)
    small = small_picture(out.getvalue(), "p")
    assert PLACE not in small
    with Image.open(io.BytesIO(small)) as picture:
        assert picture.getpixel((5, 5)) == (255, 255, 255)


def huge_png() -> bytes:
    """Return a PNG of some bytes that says it is 40,000 by 40,000 pixels."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    head = struct.pack(">IIBBBBB", 40_000, 40_000, 8, 2, 0, 0, 0)
    body = chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + body + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "cannot be decoded"),
        (b"\xff\xd8\xff\xe0 no picture", "cannot be decoded"),
        (camera_picture()[:400], "cannot be decoded"),
        (b"GIF89a\x01\x00\x01\x00\x80\x00\x00\xff\xff\xff\x00\x00\x00;", "cannot be decoded"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "cannot be decoded"),
        (huge_png(), "million pixels"),
    ],
)
def test_a_bad_picture_is_a_clear_word(data: bytes, words: str) -> None:
    with pytest.raises(InputFault) as caught:
        small_picture(data, "photos/leaf.jpg")
    (problem,) = caught.value.problems
    assert problem.file == "photos/leaf.jpg"
    assert words in problem.found
    assert "Save it again as JPEG" in problem.mend


def asking(study: Path) -> Browser:
    guard = Guard(PORT)
    app = make_app(ReviewSession(study), guard)
    app.test_client_class = Browser
    client = app.test_client()
    client.get(f"/?token={guard.token}")
    return client


def test_the_page_gets_the_small_picture_and_never_the_file(study: Path) -> None:
    with_photo(study, "photos/leaf.jpg", camera_picture())
    client = asking(study)
    view = client.get("/api/leaves/day0/p1").get_json()
    assert [scan["photo"] for scan in view["scans"]] == [True, False, False]
    assert "leaf.jpg" not in str(view), "its name may tell the treatment"
    answer = client.get(f"/api/photo/{SCAN}")
    assert (answer.status_code, answer.mimetype) == (200, "image/jpeg")
    assert PLACE not in answer.data
    assert client.get("/api/photo/day0-p1-2").status_code == 404
    assert client.get("/api/photo/..%2F..%2Fstudy.yaml").status_code == 404


def test_without_the_token_no_picture_is_shown(study: Path) -> None:
    with_photo(study, "photos/leaf.jpg", camera_picture())
    app = make_app(ReviewSession(study), Guard(PORT))
    app.test_client_class = Browser
    assert app.test_client().get(f"/api/photo/{SCAN}").status_code == 403


def test_a_picture_that_went_away_or_became_a_link_is_not_shown(study: Path) -> None:
    with_photo(study, "photos/leaf.jpg", camera_picture())
    client = asking(study)
    outside = study.parent / "private.jpg"
    outside.write_bytes(camera_picture())
    place = study / "photos/leaf.jpg"
    place.unlink()
    assert client.get(f"/api/photo/{SCAN}").status_code == 422
    place.symlink_to(outside)
    answer = client.get(f"/api/photo/{SCAN}")
    assert answer.status_code == 422
    assert "leaves the study folder" in answer.get_json()["problems"][0]["found"]


def test_the_browser_shows_it_beside_its_scan_or_says_why_not(
    study: Path, watched: Watched, served: Callable[[ReviewSession], str]
) -> None:
    with_photo(study, "photos/leaf.jpg", camera_picture())
    address = served(ReviewSession(study))
    watched.allow(address.split("?")[0])
    page: Page = watched.page
    page.goto(address)
    expect(page.locator("#figures svg").first).to_be_visible()
    page.locator("#groups button", has_text=re.compile(r"^day0 · p1\b")).click()
    picture = page.locator(".photo img")
    expect(picture).to_have_count(1)
    # The page draws its cards anew while it loads: the picture of the moment is looked at.
    page.wait_for_function(
        "() => { const shown = document.querySelector('.photo img');"
        " shown?.scrollIntoView(); return shown !== null && shown.naturalWidth > 0; }"
    )
    assert picture.get_attribute("alt") == f"Photograph beside scan {SCAN}"
